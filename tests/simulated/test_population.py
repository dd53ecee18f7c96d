"""The crowd of fans for asking how honest an estimate is."""

from __future__ import annotations

import math
import tomllib
from functools import cache

import numpy as np
import pytest

from simulated.population import draw

CROWD = range(120)
FEW = pytest.mark.parametrize("seed", range(40))
one = cache(draw)  # when a test asks for it: each process collects this file, one runs it


def limit(fan) -> float:
    plate = tomllib.loads(fan.nameplate())["motor"]
    return plate["full_load_amps"] * plate["service_factor"]


def test_the_crowd_is_spread_as_promised():
    crowd = [one(seed) for seed in CROWD]
    ratios = np.array([fan.true_highest_leg() / limit(fan) for fan in crowd])
    assert 0.919 < ratios.min() < 0.95
    assert 1.09 < ratios.max() < 1.121
    assert 0.4 < (ratios > 1.0).mean() < 0.8
    slopes = np.array([fan.slope for fan in crowd])
    assert 0.05 <= slopes.min() < 0.055
    assert 0.105 < slopes.max() <= 0.11
    assert slopes.mean() == pytest.approx(0.08, abs=0.006)
    assert 0.1 < np.mean([fan.phases == 1 for fan in crowd]) < 0.4
    assert all(fan.coldest_c < fan.air_c for fan in crowd)


def test_the_same_seed_is_the_same_fan_with_the_same_readings():
    again = draw(7)
    assert again.nameplate() == one(7).nameplate()
    first, second = one(7).readings(5.0), again.readings(5.0)
    for name, column in first.items():
        np.testing.assert_array_equal(column, second[name])
    assert not np.array_equal(first["l1"], one(7).readings(5.0, pitch=again.pitch - 1)["l1"])


@FEW
def test_readings_are_the_truth_within_the_clamps_accuracy(seed):
    fan = one(seed)
    columns = fan.readings(30.0)
    assert columns["t_ms"].dtype == np.int64
    assert np.all(np.diff(columns["t_ms"]) == 10_000)
    assert {name: c.size for name, c in columns.items()} == dict.fromkeys(
        ("t_ms", "l1", "l2", "l3", "v12", "v23", "v31", "ambient_c"), 180
    )
    truth = fan.true_legs()
    for k, name in enumerate(("l1", "l2", "l3")):
        if k >= len(truth):
            assert np.isnan(columns[name]).all()
            continue
        assert abs(columns[name].mean() - truth[k]) < 0.02 * truth[k] + 0.5 + 0.1
    rated = tomllib.loads(fan.nameplate())["motor"]["rated_voltage"]
    mean = np.nanmean(
        [columns["v12"].mean(), *([columns["v23"].mean(), columns["v31"].mean()] if fan.phases == 3 else [])]
    )
    assert mean / rated == pytest.approx(fan.volts_over_rated, abs=0.003)
    assert columns["ambient_c"].mean() == pytest.approx(fan.air_c, abs=0.1)


@FEW
def test_less_pitch_less_current_colder_air_more(seed):
    fan = one(seed)
    assert list(fan.inserts) == sorted(fan.inserts)
    assert fan.inserts[-1] == fan.pitch
    amps = [fan.true_highest_leg(pitch=pitch) for pitch in fan.inserts]
    assert amps == sorted(amps)
    assert fan.true_highest_leg(air_c=fan.coldest_c) > fan.true_highest_leg()
    # Shaft power goes with exp(slope); current, holding a magnetising part, by somewhat less a degree.
    worth = math.log(fan.true_highest_leg() / fan.true_highest_leg(pitch=fan.pitch - 1.0))
    assert 0.45 * fan.slope < worth < 1.05 * fan.slope


def test_right_volts_are_rated_and_balanced():
    fan = next(f for f in map(one, CROWD) if f.phases == 3 and abs(f.unbalance) > 0.02)
    columns = fan.readings(5.0, volts="right")
    rated = tomllib.loads(fan.nameplate())["motor"]["rated_voltage"]
    for name in ("v12", "v23", "v31"):
        assert columns[name].mean() == pytest.approx(rated, rel=0.004)
    legs = fan.true_legs(volts="right")
    assert legs == pytest.approx(np.full(3, legs[0]))
    with pytest.raises(ValueError, match="volts"):
        fan.true_highest_leg(volts="wrong")
