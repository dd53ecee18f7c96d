"""What people may do to each other, and that live streams and reviews keep to the sites of whoever asks."""

from __future__ import annotations

import threading
import time
from datetime import timedelta

import pytest

from monitor.records import accounts, sessions
from monitor.records.database import Database
from monitor.web.server import WebServer
from tests.web.farm import Farm
from tests.web.page import page
from tests.web.people import PASSWORD, account, browser, enter, signed_in

pytestmark = pytest.mark.usefixtures("cheap")


# --- people ----------------------------------------------------------------------------------------------------


def test_whoever_is_bound_to_sites_gives_no_more_than_those(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    with signed_in(server.address, database, people["hill-manage"], farm.now) as client:
        listed = page(client, "/people").text
        assert "hill-look" in listed and "meadow" not in listed.lower() and "boss" not in listed
        for sites in (["*"], ["meadow"], ["hill", "meadow"], [], ["nowhere"]):
            asked_for = {"name": "eve", "role": "manage", "sites": sites}
            assert client.post("/people", data=asked_for).status_code == 422, sites
            change = client.post(f"/people/{people['hill-look']}", data={"role": "look", "sites": sites})
            assert change.status_code == 422, sites
        for name in ("boss", "meadow-look"):
            for what in ("", "/reset", "/disable", "/enable"):
                form = {"role": "look", "sites": ["hill"]}
                assert client.post(f"/people/{people[name]}{what}", data=form).status_code == 404
        both = account(database, "both", "look", ["hill", "meadow"], farm.now)
        assert client.post(f"/people/{both}/reset").status_code == 404  # it is the other farm's too
        for what, form in (("", {"role": "look", "sites": ["hill"]}), ("/disable", {}), ("/reset", {})):
            assert client.post(f"/people/{people['hill-manage']}{what}", data=form).status_code == 409  # oneself
        made = client.post("/people", data={"name": "Eve", "role": "attend", "sites": ["hill"]})
        assert made.status_code == 200
        password = made.text.partition('class="once"><code>')[2].partition("</code>")[0]
        assert accounts.signs_in(database, "eve", password) is not None
        assert password not in client.get("/people").text
        taken = client.post("/people", data={"name": "EVE", "role": "look", "sites": ["hill"]})
        assert taken.status_code == 422 and "no other account" in taken.text


def test_manage_alone_changes_what_others_may(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    def enters(name: str, password: str = PASSWORD) -> int:
        with browser(server.address) as client:
            return enter(client, name, password).status_code

    number = people["meadow-look"]
    with (
        signed_in(server.address, database, people["boss"], farm.now) as client,
        signed_in(server.address, database, number, farm.now) as other,
    ):
        assert other.post("/alarms/1/acknowledge").status_code == 403
        assert client.post(f"/people/{number}", data={"role": "attend", "sites": ["hill"]}).status_code == 303
        assert other.post("/alarms/1/acknowledge").status_code == 404  # a role that is enough, and another farm's alarm
        assert client.post(f"/people/{number}", data={"role": "boss", "sites": ["hill"]}).status_code == 422
        assert client.post(f"/people/{number}/disable").status_code == 303
        assert other.get("/").status_code == 303
        assert "Disabled" in page(client, f"/people/{number}").text
        assert enters("meadow-look") == 401
        client.post(f"/people/{number}/enable")
        assert enters("meadow-look") == 303
        shown = client.post(f"/people/{number}/reset").text
        password = shown.partition('class="once"><code>')[2].partition("</code>")[0]
        assert enters("meadow-look") == 401
        assert enters("meadow-look", password) == 303


def test_those_who_look_are_shown_no_buttons_that_are_not_theirs(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    def forms(name: str, path: str) -> list[str]:
        with signed_in(server.address, database, people[name], farm.now) as client:
            return [str(attrs.get("action")) for tag, attrs in page(client, path).tags if tag == "form"]

    fan = "/fans/meadow/north-3"
    for path in (fan, "/alarms", "/alarms/1", "/review"):
        assert forms("meadow-look", path) == []
    assert "/out-of-service" in forms("meadow-attend", "/alarms") and len(forms("meadow-attend", "/review")) == 2
    assert "/alarms/1/acknowledge" in forms("meadow-attend", fan)
    assert "/sites/meadow/tonight" in forms("meadow-attend", fan)
    with signed_in(server.address, database, people["meadow-look"], farm.now) as client:
        assert "/people" not in client.get("/").text and "take-on" not in client.get("/loggers").text
        assert "/people" not in client.get("/account").text
    with signed_in(server.address, database, people["meadow-attend"], farm.now) as client:
        assert 'name="by"' not in client.get(fan).text  # it is known who it is


# --- the live stream -------------------------------------------------------------------------------------------


def test_the_stream_tells_of_ones_own_sites_only_and_ends_with_the_session(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.web import live

    monkeypatch.setattr(live, "STILL_SECONDS", 0.0)
    heard: dict[str, list[str]] = {}

    def listen(name: str, path: str) -> None:
        with signed_in(server.address, database, people[name], farm.now) as client, client.stream("GET", path) as said:
            for line in said.iter_lines():
                heard.setdefault(name, []).append(line)

    threads = [
        threading.Thread(target=listen, args=(name, "/api/v1/live"), daemon=True)
        for name in ("meadow-look", "hill-look", "boss")
    ]
    for one in threads:
        one.start()

    def told(name: str, text: str) -> bool:
        until = time.monotonic() + 20
        while time.monotonic() < until:
            if any(text in line for line in heard.get(name, [])):
                return True
            time.sleep(0.02)
        return False

    assert all(told(name, "event: open") for name in ("meadow-look", "hill-look", "boss"))
    farm.reading("north-4", (14.0, 14.1, 14.2), at=farm.now + timedelta(seconds=5))
    farm.reading("barn", (9.0, 9.1, 9.2), site="hill", at=farm.now + timedelta(seconds=5))
    assert told("boss", "north-4") and told("boss", "barn")
    assert told("meadow-look", "north-4") and told("hill-look", "barn")
    assert not any("barn" in line or "hill" in line for line in heard["meadow-look"])
    assert not any("north-4" in line or "meadow" in line for line in heard["hill-look"])
    # What changes what one may hear ends the stream; who may go on hears more.
    sessions.end_all(database, people["meadow-look"])
    accounts.change(database, people["hill-look"], "look", ["meadow"])
    for one in threads[:2]:
        one.join(20)
    assert not threads[0].is_alive() and not threads[1].is_alive()
    count = len(heard["boss"])
    farm.reading("north-4", (13.0, 13.1, 13.2), at=farm.now + timedelta(seconds=15))
    until = time.monotonic() + 20
    while len(heard["boss"]) == count and time.monotonic() < until:
        time.sleep(0.02)
    assert len(heard["boss"]) > count


@pytest.mark.parametrize("path", ["/api/v1/live?", f"/live?fans={','.join(map(str, range(1, 20)))}&"])
def test_a_stream_that_goes_back_in_time_tells_of_ones_own_sites_only(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database, path: str
) -> None:
    with signed_in(server.address, database, people["hill-look"], farm.now) as client:
        with client.stream("GET", f"{path}after=0-0") as said:
            parts = []
            for part in said.iter_text():
                parts.append(part)
                if "barn" in part:
                    break
        assert "north" not in "".join(parts)
        assert client.get(f"{path}site=meadow&after=0-0").text == ""


# --- reviews ---------------------------------------------------------------------------------------------------


def test_a_review_is_for_those_who_see_its_site_or_asked_for_it(
    people: dict[str, int], farm: Farm, server: WebServer, database: Database
) -> None:
    reviews = server._app.state.reviews
    reviews._work = lambda: None  # nothing is reviewed here
    stored = {"fan": "meadow/north-3", "from": "2026-10-03T18:00", "to": "2026-10-03T19:00", "as": "judged"}
    log = {"log": ("log.csv", b"time,l1_amps\n", "text/csv")}
    plate = "[motor]\nrated_voltage = 460\nphases = 3\nfull_load_amps = 12.4\n"

    def seen(name: str, path: str) -> int:
        with signed_in(server.address, database, people[name], farm.now) as client:
            return client.get(path).status_code

    with signed_in(server.address, database, people["meadow-attend"], farm.now) as client:
        of_fan = client.post("/review/window", data=stored).headers["location"]
        of_log = client.post("/review/log", data={"nameplate": plate}, files=log).headers["location"]
    assert [seen(name, of_fan) for name in ("meadow-attend", "meadow-look", "boss", "hill-manage")] == [200] * 3 + [404]
    assert [seen(name, of_log) for name in ("meadow-attend", "meadow-look", "boss")] == [200, 404, 404]
