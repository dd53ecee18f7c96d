"""What speaks against a fan's readings: the measure of `logger-suspect`.

A clamp that fell off, readings that cannot be, one leg that no longer moves, or all of them. Resolution alone must not
raise it: a steady fan read to 0.1 A repeats itself for a while.
"""

from __future__ import annotations

import math

from monitor.motor.compiled import inlined
from monitor.watch import layout as at
from monitor.watch.columns import Floats

DOUBT_MS = 600_000.0
"""What is frozen, stuck or impossible is told after so long ..."""
AMPS_ONLY_MS = 3_600_000.0
"""... but of amps alone, which a coarse logger on a steady fan repeats for longer, only after so long (derived)."""
DOUBT_ROWS = 30.0
"""... and, where it is about readings that repeat themselves, after so many of them."""
MOVES_SHARE = 0.05
"""A leg that stands still is stuck only when another one moves by so much (derived)."""
SUM_TIMES, SUM_AMPS = 1.15, 1.0
"""The currents of three wires add to zero: one leg above the sum of the others, by more than clamps err, cannot be."""
LEAST_SHARE_PERCENT = 10.0
"""A leg under this share of the others' mean is near zero."""


@inlined
def doubt(
    state: Floats, t: float, l1: float, l2: float, l3: float, v12: float, v23: float, v31: float, three: bool,
    highest: float, dead_volts: bool, clamp: bool, stands_clamp: bool,
) -> float:  # fmt: skip
    """The greatest code of what speaks against a running row; keeps what has to be kept for the next one.

    three : three legs, all known
    highest : the greatest of them
    dead_volts : no line has half its rated voltage although the fan runs
    clamp : one leg near zero and the others as they were
    stands_clamp : one leg near zero, the others not risen, and a clamp off is what stands
    """
    code = 0.0
    legs = (l1, l2, l3)
    volts = (v12, v23, v31)
    same = not math.isnan(state[at.SAME_MS])
    for one in range(3):
        was, is_now = state[at.SAME_L1 + one], legs[one]
        same = same and (was == is_now or (math.isnan(was) and math.isnan(is_now)))
        was, is_now = state[at.SAME_V12 + one], volts[one]
        same = same and (was == is_now or (math.isnan(was) and math.isnan(is_now)))
    if same:
        state[at.SAME_ROWS] += 1.0
        no_volts = math.isnan(v12) and math.isnan(v23) and math.isnan(v31)
        doubt_ms = AMPS_ONLY_MS if no_volts else DOUBT_MS
        if t - state[at.SAME_MS] >= doubt_ms and state[at.SAME_ROWS] >= DOUBT_ROWS:
            code = at.FROZEN
    else:
        state[at.SAME_MS] = t
        state[at.SAME_ROWS] = 1.0
    for one in range(3):
        mine = 3 * one
        if legs[one] == state[at.SAME_L1 + one] and not math.isnan(state[at.LEG_SAME_MS + one]):
            state[at.LEG_SAME_ROWS + one] += 1.0
            moves = False
            for other in range(3):
                least, most = at.LEG_LEAST + mine + other, at.LEG_GREATEST + mine + other
                if state[at.LEG_SAME_ROWS + one] == 2.0:  # the first of them is the row before
                    state[least] = state[at.SAME_L1 + other]
                    state[most] = state[at.SAME_L1 + other]
                if legs[other] < state[least] or math.isnan(state[least]):
                    state[least] = legs[other]
                if legs[other] > state[most] or math.isnan(state[most]):
                    state[most] = legs[other]
                moves = moves or state[most] - state[least] >= MOVES_SHARE * state[most] > 0.0
            if (
                moves and legs[one] > 0.0 and t - state[at.LEG_SAME_MS + one] >= DOUBT_MS
                and state[at.LEG_SAME_ROWS + one] >= DOUBT_ROWS
            ):  # fmt: skip
                code = max(code, float(at.STUCK))
        else:
            state[at.LEG_SAME_MS + one] = t
            state[at.LEG_SAME_ROWS + one] = 1.0
    for one in range(3):
        state[at.SAME_L1 + one] = legs[one]
        state[at.SAME_V12 + one] = volts[one]
    impossible = dead_volts
    if three and 2.0 * highest > l1 + l2 + l3:  # nearly never: one leg is more than the others together
        if l1 >= l2 and l1 >= l3:
            impossible = impossible or l1 > SUM_TIMES * (l2 + l3) + SUM_AMPS
        elif l2 >= l3:
            impossible = impossible or l2 > SUM_TIMES * (l1 + l3) + SUM_AMPS
        else:
            impossible = impossible or l3 > SUM_TIMES * (l1 + l2) + SUM_AMPS
    if impossible:
        if math.isnan(state[at.IMPOSSIBLE_MS]):
            state[at.IMPOSSIBLE_MS] = t
        if t - state[at.IMPOSSIBLE_MS] >= DOUBT_MS:
            code = max(code, float(at.IMPOSSIBLE))
    else:
        state[at.IMPOSSIBLE_MS] = math.nan
    state[at.CLAMP_ROWS] = state[at.CLAMP_ROWS] + 1.0 if clamp else 0.0
    if state[at.CLAMP_ROWS] >= 2.0 or stands_clamp:
        code = float(at.CLAMP_OFF)
    return code


@inlined
def no_doubt(state: Floats) -> None:
    """The fan stands still: zeros that repeat themselves prove nothing."""
    state[at.SAME_MS] = math.nan
    state[at.IMPOSSIBLE_MS] = math.nan
    state[at.CLAMP_ROWS] = 0.0
    for one in range(3):
        state[at.LEG_SAME_MS + one] = math.nan
