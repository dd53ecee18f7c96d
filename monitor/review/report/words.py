"""Figures and times as a report writes them: in the reader's units and the site's local time."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms import figures
from monitor.motor.nameplate import KILOWATTS_A_HORSEPOWER

NOT_KNOWN = "–"
"""Stands in a table where there is no figure."""
DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
US, SI = "us", "si"

_RFC3339 = re.compile(
    r"\b([Aa]t )?(\d{4}-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])T(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{3})?Z)"
)
_CELSIUS = re.compile(r"(-?\d+(?:\.\d+)?) degrees C(?: \(-?\d+ F\))?")
_TIED = re.compile(r"(?<=\d) (?=(?:A|V|%|°F|°C|hp|kW|h|min|s|days?|degrees?|x)\b|%|°)")


def tied(text: str) -> str:
    """A figure and its unit stay on one line.

    >>> tied("15.9 A, 111 % of it, for 2 h 5 min") == "15.9\\u00a0A, 111\\u00a0% of it, for 2\\u00a0h 5\\u00a0min"
    True
    """
    return _TIED.sub("\u00a0", text)


def amps(value: float | None) -> str:
    """Amperes.

    >>> amps(14.94), amps(None)
    ('14.9 A', '–')
    """
    return figures.amps(value) or NOT_KNOWN


def signed_amps(value: float) -> str:
    """Amperes more or less.

    >>> signed_amps(1.24), signed_amps(-0.97), signed_amps(0.01)
    ('+1.2 A', '−1.0 A', '0.0 A')
    """
    text = figures.number(abs(value), 1) or NOT_KNOWN
    sign = "" if text == "0.0" else "+" if value > 0 else "−"
    return f"{sign}{text} A"


def percent(value: float | None) -> str:
    """Per cent of a limit, near 100 exact enough to stand on the right side of it.

    >>> percent(111.2), percent(100.04), percent(None)
    ('111 %', '100.0 %', '–')
    """
    return figures.percent(value) or NOT_KNOWN


def small_percent(value: float | None) -> str:
    """A small share such as voltage unbalance, with one decimal."""
    return figures.small_percent(value) or NOT_KNOWN


def chance(value: float | None) -> str:
    """A chance, never quite certain."""
    return figures.chance(value) or NOT_KNOWN


def plain(value: float) -> str:
    """A number without needless noughts, the minus sign a true one.

    >>> plain(19.0), plain(-2.5)
    ('19', '−2.5')
    """
    return (figures.plain(value) or NOT_KNOWN).replace("-", "−")


def degrees(value: float) -> str:
    """Degrees of pitch: `1 degree`, `2.5 degrees`."""
    return figures.degrees(value) or NOT_KNOWN


def temperature(celsius: float, units: str) -> str:
    """Air temperature in the reader's units; in US units with degrees C beside it, as the nameplate file has them.

    >>> temperature(-10.0, "us"), temperature(7.04, "si")
    ('14 °F (−10 °C)', '7 °C')
    """
    there = f"{_whole(celsius)} °C"
    return there if units == SI else f"{_whole(celsius * 1.8 + 32.0)} °F ({there})"


def in_units(text: str, units: str) -> str:
    """A text of the findings with its temperatures as `temperature` writes them.

    >>> in_units("air of -12 degrees C (10 F)", "us"), in_units("up to 40 degrees C", "si")
    ('air of 10 °F (−12 °C)', 'up to 40 °C')
    """
    return _CELSIUS.sub(lambda found: temperature(float(found.group(1)), units), text)


def power(horsepower: float, units: str) -> str:
    """Shaft power in the reader's units.

    >>> power(10.0, "us"), power(10.0, "si")
    ('10 hp', '7.46 kW')
    """
    if units == SI:
        return f"{horsepower * KILOWATTS_A_HORSEPOWER:.3g} kW"
    return f"{plain(horsepower)} hp"


def _whole(value: float) -> str:
    return f"{round(value):d}".replace("-", "−")


def count(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun.

    >>> count(1, "reading"), count(60480, "reading"), count(0, "gap")
    ('1 reading', '60,480 readings', 'no gaps')
    """
    noun = one if number == 1 else many or one + "s"
    return f"{number:,} {noun}" if number else f"no {noun}"


