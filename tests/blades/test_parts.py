"""Where the amps come from: parts that add up, and the main cause of an excess."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.causes import causes_of
from monitor.blades.parts import Parts, main_cause, parts_of, reference_load
from monitor.blades.window import WindowFigures
from monitor.motor.current import current_model
from monitor.motor.limit import adjusted_limit
from monitor.motor.nameplate import Motor

MOTOR = Motor(460, 3, 37.0, 1.15, rated_power_hp=30, power_factor=0.84)
MODEL = current_model(MOTOR)
FULL = 1.15 * 37.0


def seen(
    highest: float,
    mean: float,
    mean_volts: float | None = 460.0,
    unbalance: float | None = 0.5,
    t_c: float | None = 20.0,
) -> WindowFigures:
    """Figures of a whole window."""
    volts = (mean_volts,) * 3
    return WindowFigures(
        highest, mean, (highest, mean, mean), volts, unbalance, mean_volts, t_c, 0.1, 1800.0, 180, None
    )


def split(figures: WindowFigures, limit: float | None = None) -> Parts:
    """The parts of such a window."""
    parts = parts_of(
        MODEL,
        highest=figures.highest,
        mean=figures.mean,
        v=None if figures.mean_volts is None else figures.mean_volts / 460.0,
        unbalance=figures.unbalance,
        t_c=figures.ambient_c,
        full_limit=FULL,
        limit=adjusted_limit(MOTOR, figures.unbalance).amps if limit is None else limit,
    )
    assert parts is not None
    return parts


@given(
    st.floats(25.0, 60.0),
    st.floats(0.0, 10.0),
    st.one_of(st.none(), st.floats(400.0, 510.0)),
    st.one_of(st.none(), st.floats(0.0, 6.0)),
    st.one_of(st.none(), st.floats(-30.0, 45.0)),
)
def test_parts_add_up_to_the_excess(
    mean: float, spread: float, volts: float | None, unbalance: float | None, t_c: float | None
) -> None:
    figures = seen(mean + spread, mean, volts, unbalance, t_c)
    limit = adjusted_limit(MOTOR, unbalance).amps
    parts = split(figures)
    assert parts.total == pytest.approx(figures.highest - limit, abs=1e-9)
    assert sum(amps for _, amps in parts.named()) == parts.total
    assert parts.supply_unbalance == parts.leg_spread + parts.derating
    assert parts.leg_spread >= -1e-12
    assert parts.derating >= 0.0


def test_what_is_not_measured_has_no_part() -> None:
    assert split(seen(45.0, 43.0, None, None, 5.0)).supply_voltage == 0.0
    assert split(seen(45.0, 43.0, 450.0, 0.5, None)).air_density == 0.0
    assert split(seen(45.0, 43.0, None, None, 5.0)).derating == 0.0


def test_signs_of_voltage_and_air() -> None:
    assert split(seen(45.0, 43.0, 440.0)).supply_voltage > 0.0
    assert split(seen(45.0, 43.0, 475.0)).supply_voltage < 0.0
    assert split(seen(45.0, 43.0, t_c=0.0)).air_density > 0.0
    assert split(seen(45.0, 43.0, t_c=35.0)).air_density < 0.0
    assert split(seen(45.0, 43.0, t_c=20.0)).air_density == pytest.approx(0.0, abs=1e-12)


def test_too_lightly_loaded_has_no_parts() -> None:
    bound = 1.1 * MODEL.magnetising(1.0)
    for mean, nothing in ((bound - 0.01, True), (bound + 0.01, False)):
        parts = parts_of(MODEL, highest=mean, mean=mean, v=1.0, unbalance=0.5, t_c=5.0, full_limit=FULL, limit=FULL)
        assert (parts is None) is nothing


@pytest.mark.parametrize(
    ("spread", "unbalance", "together"), [(2.0, 0.6, True), (2.0, 0.4, False), (2.0, None, False), (0.0, 0.0, True)]
)
def test_spread_that_the_supply_explains_is_shown_with_derating(
    spread: float, unbalance: float | None, together: bool
) -> None:
    """2 A on 40 A is 5 %: up to ten times 0.5 %."""
    assert split(seen(40.0 + spread, 40.0, unbalance=unbalance)).one_supply_unbalance is together


def test_main_cause() -> None:
    assert main_cause(split(seen(42.0, 41.0)), FULL) is None
    assert main_cause(split(seen(48.0, 47.0)), FULL) == "fan load"
    assert main_cause(split(seen(44.0, 43.5, 430.0, 0.2)), FULL) == "supply voltage"
    assert main_cause(split(seen(44.0, 41.0, 458.0, 2.0)), FULL) == "supply unbalance"
    assert main_cause(split(seen(44.0, 41.0, 458.0, 0.2)), FULL) == "leg connection"
    assert main_cause(split(seen(44.0, 41.0, 458.0, None)), FULL) == "leg connection"


def test_air_is_the_main_cause_only_where_the_log_shows_it() -> None:
    cold = split(seen(44.0, 43.5, 460.0, 0.5, -10.0))
    assert cold.air_density > 3.0
    assert main_cause(cold, FULL) == "fan load"
    assert main_cause(cold, FULL, under_limit_when_warmer=True) == "air density"
    warm = split(seen(48.0, 47.5, 460.0, 0.5, 25.0))
    assert main_cause(warm, FULL, under_limit_when_warmer=True) == "fan load"


def causes(figures: WindowFigures, **more: bool) -> list[tuple[str, float]]:
    limit = adjusted_limit(MOTOR, figures.unbalance).amps
    found = causes_of(MOTOR, figures, split(figures), unbalance=figures.unbalance, full_limit=FULL, limit=limit, **more)
    for cause in found:
        assert cause.evidence and all(cause.evidence)
        assert cause.confirm_by
    return [(cause.cause, round(cause.share_amps, 2)) for cause in found]


def test_causes_stand_in_their_order_with_shares() -> None:
    assert causes(seen(40.0, 39.0)) == []
    figures = seen(50.0, 46.5, 440.0, 2.0, 0.0)
    parts = split(figures)
    assert causes(figures) == [
        ("fan load", round(parts.at_rated_voltage - FULL, 2)),
        ("supply unbalance", round(parts.supply_unbalance, 2)),
        ("supply voltage", round(parts.supply_voltage, 2)),
    ]
    # Less than 1 % of the limit is not called a cause.
    assert [name for name, _ in causes(seen(48.0, 47.9, 459.0, 0.4, 20.0))] == ["fan load"]


def evidence(figures: WindowFigures, name: str) -> tuple[str, ...]:
    """The evidence for one cause."""
    found = causes_of(MOTOR, figures, split(figures), unbalance=figures.unbalance, full_limit=FULL, limit=FULL)
    return next(cause.evidence for cause in found if cause.cause == name)


def test_evidence_names_the_cold_air() -> None:
    figures = seen(48.0, 47.5, 460.0, 0.5, -5.0)
    added = (
        f"cold air of -5 degrees C (23 F) adds {split(figures).air_density:.1f} A against air of 20 degrees C (68 F)"
    )
    assert any(added in sentence for sentence in evidence(figures, "fan load"))
    warm = replace(figures, ambient_c=30.0)
    assert any("warm air of 30 degrees C (86 F) takes off" in sentence for sentence in evidence(warm, "fan load"))
    assert not any("air" in sentence for sentence in evidence(replace(figures, ambient_c=None), "fan load"))


def test_evidence_of_a_connection_without_volts_says_so() -> None:
    assert "voltage is not measured" in evidence(seen(44.0, 41.0, None, None), "leg connection")[0]
    assert (
        "more than 10 times the voltage unbalance of 0.2 %"
        in evidence(seen(44.0, 41.0, 460.0, 0.2), "leg connection")[0]
    )


def test_air_as_main_cause_takes_its_amps_out_of_the_load() -> None:
    figures = seen(44.0, 43.9, 460.0, 0.5, -10.0)
    parts = split(figures)
    assert causes(figures, under_limit_when_warmer=True) == [("air density", round(parts.air_density, 2))]


def test_load_in_reference_air_is_the_same_in_any_air_and_at_any_voltage() -> None:
    """A fan of one shaft power, seen at other volts and in other air."""
    active = 30.0
    for v, t_c in ((1.0, 20.0), (0.93, 20.0), (1.04, -10.0), (0.95, 35.0)):
        cold = 293.15 / (t_c + 273.15)
        mean = MODEL.mean_leg_at(active, 1.0, v, cold)
        assert reference_load(MODEL, mean, v, t_c) == pytest.approx(active, rel=1e-9)
    assert reference_load(MODEL, 43.0, None, None) == reference_load(MODEL, 43.0, 1.0, 20.0)
