"""One condition of the table carried on by one reading: delays, deadband, what suppresses it."""

from __future__ import annotations

import math

import numpy as np

from monitor.motor.compiled import inlined
from monitor.watch import layout as at
from monitor.watch.columns import Floats, Ints
from monitor.watch.notes import note
from monitor.watch.table import KERNEL_CONDITIONS

_IDS = [row.id for row in KERNEL_CONDITIONS]
# For each condition the bits of those that keep it from standing. They come earlier in the table, so they are worked
# before it at each reading.
_SUPPRESSED_BY = np.array(
    [sum(1 << _IDS.index(other) for other in row.not_while if other in _IDS) for row in KERNEL_CONDITIONS], np.int64
)
COUNT = len(KERNEL_CONDITIONS)


@inlined
def carry_condition(
    state: Floats, limits: Floats, condition: int, standing: int, t: float, standing_ms: float, value: float,
    ints: Ints, floats: Floats, count: int, row: int, fan: int,
) -> int:  # fmt: skip
    """Carries one condition on by one reading and returns the new count of changes.

    standing : bits of the conditions worked before this one that stand now
    """
    mine = at.FIRST_CONDITION + condition * at.CONDITION_FIELDS
    its = at.FIRST_LIMIT + condition * at.LIMIT_FIELDS
    if limits[its + at.IN_USE] == 0.0 or standing & _SUPPRESSED_BY[condition]:
        if state[mine + at.PHASE] >= at.STANDING:
            count = note(
                ints, floats, count, row, fan, at.SUPERSEDED, condition, t, state[mine + at.ONSET_MS], value,
                limits[its + at.SETPOINT], state[mine + at.PEAK], 0.0,
            )  # fmt: skip
        state[mine + at.PHASE] = at.NORMAL
        return count
    if math.isnan(value):
        return count
    setpoint = limits[its + at.SETPOINT]
    phase = state[mine + at.PHASE]
    if phase == at.NORMAL:
        if value < setpoint:
            return count  # nearly always: nothing to be carried on
        phase = at.ON_DELAY
        state[mine + at.ONSET_MS] = t
        state[mine + at.TIMER_MS] = t
        state[mine + at.PEAK] = value
    else:
        if phase != at.STANDING:
            unseen = t - state[mine + at.SEEN_MS] - standing_ms
            if unseen > 0.0:
                state[mine + at.TIMER_MS] += unseen
        if value > state[mine + at.PEAK]:
            state[mine + at.PEAK] = value
    state[mine + at.SEEN_MS] = t

    if phase == at.ON_DELAY:
        if value < setpoint:
            phase = at.NORMAL
        elif t >= state[mine + at.TIMER_MS] + limits[its + at.ON_DELAY_MS]:
            phase = at.STANDING
            count = note(
                ints, floats, count, row, fan, at.RAISED, condition, t, state[mine + at.ONSET_MS], value, setpoint,
                state[mine + at.PEAK], 0.0,
            )  # fmt: skip
    elif value >= limits[its + at.CLEARS]:
        phase = at.STANDING
    else:
        if phase == at.STANDING:
            phase = at.OFF_DELAY
            state[mine + at.TIMER_MS] = t
        if t >= state[mine + at.TIMER_MS] + limits[its + at.OFF_DELAY_MS]:
            phase = at.NORMAL
            count = note(
                ints, floats, count, row, fan, at.CLEARED, condition, t, state[mine + at.ONSET_MS], value, setpoint,
                state[mine + at.PEAK], 0.0,
            )  # fmt: skip
    state[mine + at.PHASE] = phase
    return count


@inlined
def stands(state: Floats, condition: int) -> bool:
    return bool(state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE] >= at.STANDING)


@inlined
def normal(state: Floats, condition: int) -> bool:
    return bool(state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE] == at.NORMAL)
