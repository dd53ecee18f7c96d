"""The adjusted limit: factors, words, and what must hold for any unbalance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.motor.limit import (
    COUNTS_TWICE,
    NO_LIMIT_GIVEN,
    NOT_MEASURED,
    ONE_VOLTAGE,
    SERVICE_FACTOR_HOLDS,
    adjusted_limit,
    derate,
    derating_factor,
    full_limit,
    load_ratio,
    margin,
)
from monitor.motor.nameplate import Motor

THREE = Motor(460, 3, 12.4, service_factor=1.15)
ONE = Motor(230, 1, 46.0, service_factor=1.15)
UNBALANCE = st.one_of(st.floats(0.0, 12.0), st.sampled_from([1.0, 2.0, 3.0, 4.0, 5.0]))


@given(UNBALANCE)
def test_scalars_equal_arrays_bit_for_bit(u: float) -> None:
    assert derating_factor(u) == derate(u) == derating_factor(np.array([u, 0.0]))[0]


@given(UNBALANCE, UNBALANCE)
def test_factor_never_rises_with_the_unbalance(a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert derate(high) <= derate(low)


@given(st.integers(0, 4), st.floats(0.0, 1.0))
def test_factor_is_a_straight_line_between_the_points(first: int, share: float) -> None:
    points = [1.0, 1.0, 0.95, 0.88, 0.82, 0.75]
    expected = (1.0 - share) * points[first] + share * points[first + 1]
    assert derate(first + share) == pytest.approx(expected, abs=1e-12)


def test_factor_next_to_a_point_does_not_fall_under_it() -> None:
    """a + (b - a) can miss b by a bit: the line must not dip under its own end."""
    for point in (2.0, 3.0, 4.0, 5.0):
        assert derate(math.nextafter(point, 0.0)) >= derate(point)


def test_unmeasured_and_beyond_the_curve() -> None:
    assert derate(math.nan) == 1.0
    assert np.array_equal(derating_factor(np.array([math.nan, 1.0, 5.0, 50.0])), [1.0, 1.0, 0.75, 0.75])


def test_factors_multiply_to_the_limit() -> None:
    limit = adjusted_limit(THREE, 2.5)
    assert math.prod(factor.value for factor in limit.factors) == pytest.approx(limit.amps)
    assert [factor.name for factor in limit.factors] == ["full-load amps", "service factor", "voltage unbalance"]
    assert limit.factors[2].value == pytest.approx(0.915)
    assert limit.factors[2].source == "NEMA MG 1 section 14.36, figure 14-1, at 2.5 % unbalance, measured"
    assert limit.full_amps == pytest.approx(14.26)
    assert limit.percent_of_full_load == pytest.approx(100.0 * limit.amps / 12.4)
    assert limit.notes == (COUNTS_TWICE, SERVICE_FACTOR_HOLDS)


def test_printed_service_factor_amps_go_first() -> None:
    motor = Motor(460, 3, 12.4, service_factor=1.15, service_factor_amps=13.9)
    limit = adjusted_limit(motor, 0.5)
    assert limit.amps == limit.full_amps == full_limit(motor) == 13.9
    assert [(factor.name, factor.value) for factor in limit.factors] == [
        ("service-factor amps", 13.9),
        ("voltage unbalance", 1.0),
    ]


@pytest.mark.parametrize("unknown", [None, math.nan])
def test_voltage_not_measured_is_said(unknown: float | None) -> None:
    limit = adjusted_limit(THREE, unknown)
    assert limit.amps == full_limit(THREE)
    assert limit.notes[0] == NOT_MEASURED == "not adjusted: voltage is not measured"
    assert "voltage unbalance" not in [factor.name for factor in limit.factors]
    assert adjusted_limit(THREE, unknown, not_adjusted=ONE_VOLTAGE).notes[0] == ONE_VOLTAGE


def test_above_five_percent_no_limit_is_given() -> None:
    assert NO_LIMIT_GIVEN in adjusted_limit(THREE, 5.01).notes
    assert NO_LIMIT_GIVEN not in adjusted_limit(THREE, 5.0).notes
    assert adjusted_limit(THREE, 7.0).amps == pytest.approx(0.75 * 14.26)


def test_single_phase_is_not_derated() -> None:
    for unbalance in (None, 0.0, 4.0, 9.0):
        limit = adjusted_limit(ONE, unbalance)
        assert limit.amps == full_limit(ONE)
        assert limit.notes == (SERVICE_FACTOR_HOLDS,)


def test_a_motor_without_reserve_is_not_told_about_one() -> None:
    assert adjusted_limit(Motor(460, 3, 12.4), 0.2).notes == ()


def test_where_a_technician_s_reading_is_used_it_is_said() -> None:
    limit = adjusted_limit(THREE, 2.0, volts_source="a technician's reading of 3 October")
    assert limit.factors[2].source.endswith("a technician's reading of 3 October")


@given(st.floats(0.0, 100.0), st.floats(1.0, 100.0))
def test_margin_is_what_is_left(amps: float, limit: float) -> None:
    assert margin(amps, limit) == 1.0 - load_ratio(amps, limit)
    columns = np.array([amps, math.nan])
    assert load_ratio(columns, limit)[0] == load_ratio(amps, limit)
    assert math.isnan(margin(columns, limit)[1])
