"""Why nothing is told of an alarm, or of a fan, in words."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.states import Suppression
from monitor.web import words


def held_words(alarm: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """How an alarm is held back: by what, until when, by whom and why; empty where it is not.

    Parameters
    ----------
    alarm : as `look.alarms` gives it
    """
    kind = alarm["suppression"]
    if kind is None:
        return ""
    by, why, until = alarm["suppressed_by"], alarm["suppressed_why"], alarm["suppressed_until"]
    if kind == Suppression.SUPPRESSED_BY_DESIGN.value and by is None:
        return f"suppressed by design {why or ''}".rstrip()
    what = {
        Suppression.SHELVED.value: "shelved",
        Suppression.SUPPRESSED_BY_DESIGN.value: "a planned stop",
        Suppression.OUT_OF_SERVICE.value: "out of service",
    }[kind]
    return what + _ends(until, zone, now) + (f" ({by})" if by else "") + (f": {why}" if why else "")


def plan_words(plan: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """A planned stop that begins later: when, by whom and why, and which one it took the place of.

    Parameters
    ----------
    plan : as `planned_stops.waiting` gives it

    >>> from datetime import UTC, datetime, timedelta
    >>> farm, at = ZoneInfo("America/Chicago"), datetime(2026, 10, 5, 14, 0, tzinfo=UTC)
    >>> plan = {"from": at, "until": at + timedelta(hours=3), "by": "Ann", "why": "new bearings", "instead_of": None}
    >>> plan_words(plan, farm, at - timedelta(hours=20))
    'planned stop tomorrow 09:00 to 12:00 CDT, by Ann: new bearings'
    """
    told = f"planned stop {_hours(plan, zone, now)}" + (f", by {plan['by']}" if plan["by"] else "")
    told += f": {plan['why']}" if plan["why"] else ""
    before = plan["instead_of"]
    return told + (f" (it took the place of the one {_hours(before, zone, now)})" if before else "")


def _hours(plan: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """From when to when by the clock of the site; its name once, unless the clocks are changed in between."""
    begins, ends = plan["from"].astimezone(zone), plan["until"].astimezone(zone)
    first = f"{_day(begins, zone, now)} {begins:%H:%M}"
    if begins.tzname() != ends.tzname():
        first += f" {begins.tzname()}"
    last = f"{ends:%H:%M} {ends.tzname()}"
    return f"{first} to {last}" if ends.date() == begins.date() else f"{first} to {_day(ends, zone, now)} {last}"


def _day(time: datetime, zone: ZoneInfo, now: datetime) -> str:
    away = (time.date() - now.astimezone(zone).date()).days
    near = {-1: "yesterday", 0: "today", 1: "tomorrow"}
    return near[away] if away in near else words.local_day(time, zone, now)


def out_words(out: Mapping[str, Any] | None, zone: ZoneInfo, now: datetime) -> str:
    """How a fan is out of service; empty where it is in service.

    Parameters
    ----------
    out : as the readers of `records.out_of_service` give it
    """
    if out is None:
        return ""
    whose = "out of service with its whole site" if out["whole_site"] else "out of service"
    return whose + _ends(out["until"], zone, now) + (f" ({out['by']})" if out["by"] else "") + f": {out['why']}"


def _ends(until: datetime | None, zone: ZoneInfo, now: datetime) -> str:
    return " until somebody returns it" if until is None else f" until {words.local(until, zone, now)}"
