"""How bad it is, in figures: each condition's measure as people say it.

A figure is told as it is now where the story has it, else as it was when the alarm was raised.
"""

from __future__ import annotations

import math
from datetime import timedelta

from monitor.alarms import cold_night, figures
from monitor.alarms.alarm import Alarm
from monitor.alarms.story import Story
from monitor.watch import layout
from monitor.watch.table import BELOW, BY_ID

AMPS_CONDITIONS = ("overload", "low-margin")
"""Their measure is the load ratio."""
LOAD_CONDITIONS = (*AMPS_CONDITIONS, "device-margin", "trip-near")
"""All that come of too many amps: load, checks and blades are told."""
UNBALANCE_CONDITIONS = ("voltage-unbalance", "voltage-unbalance-severe")
LEVEL_CONDITIONS = ("voltage-low", "voltage-high")
"""Their measure is the mean voltage [% of rated]."""

FRESH = timedelta(minutes=5)
"""A time to trip of longer ago is not told any more."""

DOUBTS = {
    layout.FROZEN: "none of its figures has changed",
    layout.STUCK: "one leg has not changed while the others moved",
    layout.IMPOSSIBLE: "one leg reads more than the others together, or it runs without voltage",
    layout.CLAMP_OFF: "one leg reads zero, the others are unchanged",
    layout.CLOCK_OFF: "its clock is off by more than a minute",
}
"""What speaks against readings, by its code."""
LEGS_IN_DOUBT = {layout.STUCK, layout.CLAMP_OFF}


def present(alarm: Alarm, story: Story) -> float | None:
    """The condition's measure now, in the unit of its row; None where the story does not tell it."""
    if alarm.condition in AMPS_CONDITIONS:
        return story.load_ratio
    if alarm.condition in UNBALANCE_CONDITIONS:
        return story.unbalance_percent
    if alarm.condition == "trip-near":
        seconds = story.seconds_to_trip
        return None if seconds is None else seconds / 60.0
    if alarm.condition == "leg-spread":
        return story.current_unbalance_percent
    known = [volts for volts in story.volts if volts is not None and math.isfinite(volts)]
    if not known or not story.rated_volts:
        return None
    if alarm.condition in LEVEL_CONDITIONS:
        return 100.0 * sum(known) / len(known) / story.rated_volts
    return 100.0 * max(known) / story.rated_volts if alarm.condition == "supply-lost" else None


def measure(alarm: Alarm, story: Story) -> float | None:
    """The condition's measure as it is told: now, else as raised."""
    now = present(alarm, story)
    return now if now is not None else alarm.value


def trip_seconds(alarm: Alarm, story: Story) -> float | None:
    """At most so long to the trip [s]; inf: not at this current. What was true at the raising holds for some minutes
    only."""
    if story.seconds_to_trip is not None or alarm.condition != "trip-near" or alarm.value is None:
        return story.seconds_to_trip
    fresh = abs(story.now - alarm.raised) <= FRESH and math.isfinite(alarm.value)
    return 60.0 * alarm.value if fresh else None


def holds(alarm: Alarm, value: float) -> bool:
    """Whether a measure is still on the wrong side of the setpoint."""
    if alarm.setpoint is None:
        return True
    row = BY_ID.get(alarm.condition)
    return value <= alarm.setpoint if row is not None and row.direction == BELOW else value >= alarm.setpoint


def worst(alarm: Alarm) -> str | None:
    """The worst there was while it stood, for conditions that have such a figure."""
    known = [value for value in (alarm.value, alarm.peak) if value is not None and math.isfinite(value)]
    if not known:
        return None
    row = BY_ID.get(alarm.condition)
    value = min(known) if row is not None and row.direction == BELOW else max(known)
    if alarm.condition in AMPS_CONDITIONS:
        share = figures.percent(100.0 * value)
        return None if share is None else f"{share} of its limit"
    if alarm.condition == "device-margin":
        return f"{figures.percent(100.0 * value)} of its overload setting"
    if alarm.condition in LEVEL_CONDITIONS:
        return f"{figures.number(value, 0)} % of rated voltage"
    if alarm.condition == "many-starts":
        return f"{figures.number(value, 0)} starts in an hour"
    return figures.small_percent(value) if alarm.condition in (*UNBALANCE_CONDITIONS, "leg-spread") else None


