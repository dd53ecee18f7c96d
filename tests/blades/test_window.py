"""The half-hour window: the sums of half minutes say what the single readings say, however they were cut."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.blades.window import LEAST_OVERLOAD_SECONDS, LOW_CONFIDENCE, RING, SLOT_MS, Slots, WindowFigures
from monitor.motor.unbalance import unbalance_of

START = 1_790_000_000_000.0 - 1_790_000_000_000.0 % SLOT_MS
PERIODS = st.sampled_from([1.0, 5.0, 7.0, 10.0, 30.0, 60.0])


def columns(seconds: Any, legs: Any, volts: Any = (460.0, 458.0, 455.0), air: Any = 5.0, fan: int = 0) -> list[Any]:
    """Columns as `add` takes them: times in seconds after START, one row of legs and volts for all or for each."""
    t = START + 1000.0 * np.asarray(seconds, float)
    n = len(t)
    return [
        np.full(n, fan, np.int32), t, np.broadcast_to(np.asarray(legs, float), (n, 3)).copy(),
        np.broadcast_to(np.asarray(volts, float), (n, 3)).copy(), np.broadcast_to(np.asarray(air, float), (n,)).copy(),
        np.ones(n, bool),
    ]  # fmt: skip


def window(rows: list[Any], since: float | None = None, now: float | None = None) -> WindowFigures | None:
    """The figures of fan 0 after these columns; `since` and `now` in seconds after START."""
    slots = Slots(1)
    slots.add(*rows)
    at = rows[1][-1] if now is None else START + 1000.0 * now
    return slots.figures(0, at, None if since is None else START + 1000.0 * since)


def told(rows: list[Any], **more: Any) -> WindowFigures:
    figures = window(rows, **more)
    assert figures is not None
    return figures


@settings(max_examples=60)
@given(PERIODS, st.integers(0, 10_000), st.floats(-0.02, 0.02), st.floats(0.0, 0.03))
def test_sums_say_what_the_single_readings_say(period: float, seed: int, slope: float, noise: float) -> None:
    """Against numpy on the rows themselves: means, line, end value, spread."""
    random = np.random.default_rng(seed)
    seconds = np.arange(0.0, 1800.0, period)
    base = 15.0 * (1.0 + slope * seconds / 1800.0) + 15.0 * noise * random.normal(size=len(seconds))
    legs = np.column_stack([base, base - random.uniform(0.0, 1.0), base - random.uniform(0.0, 1.0)])
    figures = told(columns(seconds, legs))
    highest = legs.max(axis=1)
    steepness, _ = np.polyfit(seconds - seconds.mean(), highest, 1)
    residual = highest - highest.mean() - steepness * (seconds - seconds.mean())
    spread = math.sqrt((residual**2).sum() / (len(seconds) - 2))
    assert figures.spread == pytest.approx(spread, rel=1e-6, abs=1e-6)
    span = seconds[-1] - seconds[0]
    rise = steepness * span
    error = spread / math.sqrt(((seconds - seconds.mean()) ** 2).sum()) * span
    if abs(rise - 0.01 * highest.mean()) > 1e-6 and abs(rise - 2.0 * error) > 1e-6:
        rising = bool(rise > 0.01 * highest.mean() and rise > 2.0 * error)
        assert (figures.rising_percent_an_hour is not None) is rising
        end = highest.mean() + (steepness * (seconds[-1] - seconds.mean()) if rising else 0.0)
        assert figures.highest == pytest.approx(end, rel=1e-9)
        # The spread of the legs is that of the window, at whatever moment the highest leg is told.
        assert figures.highest - figures.mean == pytest.approx(highest.mean() - legs.mean(), abs=1e-9)
    assert figures.legs == pytest.approx(tuple(legs.mean(axis=0)))
    assert figures.readings == len(seconds)
    assert figures.seconds == pytest.approx(period * len(seconds))


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.lists(st.integers(0, 400), max_size=8), PERIODS)
def test_any_cut_into_batches_gives_the_same_bits(seed: int, cuts: list[int], period: float) -> None:
    random = np.random.default_rng(seed)
    n = 400
    fans = random.integers(0, 3, n).astype(np.int32)
    t = START + np.sort(random.uniform(0.0, 1000.0 * period * n, n))
    legs = np.where(random.random((n, 3)) < 0.1, math.nan, random.uniform(5.0, 20.0, (n, 3)))
    volts = np.where(random.random((n, 3)) < 0.2, math.nan, random.uniform(440.0, 480.0, (n, 3)))
    air = np.where(random.random(n) < 0.5, math.nan, random.uniform(-10.0, 20.0, n))
    settled = random.random(n) < 0.9
    rows = [fans, t, legs, volts, air, settled]
    at_once, cut = Slots(3), Slots(1)
    cut.grow(3)
    at_once.add(*rows)
    places = [0, *sorted(cuts), n]
    for start, stop in itertools.pairwise(places):
        cut.add(*(column[start:stop] for column in rows))
    for fan in range(3):
        assert at_once.figures(fan, t[-1]) == cut.figures(fan, t[-1])


def test_a_whole_season_at_once_leaves_its_last_half_hour() -> None:
    seconds = np.arange(0.0, 86_400.0, 10.0)
    legs = np.where(seconds[:, None] < 84_600.0, [20.0, 20.0, 20.0], [12.0, 11.0, 10.0])
    figures = told(columns(seconds, legs))
    assert figures.highest == pytest.approx(12.0)
    assert figures.readings == 180


def test_only_settled_rows_count() -> None:
    rows = columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0))
    rows[2][:30] = 60.0
    rows[5][:30] = False
    figures = told(rows)
    assert (figures.highest, figures.mean, figures.readings) == (15.0, 14.0, 150)
    rows[5][:] = False
    assert window(rows) is None


def test_what_is_missing_is_none() -> None:
    nan = math.nan
    figures = told(columns(np.arange(0.0, 1800.0, 10.0), (15.0, nan, 13.0), (460.0, nan, nan), nan))
    assert (figures.highest, figures.mean) == (15.0, 14.0)  # of the rest
    assert figures.legs == (15.0, None, 13.0)
    assert figures.volts == (460.0, None, None)
    assert (figures.unbalance, figures.mean_volts, figures.ambient_c) == (None, 460.0, None)
    single = told(columns(np.arange(0.0, 1800.0, 10.0), (54.6, nan, nan), (219.6, nan, nan), 3.0))
    assert (single.highest, single.mean, single.unbalance, single.mean_volts) == pytest.approx(
        (54.6, 54.6, None, 219.6)
    )
    none = told(columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0), (nan, nan, nan)))
    assert none.mean_volts is None


def test_a_row_without_any_leg_is_left_out() -> None:
    rows = columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0))
    rows[2][::2] = math.nan
    figures = told(rows)
    assert figures.readings == 90
    assert figures.highest == 15.0


def test_unbalance_is_that_of_the_mean_voltages() -> None:
    random = np.random.default_rng(7)
    volts = np.array([460.0, 450.0, 445.0]) + random.normal(0.0, 5.0, (180, 3))
    figures = told(columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0), volts))
    means = volts.mean(axis=0)
    assert figures.unbalance == pytest.approx(unbalance_of(*(float(mean) for mean in means)))
    assert figures.mean_volts == pytest.approx(means.mean())


@pytest.mark.parametrize("period", [1.0, 10.0, 60.0])
def test_under_three_minutes_degrees_follow(period: float) -> None:
    assert window(columns(np.arange(0.0, 180.0 - period, period), (15.0, 14.0, 13.0))) is None
    figures = told(columns(np.arange(0.0, 180.0 + period / 2, period), (15.0, 14.0, 13.0)))
    assert figures.words == (LOW_CONFIDENCE,)
    assert 180.0 <= figures.seconds <= 180.0 + period


def test_an_overload_is_told_with_degrees_when_it_is_raised() -> None:
    """Raised at the reading 2 min after its onset; the part of a half minute before the next full one is left out."""
    rows = columns(np.arange(0.0, 121.0, 10.0), (15.0, 14.0, 13.0))
    slots = Slots(1)
    slots.add(*rows)
    for onset in (0.0, 7.0, 29.0):
        assert slots.figures(0, START + 120_000.0, START + 1000.0 * onset) is None
        figures = slots.figures(0, START + 120_000.0, START + 1000.0 * onset, LEAST_OVERLOAD_SECONDS)
        assert figures is not None and LOW_CONFIDENCE in figures.words
    assert slots.figures(0, START + 59_000.0, START, LEAST_OVERLOAD_SECONDS) is None


def test_a_short_run_is_said_to_be_of_low_confidence() -> None:
    assert LOW_CONFIDENCE in told(columns(np.arange(0.0, 1700.0, 10.0), (15.0, 14.0, 13.0))).words
    assert told(columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0))).words == ()


def test_onset_of_an_overload_starts_the_window() -> None:
    seconds = np.arange(0.0, 1800.0, 10.0)
    legs = np.where(seconds[:, None] < 1200.0, [12.0, 12.0, 12.0], [18.0, 16.0, 14.0])
    figures = told(columns(seconds, legs), since=1200.0)
    assert (figures.highest, figures.mean, figures.seconds) == pytest.approx((18.0, 16.0, 600.0))
    # Whole slots after the onset count: one that began before it would mix in what was before.
    legs = np.where(seconds[:, None] < 1220.0, [12.0, 12.0, 12.0], [18.0, 16.0, 14.0])
    late = told(columns(seconds, legs), since=1220.0)
    assert (late.highest, late.seconds) == pytest.approx((18.0, 570.0))
    assert window(columns(seconds, legs), since=1680.0) is None


def test_what_still_rises_is_told_at_its_end() -> None:
    seconds = np.arange(0.0, 1800.0, 10.0)
    legs = 15.0 + seconds[:, None] * [0.0004, 0.0004, 0.0004] - [0.0, 0.5, 1.0]
    figures = told(columns(seconds, legs))
    assert figures.highest == pytest.approx(15.0 + 0.0004 * 1790.0)
    assert figures.mean == pytest.approx(figures.highest - 0.5)
    assert figures.rising_percent_an_hour == pytest.approx(100.0 * 0.0004 * 3600.0 / (15.0 + 0.0004 * 895.0))
    assert figures.words == (f"the amps are still rising, {figures.rising_percent_an_hour:.1f} % an hour",)
    falling = told(columns(seconds, legs[::-1]))
    assert falling.highest == pytest.approx(15.0 + 0.0004 * 895.0)
    assert falling.rising_percent_an_hour is None
    for percent, is_told in ((0.97, False), (1.03, True)):  # of the mean, from the first reading to the last
        line = 15.0 + 15.0 * percent / 100.0 * (seconds / 1790.0 - 0.5)
        slow = told(columns(seconds, np.column_stack([line, line, line])))
        assert (slow.rising_percent_an_hour is not None) is is_told


def test_noise_of_a_short_run_is_not_called_a_rise() -> None:
    """Twenty noisy readings show a rise over 1 % one time in three by chance; it must stand out from its own error,
    too."""
    random = np.random.default_rng(11)
    said = sum(
        told(columns(np.arange(0.0, 200.0, 10.0), np.repeat(random.normal(15.0, 0.3, (20, 1)), 3, axis=1)))
        .rising_percent_an_hour is not None
        for _ in range(300)
    )  # fmt: skip
    assert said / 300 < 0.06


@pytest.mark.parametrize("start", [0.0, 7.0, 29.0])
def test_covered_time_does_not_depend_on_where_a_run_begins_in_its_slot(start: float) -> None:
    figures = told(columns(start + np.arange(0.0, 600.0, 10.0), (15.0, 14.0, 13.0)))
    assert figures.seconds == pytest.approx(600.0)


def test_a_stop_within_the_window_is_not_covered() -> None:
    seconds = np.concatenate([np.arange(0.0, 600.0, 10.0), np.arange(1200.0, 1800.0, 10.0)])
    figures = told(columns(seconds, (15.0, 14.0, 13.0)))
    assert 1180.0 <= figures.seconds <= 1400.0
    assert LOW_CONFIDENCE in figures.words


def test_rows_older_than_the_ring_are_left_out() -> None:
    slots = Slots(1)
    slots.add(*columns(np.arange(3600.0, 5400.0, 10.0), (15.0, 14.0, 13.0)))
    before = slots.figures(0, START + 5_390_000.0)
    slots.add(*columns(np.arange(0.0, 1800.0, 10.0), (99.0, 99.0, 99.0)))
    assert slots.figures(0, START + 5_390_000.0) == before


def test_what_lies_after_now_is_left_out() -> None:
    rows = columns(np.arange(0.0, 1800.0, 10.0), np.linspace([10.0] * 3, [20.0] * 3, 180))
    assert told(rows, now=890.0).readings == 90


def test_fans_are_kept_apart_and_can_be_forgotten() -> None:
    slots = Slots(2)
    slots.add(*columns(np.arange(0.0, 1800.0, 10.0), (15.0, 14.0, 13.0), fan=0))
    slots.add(*columns(np.arange(0.0, 1800.0, 10.0), (25.0, 24.0, 23.0), fan=1))
    now = START + 1_790_000.0
    first, second = slots.figures(0, now), slots.figures(1, now)
    assert first is not None and second is not None
    assert (first.highest, second.highest) == (15.0, 25.0)
    slots.forget(0)
    assert slots.figures(0, now) is None
    assert slots.figures(1, now) == second
    slots.grow(5)
    assert (slots.fans, slots.figures(1, now), slots.figures(4, now)) == (5, second, None)
    slots.grow(3)
    assert slots.fans == 5


def test_a_ring_holds_more_than_its_window() -> None:
    assert RING > 60
    slots = Slots(1)
    slots.add(*columns(np.arange(0.0, 7200.0, 1.0), (15.0, 14.0, 13.0)))
    figures = slots.figures(0, START + 7_199_000.0)
    assert figures is not None
    assert figures.readings == 1800
