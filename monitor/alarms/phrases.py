"""Parts of sentences that the short and the long form share: what it is called, how bad, what to do first.

The order of a notice is always: which fan, what, how bad in figures, since when, time to trip, what to do first.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from monitor.alarms import cold_night, figures, measures
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean
from monitor.alarms.states import Cause, State
from monitor.alarms.story import Story
from monitor.watch.table import BY_ID

LATE = timedelta(minutes=2)
"""Heard later than this after it happened: both times are told."""

DEFAULT_CHECKS = ("supply voltage", "connections", "bearings")
"""The trade's order (common practice, no source)."""

AS_HOT = "as hot as its limit allows"
INFERRED = "several fans stopped together"
"""A lost supply without volts: what was seen, and no more."""
_CLEARED = {
    "supply-lost": "supply back",
    "phase-lost": "all phases back",
    "trip-near": "no longer about to trip",
    "overload": "back under its limit",
    "device-margin": "no longer near the trip point of its overload device",
    "low-margin": "no longer near its limit",
    "voltage-unbalance-severe": "supply voltage no longer badly unbalanced",
    "voltage-unbalance": "supply voltage balanced again",
    "voltage-low": "supply voltage no longer low",
    "voltage-high": "supply voltage no longer high",
    "slow-start": "up to speed",
    "logger-suspect": "readings make sense again",
    "leg-spread": "legs together again",
    "no-load": "under load again",
    "many-starts": "no longer started too often",
    "stopped": "running again",
    "tripped": "running again after its trip",
    "site-silent": "readings again",
    "logger-overdue": "readings again",
    "not-run": "running again",
    "cold-night": "the cold night is over",
}
_STILL = {
    "supply-lost": "supply still lost",
    "phase-lost": "one phase still lost",
    "voltage-unbalance-severe": "supply voltage still badly unbalanced",
    "voltage-unbalance": "supply voltage still unbalanced",
    "voltage-low": "supply voltage still low",
    "voltage-high": "supply voltage still high",
    "slow-start": "was slow to start",
    "logger-suspect": "readings still in doubt",
    "leg-spread": "legs still far apart",
    "no-load": "still runs without load",
    "not-run": "still has not run",
}
_STOPPED = "because it has stopped"
_CLEARED_BY_STOPPING = {
    "phase-lost": "the lost phase no longer shows",
    "trip-near": "no longer about to trip",
    "overload": "no longer over its limit",
    "device-margin": "no longer near the trip point of its overload device",
    "low-margin": "no longer near its limit",
    "voltage-unbalance-severe": "unbalance no longer seen",
    "voltage-unbalance": "unbalance no longer seen",
    "voltage-low": "low voltage no longer counts",
    "voltage-high": "high voltage no longer counts",
    "slow-start": "no longer slow to start",
    "leg-spread": "unequal legs no longer seen",
    "no-load": "no longer without load",
}
_LASTED = {
    "stopped": "It stood still for",
    "not-run": "It stood still for",
    "logger-overdue": "Nothing was heard for",
    "site-silent": "Nothing was heard for",
}


def kind_of(alarm: Alarm, wanted: Wanted | None) -> str:
    """The kind of notice; without a wanted one, what the state of the alarm says."""
    if wanted is not None:
        return wanted.kind
    return "raised" if alarm.state.stands else "cleared"


def point_name(alarm: Alarm, story: Story) -> str:
    """The name of fan or supply point, or that it is the whole site; a fan called by a bare number is `Fan 3`."""
    if alarm.fan is None and alarm.supply is None:
        return "Whole site"
    name = clean(story.fan_name) or "no name"
    if alarm.fan is None:
        return f"Supply point {name}"
    return name if any(character.isalpha() for character in name) else f"Fan {name}"


def name_of(condition: str) -> str:
    """A condition in words, as the table has it."""
    row = BY_ID.get(condition)
    return row.words if row is not None else condition.replace("-", " ")


def inferred(alarm: Alarm, story: Story) -> bool:
    """Whether a lost supply is only inferred from fans that stopped together, without volts."""
    return alarm.condition == "supply-lost" and bool(story.fans) and (alarm.value is None or math.isnan(alarm.value))


def what(alarm: Alarm, story: Story, kind: str) -> str:
    """What it is, in lower case and without a full stop."""
    words = INFERRED if inferred(alarm, story) else name_of(alarm.condition)
    if kind != "cleared":
        return words
    if inferred(alarm, story):
        return "the fans that stopped together run again"
    if story.running is False and alarm.condition in _CLEARED_BY_STOPPING:
        return f"{_CLEARED_BY_STOPPING[alarm.condition]}, {_STOPPED}"
    return _CLEARED.get(alarm.condition, f"no longer: {words}")


def headline(alarm: Alarm, story: Story, kind: str, wanted: Wanted | None) -> str:
    """What it is, as the notice says it: still so, if it is told again."""
    words = what(alarm, story, kind)
    if kind != "told-again" and not plan_ended(wanted):
        return words
    if inferred(alarm, story):
        return "fans that stopped together still stand"
    if alarm.condition == "tripped" and story.running:
        return "tripped, not acknowledged"
    return _STILL.get(alarm.condition, f"still {words}")


