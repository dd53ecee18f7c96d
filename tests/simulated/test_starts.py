"""Starts: inrush, its length, what low volts do to it, and what the overload device feels of it."""

from __future__ import annotations

from datetime import timedelta

import numpy as np

ON = '[[events]]\nat = "10m"\nsite = "s"\non = "f1"\nwhat = "on"\n'
FAST = "logger = { period_seconds = 1 }\ncycle = { runs_at_start = false }\n"
TRUTH = "truth = { load = 0.9, amps_factor = 1.0, start_seconds = 4.0, pickup_ratio = 1.15, time_factor = 0.8 }\n"


def legs(farm, minutes=20):
    fan = farm.columns(farm.start + timedelta(minutes=minutes))["s", "f1"]
    return fan["t"] - farm.start.timestamp(), np.stack([fan[n] for n in ("l1_amps", "l2_amps", "l3_amps")], axis=1)


def test_inrush_is_seen_at_one_second_and_lasts_as_long_as_the_start(farm_of):
    farm = farm_of(ON, fan=FAST + TRUTH)
    since, amps = legs(farm)
    assert farm.step_seconds == 1.0
    assert amps[since <= 600.0].max() < 0.2
    high = amps.max(axis=1) > 2.0 * 12.4
    assert 3 <= high.sum() <= 5
    assert 5.0 <= amps.max() / 12.4 <= 8.0
    assert since[high].min() > 600.0
    assert since[high].max() < 606.0
    assert 10.0 < amps[since > 620.0].mean() < 13.0


def test_low_volts_make_a_start_longer(farm_of):
    counts = []
    for low in (False, True):
        event = ON if not low else ON + '[[events]]\nat = "0s"\nsite = "s"\non = "p"\nwhat = "volts"\nby = -18.0\n'
        _, amps = legs(farm_of(event, fan=FAST + TRUTH))
        counts.append(int((amps.max(axis=1) > 2.0 * 12.4).sum()))
    assert counts[1] > counts[0]


def test_a_normal_start_does_not_open_the_device_but_ten_in_a_row_do(farm_of):
    farm = farm_of(ON, fan=FAST + TRUTH)
    farm.columns(farm.start + timedelta(hours=1))
    assert farm.truth.ends == []
    cycle = "logger = { period_seconds = 1 }\ncycle = { on_minutes = 0.25, off_minutes = 0.15 }\n"
    farm = farm_of("", fan=cycle + TRUTH)
    farm.columns(farm.start + timedelta(hours=1))
    assert "overload trip" in {end.cause for end in farm.truth.ends}


def test_a_sample_catches_a_start_only_by_chance(farm_of):
    caught = []
    for seed in range(12):
        farm = farm_of(ON, fan="cycle = { runs_at_start = false }\n" + TRUTH, seed=seed)
        _, amps = legs(farm)
        caught.append(bool((amps.max(axis=1) > 24.8).any()))
    assert 1 <= sum(caught) <= 11


def test_the_mean_over_a_start_lies_between(farm_of):
    averaging = "logger = { period_seconds = 10, averaging = true }\ncycle = { runs_at_start = false }\n"
    since, amps = legs(farm_of(ON, fan=averaging + TRUTH))
    first = amps[(since > 600.0) & (since <= 620.0)].max()
    assert 12.4 < first < 5.0 * 12.4
