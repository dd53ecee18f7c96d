"""Every route of the app: what it needs, and that nobody else gets anything of it.

A new route fails here until it stands in `monitor.web.needs` and has an example below. Each is asked without account,
with another farm's account, with a role too low, and with the right one: without the last the others would prove
nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from fastapi import FastAPI

from monitor.records import acknowledge_links, sessions, tables
from monitor.records.database import Database, open_database
from monitor.records.rows import to_ms
from monitor.review import child
from monitor.web import asked, needs
from monitor.web.app import create_app
from monitor.web.needs import OPEN
from monitor.web.reader import ATTEND, LOOK, MANAGE
from monitor.web.reviewing import DONE, FAILED, Job
from monitor.web.routes_shown import RouteShown
from monitor.web.server import WebServer
from tests.web.described import JSON, closed, not_as_described
from tests.web.farm import THREE_PHASE, Farm, whole
from tests.web.notices import PUBLIC, tell
from tests.web.people import PASSWORD, browser, cheap_passwords, everybody, signed_in

NOW = datetime(2026, 10, 4, 1, 46, tzinfo=UTC)
KEY = bytes(range(32))
ROUTES = (
    RouteShown("farm", ("meadow",), ("high", "highest"), ("meadow-desk@farm.example",)),
    RouteShown("second", ("meadow",), ("low",), ("meadow-desk-two@farm.example",)),
    RouteShown("hill-desk", ("hill",), ("high", "highest"), ("hill-desk@farm.example",)),
)
OF_MEADOW = ("Meadow farm", "north-4", "south-1", "meadow-desk", "meadow-look")
"""What only the farm "meadow" has, and no request below names."""
HIDDEN, FILTERED, UNKNOWN, OWN = "404", "filtered", "422, as of what does not exist", "of whoever asks"
REFUSED = "403: for whoever looks after all sites"

Body = dict[str, Any]


@dataclass(frozen=True)
class Example:
    """A request of the farm "meadow" that its own people may make."""

    path: str
    foreign: str = FILTERED
    """What another farm's account of the same role gets."""
    send: Body = field(default_factory=dict)
    """Arguments of httpx."""
    answers: int = 200
    """What the right account gets."""


def posts(path: str, answers: int = 303, foreign: str = HIDDEN, **send: Any) -> Example:
    return Example(path, foreign, send, answers)


FAN, API_FAN = "/fans/meadow/north-3", "/api/v1/fans/meadow/north-3"
LOG = {"log": ("log.csv", b"time,l1_amps\n2026-10-04T00:00:00Z,12\n", "text/csv")}
PLATE = {
    "site": "meadow", "fan": "east-9", "rated_voltage": "460", "phases": "3", "full_load_amps": "12.4",
    "service_factor": "1.15",
}  # fmt: skip
SHELF = {"hours": 2, "why": "known"}

