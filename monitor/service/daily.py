"""The line a day and site, where a route wishes one: that all is well, or what is not, so that silence can be trusted.

What was told when is stored with the notice, so a killed service neither forgets it nor tells it twice.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import suppressed
from monitor.alarms.all_is_well import FanNow, HeldBack, PointNow, SiteDay, all_is_well
from monitor.alarms.routes import Route
from monitor.alarms.states import Suppression
from monitor.records import day
from monitor.records.database import Database
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures
from monitor.service.maintenance import Maintenance
from monitor.service.nights import last_at
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point, Site
from monitor.service.telling import Tellings
from monitor.watch import layout

log = logging.getLogger("monitor.worker")

LATEST = timedelta(hours=6)
"""A service that was away at the hour tells it so long after it; later it waits for the next day."""
A_DAY = timedelta(days=1)
_SILENT = ("logger-overdue", "site-silent")


class Daily:
    """Kept by the worker; asked at each tick."""

    def __init__(
        self, database: Database, plant: Plant, pending: Pending, book: AlarmBook, figures: Figures,
        tellings: Tellings, cursors: Mapping[str, str], maintenance: Maintenance, *,
        away_since: Callable[[], datetime | None] = lambda: None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        cursors : what is kept under names in the database
        away_since : since when the connection to the broker is gone; None: it stands
        """
        self._database, self._plant, self._pending, self._book = database, plant, pending, book
        self._figures, self._tellings = figures, tellings
        self._maintenance, self._away_since = maintenance, away_since
        self._told = day.told(cursors)

    def look(self, now: datetime) -> None:
        """Tells one route of one site, where the hour has come: a great many sites hold up no reading.

        Raises
        ------
        LinkError : the database cannot be read; what is due stays so
        """
        for route in self._tellings.routes.values():
            if route.all_is_well is None:
                continue
            for site in self._plant.sites.values():
                if route.sites and site.site not in route.sites:
                    continue
                hour = last_at(site, now, route.all_is_well)
                before = self._told.get((route.name, site.site))
                done = before is not None and hour <= before <= now + A_DAY  # later: stamped by a wrong clock
                if done or now - hour >= LATEST or not self._fans(site):
                    continue
                self._tell(route, site, before if before is not None and before < now else None, hour, now)
                return

    def _tell(self, route: Route, site: Site, before: datetime | None, hour: datetime, now: datetime) -> None:
        since = now - A_DAY if before is None else max(before, now - 7 * A_DAY)
        try:
            texts = all_is_well(self.day(site, since, now))
        except (ArithmeticError, LookupError, TypeError, ValueError):  # it would come back at every tick
            log.exception("no daily line of %s: a fault of the monitor", site.site)
        else:
            key = f"{site.site}-{hour:%Y%m%d}"
            self._tellings.send(
                "all-is-well", key, texts, now, site=site.site, priority="low", rings=False, routes=[route.name],
                wait=False,
            )  # fmt: skip
        self._told[route.name, site.site] = now
        self._pending.cursors[day.cursor(route.name, site.site)] = now.isoformat()

    def day(self, site: Site, since: datetime, now: datetime) -> SiteDay:
        """What the line is made from.

        Raises
        ------
        LinkError : the database cannot be read
        """
        counts = day.day_of(self._database, site.site, since, now)
        silent = {
            alarm.fan or alarm.supply for alarm in self._book.all_standing()
            if alarm.site == site.site and alarm.condition in _SILENT
        }  # fmt: skip
        standing = [one for one in self._book.all_standing() if one.site == site.site and not one.by_rule]
        held = [
            HeldBack(change.fan or "", Suppression.OUT_OF_SERVICE, change.until, by=change.by, why=change.why)
            for change in self._maintenance.of_site(site.site)
        ]
        out = {one.name for one in held if one.condition is None}
        fans = () if "" in out else tuple(self._fan(fan, silent) for fan in self._fans(site) if fan.name not in out)
        return SiteDay(
            site=site.site, site_name=site.name or site.site, time_zone=ZoneInfo(site.time_zone), now=now, since=since,
            fans=fans, points=tuple(self._points(site, silent)),
            standing=tuple((alarm.fan or alarm.supply or "", alarm) for alarm in standing),
            came_and_went=counts.came_and_went,
            held_back=(*held, *self._shelved(site, now)),
            not_delivered=counts.not_delivered, still_waiting=counts.still_waiting,
            delivered_late=counts.delivered_late, broker_away_since=self._away_since(),
            page=self._figures.fans_page(site.site),
        )  # fmt: skip

    def _fans(self, site: Site) -> list[Point]:
        return [point for point in self._plant.fans() if point.site == site.site]

    def _fan(self, point: Point, silent: set[str | None]) -> FanNow:
        last = self._figures.last(point)
        state = self._plant.states[point.row][layout.RUNNING]
        return FanNow(
            point.name,
            heard=last is not None and point.name not in silent and None not in silent,
            running=None if math.isnan(state) else bool(state == 1.0),
            load_ratio=None if last is None or math.isnan(last.ratio) else last.ratio,
            last_reading=self._newest(point),
        )

    def _points(self, site: Site, silent: set[str | None]) -> Iterator[PointNow]:
        for point in self._plant.points:
            if point.site == site.site and point.kind != "fan":
                newest = self._newest(point)
                yield PointNow(point.name, newest is not None and point.name not in silent, newest)

    def _newest(self, point: Point) -> datetime | None:
        newest = float(self._plant.newest_ms[point.row])
        return datetime.fromtimestamp(newest / 1000.0, UTC) if math.isfinite(newest) else None

    def _shelved(self, site: Site, now: datetime) -> Iterator[HeldBack]:
        """Alarms of which nobody is told, one by one."""
        for alarm in self._book.all():
            told_with_its_fan = alarm.suppression is Suppression.OUT_OF_SERVICE
            if told_with_its_fan or alarm.by_rule:
                continue
            if alarm.site == site.site and alarm.suppression is not None and suppressed(alarm, now):
                yield HeldBack(
                    alarm.fan or alarm.supply or "", alarm.suppression, alarm.suppressed_until, alarm.condition,
                    alarm.suppressed_by, alarm.suppressed_why,
                )  # fmt: skip
