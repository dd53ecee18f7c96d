"""Plots: no spike is lost, clocks may change, gaps stay gaps, both bounds of cooling, small and the same each time."""

from __future__ import annotations

import math
import re
import sys
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import ConfigError
from monitor.review.engine import review
from monitor.review.findings import Span
from monitor.review.report import compose, heat
from monitor.review.report.compose import close_up
from monitor.review.report.plots import bars, canvas, clock, decimate, series
from monitor.review.report.plots.canvas import NARROW, WIDE
from tests.review.logs import plate, told
from tests.review.report import examples

UTC_ZONE = ZoneInfo("UTC")


def at(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp() * 1000.0


def whole(found: object) -> Span:
    t = found.log.t_ms  # type: ignore[attr-defined]
    return Span(float(t[0]), float(t[-1]))


# --- fewer points --------------------------------------------------------------------------------------------------


@given(st.integers(1, 5000), st.integers(1, 300), st.integers(0, 2**32 - 1))
def test_the_least_and_the_greatest_stay(rows: int, columns: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    t, y = np.sort(rng.uniform(0.0, 1e6, rows)), rng.standard_normal(rows)
    y[rng.random(rows) < 0.1] = np.nan
    few_t, few_y = decimate.line(t, y, columns)
    assert len(few_t) == len(few_y) <= max(2 * columns, min(rows, 4 * columns))
    assert bool((np.diff(few_t) >= 0).all())
    if not np.isnan(y).all():
        assert np.nanmin(few_y) == np.nanmin(y) and np.nanmax(few_y) == np.nanmax(y)


def test_each_spike_stays_in_its_column() -> None:
    t, y = np.arange(100_000.0), np.zeros(100_000)
    spikes = [5_003, 40_001, 99_998]
    y[spikes] = [70.0, -3.0, 55.0]
    few_t, few_y = decimate.line(t, y, 500)
    seen = few_t[few_y != 0.0]
    assert len(seen) == 3 and np.abs(seen - spikes).max() <= 200.0


def test_nothing_is_drawn_over_a_gap() -> None:
    t, y = np.concatenate([np.arange(1000.0), np.arange(5000.0, 6000.0)]), np.ones(2000)
    few_t, few_y = decimate.broken(*decimate.line(t, y, 100), np.array([[999.0, 5000.0]]))
    assert np.isnan(few_y).sum() == 1
    assert not ((few_t > 1040.0) & (few_t < 4960.0) & ~np.isnan(few_y)).any()


def test_a_band_keeps_its_widest() -> None:
    t = np.arange(10_000.0)
    low, high = np.zeros(10_000), np.zeros(10_000)
    high[7_777] = 9.0
    _, few_low, few_high = decimate.band(t, low, high, 50)
    assert few_high.max() == 9.0 and few_low.min() == 0.0


# --- marks of the time axis ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("zone", "begin"), [
    ("America/Chicago", at(2026, 10, 31, 12)), ("America/Chicago", at(2026, 3, 7, 12)),
    ("Asia/Kolkata", at(2026, 6, 1)),
    ("America/Sao_Paulo", at(2026, 1, 1)), ("Australia/Lord_Howe", at(2026, 4, 4)), ("UTC", at(2026, 12, 31)),
])  # fmt: skip
@pytest.mark.parametrize("hours", [0.05, 1, 7, 30, 24 * 9, 24 * 100])
def test_marks_are_whole_hours_of_the_wall_clock(zone: str, begin: float, hours: float) -> None:
    marks = clock.marks(begin, begin + hours * 3.6e6, ZoneInfo(zone), 8)
    times = [ms for ms, _ in marks]
    assert times == sorted(set(times)) and 1 <= len(marks) <= 10
    step = clock.step_seconds(hours * 3600.0, 8)
    for ms, words in marks:
        there = datetime.fromtimestamp(ms / 1000.0, ZoneInfo(zone))
        midnight = there.hour * 3600 + there.minute * 60 + there.second
        assert midnight % min(step, 86_400) == 0
        assert begin <= ms <= begin + hours * 3.6e6 and words


def test_the_hour_that_comes_twice_is_marked_twice_and_the_missing_one_not() -> None:
    chicago = ZoneInfo("America/Chicago")
    back = [words.split("\n")[0] for _, words in clock.marks(at(2026, 11, 1, 4), at(2026, 11, 1, 10), chicago, 9)]
    assert back == ["23:00", "00:00", "01:00", "01:00", "02:00", "03:00", "04:00"]
    forward = [words.split("\n")[0] for _, words in clock.marks(at(2026, 3, 8, 6), at(2026, 3, 8, 10), chicago, 5)]
    assert forward == ["00:00", "01:00", "03:00", "04:00", "05:00"]
    assert clock.clock_words(at(2026, 11, 1, 4), at(2026, 11, 1, 10), chicago).endswith("CDT, then CST")


# --- bounds of cooling ---------------------------------------------------------------------------------------------


def test_the_hotter_bound_heats_until_the_first_stopped_reading() -> None:
    """By hand: 40 A for ever, then stopped somewhere within the last 60 s."""
    found = review(told("00:00:00  40 | 460\n04:00:00  0 | 460\n08:00:00  end", 60), plate(period=60.0))
    image = heat.device_image(found)
    stop = int(np.flatnonzero(found.log.amps[:, 0] == 0.0)[0])
    tau, x_squared = 387.0, (1.0 / 1.15) ** 2  # class 10 at 7.2 x; 40 A of 1.15 x 40 A
    steady = x_squared
    apart = steady - steady * math.exp(-60.0 / tau)
    assert image.high[stop] - image.low[stop] == pytest.approx(apart, rel=2e-3)
    later = stop + 10
    assert image.high[later] - image.low[later] == pytest.approx(apart * math.exp(-600.0 / tau), rel=2e-3)
    assert image.high[stop - 1] == image.low[stop - 1]
    motor = heat.motor_image(found)
    assert (motor.high >= motor.low - 1e-12).all() and motor.known


