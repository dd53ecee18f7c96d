"""From a local clock to UTC: the hour that comes twice in autumn, the one that is left out in spring."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ConfigError

Integers = NDArray[np.int64]
HOUR_MS = 3_600_000
_DAY_MS = 24 * HOUR_MS
CLOSE_PERIODS = 5
"""Times so many periods apart follow each other."""


def zone_of(name: str) -> tzinfo:
    """A time zone by its IANA name, or an offset such as "UTC-06:00".

    Raises
    ------
    ConfigError : neither
    """
    told = name.strip()
    offset = re.fullmatch(r"(?:utc|gmt)?\s*([+-])(\d{1,2})(?::?(\d{2}))?", told, re.IGNORECASE)
    if offset:
        minutes = int(offset[2]) * 60 + int(offset[3] or 0)
        if minutes <= 18 * 60:
            return timezone(timedelta(minutes=minutes if offset[1] == "+" else -minutes))
    if told.casefold() in ("utc", "z", "gmt"):
        return UTC
    try:
        return ZoneInfo(told)
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        raise ConfigError(
            f'zone: expected a time zone such as America/Chicago, or an offset such as -06:00, found "{name}"'
        ) from exc


def offset_ms(zone: tzinfo, at_ms: int) -> int:
    """How far a zone's clock is ahead of UTC at a moment [ms]."""
    offset = datetime.fromtimestamp(at_ms / 1000.0, UTC).astimezone(zone).utcoffset()
    assert offset is not None
    return round(offset.total_seconds() * 1000.0)


def changes(zone: tzinfo, from_ms: int, to_ms: int) -> list[tuple[int, int, int]]:
    """Moments (UTC, ms) between two at which a zone's offset changes, with the offset before and after."""
    found = []
    at, to_ms = from_ms // 1000 * 1000, to_ms // 1000 * 1000
    before = offset_ms(zone, at)
    while at < to_ms:
        step = min(at + 7 * _DAY_MS, to_ms)
        after = offset_ms(zone, step)
        if after != before:
            low, high = at, step
            while high - low > 1000:
                middle = (low + high) // 2000 * 1000
                if middle <= low:
                    break
                if offset_ms(zone, middle) == before:
                    low = middle
                else:
                    high = middle
            after = offset_ms(zone, high)
            found.append((high, before, after))
            at, before = high, after
        else:
            at = step
    return found


def to_utc(local: Integers, zone: tzinfo) -> tuple[Integers, NDArray[np.bool_], list[str]]:
    """Times of a local clock, in the order of the file, as UTC.

    Returns
    -------
    times in UTC; which of them do not exist (the hour left out in spring); what was decided, in words
    """
    if not len(local):
        return local, np.zeros(0, bool), []
    low, high = int(local.min()), int(local.max())
    steps = changes(zone, low - 2 * _DAY_MS, high + 2 * _DAY_MS)
    first = offset_ms(zone, low - 2 * _DAY_MS)
    no_such = np.zeros(len(local), bool)
    if not steps:
        return local - first, no_such, []
    said: list[str] = []
    offsets = np.array([first, *(after for _, _, after in steps)], np.int64)
    # In local time a change at u with offsets a, b: until u + a the old one holds, from u + b the new one.
    old_until = np.array([at + before for at, before, _ in steps], np.int64)
    new_from = np.array([at + after for at, _, after in steps], np.int64)
    which = np.searchsorted(np.maximum(old_until, new_from), local, side="right")
    utc = local - offsets[which]
    for number, (at, before, after) in enumerate(steps):
        if after > before:
            hole = (local >= old_until[number]) & (local < new_from[number])
            no_such |= hole
        else:
            inside = np.flatnonzero((local >= new_from[number]) & (local < old_until[number]))
            if len(inside):
                second, words = _second_pass(local, inside, int(new_from[number]), int(old_until[number]))
                utc[inside] = local[inside] - np.where(second, after, before)
                day = datetime.fromtimestamp((at + before) / 1000.0, UTC)
                said.append(f"{day:%Y-%m-%d}: the hour before {day:%H:%M} came twice: {words}")
    return utc, no_such, said


def _second_pass(local: Integers, inside: Integers, begins: int, ends: int) -> tuple[NDArray[np.bool_], str]:
    """Which of the readings in an hour that came twice belong to its second pass."""
    times = local[inside]
    falling = len(local) > 1 and bool((np.diff(local) < 0).sum() > len(local) / 2)
    if falling:  # the newest first
        times = times[::-1]
    steps = np.abs(np.diff(local))
    usual = float(np.median(steps)) if len(steps) else 0.0
    back = np.flatnonzero(np.diff(times) < 0)
    if not len(back) and usual >= ends - begins:  # one reading a pass: the second has the time of the first
        back = np.flatnonzero(np.diff(times) == 0)
    second = np.zeros(len(times), bool)
    if len(back) == 1:
        second[back[0] + 1 :] = True
        words = f"{int((~second).sum())} readings were taken for its first pass, {int(second.sum())} for its second"
    elif len(back) > 1:
        words = "its readings are not in order, all were taken for its first pass"
    else:
        close = CLOSE_PERIODS * usual
        edges = (inside[0] - 1, inside[-1] + 1) if not falling else (inside[-1] + 1, inside[0] - 1)
        before, after = (int(local[one]) if 0 <= one < len(local) else None for one in edges)
        joins_before = before is not None and 0 <= times[0] - before <= close
        joins_after = after is not None and 0 <= after - times[-1] <= close
        if joins_after and not joins_before:
            second[:] = True
            words = f"{len(times)} readings, which go on behind it, were taken for its second pass"
        else:
            words = f"{len(times)} readings were taken for its first pass"
    return (second[::-1] if falling else second), words
