"""What is new after a cursor is found wherever it stands, and the cursor itself."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.records import archive, tables
from monitor.records.archive import Cursor, Refused
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import READY_AFTER_MS, HourPacker
from monitor.records.packing import HOUR_MS
from monitor.records.rows import ReadingRows
from tests.records.conftest import counted
from tests.records.killed import done_before


def all_after(database: Database, after: int, most: int) -> tuple[ReadingRows, list[int]]:
    """Everything, look by look, and how far each look came."""
    parts, ends = [], []
    while True:
        rows, last, unread = archive.readings_after(database, after, most)
        assert unread == []
        if last == after:
            assert not len(rows)
            return ReadingRows.together(parts), ends
        assert all(after < number <= last for number in rows.number.tolist())
        parts.append(rows)
        ends.append(last)
        after = last


def same(found: ReadingRows, wanted: ReadingRows) -> bool:
    return all(getattr(found, name).tobytes() == column.tobytes() for name, column in wanted.columns().items())


def two_fans(database: Database, make: Any, hours: int = 3) -> ReadingRows:
    """Turn by turn, as they come from a broker."""
    ids = make.farm(database, "north", "south")
    n = 360 * hours
    fans = [make.rows(ids[fan], 1, n, number=first + 2 * np.arange(n)) for first, fan in ((1, "north"), (2, "south"))]
    rows = ReadingRows.together(fans)
    rows = rows.take(np.argsort(rows.number))
    commit(database, Batch(readings=rows))
    return rows


@pytest.mark.parametrize("most", [7, 500, 100_000])
def test_each_reading_is_found_once_in_order_while_hours_are_packed(database: Database, make: Any, most: int) -> None:
    wanted = two_fans(database, make)
    late = make.rows(int(wanted.point_id[0]), 5_001, 4, make.ms + 61_000, flags=np.ones(4))
    late = ReadingRows(**(late.columns() | {"number": np.arange(len(wanted) + 1, len(wanted) + 5)}))
    packer = HourPacker(database, clock=iter(range(1_000)).__next__)
    now = make.ms + 2 * HOUR_MS + READY_AFTER_MS
    states = set()
    while packer.work(now, 1):
        states.add(counted(database))
        assert same(all_after(database, 0, most)[0], wanted)
        if most == 7:
            break  # each step at the other sizes
    commit(database, Batch(hours=[late]))  # as an import does: behind all others by number, in an hour long packed
    found, ends = all_after(database, 0, most)
    assert same(found, ReadingRows.together([wanted, late]))
    assert ends[-1] == len(wanted) + 4 and ends[0] == min(most, ends[-1])
    assert most == 7 or len(states) >= 2
    again, _ = all_after(database, 1_000, most)
    assert same(again, ReadingRows.together([wanted, late]).take(slice(1_000, None)))


def test_numbers_that_nothing_is_stored_under_are_passed_over(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(readings=make.rows(point, 100, 3)))
    rows, last, _ = archive.readings_after(database, 0, 50)
    assert (len(rows), last) == (0, 50)
    found, ends = all_after(database, 0, 50)
    assert found.number.tolist() == [100, 101, 102] and ends == [50, 100, 102]


def test_an_hour_that_is_damaged_costs_no_other(database: Database, make: Any) -> None:
    wanted = two_fans(database, make, hours=2)
    HourPacker(database).work(make.ms + 1000 * HOUR_MS, math.inf)
    with database.begin() as connection:
        first = connection.execute(sa.select(tables.reading_hours)).first()
        assert first is not None
        spoilt = sa.update(tables.reading_hours).values(columns=first.columns[:-3])
        hour = tables.reading_hours.c
        connection.execute(spoilt.where(hour.point_id == first.point_id, hour.hour == first.hour))
    rows, last, unread = archive.readings_after(database, 0, 10_000)
    assert last == len(wanted) and len(rows) == len(wanted) - first.rows
    assert len(unread) == 1 and "damaged: restore the last backup" in unread[0]


def test_packed_hours_of_a_number_are_found_by_an_index(database: Database, make: Any) -> None:
    with database.read() as connection:
        query = "SELECT columns FROM reading_hours WHERE last_number > 7 AND first_number <= 9"
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {query}").all()
    assert "ix_reading_hours_last_number_first_number" in str(plan)


def test_the_cursor_of_each_target_stands_for_itself_and_refused_lines_are_bounded(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert archive.cursor(database, "a") is None
    archive.store(database, "a", Cursor(7, 2, 1, 50), [Refused(50, "x" * 1_000, "bad")])
    archive.store(database, "b", Cursor(3, 0))
    assert archive.cursor(database, "a") == Cursor(7, 2, 1, 50) and archive.cursor(database, "b") == Cursor(
        3, 0, 0, None
    )
    (line,) = archive.refused(database, "a")
    assert len(line.line) == archive.LINE_LETTERS and (line.at_ms, line.words) == (50, "bad")
    assert archive.refused(database, "b") == []
    monkeypatch.setattr(archive, "MOST_REFUSED", 5)
    archive.store(database, "a", Cursor(8, 2, 9, 60), [Refused(60, str(number), "bad") for number in range(8)])
    archive.store(database, "a", Cursor(9, 2, 10, 70), [Refused(70, "last", "bad")])
    assert [one.line for one in archive.refused(database, "a")] == ["last", "7", "6", "5", "4"]
    assert archive.cursor(database, "a") == Cursor(9, 2, 10, 70)


def test_killed_while_the_cursor_is_stored_it_stands_where_it_stood(database: Database) -> None:
    archive.store(database, "a", Cursor(1, 1))
    for statement in range(20):
        if done_before(
            statement, database, lambda: archive.store(database, "a", Cursor(2, 2, 1, 5), [Refused(5, "l", "w")])
        ):
            break
        assert archive.cursor(database, "a") == Cursor(1, 1) and archive.refused(database, "a") == []
    assert statement >= 2 and archive.cursor(database, "a") == Cursor(2, 2, 1, 5)


def test_alarm_changes_come_with_their_alarm(database: Database, make: Any) -> None:
    make.farm(database, "north")
    commit(database, Batch(alarms=[make.alarm(1)], changes=[make.change(1, 1)]))
    site = make.alarm(2, fan=None, condition="site-silent", text="nothing is heard")
    commit(database, Batch(alarms=[site], changes=[make.change(number, 2) for number in (2, 3)]))
    first, second, third = archive.changes_after(database, 0, 10)
    assert (first.number, first.fan, first.condition, first.priority) == (1, "north", "overload", "high")
    assert (first.from_state, first.to_state, first.cause, first.at_ms) == (
        "NORMAL",
        "UNACKNOWLEDGED",
        "raised",
        make.ms,
    )
    assert (second.fan, second.supply, second.text) == (None, None, "nothing is heard")
    assert [one.number for one in archive.changes_after(database, 1, 1)] == [2]
    assert archive.changes_after(database, third.number, 10) == []
    assert archive.newest(database) == Cursor(0, 3)


def test_how_old_the_oldest_is_that_waits(database: Database, make: Any) -> None:
    assert archive.oldest_waiting_ms(database, 0) is None
    wanted = two_fans(database, make)
    assert archive.oldest_waiting_ms(database, 100) == wanted.t_ms[100]
    HourPacker(database).work(make.ms + 2 * HOUR_MS + READY_AFTER_MS, math.inf)
    assert archive.oldest_waiting_ms(database, 100) == make.ms // HOUR_MS * HOUR_MS
    assert archive.oldest_waiting_ms(database, len(wanted) - 1) == wanted.t_ms[-1]
    assert archive.oldest_waiting_ms(database, len(wanted)) is None
    assert archive.newest(database).reading == len(wanted)
