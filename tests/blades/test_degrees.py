"""Degrees: what must hold for any fan, and the word given where there are none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.belief import USUAL, Belief, belief_of
from monitor.blades.degrees import (
    Column,
    angles_on_hand,
    current_deviation,
    recommend,
)
from monitor.motor.current import current_model
from monitor.motor.nameplate import Fan, Logger, Motor


@st.composite
def columns(draw: st.DrawFn) -> Column:
    """Any fan near its limit."""
    target = draw(st.floats(5.0, 80.0))
    return Column(
        target=target,
        active=target * draw(st.floats(0.7, 1.5)),
        magnetising=target * draw(st.floats(0.1, 0.7)),
        spread=target * draw(st.floats(0.0, 0.25)),
        belief=Belief(draw(st.floats(0.03, 0.15)), draw(st.floats(0.005, 0.03)), "any"),
        deviation=draw(st.floats(0.005, 0.1)),
    )


DEGREES = st.floats(0.0, 15.0)


@given(columns(), DEGREES, DEGREES)
def test_more_degrees_never_raise_the_amps(column: Column, a: float, b: float) -> None:
    less, more = sorted((a, b))
    assert column.amps(more) <= column.amps(less)
    assert column.low(more) <= column.amps(more) <= column.high(more)
    assert column.amps(more) >= column.magnetising + column.spread


@given(columns(), DEGREES, DEGREES)
def test_chance_grows_with_the_degrees(column: Column, a: float, b: float) -> None:
    """Where something is needed. Where nothing is, it is above 1/2 and stays so, but doubt about the slope may lower
    it."""
    less, more = sorted((a, b))
    assert 0.0 <= column.chance(less) <= 1.0
    if column.needed:
        assert column.chance(more) >= column.chance(less) - 1e-12
    else:
        assert min(column.chance(less), column.chance(more)) >= 0.5


@given(columns())
def test_degrees_reach_the_target(column: Column) -> None:
    degrees = column.degrees
    if degrees is None:
        assert column.target - column.spread <= column.magnetising
        assert column.needed
        assert column.chance(15.0) == 0.0
    elif degrees > 0.0:
        assert column.needed
        assert column.amps(degrees) == pytest.approx(column.target, rel=1e-9)
        assert column.chance(degrees) == pytest.approx(0.5, abs=1e-9)
    else:
        assert column.amps(0.0) <= column.target * (1.0 + 1e-9)


@given(columns(), DEGREES)
def test_chance_against_numpy_s_normal(column: Column, degrees: float) -> None:
    """erfc against the share of evenly spaced quantiles: an independent way to the normal distribution."""
    target = column.active_target
    if target is None:
        return
    z = (math.log(target / column.active) + column.belief.mean * degrees) / math.hypot(
        degrees * column.belief.deviation, column.deviation
    )
    grid = np.linspace(-8.0, 8.0, 32_001)
    bell = np.exp(-(grid**2) / 2.0)
    truth = bell[grid <= z].sum() / bell.sum()
    assert column.chance(degrees) == pytest.approx(truth, abs=3e-4)


def test_without_any_doubt_the_chance_is_yes_or_no() -> None:
    column = Column(30.0, 29.0, 10.0, 0.0, Belief(0.075, 0.0, "sure"), 0.0)
    needed = column.degrees
    assert needed is not None and needed > 0.0
    assert (column.chance(needed * 0.99), column.chance(needed * 1.01)) == (0.0, 1.0)


@given(columns(), st.lists(st.integers(5, 30), max_size=8))
def test_recommended_is_the_least_that_is_enough(column: Column, angles: list[int]) -> None:
    present = 30
    fan = Fan(present, tuple(angles))
    on_hand = angles_on_hand(fan)
    recommended, why = recommend(column, fan)
    assert (recommended is None) is (why is not None)
    if why == "none needed":
        assert not column.needed
    elif why == "cannot say":
        assert not angles and column.active_target is not None
    elif why == "none enough":
        assert all(column.chance(present - angle) < 0.9 for angle in on_hand)
    else:
        assert recommended is not None
        assert recommended.pitch in on_hand
        assert recommended.degrees == present - recommended.pitch > 0
        assert recommended.chance == column.chance(recommended.degrees) >= 0.9
        assert all(column.chance(present - angle) < 0.9 for angle in on_hand if angle > recommended.pitch)


def test_a_clamp_far_too_coarse_for_the_fan_gives_figures_still() -> None:
    column = Column(0.019, 0.0155, 0.0092, 0.0, USUAL, deviation=2175.0)
    assert column.low(2.0) <= column.amps(2.0) <= column.high(2.0) < math.inf
    assert 0.0 < column.chance(2.0) < 1.0


def test_angles_on_hand() -> None:
    assert angles_on_hand(Fan()) == ()
    assert angles_on_hand(Fan(available_pitch_degrees=(13, 15))) == ()
    assert angles_on_hand(Fan(20.0)) == (20.0,)
    # The present angle stands first even where no insert of it is on the list; steeper ones are left out.
    assert angles_on_hand(Fan(20, (22, 19, 15, 17, 13, 13), minimum_pitch_degrees=14)) == (20, 19, 17, 15)
    assert angles_on_hand(Fan(20, (10, 20))) == (20, 10)


def test_error_of_the_amps() -> None:
    exact = Logger(accuracy_percent=0.0, accuracy_amps=0.0)
    assert current_deviation(exact, 40.0, 0.0, 0.7) == pytest.approx(0.7)
    assert current_deviation(exact, 40.0, 0.02, 0.0) == pytest.approx(0.8)
    assert current_deviation(Logger(), 40.0, 0.0, 0.0) == pytest.approx((0.02 * 40.0 + 0.5) / math.sqrt(3.0))
    assert current_deviation(Logger(1.0, 0.2), 40.0, 0.01, 0.3) == pytest.approx(
        math.hypot(0.6 / math.sqrt(3), 0.4, 0.3)
    )


def test_belief_of_the_file_is_told_back() -> None:
    motor = Motor(460, 3, 37.0, 1.15, power_factor=0.84)
    model = current_model(motor)
    given_by_file = belief_of(motor, Fan(amps_per_degree=2.9), model)
    current = 1.15 * 37.0
    column = Column(current, model.active(current, 1.0), model.magnetising_rated, 0.0, given_by_file, 0.0)
    slope = (column.amps(0.0) - column.amps(0.001)) / 0.001
    assert slope == pytest.approx(2.9, rel=1e-3)
    assert given_by_file.deviation == pytest.approx(0.2 * given_by_file.mean)
    assert belief_of(motor, Fan(), model) is USUAL
    assert (USUAL.mean, USUAL.deviation) == (0.075, 0.015)
