"""The page behind the link in a notice, with a real worker: opened, confirmed once, and links that lead nowhere."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from monitor.alarms.alarm import Acknowledge, Alarm, Raised, Returned
from monitor.records import acknowledge_links, actions, look, tables
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.farm import Farm, alarm_of, whole
from tests.web.notices import PUBLIC, of_the_service, tell, worker_at_work
from tests.web.page import Page

OUT_THERE = {"host": "farm.example"}


@pytest.fixture
def key(database: Database) -> bytes:
    return acknowledge_links.key(database)


@pytest.fixture
def server(database: Database, farm: Farm, key: bytes) -> Iterator[WebServer]:
    app = create_app(database, now=lambda: farm.now, public_url=PUBLIC, link_key=key)
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def phone(server: WebServer) -> Iterator[httpx.Client]:
    """Out on the road: through the proxy, by the public name."""
    with httpx.Client(base_url=server.address, timeout=60, trust_env=False, headers=OUT_THERE) as opened:
        yield opened


@pytest.fixture
def north(farm: Farm) -> Alarm:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    return farm.raised("north-3", "overload", "high", text="north-3: 102 % of its limit")


def path(notice: Any, key: bytes) -> str:
    return acknowledge_links.link_for("", notice.id, key)


def alarm(database: Database, number: int) -> dict[str, Any]:
    found = look.alarm(database, ALL, number)
    assert found is not None
    return found


def used(database: Database) -> dict[str, tuple[int | None, str | None]]:
    table = tables.notices
    with database.read() as connection:
        rows = connection.execute(sa.select(table.c.id, table.c.link_used_ms, table.c.link_used_by))
        return {row[0]: (row[1], row[2]) for row in rows}


# --- the way it goes -------------------------------------------------------------------------------------------


def test_from_the_link_to_the_acknowledged_alarm(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north, link=key)
    where = path(notice, key)
    opened = phone.get(where)
    page = Page(opened.text)
    assert opened.status_code == 200
    assert page.headings[0] == "north-3: over its limit"
    assert "Meadow farm, high priority" in page.text
    assert "Stands now; nobody has acknowledged it. Since 20:12 CDT, 34 min ago." in page.text
    assert "north-3: 102 % of its limit" in page.text
    assert "Lock out, block the rotor and prove dead before touching anything." in page.text
    buttons = [dict(attributes) for tag, attributes in page.tags if tag == "button"]
    assert len(buttons) == 1
    assert not [tag for tag, _ in page.tags if tag == "script"]
    assert (phone.head(where).status_code, phone.head("/a/x").status_code) == (200, 404)
    assert actions.undone(database) == [] and used(database) == {notice.id: (None, None)}
    with worker_at_work(database, farm.now):
        done = phone.post(where, data={"by": " Ann "})
    assert (done.status_code, done.headers["location"]) == (303, where)
    found = alarm(database, north.number)
    assert (found["state"], found["acknowledged_by"]) == ("ACKNOWLEDGED", "Ann, by link to farm")
    assert used(database) == {notice.id: (int(farm.now.timestamp() * 1000), "Ann, by link to farm")}
    after = Page(phone.get(where).text)
    assert after.headings[0] == "Acknowledged"
    assert "Ann, by link to farm, 20:46 CDT." in after.text and "This link is used up" in after.text
    assert "button" not in [tag for tag, _ in after.tags]
    second = phone.post(where, data={"by": "Bob"})
    assert second.status_code == 409 and "Ann, by link to farm, 20:46 CDT." in second.text
    assert alarm(database, north.number)["acknowledged_by"] == "Ann, by link to farm"


def test_a_name_may_be_left_empty_or_be_anything(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    farm.fan("north-4")
    other = farm.raised("north-4")
    first, second = tell(farm, north)[0], tell(farm, other)[0]
    with worker_at_work(database, farm.now):
        phone.post(path(first, key))
        phone.post(path(second, key), data={"by": "<b>A</b>\n\x00" + "n" * 500})
    assert alarm(database, north.number)["acknowledged_by"] == "by link to farm"
    assert alarm(database, other.number)["acknowledged_by"] == "<b>A</b> " + "n" * 31 + ", by link to farm"
    assert "By link to farm, 20:46 CDT." in phone.get(path(first, key)).text
    assert "<b>A" not in phone.get(path(second, key)).text


def test_a_notice_of_several_alarms_acknowledges_all_that_wait_and_only_those(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    for fan in ("north-4", "north-5", "north-6"):
        farm.fan(fan)
    over, gone, stays = farm.raised("north-4"), farm.raised("north-5", "low-margin", "low"), farm.raised("north-6")
    farm.returned("north-5", "low-margin")
    farm.now += timedelta(minutes=1)
    farm.event("north-4", "overload", Acknowledge("Bob"))
    (notice,) = tell(farm, north, over, gone)
    page = Page(phone.get(path(notice, key)).text)
    assert page.headings[:4] == [
        "3 alarms at Meadow farm", "north-3: over its limit", "north-4: over its limit", "north-5: near its limit",
    ]  # fmt: skip
    assert "Acknowledge all 2" in page.text
    assert "Stands now; acknowledged 20:47 CDT: Bob" in page.text
    assert "Over since 20:46 CDT; nobody has acknowledged it" in page.text
    with worker_at_work(database, farm.now):
        assert phone.post(path(notice, key), data={"by": "Ann"}).status_code == 303
    assert [alarm(database, one.number)["acknowledged_by"] for one in (north, over, gone, stays)] == [
        "Ann, by link to farm", "Bob", "Ann, by link to farm", None,
    ]  # fmt: skip
    assert alarm(database, gone.number)["state"] == "NORMAL"


def test_a_trip_that_is_over_says_that_it_waits(farm: Farm, north: Alarm, phone: httpx.Client, key: bytes) -> None:
    tripped = farm.raised("north-3", "tripped", "highest")
    farm.event("north-3", "tripped", Returned(farm.now))
    (notice,) = tell(farm, tripped)
    said = phone.get(path(notice, key)).text
    assert "Over, and stands until somebody acknowledges it; nobody has acknowledged it" in said
    assert "A trip is a finding: look for the cause before resetting." in said


def test_two_at_once_acknowledge_once(
    farm: Farm, north: Alarm, server: WebServer, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    answers: list[int] = []

    def tap(name: str) -> None:
        answer = httpx.post(
            server.address + path(notice, key), data={"by": name}, headers=OUT_THERE, trust_env=False, timeout=60
        )
        answers.append(answer.status_code)

    threads = [threading.Thread(target=tap, args=(name,)) for name in ("Ann", "Bob", "Cid")]
    for one in threads:
        one.start()
    deadline = threading.Event()
    while len(actions.undone(database)) < 1 and not deadline.wait(0.01):
        pass
    with worker_at_work(database, farm.now):
        for one in threads:
            one.join(30)
    assert sorted(answers)[0] == 303 and set(answers) <= {303, 409}
    changes = [one for one in alarm(database, north.number)["changes"] if one["cause"] == "acknowledged"]
    assert len(changes) == 1
    assert used(database)[notice.id][1] == changes[0]["by"]


def test_both_addresses_of_a_route_have_a_link_and_the_second_hears_of_the_first(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    first, second = tell(farm, north, addresses=2)
    with worker_at_work(database, farm.now):
        phone.post(path(first, key), data={"by": "Ann"})
        opened = phone.get(path(second, key))
        assert opened.status_code == 200
        page = Page(opened.text)
        assert page.headings[0] == "Nothing to acknowledge"
        assert "Stands now; acknowledged 20:46 CDT: Ann, by link to farm" in page.text
        assert "button" not in [tag for tag, _ in page.tags]
        assert phone.post(path(second, key), data={"by": "Bob"}).status_code == 409
    assert used(database)[second.id] == (None, None)
    assert alarm(database, north.number)["acknowledged_by"] == "Ann, by link to farm"


def test_while_the_service_is_behind_the_page_says_so_and_asks_once(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    assert phone.post(path(notice, key), data={"by": "Ann"}).status_code == 303  # no worker
    page = Page(phone.get(path(notice, key)).text)
    assert "the service has not come to it yet" in page.text
    assert ("meta", {"http-equiv": "refresh", "content": "5"}) in page.tags
    assert phone.post(path(notice, key), data={"by": "Ann"}).status_code == 303
    assert len(actions.undone(database)) == 1
    with worker_at_work(database, farm.now):
        while actions.undone(database):
            pass
    assert "Ann, by link to farm" in phone.get(path(notice, key)).text


def test_what_rose_since_the_page_was_opened_is_read_again_first(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    page = Page(phone.get(path(notice, key)).text)
    (seen,) = (one["value"] for tag, one in page.tags if tag == "input" and one.get("name") == "seen")
    farm.event("north-3", "overload", Raised("overload", farm.now, farm.now, 1.2, 1.0, 1.2, "highest"))
    with worker_at_work(database, farm.now):
        answer = phone.post(path(notice, key), data={"by": "Ann", "seen": seen})
        assert answer.status_code == 409
        assert "It has become more since this page was opened." in answer.text and "highest priority" in answer.text
        assert alarm(database, north.number)["acknowledged"] is None
        (seen,) = (one["value"] for tag, one in Page(answer.text).tags if tag == "input" and one.get("name") == "seen")
        assert phone.post(path(notice, key), data={"by": "Ann", "seen": seen}).status_code == 303
    assert alarm(database, north.number)["acknowledged_by"] == "Ann, by link to farm"


# --- links that lead nowhere -----------------------------------------------------------------------------------


def test_a_link_that_we_did_not_sign_tells_nothing_of_what_exists(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    right = path(notice, key)
    last = "A" if right[-1] != "A" else "Q"
    answers = [
        phone.request(method, where)
        for method in ("GET", "POST")
        for where in (right[:-1] + last, right[:-1], "/a/0-99-99-farm-0." + right.rpartition(".")[2], "/a/", "/a/x",
                      "/a/x/y", "/a/%00", "/a/%ff", "/a/" + "x" * 3000)
    ]  # fmt: skip
    assert {answer.status_code for answer in answers} == {404}
    assert len({answer.text for answer in answers}) == 1
    assert "This is no link of a notice" in answers[0].text and "north" not in answers[0].text
    assert actions.undone(database) == []


def test_a_link_works_for_seven_days(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    made = farm.now
    (notice,) = tell(farm, north)
    farm.now = made + timedelta(days=7)
    assert phone.get(path(notice, key)).status_code == 200
    farm.now += timedelta(seconds=1)
    for answer in (phone.get(path(notice, key)), phone.post(path(notice, key))):
        assert answer.status_code == 410
        assert "This link is too old" in answer.text and "Oct 3, 20:46 CDT" in answer.text
        assert "north-3" not in answer.text
    assert actions.undone(database) == []
    farm.now = made - timedelta(minutes=5)  # the clock was put right meanwhile
    assert phone.get(path(notice, key)).status_code == 200


def test_a_notice_or_an_alarm_that_is_not_stored_any_more(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    gone = acknowledge_links.link_for("", "0-5-6-farm-0", key)
    for answer in (phone.get(gone), phone.post(gone)):
        assert answer.status_code == 410 and "This notice is not stored any more" in answer.text
    (notice,) = tell(farm, north)
    with database.begin() as connection:
        connection.execute(sa.delete(tables.alarms))
    answer = phone.get(path(notice, key))
    assert answer.status_code == 200 and "Nothing to acknowledge" in answer.text
    assert "Not stored any more: 1 alarm of this notice." in answer.text
    assert phone.post(path(notice, key)).status_code == 409


def test_an_alarm_of_a_fan_that_was_taken_out_of_the_register(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    from monitor.records import register

    (notice,) = tell(farm, north)
    farm.event("north-3", "overload", Returned(farm.now, watched=False))
    register.remove(database, "meadow", "north-3", by="Ann", now=farm.now)
    answer = phone.get(path(notice, key))
    assert answer.status_code == 200 and "Nothing to acknowledge" in answer.text
    assert "Over since 20:46 CDT" in answer.text
    with worker_at_work(database, farm.now):
        assert phone.post(path(notice, key)).status_code == 409


def test_a_notice_of_no_alarm_has_nothing_to_acknowledge(farm: Farm, phone: httpx.Client, key: bytes) -> None:
    farm.site()
    answer = phone.get(path(of_the_service(farm), key))
    assert answer.status_code == 200 and "Nothing to acknowledge" in answer.text


def test_a_busy_database_is_told_and_nothing_is_changed(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    (notice,) = tell(farm, north)
    from monitor.errors import LinkError
    from monitor.web import acknowledge_page

    def busy(*_: object) -> None:
        raise LinkError("the database /srv/monitor.db is busy.")

    monkeypatch.setattr(acknowledge_page.actions, "put", busy)
    answer = phone.post(path(notice, key))
    assert answer.status_code == 503 and "Not acknowledged" in answer.text and "/srv" not in answer.text
    assert answer.headers["retry-after"] == "5"
    monkeypatch.setattr(acknowledge_page.acknowledge_links, "linked", busy)
    answer = phone.get(path(notice, key))
    assert answer.status_code == 503 and "Nothing was changed." in answer.text and "/srv" not in answer.text


def test_without_a_public_address_there_are_no_links(farm: Farm, north: Alarm, database: Database, key: bytes) -> None:
    (notice,) = tell(farm, north)
    running = WebServer(create_app(database, now=lambda: farm.now), "127.0.0.1", 0)
    running.start()
    try:
        assert httpx.get(running.address + path(notice, key), trust_env=False).status_code == 404
    finally:
        running.stop()


# --- what goes round it ----------------------------------------------------------------------------------------


def test_nobody_keeps_or_hears_of_the_address(farm: Farm, north: Alarm, phone: httpx.Client, key: bytes) -> None:
    (notice,) = tell(farm, north)
    for answer in (phone.get(path(notice, key)), phone.get("/a/x"), phone.post(path(notice, key))):
        headers = answer.headers
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        assert "noindex" in headers["x-robots-tag"]
        assert "script-src 'self'" in headers["content-security-policy"]
        assert "set-cookie" not in headers
        assert "http" not in answer.text.partition("<body>")[0].replace("http-equiv", "")


def test_the_public_name_opens_links_and_nothing_else(
    farm: Farm, north: Alarm, phone: httpx.Client, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    assert phone.get(path(notice, key)).status_code == 200
    assert phone.get(path(notice, key), headers={"host": "FARM.example:443"}).status_code == 200
    assert phone.get("/static/style.css").status_code == 200
    for elsewhere in ("/", "/loggers", "/fans/meadow/north-3", "/api/v1/alarms", "/healthz", "/review", "/a",
                      "/api/v1/openapi.json"):  # fmt: skip
        assert phone.get(elsewhere).status_code == 403, elsewhere
    assert phone.post(f"/alarms/{north.number}/acknowledge").status_code == 403
    for name in ("evil.example", "farm.example.evil.example", "xfarm.example", ""):
        assert phone.get(path(notice, key), headers={"host": name}).status_code == 403, name


def test_the_fan_s_page_is_offered_where_it_can_be_opened(
    farm: Farm, north: Alarm, phone: httpx.Client, client: httpx.Client, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    at_home, out_there = client.get(path(notice, key)).text, phone.get(path(notice, key)).text
    assert 'href="/fans/meadow/north-3"' in at_home
    assert "/fans/" not in out_there and "at the service's own computer only" in out_there


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 303),
        ({"origin": "https://farm.example", "sec-fetch-site": "same-origin"}, 303),
        ({"origin": "null", "sec-fetch-site": "same-origin"}, 303),
        ({"origin": "null"}, 303),
        ({"origin": "null", "sec-fetch-site": "cross-site"}, 403),
        ({"origin": "https://evil.example"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
    ],
)
def test_another_site_s_page_cannot_confirm(
    farm: Farm, north: Alarm, phone: httpx.Client, database: Database, key: bytes, headers: dict[str, str], status: int
) -> None:
    (notice,) = tell(farm, north)
    with worker_at_work(database, farm.now):
        assert phone.post(path(notice, key), headers=headers).status_code == status
    assert (alarm(database, north.number)["acknowledged"] is not None) == (status == 303)


def test_any_form_is_no_fault_of_ours(farm: Farm, north: Alarm, phone: httpx.Client, key: bytes) -> None:
    (notice,) = tell(farm, north)
    where = path(notice, key)
    for content, kind in ((b"\xff\xfe=1", "application/x-www-form-urlencoded"), (b"{}", "application/json"),
                          (b"--x", "multipart/form-data; boundary=x"), (b"", "")):  # fmt: skip
        answer = phone.post("/a/wrong", content=content, headers={"content-type": kind})
        assert answer.status_code < 500, (content, answer.text)
    for seen in ("-1", "x", "9" * 400, "٣", ""):
        assert phone.post(where, data={"seen": seen}).status_code in (303, 409)


def test_a_link_of_another_site_leads_only_to_its_own(
    farm: Farm, phone: httpx.Client, database: Database, key: bytes
) -> None:
    """Rows that do not belong together, as no service writes them: the alarm of another site stays shut."""
    whole(farm)
    mine, foreign = farm.raised("barn", site="hill"), farm.raised("south-1", text="south-1 is not yours")
    (notice,) = tell(farm, mine, foreign)
    with database.begin() as connection:
        connection.execute(sa.update(tables.notices).values(alarm_number=foreign.number))
    said = phone.get(path(notice, key)).text
    assert "barn" in said and "not yours" not in said.partition("<details>")[0]
    with worker_at_work(database, farm.now):
        phone.post(path(notice, key))
    assert alarm(database, foreign.number)["acknowledged"] is None
    assert alarm(database, mine.number)["acknowledged"] is not None


def test_the_worker_takes_no_notice_that_is_not_of_the_site(
    farm: Farm, north: Alarm, database: Database, key: bytes
) -> None:
    (notice,) = tell(farm, north)
    asked = [
        actions.put(database, acknowledge_links.KIND, site, body, "Ann", farm.now)
        for site, body in (("hill", {"notice": notice.id}), ("meadow", {"notice": "x"}), ("meadow", {}),
                           ("meadow", {"notice": 5}))
    ]  # fmt: skip
    with worker_at_work(database, farm.now):
        while actions.undone(database):
            pass
    outcomes = [actions.outcome(database, number) for number in asked]
    assert all(one is not None and (one.outcome or "").startswith("there is no notice") for one in outcomes)
    assert alarm(database, north.number)["acknowledged"] is None


def test_a_used_link_acknowledges_nothing_that_rises_later(
    farm: Farm, north: Alarm, database: Database, key: bytes, phone: httpx.Client
) -> None:
    (notice,) = tell(farm, north)
    with worker_at_work(database, farm.now):
        assert phone.post(path(notice, key)).status_code == 303
    with database.read() as connection:
        row = connection.execute(sa.select(tables.alarms)).mappings().one()
    farm.alarms[north.about] = alarm_of(row)
    farm.change_number += 10
    farm.event("north-3", "overload", Raised("overload", farm.now, farm.now, 1.2, 1.0, 1.2, "highest"))
    assert phone.post(path(notice, key)).status_code == 409
    body = {"notice": notice.id}  # as if two had been entered before the first was carried out
    numbers = [actions.put(database, acknowledge_links.KIND, "meadow", body, "Ann", farm.now)]
    with worker_at_work(database, farm.now):
        while actions.undone(database):
            pass
    outcome = actions.outcome(database, numbers[0])
    assert outcome is not None and outcome.outcome == "this link was used before"
    assert alarm(database, north.number)["state"] == "UNACKNOWLEDGED"