EXAMPLES: dict[tuple[str, str], Example] = {
    ("GET", "/"): Example("/"),
    ("GET", "/fans"): Example("/fans", OWN, answers=307),
    ("GET", "/fans/{site}"): Example("/fans/meadow", OWN, answers=307),
    ("GET", "/fans/{site}/{fan}"): Example(FAN, HIDDEN),
    ("GET", "/fans/{site}/{fan}/service"): Example(f"{FAN}/service", HIDDEN),
    ("POST", "/fans/{site}/{fan}/service/{form}"): posts(f"{FAN}/service/note", data={"note": "guard oiled"}),
    ("GET", "/morning"): Example("/morning"),
    ("GET", "/fans/{site}/{fan}/job"): Example(f"{FAN}/job", HIDDEN),
    ("GET", "/jobs"): Example("/jobs"),
    ("GET", "/jobs/{number}"): Example("/jobs/1", HIDDEN),
    ("POST", "/fans/{site}/{fan}/job"): posts(f"{FAN}/job", data={"pitch": "18"}),
    ("POST", "/jobs/{number}/close"): posts("/jobs/1/close", data={"amps_0": "9", "amps_1": "9", "amps_2": "9"}),
    ("POST", "/jobs/{number}/drop"): posts("/jobs/1/drop", data={"why": "rain"}),
    ("GET", "/api/v1/jobs"): Example("/api/v1/jobs"),
    ("GET", "/api/v1/jobs/{number}"): Example("/api/v1/jobs/1", HIDDEN),
    ("POST", "/api/v1/fans/{site}/{fan}/jobs"): posts(f"{API_FAN}/jobs", 202, json={"pitch_to": 18}),
    ("POST", "/api/v1/jobs/{number}/close"): posts("/api/v1/jobs/1/close", 202, json={"amps": [9, 9, 9]}),
    ("POST", "/api/v1/jobs/{number}/drop"): posts("/api/v1/jobs/1/drop", 202, json={"why": "rain"}),
    ("GET", "/alarms"): Example("/alarms"),
    ("GET", "/alarms/{number}"): Example("/alarms/1", HIDDEN),
    ("GET", "/loggers"): Example("/loggers"),
    ("GET", "/loggers/take-on"): Example("/loggers/take-on?site=meadow&fan=east-9", HIDDEN),
    ("GET", "/notices"): Example("/notices"),
    ("GET", "/register"): Example("/register"),
    ("GET", "/register/sites/new"): Example("/register/sites/new", REFUSED),
    ("GET", "/register/sites/{site}"): Example("/register/sites/meadow", HIDDEN),
    ("GET", "/register/fans/new"): Example("/register/fans/new?site=meadow", HIDDEN),
    ("GET", "/register/fans/{site}/{fan}"): Example(f"/register{FAN}", HIDDEN),
    ("GET", "/register/fans/{site}/{fan}/file"): Example(f"/register{FAN}/file", HIDDEN),
    ("GET", "/review"): Example("/review?site=meadow&fan=north-3"),
    ("GET", "/review/{token}"): Example("/review/failed", HIDDEN, answers=422),
    ("GET", "/review/{token}/{name}"): Example("/review/done/report.html", HIDDEN),
    ("GET", "/account"): Example("/account", OWN),
    ("GET", "/people"): Example("/people"),
    ("GET", "/people/{account}"): Example("/people/{meadow-look}", HIDDEN),
    ("GET", "/api/v1/openapi.json"): Example("/api/v1/openapi.json", OWN),
    ("GET", "/api/v1/review.schema.json"): Example("/api/v1/review.schema.json", OWN),
    ("GET", "/api/v1/fans"): Example("/api/v1/fans"),
    ("GET", "/api/v1/sites"): Example("/api/v1/sites"),
    ("POST", "/api/v1/sites"): posts(
        "/api/v1/sites", 201, foreign=REFUSED, json={"site": "crest", "time_zone": "America/Chicago"}
    ),
    ("GET", "/api/v1/sites/{site}"): Example("/api/v1/sites/meadow", HIDDEN),
    ("PUT", "/api/v1/sites/{site}"): posts("/api/v1/sites/meadow", 200, json={"supper": "18:30"}),
    ("GET", "/api/v1/fans/{site}/{fan}/nameplate"): Example(f"{API_FAN}/nameplate", HIDDEN),
    ("PUT", "/api/v1/fans/{site}/{fan}/nameplate"): posts(
        f"{API_FAN}/nameplate", 200, content=THREE_PHASE, headers={"content-type": "text/plain"}
    ),
    ("DELETE", "/api/v1/fans/{site}/{fan}"): posts("/api/v1/fans/meadow/south-2", 200),
    ("GET", "/api/v1/fans/{site}/{fan}"): Example(API_FAN, HIDDEN),
    ("GET", "/api/v1/fans/{site}/{fan}/readings"): Example(f"{API_FAN}/readings", HIDDEN),
    ("GET", "/api/v1/fans/{site}/{fan}/service"): Example(f"{API_FAN}/service", HIDDEN),
    ("GET", "/api/v1/morning"): Example("/api/v1/morning"),
    ("GET", "/api/v1/alarms"): Example("/api/v1/alarms"),
    ("GET", "/api/v1/alarms/figures"): Example("/api/v1/alarms/figures"),
    ("GET", "/api/v1/alarms/{number}"): Example("/api/v1/alarms/1", HIDDEN),
    ("GET", "/api/v1/alarms/{number}/notices"): Example("/api/v1/alarms/1/notices", HIDDEN),
    ("GET", "/api/v1/out-of-service"): Example("/api/v1/out-of-service"),
    ("GET", "/api/v1/loggers"): Example("/api/v1/loggers"),
    ("GET", "/live"): Example("/live?fans=1,2,3"),
    ("GET", "/api/v1/live"): Example("/api/v1/live"),
    ("GET", "/api/v1/notices"): Example("/api/v1/notices"),
    ("GET", "/api/v1/routes"): Example("/api/v1/routes"),
    ("POST", "/alarms/{number}/acknowledge"): posts("/alarms/1/acknowledge"),
    ("POST", "/alarms/{number}/shelve"): posts("/alarms/1/shelve", data=SHELF),
    ("POST", "/alarms/{number}/unshelve"): posts("/alarms/1/unshelve"),
    ("POST", "/out-of-service"): posts(
        "/out-of-service", data={"what": "meadow/north-3", "site": "meadow", "fan": "north-3", "days": "2", "why": "x"}
    ),
    ("POST", "/return-to-service"): posts(
        "/return-to-service", data={"what": "meadow/north-3", "site": "meadow", "fan": "north-3"}
    ),
    ("POST", "/sites/{site}/tonight"): posts("/sites/meadow/tonight", data={"low": "30"}),
    ("POST", "/fans/{site}/{fan}/planned-stop"): posts(f"{FAN}/planned-stop", data={"take_back": "1"}),
    ("POST", "/review/window"): posts(
        "/review/window", foreign=UNKNOWN,
        data={"fan": "meadow/north-3", "from": "2026-10-03T18:00", "to": "2026-10-03T19:00", "as": "judged"},
    ),
    ("POST", "/review/log"): posts("/review/log", foreign=UNKNOWN, files=LOG, data={"fan": "meadow/north-3"}),
    ("POST", "/loggers/take-on"): posts("/loggers/take-on", data=PLATE),
    ("POST", "/register/sites/new"): posts(
        "/register/sites/new", foreign=REFUSED, data={"site": "ridge", "time_zone": "America/Chicago"}
    ),
    ("POST", "/register/sites/{site}"): posts("/register/sites/meadow", data={"supper": "18:00"}),
    ("POST", "/register/fans/new"): posts("/register/fans/new", data=PLATE | {"fan": "east-10"}),
    ("POST", "/register/fans/{site}/{fan}"): posts(
        f"/register{FAN}", data={"what": "since", "setting_amps": "13.5"}
    ),
    ("POST", "/register/fans/{site}/{fan}/file"): posts(
        f"/register{FAN}/file", data={"what": "correct", "file": THREE_PHASE}
    ),
    ("POST", "/register/fans/{site}/{fan}/remove"): posts("/register/fans/meadow/west-1/remove"),
    ("POST", "/notices/routes/{name}/test"): posts("/notices/routes/farm/test"),
    ("POST", "/sign-out"): posts("/sign-out", foreign=OWN),
    ("POST", "/account/password"): posts(
        "/account/password", foreign=OWN, data={"present": PASSWORD, "new": "another sentence"}
    ),
    ("POST", "/account/sign-out-everywhere"): posts("/account/sign-out-everywhere", foreign=OWN),
    ("POST", "/account/tokens"): posts("/account/tokens", 200, foreign=OWN, data={"label": "panel"}),
    ("POST", "/account/tokens/{token}/revoke"): posts("/account/tokens/{token of boss}/revoke"),
    ("POST", "/people"): posts(
        "/people", 200, foreign=UNKNOWN, data={"name": "new one", "role": "look", "sites": ["meadow"]}
    ),
    ("POST", "/people/first"): posts("/people/first", 409, foreign=OWN, data={"name": "me", "password": PASSWORD}),
    ("POST", "/people/{account}"): posts("/people/{meadow-look}", data={"role": "attend", "sites": ["meadow"]}),
    ("POST", "/people/{account}/reset"): posts("/people/{meadow-attend}/reset", 200),
    ("POST", "/people/{account}/disable"): posts("/people/{meadow-look}/disable"),
    ("POST", "/people/{account}/enable"): posts("/people/{meadow-look}/enable"),
    ("POST", "/people/{account}/tokens/{token}/revoke"): posts("/people/{meadow-look}/tokens/{token of look}/revoke"),
    ("POST", "/api/v1/alarms/{number}/acknowledge"): posts("/api/v1/alarms/1/acknowledge", 202),
    ("POST", "/api/v1/alarms/{number}/shelve"): posts("/api/v1/alarms/1/shelve", 202, json=SHELF),
    ("POST", "/api/v1/alarms/{number}/unshelve"): posts("/api/v1/alarms/1/unshelve", 202),
    ("POST", "/api/v1/fans/{site}/{fan}/planned-stop"): posts(
        f"{API_FAN}/planned-stop", 202, json={"from": "2026-10-05T14:00:00Z", "hours": 3}
    ),
    ("POST", "/api/v1/fans/{site}/{fan}/service"): posts(f"{API_FAN}/service", 202, json={"kind": "note", "note": "x"}),
    ("POST", "/api/v1/fans/{site}/{fan}/out-of-service"): posts(f"{API_FAN}/out-of-service", 202, json={"why": "x"}),
    ("POST", "/api/v1/fans/{site}/{fan}/return-to-service"): posts(f"{API_FAN}/return-to-service", 202),
    ("POST", "/api/v1/sites/{site}/out-of-service"): posts(
        "/api/v1/sites/meadow/out-of-service", 202, json={"why": "x"}
    ),
    ("POST", "/api/v1/sites/{site}/return-to-service"): posts("/api/v1/sites/meadow/return-to-service", 202),
    ("POST", "/api/v1/sites/{site}/tonight"): posts("/api/v1/sites/meadow/tonight", 202, json={"low_c": -2}),
    ("POST", "/api/v1/routes/{name}/test"): posts("/api/v1/routes/second/test", 202),
    # Open to all.
    ("GET", "/healthz"): Example("/healthz", OWN),
    ("GET", "/metrics"): Example("/metrics", OWN),
    ("GET", "/static/{path:path}"): Example("/static/style.css", OWN),
    ("GET", "/service-worker.js"): Example("/service-worker.js", OWN),
    ("GET", "/sign-in"): Example("/sign-in", OWN),
    ("POST", "/sign-in"): posts("/sign-in", foreign=OWN, data={"name": "meadow-manage", "password": PASSWORD}),
    ("GET", "/a/{token:path}"): Example("{link}", OWN),
    ("POST", "/a/{token:path}"): posts("{link}", foreign=OWN),
}  # fmt: skip


