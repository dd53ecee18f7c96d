"""Air density against printed figures, CoolProp and PsychroLib."""

from __future__ import annotations

from typing import Any

import numpy as np
import psychrolib
import pytest

from monitor.blades.air import density, power_at_reference, power_ratio, saturation_pressure, site_pressure
from tests.reference.values import Ledger, load

ENTRIES = {entry["id"]: entry for entry in load("air.json")}
MOIST = [ENTRIES[f"ad-0{number}"] for number in range(1, 8)]
TEMPERATURES = np.arange(-25.0, 41.0, 5.0)


@pytest.mark.parametrize("entry", MOIST, ids=lambda entry: entry["id"])
def test_moist_air(entry: dict[str, Any], ledger: Ledger) -> None:
    inputs = entry["inputs"]
    ledger.check(entry, density=density(inputs["temperature"], inputs["pressure"], inputs["relative_humidity"]))


def test_standard_air(ledger: Ledger) -> None:
    entry = ENTRIES["ad-10"]
    inputs = entry["inputs"]
    ledger.check(entry, density=[density(t, inputs["pressure"]) for t in inputs["temperature"]])
    ledger.check(
        ENTRIES["ad-11"],
        saturation_pressure=[saturation_pressure(t) for t in ENTRIES["ad-11"]["inputs"]["temperature"]],
    )


def test_standard_atmosphere(ledger: Ledger) -> None:
    entry = ENTRIES["sa-01"]
    pressures = [site_pressure(altitude) for altitude in entry["inputs"]["altitude_geometric"]]
    kelvins = entry["inputs"]["temperature"]
    densities = [density(kelvin - 273.15, pressure) for kelvin, pressure in zip(kelvins, pressures, strict=True)]
    ledger.check(entry, pressure=pressures, density=densities)


def test_power_goes_with_density(ledger: Ledger) -> None:
    entry = ENTRIES["fl-01"]
    inputs = entry["inputs"]
    ratio = power_ratio(inputs["temperature_1"], inputs["temperature_2"])
    ledger.check(entry, power_2=inputs["power"] * ratio, static_pressure_2=inputs["static_pressure"] * ratio)


@pytest.mark.parametrize("altitude", [0.0, 1500.0])
def test_density_ratio_against_other_libraries(altitude: float, ledger: Ledger) -> None:
    """What counts is the ratio between two temperatures at one site; dry and at 80 % humidity."""
    from CoolProp.HumidAirProp import HAPropsSI  # a second and more, and each process collects this file

    pressure = site_pressure(altitude)
    psychrolib.SetUnitSystem(psychrolib.SI)
    ours = [1.0 / power_at_reference(t) for t in TEMPERATURES]
    dry = np.array([1.0 / HAPropsSI("Vha", "T", t + 273.15, "P", pressure, "R", 0.0) for t in TEMPERATURES])
    reference = 1.0 / HAPropsSI("Vha", "T", 293.15, "P", pressure, "R", 0.0)
    ledger.compare("CoolProp (humid air)", f"density ratio, dry, {altitude:.0f} m", ours, dry / reference, rel=0.001)
    dry = np.array([psychrolib.GetDryAirDensity(t, pressure) for t in TEMPERATURES])
    reference = psychrolib.GetDryAirDensity(20.0, pressure)
    name = "PsychroLib (ASHRAE)"
    ledger.compare(name, f"density ratio, dry, {altitude:.0f} m", ours, dry / reference, rel=0.001)
    # Humidity is left out of the correction. Within 2.5 % even at 40 degrees C and 80 %; within 1 % where fans run at
    # night.
    cool = TEMPERATURES[TEMPERATURES <= 20.0]
    moist = np.array([1.0 / HAPropsSI("Vha", "T", t + 273.15, "P", pressure, "R", 0.8) for t in cool])
    reference = 1.0 / HAPropsSI("Vha", "T", 293.15, "P", pressure, "R", 0.8)
    ledger.compare(
        "CoolProp (humid air)",
        f"density ratio, 80 %, {altitude:.0f} m",
        ours[: len(cool)],
        moist / reference,
        rel=0.012,
    )


def test_density_against_other_libraries(ledger: Ledger) -> None:
    from CoolProp.HumidAirProp import HAPropsSI

    for humidity in (0.0, 0.5, 1.0):
        ours = [density(t, 98_000.0, humidity) for t in TEMPERATURES]
        theirs = [1.0 / HAPropsSI("Vha", "T", t + 273.15, "P", 98_000.0, "R", humidity) for t in TEMPERATURES]
        # CoolProp's Vha is per kilogram of humid air.
        ledger.compare("CoolProp (humid air)", f"density at {humidity:.0%}", ours, theirs, rel=0.0015)