def brief(alarm: Alarm, story: Story) -> str:
    """The one figure for a subject or a list, e.g. `109 %` or `88 % of rated`; empty where there is none."""
    if alarm.condition == cold_night.COLD_NIGHT:
        return cold_night.brief(story)
    value = measure(alarm, story)
    if value is None or not math.isfinite(value):
        return ""
    condition = alarm.condition
    if condition in AMPS_CONDITIONS:
        share = figures.percent(100.0 * value)
        return f"{_now(alarm, value)}{share}" if share else ""
    if condition in (*UNBALANCE_CONDITIONS, "leg-spread"):
        return figures.small_percent(value) or ""
    if condition in (*LEVEL_CONDITIONS, "supply-lost"):
        return f"{figures.number(value, 0)} % of rated"
    if condition == "trip-near":
        seconds = trip_seconds(alarm, story)
        if seconds is None or math.isinf(seconds):
            return ""
        return "at its trip level now" if seconds <= 0 else f"in at most {figures.at_most(seconds)}"
    if condition == "device-margin":
        # Of a fan that has stopped no share is told: "0 % of its setting".
        share = None if story.running is False else figures.percent(share_of_setting(alarm, story))
        return f"{share} of its setting" if share else ""
    if condition == "no-load":
        return f"{figures.number(value, 0)} % of its usual amps"
    if condition == "many-starts":
        return f"{figures.number(value, 0)} in an hour"
    return f"{figures.number(value, 0)} h" if condition == "not-run" else ""


def in_full(alarm: Alarm, story: Story) -> str:
    """How bad, after the head of a short form: figures with what they are compared with; empty where there is none."""
    condition, value = alarm.condition, measure(alarm, story)
    share = None if value is None or not math.isfinite(value) else figures.number(value, 0)
    if condition in ("overload", "low-margin", "trip-near"):
        return load_words(alarm, story) or ""
    if condition == "device-margin":
        return setting_words(alarm, story)
    if condition in UNBALANCE_CONDITIONS:
        return _joined(figures.small_percent(value), volts_words(story))
    if condition in LEVEL_CONDITIONS:
        return _joined(volts_words(story), f"{share} % of rated" if share else None)
    if condition == "supply-lost":
        return _joined(f"{share} % of rated voltage" if share else names(story.fans))
    if condition == "phase-lost":
        return lost_leg_words(story) or ""
    if condition == "leg-spread":
        spread, legs = figures.small_percent(value), legs_words(story)
        return _joined(f"current unbalance {spread}" if spread else None, legs)
    if condition == "no-load":
        return _joined(highest_leg(story), f"{share} % of its usual active amps" if share else None)
    if condition == "slow-start":
        return _joined(highest_leg(story) if story.running else None)
    if condition == "many-starts":
        most = most_starts(alarm)
        return (f"{share} times in the last hour" + ("" if most is None else f" (at most {most})")) if share else ""
    if condition == "logger-suspect":
        return doubt_words(alarm, story) or ""
    if condition == cold_night.COLD_NIGHT:
        return cold_night.low_words(story) or ""
    return f"{share} h by now" if condition == "not-run" and share else ""


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


NO_LIMIT_ABOVE_PERCENT = 5.0
"""NEMA MG 1 figure 14-1 gives no derating factor beyond this voltage unbalance (from memory)."""


def no_limit(alarm: Alarm, story: Story) -> bool:
    """Whether the unbalance is beyond what a limit can be given for."""
    percent = unbalance(alarm, story)
    return percent is not None and percent > NO_LIMIT_ABOVE_PERCENT


def highest_leg(story: Story) -> str | None:
    """`14.9 A on L1`; a single-phase motor has no leg to name."""
    highest = story.highest_leg_amps
    text = figures.amps(highest)
    if text is None or len(story.legs_amps) < 2:
        return text
    return f"{text} on L{story.legs_amps.index(highest) + 1}"


def least_leg(story: Story) -> int | None:
    """Number of the leg with the least amps, of three known ones."""
    known = [amps for amps in story.legs_amps if amps is not None and math.isfinite(amps)]
    return 1 + known.index(min(known)) if len(known) == 3 and len(story.legs_amps) == 3 else None


