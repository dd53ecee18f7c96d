"""The line through the last two hours: against numpy's own fit, and how often it is told where nothing rises."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.blades.rising import FURTHEST_SECONDS, SLOT_MS, Rising, Trails

T = np.arange(0.0, 7_200_000.0, 10_000.0)


def trails_of(amps: np.ndarray, t: np.ndarray = T, parts: int = 1) -> Trails:
    trails = Trails(1)
    for some in np.array_split(np.arange(len(t)), parts):
        trails.add(np.zeros(len(some), np.int64), t[some], amps[some], np.ones(len(some), bool))
    return trails


def test_the_line_is_numpy_s() -> None:
    rng = np.random.default_rng(5)
    amps = 14.0 + 0.4 * T / 3_600_000.0 + rng.normal(0.0, 0.2, len(T))
    found = trails_of(amps).line(0, T[-1], 0.0)
    assert found is not None
    means = amps.reshape(24, 30).mean(axis=1)
    hours = T.reshape(24, 30).mean(axis=1) / 3_600_000.0
    (slope, start), covariance = np.polyfit(hours, means, 1, cov="unscaled")
    residual = means - start - slope * hours
    error = np.sqrt(covariance[0, 0] * (residual @ residual) / 22)
    assert found.amps_an_hour == pytest.approx(slope, rel=1e-9)
    assert found.error == pytest.approx(error, rel=1e-9)
    assert found.now_amps == pytest.approx(start + slope * T[-1] / 3_600_000.0, rel=1e-9)


def test_cut_anyhow_it_is_the_same_to_the_bit() -> None:
    amps = 14.0 + 0.4 * T / 3_600_000.0 + np.sin(T)
    assert trails_of(amps).line(0, T[-1], 0.0) == trails_of(amps, parts=37).line(0, T[-1], 0.0)


def test_a_level_load_is_seldom_told() -> None:
    """Two standard errors: some 3 % of level loads with independent errors would be; no more than 6 % here."""
    told = 0
    for seed in range(200):
        amps = 14.0 + np.random.default_rng(seed).normal(0.0, 0.2, len(T))
        told += trails_of(amps).line(0, T[-1], 0.0) is not None
    assert 1 <= told <= 12


def test_falling_short_and_new_runs_are_not_told() -> None:
    assert trails_of(15.0 - T / 7_200_000.0).line(0, T[-1], 0.0) is None
    rising = trails_of(14.0 + T / 7_200_000.0)
    assert rising.line(0, T[-1], 0.0) is not None
    assert rising.line(0, T[-1], 3_700_000.0) is None  # the run began an hour ago
    assert rising.line(0, T[-1] + 2 * 3_600_000.0, 0.0) is None  # nothing of the last two hours
    rising.forget(0)
    assert rising.line(0, T[-1], 0.0) is None


def test_only_the_last_two_hours_count() -> None:
    t = np.arange(0.0, 6 * 3_600_000.0, 10_000.0)
    amps = np.where(t < 4 * 3_600_000.0, 20.0 - t / 3_600_000.0, 16.0 + (t - 4 * 3_600_000.0) / 3_600_000.0)
    found = trails_of(amps, t).line(0, t[-1], 0.0)
    assert found is not None
    assert found.amps_an_hour == pytest.approx(1.0, rel=1e-6)
    late = np.array([t[-1] - 30 * SLOT_MS])
    before = trails_of(amps, t)
    before.add(np.zeros(1, np.int64), late, np.array([99.0]), np.ones(1, bool))
    assert before.line(0, t[-1], 0.0) == found


def test_unsettled_and_missing_amps_count_for_nothing() -> None:
    trails = trails_of(14.0 + T / 7_200_000.0)
    found = trails.line(0, T[-1], 0.0)
    trails.add(np.zeros(2, np.int64), T[-2:], np.array([90.0, np.nan]), np.array([False, True]))
    assert trails.line(0, T[-1], 0.0) == found


def test_when_it_meets_the_limit() -> None:
    line = Rising(0.5, 0.1, 14.0)
    assert line.seconds_to(14.5) == pytest.approx(3600.0)
    assert line.seconds_to(14.0) is None and line.seconds_to(13.0) is None
    assert line.seconds_to(14.0 + 0.5 * FURTHEST_SECONDS / 3600.0) == FURTHEST_SECONDS
    assert line.seconds_to(20.1) is None
