"""What rotating the motor's leads shows: whether uneven legs come from the supply or from the motor.

Locked out, all three leads are moved one place the same way, so that the rotation of the motor stays. What stays with
the line is the supply's, what moves with the lead is the motor's. Of each line's deviation from the mean, before and
after, two parts are worked that add up to it exactly:

    before = supply + motor        after = supply + motor moved one place

Readings are taken with one and the same meter: a clamp that stays on its line and reads wrong looks like the supply.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

FORWARD, BACK = "forward", "back"
WAYS = (FORWARD, BACK)
"""Lead 1 goes to line 2, 2 to 3, 3 to 1; or lead 1 to line 3, 3 to 2, 2 to 1."""
LINE, LEAD, BOTH, EVEN = "line", "lead", "both", "cannot tell"
MARGIN = 0.02
"""A part under this share of the mean leg says nothing: a hand meter's own error (common practice, no source)."""
CLEARLY = 2.0
"""One part is the main one where it is so many times the other (worked out for this project: with readings good to
1 % the two parts are known to about 1 % of the mean leg each)."""

_TURN = complex(-0.5, math.sqrt(0.75))


@dataclass(frozen=True)
class Rotation:
    """What a lead rotation showed."""

    stays_with: str
    """LINE: the supply; LEAD: the motor; BOTH; EVEN: cannot be told."""
    supply_amps: float
    """Greatest deviation of a line that stayed with the line [A]."""
    motor_amps: float
    """Greatest deviation that moved with its lead [A]."""
    words: str
    """What it means, and the figures."""


def judge(before: Sequence[float], after: Sequence[float], way: str) -> Rotation:
    """Splits the deviations of three lines into what stayed and what moved.

    Parameters
    ----------
    before, after : currents of line 1, 2 and 3 [A], each at least 0, in the order of the supply's lines both times
    way : FORWARD or BACK

    Raises
    ------
    ValueError : not three currents each, none of them above 0, or another way

    Examples
    --------
    >>> judge((30.0, 33.0, 36.0), (30.2, 33.1, 35.7), FORWARD).stays_with
    'line'
    >>> judge((30.0, 33.0, 36.0), (36.1, 30.0, 32.9), FORWARD).stays_with
    'lead'

    References
    ----------
    T. Bishop (EASA), *Unbalanced Current*, Electrical Construction & Maintenance, 4 November 2014, for the test; how
    the parts are worked and the margins: derived.
    """
    if way not in WAYS or len(before) != 3 or len(after) != 3:
        raise ValueError(
            f"expected three currents before and after and a way of {WAYS}, found {before}, {after}, {way}"
        )
    mean, mean_after = sum(before) / 3.0, sum(after) / 3.0
    if not (mean > 0.0 and mean_after > 0.0):
        raise ValueError(f"expected currents above 0, found {before} and {after}")
    turn = _TURN if way == FORWARD else _TURN.conjugate()
    first = _as_one(before)
    second = _as_one(after) * (mean / mean_after)  # the load may have changed a little meanwhile
    motor = (second - first) / (turn - 1.0)
    supply_amps, motor_amps = _greatest(first - motor), _greatest(motor)
    stays_with = _stays_with(supply_amps, motor_amps, MARGIN * mean)
    figures = f"{supply_amps:.1f} A stay with the line, {motor_amps:.1f} A move with the lead"
    return Rotation(stays_with, supply_amps, motor_amps, f"{_MEANS[stays_with]}: {figures}")


_MEANS = {
    LINE: "it stays with the line, so it is the supply: utility, transformer, connections up to the motor",
    LEAD: "it moves with the lead, so it is the motor: its windings or its own connections",
    BOTH: "part stays with the line and part moves with the lead: both supply and motor; keep the connection with the "
    "least unbalance",
    EVEN: "the legs are too even to tell",
}


def _stays_with(supply: float, motor: float, margin: float) -> str:
    if max(supply, motor) < margin:
        return EVEN
    if min(supply, motor) < margin or max(supply, motor) >= CLEARLY * min(supply, motor):
        return LINE if supply > motor else LEAD
    return BOTH


def _as_one(lines: Sequence[float]) -> complex:
    """Three deviations from their mean as one complex number; moving them one place turns it by 120 degrees."""
    return sum((amps * _TURN**place for place, amps in enumerate(lines)), 0j)


def _greatest(pattern: complex) -> float:
    """The greatest of the three deviations that such a number stands for [A]."""
    return max(abs(2.0 / 3.0 * (pattern * _TURN.conjugate() ** place).real) for place in range(3))
