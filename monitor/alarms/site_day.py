"""What a site's daily line is made from: filled by the service, put into words by `all_is_well`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import Alarm
from monitor.alarms.states import Suppression


@dataclass(frozen=True)
class FanNow:
    """A fan of the register that is in service, as it is when the line is made. One that is out of service stands under
    `SiteDay.held_back` only."""

    name: str
    """As people call it."""
    heard: bool
    """Whether its logger is heard, by the watch on silence (`logger-overdue`, `site-silent`); False also for a fan of
    which no reading has ever come."""
    running: bool | None = None
    """Whether it runs by its last reading; None: never heard."""
    load_ratio: float | None = None
    """Highest leg over the adjusted limit by its last reading, 1 = the limit; None: not known. Told only of fans that
    run and are heard."""
    last_reading: datetime | None = None
    """Time of its last reading [event time]."""


@dataclass(frozen=True)
class PointNow:
    """A supply or weather point of the site."""

    name: str
    heard: bool
    last_reading: datetime | None = None


@dataclass(frozen=True)
class HeldBack:
    """Something about which nobody is told, on purpose."""

    name: str
    """Fan or supply point, as people call it; empty: the whole site."""
    suppression: Suppression
    until: datetime | None
    """Its end [wall time]; None: until somebody ends it."""
    condition: str | None = None
    """Id of the only condition it is about; None: everything about this fan."""
    by: str | None = None
    why: str | None = None


@dataclass(frozen=True)
class SiteDay:
    """What a site's daily line is made from."""

    site: str
    """Site of the register."""
    site_name: str
    """As people call it."""
    time_zone: ZoneInfo
    """Of the site."""
    now: datetime
    """When it is made [wall time, aware UTC]."""
    since: datetime
    """From when on it tells what came and went: the time of the line before, else a day ago, else the start of the
    service."""
    fans: tuple[FanNow, ...]
    """All fans in service."""
    points: tuple[PointNow, ...] = ()
    """Its supply and weather points with loggers of their own."""
    standing: tuple[tuple[str, Alarm], ...] = ()
    """Every alarm that stands (`alarm.state.stands`), acknowledged or not, suppressed or not, with the name of its fan
    or supply point; the name is empty for one of the whole site. One that is expected to stand, because its fan is out
    of service or its stop was announced, does not keep all from being well; a shelved one does."""
    came_and_went: tuple[tuple[str, int], ...] = ()
    """Id of a condition and how often it was raised since `since` and is over again."""
    held_back: tuple[HeldBack, ...] = ()
    """What is shelved, out of service or suppressed by a plan now."""
    not_delivered: int = 0
    """Notices of this site that were given up since `since`."""
    still_waiting: int = 0
    """Notices of this site that are due and not delivered yet."""
    delivered_late: int = 0
    """Notices of this site since `since` that arrived, but late (by how much is late, the caller decides)."""
    broker_away_since: datetime | None = None
    """The connection to the broker is gone since then; None: it stands."""
    not_watched_seconds: float = 0.0
    """How long the service or its broker was away since `since`, put together [s]."""
    trouble: tuple[str, ...] = ()
    """What else is wrong with the service: sentences, e.g. `The disk is nearly full: 1.2 GB left.`"""
    page: str | None = None
    """Address of the Fans page."""
