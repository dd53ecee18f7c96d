"""Figures and times as people read them: in the site's units and local time, and never exacter than they are known."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

NOT_KNOWN = "–"
"""Stands where there is no figure; screen readers get words beside it."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def figure(value: float | None, digits: int) -> str:
    """A number with so many decimals, a true minus sign, and no "-0.0".

    >>> figure(-0.04, 1), figure(-2.5, 1), figure(None, 1), figure(1234.56, 0)
    ('0.0', '−2.5', '–', '1235')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return text.replace("-", "−")


def amps_figure(value: float | None) -> str:
    """Amperes without their unit: a clamp is not better than a tenth below 100 A, nor than one above.

    >>> amps_figure(15.18), amps_figure(142.4), amps_figure(None)
    ('15.2', '142', '–')
    """
    return figure(value, 1 if value is None or not math.isfinite(value) or abs(value) < 99.95 else 0)


def amps(value: float | None) -> str:
    """Amperes.

    >>> amps(15.18), amps(None)
    ('15.2 A', '–')
    """
    return with_unit(amps_figure(value), "A")


def with_unit(text: str, unit: str) -> str:
    """A figure and its unit, and nothing behind a figure that is not known."""
    return text if text == NOT_KNOWN else f"{text} {unit}"


def legs(values: Iterable[float | None]) -> str:
    """Several figures of one kind.

    >>> legs([15.5, None, 14.6])
    '15.5 / – / 14.6'
    """
    return " / ".join(amps_figure(value) for value in values)


def volts(values: Iterable[float | None]) -> str:
    """Line voltages, without their unit.

    >>> volts([450.2, 447.0, None])
    '450 / 447 / –'
    """
    return " / ".join(figure(value, 0) for value in values)


def share(ratio: float | None) -> str:
    """A ratio to the limit in percent; near 100 exact enough to stand on the right side of it.

    >>> share(1.021), share(0.9996), share(1.0004), share(0.534), share(None), share(1.0)
    ('102 %', '99.9 %', '100.1 %', '53 %', '–', '100 %')
    """
    if ratio is None or not math.isfinite(ratio):
        return NOT_KNOWN
    percent = 100.0 * ratio
    if 99.0 <= percent < 101.0 and percent != 100.0:
        tenths = math.floor(10 * percent) if percent < 100.0 else math.ceil(10 * percent)
        return with_unit(f"{tenths / 10:.1f}".removesuffix(".0"), "%")
    return with_unit(figure(percent, 0), "%")


def percent(value: float | None, digits: int = 0) -> str:
    """A figure that is in percent already.

    >>> percent(0.82, 1)
    '0.8 %'
    """
    return with_unit(figure(value, digits), "%")


def chance(value: float | None) -> str:
    """A chance as a share of 100, never quite certain.

    >>> chance(0.936), chance(0.9999), chance(0.0003), chance(None)
    ('94 %', 'over 99 %', 'under 1 %', '–')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if value > 0.99:
        return with_unit("over 99", "%")
    return with_unit("under 1", "%") if value < 0.01 else percent(100 * value)


def degrees(value: float | None) -> str:
    """Degrees of blade angle; whole ones without decimals.

    >>> degrees(18.0), degrees(17.5), degrees(None)
    ('18°', '17.5°', '–')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    return figure(value, 0 if float(value).is_integer() else 1) + "°"


def temperature(celsius: float | None, units: str) -> str:
    """Air temperature in the site's units.

    >>> temperature(7.0, "us"), temperature(7.0, "si"), temperature(None, "us")
    ('45 °F', '7 °C', '–')
    """
    if units == "si" or celsius is None:
        return with_unit(figure(celsius, 0), "°C")
    return with_unit(figure(celsius * 9 / 5 + 32, 0), "°F")


def power(horsepower: float | None, units: str) -> str:
    """Shaft power in the site's units.

    >>> power(10, "us"), power(7.5, "us"), power(10, "si")
    ('10 hp', '7.5 hp', '7.46 kW')
    """
    if horsepower is None:
        return NOT_KNOWN
    value, unit = (horsepower, "hp") if units != "si" else (horsepower * 0.745699872, "kW")
    return with_unit(f"{value:.3g}" if value < 1000 else figure(value, 0), unit)


def in_units(text: str, units: str) -> str:
    """A sentence of the pure rooms, which know degrees Celsius and metres only, in the site's units.

    >>> in_units("up to 40 degrees C, up to 1000 m; at rated volts", "us"), in_units("up to 40 degrees C", "si")
    ('up to 104 °F, up to 3300 ft; at rated volts', 'up to 40 °C')
    """
    text = re.sub(r"(-?\d+) degrees C\b", lambda found: temperature(float(found[1]), units), text)
    if units == "si":
        return text
    return re.sub(r"\b(\d+) m\b", lambda found: f"{round(float(found[1]) / 0.3048, -2):.0f} ft", text)


# --- times -----------------------------------------------------------------------------------------------------


def local(time: datetime | None, zone: ZoneInfo, now: datetime) -> str:
    """A time in the site's local time with the zone named; the day only where it is another.

    >>> from datetime import UTC
    >>> zone, now = ZoneInfo("America/Chicago"), datetime(2026, 10, 4, 2, 0, tzinfo=UTC)
    >>> local(datetime(2026, 10, 4, 1, 12, tzinfo=UTC), zone, now)
    '20:12 CDT'
    >>> local(datetime(2026, 10, 1, 1, 12, tzinfo=UTC), zone, now)
    'Sep 30, 20:12 CDT'
    """
    if time is None:
        return NOT_KNOWN
    there, here = time.astimezone(zone), now.astimezone(zone)
    clock = f"{there:%H:%M} {there.tzname()}"
    if there.date() == here.date():
        return clock
    return f"{local_day(time, zone, now)}, {clock}"


def local_day(time: datetime, zone: ZoneInfo, now: datetime) -> str:
    """The day of a time by the site's clock; the year only where it is another: "Sep 30", "Jan 2 2027"."""
    there, here = time.astimezone(zone), now.astimezone(zone)
    day = f"{MONTHS[there.month - 1]} {there.day}"
    return day if there.year == here.year else f"{day} {there.year}"


def span(seconds: float) -> str:
    """How long, in one or two units.

    >>> [span(seconds) for seconds in (0, 59, 60, 3599, 3600, 8100, 90000, 172800 * 2)]
    ['0 s', '59 s', '1 min', '59 min', '1 h', '2 h 15 min', '1 day 1 h', '4 days']
    """
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h" + (f" {rest} min" if rest else "")
    days, rest = divmod(hours, 24)
    text = f"{days} day" + ("s" if days > 1 else "")
    return text + (f" {rest} h" if rest and days < 3 else "")


def ago(time: datetime | None, now: datetime) -> str:
    """How long ago, in words; clocks that differ by a little do not tell of the future.

    >>> from datetime import UTC
    >>> now = datetime(2026, 10, 4, 2, 0, tzinfo=UTC)
    >>> ago(datetime(2026, 10, 4, 1, 46, tzinfo=UTC), now), ago(None, now)
    ('14 min ago', 'never')
    """
    if time is None:
        return "never"
    seconds = (now - time).total_seconds()
    if seconds < -90:
        return f"{span(-seconds)} ahead of this computer's clock"
    return "just now" if seconds < 2 else f"{span(seconds)} ago"


def plural(count: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> plural(1, "fan"), plural(3, "fan"), plural(2, "supply", "supplies")
    ('1 fan', '3 fans', '2 supplies')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
