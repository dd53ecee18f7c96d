"""Routes, notices with their tries, tests of a route, who was told of an alarm: page and API."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from monitor import settings
from monitor.alarms.events import Acknowledge
from monitor.alarms.facts import Alarm
from monitor.alarms.routes import Route
from monitor.alarms.telling import ACKNOWLEDGED
from monitor.records import acknowledge_links, actions, look_notices, outbox, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.look_notices import TEST_KIND
from monitor.records.rows import Done, to_ms
from monitor.records.scope import ALL
from monitor.service.delivery import Delivery, addresses
from monitor.web import notices_page
from monitor.web.app import create_app
from monitor.web.routes_shown import RouteShown, visible
from monitor.web.server import WebServer
from monitor.web.shown import zone_of
from monitor.web.told import told_line
from tests.servers import until
from tests.web.farm import Farm
from tests.web.notices import of_the_service, tell, worker_at_work
from tests.web.page import page

ROUTES = (
    RouteShown("farm", ("meadow",), ("high", "highest"), ("mailto://mail.example", "terminal:")),
    RouteShown("desk", (), (), ("webhook+https://desk.example",), True, 15, ("21:00", "06:00"), "07:00"),
)
MINUTE = timedelta(minutes=1)


@pytest.fixture
def app(database: Database, farm: Farm) -> Any:
    return create_app(database, now=lambda: farm.now, routes=ROUTES)


@pytest.fixture
def server(app: Any) -> Iterator[WebServer]:
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def alarms(farm: Farm) -> tuple[Alarm, Alarm]:
    """One at each of two sites."""
    farm.site()
    farm.site("hill", "Hill")
    for fan, site in (("north-3", "meadow"), ("north-4", "meadow"), ("barn", "hill")):
        farm.fan(fan, site=site)
        farm.reading(fan, site=site)
    return farm.raised("north-3", text="north-3: 102 % of its limit"), farm.raised(
        "barn", site="hill", text="barn: 104 %"
    )


def tried(farm: Farm, notice_id: str, *outcomes: str, last: str = "delivered") -> None:
    """Tries a minute after another; the last one delivers, fails or waits on."""
    for number, outcome in enumerate(outcomes):
        at_ms = to_ms(farm.now + number * MINUTE)
        ends = number + 1 == len(outcomes) and last != "waiting"
        outbox.record_try(
            farm.database, notice_id, at_ms, outcome, "452 try later" if outcome == "refused" else "",
            None if ends else at_ms + 60_000, delivered=ends and last == "delivered", failed=ends and last == "failed",
        )  # fmt: skip


# --- the API ---------------------------------------------------------------------------------------------------


def test_routes_tell_how_each_address_stands(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    first, second = tell(farm, alarms[0], addresses=2)
    (third,) = tell(farm, alarms[0], route="desk", at=farm.now + MINUTE)
    tried(farm, first.id, "no answer", "delivered")
    tried(farm, second.id, "refused", last="failed")
    tried(farm, third.id, "no answer", last="waiting")
    items = client.get("/api/v1/routes").json()
    assert items["next"] is None
    farm_route, desk = items["items"]
    assert farm_route == {
        "name": "farm", "sites": ["meadow"], "priorities": ["high", "highest"], "also_cleared": False,
        "after_minutes": 0.0, "quiet_from": None, "quiet_to": None, "all_is_well": None,
        "to": [
            {"address": "mailto://mail.example", "last_delivered": "2026-10-04T01:47:00Z", "last_failed": None,
             "failed_why": None, "waiting": 0, "waiting_since": None},
            {"address": "terminal:", "last_delivered": None, "last_failed": "2026-10-04T01:46:00Z",
             "failed_why": "refused", "waiting": 0, "waiting_since": None},
        ],
    }  # fmt: skip
    assert (desk["after_minutes"], desk["quiet_from"], desk["quiet_to"], desk["all_is_well"]) == (
        15, "21:00", "06:00", "07:00",
    )  # fmt: skip
    assert desk["priorities"] == ["low", "medium", "high", "highest"]
    assert (desk["to"][0]["waiting"], desk["to"][0]["waiting_since"]) == (1, "2026-10-04T01:47:00Z")


def test_notices_are_listed_with_every_try_and_filtered(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    (old,) = tell(farm, alarms[0], at=farm.now - MINUTE)
    (new,) = tell(farm, alarms[0], route="desk")
    (other,) = tell(farm, alarms[1], route="desk", at=farm.now + MINUTE)
    service = of_the_service(farm)
    tried(farm, old.id, "refused", "delivered")
    tried(farm, new.id, "gone", last="failed")

    def ids(**asked: str) -> list[str]:
        return [one["id"] for one in client.get("/api/v1/notices", params=asked).json()["items"]]

    assert ids() == [other.id, service.id, new.id, old.id]
    assert ids(route="farm") == [service.id, old.id]
    assert ids(state="failed") == [new.id]
    assert ids(site="hill") == [other.id]
    assert ids(site="hill", route="farm") == []
    assert client.get("/api/v1/notices", params={"state": "lost"}).status_code == 422
    item = client.get("/api/v1/notices", params={"route": "farm", "state": "delivered"}).json()["items"][0]
    assert item["tries"] == [
        {"number": 1, "at": "2026-10-04T01:46:00Z", "outcome": "refused", "detail": "452 try later"},
        {"number": 2, "at": "2026-10-04T01:47:00Z", "outcome": "delivered", "detail": ""},
    ]
    assert (item["to"], item["state"], item["alarm"]) == ("mailto://mail.example", "delivered", alarms[0].number)
    first = client.get("/api/v1/notices", params={"limit": 3}).json()
    second = client.get("/api/v1/notices", params={"limit": 3, "next": first["next"]}).json()
    assert [one["id"] for one in second["items"]] == [old.id] and second["next"] is None


def test_who_was_told_of_an_alarm_also_with_others_in_one_notice(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    other = farm.raised("north-4", "voltage-low", "medium")
    (first,) = tell(farm, alarms[0])
    (both,) = tell(farm, other, alarms[0], route="desk", at=farm.now + MINUTE)
    tell(farm, alarms[1])
    untold(farm, alarms[0], "farm", "dropped", "acknowledged before it was due")
    untold(farm, alarms[0], "desk", "waiting")
    found = client.get(f"/api/v1/alarms/{alarms[0].number}/notices").json()
    assert [one["id"] for one in found["items"]] == [first.id, both.id]
    assert [(one["route"], one["state"], one["why"]) for one in found["untold"]] == [
        ("farm", "dropped", "acknowledged before it was due"), ("desk", "waiting", None),
    ]  # fmt: skip
    assert [one["id"] for one in client.get(f"/api/v1/alarms/{other.number}/notices").json()["items"]] == [both.id]
    assert client.get("/api/v1/alarms/99/notices").status_code == 404


def untold(farm: Farm, alarm: Alarm, route: str, state: str, why: str | None = None, kind: str = "raised") -> None:
    """A telling that is not told (yet)."""
    with farm.database.begin() as connection:
        connection.execute(
            sa.insert(tables.tellings).values(
                partition=0, change_number=farm.change_number, route=route, alarm_number=alarm.number, site=alarm.site,
                wanted=json.dumps({"kind": kind}), wanted_ms=to_ms(farm.now),
                due_ms=to_ms(farm.now + 15 * MINUTE), state=state, why=why,
            )
        )  # fmt: skip
    farm.change_number += 1


def test_a_reader_of_one_site_sees_neither_another_nor_the_whole_service(
    farm: Farm, alarms: Any, client: httpx.Client, app: Any
) -> None:
    (mine,) = tell(farm, alarms[1], route="desk")
    (foreign,) = tell(farm, alarms[0], route="desk")
    tried(farm, foreign.id, "delivered")
    of_the_service(farm)
    app.state.sites = ["hill"]
    assert [one["id"] for one in client.get("/api/v1/notices").json()["items"]] == [mine.id]
    assert client.get("/api/v1/notices", params={"site": "meadow"}).json()["items"] == []
    assert client.get(f"/api/v1/alarms/{alarms[0].number}/notices").status_code == 404
    routes = client.get("/api/v1/routes").json()["items"]
    assert [one["name"] for one in routes] == ["desk"]  # the other tells of another site only
    assert routes[0]["to"][0]["last_delivered"] is None
    said = page(client, "/notices").text
    assert "barn" in said and "north-3" not in said and "mail.example" not in said and "All is well" not in said
    assert "Send a test" not in said
    for path in ("/api/v1/routes/desk/test", "/notices/routes/desk/test"):
        assert client.post(path).status_code == 404
    assert actions.undone(farm.database) == []


def test_routes_of_a_reader() -> None:
    two = (RouteShown("both", ("hill", "meadow")), RouteShown("all"), RouteShown("other", ("meadow",)))
    assert visible(two, ALL) == list(two)
    assert visible(two, ["hill"]) == [RouteShown("both", ("hill",)), RouteShown("all")]
    assert visible(two, ()) == []


def test_links_in_texts_are_shown_to_nobody_else(
    farm: Farm, alarms: Any, client: httpx.Client, database: Database
) -> None:
    key = acknowledge_links.key(database)
    (notice,) = tell(farm, alarms[0], link=key)
    signature = acknowledge_links.link_for("", notice.id, key).rpartition(".")[2]
    assert signature in notice.short and signature in notice.long
    for path in ("/api/v1/notices", f"/api/v1/alarms/{alarms[0].number}/notices", "/notices"):
        said = client.get(path).text
        assert signature not in said and "https://farm.example/a/..." in said, path


# --- tests of a route ------------------------------------------------------------------------------------------


def carry_out(farm: Farm, outcome: str = "done") -> None:
    """As the worker does, without its words."""
    for action in actions.undone(farm.database):
        assert action.kind == TEST_KIND
        commit(farm.database, Batch(actions_done=[Done(action.number, to_ms(farm.now), outcome)]))


def test_a_test_is_a_row_for_the_worker(farm: Farm, alarms: Any, client: httpx.Client, database: Database) -> None:
    answer = client.post("/api/v1/routes/farm/test", json={"by": " Ann \n"})
    assert (answer.status_code, answer.json()) == (202, {"number": 1, "outcome": None, "notices": []})
    (action,) = actions.undone(database)
    assert (action.kind, action.site, action.body, action.by) == ("test-notice", "", {"route": "farm"}, "Ann")
    again = client.post("/api/v1/routes/farm/test")
    assert (again.status_code, again.headers["retry-after"]) == (429, "30")
    assert client.post("/api/v1/routes/desk/test").status_code == 202
    farm.now += timedelta(seconds=31)
    assert client.post("/api/v1/routes/farm/test").status_code == 202
    for nobody in ("nobody", "FARM", "%00", "a" * 64):
        assert client.post(f"/api/v1/routes/{nobody}/test").status_code == 404
    assert client.post("/api/v1/routes/farm/test", json={"to": "x"}).status_code == 422


def test_the_page_tells_how_a_test_goes_on(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    answer = client.post("/notices/routes/farm/test")
    assert (answer.status_code, answer.headers["location"]) == (303, "/notices?test=1#test")
    asked = page(client, "/notices?test=1")
    assert "It is asked for; the service has not come to it yet." in asked.text
    assert ("meta", {"http-equiv": "refresh", "content": "3"}) in asked.tags
    carry_out(farm)
    made = trial(farm, 1)
    tried(farm, made[0], "no answer", last="waiting")
    waits = page(client, "/notices?test=1")
    assert "Not delivered yet: no answer; next try 20:47 CDT" in waits.text.partition("Routes")[0]
    assert ("meta", {"http-equiv": "refresh", "content": "3"}) in waits.tags
    tried(farm, made[0], "delivered")
    tried(farm, made[1], "refused", last="failed")
    over = page(client, "/notices?test=1")
    top = over.text.partition("Not delivered within")[0]
    assert "Delivered 20:46 CDT, at try 2" in top and "Failed after 1 try: refused" in top
    assert not [one for tag, one in over.tags if tag == "meta" and "http-equiv" in one]
    assert "The test of" not in page(client, "/notices?test=99").text


def test_a_test_that_hangs_is_not_looked_after_for_ever(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    client.post("/notices/routes/farm/test")
    farm.now += notices_page.LOOKS_AGAIN
    said = page(client, "/notices?test=1")
    assert "the service has not come to it yet" in said.text
    assert not [one for tag, one in said.tags if tag == "meta" and "http-equiv" in one]


def test_a_test_that_the_worker_refuses(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    client.post("/notices/routes/farm/test")
    carry_out(farm, "there is no route farm in the settings")
    assert "It was not sent: there is no route farm in the settings." in page(client, "/notices?test=1").text


def test_a_test_goes_to_its_route_only_and_the_page_tells_each_try(
    farm: Farm, alarms: Any, client: httpx.Client, database: Database
) -> None:
    """With the worker and the delivery that the service has: one address takes it, nobody listens at the other."""
    printed: list[str] = []
    routes = [Route("farm", ("meadow",), ("high",), ("webhook:", "terminal:")), Route("desk", (), (), ("terminal:",))]
    to = ("webhook+http://127.0.0.1:9/hook", "terminal:")
    delivery = Delivery(
        database, addresses([("farm", to, "whsec_" + "A" * 32), ("desk", ("terminal:",), None)]),
        print_line=printed.append, clock=lambda: farm.now.timestamp(),
    )  # fmt: skip
    shown = {"farm": ("webhook+http://127.0.0.1:9", "terminal:")}
    with worker_at_work(database, farm.now, routes, stored=delivery.wake, addresses_shown=shown):
        delivery.start()
        try:
            answer = client.post("/api/v1/routes/farm/test", json={"by": "Ann"})
            assert answer.json()["outcome"] == "done" and len(answer.json()["notices"]) == 2
            until(lambda: all(one["tries"] for one in listed(client)))
        finally:
            delivery.stop()
    items = {one["address"]: one for one in listed(client)}
    assert {one["route"] for one in items.values()} == {"farm"} and {one["kind"] for one in items.values()} == {"test"}
    assert (items[1]["state"], items[1]["tries"][0]["outcome"]) == ("waiting", "no answer")
    assert (items[2]["state"], items[2]["delivered"]) == ("delivered", "2026-10-04T01:46:00Z")
    text = "\n".join(printed)
    assert "This is a test; nothing is wrong." in text and "by Ann" in text and "webhook+http://127.0.0.1:9" in text
    assert "20:46" in text  # by the clock of the one site it is for
    said = page(client, "/notices?test=1").text.partition("Routes")[0]
    assert "The test of farm" in said and "Delivered 20:46 CDT" in said and "Not delivered yet: no answer" in said


def listed(client: httpx.Client) -> list[Any]:
    """All notices."""
    items: list[Any] = client.get("/api/v1/notices").json()["items"]
    return items


def test_a_route_that_the_running_service_does_not_have(
    farm: Farm, alarms: Any, client: httpx.Client, database: Database
) -> None:
    with worker_at_work(database, farm.now, [Route("desk", (), (), ("terminal:",))]):
        answer = client.post("/api/v1/routes/farm/test")
    assert answer.status_code == 409 and "there is no route farm" in answer.json()["detail"]
    assert listed(client) == []


def trial(farm: Farm, number: int) -> list[str]:
    """The notices of a test, an address each."""
    from monitor.alarms.notice import Notice, group_of, notice_id

    group = group_of(0, "test", str(number), "farm")
    made = [
        Notice(notice_id(group, place), "", 0, 0, "farm", place, "test", "low", True, "A test", "A test.", "A test.\n",
               {}, farm.now)
        for place in (0, 1)
    ]  # fmt: skip
    commit(farm.database, Batch(notices=made))
    return [one.id for one in made]


# --- the page --------------------------------------------------------------------------------------------------


def test_the_page_tells_routes_in_words_and_what_failed_on_top(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    (failed,) = tell(farm, alarms[0])
    (fine,) = tell(farm, alarms[0], route="desk", at=farm.now + MINUTE)
    tried(farm, failed.id, "no answer", "refused", last="failed")
    tried(farm, fine.id, "delivered")
    found = page(client, "/notices")
    assert found.headings[:5] == ["Notices", "Not delivered within the last 7 days", "Routes", "farm", "desk"]
    said = found.text
    assert "High and highest priority at Meadow farm. A first step: told at once." in said
    assert "Every priority at all sites; also when it is over. A further step: told what nobody has " in said
    assert "From 21:00 to 06:00 only what rings; all else waits." in said
    assert "A line a day and site at 07:00, so that silence can be trusted." in said
    assert "Failed after 2 tries: refused" in said and "20:47 CDT: refused, 452 try later" in said
    assert "Last failed 20:47 CDT: refused Nothing delivered yet" in said
    assert "Last delivered 20:46 CDT, just now" in said
    links = {one["href"] for tag, one in found.tags if tag == "a"}
    assert f"/alarms/{alarms[0].number}" in links
    assert "Told to farm" in page(client, f"/alarms/{alarms[0].number}").text
    farm.now += timedelta(days=8)
    assert "Not delivered within" not in page(client, "/notices").text
    assert "Failed after 2 tries" in page(client, "/notices").text


def test_the_page_is_filtered_and_goes_on(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    for number in range(notices_page.AT_ONCE + 5):
        tell(farm, alarms[0], at=farm.now + number * MINUTE)
    (last,) = tell(farm, alarms[1], route="desk", at=farm.now - MINUTE)
    tried(farm, last.id, "gone", last="failed")
    first = page(client, "/notices")
    (older,) = (one["href"] for tag, one in first.tags if tag == "a" and "next=" in (one.get("href") or ""))
    rest = page(client, str(older))
    assert rest.text.count("barn: 104 %") >= 1 and "Older ones" not in rest.text
    filtered = page(client, "/notices?route=desk&state=failed")
    assert "Notices to desk, failed" in filtered.headings
    assert [one for tag, one in filtered.tags if tag == "li" and "notice" in (one.get("class") or "")] == [
        {"class": "notice over"}
    ]
    assert "None of these." in page(client, "/notices?route=desk&state=waiting").text
    assert client.get("/notices?next=WzFd").status_code == 422
    assert client.get("/notices?state=lost&route=nobody").status_code == 200


def test_without_a_route_the_page_says_how_to_make_one(database: Database, farm: Farm, tmp_path: Any) -> None:
    shown = RouteShown("terminal", (), (), ("terminal:",), True, in_settings=False)
    running = WebServer(create_app(database, now=lambda: farm.now, routes=[shown]), "127.0.0.1", 0)
    running.start()
    try:
        with httpx.Client(base_url=running.address, trust_env=False) as client:
            said = page(client, "/notices").text
    finally:
        running.stop()
    assert "No route is set up: nobody is called." in said and "None yet" in said
    lines = notices_page.NO_ROUTE
    assert " ".join(lines.split()) in said and notices_page.AN_ADDRESS in said
    (route,) = settings.parse(lines, tmp_path / "monitor.toml").notices.route
    assert (route.name, route.to) == ("farm", ("file:/etc/amp-monitor/mail-address",))
    from monitor.links import senders

    senders.check_address(notices_page.AN_ADDRESS)


# --- who was told, in one line ---------------------------------------------------------------------------------


def test_who_was_told_in_words(farm: Farm, alarms: Any, database: Database) -> None:
    zone = zone_of(next(iter(look_sites(database))))
    number = alarms[0].number
    assert told_line(database, ALL, number, zone, farm.now).nobody
    first, second = tell(farm, alarms[0], addresses=2)
    (desk,) = tell(farm, alarms[0], route="desk", at=farm.now + 15 * MINUTE)
    line = told_line(database, ALL, number, zone, farm.now)
    assert line.told == (
        "farm 20:46 CDT (delivered to 0 of 2 addresses; on its way)",
        "desk 21:01 CDT (waits until 21:01 CDT)",
    )
    tried(farm, first.id, "delivered")
    tried(farm, second.id, "gone", last="failed")
    tried(farm, desk.id, "no answer", last="waiting")
    line = told_line(database, ALL, number, zone, farm.now)
    assert line.told == (
        "farm 20:46 CDT (delivered to 1 of 2 addresses; failed: gone)",
        "desk 21:01 CDT (no answer, next try 20:47 CDT)",
    )
    tried(farm, desk.id, "delivered")
    assert told_line(database, ALL, number, zone, farm.now).told[1] == "desk 21:01 CDT (2 tries, delivered)"
    for hour in range(6):
        tell(farm, alarms[0], at=farm.now + timedelta(hours=4 + hour))
    line = told_line(database, ALL, number, zone, farm.now)
    assert (len(line.told), line.between) == (4, 4) and line.told[0].startswith("farm 20:46")
    assert line.told[-1].startswith("farm Oct 4, 05:46 CDT")
    untold(farm, alarms[0], "desk", "waiting")
    untold(farm, alarms[0], "farm", "dropped", "it was over before")
    untold(farm, alarms[0], "farm", "dropped", "it was over before")
    line = told_line(database, ALL, number, zone, farm.now)
    assert line.coming == ("desk at 21:01 CDT",) and line.not_told == ("farm: it was over before",)
    assert told_line(database, ["hill"], number, zone, farm.now).nobody
    farm.event("north-3", "overload", Acknowledge("Ann"))
    untold(farm, alarms[0], "desk", "waiting", kind="cleared")
    line = told_line(database, ALL, number, zone, farm.now)
    assert line.coming == ("desk at 21:01 CDT (that it is over)",)
    assert line.not_told == (f"desk: {ACKNOWLEDGED}", "farm: it was over before")


def look_sites(database: Database) -> Any:
    from monitor.records import register

    return register.sites(database, ["meadow"])


def test_how_an_address_stands_follows_what_came_last(farm: Farm, alarms: Any, database: Database) -> None:
    (one,) = tell(farm, alarms[0])
    tried(farm, one.id, "gone", last="failed")
    assert look_notices.addresses(database, ALL, farm.now)["farm", 0].in_trouble
    farm.now += MINUTE
    (two,) = tell(farm, alarms[0])
    tried(farm, two.id, "delivered")
    assert not look_notices.addresses(database, ALL, farm.now)["farm", 0].in_trouble
    assert look_notices.addresses(database, [], farm.now) == {}
    later = look_notices.addresses(database, ALL, farm.now + look_notices.LOOKED_BACK)["farm", 0]
    assert later.failed is None and later.delivered is not None


def test_what_waits_for_the_morning_is_not_late(
    farm: Farm, alarms: Any, database: Database, client: httpx.Client
) -> None:
    def state() -> look_notices.AddressState:
        return look_notices.addresses(database, ALL, farm.now)["farm", 0]

    (one,) = tell(farm, alarms[0])
    assert (state().waiting, state().late) == (1, None)
    farm.now += timedelta(minutes=3)  # nobody tried it
    assert state().late is not None
    assert "1 notice waiting, the oldest since 20:46 CDT Nothing delivered yet" in page(client, "/notices").text
    with database.begin() as connection:  # quiet hours
        connection.execute(sa.update(tables.notices).values(due_ms=to_ms(farm.now + timedelta(hours=8))))
    assert (state().waiting, state().late) == (1, None)
    outbox.record_try(database, one.id, to_ms(farm.now), "no answer", "", to_ms(farm.now + timedelta(hours=8)))
    assert state().late == state().oldest


def test_the_fan_s_page_tells_who_was_told(farm: Farm, alarms: Any, client: httpx.Client) -> None:
    assert "No route has been told of it. See the routes." in page(client, "/fans/meadow/north-3").text
    (first,) = tell(farm, alarms[0])
    tell(farm, alarms[0], route="desk", at=farm.now + 15 * MINUTE)
    tried(farm, first.id, "no answer", "delivered")
    untold(farm, alarms[0], "desk", "dropped", "acknowledged before it was due")
    said = page(client, "/fans/meadow/north-3").text
    assert "Told to farm 20:46 CDT (2 tries, delivered), desk 21:01 CDT (waits until 21:01 CDT)." in said
    assert "Not told: desk: acknowledged before it was due." in said


def test_the_page_says_whether_notices_hold_links(
    farm: Farm, database: Database, client: httpx.Client, app: Any
) -> None:
    assert "Notices hold no link to acknowledge by: public_url under [web] is not set." in page(client, "/notices").text
    app.state.public_url = "https://farm.example"
    assert "Notices of alarms hold a link under https://farm.example," in page(client, "/notices").text
