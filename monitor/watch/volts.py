"""The smoothed line voltages of a fan, and the period of its logger."""

from __future__ import annotations

import math

from monitor.motor.compiled import inlined
from monitor.motor.unbalance import unbalance_of
from monitor.watch import layout as at
from monitor.watch.columns import Floats

SMOOTHING_MS = 60_000.0
"""Time constant of the smoothed voltages."""
LOST_SHARE = 0.5
"""A line under this share of rated voltage is lost: the smoothing starts anew after it."""
UNKNOWN_PERIOD_MS = 60_000.0
"""The period taken until one is given or learned."""


@inlined
def learn_period(state: Floats, given_ms: float, interval_ms: float) -> float:
    """The period in use: given, else the median of the first nine intervals, else 60 s."""
    if not math.isnan(given_ms):
        state[at.PERIOD_MS] = given_ms
        return given_ms
    known = int(state[at.INTERVALS])
    if known < at.LEARNED_INTERVALS:
        if not math.isnan(interval_ms):
            # kept sorted, so that the median is simply the middle one
            place = at.FIRST_INTERVAL + known
            while place > at.FIRST_INTERVAL and state[place - 1] > interval_ms:
                state[place] = state[place - 1]
                place -= 1
            state[place] = interval_ms
            known += 1
            state[at.INTERVALS] = known
        if known < at.LEARNED_INTERVALS:
            state[at.PERIOD_MS] = UNKNOWN_PERIOD_MS
            return UNKNOWN_PERIOD_MS
    period = float(state[at.FIRST_INTERVAL + at.LEARNED_INTERVALS // 2])
    state[at.PERIOD_MS] = period
    return period


@inlined
def smooth_volts(state: Floats, limits: Floats, t: float, volts: Floats, row: int) -> bool:
    """Carries the smoothed voltages on; true when this row gives a voltage unbalance."""
    lost = False
    known = 0
    for line in range(3):
        if not math.isnan(volts[row, line]):
            known += 1
            if volts[row, line] < LOST_SHARE * limits[at.RATED_VOLTS]:
                lost = True
    if known == 0:
        return False
    if lost:
        state[at.V12] = math.nan
        state[at.V23] = math.nan
        state[at.V31] = math.nan
        state[at.VOLTS_MS] = t
        return False
    keep = 0.0
    if not math.isnan(state[at.VOLTS_MS]):
        step = t - state[at.VOLTS_MS]
        if step != state[at.VOLTS_STEP_MS]:
            state[at.VOLTS_STEP_MS] = step
            state[at.VOLTS_KEEP] = math.exp(-step / SMOOTHING_MS)
        keep = state[at.VOLTS_KEEP]
    for line in range(3):
        volt = volts[row, line]
        if not math.isnan(volt):
            before = state[at.V12 + line]
            state[at.V12 + line] = volt if math.isnan(before) else volt + (before - volt) * keep
        else:
            state[at.V12 + line] = math.nan  # an old value must not weigh as if it were fresh when the line comes back
    state[at.VOLTS_MS] = t
    if known < 3 or limits[at.PHASES] != 3.0:
        return False
    state[at.UNBALANCE] = unbalance_of(state[at.V12], state[at.V23], state[at.V31])
    state[at.UNBALANCE_MS] = t
    return True
