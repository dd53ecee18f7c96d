"""Parts of sentences that the short and the long form share: what it is called, how bad, what to do first.

The order of a notice is always: which fan, what, how bad in figures, since when, time to trip, what to do first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.alarms import figures
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean
from monitor.alarms.states import Cause, State
from monitor.alarms.story import Story
from monitor.watch.table import BY_ID

LATE = timedelta(minutes=2)
"""Heard later than this after it happened: both times are told."""

NO_LIMIT = "no limit is given at this unbalance"
DEFAULT_CHECKS = ("supply voltage", "connections", "bearings")
"""The trade's order (common practice, no source)."""
AMPS_CONDITIONS = ("overload", "low-margin")
UNBALANCE_CONDITIONS = ("voltage-unbalance", "voltage-unbalance-severe")
NO_LIMIT_ABOVE_PERCENT = 5.0
"""NEMA MG 1 figure 14-1 gives no derating factor beyond this voltage unbalance (from memory)."""

RAISED_WORDS = {
    "overload": "over its limit",
    "low-margin": "near its limit",
    "voltage-unbalance": "supply voltage unbalanced",
    "voltage-unbalance-severe": "supply voltage badly unbalanced",
    "stopped": "stopped",
    "logger-overdue": "no readings",
}
_CLEARED = {
    "overload": "back under its limit",
    "low-margin": "no longer near its limit",
    "voltage-unbalance": "supply voltage balanced again",
    "voltage-unbalance-severe": "supply voltage no longer badly unbalanced",
    "stopped": "running again",
    "logger-overdue": "readings again",
}
_CLEARED_BY_STOPPING = {
    "overload": "no longer over its limit, because it has stopped",
    "low-margin": "no longer near its limit, because it has stopped",
    "voltage-unbalance": "unbalance no longer seen, because it has stopped",
    "voltage-unbalance-severe": "unbalance no longer seen, because it has stopped",
}


def kind_of(alarm: Alarm, wanted: Wanted | None) -> str:
    """The kind of notice; without a wanted one, what the state of the alarm says."""
    if wanted is not None:
        return wanted.kind
    return "raised" if alarm.state.stands else "cleared"


def point_name(alarm: Alarm, story: Story) -> str:
    """The name of the fan or the supply point; a fan that is called by a bare number is called `fan 3`."""
    name = clean(story.fan_name) or "no name"
    if alarm.fan is None:
        return f"Supply point {name}"
    return name if any(character.isalpha() for character in name) else f"Fan {name}"


def what(alarm: Alarm, story: Story, kind: str) -> str:
    """What it is, in lower case and without a full stop."""
    row = BY_ID.get(alarm.condition)
    words = RAISED_WORDS.get(alarm.condition) or (row.words if row is not None else alarm.condition.replace("-", " "))
    if kind != "cleared":
        return words
    if story.running is False and alarm.condition in _CLEARED_BY_STOPPING:
        return _CLEARED_BY_STOPPING[alarm.condition]
    return _CLEARED.get(alarm.condition, f"no longer: {words}")


def again(alarm: Alarm, story: Story, wanted: Wanted | None) -> str:
    """Why it is told now, where that is not plain: once more, worse, a plan that is over. Empty for a first notice."""
    if wanted is None or wanted.kind == "cleared":
        return ""
    if wanted.cause == Cause.PLAN_OVER:
        return "the planned stop is over"
    if wanted.cause == Cause.PLAN_WITHDRAWN:
        return "the planned stop was withdrawn"
    if wanted.cause in (Cause.TIME_UP, Cause.UNSHELVED, Cause.RETURNED_TO_SERVICE):
        return "held back until now"
    parts = []
    if wanted.cause == Cause.RAISED_HIGHER:
        parts.append(f"worse: now of {alarm.priority} priority")
    if wanted.kind == "told-again":
        parts.append("nobody has acknowledged it")
    if wanted.counted_since is not None and wanted.cause in (Cause.RAISED, Cause.TOLD_AGAIN):
        last = figures.moment(wanted.counted_since, story.now, story.time_zone)
        if wanted.count > (0 if wanted.kind == "told-again" else 1):
            more = " more" if wanted.kind == "told-again" else ""
            parts.append(f"raised {times(wanted.count)}{more} since {last}")
        elif wanted.kind == "raised":
            parts.append(f"last told {last}")
    return ", ".join(parts)


