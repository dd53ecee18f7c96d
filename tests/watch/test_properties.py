"""What must hold for every stream, however it is cut, saved, mixed or made heavier."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.watch import advance as watch
from monitor.watch import kernel, layout
from monitor.watch.advance import advance, new_states, standing, state_bytes, state_from_bytes
from monitor.watch.columns import Readings
from monitor.watch.limits import resolve, stack
from tests.conftest import BALANCED, NAN, NO_VOLTS, Row, columns, nameplate
from tests.watch.invented import seeded, streams
from tests.watch.streams import Stream, by_kernel

MANY = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def cut(count: int, places: Sequence[float]) -> list[list[int]]:
    """Row numbers 0 to count, cut at the places (shares of the whole)."""
    edges = [0, *sorted(int(place * count) for place in places), count]
    return [list(range(start, stop)) for start, stop in pairwise(edges)]


@MANY
@given(streams(), st.lists(st.floats(0, 1), max_size=12), st.booleans())
def test_cuts_and_saves_change_nothing(stream: Stream, places: list[float], resume: bool) -> None:
    assert by_kernel(stream, cut(len(stream.rows), places), resume=resume) == by_kernel(stream)


@pytest.mark.parametrize("seed", range(3))
def test_one_reading_at_a_time_and_saved_after_each(seed: int) -> None:
    stream = seeded(seed, stretches=20)
    one_by_one = [[number] for number in range(len(stream.rows))]
    assert by_kernel(stream, one_by_one, resume=True) == by_kernel(stream)


@MANY
@given(streams(most_fans=4))
def test_mixing_fans_changes_nothing(stream: Stream) -> None:
    by_fan = sorted(
        range(len(stream.rows)), key=lambda number: stream.rows[number][0]
    )  # stable: each fan's order stays
    assert by_kernel(stream, [by_fan]) == by_kernel(stream)


@MANY
@given(streams(most_fans=2))
def test_a_row_that_is_not_newer_changes_nothing(stream: Stream) -> None:
    # Every row a second time right after itself, with other figures in it.
    doubled: list[Row] = []
    for row in stream.rows:
        doubled += [row, (*row[:2], (99.0, 99.0, 99.0), (1.0, 460.0, 900.0), row[4] ^ 3, 1.0)]
    once, twice = by_kernel(stream), by_kernel(Stream(doubled, stream.versions))
    assert twice.states == once.states
    assert twice.judged[::2] == once.judged
    assert {row[7] for row in twice.judged[1::2]} <= {layout.NOT_FED}
    assert [[change[1:] for change in changes] for changes in twice.changes.values()] == [
        [change[1:] for change in changes] for changes in once.changes.values()
    ]


def overloaded(stream: Stream) -> list[set[int]]:
    """After each row: the fans whose overload stands."""
    states, limits = new_states(stream.fans), stream.limits
    after = []
    for row in stream.rows:
        advance(states, columns([row]), limits)
        after.append({fan for fan in range(stream.fans) if "overload" in standing(states[fan])})
    return after


@settings(MANY, max_examples=25)
@given(streams(most_fans=1), st.floats(1.0, 1.6))
def test_more_amps_never_clear_an_overload_sooner(stream: Stream, factor: float) -> None:
    # One motor and no new limits: with those a heavier fan could be another fan altogether.
    rows = [replace_version(row) for row in stream.rows]
    heavier = [(*row[:2], tuple(factor * a for a in row[2]), *row[3:]) for row in rows]
    light, heavy = (overloaded(Stream(part, stream.versions)) for part in (rows, heavier))
    for number, (less, more) in enumerate(zip(light, heavy, strict=True)):
        assert less <= more, number


def replace_version(row: Row) -> Row:
    return (*row[:4], 0, row[5])


def restless(fans: int) -> Stream:
    """Every reading starts or ends a run and moves three conditions without delay."""
    quick: dict[str, dict[str, Any]] = {
        name: {"on_delay_seconds": 0, "off_delay_seconds": 0}
        for name in ("overload", "low-margin", "stopped", "voltage-unbalance", "voltage-unbalance-severe")
    }
    rows: list[Row] = []
    for minute in range(60):
        for fan in range(fans):
            rows.append((fan, 60_000.0 * minute, (50.0 * (minute % 4 > 0),) * 3, (500.0, 440.0, 440.0), 0))
    return Stream(rows, [(nameplate(period_seconds=60.0, conditions=quick), 0, 0)])


@pytest.mark.parametrize("room", [1, 2, 7, 100])
def test_no_room_for_changes_loses_none(room: int, monkeypatch: pytest.MonkeyPatch) -> None:
    stream = restless(fans=20)
    whole = by_kernel(stream)
    assert sum(len(changes) for changes in whole.changes.values()) > 20 * 60
    monkeypatch.setattr(watch, "_ROOM", room)
    assert by_kernel(stream) == whole


def test_the_greatest_number_of_changes_at_one_reading_fits() -> None:
    # A run with all that can stand together, then a reading of another motor that already runs and is over its limit.
    quick: dict[str, dict[str, Any]] = {
        name: {"on_delay_seconds": 0} for name in ("overload", "low-margin", "voltage-unbalance", "stopped")
    }
    plate = nameplate(conditions=quick)
    steady = [(0, 10_000.0 * n, (50.0,) * 3, (500.0, 440.0, 440.0), 0) for n in range(30)]
    stream = Stream([*steady, (0, 300_000.0, (50.0,) * 3, BALANCED, 1)], [(plate, 0, 0), (plate, 1, 1)])
    last = [change for change in by_kernel(stream).changes[0] if change[0] == 30]
    assert [change[2] for change in last] == ["run ended", "superseded", "superseded", "run started"]
    assert len(last) <= kernel.MOST_CHANGES_A_ROW


def test_compiled_once_only() -> None:
    # Columns as they come from pandas 3, from slices and from JSON: whatever their type, one compiled kernel.
    plates = stack([resolve(nameplate())])
    rows = 8
    base = np.arange(rows)
    locked = np.full((rows, 3), 38.0)
    locked.flags.writeable = False
    for fan in (
        base * 0,
        (base * 0).astype(np.int64)[::-1],
        (base * 0).astype(np.int8),
        np.zeros(2 * rows, np.int32)[::2],
    ):
        for times in (base * 10_000, (base * 10_000).astype(np.float32), np.repeat(base * 10_000.0, 2)[::2]):
            for amps in (
                locked,
                np.full((rows, 3), 38),
                np.full((rows, 3), 38.0, np.float32),
                np.full((3, rows), 38.0).T,
            ):
                _, judged = advance(new_states(1), Readings(fan, times, amps, locked * 12, fan, fan * np.nan), plates)
                assert judged.ratio.tolist() == [38.0 / 40.0] * rows
    assert len(kernel.pass_over.signatures) == 1  # type: ignore[attr-defined]


def test_the_caller_s_columns_are_not_changed() -> None:
    stream = seeded(1, stretches=5)
    readings = columns(stream.rows)
    whole = (readings.fan, readings.t_ms, readings.amps, readings.volts, readings.limits, readings.called)
    before = [column.copy() for column in whole]
    limits = stream.limits
    kept = limits.copy()
    advance(new_states(1), readings, limits)
    for old, new in zip(before, whole, strict=True):
        np.testing.assert_array_equal(old, new)
    np.testing.assert_array_equal(kept, limits)


def test_an_empty_batch_says_nothing() -> None:
    changes, judged = advance(new_states(2), columns([]), stack([resolve(nameplate())]))
    assert changes == []
    assert len(judged.ratio) == len(judged.flags) == 0


@pytest.mark.parametrize("row", [(2, 0.0, BALANCED, BALANCED, 0), (-1, 0.0, BALANCED, BALANCED, 0),
                                 (0, 0.0, BALANCED, BALANCED, 1), (0, 0.0, BALANCED, BALANCED, -1)])  # fmt: skip
def test_a_row_of_no_fan_or_no_limits_is_a_fault_of_the_caller(row: Row) -> None:
    states = new_states(2)
    with pytest.raises(IndexError, match="not there"):
        advance(states, columns([(0, 0.0, (38.0,) * 3, BALANCED, 0), row]), stack([resolve(nameplate())]))
    assert np.isnan(states).all()  # nothing was done by halves


def test_columns_of_unequal_length_are_refused() -> None:
    with pytest.raises(ValueError, match="shape"):
        Readings(
            np.zeros(2, np.int32), np.zeros(3), np.zeros((3, 3)), np.zeros((3, 3)), np.zeros(3, np.int32), np.zeros(3)
        )  # fmt: skip


def test_a_state_of_another_form_is_not_misread() -> None:
    saved = state_bytes(new_states(1)[0])
    assert state_from_bytes(saved, layout.STATE_FORMAT) is not None
    assert state_from_bytes(saved, layout.STATE_FORMAT + 1) is None
    assert state_from_bytes(saved[:-8], layout.STATE_FORMAT) is None
    assert state_from_bytes(b"", layout.STATE_FORMAT) is None


def test_the_derating_factor_is_held_for_a_day_and_no_longer() -> None:
    day = 86_400_000.0
    rows: list[Row] = [(0, 0.0, (30.0,) * 3, (474.0, 453.0, 453.0), 0)]  # 3 %: 0.88 of 40 A
    rows += [(0, t, (30.0,) * 3, NO_VOLTS, 0) for t in (10_000.0, 30_000.0, 30_001.0, day, day + 1)]
    outcome = advance(new_states(1), columns(rows), stack([resolve(nameplate())]))[1]
    assert outcome.limit[:5] == pytest.approx([40 * derated(100 * 14 / 460)] * 5)
    assert outcome.limit[5] == 40.0
    old, unknown = layout.UNBALANCE_OLD, layout.UNBALANCE_UNKNOWN
    assert [int(flag) & (old | unknown) for flag in outcome.flags] == [0, 0, 0, old, old, unknown]


def derated(unbalance: float) -> float:
    """NEMA's curve between 3 and 4 %."""
    return 0.88 - 0.06 * (unbalance - 3.0)


