"""What a fan's page says of the night to come, and what is entered there."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.blades.tonight import LOW_BOUNDS_C
from monitor.errors import Fault
from monitor.records.look_fans import NOT_HEARD
from monitor.web import words
from monitor.web.problems import Problem

NOT_RUNNING = "it does not run"
NOT_YET = "not worked out yet: it takes 3 minutes of running, and is then worked out again every 5 minutes"
KEYS = ("rising_amps_an_hour", "reaches_limit_at")
LOW_LETTERS = 20


def ahead(item: Mapping[str, Any]) -> dict[str, Any]:
    """`tonight` with `tonight_why`, `rising_amps_an_hour` and `reaches_limit_at` of a fan as `records.look` gives it.

    `tonight` is null where nothing can be said; then `tonight_why` says why. What was worked before a fan stopped or
    fell silent says nothing of tonight.
    """
    said: Mapping[str, Any] = item["estimate"] or {}
    if not item["running"] or item["state"] == NOT_HEARD:
        why = "it is not heard" if item["state"] == NOT_HEARD else NOT_RUNNING
        return {"tonight": None, "tonight_why": why, **dict.fromkeys(KEYS)}
    why_not = None if said.get("tonight") else said.get("tonight_why") or NOT_YET
    return {"tonight": said.get("tonight"), "tonight_why": why_not, **{key: said.get(key) for key in KEYS}}


def lines(item: Mapping[str, Any], units: str, zone: ZoneInfo) -> list[str]:
    """The night in sentences."""
    found = ahead(item)
    tonight, told = found["tonight"], []
    if found["reaches_limit_at"]:
        rises = f"Over the last two hours it has risen by {words.figure(found['rising_amps_an_hour'], 2)} A an hour"
        # Worked out up to 5 minutes ago: a step in load since then may have taken it over.
        over = item["load_ratio"] is not None and item["load_ratio"] >= 1.0
        when = _about(found["reaches_limit_at"], zone)
        told.append(
            f"{rises}; it is over its limit now." if over else f"{rises}: so it reaches its limit at about {when}."
        )
    if tonight is None:
        why = found["tonight_why"]
        return [*told, f"No outlook: {why}{'' if why.endswith('.') else '.'}"]
    low = words.temperature(tonight["low_c"], units)
    told.append(
        f"Tonight's low is taken as {low} ({tonight['low_source']}). As it runs now it would then draw "
        f"{words.amps(tonight['amps'])} ({words.amps_figure(tonight['low'])} to {words.amps_figure(tonight['high'])})."
    )
    told.append(
        f"Chance that it passes its limit of {words.amps(tonight['limit_amps'])}: "
        f"{words.chance(tonight['chance_limit'])}."
    )
    if tonight["device_amps"] is not None:
        told.append(
            f"Chance that it passes {words.amps(tonight['device_amps'])}, from where its overload device may open: "
            f"{words.chance(tonight['chance_device'])}."
        )
    below, device = tonight["passes_below_c"], tonight["device_amps"]
    first = "that trip point" if device is not None and device < tonight["limit_amps"] else "its limit"
    if below is not None and tonight["now_c"] <= below:
        told.append(f"It is past {first} already.")
    elif below is not None and tonight["at"] is not None:
        when = _about(tonight["at"], zone)
        at = words.temperature(below, units)
        told.append(f"It passes {first} below {at}; if it cools as last night, at about {when}.")
    return [*told, *(f"{text[:1].upper()}{text[1:]}." for text in tonight["words"])]


def _about(text: str, zone: ZoneInfo) -> str:
    """An hour within the next day, to ten minutes: it is known no better, and of which day is plain."""
    tens = datetime.fromtimestamp(round(datetime.fromisoformat(text).timestamp() / 600.0) * 600, UTC)
    return words.local(tens, zone, tens)


def celsius(text: str, units: str) -> float | None:
    """What was typed as tonight's low, in the site's units; None where the field was left empty.

    Raises
    ------
    Problem : 422, it is no temperature

    Examples
    --------
    >>> celsius("23", "us"), celsius("-1,5", "si"), celsius(" ", "us")
    (-5.0, -1.5, None)
    """
    typed = text.strip().replace(",", ".").replace("\N{MINUS SIGN}", "-").rstrip("°CF ")
    if not typed:
        return None
    try:
        value = float(typed)
    except ValueError:
        value = math.nan
    value = value if units == "si" else (value - 32.0) / 1.8
    least, most = LOW_BOUNDS_C
    if not least <= value <= most:
        expected = f"a number from {words.temperature(least, units)} to {words.temperature(most, units)}"
        raise Problem(422, "This is no low of a night.", faults=(Fault("low", expected, text.strip()),))
    return round(value, 2)