def test_without_a_setting_there_is_no_device_image() -> None:
    assert not heat.device_image(review(told("00:00:00  40 | 460\n01:00:00  end"), plate(setting=None))).known


# --- drawing -------------------------------------------------------------------------------------------------------


def test_a_plot_is_plain_small_and_the_same_each_time() -> None:
    found = examples.trip()
    svg = series.amps(found, whole(found), WIDE, UTC_ZONE)
    assert svg == series.amps(found, whole(found), WIDE, UTC_ZONE)
    assert svg.startswith("<svg") and svg.endswith("</svg>")
    assert "<metadata" not in svg and "<text" not in svg and "<!--" not in svg and len(svg) < 150_000
    links = set(re.findall(r'https?://[^"\s<]+', svg))
    assert links <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_a_season_stays_small_and_keeps_its_spike() -> None:
    """Ten days at 1 s; one reading of them shows a start."""
    rows = 864_000
    rng = np.random.default_rng(3)
    found = examples.healthy()
    t_ms = found.log.t_ms[0] + 1000 * np.arange(rows, dtype=np.int64)
    amps = 36.0 + 0.3 * rng.standard_normal((rows, 3))
    amps[500_000, 0] = 210.0
    volts = 460.0 + rng.standard_normal((rows, 3))
    nothing = np.full(rows, np.nan)
    log = replace(found.log, t_ms=t_ms, amps=amps, volts=volts, ambient_c=nothing, called=nothing)
    ones = np.ones(rows)
    judged = replace(
        found.judged, highest=amps.max(axis=1), limit=40.0 * ones, ratio=amps.max(axis=1) / 40.0, unbalance=0.2 * ones,
        motor_heat=0.7 * ones, device_heat=0.6 * ones, seconds_to_trip=ones, flags=np.ones(rows, np.int32),
    )  # fmt: skip
    long = replace(found, log=log, judged=judged)
    whole_log = Span(float(t_ms[0]), float(t_ms[-1]))
    plots = [plot(long, whole_log, WIDE, UTC_ZONE) for plot in (series.amps, series.volts, series.images)]
    assert sum(map(len, plots)) < 600_000
    without = amps.copy()
    without[500_000, 0] = 36.0
    calm = replace(long, judged=replace(judged, highest=without.max(axis=1)))
    assert plots[0].count("<use") > series.amps(calm, whole_log, WIDE, UTC_ZONE).count(
        "<use"
    )  # the mark at the top edge


def test_gaps_are_hatched_and_told() -> None:
    found = examples.with_gap()
    assert len(found.gaps) == 1
    hatched = series.amps(found, whole(found), WIDE, UTC_ZONE)
    plain = series.amps(replace(found, gaps=()), whole(found), WIDE, UTC_ZONE)
    assert hatched.count("<pattern") > plain.count("<pattern")
    said = " ".join(examples.texts(compose(found)))
    assert "1 gap of more than three periods, 1\u00a0h in all" in said.replace("h 10\u00a0s", "h")


def test_every_log_can_be_drawn_for_a_phone() -> None:
    found = examples.single_phase()
    for plot in (series.amps, series.volts, series.images):
        assert plot(found, whole(found), NARROW, ZoneInfo(examples.ZONE)).startswith("<svg")
    estimate = examples.single_phase().estimate
    assert bars.waterfall(estimate, NARROW) != bars.waterfall(estimate, WIDE)
    assert bars.inserts(estimate, NARROW).startswith("<svg")


def test_drawing_leaves_no_settings_behind() -> None:
    import matplotlib

    def settings() -> list[object]:
        return [*dict.items(matplotlib.rcParams)]  # read past its own way, which loads pyplot for the "backend"

    before = settings()
    series.amps(examples.with_gap(), whole(examples.with_gap()), NARROW, UTC_ZONE)
    assert settings() == before
    assert "matplotlib.pyplot" not in sys.modules


def test_without_matplotlib_it_is_told_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(ConfigError, match="pip install matplotlib"):
        canvas.draw(WIDE, 2.0, lambda figure: None)


# --- the closer look -----------------------------------------------------------------------------------------------


def test_a_closer_look_begins_before_the_first_of_trips_that_follow_each_other() -> None:
    found = examples.trip()
    run = found.runs[0]
    hour = 3_600_000.0
    ends = [found.log.t_ms[0] + at_hour * hour for at_hour in (10.0, 30.0, 32.0, 33.0)]
    runs = tuple(replace(run, end_ms=end) for end in ends)
    t_ms = found.log.t_ms[0] + (np.arange(len(found.log)) * 40 * hour / len(found.log)).astype(np.int64)
    near = close_up(replace(found, runs=runs, worst=3, log=replace(found.log, t_ms=t_ms)))
    assert near is not None
    assert (near.from_ms, near.to_ms) == (ends[1] - 4.0 * hour, ends[3] + 1.0 * hour)


def test_a_short_log_and_a_healthy_one_need_none() -> None:
    assert close_up(examples.trip()) is None
    assert close_up(examples.healthy()) is None
    assert close_up(examples.empty()) is None
