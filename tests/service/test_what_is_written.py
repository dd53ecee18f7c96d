"""What is not written with every commit: loggers' counts, estimates, the watch's state. A kill loses none of it."""

from __future__ import annotations

import math
from typing import Any

import pytest
import sqlalchemy as sa

from monitor.records import look_loggers, tables
from monitor.records.scope import ALL
from monitor.records.start import COUNTED, load
from monitor.service.estimates import alike


@pytest.fixture
def farm(bench: Any, fed_by_panel: str) -> Any:
    bench.register("north", fed_by_panel)
    bench.begin().round()
    return bench


def counts(farm: Any, name: str) -> tuple[int, int, int]:
    """What the row of a logger itself says: readings, newest [s after the first], heard."""
    row = next(row for row in farm.rows(tables.loggers) if row["point_id"] == farm.point_id(name))
    return row["readings"], row["newest_ms"], row["heard_ms"]


def page(farm: Any, name: str) -> tuple[int, int, int]:
    (item,) = (item for item in look_loggers.loggers(farm.database, ALL)["items"] if item["name"] == name)
    return item["readings"], *(int(item[time].timestamp() * 1000.0) for time in ("last_reading", "heard"))


def commits(farm: Any, table: str) -> list[int]:
    """Counts, from now on, how often a table is written."""
    written = [0]

    def look(connection: Any, cursor: Any, statement: str, *_: object) -> None:
        written[0] += statement.startswith(f"INSERT INTO {table} ")

    sa.event.listen(farm.database.engine, "before_cursor_execute", look)
    return written


def both(farm: Any, first: int, last: int, amps: float = 9.0) -> None:
    for at in range(first, last + 1, 10):
        farm.put("panel", {"t": farm.reading(at)["t"], "volts": [460.0, 461.0, 459.0]})
        farm.send("north", at, at, amps=amps)


def test_counts_are_written_each_minute_and_the_page_has_them_at_once(farm: Any) -> None:
    both(farm, 0, 100)
    written = commits(farm, "loggers")
    both(farm, 110, 470)
    assert 5 <= written[0] <= 7
    for name in ("north", "panel"):
        readings, newest_ms, heard_ms = page(farm, name)
        assert readings == 48 and newest_ms == farm.reading(470)["t"] * 1000.0
        assert 0 <= farm.wall.timestamp() * 1000.0 - heard_ms <= 10_000
        assert counts(farm, name)[0] < 48


def test_a_kill_between_loses_no_count_and_no_newest_time(farm: Any) -> None:
    both(farm, 0, 470)
    begun = load(farm.database)
    for name in ("north", "panel"):
        point = farm.point_id(name)
        assert begun.uncounted[point] == 48 - counts(farm, name)[0] > 0
        assert begun.newest_ms[point] == farm.reading(470)["t"] * 1000.0
        assert begun.heard_ms[point] == page(farm, name)[2]
    farm.begin()  # the one before was killed
    farm.put("north", farm.reading(470))  # comes again
    both(farm, 480, 600)
    farm.worker.stop()
    for name in ("north", "panel"):
        assert counts(farm, name)[:2] == page(farm, name)[:2] == (61, farm.reading(600)["t"] * 1000.0)
    assert farm.logger("north")["repeats"] == 1
    assert load(farm.database).uncounted == {}
    assert not load(farm.database).unfed


def test_a_database_without_the_cursor_has_counted_all(farm: Any) -> None:
    both(farm, 0, 100)
    farm.worker.stop()
    with farm.database.begin() as connection:
        connection.execute(sa.delete(tables.cursors).where(tables.cursors.c.name == COUNTED))
    assert load(farm.database).uncounted == {}
    assert page(farm, "north") == counts(farm, "north")


def test_late_readings_and_a_loggers_own_word_do_not_wait_for_the_minute(farm: Any) -> None:
    both(farm, 0, 100)
    farm.send("north", 125, 125)
    farm.put("north", farm.reading(115))
    farm.pass_time(2.0, 0.5)
    assert counts(farm, "north")[0] == 13 and farm.logger("north")["late"] == 1
    farm.put("north", b"online", kind="status")
    farm.pass_time(2.0, 0.5)
    assert farm.logger("north")["status"] == "online"


def test_an_estimate_that_says_the_same_is_written_each_half_hour(farm: Any) -> None:
    both(farm, 0, 1_900)  # by now its half hour is full
    written = commits(farm, "estimates")
    both(farm, 1_910, 4_900)  # ten turns
    assert 1 <= written[0] <= 2


def test_an_estimate_that_says_something_new_is_written_at_its_next_turn(farm: Any) -> None:
    both(farm, 0, 900)
    written = commits(farm, "estimates")
    both(farm, 910, 2_100, amps=9.6)
    assert 1 <= written[0] <= 4
    (row,) = farm.rows(tables.estimates)
    assert row["at_ms"] > farm.reading(1_200)["t"] * 1000.0


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (1.0, 1.015, True),
        (1.0, 1.05, False),
        (0.96, 0.97, True),
        (True, False, False),
        (True, 1, False),
        (None, 0.0, False),
        ("12.4 A of 14 A", "12.5 A of 14 A", True),
        ("12.4 A of 14 A", "13.4 A of 14 A", False),
        ("12.4 A of 14 A", "12.4 A over 14 A", False),
        ({"a": [1, {"b": "x"}]}, {"a": [1, {"b": "x"}]}, True),
        ({"a": [1, {"b": "x"}]}, {"a": [1, {"b": "y"}]}, False),
        ({"a": 1}, {"b": 1}, False),
        ([1, 2], [1], False),
        (math.inf, math.inf, True),
    ],
)
def test_figures_may_tremble_and_words_may_not(one: object, other: object, same: bool) -> None:
    assert alike(one, other) is same
    assert alike(other, one) is same
