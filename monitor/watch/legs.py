"""The three legs against each other, and the least that is known of three channels."""

from __future__ import annotations

import math

from monitor.motor.compiled import compiled_loop, inlined
from monitor.watch import layout as at
from monitor.watch.columns import Floats
from monitor.watch.lookback import SLOT_MS, five_minutes

NEARLY_LOST = 0.3
"""A leg under this share of the sum of the others may be lost; above it no setpoint is near."""


@inlined
def highest_known(l1: float, l2: float, l3: float) -> float:
    """Highest usable leg; NaN when there is none."""
    # Chosen without branches: which leg is highest changes from reading to reading, and a guess of it is half wrong.
    highest = l2 if (l2 > l1) | (l1 != l1) else l1
    return l3 if (l3 > highest) | (highest != highest) else highest


@inlined
def least(l1: float, l2: float, l3: float) -> float:
    """Least leg; all three known."""
    low = l2 if l2 < l1 else l1
    return l3 if l3 < low else low


@inlined
def mean_known(a: float, b: float, c: float) -> float:
    """Mean of what is known; NaN when nothing is."""
    total, known = 0.0, 0.0
    if not math.isnan(a):
        total += a
        known += 1.0
    if not math.isnan(b):
        total += b
        known += 1.0
    if not math.isnan(c):
        total += c
        known += 1.0
    return total / known if known > 0.0 else math.nan


@inlined
def one_near_zero(l1: float, l2: float, l3: float) -> bool:
    """Whether one leg is so low that it may be lost, by a wide margin; all three known."""
    low = least(l1, l2, l3)
    return low <= NEARLY_LOST * (l1 + l2 + l3 - low)


@compiled_loop
def legs_against_others(
    state: Floats, t: float, standing_ms: float, l1: float, l2: float, l3: float
) -> tuple[float, float, float]:  # fmt: skip
    """Least leg [% of the others' mean], the others' mean now [A], and over the last five minutes [A].

    All three legs known; the last is NaN when there were none to take a mean of.
    """
    if l1 <= l2 and l1 <= l3:
        low, first, second = l1, 1, 2
    elif l2 <= l3:
        low, first, second = l2, 0, 2
    else:
        low, first, second = l3, 0, 1
    others = (l1 + l2 + l3 - low) / 2.0
    before = math.nan
    if math.floor(t / SLOT_MS) - state[at.SLOT] <= at.SLOTS_KEPT + 1.0 + standing_ms / SLOT_MS:
        before = (five_minutes(state, first) + five_minutes(state, second)) / 2.0
    return 100.0 * low / others, others, before
