"""Changed since: a fan's load against its own last seven days."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.changed import HOUR_MS, Loads, changed_since, hourly_figures, usual_load
from monitor.blades.estimate import estimate
from monitor.blades.parts import reference_load
from monitor.blades.window import WindowFigures
from monitor.motor.current import current_model
from monitor.motor.nameplate import Motor, Nameplate

MOTOR = Motor(460, 3, 37.0, 1.15, rated_power_hp=30, power_factor=0.84)
MODEL = current_model(MOTOR)


@pytest.mark.parametrize(
    ("load", "said"), [(10.0, False), (11.49, False), (11.5, True), (8.51, False), (8.5, True), (20.0, True)]
)
def test_fifteen_percent_either_way_is_told(load: float, said: bool) -> None:
    words = changed_since(load, 10.0)
    assert (words is not None) is said
    if words is not None:
        assert ("more" if load > 10.0 else "less") in words
        assert "in like air and at like volts" in words
    assert changed_since(load, 0.0) is None


def test_what_is_not_measured_may_be_a_part_of_it() -> None:
    assert "may be the air, which is not measured" in (changed_since(12.0, 10.0, air_known=False) or "")
    assert "may be the voltage, which is not measured" in (changed_since(12.0, 10.0, volts_known=False) or "")
    both = changed_since(12.0, 10.0, air_known=False, volts_known=False)
    assert both is not None and "neither is measured" in both


def rows(hours: Any, load: Any, per_hour: int = 60) -> tuple[Any, ...]:
    """Readings of these hours with this active current in reference air, seen in other air at other volts."""
    hours = np.asarray(hours)
    t = (hours[:, None] + np.arange(per_hour) / per_hour).ravel() * HOUR_MS
    n = len(t)
    v = np.resize([0.95, 1.0, 1.03], n)
    air = np.resize([-10.0, 5.0, 20.0, 33.0], n)
    each = np.repeat(np.broadcast_to(np.asarray(load, float), hours.shape), per_hour)
    mean = MODEL.mean_leg_at(each, 1.0, v, 293.15 / (air + 273.15))
    legs = mean[:, None] + np.array([1.0, 0.0, -1.0])
    volts = 460.0 * v[:, None] + np.array([3.0, 0.0, -3.0])
    return t, legs, volts, air, np.ones(n, bool)


def loads_of(*columns: Any) -> tuple[Any, Any]:
    """Hours, and the load of each."""
    hours, figures = hourly_figures(MOTOR, MODEL, *columns)
    return hours, figures[:, 0]


def test_hourly_loads_are_the_same_in_any_air_and_at_any_volts() -> None:
    hours, loads = loads_of(*rows([100, 101, 105], [30.0, 31.0, 29.0]))
    assert hours.tolist() == [100, 101, 105]
    assert loads == pytest.approx([30.0, 31.0, 29.0])


def test_hourly_loads_of_what_is_not_measured_or_not_settled() -> None:
    t, legs, volts, air, settled = rows([100, 101], [30.0, 30.0])
    t, legs, volts, air = t[::-1], legs[::-1], volts[::-1], air[::-1]  # in any order
    settled = (t < 101 * HOUR_MS) | (t >= 102 * HOUR_MS - 3 * 60_000)  # the second hour: the last three readings
    assert loads_of(t, legs, volts, air, settled)[0].tolist() == [100, 101]
    settled[0] = False  # two only
    assert loads_of(t, legs, volts, air, settled)[0].tolist() == [100]
    nothing = np.full_like(legs, math.nan)
    assert loads_of(t, nothing, volts, air, settled)[0].tolist() == []
    assert loads_of(t, legs, volts, air, np.zeros(len(t), bool))[1].tolist() == []
    blind = loads_of(t, np.full_like(legs, 40.0), nothing, nothing[:, 0], settled)[1]
    assert blind == pytest.approx([reference_load(MODEL, 40.0, None, None)])
    odd = loads_of(t, np.full_like(legs, 40.0), volts * 0.5, nothing[:, 0], settled)[1]
    assert odd == pytest.approx(blind)  # half the volts at a running motor: a wrong channel
    single = Motor(230, 1, 46.0, power_factor=0.9)
    lines = np.column_stack([np.full(len(t), 225.0), *[np.full(len(t), 900.0)] * 2])
    one = hourly_figures(single, current_model(single), t, np.full_like(legs, 50.0), lines, nothing[:, 0], settled)[1][
        :, 0
    ]
    assert one == pytest.approx([reference_load(current_model(single), 50.0, 225.0 / 230.0, None)])


def test_the_usual_is_the_median_of_the_last_seven_days() -> None:
    now = 1000 * HOUR_MS + 1.0
    hours = np.arange(600, 1001)
    loads = np.where(hours >= 1000 - 168, 10.0, 99.0)
    loads[-1] = 50.0  # the present hour is what is compared
    assert usual_load(hours, loads, now) == 10.0
    assert usual_load(hours, np.where(hours >= 950, 12.0, loads), now) == 10.0
    assert usual_load(hours, np.where(hours >= 900, 12.0, loads), now) == 12.0
    assert usual_load(hours[-13:], loads[-13:], now) == 10.0  # twelve hours before the present one
    assert usual_load(hours[-12:], loads[-12:], now) is None
    assert usual_load(np.empty(0, np.int64), np.empty(0), now) is None


@given(st.lists(st.tuples(st.integers(0, 400), st.floats(5.0, 50.0)), max_size=60), st.integers(0, 400))
def test_what_is_kept_on_is_what_the_rows_say(seen: list[tuple[int, float]], now: int) -> None:
    """`Loads` against `usual_load` over the newest figure of each hour, fed in order of time."""
    seen = sorted(seen, key=lambda one: one[0])
    loads = Loads(2)
    newest: dict[int, float] = {}
    for hour, load in seen:
        if hour <= now:
            loads.add(1, hour * HOUR_MS + 5.0, load, load + 1.0, 460.0 if hour % 2 else None)
            newest[hour] = load
    expected = usual_load(np.array([*newest], np.int64), np.array([*newest.values()]), now * HOUR_MS)
    usual = loads.usual(1, now * HOUR_MS)
    assert (usual is None) is (expected is None)
    if usual is not None:
        assert usual.load == pytest.approx(expected, rel=1e-6)
        assert usual.amps == pytest.approx(usual.load + 1.0, rel=1e-6)
        assert usual.ambient_c is None
    assert loads.usual(0, now * HOUR_MS) is None


def test_fans_can_be_forgotten_and_more_can_come() -> None:
    loads = Loads(1)
    for hour in range(20):
        loads.add(0, hour * HOUR_MS, 10.0, 11.0, 460.0, 5.0)
    loads.grow(3)
    usual = loads.usual(0, 20 * HOUR_MS)
    assert usual is not None
    assert (usual.load, usual.amps, usual.volts, usual.ambient_c) == (10.0, 11.0, 460.0, 5.0)
    loads.add(2, 5 * HOUR_MS, 1.0, 1.0)
    loads.forget(0)
    assert loads.usual(0, 20 * HOUR_MS) is None
    loads.grow(1)  # never fewer
    loads.add(2, 6 * HOUR_MS, 1.0, 1.0)


def test_an_hour_long_past_does_not_push_out_a_newer_one() -> None:
    loads = Loads(1)
    for hour in range(200, 230):
        loads.add(0, hour * HOUR_MS, 10.0, 11.0)
    for hour in range(200 - 169, 230 - 169):  # the same places a week before
        loads.add(0, hour * HOUR_MS, 99.0, 99.0)
    usual = loads.usual(0, 230 * HOUR_MS)
    assert usual is not None and usual.load == 10.0


def test_it_is_said_beside_the_estimate() -> None:
    mean = MODEL.mean_leg_at(30.0, 1.0, 0.98, 293.15 / 280.15)
    volts = 0.98 * 460.0
    figures = WindowFigures(
        mean + 0.5, mean, (mean + 0.5, mean, mean - 0.5), (volts,) * 3, 0.0, volts, 7.0, 0.0, 1800.0, 180, None
    )

    def said(usual: float | None, seen: WindowFigures = figures) -> list[str]:
        answer = estimate(Nameplate(MOTOR), seen, usual_load=usual)
        assert answer.reference_load is not None
        return [words for words in answer.words if words.startswith("changed since")]

    assert said(None) == said(30.0) == said(30.0 / 1.14) == said(30.0 / 0.86) == []
    assert said(30.0 / 1.16) == [changed_since(1.16, 1.0)]
    assert said(30.0 / 0.84) == [changed_since(0.84, 1.0)]
    blind = WindowFigures(mean + 0.5, mean, figures.legs, (None,) * 3, None, None, None, 0.0, 1800.0, 180, None)
    assert "neither is measured" in said(20.0, blind)[0]
