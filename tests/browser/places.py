"""Every page there is, as one list that the tests of pictures and of accessibility walk. A new page is added here.

All places are looked at on two copies of one furnished farm, one of them without accounts; nothing in these tests may
change it. Its clock stands still, so that pictures can be compared.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from monitor.records import acknowledge_links, outbox, sessions
from monitor.records.database import Database, open_database
from monitor.records.rows import to_ms
from monitor.review import child
from monitor.web.app import create_app
from monitor.web.door import COOKIE
from monitor.web.reader import ATTEND, LOOK, MANAGE
from monitor.web.reviewing import DONE, FAILED, WORKING, Job
from monitor.web.routes_shown import RouteShown
from monitor.web.server import WebServer
from tests.web.farm import Farm, attended, in_danger, recorded, whole
from tests.web.notices import PUBLIC, of_the_service, tell
from tests.web.people import cheap_passwords, everybody

HERE, NOBODY = "at this computer, without accounts", "not signed in"


@dataclass(frozen=True)
class Place:
    """A page as somebody opens it."""

    name: str
    """Of its pictures."""
    path: str
    """What stands in braces is put in from `Furnished.names`."""
    role: str = LOOK
    """LOOK, ATTEND, MANAGE: signed in as somebody of the farm "meadow" with this role ("boss" of all sites for MANAGE);
    HERE; NOBODY."""


PLACES = [
    Place("fans", "/"),
    Place("fans-here", "/", HERE),
    Place("fans-boss", "/?site=hill", MANAGE),
    Place("fans-of-a-state", "/?words=north&state=over+its+limit", MANAGE),
    Place("fans-none-fits", "/?words=crib&state=tripped&site=hill", MANAGE),
    Place("fan", "/fans/meadow/north-3", ATTEND),
    Place("fan-here", "/fans/meadow/north-3", HERE),
    Place("fan-about-to-trip", "/fans/meadow/north-5"),
    Place("fan-tripped", "/fans/meadow/north-6", ATTEND),
    Place("fan-single-phase", "/fans/meadow/south-1"),
    Place("fan-out-of-service", "/fans/meadow/south-3"),
    Place("fan-no-readings", "/fans/meadow/west-1"),
    Place("fan-si", "/fans/hill/barn", MANAGE),
    Place("record", "/fans/meadow/north-3/service?entry=3", ATTEND),
    Place("record-here", "/fans/meadow/north-4/service", HERE),
    Place("record-look", "/fans/meadow/north-3/service"),
    Place("record-single-phase", "/fans/meadow/south-1/service", ATTEND),
    Place("morning", "/morning", MANAGE),
    Place("morning-of-one-farm", "/morning", LOOK),
    Place("morning-empty", "/morning", "empty"),
    Place("job-new", "/fans/meadow/north-4/job", HERE),
    Place("job-new-single-phase", "/fans/meadow/south-1/job", ATTEND),
    Place("job-open", "/jobs/{open job}", ATTEND),
    Place("job-look", "/jobs/{open job}?note=already"),
    Place("job-done", "/jobs/{done job}"),
    Place("jobs", "/jobs", MANAGE),
    Place("alarms", "/alarms", ATTEND),
    Place("alarms-here", "/alarms", HERE),
    Place("alarms-boss", "/alarms", MANAGE),
    Place("alarm", "/alarms/1", ATTEND),
    Place("loggers", "/loggers", MANAGE),
    Place("take-on", "/loggers/take-on?site=meadow&fan=east-9", MANAGE),
    Place("register", "/register", MANAGE),
    Place("register-look", "/register"),
    Place("register-empty", "/register", "empty"),
    Place("register-site", "/register/sites/meadow", MANAGE),
    Place("register-site-look", "/register/sites/meadow"),
    Place("register-new-site", "/register/sites/new?site=ridge&fan=x", MANAGE),
    Place("register-new-fan", "/register/fans/new", HERE),
    Place("register-fan", "/register/fans/meadow/north-3", MANAGE),
    Place("register-fan-look", "/register/fans/meadow/north-3"),
    Place("register-fan-little-known", "/register/fans/hill/barn", MANAGE),
    Place("notices", "/notices", MANAGE),
    Place("review", "/review", ATTEND),
    Place("review-look", "/review"),
    Place("review-done", "/review/done", ATTEND),
    Place("review-working", "/review/working", ATTEND),
    Place("review-failed", "/review/failed", ATTEND),
    Place("people", "/people", MANAGE),
    Place("person", "/people/{meadow-look}", MANAGE),
    Place("first-account", "/people", HERE),
    Place("account", "/account", ATTEND),
    Place("sign-in", "/sign-in", NOBODY),
    Place("link", "{link}", NOBODY),
    Place("link-foreign", "/a/x", NOBODY),
    Place("missing", "/fans/meadow/nobody"),
    Place("not-allowed", "/people"),
    Place("nothing-there-yet", "/", "empty"),
]

KEY = bytes(range(32))
ROUTES = (
    RouteShown("farm", ("meadow",), ("high", "highest"), ("mailto://mail.example", "sinch://...")),
    RouteShown("desk", (), (), ("webhook+https://desk.example",), True, 15, ("21:00", "06:00"), "07:00"),
)


def furnish(farm: Farm) -> dict[str, str]:
    """Something on every page: what a part of the service shows is put in here, or its page is looked at empty.

    Returns
    -------
    what stands in braces in paths : name -> text
    """
    whole(farm)
    in_danger(farm)
    attended(farm)
    recorded(farm)
    over = next(one for one in farm.alarms.values() if (one.fan, one.condition) == ("north-3", "overload"))
    (linked,) = tell(farm, over, link=KEY)
    given_up, delivered = tell(farm, over, addresses=2, at=farm.now - timedelta(minutes=90))
    ago_ms = to_ms(farm.now - timedelta(minutes=80))
    outbox.record_try(farm.database, given_up.id, ago_ms, "refused", "HTTP 503 Service Unavailable", failed=True)
    outbox.record_try(farm.database, delivered.id, ago_ms, "delivered", "", delivered=True)
    of_the_service(farm)
    after = {"amps": [12.6, 12.4, 12.3], "volts": [450.0, 449.0, 451.0], "ambient_c": 9.0, "pitch": 18.0}
    jobs = {"done job": farm.job("north-3", closing=after), "open job": farm.job("north-3")}
    return {
        "link": acknowledge_links.link_for(PUBLIC, linked.id, KEY).removeprefix(PUBLIC),
        **{name: str(number) for name, number in jobs.items()},
    }


def review_jobs(app: FastAPI, where: Path, owner: int) -> None:
    """A review that is done, one in work, one that failed."""
    said = {
        "head": "Four hours of north-3, read each 10 s.",
        "sections": [["What happened", ["It ran the whole time, 34 min of it over its limit."]]],
        "unread": [[17, "no time"]],
        "cautions": ["Lock it with your own lock."],
    }
    for token, state in (("done", DONE), ("working", WORKING), ("failed", FAILED)):
        directory = where / token
        directory.mkdir()
        (directory / child.PAGE).write_text(json.dumps(said))
        (directory / child.PROGRESS).write_text("0.4")
        app.state.reviews._jobs[token] = Job(
            token, directory, {}, "meadow/north-3", "meadow", owner, state, "There is no such log."
        )


@dataclass(frozen=True)
class Furnished:
    """The running servers, and who may open what."""

    servers: dict[str, WebServer]
    databases: dict[str, Database]
    people: dict[str, int]
    names: dict[str, str]
    now: datetime

    def address(self, place: Place) -> str:
        """Where a place is."""
        path = place.path
        for name, value in self.names.items():
            path = path.replace("{" + name + "}", value)
        return self._server(place).address + path

    def _server(self, place: Place) -> WebServer:
        return self.servers[place.role if place.role in (HERE, "empty") else "accounts"]

    def cookies(self, place: Place) -> list[dict[str, str]]:
        """A new session of whoever opens it."""
        who = {LOOK: "meadow-look", ATTEND: "meadow-attend", MANAGE: "boss"}.get(place.role)
        if who is None:
            return []
        made = sessions.begin(self.databases["accounts"], self.people[who], self.now)
        return [{"name": COOKIE, "value": made, "url": self._server(place).address}]


@contextmanager
def furnished(where: Path, empty: Path) -> Iterator[Furnished]:
    """The farm, with accounts and without, and one where nothing is yet."""
    now = datetime.now(UTC)
    servers, databases = {}, {}
    people: dict[str, int] = {}
    names: dict[str, str] = {}
    with ExitStack() as ends, cheap_passwords():
        for kind in ("empty", HERE, "accounts"):
            directory = where / kind.partition(" ")[0]
            directory.mkdir()
            path = directory / "monitor.db"
            if kind == "accounts":  # a copy of the other: it takes half a second to furnish
                databases[HERE].close()
                shutil.copy(where / "at" / "monitor.db", path)
                databases[HERE] = open_database(f"sqlite:///{where / 'at' / 'monitor.db'}")
            else:
                shutil.copy(empty, path)
            databases[kind] = open_database(f"sqlite:///{path}")
            if kind == HERE:
                names = furnish(Farm(databases[kind], now))
            if kind == "accounts":
                people = everybody(databases[kind], now)
                names |= {name: str(number) for name, number in people.items()}
        for kind, database in databases.items():
            ends.callback(database.close)
            app = create_app(
                database, now=lambda: now, routes=ROUTES, public_url=PUBLIC, link_key=KEY,
                reviews=where / f"reviews of {kind}",
            )  # fmt: skip
            if kind == "accounts":
                review_jobs(app, where, people["boss"])
            servers[kind] = WebServer(app, "127.0.0.1", 0)
            servers[kind].start()
            ends.callback(servers[kind].stop)
        yield Furnished(servers, databases, people, names, now)


@contextmanager
def at(
    chromium: Any, world: Furnished, place: Place, width: int = 390, *, quiet: bool = True, **options: Any
) -> Iterator[Any]:
    """A place in a browser; anything its console complains of fails the test, unless trouble is what is tested."""
    context = chromium.new_context(viewport={"width": width, "height": 844}, **options)
    context.add_cookies(world.cookies(place))
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(world.address(place))
    yield page
    context.close()
    assert not quiet or uncalled_for(complaints) == []


def uncalled_for(complaints: list[str]) -> list[str]:
    """What a console should not complain of; a status of 4xx may be what is looked at."""
    return [one for one in complaints if "responded with a status of 4" not in one]


class Kept:
    """A page for whoever opens one, kept for the next place: a new one is a quarter of a browser's work here."""

    def __init__(self, chromium: Any, world: Furnished) -> None:
        self._chromium, self._world = chromium, world
        self._pages: dict[str, tuple[Any, list[str]]] = {}

    @contextmanager
    def at(self, place: Place) -> Iterator[Any]:
        """As the function `at`, on a phone by day, and quiet."""
        if place.role not in self._pages:
            context = self._chromium.new_context()
            context.add_cookies(self._world.cookies(place))
            page, complaints = context.new_page(), list[str]()
            page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
            page.on("pageerror", lambda error: complaints.append(str(error)))
            self._pages[place.role] = page, complaints
        page, complaints = self._pages[place.role]
        complaints.clear()
        page.set_viewport_size({"width": 390, "height": 844})
        page.emulate_media(color_scheme="light")
        page.goto(self._world.address(place))
        yield page
        assert uncalled_for(complaints) == []

    def close(self) -> None:
        for page, _ in self._pages.values():
            page.context.close()
