"""Past hours are moved in small steps, and nothing is lost whenever it ends."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.errors import LinkError
from monitor.records import hours, readings
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import READY_AFTER_MS, HourPacker
from monitor.records.packing import HOUR_MS
from monitor.records.rows import ReadingRows
from tests.records.conftest import counted
from tests.records.killed import done_before

LONG_AFTER = 1000 * HOUR_MS


def reads(database: Database, point: int, rows: ReadingRows) -> bool:
    """Whether a reader finds exactly these rows."""
    found = readings.window(database, point, 0, 1 << 50)
    return all(found[name].tobytes() == column.tobytes() for name, column in rows.columns().items())


def test_only_hours_that_are_over_are_packed(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)  # 01:00 to 03:00
    commit(database, Batch(readings=rows))
    packer = HourPacker(database)
    over = make.ms + HOUR_MS + READY_AFTER_MS
    assert packer.work(over - 1, math.inf) is False
    assert counted(database) == (720, 0)
    assert packer.work(over, math.inf) is False
    assert counted(database) == (360, 360)
    assert reads(database, point, rows)


def test_killed_at_every_statement_nothing_is_lost(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    commit(database, Batch(readings=rows))
    for statement in range(100):
        if done_before(statement, database, lambda: HourPacker(database).work(make.ms + LONG_AFTER, math.inf)):
            break
        assert counted(database) in ((720, 0), (720, 720), (0, 720))
        assert reads(database, point, rows)
    assert statement > 7
    assert counted(database) == (0, 720)
    assert reads(database, point, rows)


def test_a_reading_stored_while_its_hour_is_being_packed_stays(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    commit(database, Batch(readings=rows))
    late = make.rows(point, 2000, 3, make.ms + 7_190_001)
    packer = HourPacker(database, clock=iter(range(100)).__next__)
    assert packer.work(make.ms + LONG_AFTER, 2)  # looked and read, packed nothing yet
    assert counted(database) == (720, 0)
    commit(database, Batch(readings=late))
    assert packer.work(make.ms + LONG_AFTER, 1)
    assert counted(database) == (723, 720)
    assert reads(database, point, ReadingRows.together([rows, late]))
    assert packer.work(make.ms + LONG_AFTER, 50) is False
    assert counted(database) == (0, 723)
    assert reads(database, point, ReadingRows.together([rows, late]))


def test_each_step_is_small_and_the_budget_ends_between_steps(
    database: Database, make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hours, "ROWS_A_READ", 170)
    monkeypatch.setattr(hours, "ROWS_A_PACK", 50)
    monkeypatch.setattr(hours, "ROWS_A_REMOVAL", 100)
    points = make.farm(database, "a", "b", "c")
    for turn, point in enumerate(points.values()):
        commit(database, Batch(readings=make.rows(point, 1 + 80 * turn, 80)))
    packer = HourPacker(database, clock=iter(range(100)).__next__)
    left = []
    while packer.work(make.ms + LONG_AFTER, 0.5):
        left.append(counted(database))
    # look, read two, pack one, pack one, read one, pack one; then what is packed is removed
    packed = [0, 0, 80, 160, 160, 240]
    assert left == [*((240, rows) for rows in packed), (140, 240), (40, 240), (0, 240)]
    assert packer.work(make.ms + LONG_AFTER, 0.5) is False


def test_many_hours_of_one_point_are_moved_some_at_a_time(
    database: Database, make: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(hours, "ROWS_A_PACK", 500)
    point = make.farm(database, "a")["a"]
    rows = make.rows(point, 1, 1800)
    commit(database, Batch(readings=rows))
    packer = HourPacker(database, clock=iter(range(100)).__next__)
    left = []
    while packer.work(make.ms + LONG_AFTER, 0.5):
        left.append(counted(database))
        assert reads(database, point, rows)
    assert left == [(1800, 0), (1800, 0), (1800, 720), (1800, 1440), (1800, 1800), (0, 1800)]


def test_a_reading_that_stands_in_both_places_counts_once(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    commit(database, Batch(readings=rows))
    packer = HourPacker(database, clock=iter(range(100)).__next__)
    assert packer.work(make.ms + LONG_AFTER, 3)
    assert counted(database) == (720, 720)
    assert reads(database, point, rows)
    with database.read() as connection:
        fed = readings.fed_after(connection, {point: 100})[point]
        newest = readings.newest_of(connection, {point: int(rows.t_ms[-1])}, 600_000)[point]
    assert fed.number.tolist() == list(range(101, 721))
    assert newest.number.tolist() == list(range(661, 721))
    again = HourPacker(database)  # the first one was killed before it removed anything
    assert again.work(make.ms + LONG_AFTER, math.inf) is False
    assert counted(database) == (0, 720)
    assert reads(database, point, rows)


def test_a_full_disk_leaves_readings_where_they_are_and_it_goes_on_later(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 5_000, amps=np.random.default_rng(1).random((5_000, 3)))
    commit(database, Batch(readings=rows))
    with database.read() as connection:
        limit = connection.exec_driver_sql("PRAGMA page_count").scalar_one() + 1

    @sa.event.listens_for(database.engine, "checkout")
    def small(connection: Any, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {limit}").close()

    packer = HourPacker(database)
    for _ in range(2):
        with pytest.raises(LinkError, match="the disk is full"):
            packer.work(make.ms + LONG_AFTER, math.inf)
        assert reads(database, point, rows)
    limit = 1 << 30
    assert packer.work(make.ms + LONG_AFTER, math.inf) is False
    assert counted(database) == (0, 5_000)
    assert reads(database, point, rows)
