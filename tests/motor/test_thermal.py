"""Thermal images: what must hold for any current and any cut of time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.motor.compiled import Floats, compiled_loop
from monitor.motor.nameplate import Protection
from monitor.motor.thermal import (
    BRIDGED_SECONDS,
    DEFAULT_TRIP_CLASS,
    DEFAULT_TRIP_RATIO,
    MOTOR_PICK_UP,
    MOTOR_STOPPED_TIMES,
    MOTOR_TAU_SECONDS,
    START_SECONDS,
    TRIP_CLASSES,
    TRIP_RATIO_BOUNDS,
    device_tau_seconds,
    heated,
    seconds_to_trip,
    trip_seconds,
)

IMAGE = st.floats(0.0, 3.0)
SQUARE = st.floats(0.0, 50.0)
CURRENT = st.one_of(st.floats(0.0, 8.0), st.sampled_from([0.0, 0.99, 1.0, 1.01]))
SECONDS = st.one_of(st.floats(0.0, 100_000.0), st.sampled_from([0.0, 1.0, 10.0, 60.0]))
TAU = st.floats(100.0, 10_000.0)


def test_the_figures_are_those_of_the_design() -> None:
    assert (MOTOR_TAU_SECONDS, MOTOR_STOPPED_TIMES, MOTOR_PICK_UP) == (1800.0, 3.0, 1.05)
    assert (DEFAULT_TRIP_CLASS, DEFAULT_TRIP_RATIO, START_SECONDS, BRIDGED_SECONDS) == (10, 1.15, 5.0, 600.0)
    assert (TRIP_CLASSES, TRIP_RATIO_BOUNDS) == ((5, 10, 20, 30), (1.05, 1.25))
    assert Protection().trip_ratio == DEFAULT_TRIP_RATIO


# --- one step --------------------------------------------------------------------------------------------------


@given(IMAGE, SQUARE, SECONDS, st.floats(0.0, 1.0), TAU)
def test_two_parts_of_a_step_equal_the_whole(h: float, x2: float, seconds: float, share: float, tau: float) -> None:
    first = share * seconds
    parts = heated(heated(h, x2, first, tau), x2, seconds - first, tau)
    assert parts == pytest.approx(heated(h, x2, seconds, tau), rel=1e-12, abs=1e-12)


@given(IMAGE, SQUARE, SECONDS, TAU)
def test_the_image_goes_towards_the_current_and_never_past_it(h: float, x2: float, seconds: float, tau: float) -> None:
    after = heated(h, x2, seconds, tau)
    slack = 1e-12 * (1.0 + h + x2)
    assert min(h, x2) - slack <= after <= max(h, x2) + slack
    assert heated(h, x2, 0.0, tau) == pytest.approx(h, abs=slack)
    assert heated(h, x2, 60.0 * tau, tau) == pytest.approx(x2, abs=slack)


@given(IMAGE, IMAGE, SQUARE, SQUARE, SECONDS, TAU)
def test_more_heat_and_more_current_give_no_less(
    a: float, b: float, c: float, d: float, seconds: float, tau: float
) -> None:
    (low, high), (less, more) = sorted((a, b)), sorted((c, d))
    assert heated(low, less, seconds, tau) <= heated(high, more, seconds, tau) + 1e-12 * (1.0 + high + more)


def test_one_time_constant_is_63_percent_of_the_way() -> None:
    assert heated(0.0, 1.0, 1800.0, 1800.0) == pytest.approx(0.6321205588)
    assert heated(1.0, 0.0, 1800.0, MOTOR_STOPPED_TIMES * 1800.0) == pytest.approx(0.7165313106)


@given(IMAGE, SQUARE, SECONDS, TAU)
def test_compiled_and_plain_agree_to_the_last_bit(h: float, x2: float, seconds: float, tau: float) -> None:
    assert heated(h, x2, seconds, tau) == x2 + (h - x2) * math.exp(-seconds / tau)


# --- time to trip ----------------------------------------------------------------------------------------------


@given(st.floats(0.0, 0.999), st.floats(1.001, 8.0), TAU)
def test_after_the_time_to_trip_the_image_is_at_the_trip_level(h: float, x: float, tau: float) -> None:
    seconds = seconds_to_trip(h, x, tau)
    assert 0.0 < seconds < math.inf
    assert heated(h, x * x, seconds, tau) == pytest.approx(1.0, abs=1e-9)


@given(IMAGE, IMAGE, CURRENT, CURRENT, TAU)
def test_more_current_or_more_heat_never_trips_later(a: float, b: float, c: float, d: float, tau: float) -> None:
    (low, high), (less, more) = sorted((a, b)), sorted((c, d))
    late, early = seconds_to_trip(low, less, tau), seconds_to_trip(high, more, tau)
    assert 0.0 <= early <= late * (1.0 + 1e-9) + 1e-9


@given(st.lists(CURRENT, min_size=1, max_size=30), st.floats(1.0, 1.5), st.sampled_from([1.0, 10.0, 60.0]))
def test_a_whole_run_with_more_current_never_trips_later(run: list[float], times: float, period: float) -> None:
    tau = device_tau_seconds(10)

    def trips_at(currents: list[float]) -> float:
        h = 0.0
        for number, x in enumerate(currents):
            wait = seconds_to_trip(h, x, tau)
            if wait <= period:
                return number * period + wait
            h = heated(h, x * x, period, tau)
        return math.inf

    assert trips_at([times * x for x in run]) <= trips_at(run) + 1e-6


def test_the_corners() -> None:
    assert seconds_to_trip(1.0, 0.0, 387.0) == 0.0
    assert seconds_to_trip(1.2, math.nan, 387.0) == 0.0
    assert seconds_to_trip(0.999, 1.0, 387.0) == math.inf
    assert seconds_to_trip(math.nan, 0.5, 387.0) == math.inf
    assert math.isnan(seconds_to_trip(0.5, math.nan, 387.0))
    assert math.isnan(seconds_to_trip(math.nan, 1.5, 387.0))
    just_above = math.nextafter(1.0, 2.0)
    assert 0.0 <= seconds_to_trip(math.nextafter(1.0, 0.0), just_above, 387.0) < 387.0
    assert 10_000.0 < seconds_to_trip(0.0, just_above, 387.0) < math.inf


# --- curves ----------------------------------------------------------------------------------------------------


@given(CURRENT, st.floats(0.0, 1.2), TAU)
def test_curve_of_numbers_and_arrays(x: float, before: float, tau: float) -> None:
    assume(x != 1.0 or before < 1.0)
    one = trip_seconds(x, before, tau_seconds=tau)
    assert isinstance(one, float)
    assert one == seconds_to_trip(before * before, x, tau)
    many = trip_seconds(np.array([[x, 7.2], [x, 0.5]]), before, tau_seconds=tau)
    assert many.shape == (2, 2)
    assert many[0, 0] == many[1, 0] == one
    assert trip_seconds(x, np.array([before]), tau_seconds=np.array([tau, tau])).tolist() == [one, one]


def test_warm_is_sooner_than_cold_and_hot_is_at_once() -> None:
    times = trip_seconds(1.5, np.array([0.0, 0.5, 0.9, 1.0]), tau_seconds=387.0)
    assert np.all(np.diff(times) < 0.0)
    assert times[-1] == 0.0
    assert trip_seconds(1.5, tau_seconds=387.0) == times[0]


# --- the device ------------------------------------------------------------------------------------------------


@given(st.sampled_from(TRIP_CLASSES), st.floats(*TRIP_RATIO_BOUNDS))
def test_a_device_takes_its_class_time_at_7_2_times_its_setting(trip_class: int, ratio: float) -> None:
    tau = device_tau_seconds(trip_class, ratio)
    assert trip_seconds(7.2 / ratio, tau_seconds=tau) == pytest.approx(trip_class, rel=1e-12)


@pytest.mark.parametrize("trip_class", [0, 1, 15, -10, 40])
def test_another_class_is_refused(trip_class: int) -> None:
    with pytest.raises(ValueError, match=f"trip class: expected 5, 10, 20 or 30, found {trip_class}"):
        device_tau_seconds(trip_class)


@pytest.mark.parametrize("ratio", [1.0, 1.0499, 1.2501, 7.2, math.nan, -1.15])
def test_another_ratio_is_refused(ratio: float) -> None:
    with pytest.raises(ValueError, match=r"trip ratio: expected a number from 1\.05 to 1\.25, found "):
        device_tau_seconds(10, ratio)


def _follow(x: Floats, out: Floats) -> None:
    h = 0.0
    for row in range(x.size):
        h = heated(h, x[row] * x[row], 10.0, 387.0)
        out[row, 0] = h
        out[row, 1] = seconds_to_trip(h, x[row], 387.0)


def test_a_compiled_loop_may_call_both() -> None:
    """As the watch does: a loop without counting of references."""
    x = np.array([0.8, 1.3, 1.3, 6.0, 0.0])
    compiled, plain = np.empty((5, 2)), np.empty((5, 2))
    compiled_loop(_follow)(x, compiled)
    _follow(x, plain)
    assert np.array_equal(compiled, plain)
    assert plain[-2, 0] > plain[0, 0] > 0.0
