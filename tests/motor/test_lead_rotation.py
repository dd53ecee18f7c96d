"""What a lead rotation shows: the published readings, and parts that must come out as they were put in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.motor.lead_rotation import BACK, FORWARD, WAYS, judge


def rotated(supply: list[float], motor: list[float], way: str, mean: float = 30.0, load: float = 1.0) -> tuple[
    list[float], list[float]
]:  # fmt: skip
    """Line currents before and after: line n feeds lead n before; lead 1 is on line 2 (forward) or 3 (back) after."""
    lead_on = [2, 0, 1] if way == FORWARD else [1, 2, 0]
    before = [mean + supply[line] + motor[line] for line in range(3)]
    return before, [load * (mean + supply[line] + motor[lead_on[line]]) for line in range(3)]


def test_the_published_example_is_the_supply() -> None:
    """T. Bishop (EASA), Unbalanced Current, Electrical Construction & Maintenance, 4 Nov 2014: A-1 B-2 C-3, then
    A-3 B-1 C-2; readings chosen here."""
    shown = judge((30.0, 33.0, 36.0), (30.2, 33.1, 35.7), FORWARD)
    assert shown.stays_with == "line" and shown.words.startswith("it stays with the line, so it is the supply")
    assert shown.motor_amps < 0.3 and shown.supply_amps == pytest.approx(3.0, abs=0.3)


def test_even_legs_name_no_cause() -> None:
    """Of the same source; readings chosen here, spread below 1 %."""
    assert judge((33.0, 33.1, 32.9), (33.1, 32.9, 33.0), FORWARD).stays_with == "cannot tell"


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("supply", "motor", "stays_with"),
    [
        ([3.0, 0.0, -3.0], [0.0, 0.0, 0.0], "line"),
        ([0.0, 0.0, 0.0], [3.0, -2.0, -1.0], "lead"),
        ([2.0, -1.0, -1.0], [-1.5, 0.0, 1.5], "both"),
        ([3.0, 0.0, -3.0], [1.2, -0.6, -0.6], "line"),
        ([0.3, 0.0, -0.3], [3.0, -1.5, -1.5], "lead"),
        ([0.3, 0.0, -0.3], [0.2, -0.1, -0.1], "cannot tell"),
    ],
)
def test_supply_motor_both_or_neither(way: str, supply: list[float], motor: list[float], stays_with: str) -> None:
    before, after = rotated(supply, motor, way)
    assert judge(before, after, way).stays_with == stays_with
    assert judge(before, [0.9 * amps for amps in after], way).stays_with == stays_with  # the load eased meanwhile


def test_the_way_matters() -> None:
    before, after = rotated([0.0, 0.0, 0.0], [3.0, 0.0, -3.0], FORWARD)
    assert judge(before, after, FORWARD).stays_with == "lead"
    assert judge(before, after, BACK).stays_with != "lead"


parts = st.lists(st.floats(-5, 5), min_size=2, max_size=2).map(lambda two: [*two, -sum(two)])


@given(supply=parts, motor=parts, way=st.sampled_from(WAYS), load=st.floats(0.7, 1.3))
def test_the_parts_come_out_as_they_were_put_in(supply: list[float], motor: list[float], way: str, load: float) -> None:
    shown = judge(*rotated(supply, motor, way, load=load), way)
    assert shown.supply_amps == pytest.approx(max(map(abs, supply)), abs=1e-6)
    assert shown.motor_amps == pytest.approx(max(map(abs, motor)), abs=1e-6)


@pytest.mark.parametrize(
    ("before", "after", "way"),
    [((1, 2), (1, 2, 3), FORWARD), ((1, 2, 3), (1, 2, 3), "up"), ((0, 0, 0), (1, 2, 3), BACK)],
)
def test_what_cannot_be_judged(before: tuple[float, ...], after: tuple[float, ...], way: str) -> None:
    with pytest.raises(ValueError, match="expected"):
        judge(before, after, way)