def lost_leg_words(story: Story) -> str | None:
    """`L2 at 0.2 A, the others at 17.8 and 17.6 A`."""
    least = least_leg(story)
    if least is None:
        return None
    legs = [figures.number(amps, 1) for amps in story.legs_amps]
    others = [text for place, text in enumerate(legs, 1) if place != least]
    return f"L{least} at {legs[least - 1]} A, the others at {others[0]} and {others[1]} A"


def load_words(alarm: Alarm, story: Story) -> str | None:
    """`14.9 A on L1, 109 % of its 13.7 A limit`, as much of it as is known.

    Beyond 5 % unbalance there is no limit; the ratio then is against the last one that is given, and says so.
    """
    ratio = load(alarm, story)
    share = figures.percent(None if ratio is None else 100.0 * ratio)
    limit = figures.amps(story.limit_amps)
    whose, until = ("the", " for 5 % unbalance") if no_limit(alarm, story) else ("its", "")
    of_limit = None if share is None else f"{share} of {whose} {f'{limit} ' if limit else ''}limit{until}"
    words = _joined(highest_leg(story), of_limit)
    return f"{_now(alarm, ratio)}{words}" if words else None


def _now(alarm: Alarm, ratio: float | None) -> str:
    """`now ` where an overload stands and its figure is below the limit by now, as it may be by up to 3 %: "over its
    limit, 99.9 % of its limit" would belie itself."""
    below = ratio is not None and not holds(alarm, ratio)
    return "now " if alarm.condition == "overload" and alarm.state.stands and below else ""


def setting_words(alarm: Alarm, story: Story) -> str:
    """`16.2 A on L1, 108 % of its 15.0 A overload setting`."""
    share = figures.percent(share_of_setting(alarm, story))
    setting = figures.amps(story.device_setting_amps)
    whose = f"its {f'{setting} ' if setting else ''}overload setting"
    return _joined(highest_leg(story), f"{share} of {whose}" if share else None)


def share_of_setting(alarm: Alarm, story: Story) -> float | None:
    highest, setting = story.highest_leg_amps, story.device_setting_amps
    if highest is not None and setting:
        return 100.0 * highest / setting
    return None if alarm.value is None else 100.0 * alarm.value


def volts_words(story: Story) -> str | None:
    """`467/451/446 V`."""
    known = [figures.number(value, 0) for value in story.volts]
    return "/".join(text or "-" for text in known) + " V" if any(known) else None


def legs_words(story: Story) -> str | None:
    """`12.9/14.1/10.2 A`; None for one leg."""
    known = [figures.number(value, 1) for value in story.legs_amps]
    return "/".join(text or "-" for text in known) + " A" if len(known) > 1 and any(known) else None


def doubt(alarm: Alarm) -> int | None:
    """The code of what speaks against the readings; None where it is none of ours."""
    if alarm.value is None or not math.isfinite(alarm.value):
        return None
    return int(alarm.value) if alarm.value in DOUBTS else None


def doubt_words(alarm: Alarm, story: Story) -> str | None:
    """What speaks against the readings, e.g. `L2 reads zero, the others are unchanged`."""
    code = doubt(alarm)
    if code is None:
        return None
    least = least_leg(story)
    words = DOUBTS[code]
    return words.replace("one leg", f"L{least}", 1) if code == layout.CLAMP_OFF and least else words


def most_starts(alarm: Alarm) -> int | None:
    """How many starts an hour are allowed: the alarm is raised at one more."""
    if alarm.setpoint is None or not math.isfinite(alarm.setpoint):
        return None
    return math.ceil(alarm.setpoint) - 1


def names(fans: tuple[str, ...], most: int = 4) -> str | None:
    """`North 3, North 4 and 2 more`."""
    if not fans:
        return None
    if len(fans) > most:
        return f"{', '.join(fans[: most - 1])} and {len(fans) - most + 1} more"
    return fans[0] if len(fans) == 1 else f"{', '.join(fans[:-1])} and {fans[-1]}"


def _joined(*parts: str | None) -> str:
    return ", ".join(part for part in parts if part)
