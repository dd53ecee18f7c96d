"""The words of a cold night: which fans, what each would reach, with what chance and from when, what to do before dark.

`Story.tonight` holds, as the service worked it at supper (plain JSON; null: not known):

    low_c, low_deviation_k, low_source : tonight's low
    fans : those that would pass, the greatest chance first; each with fan, amps, low, high, limit_amps, chance_limit,
        device_amps, chance_device, chance, passes_below_c, now_c, at (RFC 3339), as_is (of its estimate's pitch)
    others : the other running fans, the same keys
    cannot_say : running fans of which nothing can be said, each with fan and why
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from monitor.alarms import figures
from monitor.alarms.characters import shorten
from monitor.alarms.story import Story

COLD_NIGHT = "cold-night"
TOLD_SHORT = 3
"""Fans told with figures in a short form; the others are counted."""
BRIEF_NAME = 14
"""Where there is no room the name of the first fan is cut to this."""
LEAST_TOLD = 0.10
"""Fans with a smaller chance than this are not named among the others."""

FIRST_STEP = (
    (
        "Before dark: switch off what can wait on the same supply, open roof vents from the ground. Else stop the fan "
        "for the coldest hours, any heater off first. Never raise a device's setting."
    ),
    "Before dark: lighten the supply, open roof vents; else stop the fan, any heater off first. Never raise a setting.",
    "Before dark: lighten the load, or stop the fan, any heater off first. Never raise a setting.",
    "Before dark: lighten the load or stop it, any heater off first.",
)
STEPS = (
    "Switch off what can wait on the same supply tonight (augers, a dryer): its voltage comes up, the amps come down.",
    "Open roof vents that can be worked from the ground: an axial fan draws less against less back-pressure.",
    (
        "While it is light, have the volts at the motor, connections and bearings checked where that is not done: what "
        "is lost there is missing tonight."
    ),
    (
        "If nothing helps and the grain allows it, stop the fan for the coldest hours: the heater's fuel off first, "
        "then the fan. That is easier on motor and grain than a trip at night, and you choose the hour."
    ),
    "Leave every overload device as it is set: a higher setting takes the motor instead of the fan.",
)
AFTER = "A fan that came near its limit will do so again: have supply, bearings and pitch looked at by day."


@dataclass(frozen=True)
class _Fan:
    """One fan of the outlook, as far as it can be told."""

    name: str
    amps: str
    band: str
    past: str
    """What it passes, e.g. `15.2 A limit`."""
    past_in_full: str
    chance: str
    at: datetime | None
    already: bool
    below: str | None


def low_words(story: Story) -> str | None:
    """`low about 28 F`."""
    low = figures.temperature(_number(story.tonight, "low_c"), story.units)
    return None if low is None else f"low about {low}"


def brief(story: Story) -> str:
    """For a subject or a list: `North 3 may pass its limit`, `3 fans may pass their limits`."""
    found = _fans(story)
    if not found:
        return ""
    return f"{found[0].name} may pass its limit" if len(found) == 1 else f"{len(found)} fans may pass their limits"


def short(story: Story) -> tuple[str, ...]:
    """The fans in one sentence, from the fuller to the shortest wording."""
    found = _fans(story)
    if not found:
        return ("",)
    full = "; ".join(_in_short(fan, story, "would draw", "% chance") for fan in found)
    wordings = [f"{full}."] if len(found) <= TOLD_SHORT else []
    for most in range(min(TOLD_SHORT, len(found)), 0, -1):
        left = len(found) - most
        told = [_in_short(fan, story) for fan in found[:most]]
        wordings.append("; ".join(told) + (f"; and {left} more" if left else "") + ".")
    left = len(found) - 1
    briefly = f"{shorten(found[0].name, BRIEF_NAME)} to {found[0].amps}, {found[0].past}"
    return (*wordings, briefly + (f"; {left} more." if left else "."))


def in_long(story: Story) -> Iterator[str]:
    """The outlook line by line."""
    low = figures.temperature(_number(story.tonight, "low_c"), story.units)
    if low is not None:
        yield f"Tonight's low is taken as {low}{_low_source(story)}. Cold air is dense and loads the blades more."
    found = _fans(story)
    if found:
        who = "As it runs now this fan" if len(found) == 1 else "As they run now these fans"
        yield f"{who} would come to draw (nine of ten outcomes lie in the band):"
    for fan in found:
        below = f", in air below {fan.below}" if fan.below and not fan.already else ""
        yield f"- {fan.name}: {fan.amps}{fan.band}, {fan.past_in_full}; chance {fan.chance}{_when(fan, story)}{below}."
    others = [
        f"{one['fan']} (chance {figures.chance(chance)})"
        for one in _items(story, "others")
        if (chance := _number(one, "chance")) is not None and chance >= LEAST_TOLD
    ]
    if others:
        yield f"Under the limit by this estimate, but not for sure: {', '.join(others)}."
    unsaid = [f"{one['fan']} ({one['why']})" for one in _items(story, "cannot_say")]
    if unsaid:
        yield f"Nothing can be said of: {', '.join(unsaid)}."
    if any(fan.at is not None for fan in found):
        yield "The hours are those of last night's temperatures. All of it is an estimate."


def by_day(story: Story) -> Iterator[str]:
    """What pitch could do, fan by fan: no work for an evening."""
    told = []
    for one in _items(story, "fans"):
        found = one.get("as_is")
        degrees = figures.degrees(_number(found, "degrees")) if isinstance(found, Mapping) else None
        if degrees is not None and isinstance(found, Mapping):
            insert, chance = figures.plain(_number(found, "pitch")), figures.chance(_number(found, "chance"))
            told.append(f"- {one['fan']}: {degrees} less, insert {insert} ({chance} chance at the coldest expected).")
    if told:
        yield "Another day, once supply, connections and bearings are checked, less pitch (an estimate):"
        yield from told


def _low_source(story: Story) -> str:
    source, deviation = (story.tonight or {}).get("low_source"), _number(story.tonight, "low_deviation_k")
    parts = [str(source)] if source else []
    if deviation is not None:
        in_units = figures.number(deviation * (1.0 if story.units == "si" else 1.8), 0)
        parts.append(f"give or take {in_units} degrees")
    return f" ({'; '.join(parts)})" if parts else ""


def _in_short(fan: _Fan, story: Story, draws: str = "to", percent: str = "%") -> str:
    """`North 3 to 16.1 A, limit 15.2 A (81 %, about 02:10)`."""
    when = ", already" if fan.already else f", about {_moment(fan.at, story)}" if fan.at is not None else ""
    return f"{fan.name} {draws} {fan.amps}, {fan.past} ({fan.chance.replace('%', percent)}{when})"


def _when(fan: _Fan, story: Story) -> str:
    if fan.already:
        return ", past it already"
    return "" if fan.at is None else f", from about {_moment(fan.at, story)}"


def _moment(when: datetime, story: Story) -> str:
    """An hour of tonight, to ten minutes, as it is known no better; of which day is plain, unless it is far off."""
    tens = datetime.fromtimestamp(round(when.timestamp() / 600.0) * 600, UTC)
    near = abs((when - story.now).total_seconds()) < 86_400.0
    return figures.moment(tens, tens if near else story.now, story.time_zone)


def _fans(story: Story) -> list[_Fan]:
    found = []
    for one in _items(story, "fans"):
        amps = figures.amps(_number(one, "amps"))
        if amps is None:
            continue
        limit, device = _number(one, "limit_amps"), _number(one, "device_amps")
        low, high = figures.number(_number(one, "low"), 1), figures.number(_number(one, "high"), 1)
        by_device = device is not None and (limit is None or device < limit)
        past = figures.amps(device if by_device else limit)
        at, below, now = one.get("at"), _number(one, "passes_below_c"), _number(one, "now_c")
        found.append(
            _Fan(
                name=str(one.get("fan", "")),
                amps=amps,
                band=f" ({low} to {high})" if low and high else "",
                past=f"trip point {past}" if by_device else f"limit {past}",
                past_in_full=f"and its overload device may open from {past}" if by_device else f"its limit is {past}",
                chance=figures.chance(_number(one, "chance")) or "chance not known",
                at=datetime.fromisoformat(at) if isinstance(at, str) else None,
                already=below is not None and now is not None and now <= below,
                below=figures.temperature(below, story.units),
            )
        )
    return found


def _items(story: Story, key: str) -> list[Mapping[str, Any]]:
    found = (story.tonight or {}).get(key)
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, Sequence) else []


def _number(block: Mapping[str, Any] | None, key: str) -> float | None:
    found = block.get(key) if block else None
    return float(found) if isinstance(found, int | float) and not isinstance(found, bool) else None
