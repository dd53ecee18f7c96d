"""Times at the door of the API: RFC 3339 in and out, always UTC out."""

from __future__ import annotations

import re
from datetime import UTC, datetime

from monitor.errors import Fault
from monitor.records.rows import from_ms
from monitor.web.problems import Problem

EXPECTED = "a time such as 2026-10-04T01:12:30Z (RFC 3339) or seconds since 1970"
_LAST_MS = 253_402_300_799_000  # the year 9999, where datetime ends
_SPACE_FOR_PLUS = re.compile(r" (\d\d:?\d\d)$")


def rfc3339(time: datetime) -> str:
    """An aware time in UTC; milliseconds only where there are any.

    >>> rfc3339(datetime(2026, 10, 4, 1, 12, 30, tzinfo=UTC))
    '2026-10-04T01:12:30Z'
    >>> rfc3339(datetime(2026, 10, 4, 1, 12, 30, 250000, tzinfo=UTC))
    '2026-10-04T01:12:30.250Z'
    """
    utc = time.astimezone(UTC).replace(tzinfo=None)
    return utc.isoformat(timespec="milliseconds" if utc.microsecond >= 1000 else "seconds") + "Z"


def read_time(text: str, place: str) -> datetime:
    """The time a query parameter tells; held to the years a time can have.

    Raises
    ------
    Problem : 422, it is no time, or one without a zone
    """
    shown = f'"{text[:40]}"'
    try:
        seconds = float(text)
    except ValueError:
        try:
            time = datetime.fromisoformat(_SPACE_FOR_PLUS.sub(r"+\1", text))  # "+" unescaped in a query is a space
        except ValueError:
            raise Problem(422, f"{place} is not a time.", faults=(Fault(place, EXPECTED, shown),)) from None
        if time.tzinfo is None:
            raise Problem(422, f"{place} has no time zone.", faults=(Fault(place, EXPECTED, shown),)) from None
        seconds = (time - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()
    if seconds != seconds:
        raise Problem(422, f"{place} is not a time.", faults=(Fault(place, EXPECTED, shown),))
    return from_ms(min(max(seconds * 1000, 0.0), _LAST_MS))
