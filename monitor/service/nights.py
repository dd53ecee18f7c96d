"""The nights of each site: when they begin and end by its own clock, tonight's low, and how last night went.

A night belongs to the nine o'clock at which it ends; its air counts from the noon before. All hours are local, so in
the weeks when clocks change a night is an hour longer or shorter and supper still stands at the same hour.
"""

from __future__ import annotations

import logging
import math
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.blades.tonight import LOW_BOUNDS_C, NIGHTS, Low, entered_low, measured_low
from monitor.errors import LinkError
from monitor.records import nights as records
from monitor.records.actions import Action
from monitor.records.database import Database
from monitor.service.plant import Plant, Point, Site

log = logging.getLogger("monitor.worker")

NINE = time(9)
"""A night's outlook ends at this hour of the next morning."""
NOON = time(12)
DARK_FROM, DARK_TO = time(18), time(8)
"""A night's low is known where readings cover most of these hours."""
LEAST_COVER = 0.75
ENTERED_FROM = timedelta(hours=5)
"""What is entered less than so long before nine in the morning is for the night to come."""
LOOKED_AGAIN_MS = 3_600_000.0
"""Where no night is known yet it is looked again every hour."""
READ_AFTER = timedelta(minutes=20)
"""A night's air is read so long after its end: most of what was buffered has come by then."""
MOST_POINTS = 3
"""So many points of a site are tried for one that measures the air."""


def local(site: Site, day: date, at: time) -> datetime:
    """A local time of a site as UTC; an hour that comes twice is the first, one that is left out lies after the gap."""
    return datetime.combine(day, at, ZoneInfo(site.time_zone)).astimezone(UTC)


def next_at(site: Site, after: datetime, at: time) -> datetime:
    """The next time that a site's clock shows an hour, later than a moment."""
    day = after.astimezone(ZoneInfo(site.time_zone)).date()
    return next(when for ahead in range(3) if (when := local(site, day + timedelta(days=ahead), at)) > after)


def last_at(site: Site, now: datetime, at: time) -> datetime:
    """The last time that a site's clock showed an hour, a moment itself included."""
    day = now.astimezone(ZoneInfo(site.time_zone)).date()
    return next(when for back in range(3) if (when := local(site, day - timedelta(days=back), at)) <= now)


@dataclass
class _Known:
    """What was measured at a site."""

    night: datetime | None = None
    """The nine o'clock of the last night that was looked for."""
    looked_ms: float = -math.inf
    lows: list[float] = field(default_factory=list)
    seconds: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """Last night's curve: times [s since 1970] and air [degrees C]; empty: not known."""
    air: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))


@dataclass(frozen=True)
class _Entered:
    """A low that somebody entered."""

    c: float
    by: str
    ends: datetime
    """The nine o'clock of its night."""


class Nights:
    """Kept by the worker."""

    def __init__(self, plant: Plant, database: Database, now: datetime) -> None:
        """
        Raises
        ------
        LinkError : the database cannot be read
        """
        self._plant, self._database = plant, database
        self._known: dict[str, _Known] = {}
        self._entered: dict[str, _Entered] = {}
        for action in records.entered_since(database, now - timedelta(days=2)):
            self.enter(action)

    def enter(self, action: Action) -> str | None:
        """Takes the low that somebody entered for a site: {"low_c": number}, or null to take it back.

        Returns
        -------
        None, or in words why it was not taken
        """
        site = self._plant.sites.get(action.site)
        if site is None:
            return f"there is no site {action.site}"
        low = action.body.get("low_c")
        if low is None:
            self._entered.pop(action.site, None)
            return None
        least, most = LOW_BOUNDS_C
        if not isinstance(low, int | float) or isinstance(low, bool) or not least <= low <= most:
            return f"tonight's low is no number from {least:g} to {most:g} degrees C"
        self._entered[action.site] = _Entered(float(low), action.by, next_at(site, action.at + ENTERED_FROM, NINE))
        return None

    def low(self, site: Site, now: datetime) -> Low | None:
        """Tonight's low: as entered for this night, else of the last nights; None where neither is known."""
        entered = self._entered.get(site.site)
        if entered is not None and entered.ends == next_at(site, now, NINE):
            return entered_low(entered.c, entered.by)
        known = self._known.get(site.site)
        return None if known is None else measured_low(known.lows)

    def curve(self, site: Site) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Last night's air: times [s since 1970] and [degrees C]; empty where it is not known."""
        known = self._known.get(site.site, _Known())
        return known.seconds, known.air

    def wants(self, site: Site, now: datetime) -> bool:
        """Whether the air of the last nights is to be read: a night has ended since, or none was known."""
        known = self._known.get(site.site)
        if known is None or known.night != last_at(site, now - READ_AFTER, NINE):
            return True
        return not known.lows and abs(now.timestamp() * 1000.0 - known.looked_ms) >= LOOKED_AGAIN_MS

    def read(self, site: Site, points: list[Point], now: datetime) -> None:
        """Reads the air of the last nights at the first of some points that has measured it.

        Raises
        ------
        LinkError : the database cannot be read; what was known stays, and it is to be read again
        """
        known = self._known.setdefault(site.site, _Known())
        known.night, known.looked_ms = last_at(site, now - READ_AFTER, NINE), now.timestamp() * 1000.0
        last = known.night.astimezone(ZoneInfo(site.time_zone)).date()
        lows: list[float] = []
        curve = np.empty(0), np.empty(0)
        try:
            for point in points[:MOST_POINTS]:
                for back in range(NIGHTS):
                    seconds, air = self._night(site, point, last - timedelta(days=back))
                    if back == 0:
                        curve = seconds, air
                    if len(air) and self._covered(site, seconds, last - timedelta(days=back)):
                        lows.insert(0, float(air.min()))
                if lows:
                    break
        except LinkError:
            known.night = None
            raise
        except ValueError as exc:  # a packed hour is damaged: advice must never cost the watch
            log.error("%s: no air of the last nights: %s", site.site, exc)
            return
        known.lows = lows
        known.seconds, known.air = curve if lows else (np.empty(0), np.empty(0))

    def _night(self, site: Site, point: Point, day: date) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """A point's air from noon to nine of the morning of a day, in half hours."""
        begins, ends = local(site, day - timedelta(days=1), NOON), local(site, day, NINE)
        first, last = (round(when.timestamp() * 1000.0) for when in (begins, ends))
        t_ms, air = records.air(self._database, point.point_id, first, last)
        return t_ms / 1000.0, air

    def _covered(self, site: Site, seconds: NDArray[np.float64], day: date) -> bool:
        dusk, dawn = local(site, day - timedelta(days=1), DARK_FROM), local(site, day, DARK_TO)
        whole = (dawn - dusk).total_seconds() / (records.SLOT_MS / 1000.0)
        there = int(((seconds > dusk.timestamp()) & (seconds < dawn.timestamp())).sum())
        return there >= LEAST_COVER * whole
