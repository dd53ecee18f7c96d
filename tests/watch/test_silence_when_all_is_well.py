"""A thousand hours of healthy fans raise nothing. Seeded: a failure comes again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Floats, Readings
from monitor.watch.limits import resolve, stack
from tests.conftest import nameplate

FULL_LOAD, RATED = 40.0, 460.0
HOURS = 10.0
FANS = 100


def healthy(random: np.random.Generator, period: float, cycled: bool, phases: int) -> tuple[Floats, Floats, Floats]:
    """Ten hours of one fan: times [ms], legs, volts; load ratio up to 0.94, unbalance up to 2.4 %, gaps of 5 min."""
    t = np.arange(0.0, HOURS * 3600, period)
    for start in random.uniform(0, HOURS * 3600, 3):  # the radio link is gone for five minutes
        t = t[(t < start) | (t >= start + 300)]
    slow = np.sin(2 * np.pi * t / random.uniform(1800, 40_000) + random.uniform(0, 6))
    unbalance = 1.2 + 1.2 * slow * random.uniform(0, 1)  # at most 2.4 %
    x = RATED * random.uniform(0.95, 1.05) * unbalance / 200
    mean = x * 200 / unbalance
    lines = np.stack([mean + 2 * x, mean - x, mean - x], axis=1) * (1 + 0.001 * random.standard_normal((len(t), 3)))
    derating = np.interp(unbalance, [0, 1, 2, 3], [1, 1, 0.95, 0.88]) if phases == 3 else 1.0
    load = random.uniform(0.5, 0.94) * (0.99 + 0.01 * slow)
    legs = (FULL_LOAD * derating * load)[:, None] * np.array([1.0, 0.97, 0.95])
    legs = legs * (1 + 0.005 * random.standard_normal((len(t), 3)))
    if cycled:
        length = random.uniform(600, 3600)
        into = t % length
        legs[into > 0.6 * length] = 0.0
        inrush = (into < 4.0) & (t > 0)
        legs[inrush] = 5.5 * FULL_LOAD
    if phases == 1:
        legs[:, 1:] = lines[:, 1:] = math.nan
    return 1000.0 * t, legs, lines


@pytest.mark.parametrize(("period", "share"), [(1.0, 0.1), (10.0, 0.5), (60.0, 0.4)])
def test_a_thousand_hours_of_healthy_fans(period: float, share: float) -> None:
    random = np.random.default_rng(int(period))
    fans = int(FANS * share)
    plates = [nameplate(control=control, period_seconds=given, phases=phases)
              for control in ("continuous", "cycled") for given in (period, None) for phases in (3, 1)]  # fmt: skip
    limits = stack([resolve(plate) for plate in plates])
    rows, runs = 0, 0
    for fan in range(fans):
        kind = fan % len(plates)
        plate = plates[kind]
        t, legs, lines = healthy(random, period, plate.fan.control == "cycled", plate.motor.phases)
        zeros = np.zeros(len(t), np.int32)
        changes, judged = advance(new_states(1), Readings(zeros, t, legs, lines, zeros + kind), limits)
        raised = [change for change in changes if change.condition is not None]
        assert raised == [], (fan, kind, raised[:3])
        assert 0.4 < np.nanmax(judged.ratio[judged.highest < 2 * FULL_LOAD]) < 0.98  # noise may pass 0.94
        rows, runs = rows + len(t), runs + len(changes)
    assert rows * period / 3600 > 0.97 * fans * HOURS  # the hours were there
    assert runs > fans  # and the cycled fans did start and stop


def test_the_same_fans_with_a_tenth_more_load_do_ring() -> None:
    # The generator can bring out an overload: its silence above means something.
    random = np.random.default_rng(5)
    limits = stack([resolve(nameplate())])
    raised = 0
    for _ in range(20):
        t, legs, lines = healthy(random, 10.0, False, 3)
        zeros = np.zeros(len(t), np.int32)
        scale = 1.08 / (np.max(legs[:, 0]) / FULL_LOAD)
        changes, _ = advance(new_states(1), Readings(zeros, t, legs * scale, lines, zeros), limits)
        raised += any(change.condition == "overload" for change in changes)
    assert raised == 20
