"""For an alarm that comes too often: one cure, what it would have spared, and what it would have cost.

Worked from stored changes alone (derived; ISA-TR18.2.3 and EEMUA 191 recommend delays and deadbands, and give no way to
size them from a log). A cure is shown as the lines for the fan's file and never applied: whoever reads it decides.

* A *longer off-delay* joins what comes back soon to what was there before. Nobody is told later; the alarm only stands
  so much longer after it is gone.
* A *longer on-delay* spares what does not last. What does last is told so much later: the cost.
* *Another control*: a fan that something else switches, and that is registered as continuous, stops in order.
* What tells of danger, or of what has happened already, gets neither: its cause is to be found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from monitor.alarms.performance import Spell
from monitor.watch.table import KERNEL, Condition

LEAST = 5
"""Fewer than this are told as they are: nothing is sized by them."""
SPARED = 0.8
"""A cure must spare this share."""
LONGEST_DELAY_SECONDS = 3600.0
"""A delay longer than this is no cure: the alarm would tell of what was (well within the bounds of `overrides`)."""
STOPS_A_DAY = 4
"""So many stops in a day: it is not run continuously (as in the words of `stopped`)."""

FIND_THE_CAUSE = {
    "tripped": "A trip has happened; no delay undoes it. Look at the review of the hours before it, and at what to "
    "check first on the fan's page.",
    "phase-lost": "A motor on two legs burns within minutes. Have fuses, contacts and the supply looked at.",
    "overload": "A longer delay would tell the same overload later, while the motor heats. The fan's page says whether "
    "the supply or the blades are to blame.",
    "trip-near": "It calls minutes before a trip, and every one of them counts. The fan's page says what to do about "
    "the load.",
    "supply-lost": "The supply went. These times are evidence for the utility.",
    "slow-start": "A motor that is slow to start is short of voltage or hard to turn. Have both looked at.",
    "voltage-unbalance-severe": "Beyond 5 % unbalance no motor should run. Have the supply looked at.",
}
"""Alarms that no delay and no deadband may thin out."""
_CLOCK = (
    "It is decided by the clock, not by readings, so it has no delays to change. Look at the logger, its gateway and "
    "the link."
)
_LASTS = (
    "It lasts and comes back after long: neither a delay nor a deadband would have spared four in five. It tells of "
    "something real; its cause is to be found."
)
_FEW = "Too few to size anything by."


@dataclass(frozen=True)
class Cure:
    """What to do about one alarm."""

    kind: str
    """"off-delay", "on-delay", "control" or "find the cause"."""
    words: str
    """What to do and why, in a sentence or two."""
    lines: tuple[str, ...] = ()
    """For the fan's file; empty where there is nothing to change."""
    spared: int = 0
    """How many of those raised it would have spared ..."""
    of: int = 0
    """... of how many."""
    later_seconds: float = 0.0
    """How much later the others would have been told."""


def cure(row: Condition, spells: Sequence[Spell], *, control: str | None, of_a_fan: bool) -> Cure:
    """One cure for one alarm.

    Parameters
    ----------
    row : the condition as it holds for the fan now
    spells : of this alarm, in the order in which they were raised
    control : as registered: continuous, cycled, manual or None
    of_a_fan : whether it is of a fan, whose file can hold what is to be changed
    """
    count = len(spells)
    if row.id in FIND_THE_CAUSE:
        return Cure("find the cause", FIND_THE_CAUSE[row.id], of=count)
    if count < LEAST:
        return Cure("find the cause", _FEW, of=count)
    if row.id == "stopped" and control == "continuous" and _stops_in_a_day(spells) >= STOPS_A_DAY:
        text = (
            f"It stopped up to {_stops_in_a_day(spells)} times within a day: if a thermostat, a humidistat or a timer "
            "switches it, say so, and a stop is no alarm any more. A trip, a lost phase and a lost supply are told as "
            "before."
        )
        return Cure("control", text, ("[fan]", 'control = "cycled"'), count, count)
    if row.decided_by != KERNEL or not of_a_fan:
        return Cure("find the cause", _CLOCK if row.decided_by != KERNEL else _LASTS, of=count)
    return _off_delay(row, spells) or _on_delay(row, spells) or Cure("find the cause", _LASTS, of=count)


