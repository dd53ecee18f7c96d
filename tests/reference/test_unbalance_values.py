"""Voltage and current unbalance, and what NEMA takes off for it, against printed figures and phasors."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.errors import ReadingError
from monitor.motor.limit import adjusted_limit, derating_factor, full_limit
from monitor.motor.nameplate import Motor
from monitor.motor.unbalance import (
    current_unbalance,
    current_unbalance_expected,
    extra_heating,
    true_voltage_unbalance,
    voltage_unbalance,
)
from tests.reference.values import Ledger, load

VOLTAGES = {entry["id"]: entry for entry in load("voltage_unbalance.json")}
THREE = [entry for entry in VOLTAGES.values() if entry["id"] not in ("vu-14", "vu-15")]
CURRENTS = {entry["id"]: entry for entry in load("current_unbalance.json")}
DERATING = {entry["id"]: entry for entry in load("derating.json")}


@pytest.mark.parametrize("entry", THREE, ids=lambda entry: entry["id"])
def test_voltage_unbalance(entry: dict[str, Any], ledger: Ledger) -> None:
    volts = [float(entry["inputs"][name]) for name in ("v_ab", "v_bc", "v_ca")]
    nema = voltage_unbalance(*volts)
    if any(value["name"] == "nema_unbalance" for value in entry["values"]):
        ledger.check(entry, nema_unbalance=nema)
    ledger.check(entry, nema_unbalance_unrounded=nema, true_factor=true_voltage_unbalance(*volts))


def test_voltages_that_cannot_belong_together(ledger: Ledger) -> None:
    entry = VOLTAGES["vu-14"]
    volts = [float(entry["inputs"][name]) for name in ("v_ab", "v_bc", "v_ca")]
    with pytest.raises(ReadingError, match="voltages do not belong together"):
        true_voltage_unbalance(*volts)
    in_arrays = true_voltage_unbalance(*(np.array([volt]) for volt in volts))
    ledger.check(entry, belongs_together=float(not math.isnan(in_arrays[0])))


def test_one_nema_figure_has_a_band_of_true_factors(ledger: Ledger) -> None:
    entry = VOLTAGES["vu-15"]
    spread, one_high = entry["inputs"]["triple_spread"], entry["inputs"]["triple_one_high"]
    ledger.check(
        entry,
        nema_unbalance_both=[voltage_unbalance(*spread), voltage_unbalance(*one_high)],
        true_factor_spread=true_voltage_unbalance(*spread),
        true_factor_one_high=true_voltage_unbalance(*one_high),
        true_factor_spread_unrounded=true_voltage_unbalance(*spread),
        true_factor_one_high_unrounded=true_voltage_unbalance(*one_high),
    )


def test_true_factor_against_phasors(ledger: Ledger) -> None:
    """Sequence components of random phasors, then the factor from their magnitudes alone."""
    random = np.random.default_rng(20261004)
    n = 500
    a = np.exp(2j * np.pi / 3)
    positive = np.full(n, 480.0 + 0j)
    negative = 480.0 * random.uniform(0.0, 0.2, n) * np.exp(2j * np.pi * random.uniform(0.0, 1.0, n))
    v12 = positive + negative
    v23 = a**2 * positive + a * negative
    v31 = a * positive + a**2 * negative
    ours = true_voltage_unbalance(np.abs(v12), np.abs(v23), np.abs(v31))
    truth = 100.0 * np.abs(negative) / np.abs(positive)
    ledger.compare("phasors (numpy), 500 random supplies", "V2/V1", ours, truth, abs=1e-6)
    beta = sum(np.abs(v) ** 4 for v in (v12, v23, v31)) / sum(np.abs(v) ** 2 for v in (v12, v23, v31)) ** 2
    root = np.sqrt(np.clip(3.0 - 6.0 * beta, 0.0, 1.0))
    as_standard = 100.0 * np.sqrt((1.0 - root) / (1.0 + root))
    ledger.compare("IEC 61000-4-30 form with beta (numpy)", "V2/V1", ours, as_standard, abs=1e-5)


def test_current_unbalance(ledger: Ledger) -> None:
    entry = CURRENTS["cu-01"]
    low, high = current_unbalance_expected(entry["inputs"]["nema_voltage_unbalance"])
    ledger.check(entry, current_unbalance_low=low, current_unbalance_high=high)
    for name in ("cu-02", "cu-03"):
        legs = [CURRENTS[name]["inputs"][leg] for leg in ("i_1", "i_2", "i_3")]
        ledger.check(CURRENTS[name], current_unbalance=current_unbalance(*legs))


@pytest.mark.parametrize("entry", load("unbalance_heating.json"), ids=lambda entry: entry["id"])
def test_extra_heating(entry: dict[str, Any], ledger: Ledger) -> None:
    ledger.check(entry, extra_temperature_rise=[extra_heating(u) for u in entry["inputs"]["nema_unbalance"]])


@pytest.mark.parametrize("name", ["dr-01", "dr-02", "dr-04"])
def test_derating_factor(name: str, ledger: Ledger) -> None:
    entry = DERATING[name]
    ledger.check(entry, derating_factor=derating_factor(np.array(entry["inputs"]["nema_unbalance"], float)))


def test_derating_of_the_printed_example(ledger: Ledger) -> None:
    entry = DERATING["dr-03"]
    unbalance = voltage_unbalance(*(float(entry["inputs"][name]) for name in ("v_ab", "v_bc", "v_ca")))
    motor = Motor(460, 3, 14.0)
    factor = adjusted_limit(motor, unbalance).amps / full_limit(motor)
    ledger.check(entry, derating_factor=factor, permitted_power=entry["inputs"]["rated_power"] * factor)