def plan_ended(wanted: Wanted | None) -> bool:
    """Whether it is told because a planned stop is over or withdrawn and the fan still stands."""
    return wanted is not None and wanted.cause in (Cause.PLAN_OVER, Cause.PLAN_WITHDRAWN)


def lasted(alarm: Alarm, until: datetime, story: Story) -> str:
    """`It lasted 2 h 2 min, from 02:08`."""
    words = {"stopped": "It stood still for", "logger-overdue": "Nothing was heard for"}.get(
        alarm.condition, "It lasted"
    )
    since = figures.moment(alarm.since, story.now, story.time_zone)
    return f"{words} {figures.span((until - alarm.since).total_seconds())}, from {since}"


def worst(alarm: Alarm) -> str | None:
    """The peak, for conditions that have one."""
    if alarm.condition in AMPS_CONDITIONS:
        share = figures.percent(None if alarm.peak is None else 100.0 * alarm.peak)
        return None if share is None else f"{share} of its limit"
    return figures.small_percent(alarm.peak) if alarm.condition in UNBALANCE_CONDITIONS else None


def times(count: int) -> str:
    """`once`, `twice`, `6 times`."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def load(alarm: Alarm, story: Story) -> float | None:
    """Load ratio to tell: the present one, else the one it was raised with."""
    if story.load_ratio is not None:
        return story.load_ratio
    return alarm.value if alarm.condition in AMPS_CONDITIONS else None


def unbalance(alarm: Alarm, story: Story) -> float | None:
    """Voltage unbalance to tell [%]: the present one, else the one it was raised with."""
    if story.unbalance_percent is not None:
        return story.unbalance_percent
    return alarm.value if alarm.condition in UNBALANCE_CONDITIONS else None


def no_limit(alarm: Alarm, story: Story) -> bool:
    """Whether the unbalance is beyond what a limit can be given for."""
    percent = unbalance(alarm, story)
    return percent is not None and percent > NO_LIMIT_ABOVE_PERCENT


def as_it_was(alarm: Alarm, story: Story, kind: str) -> Story:
    """The story for a notice that is heard late of what is over by now: told with the figures of then.

    The figures of now would belie it ("over its limit, 80 % of its limit").
    """
    now = story.load_ratio if alarm.condition in AMPS_CONDITIONS else story.unbalance_percent
    told_by_figures = alarm.condition in (*AMPS_CONDITIONS, *UNBALANCE_CONDITIONS)
    if kind != "raised" or not told_by_figures or not heard_late(alarm) or alarm.setpoint is None:
        return story
    if now is None or now >= alarm.setpoint:
        return story
    then = replace(story, legs_amps=(), volts=(), limit_amps=None, load_ratio=None, unbalance_percent=None)
    return replace(then, estimate=None, estimate_words=None, seconds_to_trip=None, reaches_limit_at=None)


def highest_leg(story: Story) -> str | None:
    """`14.9 A on L1`; a single-phase motor has no leg to name."""
    highest = story.highest_leg_amps
    text = figures.amps(highest)
    if text is None or len(story.legs_amps) < 2:
        return text
    return f"{text} on L{story.legs_amps.index(highest) + 1}"


def load_words(alarm: Alarm, story: Story) -> str | None:
    """`14.9 A on L1, 109 % of its 13.7 A limit`, as much of it as is known.

    Beyond 5 % unbalance there is no limit; the ratio then is against the last one that is given, and says so.
    """
    ratio = load(alarm, story)
    share = figures.percent(None if ratio is None else 100.0 * ratio)
    limit = figures.amps(story.limit_amps)
    whose, until = ("the", " for 5 % unbalance") if no_limit(alarm, story) else ("its", "")
    of_limit = None if share is None else f"{share} of {whose} {f'{limit} ' if limit else ''}limit{until}"
    return ", ".join(part for part in (highest_leg(story), of_limit) if part) or None


def volts_words(story: Story) -> str | None:
    """`467/451/446 V`."""
    known = [figures.number(value, 0) for value in story.volts]
    if not any(known):
        return None
    return "/".join(text or "-" for text in known) + " V"


def checks(story: Story) -> tuple[str, ...]:
    """Names of what to check first and is not on the service record yet; without an estimate the trade's order."""
    found = items(story.estimate, "checks_first")
    if not found:
        return DEFAULT_CHECKS
    return tuple(str(check.get("name", "")) for check in found if not check.get("done"))


