"""The tables and rules of the National Electrical Code, cell by cell."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.motor.nec import greatest_protector_trip, greatest_setting, table_amps
from tests.reference.values import Ledger, load

ENTRIES = {entry["id"]: entry for entry in load("nec.json")}
ROWS = [entry for entry in ENTRIES.values() if "columns" in entry["inputs"]]


@pytest.mark.parametrize("entry", ROWS, ids=lambda entry: entry["id"])
def test_table_currents(entry: dict[str, Any], ledger: Ledger) -> None:
    inputs = entry["inputs"]
    ours = [table_amps(inputs["phases"], inputs["power"], column) for column in inputs["columns"]]
    ledger.check(entry, full_load_amps=ours)


@pytest.mark.parametrize("name", ["nec-03", "nec-04", "nec-05"])
def test_greatest_overload_setting(name: str, ledger: Ledger) -> None:
    inputs = ENTRIES[name]["inputs"]
    cool = inputs.get("marked_temperature_rise", 100) <= 40
    ours = greatest_setting(inputs["nameplate_current"], inputs["service_factor"], marked_rise_40_c=cool)
    ledger.check(ENTRIES[name], overload_max=ours)


def test_greatest_trip_of_a_built_in_protector(ledger: Ledger) -> None:
    entry = ENTRIES["nec-06"]
    inputs = entry["inputs"]
    usual = [
        table_amps(phases, power, volts)
        for phases, power, volts in zip(inputs["phases"], inputs["power"], inputs["voltage"], strict=True)
    ]
    ledger.check(entry, ultimate_trip_max=[greatest_protector_trip(amps or 0.0) for amps in usual])
