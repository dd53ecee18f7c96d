"""Marks of a time axis in local time: whole hours and days as the clock on the wall shows them, also where it is
changed."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.review.report.words import MONTHS, zone_name

_MINUTE, _HOUR, _DAY = 60, 3600, 86_400
STEPS = (
    _MINUTE, 2 * _MINUTE, 5 * _MINUTE, 10 * _MINUTE, 15 * _MINUTE, 30 * _MINUTE, _HOUR, 2 * _HOUR, 3 * _HOUR, 6 * _HOUR,
    12 * _HOUR, _DAY, 2 * _DAY, 7 * _DAY, 14 * _DAY, 28 * _DAY,
)  # fmt: skip
"""Distances of marks [s]."""


def step_seconds(span_seconds: float, most: int) -> int:
    """The least distance that gives no more than so many marks.

    >>> step_seconds(8 * 3600.0, 8), step_seconds(7 * 86_400.0, 8), step_seconds(120.0, 8)
    (3600, 86400, 60)
    """
    for step in STEPS:
        if span_seconds / step <= most:
            return step
    return STEPS[-1] * (1 + int(span_seconds / STEPS[-1] / most))


def marks(from_ms: float, to_ms: float, zone: ZoneInfo, most: int) -> list[tuple[float, str]]:
    """Marks between two times: (milliseconds since 1970, words), in order.

    The day stands under the first mark and under the first of each day. The hour that comes twice when clocks go back
    is marked twice, one that does not come when they go forward is not marked.

    Examples
    --------
    >>> from datetime import UTC
    >>> at = lambda *parts: datetime(*parts, tzinfo=UTC).timestamp() * 1000.0
    >>> chicago = ZoneInfo("America/Chicago")
    >>> [words for _, words in marks(at(2026, 11, 1, 4, 30), at(2026, 11, 1, 8, 30), chicago, 5)]
    ['00:00\\nNov 1', '01:00', '01:00', '02:00']
    """
    step = step_seconds((to_ms - from_ms) / 1000.0, most)
    first = datetime.fromtimestamp(from_ms / 1000.0, zone)
    naive = first.replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=None, fold=0)
    found: list[tuple[float, datetime]] = []
    while True:
        instants = sorted({_utc(naive, zone, fold) for fold in (0, 1)})
        if instants[0] * 1000.0 > to_ms:
            break
        for instant in instants:
            there = datetime.fromtimestamp(instant, zone)
            if there.replace(tzinfo=None, fold=0) == naive and from_ms <= instant * 1000.0 <= to_ms:
                found.append((instant * 1000.0, there))
        naive += timedelta(seconds=step)
    return _named(found, step)


def _utc(naive: datetime, zone: ZoneInfo, fold: int) -> float:
    return naive.replace(tzinfo=zone, fold=fold).timestamp()


def _named(found: list[tuple[float, datetime]], step: int) -> list[tuple[float, str]]:
    named, day = [], None
    for at_ms, there in found:
        date = f"{MONTHS[there.month - 1]} {there.day}"
        time = f"{there.hour:02d}:{there.minute:02d}"
        named.append((at_ms, date if step >= _DAY else time if date == day else f"{time}\n{date}"))
        day = date
    return named


def clock_words(from_ms: float, to_ms: float, zone: ZoneInfo) -> str:
    """Which clock the axis shows: the zone, and when it was changed.

    >>> from datetime import UTC
    >>> at = lambda *parts: datetime(*parts, tzinfo=UTC).timestamp() * 1000.0
    >>> clock_words(at(2026, 10, 31, 20), at(2026, 11, 1, 20), ZoneInfo("America/Chicago"))
    'local time, America/Chicago: CDT, then CST'
    >>> clock_words(at(2026, 10, 3, 20), at(2026, 10, 4, 20), ZoneInfo("UTC"))
    'time in UTC'
    """
    if zone.key == "UTC":
        return "time in UTC"
    names = [zone_name(datetime.fromtimestamp(ms / 1000.0, zone)) for ms in (from_ms, to_ms)]
    then = f", then {names[1]}" if names[1] != names[0] else ""
    return f"local time, {zone.key}: {names[0]}{then}"
