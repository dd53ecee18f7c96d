"""Readings are found wherever they lie: in order of arrival or packed by the hour."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa
from hypothesis import given
from hypothesis import strategies as st

from monitor.records import readings, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import HourPacker
from monitor.records.packing import HOUR_MS
from tests.records.conftest import counted

LONG_AFTER = 1000 * HOUR_MS


def pack_all(database: Database, now_ms: int) -> None:
    assert HourPacker(database).work(now_ms, math.inf) is False


def same(a: dict[str, Any], b: dict[str, Any]) -> bool:
    return a.keys() == b.keys() and all(a[name].tobytes() == b[name].tobytes() for name in a)


def test_packing_changes_nothing_that_a_reader_sees(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    north = make.rows(points["north"], 1, 1000, volts=np.full((1000, 3), math.nan))
    south = make.rows(points["south"], 1001, 700, make.ms + 5, 7_000)
    commit(database, Batch(readings=north))
    commit(database, Batch(readings=south))
    spans = [
        (make.ms - 1, make.ms + LONG_AFTER),
        (make.ms, make.ms + HOUR_MS),
        (make.ms + 123_456, make.ms + 2 * HOUR_MS + 1),
    ]
    before = [readings.window(database, point, *span) for point in points.values() for span in spans]
    assert counted(database) == (1700, 0)
    pack_all(database, make.ms + LONG_AFTER)
    assert counted(database) == (0, 1700)
    after = [readings.window(database, point, *span) for point in points.values() for span in spans]
    assert all(same(a, b) for a, b in zip(before, after, strict=True))
    assert same(before[0], north.columns())


def test_a_window_is_open_on_the_left_and_closed_on_the_right(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(readings=make.rows(point, 1, 720)))
    for _ in range(2):
        found = readings.window(database, point, make.ms, make.ms + 20_000)
        assert found["t_ms"].tolist() == [make.ms + 10_000, make.ms + 20_000]
        edge = make.ms + HOUR_MS  # the borders of a packed hour
        assert readings.window(database, point, edge - 10_000, edge)["t_ms"].tolist() == [edge]
        assert readings.window(database, point, edge, edge)["t_ms"].tolist() == []
        pack_all(database, make.ms + LONG_AFTER)


def test_a_late_reading_of_a_packed_hour_is_known_and_merged(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    late = np.arange(720) % 7 == 3
    commit(database, Batch(readings=rows.take(~late)))
    pack_all(database, make.ms + LONG_AFTER)
    assert readings.known(database, point, rows.t_ms).tolist() == (~late).tolist()
    kept = rows.take(late)
    kept.number = 1000 + np.arange(len(kept))
    kept.flags[:] = tables.FLAG_LATE
    commit(database, Batch(readings=kept))
    found = []
    for _ in range(2):
        assert readings.known(database, point, np.append(rows.t_ms, make.ms + 1)).tolist() == [True] * 720 + [False]
        found.append(readings.window(database, point, make.ms - 1, make.ms + LONG_AFTER))
        pack_all(database, make.ms + LONG_AFTER)
    assert counted(database) == (0, 720)
    assert same(*found)
    assert found[1]["t_ms"].tolist() == rows.t_ms.tolist()
    assert found[1]["amps"].tobytes() == rows.amps.tobytes()
    assert (found[1]["flags"] == late).all()
    with database.read() as connection:
        fed = readings.fed_after(connection, {point: 0})[point]
        hours = connection.execute(sa.select(tables.reading_hours)).mappings().all()
    assert fed.number.tolist() == [number for number in rows.number.tolist() if not late[number - 1]]
    assert [(row["first_number"], row["last_number"]) for row in hours] == [(1, 1050), (362, 1102)]


def test_known_of_nothing_and_of_a_point_without_readings(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    assert readings.known(database, point, np.empty(0)).tolist() == []
    assert readings.known(database, point, np.array([1.0, 2.0])).tolist() == [False, False]


def test_readings_after_a_number_come_in_the_order_fed(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    for first in range(1, 1001, 100):
        point = points["north" if first % 200 == 1 else "south"]
        commit(database, Batch(readings=make.rows(point, first, 100, make.ms + 10_000 * first)))
    for packed in (False, True):
        if packed:
            pack_all(database, make.ms + LONG_AFTER)
        with database.read() as connection:
            found = readings.fed_after(connection, {points["north"]: 450, points["south"]: 0})
            assert found[points["north"]].number.tolist() == [*range(451, 501), *range(601, 701), *range(801, 901)]
            assert found[points["south"]].number.tolist() == [n for n in range(1, 1001) if (n - 1) // 100 % 2]
            assert readings.fed_after(connection, {points["south"]: 1000}) == {}
            assert readings.fed_after(connection, {}) == {}


def test_the_last_while_of_each_point(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    commit(database, Batch(readings=make.rows(points["north"], 1, 720)))
    commit(database, Batch(readings=make.rows(points["south"], 721, 100, make.ms - HOUR_MS)))
    newest = {points["north"]: make.ms + 7_190_000, points["south"]: make.ms - HOUR_MS + 990_000}
    for _ in range(2):
        with database.read() as connection:
            found = readings.newest_of(connection, newest, 60_000)
            assert {point: part.t_ms.tolist() for point, part in found.items()} == {
                point: [last - 10_000 * back for back in range(5, -1, -1)] for point, last in newest.items()
            }
            assert readings.newest_of(connection, {}, 60_000) == {}
        pack_all(database, make.ms + LONG_AFTER)


def test_the_reading_at_or_before_a_time(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    commit(database, Batch(readings=rows))
    for _ in range(2):
        for t_ms, row in (
            (make.ms, 0),
            (make.ms + 9_999, 0),
            (make.ms + HOUR_MS - 1, 359),
            (make.ms + LONG_AFTER, 719),
        ):
            assert readings.at_or_before(database, point, t_ms) == (rows.t_ms[row], tuple(rows.volts[row]), 3.5)
        assert readings.at_or_before(database, point, make.ms - 1) is None
        pack_all(database, make.ms + LONG_AFTER)
    # One reading late in an hour: what lies before it is in the hour before.
    commit(database, Batch(readings=make.rows(point, 1000, 1, make.ms + 3 * HOUR_MS - 1)))
    pack_all(database, make.ms + LONG_AFTER)
    found = readings.at_or_before(database, point, make.ms + 3 * HOUR_MS - 2)
    assert found is not None
    assert found[0] == rows.t_ms[-1]


# --- thinning --------------------------------------------------------------------------------------------------


def plain_thin(
    columns: dict[str, Any], every_ms: int, name: str, leg: int | None
) -> list[tuple[int, int, float, float, float]]:
    """The same, one reading after the other."""
    slots: dict[int, list[float]] = {}
    for row, t_ms in enumerate(columns["t_ms"].tolist()):
        value = columns[name][row] if leg is None else columns[name][row, leg]
        slots.setdefault(math.ceil(t_ms / every_ms) * every_ms, []).append(float(value))
    found = []
    for end, values in sorted(slots.items()):
        there = [value for value in values if not math.isnan(value)]
        least, most = (min(there), max(there)) if there else (math.nan, math.nan)
        found.append((end, len(values), least, sum(there) / len(there) if there else math.nan, most))
    return found


@given(
    st.lists(
        st.tuples(st.integers(0, 200_000), st.one_of(st.just(math.nan), st.integers(0, 500).map(float))), max_size=60
    ),
    st.sampled_from([0.5, 1, 10, 60, 3600]),
)
def test_thinned_columns_hold_least_mean_and_greatest(given_rows: list[tuple[int, float]], every: float) -> None:
    given_rows.sort(key=lambda row: row[0])
    n = len(given_rows)
    values = np.array([value for _, value in given_rows])
    legs = np.column_stack([values, values + 1, np.full(n, math.nan)])
    columns = {
        "t_ms": np.array([t for t, _ in given_rows], np.int64), "amps": legs, "volts": legs + 400,
        "ambient_c": values - 300, "limit_amps": np.full(n, 14.26),
    }  # fmt: skip
    thinned = readings.thin(columns, every)
    for name, leg in (("amps", 0), ("amps", 1), ("amps", 2), ("volts", 1), ("ambient_c", None), ("limit_amps", None)):
        expected = plain_thin(columns, round(1000 * every), name, leg)
        assert thinned["t_ms"].tolist() == [row[0] for row in expected]
        assert thinned["rows"].tolist() == [row[1] for row in expected]
        for place, what in enumerate(("min", "mean", "max"), start=2):
            found = thinned[f"{name}_{what}"] if leg is None else thinned[f"{name}_{what}"][:, leg]
            assert found == pytest.approx([row[place] for row in expected], nan_ok=True, rel=1e-12)


def test_a_reading_on_the_border_belongs_to_the_slot_that_ends_there(make: Any) -> None:
    thinned = readings.thin(make.rows(1, 1, 13, t_ms=0).columns(), 60)
    assert thinned["t_ms"].tolist() == [0, 60_000, 120_000]
    assert thinned["rows"].tolist() == [1, 6, 6]


@pytest.mark.parametrize("every", [0, -1, 0.0001])
def test_slots_of_no_length_are_refused(every: float, make: Any) -> None:
    with pytest.raises(ValueError, match="slot above 0 s"):
        readings.thin(make.rows(1, 1, 3).columns(), every)