def first_step(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> tuple[str, ...]:
    """What to do first, from the fuller to the shortest wording; each a whole sentence."""
    if plan_ended(wanted):
        return ("Start it, or announce a longer stop.",)
    if alarm.condition == "stopped":
        lock = "It may start by itself: lock it out before touching it."
        return (
            f"First shut off any heater; then look at power, overload device and control. {lock}",
            f"First shut off any heater. {lock}",
        )
    if alarm.condition == "logger-overdue":
        if alarm.fan is None:
            return ("First look at the logger's power, leads and network.",)
        return (
            "First see whether the fan runs, then the logger's power, clamps and network.",
            "First see whether the fan runs.",
        )
    if no_limit(alarm, story):
        return (
            f"{NO_LIMIT.capitalize()}: stop it (any heater off first) and have the supply put right.",
            "Stop it (any heater off first) and have the supply put right.",
        )
    if alarm.condition in UNBALANCE_CONDITIONS:
        return (
            "First compare other three-phase fans: unbalanced too, it is the supply; only here, its own connections.",
            "First have the supply and its connections checked.",
        )
    names = checks(story)
    if not names:
        return ("The first checks are on record.",)
    when = " at the next visit" if alarm.condition == "low-margin" and story.reaches_limit_at is None else ""
    return (f"First check {listed(names)}{when}.", "First check the supply and the motor.")


def after(alarm: Alarm, story: Story) -> str:
    """What is left to do when it has cleared."""
    if story.running is False and alarm.condition in AMPS_CONDITIONS:
        return "See why it stopped before it is started again."
    if alarm.condition in AMPS_CONDITIONS:
        return f"The cause may still be there: {first_step(alarm, story)[0].removeprefix('First ')}"
    if alarm.condition == "voltage-unbalance-severe" and story.running and story.unbalance_percent is not None:
        return f"Unbalance is now {figures.small_percent(story.unbalance_percent)}."
    if alarm.condition == "stopped":
        return "If nobody started it, find out why it stopped."
    return ""


def listed(names: Sequence[str]) -> str:
    """`supply voltage, connections and bearings`; where the last name is a pair, its own "and" is enough."""
    if " and " in names[-1]:
        return ", ".join(names)
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def heard_late(alarm: Alarm) -> bool:
    """Whether it was heard later than it happened. What the clock decides, the silence of a logger, is never late."""
    row = BY_ID.get(alarm.condition)
    return alarm.heard - alarm.raised > LATE and (row is None or row.decided_by != "tick")


def happened(alarm: Alarm, story: Story) -> str:
    """`happened 02:10, heard 03:05`."""
    at = figures.moment(alarm.raised, story.now, story.time_zone)
    return f"happened {at}, heard {figures.moment(alarm.heard, story.now, story.time_zone)}"


def to_acknowledge(alarm: Alarm) -> bool:
    """Whether somebody still has to acknowledge it."""
    return alarm.state in (State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED)


@dataclass(frozen=True)
class Reduction:
    """Less pitch that would do, in words."""

    less: str
    """`3 degrees`."""
    insert: str
    """`18`."""
    instead: str
    """`21`, the present one."""
    chance: str
    """`94 %`."""


def reduction(pitch: Mapping[str, Any], key: str) -> Reduction | None:
    """What the estimate recommends under `as_is` or `supply_right`; None when it does not, or not in whole."""
    option = pitch.get(key)
    if not isinstance(option, Mapping):
        return None
    less, to, sure = (figure(option, name) for name in ("degrees", "pitch", "chance"))
    if less is None or to is None:
        return None
    words = figures.degrees(less), figures.plain(to), figures.plain(round(to + less, 2)), figures.chance(sure)
    return None if None in words else Reduction(*map(str, words))


def items(block: Mapping[str, Any] | None, key: str) -> list[Mapping[str, Any]]:
    """The list of objects under a key of the estimate; empty when there is none."""
    found = block.get(key) if block else None
    return [item for item in found if isinstance(item, Mapping)] if isinstance(found, Sequence) else []


def figure(block: Mapping[str, Any] | None, key: str) -> float | None:
    """The finite number under a key of the estimate."""
    found = block.get(key) if block else None
    if not isinstance(found, int | float) or isinstance(found, bool) or not math.isfinite(found):
        return None
    return float(found)
