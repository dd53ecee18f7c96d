"""Whatever happens to the server or to us: afterwards a real InfluxDB holds what the database holds, value by value."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor import settings
from monitor.links.deadline import left_behind
from monitor.links.influx import Target
from monitor.records import archive as stored
from monitor.records import tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database
from monitor.records.hours import READY_AFTER_MS, HourPacker
from monitor.records.packing import HOUR_MS
from monitor.records.rows import ReadingRows
from monitor.service import archive as module
from monitor.service import archive_split
from monitor.service.archive import LOOK_SECONDS, Archive
from monitor.service.checkup import checkup
from tests import influx as servers
from tests.influx import Door, Influx, Victoria, needs_influxd, needs_victoria, says
from tests.records.conftest import Make
from tests.servers import Mosquitto, Publisher, Running, free_port, until
from tests.warm import Loaded

pytestmark = needs_influxd
FANS = ("north", "south", "east")
Api = Callable[..., Target]


@pytest.fixture(scope="module")
def _server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Influx]:
    server = Influx(tmp_path_factory.mktemp("influx"))
    server.start()
    yield server
    server.kill()


@pytest.fixture
def influx(_server: Influx) -> Iterator[Influx]:
    if not _server.running:
        _server.start()
    _server.make("amps")
    yield _server
    if not _server.running:
        _server.start()
    _server.drop("amps")


@pytest.fixture
def door(influx: Influx) -> Iterator[Door]:
    door = Door(influx)
    yield door
    door.close()


@pytest.fixture(params=["v1", "v2"])
def target(request: pytest.FixtureRequest, door: Door) -> Target:
    """By either way, through the door."""
    return Target(door.url, "amps", api=request.param, timeout_seconds=60.0)


@pytest.fixture
def make() -> Make:
    return Make()


@pytest.fixture
def ids(database: Database, make: Make) -> dict[str, int]:
    return make.farm(database, *FANS)


class Feed:
    """Stores readings of all fans, turn by turn, ten seconds apart."""

    def __init__(self, database: Database, make: Make, ids: dict[str, int]) -> None:
        self.database, self.make, self.ids = database, make, list(ids.values())
        self.number = 1
        self.change = 1

    def add(self, each: int, **columns: Any) -> None:
        t_ms = self.make.ms + 10_000 * ((self.number - 1) // len(self.ids))
        parts = [
            self.make.rows(
                one, 7 * one, each, t_ms, number=self.number + place + len(self.ids) * np.arange(each), **columns
            )
            for place, one in enumerate(self.ids)
        ]
        rows = ReadingRows.together(parts)
        commit(self.database, Batch(readings=rows.take(np.argsort(rows.number))))
        self.number += each * len(self.ids)

    def alarm(self, changes: int) -> None:
        first = self.change
        self.change += changes
        numbers = range(first, self.change)
        commit(
            self.database,
            Batch(alarms=[self.make.alarm(first)], changes=[self.make.change(number, first) for number in numbers]),
        )


@pytest.fixture
def feed(database: Database, make: Make, ids: dict[str, int]) -> Feed:
    return Feed(database, make, ids)


def known(value: float) -> float | None:
    return None if math.isnan(value) else float(value)


def in_database(database: Database) -> dict[tuple[str, int], dict[str, Any]]:
    """(fan, ns) -> fields, told apart from the code that makes lines of them."""
    rows, last, unread = stored.readings_after(database, 0, 10**7)
    assert not unread and last == stored.newest(database).reading
    points = stored.points(database)
    found: dict[tuple[str, int], dict[str, Any]] = {}
    for at in range(len(rows)):
        amps, volts = rows.amps[at], rows.volts[at]
        limit = float(rows.limit_amps[at])
        told = dict(
            zip(("l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31"), map(known, (*amps, *volts)), strict=True)
        )
        for name in ("ambient_c", "called", "limit_amps", "motor_heat", "device_heat", "running"):
            told[name] = known(float(getattr(rows, name)[at]))
        told["unbalance_percent"] = known(float(rows.unbalance[at]))
        told["load_ratio"] = round(float(max(amps)) / limit, 4)
        told["late"] = 1 if rows.flags[at] & tables.FLAG_LATE else None
        told["number"] = int(rows.number[at])
        key = points[int(rows.point_id[at])][1], int(rows.t_ms[at]) * 1_000_000
        found[key] = {name: value for name, value in told.items() if value is not None}
    return found


def in_influx(influx: Influx, database: str = "amps") -> dict[tuple[str, int], dict[str, Any]]:
    rows = influx.rows("fan", database)
    return {
        (row["fan"], row["time"]): {name: value for name, value in row.items() if name not in ("fan", "site", "time")}
        for row in rows
    }


def the_same(influx: Influx, database: Database, *, but: int = 0) -> None:
    """Each reading, each value; each alarm change."""
    ours, theirs = in_database(database), in_influx(influx)
    assert len(theirs) == len(ours) - but == influx.count("fan", "amps")
    assert theirs == {key: ours[key] for key in theirs}
    changes = stored.changes_after(database, 0, 10**6)
    told = influx.rows("alarm", "amps")
    assert sorted(row["change"] for row in told) == [one.number for one in changes]
    assert {row["text"] for row in told} == {one.text for one in changes}


def until_copied(archive: Archive) -> None:
    for _ in range(1_000):
        if archive.turn() == LOOK_SECONDS:
            return
        assert archive.trouble is None, archive.trouble
    raise AssertionError("it never ends")


def test_all_that_is_stored_is_there_and_nothing_else(
    influx: Influx, database: Database, feed: Feed, target: Target
) -> None:
    feed.add(700)
    feed.alarm(3)
    HourPacker(database).work(feed.make.ms + HOUR_MS + READY_AFTER_MS, math.inf)
    late = feed.make.rows(feed.ids[0], feed.number, 5, feed.make.ms - 86_400_000, flags=np.full(5, tables.FLAG_LATE))
    commit(database, Batch(hours=[late]))
    until_copied(Archive(database, target))
    the_same(influx, database)
    series = influx.ask("SHOW SERIES", "amps")[0]["values"]
    assert sorted(one[0] for one in series) == [
        "alarm,condition=overload,fan=north,site=meadow", *sorted(f"fan,fan={fan},site=meadow" for fan in FANS),
    ]  # fmt: skip


@needs_victoria
def test_a_server_with_the_newer_path_of_its_own(database: Database, feed: Feed, tmp_path: Path) -> None:
    """influxdb-client's own address, unaltered. This server keeps numbers only: no alarms."""
    server = Victoria(tmp_path / "victoria")
    try:
        feed.add(700)
        archive = Archive(database, Target(server.url, "amps", "farm", secret="t"))
        until_copied(archive)
        assert archive.health()["refused_lines"] == 0
        ours = in_database(database)
        for field in ("number", "l1_amps", "load_ratio", "device_heat", "running"):
            told = server.series(f"fan_{field}")
            theirs = {(fan, ms * 1_000_000): value for fan, some in told.items() for ms, value in some.items()}
            assert theirs == {key: values[field] for key, values in ours.items() if field in values}, field
    finally:
        server.kill()