def _stops_in_a_day(spells: Sequence[Spell]) -> int:
    """The most within any 24 hours."""
    raised = sorted(one.raised for one in spells)
    return max(sum(start <= other < start + timedelta(days=1) for other in raised) for start in raised)


def _off_delay(row: Condition, spells: Sequence[Spell]) -> Cure | None:
    """The shortest off-delay that would have joined enough of them to the one before."""
    gaps = [
        (_onset(row, after) - _gone(row, before.ended)).total_seconds() if before.ended is not None else math.inf
        for before, after in pairwise(spells)
    ]
    found = _shortest([max(gap, 0.0) for gap in gaps], len(spells), row.off_delay_seconds)
    if found is None:
        return None
    seconds, spared = found
    text = (
        f"Most come back within {_minutes(seconds)} of being gone. With an off-delay of {_minutes(seconds)} "
        f"(now {_minutes(row.off_delay_seconds)}) {spared} of {len(spells)} would have been the one before, going on. "
        "Nobody is told later; it stands that much longer after it is gone."
    )
    lines = f"[conditions.{row.id}]", f"off_delay_seconds = {seconds:g}"
    return Cure("off-delay", text, lines, spared, len(spells))


def _on_delay(row: Condition, spells: Sequence[Spell]) -> Cure | None:
    """The shortest on-delay that would have outlasted enough of them."""
    lasted = [
        (_gone(row, one.ended) - _onset(row, one)).total_seconds() if one.ended is not None else math.inf
        for one in spells
    ]
    found = _shortest(lasted, len(spells), row.on_delay_seconds)
    if found is None:
        return None
    seconds, spared = found
    later = seconds - row.on_delay_seconds
    left = len(spells) - spared
    cost = f"The {left} that lasted would have been told {_minutes(later)} later" if left else "None of them lasted"
    text = (
        f"Most last less than {_minutes(seconds)}. With an on-delay of {_minutes(seconds)} "
        f"(now {_minutes(row.on_delay_seconds)}) {spared} of {len(spells)} would not have been raised. {cost}; "
        f"from now on each is told {_minutes(later)} later."
    )
    lines = f"[conditions.{row.id}]", f"on_delay_seconds = {seconds:g}"
    return Cure("on-delay", text, lines, spared, len(spells), later)


def _shortest(lengths: Sequence[float], count: int, now: float) -> tuple[float, int] | None:
    """The shortest delay in whole minutes that is longer than enough of the lengths, and of how many; None: too long.

    Parameters
    ----------
    lengths : what the delay must outlast [s]
    count : of which so many are to be spared: `SPARED` of it
    now : the delay as it is [s]
    """
    needed = math.ceil(SPARED * count)
    if len(lengths) < needed:
        return None
    enough = sorted(lengths)[needed - 1]
    if not enough < LONGEST_DELAY_SECONDS:
        return None
    seconds = 60.0 * (math.floor(enough / 60.0) + 1.0)
    if not now < seconds <= LONGEST_DELAY_SECONDS:
        return None
    return seconds, sum(length < seconds for length in lengths)


def _onset(row: Condition, spell: Spell) -> datetime:
    """When it began: an on-delay before it was raised."""
    return spell.raised - timedelta(seconds=row.on_delay_seconds)


def _gone(row: Condition, ended: datetime) -> datetime:
    """When it was gone: an off-delay before it returned."""
    return ended - timedelta(seconds=row.off_delay_seconds)


def _minutes(seconds: float) -> str:
    return f"{seconds:g} s" if seconds < 60.0 else f"{seconds / 60.0:g} min"