def test_a_leg_without_a_reading_leaves_the_highest_of_the_rest() -> None:
    rows: list[Row] = [
        (0, 1e4 * n, amps, NO_VOLTS, 0) for n, amps in enumerate([(NAN, 31.0, 33.0), (30.0, NAN, NAN), (NAN,) * 3])
    ]
    _, judged = advance(new_states(1), columns(rows), stack([resolve(nameplate())]))
    assert judged.highest[:2].tolist() == [33.0, 30.0]
    assert math.isnan(judged.highest[2])
    assert [int(flag) & layout.IS_RUNNING for flag in judged.flags] == [1, 1, 0]


def test_a_run_in_the_state() -> None:
    # What pages and the worker read there: since when it runs, when it last stopped, what was not seen.
    legs = [0.0, 0.0, 30.0, 41.0, 39.0, 0.0, 0.0, 30.0]
    states, limits, seen = new_states(1), stack([resolve(nameplate())]), []
    for number, amps in enumerate(legs):
        advance(states, columns([(0, 10_000.0 * number, (amps,) * 3, NO_VOLTS, 0)]), limits)
        state = states[0]
        seen.append([state[at] for at in (layout.RUNNING, layout.RUN_START_MS, layout.RUN_LAST_MS, layout.RUN_ENDED_MS,
                                          layout.RUN_PEAK_AMPS)])  # fmt: skip
    np.testing.assert_array_equal(seen, [
        [0, NAN, NAN, NAN, NAN],
        [0, NAN, NAN, NAN, NAN],
        [1, 20_000, 20_000, NAN, NAN],
        [1, 20_000, 30_000, NAN, 41],
        [1, 20_000, 40_000, NAN, 41],
        [0, 20_000, 40_000, 50_000, 41],
        [0, 20_000, 40_000, 50_000, 41],
        [1, 70_000, 70_000, NAN, NAN],
    ])  # fmt: skip
