"""Who was told of an alarm, in words: "farm 02:14 CDT (delivered), desk 02:29 CDT (2 tries, delivered)"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from monitor.records import look_notices
from monitor.records.database import Database
from monitor.records.scope import Sites
from monitor.web import words

MOST_PARTS = 4
"""What is told again every four hours would fill the page; the first and the last ones tell enough."""


@dataclass(frozen=True)
class ToldLine:
    """Who was told of one alarm."""

    told: tuple[str, ...]
    """Each a route, when, and what became of it."""
    between: int
    """How many more there were between the first of `told` and the others."""
    coming: tuple[str, ...]
    """Who is still to be told, unless somebody acknowledges it before, and when."""
    not_told: tuple[str, ...]
    """Who was not told, and why."""

    @property
    def nobody(self) -> bool:
        """Nothing is known of it: it was raised, and no route takes it."""
        return not (self.told or self.coming or self.not_told)


def told_line(database: Database, sites: Sites, number: int, zone: ZoneInfo, now: datetime) -> ToldLine:
    """Who was told of an alarm of the reader's; empty for a foreign one.

    Raises
    ------
    LinkError : the database cannot be read
    """
    notices = look_notices.of_alarm(database, sites, number)
    parts = [
        f"{route} {words.local(created, zone, now)} ({_became(list(same), zone, now)})"
        for (created, route), same in groupby(notices, key=lambda one: (one["created"], one["route"]))
    ]
    between = max(0, len(parts) - MOST_PARTS)
    rest = look_notices.untold(database, sites, number)
    return ToldLine(
        told=(*parts[:1], *parts[1 + between :]),
        between=between,
        coming=tuple(
            f"{one['route']} at {words.local(one['due'], zone, now)}{_over(one)}"
            for one in rest
            if one["state"] == "waiting"
        ),
        not_told=tuple(
            dict.fromkeys(f"{one['route']}: {one['why'] or 'no reason is stored'}" for one in _dropped(rest))
        ),
    )


def _over(untold: Mapping[str, Any]) -> str:
    return " (that it is over)" if untold["kind"] == "cleared" else ""


def _dropped(rest: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    return [one for one in rest if one["state"] == "dropped"]


def _became(notices: Sequence[Mapping[str, Any]], zone: ZoneInfo, now: datetime) -> str:
    """What became of a notice at the addresses of its route."""
    if len(notices) == 1:
        return _state(notices[0], zone, now)
    delivered = sum(one["state"] == "delivered" for one in notices)
    if delivered == len(notices):
        return f"delivered to {delivered} addresses"
    others = (_state(one, zone, now) for one in notices if one["state"] != "delivered")
    return f"delivered to {delivered} of {len(notices)} addresses; {'; '.join(dict.fromkeys(others))}"


def _state(notice: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    tries = notice["tries"]
    count = f"{len(tries)} tries, " if len(tries) > 1 else ""
    last = tries[-1]["outcome"] if tries else ""
    if notice["state"] == "delivered":
        return f"{count}delivered"
    if notice["state"] == "failed":
        return f"{count}failed: {last or 'no reason is stored'}"
    if not tries:
        due = notice["next_try"]
        return "on its way" if due is None or due <= now else f"waits until {words.local(due, zone, now)}"
    return f"{count}{last}, next try {words.local(notice['next_try'], zone, now)}"
