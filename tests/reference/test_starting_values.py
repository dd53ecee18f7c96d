"""Starts an hour and locked-rotor current against printed tables."""

from __future__ import annotations

import pytest

from monitor.motor.nameplate import Motor
from monitor.motor.nec import table_amps
from monitor.motor.starts import STARTS_AN_HOUR, STARTS_POLES, locked_rotor_amps, starts_allowed
from tests.reference.values import Ledger, load

ENTRIES = {entry["id"]: entry for entry in load("starting.json")}


@pytest.mark.parametrize("name", ["st-01", "st-02", "st-04"])
def test_starts_an_hour_as_printed(name: str, ledger: Ledger) -> None:
    inputs = ENTRIES[name]["inputs"]
    row = STARTS_AN_HOUR[float(inputs["power"])]
    ledger.check(ENTRIES[name], starts_an_hour=row[STARTS_POLES.index(inputs["poles"])])


def test_the_start_that_is_one_too_many(ledger: Ledger) -> None:
    inputs = ENTRIES["st-05"]["inputs"]
    ledger.check(
        ENTRIES["st-05"],
        start_that_raises=[starts_allowed(power, inputs["poles"]) + 1 for power in inputs["power"]],
        allowed_nothing_known=starts_allowed(None, None),
    )


@pytest.mark.parametrize("name", ["lr-01", "lr-03"])
def test_locked_rotor_current_by_code_letter(name: str, ledger: Ledger) -> None:
    inputs = ENTRIES[name]["inputs"]
    motor = Motor(
        inputs["voltage"], inputs["phases"], 28.0, rated_power_hp=inputs["power"], code_letter=inputs["code_letter"]
    )
    ledger.check(ENTRIES[name], locked_rotor_amps=locked_rotor_amps(motor))


@pytest.mark.parametrize("name", ["lr-04", "lr-05"])
def test_locked_rotor_current_over_the_full_load_table(name: str, ledger: Ledger) -> None:
    """An inrush is well above twice full-load amps, from where on a reading stands for a start."""
    inputs = ENTRIES[name]["inputs"]
    ratios = []
    for power, locked in zip(inputs["power"], inputs["locked_rotor"], strict=True):
        full = table_amps(inputs["phases"], power, inputs["voltage"])
        assert full is not None
        ratios.append(locked / full)
    assert min(ratios) > 4.0
    ledger.check(ENTRIES[name], ratio_to_full_load=ratios)
