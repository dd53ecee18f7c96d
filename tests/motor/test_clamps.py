"""Corrections of clamps: exact where they change nothing, and what was sent can be had back."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.motor import clamps

FACTOR = st.one_of(st.just(1.0), st.integers(800, 1250).map(lambda one: one / 1000))
FACTORS = st.tuples(FACTOR, FACTOR, FACTOR)
AMPS = st.lists(
    st.tuples(*[st.one_of(st.integers(0, 20_000_000).map(lambda one: one / 10_000), st.just(float("nan")))] * 3),
    min_size=1, max_size=8,
).map(np.array)  # fmt: skip


@given(AMPS, FACTORS)
def test_what_was_sent_can_be_had_back(amps: np.ndarray, corrections: tuple[float, ...]) -> None:
    """Of decimals of four places to the last bit."""
    factors = clamps.factors_of(corrections)
    made = clamps.corrected(amps, factors)
    assert np.array_equal(np.isnan(made), np.isnan(amps))
    np.testing.assert_allclose(made, amps * factors, atol=0.51e-6, rtol=0)
    for leg in range(3):
        if corrections[leg] == 1.0:
            assert made[:, leg].tobytes() == amps[:, leg].tobytes()
    assert np.array_equal(clamps.sent(made, factors), amps, equal_nan=True)


@given(AMPS, FACTORS, FACTORS)
def test_by_other_factors_is_as_if_they_had_been_in_force(
    amps: np.ndarray, before: tuple[float, ...], after: tuple[float, ...]
) -> None:
    first, second = (np.tile(clamps.factors_of(one), (len(amps), 1)) for one in (before, after))
    made = clamps.corrected(amps, first)
    again = clamps.by_others(made, first, second)
    assert np.array_equal(again, clamps.corrected(amps, second), equal_nan=True)
    assert clamps.by_others(made, first, first).tobytes() == made.tobytes()


def test_what_does_not_correct_does_not_copy() -> None:
    amps = np.array([[12.3456789, 12.0, 0.0]])
    assert clamps.corrected(amps, clamps.factors_of(())) is amps
    assert clamps.sent(amps, clamps.factors_of((1.0,))) is amps
