"""The oldest raw readings go, hour by hour, whosever they are; what is needed, or not copied yet, never does."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.blades.changed import WEEK_HOURS
from monitor.blades.learning import LOOK_MS
from monitor.records import readings, retention, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, space
from monitor.records.packing import HOUR_MS
from monitor.records.retention import Removal, kept_from_ms
from monitor.records.start import load
from monitor.service.gaps import KEPT_MS
from monitor.service.service_findings import GIVE_UP
from monitor.settings import LEAST_DAYS
from tests.records.killed import done_before

DAY_MS = 24 * HOUR_MS
ALWAYS = 1 << 50
"""A time that every reading lies before."""


@pytest.fixture(autouse=True)
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three hours are as much as is needed."""
    monkeypatch.setattr(retention, "LEAST_HOURS", 3)
    monkeypatch.setattr(retention, "HOURS_A_STEP", 2)


def put(database: Database, make: Any, point: int, first: int, hours: range) -> int:
    """Ten readings in each of some hours since the farm began, packed; the next number."""
    for hour in hours:
        rows = make.rows(point, first, 10, make.ms + hour * HOUR_MS)
        commit(database, Batch(hours=[rows]))
        first += 10
    return first


def hours_of(database: Database, make: Any, point: int) -> list[int]:
    t_ms = readings.window(database, point, 0, ALWAYS)["t_ms"]
    return np.unique((t_ms - make.ms) // HOUR_MS).tolist()


def test_what_judgements_read_is_less_than_what_is_always_kept() -> None:
    needed = [GIVE_UP.total_seconds() * 1000.0 + LOOK_MS, WEEK_HOURS * HOUR_MS, KEPT_MS, 4 * DAY_MS]
    assert max(needed) < LEAST_DAYS * DAY_MS


def test_by_time_and_never_the_newest_hours_of_a_point(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    north, south = points["north"], points["south"]
    after = put(database, make, south, 1, range(4))  # silent since
    put(database, make, north, after, range(20))
    removal = Removal(database, make.ms + 10 * HOUR_MS + 1, None)
    assert removal.work(make.ms, math.inf) is False
    assert hours_of(database, make, north) == list(range(10, 20))
    assert hours_of(database, make, south) == [1, 2, 3]
    assert (removal.passed.readings, removal.passed.hours, removal.passed.held_hours) == (110, 11, 0)
    assert kept_from_ms(database, north) == make.ms // HOUR_MS * HOUR_MS + 10 * HOUR_MS
    assert kept_from_ms(database, south) == make.ms // HOUR_MS * HOUR_MS + HOUR_MS
    Removal(database, ALWAYS, None).work(make.ms, math.inf)  # a clock far ahead
    assert hours_of(database, make, north) == [17, 18, 19]
    with database.read() as connection:
        removed = tables.readings_removed
        query = sa.select(removed.c.readings).order_by(removed.c.point_id)
        assert connection.execute(query).scalars().all() == [170, 10]


def test_oldest_first_of_all_points_and_a_stop_when_it_is_enough(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    after = put(database, make, points["north"], 1, range(2, 12))
    put(database, make, points["south"], after, range(12))
    left = itertools.chain([False, False, False], itertools.repeat(True))
    assert Removal(database, ALWAYS, None).work(make.ms, math.inf, lambda: next(left)) is False
    # south 0-1, then north 2-3 or south 2-3 and the other of them, then one more
    assert sum(len(hours_of(database, make, point)) for point in points.values()) == 22 - 8
    assert {min(hours_of(database, make, point)) for point in points.values()} == {4, 6}


def test_what_is_not_copied_stays_and_is_counted(database: Database, make: Any) -> None:
    north = make.farm(database, "north")["north"]
    after = put(database, make, north, 1, range(8))
    put(database, make, north, after, range(2, 3))  # late readings of an old hour: its greatest number is new
    removal = Removal(database, ALWAYS, 45)
    removal.work(make.ms, math.inf)
    assert hours_of(database, make, north) == [2, 4, 5, 6, 7]
    assert removal.passed.held_hours == 2  # the hour with late readings, and that of numbers 41 to 50
    again = Removal(database, ALWAYS, 10_000)
    again.work(make.ms, math.inf)
    assert 4 not in hours_of(database, make, north)


def test_no_number_is_given_out_twice(database: Database, make: Any) -> None:
    """An imported log has the newest numbers in the oldest hours."""
    north = make.farm(database, "north")["north"]
    after = put(database, make, north, 1, range(10, 20))
    following = put(database, make, north, after, range(2))
    assert load(database).next_reading == following
    Removal(database, ALWAYS, None).work(make.ms, math.inf)
    assert load(database).next_reading == following


def test_ended_at_any_statement_what_is_gone_is_remembered(database: Database, make: Any) -> None:
    north = make.farm(database, "north")["north"]
    put(database, make, north, 1, range(9))
    before = make.ms // HOUR_MS
    for statement in range(100):
        ended = done_before(statement, database, lambda: Removal(database, ALWAYS, None).work(make.ms, math.inf))
        kept_ms, oldest = kept_from_ms(database, north), min(hours_of(database, make, north))
        assert (0 if kept_ms is None else kept_ms // HOUR_MS - before) == oldest
        if ended:
            break
    assert statement > 5 and hours_of(database, make, north) == [6, 7, 8]


def test_all_else_stays(database: Database, make: Any, contents: Any) -> None:
    north = make.farm(database, "north")["north"]
    put(database, make, north, 1, range(9))
    commit(database, make.whole_batch(north, 1000))
    before = contents(database)
    Removal(database, ALWAYS, None).work(make.ms, math.inf)
    after = contents(database)
    for changed in ("reading_hours", "readings_removed"):
        assert before.pop(changed) != after.pop(changed)
    assert after == before
    assert before["alarms"] and before["runs"] and before["notices"] and before["readings"]


def test_the_file_stops_growing(database: Database, make: Any, tmp_path: Path) -> None:
    north = make.farm(database, "north")["north"]
    random = np.random.default_rng(7)

    def season(first: int) -> None:
        for hour in range(first, first + 40):
            rows = make.rows(north, 1 + 200 * hour, 200, make.ms + hour * HOUR_MS)
            rows.amps = random.uniform(9.0, 12.0, (200, 3))  # so that it packs badly
            commit(database, Batch(hours=[rows]))
        Removal(database, ALWAYS, None).work(make.ms, math.inf)
        with database.engine.connect() as connection:
            connection.connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)")

    sizes = []
    for turn in range(6):
        season(40 * turn)
        sizes.append((tmp_path / "monitor.db").stat().st_size)
    assert sizes[-1] <= 1.02 * sizes[1] < 1.2 * sizes[0]  # the second has three hours more to begin with
    taken = space(database)
    assert taken is not None and taken.used_bytes < 0.6 * sizes[0] < taken.reusable_bytes


def test_a_budget_ends_between_steps(database: Database, make: Any) -> None:
    north = make.farm(database, "north")["north"]
    put(database, make, north, 1, range(9))
    removal = Removal(database, ALWAYS, None, clock=iter(range(100)).__next__)
    left = []
    while removal.work(make.ms, 0.5):
        left.append(len(hours_of(database, make, north)))
    assert left == [9, 7, 5, 3]
