"""The copy with a server in the hands of the test: what goes out, when it comes again, where it goes on."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from monitor.errors import LinkError
from monitor.links.influx import Kind, Precision, Target, WriteError
from monitor.records import archive as stored
from monitor.records import tables
from monitor.records.archive import Cursor
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.service import archive as module
from monitor.service.archive import LOOK_SECONDS, WAITS_SECONDS, Archive
from monitor.service.archive_lines import change_lines, reading_lines
from tests.records.conftest import Make

TARGET = Target("http://box:8086", "amps", secret="s3cret")


@dataclass
class Server:
    """Takes lines by series and time, as InfluxDB does."""

    points: dict[tuple[str, str], str] = field(default_factory=dict)
    """(series, time) -> fields."""
    writes: list[tuple[int, str]] = field(default_factory=list)
    """Lines and precision of each write that was taken."""
    trouble: Callable[[Sequence[str]], None] = lambda some: None

    def write(self, some: Sequence[str], precision: Precision) -> None:
        self.trouble(some)
        self.writes.append((len(some), precision))
        for line in some:
            series, rest = line.split(" ", 1)  # no blanks in the names of these tests
            fields, at = rest.rsplit(" ", 1)
            self.points[series, at] = fields

    def close(self) -> None: ...


@pytest.fixture
def make() -> Make:
    return Make()


@pytest.fixture
def north(database: Database, make: Make) -> int:
    return make.farm(database, "north")["north"]


@pytest.fixture
def server() -> Server:
    return Server()


def begin(database: Database, server: Server, **changed: Any) -> Archive:
    return Archive(database, TARGET, writer=server, clock=lambda: 1_791_080_000.0, **changed)


def away(*_: object) -> None:
    raise WriteError("no connection to http://box:8086: Connection refused", Kind.WAIT)


# --- what goes out ---------------------------------------------------------------------------------------------


def test_everything_goes_out_once_and_then_it_looks_now_and_then(
    database: Database, server: Server, make: Make, north: int
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 12)))
    archive = begin(database, server)
    assert archive.turn() == LOOK_SECONDS
    assert len(server.points) == 12 and server.writes == [(12, "ms")]
    assert archive.turn() == LOOK_SECONDS
    assert server.writes == [(12, "ms")]
    commit(database, Batch(readings=make.rows(north, 13, 3, make.ms + 120_000)))
    archive.turn()
    assert len(server.points) == 15 and server.writes[-1] == (3, "ms")
    again = begin(database, server)
    again.turn()
    assert len(server.writes) == 2
    assert again.health()["behind_rows"] == 0


def test_a_reading_stands_with_what_was_judged_at_it(make: Make) -> None:
    rows = make.rows(
        7, 41, 1, amps=np.array([[12.5, 12.75, 11.5]]), volts=np.array([[460.0, 461.5, 459.0]]), ambient_c=[3.5],
        called=[1.0], limit_amps=[14.26], unbalance=[0.33], motor_heat=[0.812], device_heat=[0.7], running=[1.0],
    )  # fmt: skip
    points = {7: ("home", "bin-1", "fan"), 8: ("home", "panel", "supply"), 9: ("home", "yard", "weather")}
    (line,) = reading_lines(rows, points)
    assert line == (
        "fan,fan=bin-1,site=home l1_amps=12.5,l2_amps=12.75,l3_amps=11.5,v12=460.0,v23=461.5,v31=459.0,ambient_c=3.5,"
        "called=1i,limit_amps=14.26,load_ratio=0.8941,unbalance_percent=0.33,motor_heat=0.812,device_heat=0.7,running=1i,"
        f"number=41i {make.ms}"
    )
    nothing = {name: np.full(2, math.nan) for name in ("called", "limit_amps", "unbalance", "motor_heat", "running")}
    none = np.full((2, 3), math.nan)
    rows = make.rows(
        8, 1, 2, amps=none, volts=[[460.0, math.nan, 459.5], none[0]], ambient_c=[math.nan, -3.25],
        device_heat=[math.nan] * 2, flags=[0, tables.FLAG_LATE], **nothing,
    )  # fmt: skip
    rows.point_id[1] = 9
    assert reading_lines(rows, points) == [
        f"supply,site=home,supply=panel v12=460.0,v31=459.5,number=1i {make.ms}",
        f"weather,site=home,weather=yard ambient_c=-3.25,late=1i,number=2i {make.ms + 10_000}",
    ]


def test_two_alarm_changes_in_one_millisecond_stand_apart(
    database: Database, server: Server, make: Make, north: int
) -> None:
    commit(database, Batch(alarms=[make.alarm(1)], changes=[make.change(number, 1) for number in (1, 2)]))
    begin(database, server).turn()
    assert server.writes == [(2, "ns")]
    assert sorted(server.points) == [
        ("alarm,condition=overload,fan=north,site=meadow", str(make.ms * 1_000_000 + number)) for number in (1, 2)
    ]
    (line,) = change_lines(stored.changes_after(database, 1, 1))
    assert (
        'state="UNACKNOWLEDGED",from_state="NORMAL",cause="raised",priority="high",text="north: over its limit"' in line
    )
    assert "number=1i,change=2i" in line


def test_late_readings_and_packed_ones_are_copied_like_others(
    database: Database, server: Server, make: Make, north: int
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 5)))
    archive = begin(database, server)
    archive.turn()
    late = make.rows(north, 6, 4, make.ms - 90 * 86_400_000, flags=np.full(4, tables.FLAG_LATE))
    commit(database, Batch(hours=[late]))
    archive.turn()
    assert len(server.points) == 9
    assert sum("late=1i" in fields for fields in server.points.values()) == 4


def test_a_large_backlog_goes_out_in_bounded_writes_and_each_moves_the_cursor(
    database: Database, server: Server, make: Make, north: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LINES_A_WRITE", 40)
    monkeypatch.setattr(module, "NUMBERS_A_LOOK", 100)
    commit(database, Batch(readings=make.rows(north, 1, 230)))
    cursors = []
    server.trouble = lambda some: cursors.append(stored.cursor(database, TARGET.identity).reading)  # type: ignore[union-attr]
    archive = begin(database, server)
    assert [archive.turn() for _ in range(3)] == [0.0, 0.0, LOOK_SECONDS]
    assert [lines for lines, _ in server.writes] == [40, 40, 20, 40, 40, 20, 30]
    assert cursors == [0, 40, 80, 100, 140, 180, 200]
    assert len(server.points) == 230


# --- where it begins -------------------------------------------------------------------------------------------


def test_a_new_target_begins_where_it_is_told(database: Database, server: Server, make: Make, north: int) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 5), alarms=[make.alarm(1)], changes=[make.change()]))
    archive = begin(database, server, begin="now")
    archive.turn()
    assert server.points == {}
    commit(database, Batch(readings=make.rows(north, 6, 2, make.ms + 60_000)))
    archive.turn()
    assert len(server.points) == 2
    other = Server()
    Archive(database, Target("http://box:8086", "other"), writer=other).turn()
    assert len(other.points) == 8
    begin(database, server, begin="beginning").turn()  # known: it goes on where it stood
    assert len(server.points) == 2


# --- what is in the way ----------------------------------------------------------------------------------------


def test_a_server_that_is_away_is_asked_again_less_and_less_often(
    database: Database, server: Server, make: Make, north: int
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 12)))
    said: list[str] = []
    archive = begin(database, server, say=said.append)
    server.trouble = away
    assert [archive.turn() for _ in range(9)] == [*WAITS_SECONDS, 300.0, 300.0]
    health = archive.health()
    assert health["trouble"] == "no connection to http://box:8086: Connection refused"
    assert (health["behind_rows"], health["behind_seconds"], health["last_success"]) == (12, 4_400.0, None)
    assert len(said) == 1 and "waits: no connection" in said[0] and health["late"] is None
    archive._troubled_at -= module.LATE_SECONDS
    assert archive.health()["late"] == (
        "nothing could be copied for 60 min: no connection to http://box:8086: Connection refused"
    )
    server.trouble = lambda some: None
    assert archive.turn() == LOOK_SECONDS and len(server.points) == 12
    health = archive.health()
    assert (health["trouble"], health["behind_rows"], health["behind_seconds"]) == (None, 0, 0.0)
    assert health["last_success"] == "2026-10-04T02:13:20Z"
    assert said[-1] == "the copy to amps at http://box:8086 goes on"
    server.trouble = away
    commit(database, Batch(readings=make.rows(north, 13, 1, make.ms + 500_000)))
    assert archive.turn() == WAITS_SECONDS[0]
    assert "s3cret" not in str(archive.health()) + str(said)


@pytest.mark.parametrize(("asked", "waits"), [(7.0, 7.0), (0.0, 1.0), (1e6, 3_600.0)])
def test_it_waits_as_long_as_it_is_told(
    database: Database, server: Server, make: Make, north: int, asked: float, waits: float
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 1)))

    def busy(some: Sequence[str]) -> None:
        raise WriteError("busy", Kind.WAIT, retry_after_seconds=asked)

    server.trouble = busy
    assert begin(database, server).turn() == waits


def test_a_bucket_that_is_missing_keeps_everything(database: Database, server: Server, make: Make, north: int) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 12)))
    archive = begin(database, server)
    writes = []

    def missing(some: Sequence[str]) -> None:
        writes.append(len(some))
        raise WriteError("has not the bucket", Kind.SETTINGS)

    server.trouble = missing
    archive.turn()
    assert writes == [12], "it is not looked for a bad line"
    assert stored.cursor(database, TARGET.identity) == Cursor(0, 0)
    assert archive.health()["refused_lines"] == 0 and archive.trouble == "has not the bucket"


def test_lines_that_are_refused_are_kept_with_the_words_and_counted(
    database: Database, server: Server, make: Make, north: int
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 30)))
    said: list[str] = []
    archive = begin(database, server, say=said.append)

    def conflict(some: Sequence[str]) -> None:
        if any("number=17i" in line for line in some):
            raise WriteError("field type conflict", Kind.LINES)

    server.trouble = conflict
    assert archive.turn() == LOOK_SECONDS
    assert len(server.points) == 29
    (line,) = stored.refused(database, TARGET.identity)
    assert "number=17i" in line.line and line.words == "field type conflict"
    assert stored.cursor(database, TARGET.identity) == Cursor(30, 0, 1, 1_791_080_000_000)
    assert archive.health()["refused_lines"] == 1 and archive.health()["trouble"] is None
    assert said == ["amps at http://box:8086 refused 1 of 30 lines: field type conflict"]
    commit(database, Batch(readings=make.rows(north, 31, 2, make.ms + 400_000, called=[1.0, math.nan])))
    server.trouble = lambda some: conflict([line.replace("called=1i", "number=17i") for line in some])
    assert archive.turn() == LOOK_SECONDS and archive.health()["refused_lines"] == 2


def test_a_busy_database_is_waited_for_and_nothing_is_left_out(
    database: Database, server: Server, make: Make, north: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 12)))
    archive = begin(database, server)
    archive.turn()
    commit(database, Batch(readings=make.rows(north, 13, 2, make.ms + 120_000)))

    def busy(*_: object) -> None:
        raise LinkError("the database is busy")

    with monkeypatch.context() as patched:
        patched.setattr(stored, "store", busy)
        assert archive.turn() == module.DATABASE_WAIT_SECONDS
        assert archive.trouble == "the database is busy"
    assert archive.turn() == LOOK_SECONDS and len(server.points) == 14
    assert [lines for lines, _ in server.writes] == [12, 2, 2]  # written twice, stored once


def test_the_thread_stops_in_the_middle_of_halving(database: Database, server: Server, make: Make, north: int) -> None:
    commit(database, Batch(readings=make.rows(north, 1, 3_000)))
    archive = begin(database, server)

    def never(some: Sequence[str]) -> None:
        if len(some) <= 10:
            archive._stopping.set()
        raise WriteError("bad", Kind.LINES)

    server.trouble = never
    archive.start()
    assert archive._thread is not None
    archive._thread.join(10)
    assert not archive._thread.is_alive() and archive.failure is None
    archive.stop()
    assert stored.cursor(database, TARGET.identity) == Cursor(0, 0)


def test_a_fault_of_ours_ends_neither_the_copy_nor_the_watch(
    database: Database, server: Server, make: Make, north: int
) -> None:
    """It ended the service, and again some seconds after each start: nobody was watched for a copy's sake."""
    commit(database, Batch(readings=make.rows(north, 1, 12)))
    said: list[str] = []
    archive = begin(database, server, say=said.append)

    def fault(some: Sequence[str]) -> None:
        raise ZeroDivisionError("a text that may hold a secret")

    server.trouble = fault
    assert archive.turn() == WAITS_SECONDS[-1]
    (words,) = said
    assert "a fault of this program, please report it: ZeroDivisionError in fault, line" in words
    assert "secret" not in words and archive.health()["trouble"] in words
    server.trouble = lambda some: None
    assert archive.turn() == LOOK_SECONDS and len(server.points) == 12
    assert archive.health()["trouble"] is None


def test_after_a_narrow_door_the_writes_grow_again(database: Database, server: Server, make: Make, north: int) -> None:
    """Once halved they stayed so until the next start: a line a write, each with a commit."""
    archive = begin(database, server)

    def narrow(some: Sequence[str]) -> None:
        if len(some) > 1:
            raise WriteError("too much at once", Kind.SIZE)

    commit(database, Batch(readings=make.rows(north, 1, 12)))
    server.trouble = narrow
    archive.turn()
    assert [lines for lines, _ in server.writes] == [1] * 12
    server.trouble = lambda some: None
    for number in range(13, 13 + 50 * 12, 12):
        commit(database, Batch(readings=make.rows(north, number, 12, make.ms + 60_000 * number)))
        archive.turn()
    assert server.writes[-1][0] == 12 and len(server.points) == 51 * 12