def test_the_server_killed_in_the_middle_of_a_backlog(
    influx: Influx, database: Database, feed: Feed, target: Target, door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    allowed = 0

    def so_far(*_: object) -> servers.Answer:
        while archive_writes(database, target) >= allowed:  # else all of it may be there before the kill
            time.sleep(0.01)
        return servers.HAND_ON

    door.fault = so_far
    monkeypatch.setattr(module, "LINES_A_WRITE", 200)
    monkeypatch.setattr(module, "WAITS_SECONDS", (0.2,))
    feed.add(2_000)
    archive = Archive(database, target)
    archive.start()
    try:
        for kill in (1, 2):
            allowed = 12 * kill
            writes = archive_writes(database, target)
            until(lambda writes=writes: archive_writes(database, target) >= writes + 5, what="some writes")  # type: ignore[misc]
            influx.kill()
            assert stored.cursor(database, target.identity).reading < 6_000, kill  # type: ignore[union-attr]
            until(lambda: archive.trouble is not None, what="trouble")
            influx.start()
        allowed = 1_000
        until(lambda: archive.health()["behind_rows"] == 0, what="the copy")
    finally:
        archive.stop()
    assert archive.failure is None and archive.health()["trouble"] is None
    the_same(influx, database)


def archive_writes(database: Database, target: Target) -> int:
    at = stored.cursor(database, target.identity)
    return 0 if at is None else at.reading // 200


def test_the_server_away_for_a_day(influx: Influx, database: Database, feed: Feed, target: Target) -> None:
    feed.add(100)
    feed.alarm(2)
    clock = [feed.make.ms / 1000.0 + 1_000.0]
    archive = Archive(database, target, clock=lambda: clock[0])
    until_copied(archive)
    influx.kill(signal.SIGTERM)
    packer = HourPacker(database)
    for hour in range(24):
        feed.add(30)
        feed.alarm(1)
        clock[0] += 3_600.0
        packer.work(int(clock[0] * 1000), math.inf)
        assert 1.0 <= archive.turn() <= 300.0 and archive.trouble is not None
        health = archive.health()
        assert (health["behind_rows"], health["behind_seconds"]) != (0, 0.0), hour
    influx.start()
    until_copied(archive)
    assert archive.health()["behind_seconds"] == 0.0
    the_same(influx, database)


@pytest.mark.parametrize(
    ("fault", "words", "waits"),
    [
        (says(500, None, b'{"message":"engine: closed"}'), "HTTP 500: engine: closed", 1.0),
        (says(503, {"retry-after": "17"}), "HTTP 503", 17.0),
        (says(429, {"retry-after": "9"}), "HTTP 429", 9.0),
        (says(429), "HTTP 429", 1.0),
        (servers.hangs, "does not answer within 0.5 s", 1.0),
        (servers.trickles, "does not answer within 0.5 s", 1.0),
        (servers.hangs_up, "no connection", 1.0),
        (servers.stores_and_hangs_up, "no connection", 1.0),
        (says(302, {"location": "http://other/"}), "points to http://other/", 1.0),
        (says(200, {"content-type": "text/html"}, b"<html>"), "as no InfluxDB does", 1.0),
    ],
)
def test_a_server_in_trouble(
    influx: Influx, database: Database, feed: Feed, target: Target, door: Door, fault: Any, words: str, waits: float
) -> None:
    feed.add(50)
    until_copied(Archive(database, target))
    feed.add(50)
    door.fault = fault
    quick = Target(target.url, "amps", api=target.api, timeout_seconds=0.5 if "within 0.5 s" in words else 60.0)
    archive = Archive(database, quick)
    assert archive.turn() == waits
    assert archive.trouble is not None and words in archive.trouble
    door.fault = None
    until(lambda: not left_behind(f"influx {quick.identity}"), what="the end of a write that hangs")
    feed.add(5)
    until(lambda: archive.turn() == LOOK_SECONDS, what="the copy")
    assert archive.trouble is None
    the_same(influx, database)


def test_a_field_that_somebody_wrote_as_another_type(
    influx: Influx, database: Database, feed: Feed, target: Target
) -> None:
    influx.write(f"fan,site=elsewhere called=0.5 {feed.make.ms}", "amps")
    feed.add(100)
    feed.add(1, called=[1.0])
    feed.add(100)
    feed.alarm(1)
    archive = Archive(database, target)
    until_copied(archive)
    assert archive.health()["refused_lines"] == 3
    lines = stored.refused(database, target.identity)
    assert len(lines) == 3 and all("called=1i" in one.line and "type conflict" in one.words for one in lines)
    influx.ask("DELETE FROM fan WHERE site = 'elsewhere'", "amps")
    the_same(influx, database, but=3)


def test_a_field_of_another_type_in_every_line_ends_too(
    influx: Influx, database: Database, feed: Feed, target: Target, door: Door, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive_split, "NAMED_A_WRITE", 10)
    influx.write(f'fan,site=elsewhere l1_amps="much" {feed.make.ms}', "amps")
    feed.add(300)
    feed.alarm(1)
    archive = Archive(database, target)
    until_copied(archive)
    assert archive.health()["refused_lines"] == 900 and len(door.asked) < 50
    assert influx.count("alarm", "amps") == 1 and influx.count("fan", "amps") == 0


def test_what_is_older_than_the_bucket_keeps_is_counted_and_the_rest_is_there(
    influx: Influx, database: Database, feed: Feed, target: Target, door: Door
) -> None:
    influx.ask("CREATE RETENTION POLICY short ON amps DURATION 2h REPLICATION 1 DEFAULT")
    feed.make.ms = int(time.time() * 1000) - 5 * HOUR_MS
    feed.add(30)
    feed.make.ms += 5 * HOUR_MS - 400_000
    feed.add(7)
    archive = Archive(database, target)
    until_copied(archive)
    assert archive.health()["refused_lines"] == 90 and influx.count("fan", "amps") == 21
    assert len(door.asked) == 1


def test_the_bucket_missing_and_then_made(influx: Influx, database: Database, feed: Feed, target: Target) -> None:
    feed.add(50)
    feed.alarm(1)
    influx.drop("amps")
    archive = Archive(database, target)
    for _ in range(3):
        archive.turn()
        assert archive.trouble is not None and "has not the" in archive.trouble and '"amps"' in archive.trouble
    assert archive.health()["refused_lines"] == 0
    influx.make("amps")
    until_copied(archive)
    the_same(influx, database)


def test_a_wrong_token_and_then_the_right_one(tmp_path: Path, database: Database, feed: Feed) -> None:
    server = Influx(tmp_path / "closed", auth=True)
    server.start()
    door = Door(server)
    try:
        server.ask("CREATE USER root WITH PASSWORD 'r' WITH ALL PRIVILEGES")
        server.ask("CREATE DATABASE amps", user="root:r")
        feed.add(50)
        archive = Archive(database, Target(door.url, "amps", secret="root:wrong"))
        archive.turn()
        assert archive.trouble is not None and "does not know us" in archive.trouble and "token_file" in archive.trouble
        right = Archive(database, Target(door.url, "amps", secret="root:r"))
        until_copied(right)
        found = server.ask('SELECT COUNT("number") FROM fan', "amps", user="root:r")
        assert found[0]["values"][0][1] == 150 and right.health()["refused_lines"] == 0
    finally:
        door.close()
        server.kill()


def test_check_says_what_the_copy_needs_and_writes_nothing(
    influx: Influx, database: Database, feed: Feed, door: Door, tmp_path: Path
) -> None:
    def found(bucket: str, url: str = door.url) -> list[tuple[str, bool, str]]:
        (tmp_path / "monitor.toml").write_text(
            f'data = "{tmp_path}"\n[influx]\nurl = "{url}"\nbucket = "{bucket}"\n'
            f'[web]\nlisten = "127.0.0.1:{free_port()}"\n'
        )
        findings = checkup(settings.load(tmp_path / "monitor.toml"))
        return [(one.what, one.ok, one.words) for one in findings if one.what.startswith("influx")]

    feed.add(4)
    ((what, ok, words),) = found("amps")
    assert (what, ok) == ("influx", True) and "answers (InfluxDB 1.6" in words
    assert influx.ask("SHOW MEASUREMENTS", "amps") == [] and stored.cursor(database, f"{door.url} amps") is None
    stored.store(database, f"{door.url} amps", stored.Cursor(10, 0, 3), [stored.Refused(0, "l", "no")])
    assert [one[:2] for one in found("amps")] == [("influx", True), ("influx copy", True), ("influx lines", False)]
    assert (
        found("amps")[1][2] == "2 readings to be copied"
        and "has refused 3 lines, the last one with: no" in found("amps")[2][2]
    )
    ((_, ok, words),) = found("elsewhere")
    assert not ok and "Make it there, or put [influx] right" in words
    ((_, ok, words),) = found("amps", "http://127.0.0.1:1")
    assert not ok and "Connection refused" in words


KILLED = """
import os, signal, sys
from monitor.links.influx import Target
from monitor.records import archive
from monitor.records.database import open_database
from monitor.service import archive as module
address, url, api, at = sys.argv[1:]
module.LINES_A_WRITE = 60
left = [int(at)]
store = archive.store
def die(*given):
    left[0] -= 1
    if left[0] < 0:
        os.kill(os.getpid(), signal.SIGKILL)  # the server has confirmed, nobody knows
    store(*given)
archive.store = die
one = module.Archive(open_database(address), Target(url, "amps", api=api))
while one.turn() == 0.0:
    pass
"""


def test_we_are_killed_between_the_write_and_the_cursor(
    influx: Influx, database: Database, feed: Feed, target: Target, tmp_path: Path, door: Door
) -> None:
    feed.add(100)
    feed.alarm(2)
    address = f"sqlite:///{tmp_path / 'monitor.db'}"
    for statement in (1, 2) if target.api == "v2" else (3,):  # after the alarm changes, or after readings
        killed = subprocess.run(
            [sys.executable, "-c", KILLED, address, target.url, target.api, str(statement)],
            env={**os.environ, "PYTHONPATH": str(Path.cwd())}, capture_output=True, timeout=300,
        )  # fmt: skip
        assert killed.returncode == -signal.SIGKILL, killed.stderr.decode()
    assert influx.count("fan", "amps") > stored.cursor(database, target.identity).reading  # type: ignore[union-attr]
    until_copied(Archive(database, target))
    the_same(influx, database)


@pytest.mark.slow
@pytest.mark.broker
def test_a_whole_service_copies_what_it_judged_and_goes_on_after_a_kill(
    influx: Influx, broker: Mosquitto, tmp_path: Path, door: Door, loaded: Loaded
) -> None:
    (tmp_path / "token").write_text("u:p")
    running = Running(
        tmp_path / "service", broker.port,
        f'[influx]\nurl = "{door.url}/"\norg = "farm"\nbucket = "amps"\ntoken_file = "{tmp_path}/token"\n', loaded,
    )  # fmt: skip
    running.register("bin-1")
    try:
        running.start()
        with Publisher(broker.port) as publisher:
            body = f'{{"t": {time.time() - 1}, "amps": [12.2, 12.9, 12.6], "volts": [461, 458.4, 460.2]}}'
            publisher.send([("amps/v1/home/bin-1/readings", body.encode())])
        with closing(open_database(f"sqlite:///{running.database}")) as database:
            until(lambda: stored.newest(database).reading == 1, what="a stored reading")
            running.kill()
            running.start()
            until(lambda: influx.count("fan", "amps") == 1, what="the copy")
            health = running.get("/healthz")["archive"]
            assert health["target"] == f"amps at {door.url}" and health["trouble"] is health["late"] is None
            assert running.get("/healthz")["threads"]["archive"] is True
            assert running.stop() == 0
            the_same(influx, database)
        (first,) = influx.rows("fan", "amps")
        assert first["running"] == 1 and 0.3 < first["unbalance_percent"] < 0.35 and first["motor_heat"] > 0
        assert 0.8 < first["load_ratio"] < 1.0 and (first["site"], first["fan"]) == ("home", "bin-1")
    finally:
        if running.process is not None:
            running.kill()
