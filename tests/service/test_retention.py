"""When raw readings are removed: by days, where the disk fills, and what is said where no room can be made."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.errors import LinkError
from monitor.records import archive, retention, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, upsert
from monitor.records.packing import HOUR_MS
from monitor.records.readings import window
from monitor.records.rows import ReadingRows
from monitor.service.retention import LOOK_SECONDS, TRY_AGAIN_SECONDS, Retention, Room, room
from monitor.settings import ReadingsSettings
from tests.service.conftest import MS

DAY_MS = 24 * HOUR_MS
HOURS = 60
"""One each day, the last one now."""


class Keeper:
    """A fan with a reading a day, a disk and a clock in the hands of the test."""

    def __init__(self, bench: Any, target: str | None = None, **keep: Any) -> None:
        self.database: Database = bench.database
        self.point = bench.register("north")
        self.steady = 100.0
        self.free = 50.0
        """Percent."""
        self.frees = 0.0
        """Percent of the disk that each reading was worth."""
        for day in range(HOURS):
            rows = ReadingRows.none()
            t_ms = int(MS) - (HOURS - 1 - day) * DAY_MS
            filled = {name: np.full((1, *getattr(rows, name).shape[1:]), 0.0) for name in rows.columns()}
            filled |= {"number": np.array([day + 1]), "t_ms": np.array([t_ms]), "version": np.array([1])}
            filled |= {"flags": np.array([0]), "point_id": np.array([self.point])}
            commit(self.database, Batch(hours=[ReadingRows(**filled)]))
        self.retention = Retention(
            self.database, ReadingsSettings(**keep), target, look=self.look, steady=lambda: self.steady
        )

    def look(self, database: Database) -> Room:
        return Room(int(100 * (self.free + self.frees * (HOURS - self.kept()))), 0, 10_000, 0)

    def kept(self) -> int:
        return len(window(self.database, self.point, 0, 1 << 50)["t_ms"])

    def work(self) -> None:
        while self.retention.work(MS, math.inf):
            pass


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Five hours of a fan are as much as is needed."""
    monkeypatch.setattr(retention, "LEAST_HOURS", 5)
    monkeypatch.setattr(retention, "HOURS_A_STEP", 24)


@pytest.fixture
def least(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.service.retention.LEAST_HOURS", 24 * 10)


def test_by_days(bench: Any) -> None:
    keeper = Keeper(bench, keep_days=50)
    keeper.work()
    assert keeper.kept() == 51 and keeper.retention.removed == 9  # of today and of 50 days before
    keeper.steady += LOOK_SECONDS / 2.0
    assert keeper.retention.work(MS + 10 * DAY_MS, math.inf) is False and keeper.kept() == 51
    keeper.steady += LOOK_SECONDS
    keeper.retention.work(MS + 10 * DAY_MS, math.inf)
    assert keeper.kept() == 41


@pytest.mark.usefixtures("least")
def test_a_disk_that_fills_takes_the_oldest_until_there_is_room(bench: Any) -> None:
    keeper = Keeper(bench, keep_free_percent=20)
    keeper.work()
    assert keeper.kept() == HOURS
    keeper.free, keeper.frees, keeper.steady = 18.0, 0.55, keeper.steady + 2 * LOOK_SECONDS
    keeper.work()
    assert keeper.kept() == HOURS - 6  # what is asked for and one percent more
    assert keeper.retention.why_no_room is None


@pytest.mark.usefixtures("least")
def test_where_no_more_may_go_it_says_so(bench: Any) -> None:
    keeper = Keeper(bench)
    keeper.free = 3.0
    keeper.work()
    assert keeper.kept() == 11
    assert "only the last 10 days are kept already" in str(keeper.retention.why_no_room)
    keeper.free, keeper.steady = 30.0, keeper.steady + 2 * LOOK_SECONDS
    keeper.work()
    assert keeper.retention.why_no_room is None


@pytest.mark.usefixtures("least")
def test_readings_that_wait_for_their_copy_stay_however_full_the_disk_is(bench: Any) -> None:
    keeper = Keeper(bench, "http://influx.example:8086 amps")
    keeper.free = 3.0
    keeper.work()
    assert keeper.kept() == HOURS  # it was never written to: it holds nothing
    words = str(keeper.retention.why_no_room)
    assert words.startswith("49 hours of fans' readings could make room, but the copy to http://influx")
    archive.store(keeper.database, "http://influx.example:8086 amps", archive.Cursor(20, 0))
    archive.store(keeper.database, "http://elsewhere.example:8086 old", archive.Cursor(0, 0))  # not in use any more
    keeper.steady += 2 * LOOK_SECONDS
    keeper.work()
    assert keeper.kept() == HOURS - 20 and "29 hours of" in str(keeper.retention.why_no_room)


def test_a_database_that_is_busy_is_asked_again_later(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = Keeper(bench, keep_days=50)

    def busy(*_: Any, **__: Any) -> Any:
        raise LinkError("the database is busy")

    with monkeypatch.context() as patch, pytest.raises(LinkError):
        patch.setattr(keeper.database, "begin", busy)
        keeper.work()
    keeper.work()
    assert keeper.kept() == HOURS
    keeper.steady += TRY_AGAIN_SECONDS
    keeper.work()
    assert keeper.kept() == 51


def test_room_is_that_of_the_disk_and_of_free_pages(bench: Any) -> None:
    before = room(bench.database)
    assert before is not None and before.used_bytes > 50_000 and before.total_bytes > before.free_bytes > 0
    with bench.database.begin() as connection:
        connection.exec_driver_sql("CREATE TABLE ballast AS SELECT randomblob(500000) AS bytes")
        connection.exec_driver_sql("DROP TABLE ballast")
    after = room(bench.database)
    assert after is not None and after.reusable_bytes - before.reusable_bytes > 480_000
    assert after.used_bytes == before.used_bytes


def test_a_clock_that_jumps_years_ahead_takes_nothing(bench: Any) -> None:
    keeper = Keeper(bench, keep_days=50)
    heard = {"point_id": keeper.point, "newest_ms": int(MS), "readings": 60, "late": 0, "repeats": 0, "unknown_keys": 0}
    with keeper.database.begin() as connection:
        upsert(connection, tables.loggers, [heard])
    keeper.retention.work(MS + 3650 * DAY_MS, math.inf)
    assert keeper.kept() == 51  # by the time of the readings, as `test_by_days`