def routes_in(router: Any) -> Iterator[tuple[str, str]]:
    """Method and path of every route, those of included routers and mounts too."""
    for route in router.routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from routes_in(inner)
        elif getattr(route, "methods", None):
            yield from ((method, route.path) for method in sorted(route.methods - {"HEAD"}))
        else:
            yield "GET", f"{route.path}/{{path:path}}"


@dataclass
class Place:
    """A running app with a farm in it and people."""

    app: FastAPI
    database: Database
    address: str
    people: dict[str, int]
    names: dict[str, str]
    """What stands in braces in the paths of examples."""

    def path(self, example: Example) -> str:
        text = example.path
        for name, value in self.names.items():
            text = text.replace("{" + name + "}", value)
        return text

    def ask(self, method: str, example: Example, who: str | None) -> tuple[int, str, httpx.Headers]:
        """As somebody with a new session, or as nobody. Of the live stream only what comes first."""
        opened = browser(self.address) if who is None else signed_in(self.address, self.database, self.people[who], NOW)
        with opened as client, client.stream(method, self.path(example), **example.send) as answer:
            if answer.headers.get("content-type", "").startswith("text/event-stream"):
                return answer.status_code, next(answer.iter_text(), ""), answer.headers
            return answer.status_code, answer.read().decode(), answer.headers

    def stored(self) -> list[object]:
        """All that a request may change."""
        with self.database.read() as connection:
            kept: list[object] = [
                connection.execute(sa.select(table).order_by(*table.primary_key.columns)).all()
                for table in (
                    tables.actions,
                    tables.sites,
                    tables.register_edits,
                    tables.register_versions,
                    tables.account_sites,
                    tables.api_tokens,
                )
            ]
            columns = [one for one in tables.accounts.c if one.name != "signed_in_ms"]
            kept.append(connection.execute(sa.select(*columns).order_by(tables.accounts.c.id)).all())
            kept.append(connection.execute(sa.select(tables.notices.c.link_used_ms)).all())
        kept.append(sorted(self.app.state.reviews._jobs))
        return kept


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[Place]:
    where = tmp_path_factory.mktemp("every")
    (where / "monitor.db").write_bytes(empty_database.read_bytes())
    database = open_database(f"sqlite:///{where / 'monitor.db'}")
    farm = Farm(database, NOW)
    whole(farm)
    notices = [tell(farm, alarm, link=KEY) for alarm in farm.alarms.values() if alarm.site == "meadow"]
    link = acknowledge_links.link_for(PUBLIC, notices[0][0].id, KEY).removeprefix(PUBLIC)
    out = {"site": "meadow", "fan": "north-4", "what": "removed", "at_ms": to_ms(NOW), "by": "Ann", "why": "bearings"}
    with database.begin() as connection:
        connection.execute(sa.insert(tables.out_of_service).values(out))
    farm.job("north-4")
    with cheap_passwords(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(asked, "WAIT_SECONDS", 0.06)  # nobody is at work here
        people = everybody(database, NOW)
        names = {name: str(number) for name, number in people.items()}
        names |= {"link": link, "token of boss": "1", "token of look": "2"}
        for name in ("boss", "meadow-look"):
            sessions.make_token(database, people[name], "panel", NOW)
        app = create_app(
            database, now=lambda: NOW, routes=ROUTES, public_url=PUBLIC, link_key=KEY, reviews=where / "reviews"
        )
        for token, state in (("failed", FAILED), ("done", DONE)):
            directory = where / token
            directory.mkdir()
            (directory / child.REPORT).write_text("a report")
            job = Job(token, directory, {}, "meadow/north-3", "meadow", people["boss"], state, "no such log")
            app.state.reviews._jobs[token] = job
        patch.setattr(app.state.reviews, "_work", lambda: None)
        running = WebServer(app, "127.0.0.1", 0)
        running.start()
        yield Place(app, database, running.address, people, names)
        running.stop()
    database.close()


def test_every_route_is_classified_and_has_an_example(place: Place) -> None:
    routes = set(routes_in(place.app))
    assert len(routes) > 50
    assert routes - needs.NEEDS.keys() == set(), "say in monitor/web/needs.py what these need"
    assert routes - EXAMPLES.keys() == set(), "give an example of these here"


@pytest.mark.parametrize("route", EXAMPLES, ids=" ".join)
def test_a_request_needs_what_its_route_does(route: tuple[str, str], place: Place) -> None:
    """Also where the pattern of another route fits the same path."""
    path = place.path(EXAMPLES[route]).partition("?")[0]
    assert needs.need_of(route[0], path) == needs.NEEDS[route]


def there(place: Place, route: tuple[str, str]) -> tuple[str, Example]:
    if route not in set(routes_in(place.app)):
        pytest.skip("there is no such route")
    return route[0], EXAMPLES[route]


CLOSED = [route for route in EXAMPLES if needs.NEEDS[route] != OPEN]
TOO_LOW = [route for route in CLOSED if needs.NEEDS[route] != LOOK]


@pytest.mark.parametrize("route", CLOSED, ids=" ".join)
def test_without_account(route: tuple[str, str], place: Place) -> None:
    method, example = there(place, route)
    before = place.stored()
    status, text, headers = place.ask(method, example, None)
    if example.path.startswith("/api/"):
        assert (status, headers["content-type"]) == (401, "application/problem+json")
        assert json.loads(text)["status"] == 401 and headers["www-authenticate"] == "Bearer"
    else:
        assert status == 303 and headers["location"].partition("?")[0] == "/sign-in"
        assert text == ""
    assert place.stored() == before


@pytest.mark.parametrize("route", CLOSED, ids=" ".join)
def test_with_another_farms_account(route: tuple[str, str], place: Place) -> None:
    method, example = there(place, route)
    if example.foreign == OWN:
        return  # nothing in it is of a farm
    before = place.stored()
    status, text, _ = place.ask(method, example, f"hill-{needs.NEEDS[route]}")
    assert status == {HIDDEN: 404, FILTERED: 200, UNKNOWN: 422, REFUSED: 403}[example.foreign], text
    assert [word for word in OF_MEADOW if word in text] == []
    assert place.stored() == before


@pytest.mark.parametrize("route", TOO_LOW, ids=" ".join)
def test_with_a_role_too_low(route: tuple[str, str], place: Place) -> None:
    method, example = there(place, route)
    lower = {ATTEND: ("meadow-look",), MANAGE: ("meadow-look", "meadow-attend")}[needs.NEEDS[route]]
    before = place.stored()
    for who in lower:
        status, text, headers = place.ask(method, example, who)
        assert status == 403, (who, text)
        if example.path.startswith("/api/"):
            assert headers["content-type"] == "application/problem+json"
        else:
            assert "Your account may" in text
    assert place.stored() == before


@pytest.mark.parametrize("route", EXAMPLES, ids=" ".join)
def test_with_the_right_account(route: tuple[str, str], place: Place) -> None:
    """As far as accounts go: an open route without any."""
    method, example = there(place, route)
    who = None if needs.NEEDS[route] == OPEN else "boss"
    status, text, headers = place.ask(method, example, who)
    assert status == example.answers, text
    described = closed(place.app.openapi())
    if route[1] in described["paths"]:
        kind = headers.get("content-type")
        value = json.loads(text) if (kind or "").startswith(JSON) else text
        assert not_as_described(described, method, route[1], status, kind, value) == []


SEEN_AT_MEADOW = [
    route for route in CLOSED
    if needs.NEEDS[route] == LOOK and EXAMPLES[route].foreign != OWN and route[0] == "GET"
]  # fmt: skip


@pytest.mark.parametrize("route", SEEN_AT_MEADOW, ids=" ".join)
def test_the_farms_own_people_see_it(route: tuple[str, str], place: Place) -> None:
    """Else the test with another farm's account would be true of an empty page."""
    method, example = there(place, route)
    status, text, _ = place.ask(method, example, "meadow-attend")
    assert status == example.answers
    if example.foreign == FILTERED and route[1] not in (
        "/live",
        "/api/v1/live",
    ):  # these have their own tests, with news
        assert any(word in text for word in OF_MEADOW)


def test_what_is_at_no_address_is_told_to_nobody_without_account(place: Place) -> None:
    for path in ("/nothing", "/people/1/nothing", "/api/v1/nothing", "/fans/meadow/north-3/nothing", "/docs"):
        status, _, _ = place.ask("GET", Example(path), None)
        assert status == (401 if path.startswith("/api/") else 303), path
        assert place.ask("GET", Example(path), "meadow-look")[0] == 404, path


def test_a_route_that_nobody_classified_is_closed_to_all_but_those_who_manage(place: Place) -> None:
    assert needs.need_of("GET", "/forgotten") is None

    @place.app.get("/forgotten")
    def forgotten() -> str:
        return "something"

    try:
        assert ("GET", "/forgotten") in set(routes_in(place.app))
        assert place.ask("GET", Example("/forgotten"), "meadow-attend")[0] == 404
        assert place.ask("GET", Example("/forgotten"), None)[0] == 303
        assert place.ask("GET", Example("/forgotten"), "boss")[0] == 200
    finally:
        place.app.router.routes.pop()
