"""Logs for the review's tests: written as text, or steady."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from hypothesis import strategies as st

from monitor.motor.nameplate import Fan, Logger, Motor, Nameplate, Protection
from monitor.review.log import Log
from tests.watch.timeline import Timeline, seconds

START_MS = 1_790_000_000_000


def plate(
    *, setting: float | None = 40.0, trip_class: int = 10, kind: str = "overload relay", control: str = "continuous",
    period: float | None = 10.0, inserts: Sequence[float] = (15, 17, 19, 21), coldest: float | None = -10.0,
    averaging: bool = False, conditions: Mapping[str, Any] | None = None, **motor: Any,
) -> Nameplate:  # fmt: skip
    """A three-phase fan of 30 hp, 460 V and 40 A, service factor 1.0, with a relay of class 10 set to 40 A."""
    figures = {"rated_voltage": 460.0, "phases": 3, "full_load_amps": 40.0, "rated_power_hp": 30.0} | motor
    return Nameplate(
        Motor(**figures), Protection(kind, trip_class, setting),
        Fan(21.0, tuple(inserts), 13.0, coldest_expected_c=coldest, control=control),
        Logger(period_seconds=period, averaging=averaging),
        # Figures without noise are those of a dead logger.
        conditions={"logger-suspect": {"off": True}} | dict(conditions or {}),
    )  # fmt: skip


def told(
    text: str, period: int = 10, *, ambient_c: float | Sequence[tuple[int, float]] = 10.0, noise: float = 0.0,
    phases: int = 3, seed: int = 1,
) -> Log:  # fmt: skip
    """A log from lines such as

        00:00:00  38 | 460              all legs, all lines; or three of each, with spaces between
        00:10:00  36>44 | -             a straight line; no volts
        00:20:00  silent
        00:21:00  0 | 460 | 1           `called`
        00:22:00  end

    Parameters
    ----------
    ambient_c : air, or its values from seconds on
    noise : standard deviation of the legs, as a share
    """
    stretches = [(seconds(line.split()[0]), line.split(None, 1)[1].strip()) for line in text.strip().splitlines()]
    rows = Timeline("log", plate(phases=phases), period, stretches).rows()
    t_s = np.array([row[1] for row in rows]) / 1000.0
    amps = np.array([row[2] for row in rows]) * (
        1.0 + noise * np.random.default_rng(seed).standard_normal((len(rows), 3))
    )
    volts, called = np.array([row[3] for row in rows]), np.array([row[5] for row in rows])
    if isinstance(ambient_c, (int, float)):
        air = np.full(len(rows), float(ambient_c))
    else:
        since, values = zip(*ambient_c, strict=True)
        air = np.array(values)[np.searchsorted(np.array(since), t_s, side="right") - 1]
    t_ms = START_MS + (1000.0 * t_s).astype(np.int64)
    return Log("home/bin-1", t_ms, amps, volts, air, called, {"period_seconds": float(period)})


def steady(amps: Sequence[float], volts: Sequence[float], air: float, minutes: float = 40.0, period: int = 10) -> Log:
    """A log in which nothing changes."""
    n = round(60.0 * minutes / period)
    legs, lines = np.full((n, 3), math.nan), np.full((n, 3), math.nan)
    legs[:, : len(amps)], lines[:, : len(volts)] = amps, volts
    t_ms = START_MS + 1000 * period * np.arange(n, dtype=np.int64)
    return Log("worked", t_ms, legs, lines, np.full(n, air), np.full(n, math.nan))


def clock(ms: float) -> str:
    """Time since the beginning of a log, HH:MM:SS."""
    second = round((ms - START_MS) / 1000.0)
    return f"{second // 3600:02}:{second // 60 % 60:02}:{second % 60:02}"


LOADS = (0.0, 20.0, 36.0, 39.5, 41.0, 44.0, 47.0, 55.0, 150.0)


@st.composite
def invented(draw: st.DrawFn) -> tuple[Log, Nameplate]:
    """A log of stretches of load, with stops, gaps, missing values, unbalance and cold."""
    period = draw(st.sampled_from([1, 10, 60]))
    stretches = draw(
        st.lists(st.tuples(st.sampled_from(LOADS), st.integers(1, 120), st.booleans()), min_size=1, max_size=6)
    )
    random = np.random.default_rng(draw(st.integers(0, 1000)))
    n = sum(count for _, count, _ in stretches)
    load = np.repeat([load for load, _, _ in stretches], [count for _, count, _ in stretches])
    gaps = np.zeros(n, np.int64)
    firsts = np.cumsum([0, *(count for _, count, _ in stretches)])[:-1]
    gaps[firsts] = [random.choice([5 * period, 1_200]) if gap else 0 for *_, gap in stretches]
    t_ms = START_MS + 1000 * np.cumsum(gaps + period)
    amps = load[:, None] * (1.0 + random.uniform(0.0, 0.05) * random.uniform(-1.0, 1.0, (n, 3)))
    amps[random.uniform(size=(n, 3)) < 0.03] = math.nan
    volts = np.array([460.0, 455.0, 463.0]) * random.uniform(0.88, 1.06, (n, 1))
    volts[random.uniform(size=n) < 0.2] = math.nan
    air = np.where(random.uniform(size=n) < 0.3, random.choice([-8.0, 5.0, 18.0], n), math.nan)
    log = Log("x", t_ms, amps, volts, air, np.full(n, math.nan))
    setting = draw(st.sampled_from([None, 36.0, 40.0, 46.0]))
    given_period = draw(st.sampled_from([None, float(period)]))
    return log, plate(setting=setting, period=given_period, averaging=draw(st.booleans()))
