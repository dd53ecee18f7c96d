"""A worker with a real database and a link that only remembers, time in the hands of the test."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor import settings
from monitor.alarms.routes import Route
from monitor.links.inbox import Inbox, Message
from monitor.records import actions, register, replay, tables
from monitor.records.database import Database, open_database
from monitor.records.look_loggers import loggers
from monitor.records.readings import window
from monitor.records.rows import to_ms_or_none
from monitor.records.scope import ALL
from monitor.records.start import load
from monitor.service.shell import Service
from monitor.service.worker import Worker
from tests.servers import free_port
from tests.service.verdict_farm import Farm

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
MS = NOW.timestamp() * 1000.0
ROUTES = (Route("farm", (), ("low", "medium", "high", "highest"), ("terminal:",), True),)

NAMEPLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
service_factor = 1.0
[fan]
control = "continuous"
[logger]
period_seconds = 10
"""
FED_BY_PANEL = NAMEPLATE.replace("[logger]", 'supply = "panel"\nweather = "yard"\n[logger]')


class FakeLink:
    """What the worker sees of the broker; remembers what it was told, with the number of commits before it."""

    def __init__(self) -> None:
        self.inbox = Inbox()
        self.generation = 0
        self.connected = True
        self.words, self.address, self.refused = "connected to the broker at 127.0.0.1:1883", "127.0.0.1:1883", False
        self.session_kept: bool | None = True
        self.acked: list[Message] = []
        self.published: dict[str, list[Any]] = {}
        self.on_word: Callable[[], None] = lambda: None
        self._mid = 0

    def ack(self, messages: Sequence[Message]) -> None:
        self.on_word()
        self.acked += messages

    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None:
        self.on_word()
        plain = topic_tail.endswith("/alarm")
        said = payload.decode() if plain else json.loads(payload) if payload else None
        self.published.setdefault(topic_tail, []).append(said)

    def last(self, topic_tail: str) -> Any:
        return self.published[topic_tail][-1]


def message(topic: str, payload: object, received_ms: float, retain: bool = False, mid: int = 1) -> Message:
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return Message(0, mid, f"amps/v1/{topic}", body, retain, received_ms)


@dataclass
class Bench:
    """A site with fans, a worker, and hands on both clocks."""

    url: str
    database: Database
    wall: datetime = NOW
    steady: float = 1000.0
    link: FakeLink = field(default_factory=FakeLink)
    worker: Worker = field(init=False)
    mid: int = 0

    def __post_init__(self) -> None:
        site = register.Site("home", "Home Farm", "America/Chicago", 250.0, "us", "17:00")
        register.put_site(self.database, site, self.wall)

    # --- the plant ---

    def register(self, fan: str, text: str = NAMEPLATE, *, since: datetime | None = None, **keys: Any) -> int:
        valid_from = since or NOW - timedelta(days=1)
        return register.put_nameplate(
            self.database, "home", fan, text, valid_from=valid_from, by="someone", now=self.wall, **keys
        )

    def remove(self, fan: str) -> None:
        register.remove(self.database, "home", fan, by="someone", now=self.wall)

    def act(self, kind: str, site: str = "home", **body: object) -> int:
        return actions.put(self.database, kind, site, body, "someone", self.wall)

    def outcome(self, number: int) -> str | None:
        action = actions.outcome(self.database, number)
        assert action is not None
        return action.outcome

    def point_id(self, name: str) -> int:
        return next(key.point_id for key in register.points(self.database, ALL) if key.name == name)

    # --- the worker ---

    def begin(self, routes: Sequence[Route] = ROUTES, **keys: Any) -> Worker:
        """A worker built from what is stored; one that was there is dropped as by a kill."""
        self.worker = Worker(
            self.database, load(self.database), self.link, routes,
            clock=lambda: self.wall.timestamp() * 1000.0, steady=lambda: self.steady, commit_seconds=1.0, **keys,
        )  # fmt: skip
        return self.worker

    def pass_time(self, seconds: float, step: float = 5.0) -> None:
        """Time passes on both clocks, the worker goes round."""
        while seconds > 0:
            now = min(step, seconds)
            self.steady += now
            self.wall += timedelta(seconds=now)
            seconds -= now
            self.worker.round()

    def message(self, name: str, payload: object, retain: bool = False, kind: str = "readings") -> Message:
        self.mid += 1
        return message(f"home/{name}/{kind}", payload, self.wall.timestamp() * 1000.0, retain, self.mid)

    def put(self, name: str, payload: object, retain: bool = False, kind: str = "readings") -> Message:
        one = self.message(name, payload, retain, kind)
        self.link.inbox.put(one)
        return one

    def reading(self, seconds: float, amps: float | Sequence[float | None] | None = 9.0, **more: Any) -> dict[str, Any]:
        """A reading at NOW + seconds."""
        body: dict[str, Any] = {"t": (MS / 1000.0) + seconds, **more}
        if amps is not None:
            body["amps"] = [amps] * 3 if isinstance(amps, int | float) else list(amps)
        return body

    def send(self, name: str, first: float, last: float, amps: float = 9.0, step: float = 10.0, **more: Any) -> None:
        """Readings from NOW + first to NOW + last, each as it is measured, the worker going round meanwhile."""
        at = first
        while at <= last:
            ahead = (NOW + timedelta(seconds=at) - self.wall).total_seconds()
            self.pass_time(max(ahead, 0.0))
            self.put(name, self.reading(at, amps, **more))
            self.worker.round()
            at += step
        self.pass_time(1.5, 0.5)

    # --- what is stored ---

    def rows(self, table: sa.Table, *order: str) -> list[dict[str, Any]]:
        with self.database.read() as connection:
            query = sa.select(table).order_by(*(table.c[name] for name in order or table.primary_key.columns.keys()))
            return [dict(row) for row in connection.execute(query).mappings()]

    def stored(self, name: str) -> dict[str, np.ndarray]:
        return window(self.database, self.point_id(name), 0, 10**14)

    def changes(self) -> list[tuple[str, str, str, str]]:
        """Condition, from, to, cause of each alarm change, in order."""
        conditions = {row["number"]: row["condition"] for row in self.rows(tables.alarms)}
        return [
            (conditions[row["alarm_number"]], row["from_state"], row["to_state"], row["cause"])
            for row in self.rows(tables.alarm_changes)
        ]

    def raised(self, condition: str) -> list[dict[str, Any]]:
        return [row for row in self.rows(tables.alarms) if row["condition"] == condition]

    def reasons(self) -> dict[tuple[str, str], int]:
        return {(row["name"], row["reason"]): row["count"] for row in self.rows(tables.reject_counts)}

    def logger(self, name: str) -> dict[str, Any]:
        """As stored, with what the page adds of readings that came since."""
        row = next(row for row in self.rows(tables.loggers) if row["point_id"] == self.point_id(name))
        (item,) = (item for item in loggers(self.database, ALL)["items"] if item["name"] == name)
        return row | {"readings": item["readings"], "newest_ms": to_ms_or_none(item["last_reading"])}


