"""The source: own loads lower its volts, an open delta gets unbalanced by load, sags, outages, the daily swing."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np
import pytest

from simulated import supply
from simulated.scenario import Supply


def volts(farm, minutes=30):
    """(readings, 3) line-to-line volts of the first fan."""
    fan = farm.columns(farm.start + timedelta(minutes=minutes))["s", "f1"]
    return np.stack([fan[name] for name in ("v12", "v23", "v31")], axis=1)


def unbalance(lines):
    mean = lines.mean(axis=1, keepdims=True)
    return float(np.median(100.0 * np.abs(lines - mean).max(axis=1) / mean[:, 0]))


@pytest.mark.parametrize("phases", [1, 3])
def test_the_named_drop_at_the_named_load(phases):
    source = Supply(volts=240.0, phases=phases, kva=25.0, drop_percent=3.0)
    z = supply.impedance(source)[0]
    current = 25_000 / 240.0 / (math.sqrt(3.0) if phases == 3 else 1.0)
    fall = z * current * complex(0.85, -math.sqrt(1 - 0.85**2)) * (math.sqrt(3.0) if phases == 3 else 2.0)
    assert 100.0 * (240.0 - abs(240.0 - fall)) / 240.0 == pytest.approx(3.0, abs=0.1)


def test_more_fans_lower_the_volts(farm_of):
    levels = [float(volts(farm_of("", fans=n)).mean()) for n in (1, 2, 3, 4)]
    falls = -np.diff(levels)
    assert np.all(falls > 2.0)
    assert falls == pytest.approx(np.full(3, falls[0]), rel=0.15)


def test_an_open_delta_gets_unbalanced_as_its_load_grows(farm_of):
    closed = [unbalance(volts(farm_of("", fans=n))) for n in (1, 4)]
    opened = [
        unbalance(volts(farm_of("", supply="legs = [0.6, 1.8, 0.6]\nunbalance_percent = 0.0", fans=n))) for n in (1, 4)
    ]
    assert max(closed) < 0.35  # the logger's own errors
    assert opened[1] > opened[0] + 0.4
    assert opened[1] > 1.0


def test_unbalance_of_the_source_is_what_was_asked_for(farm_of):
    for asked in (1.0, 3.0):
        found = unbalance(
            volts(farm_of("", supply=f"unbalance_percent = {asked}\nunbalance_degrees = 0.0\ndrop_percent = 0.01"))
        )
        assert found == pytest.approx(asked, abs=0.35)


def test_a_fan_that_stops_gives_its_volts_back(farm_of):
    event = '[[events]]\nat = "15m"\nsite = "s"\non = "f2"\nwhat = "off"'
    lines = volts(farm_of(event, fans=2))
    assert lines[-60:].mean() - lines[:60].mean() > 2.0


def test_after_an_outage_fans_start_again_by_themselves(farm_of):
    event = '[[events]]\nat = "5m"\nlasts = "4m"\nsite = "s"\non = "p"\nwhat = "outage"'
    farm = farm_of(event)
    fan = farm.columns(farm.start + timedelta(minutes=30))["s", "f1"]
    since = fan["t"] - farm.start.timestamp()
    dark = (since > 300.0) & (since <= 540.0)
    assert fan["v12"][dark].max() < 0.5
    assert fan["l1_amps"][dark].max() < 0.2
    assert fan["v12"][~dark].min() > 400.0
    assert fan["l1_amps"][since > 700.0].min() > 8.0
    assert [(end.cause, round((end.t - farm.start).total_seconds())) for end in farm.truth.ends] == [
        ("supply lost", 300)
    ]
    again = (farm.truth.starts[0].t - farm.start).total_seconds()
    assert 540.0 + 0.7 * 60.0 <= again <= 540.0 + 1.5 * 60.0 + 10.0


def test_sags_and_outages_come_as_often_as_asked():
    source = supply.Source(
        Supply(volts=480.0, sags_per_day=20.0, sag_percent=20.0, outages_per_month=60.0), np.random.default_rng(3)
    )
    sags = outages = 0
    for block in range(48 * 10):
        local = 1.79e9 + 1800.0 * block + 10.0 * np.arange(180)
        phasors, alive = source.block(local, 10.0, np.zeros(180), np.zeros(180))
        level = np.abs(phasors[:, 0] - phasors[:, 1]) / 480.0
        low = level < 0.95
        sags += int(low[0]) + int((np.diff(low.astype(int)) == 1).sum())
        outages += int(1 - alive[0]) + int((np.diff(alive) == -1).sum())
    assert 150 <= sags <= 230
    assert 10 <= outages <= 35


def test_volts_are_lowest_in_the_early_evening():
    source = supply.Source(Supply(volts=480.0, swing_percent=2.0, noise_percent=0.0), np.random.default_rng(3))
    hours = np.arange(24.0)
    level = np.abs(source.block(3600.0 * hours, 10.0, np.zeros(24), np.zeros(24))[0][:, 0])
    assert hours[np.argmin(level)] in (18.0, 19.0)
    assert level.max() / level.min() == pytest.approx(1.04, abs=0.003)
