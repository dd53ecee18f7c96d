"""Silence on purpose, as a sentence for pages and API."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms import figures
from monitor.alarms.alarm import Alarm
from monitor.alarms.characters import clean
from monitor.alarms.states import Suppression

ANOTHER_YEAR = timedelta(days=400)
"""Seen from so far away every time is told with its year."""
_WORDS = {
    Suppression.SHELVED: "Shelved",
    Suppression.OUT_OF_SERVICE: "Taken out of service",
    Suppression.SUPPRESSED_BY_DESIGN: "Stop planned",
}
_OPEN = {
    Suppression.SHELVED: "until somebody takes it off the shelf",
    Suppression.OUT_OF_SERVICE: "until somebody returns it to service",
    Suppression.SUPPRESSED_BY_DESIGN: "until somebody withdraws it",
}


def suppression_words(alarm: Alarm, zone: ZoneInfo, now: datetime | None = None) -> str:
    """Why nobody is told, until when, by whom and why; empty where nothing holds its notices back.

    Parameters
    ----------
    alarm : as it stands
    zone : of the site, in which times are told
    now : wall time, aware UTC: what ends today is told without its day; None: day and year are always told

    Returns
    -------
    `Shelved by Ann until Mon 5 Oct 2026 14:00 (waiting for the electrician). It goes on being judged; nobody is told.`
    """
    if alarm.suppression is None:
        return ""
    until = _OPEN[alarm.suppression]
    if alarm.suppressed_until is not None:
        end = alarm.suppressed_until
        until = f"until {figures.moment(end, now if now is not None else end - ANOTHER_YEAR, zone)}"
    by = f" by {clean(alarm.suppressed_by)}" if alarm.suppressed_by else ""
    why = f" ({clean(alarm.suppressed_why)})" if alarm.suppressed_why and clean(alarm.suppressed_why) else ""
    if now is not None and alarm.suppressed_until is not None and now >= alarm.suppressed_until:
        return f"{_WORDS[alarm.suppression]}{by} {until}{why}. That time is up."
    return f"{_WORDS[alarm.suppression]}{by} {until}{why}. It goes on being judged; nobody is told."