def replayed(bench: Bench, name: str) -> tuple[np.ndarray, list[tuple[str, float]], np.ndarray]:
    """A fan's stored rows judged anew in the order in which they were fed, each by its stored version.

    Returns
    -------
    limits (1 mA), (condition + what, at) of each change, stored limits
    """
    again = replay.replay(bench.database, bench.point_id(name), 0, 10**13, replay.JUDGED)
    assert again.version.tolist() == again.rows.version.tolist()
    told = [(f"{condition} {what}", at_ms) for condition, what, at_ms in replay.told(again.changes)]
    return np.round(again.judged.limit, 3), told, again.rows.limit_amps


@pytest.fixture
def bench(tmp_path: Path, database: Database) -> Bench:
    return Bench(f"sqlite:///{tmp_path / 'monitor.db'}", database)


@pytest.fixture
def new_bench(tmp_path: Path, empty_database: Path) -> Iterator[Callable[[], Bench]]:
    """Benches with databases of their own."""
    opened: list[Database] = []

    def make() -> Bench:
        path = tmp_path / f"monitor-{len(opened)}.db"
        shutil.copy(empty_database, path)
        url = f"sqlite:///{path}"
        opened.append(open_database(url))
        return Bench(url, opened[-1])

    yield make
    for one in opened:
        one.close()


@pytest.fixture
def nameplate() -> str:
    return NAMEPLATE


@pytest.fixture
def fed_by_panel() -> str:
    return FED_BY_PANEL


@pytest.fixture(name="replay")
def replay_of_a_fan() -> Callable[[Bench, str], tuple[np.ndarray, list[tuple[str, float]], np.ndarray]]:
    return replayed


@pytest.fixture
def almost() -> Callable[[float, float], bool]:
    return lambda a, b: (math.isnan(a) and math.isnan(b)) or abs(a - b) < 1e-9


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with a plant in it, to be copied: two fans, north fed by a supply point, and the weather. Clamps
    are corrected: south's always, north's from a minute on."""
    path = tmp_path_factory.mktemp("template") / "monitor.db"
    database = open_database(f"sqlite:///{path}")
    made = Bench("", database)
    quick = """
[conditions.overload]
on_delay_seconds = 30
off_delay_seconds = 30
[conditions.low-margin]
on_delay_seconds = 40
off_delay_seconds = 40
[conditions.voltage-unbalance]
on_delay_seconds = 30
off_delay_seconds = 30
[conditions.stopped]
on_delay_seconds = 20
"""
    made.register("north", FED_BY_PANEL + quick)
    corrected = FED_BY_PANEL.replace("[logger]", "[logger]\nclamp_corrections = [1.0, 1.013, 0.98]")
    made.register("north", corrected + quick, since=NOW + timedelta(seconds=65))
    made.register("south", NAMEPLATE.replace("period_seconds = 10\n", "clamp_corrections = [0.97, 1.0, 1.0]\n") + quick)
    database.close()
    return path


@pytest.fixture
def bench_of() -> type[Bench]:
    return Bench


@pytest.fixture
def make_message() -> Callable[..., Message]:
    return message


# --- fans whose runs end: tests of verdicts ------------------------------------------------------------------


@pytest.fixture
def plate(nameplate: str) -> str:
    """A continuous fan of 10 A whose overload relay is registered."""
    relay = '[protection]\ntype = "overload relay"\ntrip_class = 10\nsetting_amps = 10.0\n[fan]'
    return nameplate.replace("[fan]", relay)


@pytest.fixture
def farm(bench: Any, plate: str) -> Farm:
    """Two fans of one site, each with volts or without as they are sent."""
    bench.register("north", plate)
    bench.register("south", plate)
    bench.begin().round()
    return Farm(bench)


@pytest.fixture
def panel(bench: Any, plate: str) -> Farm:
    """Two fans fed from one supply point."""
    text = plate.replace("[logger]", 'supply = "panel"\n[logger]')
    bench.register("north", text)
    bench.register("south", text)
    bench.begin().round()
    return Farm(bench)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A whole service without a broker, not started."""
    file = tmp_path / "monitor.toml"
    file.write_text(
        f'data = "{tmp_path}/data"\n[mqtt]\nport = {free_port()}\n[web]\nlisten = "127.0.0.1:{free_port()}"\n'
    )
    made = Service(settings.load(file), print_line=lambda line: None)
    yield made
    made.stop()
