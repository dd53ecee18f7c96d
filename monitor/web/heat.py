"""Thermal images and time to trip, as pages say them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.motor.nameplate import Protection
from monitor.web import words

BUILT_IN = "built-in protector"
MAY_CARRY_IT = "it may open within two hours, or carry it"
"""Past 1.05 of its setting, as `device-margin` tells (IEC 60947-4-1)."""
TRIP_POINT_NOT_KNOWN = "its trip point is not known (built-in protector)"


def motor(item: Mapping[str, Any]) -> str:
    """Heat of the motor against its limit, e.g. "86 % of what its limit allows"."""
    share = _share(item["images"]["motor"])
    return f"{share} of what its limit allows{_cooling(item)}" if share else "not known yet"


def device(item: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """Heat of its overload device, and how sure that is; empty where there is no image of it."""
    share = _share(item["images"]["device"])
    if not share:
        return ""
    assumed = item["images"]["assumed"]
    doubt = "" if assumed is None else f"; how warm it was at {words.local(assumed, zone, now)} is assumed"
    return f"{share} of its trip level{_cooling(item)}{doubt}"


def without_image(protection: Protection) -> str:
    """Why there is no image of its device."""
    if protection.type == BUILT_IN:
        return TRIP_POINT_NOT_KNOWN
    if protection.type == "none":
        return "it has none"
    return "not watched: its setting is not registered" if protection.setting_amps is None else "not known yet"


def to_trip(item: Mapping[str, Any]) -> str:
    """Time to trip, always a bound: "at most 12 min", "not at this current"; empty where nothing is known.

    >>> to_trip({"running": True, "seconds_to_trip": 452.0}), to_trip({"running": True, "seconds_to_trip": math.inf})
    ('at most 8 min', 'not at this current')
    >>> near = {"id": "device-margin", "standing": True}
    >>> to_trip({"running": True, "seconds_to_trip": math.inf, "alarms": [near]})
    'it may open within two hours, or carry it'
    >>> to_trip({"running": True, "seconds_to_trip": 0.0}), to_trip({"running": False, "seconds_to_trip": 9.0})
    ('at its trip level now', 'it stands still')
    """
    seconds = item["seconds_to_trip"]
    if item["running"] is False:
        return "it stands still"
    if seconds is None:
        return ""
    if math.isinf(seconds):
        near = any(one["id"] == "device-margin" and one["standing"] for one in item.get("alarms", ()))
        return MAY_CARRY_IT if near else "not at this current"
    if seconds <= 0:
        return "at its trip level now"
    if seconds <= 60:
        return f"at most {5 * math.ceil(seconds / 5)} s"
    if seconds <= 7200:
        return f"at most {math.ceil(seconds / 60)} min"
    return f"at most {math.ceil(seconds / 3600)} h"


def strip(value: float | None) -> str:
    """Length of a strip, 0 to 1250: tenths of a percent.

    >>> strip(0.86), strip(3.0), strip(None)
    ('860', '1250', '0')
    """
    known = value is not None and math.isfinite(value)
    return str(round(1000 * min(max(value or 0.0, 0.0), 1.25))) if known else "0"


def _share(value: float | None) -> str:
    return "" if value is None or not math.isfinite(value) else words.percent(max(0.0, 100 * value))


def _cooling(item: Mapping[str, Any]) -> str:
    return ", cooling" if item["running"] is False else ""
