"""Unbalance: what must hold for any three voltages or currents."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import ReadingError
from monitor.motor.unbalance import (
    current_unbalance,
    true_unbalance_of,
    true_voltage_unbalance,
    unbalance_of,
    voltage_unbalance,
)

VOLTS = st.floats(1.0, 1000.0)
NEAR = st.floats(0.85, 1.15)
ANY = st.one_of(st.floats(0.0, 2000.0), st.just(math.nan))


def same(a: float, b: float) -> bool:
    """Equal to the last bit, NaN equal to NaN."""
    return a == b or (math.isnan(a) and math.isnan(b))


@given(ANY, ANY, ANY)
def test_scalars_equal_arrays_bit_for_bit(a: float, b: float, c: float) -> None:
    columns = [np.array([value, 460.0]) for value in (a, b, c)]
    assert same(voltage_unbalance(a, b, c), voltage_unbalance(*columns)[0])
    assert same(voltage_unbalance(a, b, c), unbalance_of(a, b, c))
    assert same(current_unbalance(a, b, c), unbalance_of(a, b, c))
    assert same(true_voltage_unbalance(*columns)[0], true_unbalance_of(a, b, c))


@given(ANY, ANY, ANY)
def test_order_of_the_legs_does_not_matter(a: float, b: float, c: float) -> None:
    for x, y, z in itertools.permutations((a, b, c)):
        assert same(unbalance_of(x, y, z), unbalance_of(a, b, c))
        assert same(true_unbalance_of(x, y, z), true_unbalance_of(a, b, c))


@given(VOLTS, NEAR, NEAR, st.floats(0.1, 10.0))
def test_unit_does_not_matter(a: float, b: float, c: float, factor: float) -> None:
    triple = (a, a * b, a * c)
    scaled = tuple(factor * value for value in triple)
    assert unbalance_of(*scaled) == pytest.approx(unbalance_of(*triple), rel=1e-9, abs=1e-9)
    assert true_unbalance_of(*scaled) == pytest.approx(true_unbalance_of(*triple), rel=1e-9, abs=1e-9)


@given(VOLTS, st.floats(0.9, 1.1), st.floats(0.9, 1.1))
def test_true_factor_lies_in_its_band(a: float, b: float, c: float) -> None:
    """Pillay and Manyage: between about 0.98 and 1.16 of the NEMA figure, up to the unbalance that occurs."""
    nema = unbalance_of(a, a * b, a * c)
    factor = true_unbalance_of(a, a * b, a * c)
    assert 0.97 * nema - 1e-9 <= factor <= 1.165 * nema + 1e-9


@given(VOLTS)
def test_balance_is_exactly_nothing(volts: float) -> None:
    assert unbalance_of(volts, volts, volts) == 0.0
    assert true_unbalance_of(volts, volts, volts) == 0.0


@given(VOLTS, VOLTS, VOLTS)
def test_voltages_that_close_no_triangle_have_no_factor(a: float, b: float, c: float) -> None:
    low, middle, high = sorted((a, b, c))
    factor = true_unbalance_of(a, b, c)
    if high > (low + middle) * (1.0 + 1e-6):
        assert math.isnan(factor)
        with pytest.raises(ReadingError):
            true_voltage_unbalance(a, b, c)
    elif high < (low + middle) * (1.0 - 1e-6):
        assert 0.0 <= factor <= 100.0


@pytest.mark.parametrize("triple", [(math.nan, 460.0, 460.0), (460.0, math.nan, 460.0), (460.0, 460.0, math.nan)])
def test_a_missing_voltage_makes_it_unknown(triple: tuple[float, float, float]) -> None:
    assert math.isnan(voltage_unbalance(*triple))
    assert math.isnan(true_voltage_unbalance(*triple))


def test_no_mean_no_unbalance() -> None:
    assert math.isnan(unbalance_of(0.0, 0.0, 0.0))
    assert math.isnan(unbalance_of(-1.0, -1.0, -1.0))
    assert math.isnan(unbalance_of(math.inf, 1.0, 1.0))
    assert unbalance_of(300.0, 0.0, 0.0) == 200.0


def test_a_line_through_two_others_is_the_last_triangle() -> None:
    assert true_unbalance_of(480.0, 240.0, 240.0) == 100.0
    assert true_unbalance_of(0.3, 0.1, 0.2) == pytest.approx(100.0)  # 0.1 + 0.2 is not 0.3 in binary


def test_arrays_of_any_shape_and_mixed_with_numbers() -> None:
    volts = np.array([[460.0, 467.0], [450.0, 400.0]])
    out = voltage_unbalance(volts, np.full((2, 2), 460.0), np.full((2, 2), 450.0))
    assert out.shape == (2, 2)
    assert out[0, 1] == voltage_unbalance(467.0, 460.0, 450.0)
    read_only = volts[:, ::-1]
    read_only.flags.writeable = False
    assert np.array_equal(voltage_unbalance(read_only, read_only, read_only), np.zeros((2, 2)))
    assert voltage_unbalance(np.empty(0), np.empty(0), np.empty(0)).shape == (0,)


def test_the_message_says_what_to_do() -> None:
    with pytest.raises(ReadingError) as caught:
        true_voltage_unbalance(480.0, 200.0, 200.0)
    assert caught.value.reason == "voltages do not belong together"
    assert "480, 200 and 200 V" in caught.value.detail
    assert "measure all three again" in caught.value.detail
