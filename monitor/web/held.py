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
