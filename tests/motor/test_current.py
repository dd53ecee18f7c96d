"""The current model: parts at right angles, holding, and what it answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from monitor.motor.current import (
    DO_NOT_FIT,
    TYPICAL_TAKEN,
    computed_power_factor,
    current_model,
    model_deviation,
    typical_efficiency,
)
from monitor.motor.nameplate import Motor

FACTOR = st.floats(0.70, 0.95)
V = st.floats(0.8, 1.2)
AMPS = st.floats(2.0, 100.0)


@given(AMPS, FACTOR, V, st.floats(1.0, 3.0))
def test_parts_make_the_whole_again(full: float, factor: float, v: float, over: float) -> None:
    """Active and magnetising part put together at the same voltage give back the leg they were taken from."""
    model = current_model(Motor(460, 3, full, power_factor=factor))
    leg = over * model.magnetising(v)
    assert model.mean_leg_at(model.active(leg, v), v, v) == pytest.approx(leg, rel=1e-9)


@given(AMPS, FACTOR, V, V, st.floats(0.3, 1.5))
def test_scalars_equal_arrays_bit_for_bit(full: float, factor: float, v: float, to_v: float, share: float) -> None:
    model = current_model(Motor(460, 3, full, power_factor=factor))
    leg = share * full
    legs, vs = np.array([leg, full]), np.array([v, 1.0])
    assert model.active(legs, vs)[0] == model.active(leg, v)
    active = model.active(leg, v)
    assert model.mean_leg_at(np.array([active, 1.0]), vs, np.array([to_v, 1.0]))[0] == model.mean_leg_at(
        active, v, to_v
    )


@given(AMPS, FACTOR, st.floats(0.85, 0.999))
def test_low_voltage_raises_the_current_of_a_loaded_motor(full: float, factor: float, v: float) -> None:
    model = current_model(Motor(460, 3, full, power_factor=factor))
    seen = model.mean_leg_at(full * factor, 1.0, v)
    assert seen > model.mean_leg_at(full * factor, 1.0, 1.0)
    # ... and being put on rated voltage takes exactly that off again.
    assert model.mean_leg_at(model.active(seen, v), v, 1.0) == pytest.approx(
        model.mean_leg_at(full * factor, 1.0, 1.0), rel=1e-9
    )


@given(AMPS, FACTOR, st.floats(0.5, 1.5), st.floats(0.5, 1.5))
def test_more_shaft_power_is_more_current(full: float, factor: float, a: float, b: float) -> None:
    assume(abs(a - b) > 1e-6)
    model = current_model(Motor(460, 3, full, power_factor=factor))
    low, high = sorted((a, b))
    assert model.mean_leg_at(full * factor, 1.0, 1.0, low) < model.mean_leg_at(full * factor, 1.0, 1.0, high)


def test_magnetising_current_of_either_kind() -> None:
    three = current_model(Motor(460, 3, 10.0, power_factor=0.8))
    one = current_model(Motor(230, 1, 10.0, power_factor=0.8))
    assert three.magnetising_rated == pytest.approx(0.85 * 6.0)
    assert one.magnetising_rated == pytest.approx(6.0)
    assert three.magnetising(0.9) == pytest.approx(0.9 * 0.85 * 6.0)
    assert three.power_factor_source == "nameplate"
    assert three.notes == ()


@pytest.mark.parametrize(
    ("phases", "sizes"),
    [
        (3, [(0.5, 0.82), (2, 0.82), (2.1, 0.87), (5, 0.87), (7.5, 0.90), (15, 0.90), (20, 0.92), (50, 0.92)]),
        (1, [(1, 0.75), (3, 0.75), (5, 0.80), (7.5, 0.85), (15, 0.85)]),
    ],
)
def test_typical_efficiency(phases: int, sizes: list[tuple[float, float]]) -> None:
    for power, efficiency in sizes:
        assert typical_efficiency(phases, power) == efficiency


def test_power_factor_from_the_other_figures() -> None:
    motor = Motor(460, 3, 12.4, rated_power_hp=10, efficiency=0.895)
    expected = 7460 / (math.sqrt(3) * 460 * 12.4 * 0.895)
    model = current_model(motor)
    assert model.power_factor == pytest.approx(expected)
    assert model.power_factor_source == "rated power, voltage, amps and efficiency"
    typical = current_model(Motor(460, 3, 12.4, rated_power_hp=10))
    assert typical.power_factor == pytest.approx(expected * 0.895 / 0.90)
    assert typical.power_factor_source == "rated power, voltage, amps and typical efficiency"


@pytest.mark.parametrize(
    ("phases", "amps", "held"),
    [(3, 40.0, 0.70), (3, 9.0, 0.92), (1, 80.0, 0.80), (1, 30.0, 0.98)],
)
def test_figures_that_do_not_fit_are_held_and_said(phases: int, amps: float, held: float) -> None:
    motor = Motor(460 if phases == 3 else 230, phases, amps, rated_power_hp=10)
    model = current_model(motor)
    assert model.power_factor == held
    assert len(model.notes) == 1
    assert model.notes[0].startswith(DO_NOT_FIT)
    assert f"{computed_power_factor(motor):.2f}" in model.notes[0]


def test_a_printed_power_factor_is_taken_as_it_is() -> None:
    """Eight-pole motors do print 0.68; only a worked-out figure is held."""
    model = current_model(Motor(460, 3, 12.4, rated_power_hp=10, power_factor=0.68))
    assert (model.power_factor, model.notes) == (0.68, ())


def test_nothing_known_is_said() -> None:
    for phases, usual in ((3, 0.84), (1, 0.90)):
        model = current_model(Motor(460, phases, 12.4))
        assert (model.power_factor, model.power_factor_source, model.notes) == (usual, "typical", (TYPICAL_TAKEN,))
    assert computed_power_factor(Motor(460, 3, 12.4)) is None


def test_too_lightly_loaded() -> None:
    model = current_model(Motor(460, 3, 10.0, power_factor=0.8))
    bound = 1.1 * model.magnetising(0.95)
    assert model.lightly_loaded(bound - 0.001, 0.95)
    assert not model.lightly_loaded(bound + 0.001, 0.95)
    assert current_model(Motor(460, 3, 10.0, power_factor=1.0)).lightly_loaded(0.0, 1.0)
    assert model.active(1.0, 1.0) == 0.0  # less than the magnetising current alone: no active part, and no crash


@pytest.mark.parametrize(("v", "share"), [(1.0, 0.01), (0.95, 0.01), (1.05, 0.01), (0.949, 0.02), (1.051, 0.02)])
def test_deviation_of_the_model(v: float, share: float) -> None:
    assert model_deviation(v) == share
