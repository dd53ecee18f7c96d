"""From when an ordinary stop rings: by day somebody's hand or a control is likely, by night nobody is at the bins.

What is known to be no trip and no lost supply (`watch.ends`, row 9) is told at once all the same; it is not left there:
a fan that stands still in the evening, or long after any work is done, rings.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

DAY = time(6, 0), time(20, 0)
"""Hours of the site in which somebody may stop a fan by hand (common practice, no source)."""
WORK = timedelta(hours=6)
"""So long a stop for work lasts at most: more than half a working day (common practice, no source)."""


def rings_from(stopped: datetime, zone: ZoneInfo) -> datetime:
    """When a fan that was stopped, and still stands still unacknowledged, begins to ring [aware UTC].

    Parameters
    ----------
    stopped : its first stopped reading, aware UTC
    zone : the site's

    >>> from datetime import UTC
    >>> farm = ZoneInfo("America/Chicago")
    >>> str(rings_from(datetime(2026, 10, 5, 15, 0, tzinfo=UTC), farm))  # ten in the morning: at four
    '2026-10-05 21:00:00+00:00'
    >>> str(rings_from(datetime(2026, 10, 5, 23, 30, tzinfo=UTC), farm))  # half past six: at eight
    '2026-10-06 01:00:00+00:00'
    >>> str(rings_from(datetime(2026, 10, 5, 7, 10, tzinfo=UTC), farm))  # two at night: at once
    '2026-10-05 07:10:00+00:00'
    """
    here = stopped.astimezone(zone)
    if not DAY[0] <= here.time() < DAY[1]:
        return stopped
    dusk = datetime.combine(here.date(), DAY[1], zone).astimezone(stopped.tzinfo)
    return min(stopped + WORK, dusk)