def since_words(alarm: Alarm, story: Story) -> str:
    """`since 02:08`; a trip says whether the fan stands still, what lies ahead when it was worked out."""
    at = figures.moment(alarm.since, story.now, story.time_zone)
    if alarm.condition == cold_night.COLD_NIGHT:
        return f"as seen at {at}"
    if alarm.condition != "tripped":
        return f"since {at}"
    return f"at {at}, and runs again" if story.running else f"off since {at}"


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
    if wanted.cause == Cause.GROWN:
        return "worse than what was acknowledged"
    worse = wanted.cause == Cause.RAISED_HIGHER
    if hot(alarm):
        parts.append(f"{'worse: ' if worse else ''}the motor is {'now ' if worse else ''}{AS_HOT} (estimate)")
    elif worse:
        parts.append(f"worse: now of {alarm.priority} priority")
    if wanted.kind == "told-again" and story.unacknowledged_minutes is None:
        parts.append("nobody has acknowledged it")
    if wanted.counted_since is not None and wanted.cause in (Cause.RAISED, Cause.TOLD_AGAIN):
        last = figures.moment(wanted.counted_since, story.now, story.time_zone)
        if wanted.count > (0 if wanted.kind == "told-again" else 1):
            more = " more" if wanted.kind == "told-again" else ""
            parts.append(f"raised {times(wanted.count)}{more} since {last}")
        elif wanted.kind == "raised":
            parts.append(f"last told {last}")
    return ", ".join(parts)


def unacknowledged(story: Story) -> tuple[str, ...]:
    """That others were told first and nobody has acknowledged it, from the fuller to the shorter wording; empty for
    those who are the first to be told."""
    minutes = story.unacknowledged_minutes
    if minutes is None or not math.isfinite(minutes):
        return ()
    lasted = figures.span(60.0 * minutes)
    first = [name for name in map(clean, story.told_first) if name]
    words = f"Nobody has acknowledged this for {lasted}"
    told = (f"{words} ({listed(first)} told first).",) if first else ()
    return (*told, f"{words}.", f"Not acknowledged for {lasted}.")


def acknowledge_link(alarm: Alarm, story: Story) -> str | None:
    """The link that acknowledges it, while there is something to acknowledge."""
    return story.acknowledge_link if story.acknowledge_link and to_acknowledge(alarm) else None


def hot(alarm: Alarm) -> bool:
    """Whether the motor itself is as hot as its limit allows: that gives an overload its highest priority."""
    return alarm.condition == "overload" and alarm.priority == "highest"


def plan_ended(wanted: Wanted | None) -> bool:
    """Whether it is told because a planned stop is over or withdrawn and the fan still stands."""
    return wanted is not None and wanted.cause in (Cause.PLAN_OVER, Cause.PLAN_WITHDRAWN)


def over_at(what_words: str, at: datetime, story: Story) -> str:
    """When it was over: `at 02:43` it runs again, `since 02:43` it is no longer over its limit."""
    link = "since" if "no longer" in what_words else "at"
    return f"{link} {figures.moment(at, story.now, story.time_zone)}"


def lasted(alarm: Alarm, until: datetime, story: Story) -> str:
    """`It lasted 2 h 2 min, from 02:08`."""
    since = figures.moment(alarm.since, story.now, story.time_zone)
    span = figures.span((until - alarm.since).total_seconds())
    if alarm.condition == "tripped":
        return f"It tripped {span} before, at {since}"
    if alarm.condition == cold_night.COLD_NIGHT:
        return f"It was told at {since}"
    return f"{_LASTED.get(alarm.condition, 'It lasted')} {span}, from {since}"


def times(count: int) -> str:
    """`once`, `twice`, `6 times`."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def as_it_was(alarm: Alarm, story: Story, kind: str) -> Story:
    """The story for a notice that is heard late of what is over by now: told with the figures of then.

    The figures of now would belie it ("over its limit, 80 % of its limit").
    """
    if kind != "raised" or not heard_late(alarm):
        return story
    now = measures.present(alarm, story)
    if now is None or measures.holds(alarm, now):
        return story
    then = replace(
        story, legs_amps=(), current_unbalance_percent=None, volts=(), limit_amps=None, load_ratio=None,
        unbalance_percent=None, motor_heat=None, device_heat=None,
    )  # fmt: skip
    return replace(then, estimate=None, estimate_words=None, seconds_to_trip=None, reaches_limit_at=None)


def checks(story: Story) -> tuple[str, ...]:
    """Names of what to check first and is not on the service record yet; without an estimate the trade's order."""
    found = items(story.estimate, "checks_first")
    if not found:
        return DEFAULT_CHECKS
    return tuple(str(check.get("name", "")) for check in found if not check.get("done"))


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
