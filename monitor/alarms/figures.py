"""Figures, times and spans as people read them. What is not finite is not a figure: None comes back and is left out."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

# Own tables: the names of the standard library follow the language of the machine.
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

GREATEST = 9_999.0
"""Beyond this a figure of ours is a fault somewhere, and is said as "over 9,999" rather than in thirty digits."""


def number(value: float | None, decimals: int) -> str | None:
    """A number with so many decimals, or none from 100 up.

    >>> number(14.94, 1), number(99.96, 1), number(1234.4, 1), number(1e30, 0), number(float("nan"), 1)
    ('14.9', '100', '1234', 'over 9,999', None)
    """
    if value is None or not math.isfinite(value):
        return None
    if abs(value) > GREATEST:
        return "over 9,999" if value > 0 else "under -9,999"
    text = f"{value:.{decimals}f}"
    text = text if abs(float(text)) < 100 else f"{value:.0f}"
    return text.removeprefix("-") if float(text) == 0 else text


def amps(value: float | None) -> str | None:
    """Amperes.

    >>> amps(14.94), amps(112.4)
    ('14.9 A', '112 A')
    """
    text = number(value, 1)
    return None if text is None else f"{text} A"


def volts(value: float | None) -> str | None:
    """Volts, whole."""
    text = number(value, 0)
    return None if text is None else f"{text} V"


def percent(value: float | None) -> str | None:
    """Per cent of a limit [%]: whole, but with a decimal close to 100, where whole numbers would hide which side it is.

    >>> percent(109.4), percent(99.6), percent(100.04), percent(95.4)
    ('109 %', '99.6 %', '100.0 %', '95 %')
    """
    if value is None or not math.isfinite(value):
        return None
    if abs(value - 100.0) < 2.0:
        return f"{value:.1f} %"
    return f"{number(value, 0)} %"


def small_percent(value: float | None) -> str | None:
    """A small share such as voltage unbalance [%], one decimal.

    >>> small_percent(3.64)
    '3.6 %'
    """
    text = number(value, 1)
    return None if text is None else f"{text} %"


def chance(value: float | None) -> str | None:
    """A chance from 0 to 1, never as a certainty.

    >>> chance(0.937), chance(0.9999), chance(0.0003)
    ('94 %', 'over 99 %', 'under 1 %')
    """
    if value is None or not math.isfinite(value):
        return None
    if value > 0.99:
        return "over 99 %"
    return "under 1 %" if value < 0.01 else f"{100 * value:.0f} %"


def plain(value: float | None) -> str | None:
    """A number without needless noughts: pitch, degrees, factors.

    >>> plain(19.0), plain(18.5), plain(1.15)
    ('19', '18.5', '1.15')
    """
    if value is None or not math.isfinite(value):
        return None
    return f"{value:g}" if abs(value) <= GREATEST else number(value, 0)


def degrees(value: float | None) -> str | None:
    """Degrees of pitch.

    >>> degrees(1.0), degrees(2.0), degrees(1.5)
    ('1 degree', '2 degrees', '1.5 degrees')
    """
    text = plain(value)
    return None if text is None else f"{text} degree" + ("" if text == "1" else "s")


def temperature(celsius: float | None, units: str) -> str | None:
    """Air temperature in the site's units, whole; without the degree sign, which some phones do not get.

    >>> temperature(-2.2, "us"), temperature(-2.2, "si"), temperature(None, "us")
    ('28 F', '-2 C', None)
    """
    if celsius is None or not math.isfinite(celsius):
        return None
    text, unit = (number(celsius, 0), "C") if units == "si" else (number(celsius * 9.0 / 5.0 + 32.0, 0), "F")
    return f"{text} {unit}"


def span(seconds: float) -> str:
    """How long something took or has lasted.

    >>> span(40), span(250), span(7500), span(7200), span(273600)
    ('40 s', '4 min', '2 h 5 min', '2 h', '3 days 4 h')
    """
    whole = int(max(0.0, seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3_600:
        return f"{whole // 60} min"
    hours, minutes = whole // 3_600, whole % 3_600 // 60
    if hours < 48:
        return f"{hours} h" + (f" {minutes} min" if minutes else "")
    return f"{hours // 24} days" + (f" {hours % 24} h" if hours % 24 else "")


def at_most(seconds: float) -> str:
    """A bound, rounded up so that it stays one.

    >>> at_most(31), at_most(59), at_most(346), at_most(7300)
    ('35 s', '60 s', '6 min', '3 h')
    """
    if seconds <= 60:
        return f"{5 * math.ceil(seconds / 5)} s"
    if seconds <= 7_200:
        return f"{math.ceil(seconds / 60)} min"
    return f"{min(math.ceil(seconds / 3_600), 999)} h"


def moment(when: datetime, now: datetime, zone: ZoneInfo) -> str:
    """Local time of the site: with the day when that is not today, the year when not this one, and the name of the zone
    in the hour that comes twice when clocks go back.

    >>> from datetime import timezone
    >>> at = lambda *parts: datetime(*parts, tzinfo=timezone.utc)
    >>> chicago = ZoneInfo("America/Chicago")
    >>> moment(at(2026, 10, 5, 7, 8), at(2026, 10, 5, 9), chicago)
    '02:08'
    >>> moment(at(2026, 10, 5, 4, 50), at(2026, 10, 5, 9), chicago)
    'Sun 4 Oct 23:50'
    >>> [moment(at(2026, 11, 1, hour, 30), at(2026, 11, 1, 9), chicago) for hour in (6, 7)]
    ['01:30 CDT', '01:30 CST']
    """
    local, today = when.astimezone(zone), now.astimezone(zone)
    text = f"{local.hour:02d}:{local.minute:02d}"
    if local.date() != today.date():
        year = "" if local.year == today.year else f" {local.year}"
        text = f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]}{year} {text}"
    comes_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{text} {_zone_name(local)}" if comes_twice else text


def _zone_name(local: datetime) -> str:
    """The zone's short name; zones that have none give their offset."""
    name = local.tzname() or ""
    if name and name[0].isalpha():
        return name
    offset = local.utcoffset() or timedelta()
    minutes = int(offset.total_seconds() // 60)
    return f"UTC{'-' if minutes < 0 else '+'}{abs(minutes) // 60}" + (
        f":{abs(minutes) % 60:02d}" if minutes % 60 else ""
    )
