"""Checks before the blades: which, in what order, how safely, what a finding means, how long they count."""

from __future__ import annotations

import itertools

import pytest

from monitor.blades.checks import GOOD_FOR_DAYS, all_done, checks_for

ORDER = {
    3: ["supply voltage", "connections", "bearings"],
    1: ["supply voltage", "connections", "bearings", "start switch and capacitors"],
}


@pytest.mark.parametrize("phases", [1, 3])
def test_the_order_is_the_trade_s(phases: int) -> None:
    assert [check.name for check in checks_for(phases)] == ORDER[phases]
    assert GOOD_FOR_DAYS == 30


@pytest.mark.parametrize("phases", [1, 3])
def test_each_says_how_safely_and_what_a_finding_means(phases: int) -> None:
    for check in checks_for(phases):
        assert "qualified person" in check.how or check.how.startswith("Locked out"), check.name
        assert len(check.finding) > 40 and check.finding.endswith(".")
    bearings, connections = (checks_for(phases)[place].how for place in (2, 1))
    assert bearings.startswith("Locked out, rotor blocked") and connections.startswith("Locked out and proved dead")
    if phases == 1:
        assert "capacitors discharged and proved so" in checks_for(1)[3].how


def test_rotation_is_spoken_of_where_there_is_one() -> None:
    """A single-phase motor turns the same way however its two leads are changed over."""
    assert "check the rotation" in checks_for(3)[0].finding
    assert "rotation" not in checks_for(1)[0].finding
    assert "line-to-line" not in checks_for(1)[0].how


@pytest.mark.parametrize("phases", [1, 3])
def test_provisional_until_every_one_is_done(phases: int) -> None:
    names = ORDER[phases]
    for count in range(len(names)):
        for some in itertools.combinations(names, count):
            assert not all_done(phases, {*some, "something else"})
    assert all_done(phases, {*names})