def times(number: int) -> str:
    """`once`, `twice`, `6 times`."""
    return {1: "once", 2: "twice"}.get(number, f"{number:,} times")


def span(seconds: float) -> str:
    """How long."""
    return figures.span(seconds)


_COUNTED: Mapping[str, tuple[str, str]] = {
    "overload trip": ("overload trip", "overload trips"),
    "supply lost": ("lost supply", "lost supplies"),
    "phase lost": ("lost phase", "lost phases"),
    "short circuit or locked rotor": ("short circuit or locked rotor", "short circuits or locked rotors"),
    "stopped": ("stop by its control or by hand", "stops by its control or by hand"),
    "cannot tell": ("stop of unknown cause", "stops of unknown cause"),
    "log ended": ("end that was not seen", "ends that were not seen"),
}


def ends_counted(number: int, end_cause: str) -> str:
    """So many runs ended so.

    >>> ends_counted(4, "overload trip"), ends_counted(1, "log ended")
    ('4 overload trips', '1 end that was not seen')
    """
    one, many = _COUNTED[end_cause]
    return f"{number:,} {one if number == 1 else many}"


def listed(items: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else ""


def sentence(text: str) -> str:
    """With a capital and a full stop; nothing of what stands in it is changed.

    >>> sentence("cold air of 20 F adds 0.5 A"), sentence("It fell.")
    ('Cold air of 20 F adds 0.5 A.', 'It fell.')
    """
    text = text.strip()
    if not text:
        return ""
    text = text[:1].upper() + text[1:]
    return text if text[-1] in ".!?:" else text + "."


def small_letter(text: str) -> str:
    """For the middle of a sentence; abbreviations stay.

    >>> small_letter("Likely an overload trip"), small_letter("L1 is high")
    ('likely an overload trip', 'L1 is high')
    """
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


# --- times -----------------------------------------------------------------------------------------------------


def zone_name(there: datetime) -> str:
    """The zone's short name; zones that have none give their offset.

    >>> from datetime import UTC
    >>> at = datetime(2026, 10, 4, 2, tzinfo=UTC)
    >>> zone_name(at.astimezone(ZoneInfo("America/Chicago"))), zone_name(at.astimezone(ZoneInfo("America/Sao_Paulo")))
    ('CDT', 'UTC−3')
    """
    name = there.tzname() or ""
    if name and name[0].isalpha():
        return name
    minutes = int((there.utcoffset() or timedelta()).total_seconds() // 60)
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'−' if minutes < 0 else '+'}{hours}" + (f":{rest:02d}" if rest else "")


class Clock:
    """Times of one report: local, with the zone named, and the year where the log reaches over a new year."""

    def __init__(self, zone: ZoneInfo, years: bool = False) -> None:
        self.zone = zone
        self._years = years

    def moment(self, ms: float) -> str:
        """Day and time.

        >>> Clock(ZoneInfo("America/Chicago")).moment(1791076350000)
        'Sat Oct 3, 20:12 CDT'
        """
        return f"{self.day(ms)}, {self.time(ms)}"

    def time(self, ms: float) -> str:
        """Time of day with the zone's name.

        >>> Clock(ZoneInfo("America/Chicago")).time(1791076350000)
        '20:12 CDT'
        """
        there = self.there(ms)
        return f"{there.hour:02d}:{there.minute:02d} {zone_name(there)}"

    def day(self, ms: float) -> str:
        """The day."""
        there = self.there(ms)
        year = f" {there.year}" if self._years else ""
        return f"{DAYS[there.weekday()]} {MONTHS[there.month - 1]} {there.day}{year}"

    def date(self, ms: float) -> str:
        """The day with its year.

        >>> Clock(ZoneInfo("America/Chicago")).date(1791076350000)
        'Oct 3, 2026'
        """
        there = self.there(ms)
        return f"{MONTHS[there.month - 1]} {there.day}, {there.year}"

    def from_to(self, from_ms: float, to_ms: float) -> str:
        """A stretch of time; the day once where both are on one.

        >>> Clock(ZoneInfo("America/Chicago")).from_to(1791076350000, 1791080000000)
        'Sat Oct 3, 20:12 to 21:13 CDT'
        """
        there, then = self.there(from_ms), self.there(to_ms)
        if there.date() == then.date() and zone_name(there) == zone_name(then):
            return f"{self.day(from_ms)}, {there.hour:02d}:{there.minute:02d} to {self.time(to_ms)}"
        return f"{self.moment(from_ms)} to {self.moment(to_ms)}"

    def until(self, from_ms: float, to_ms: float) -> str:
        """The end of a stretch beside its begin: the time alone where both are on one day.

        >>> Clock(ZoneInfo("America/Chicago")).until(1791076350000, 1791080000000)
        '21:13 CDT'
        """
        return self.time(to_ms) if self.there(from_ms).date() == self.there(to_ms).date() else self.moment(to_ms)

    def localised(self, text: str) -> str:
        """A text of the findings with its times (RFC 3339, UTC) as those of the site.

        >>> Clock(ZoneInfo("America/Chicago")).localised("at 2026-10-04T01:12:30Z the volts are 0 V")
        'on Sat Oct 3, 20:12 CDT the volts are 0 V'
        """
        return _RFC3339.sub(self._localised, text)

    def _localised(self, found: re.Match[str]) -> str:
        moment = self.moment(datetime.fromisoformat(found.group(2)).timestamp() * 1000.0)
        return {"at ": "on ", "At ": "On "}.get(found.group(1), "") + moment

    def there(self, ms: float) -> datetime:
        """The moment in the site's zone."""
        return datetime.fromtimestamp(ms / 1000.0, self.zone)


# --- words of the findings ---------------------------------------------------------------------------------------

ENDS: Mapping[str, str] = {
    "overload trip": "overload trip",
    "supply lost": "supply lost",
    "phase lost": "one phase lost, then it opened",
    "short circuit or locked rotor": "short circuit or locked rotor",
    "stopped": "stopped by its control or by hand",
    "cannot tell": "stopped, cannot tell why",
    "log ended": "not seen: the readings end",
}
"""How a run ended, for a table."""
ENDS_SHORT: Mapping[str, str] = {
    "overload trip": "tripped",
    "supply lost": "supply lost",
    "phase lost": "phase lost",
    "short circuit or locked rotor": "shorted or blocked",
    "stopped": "stopped",
    "cannot tell": "stopped, cannot tell why",
}
"""The same beside a mark in a plot; where the readings just end there is none."""
HOW_SURE: Mapping[str, str] = {"sure": "sure", "high": "very likely", "likely": "likely", "possible": "possible"}
CAUSES: Mapping[str, str] = {
    "fan load": "the fan's own load: blade pitch, back-pressure of the grain, or bearings",
    "supply voltage": "low supply voltage",
    "supply unbalance": "unbalanced supply voltage",
    "leg connection": "a bad connection or contact in one leg, or the motor's own winding",
    "lost phase": "a lost phase",
    "lost supply": "a lost supply",
    "air density": "cold, dense air",
    "fault": "a fault in the motor or its leads: short circuit or a rotor that cannot turn",
}
PARTS: Mapping[str, str] = {
    "leg spread": "Legs apart (highest above mean)",
    "supply voltage": "Supply voltage off its rating",
    "derating": "Limit lowered for unbalance",
    "air density": "Air colder than 20 °C (68 °F)",
    "fan load": "Fan load: pitch, grain, bearings",
}
