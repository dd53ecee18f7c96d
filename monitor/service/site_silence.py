"""When not one logger but all of a supply, or of a site, have gone silent; and fans that have not run for long.

One notice then, not one for each logger: power, gateway or link, which look the same from here. `silence` says how long
each point has been silent; this asks it about groups.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from typing import Any

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned
from monitor.service.book import AlarmBook
from monitor.service.maintenance import Maintenance
from monitor.service.plant import Plant, Point
from monitor.service.silence import Silence
from monitor.watch import layout
from monitor.watch.overrides import for_fan, row_for_fan, turned_off
from monitor.watch.table import Condition
from monitor.watch.tick import is_silent

SITE_SILENT, NOT_RUN = "site-silent", "not-run"
LEAST_LOGGERS = 2
"""A single silent logger is its own trouble first, also where it is the only one of its site."""
HOUR_MS = 3_600_000.0

Apply = Callable[[Point, About, Event], "Alarm | None"]


class SiteSilence:
    """Kept by the worker; asked at each tick."""

    def __init__(
        self, plant: Plant, book: AlarmBook, silence: Silence, apply: Apply, maintenance: Maintenance
    ) -> None:  # fmt: skip
        self._plant, self._book, self._silence, self._apply = plant, book, silence, apply
        self._maintenance = maintenance
        self._members: dict[About, tuple[Point, ...]] = {}

    def look(self, rows: Iterable[int], now_ms: float) -> set[int]:
        """Raises and clears the alarms of whole groups.

        Parameters
        ----------
        rows : the points that are to be heard
        now_ms : wall time

        Returns
        -------
        Rows of the points whose silence a group's alarm tells.
        """
        self._members = self._groups(rows)
        told: set[int] = set()
        for about, members in self._members.items():  # a site before its supplies
            if all(point.row in told for point in members):
                self._end(about, members, now_ms, watched=False)
            elif self._is_silent(about, members, now_ms):
                told.update(point.row for point in members)
        for alarm in self._book.all_standing():
            about = alarm.about
            if alarm.condition == SITE_SILENT and about not in self._members:
                self._end(about, (), now_ms, watched=False)
        return told

    def _groups(self, rows: Iterable[int]) -> dict[About, tuple[Point, ...]]:
        """The loggers of each site, and of each supply that several share; what was never heard or is out of service is
        not counted: its logger may be taken off."""
        sites: dict[About, list[Point]] = {}
        supplies: dict[About, list[Point]] = {}
        for row in rows:
            point = self._plant.points[row]
            if math.isnan(self._plant.heard_ms[row]) or self._maintenance.out(point) is not None:
                continue
            sites.setdefault(About(point.site, None, None, SITE_SILENT), []).append(point)
            supply = point.name if point.kind == "supply" else point.nameplate and point.nameplate.fan.supply
            if supply:
                supplies.setdefault(About(point.site, None, supply, SITE_SILENT), []).append(point)
        return {about: tuple(members) for about, members in (sites | supplies).items() if len(members) >= LEAST_LOGGERS}

    def _is_silent(self, about: About, members: tuple[Point, ...], now_ms: float) -> bool:
        """Whether the group's alarm stands after this look."""
        alarm = self._book.get(about)
        standing = alarm is not None and alarm.state.stands
        fans = [point for point in members if point.kind == "fan"]
        row = row_for_fan(self._conditions(fans), SITE_SILENT)
        silent = [self._silence.silent_seconds(point) for point in members]
        periods = [self._plant.period_ms_of(point) / 1000.0 for point in members]
        if standing:
            if any(not is_silent(one, _or_none(period), row) for one, period in zip(silent, periods, strict=True)):
                self._end(about, members, now_ms, watched=True)
                return False
            return True
        off = turned_off(self._conditions(fans), row.id)
        running = any(self._plant.states[point.row][layout.RUNNING] == 1.0 for point in fans)
        if off or not running:
            return False
        delay = row.on_delay_seconds * (2.0 if about.supply and self._nobody_heard(about.site, row) else 1.0)
        for one, period in zip(silent, periods, strict=True):
            if not is_silent(one - delay, _or_none(period), row):
                return False
        since_ms = now_ms - 1000.0 * min(silent)
        self._apply(
            fans[0], about,
            Raised(row.id, _time(now_ms), _time(since_ms), min(silent), None, min(silent), row.priority, row.rings),
        )  # fmt: skip
        return True

    def _nobody_heard(self, site: str, row: Condition) -> bool:
        """Whether the whole site has gone quiet. Its alarm is about to come then, as soon as the slowest of its loggers
        has missed its readings, and a supply of faster ones waits for it, once the delay more: one thing, told once."""
        members = self._members.get(About(site, None, None, SITE_SILENT), ())
        return bool(members) and all(self._silence.silent_seconds(one) >= row.on_delay_seconds for one in members)

    def _end(self, about: About, members: tuple[Point, ...], now_ms: float, *, watched: bool) -> None:
        alarm = self._book.get(about)
        point = next(iter(members), None) or next((one for one in self._plant.points if one.site == about.site), None)
        if alarm is not None and alarm.state.stands and point is not None:
            self._apply(point, about, Returned(_time(now_ms), watched=watched))

    def _conditions(self, fans: list[Point]) -> Any:
        """The table as it holds for a group: that of its first fan, since it can be set for a site."""
        return fans[0].nameplate.conditions if fans and fans[0].nameplate else {}

    def words(self, alarm: Alarm) -> dict[str, Any]:
        """What a story of a group's alarm says otherwise than that of a fan."""
        if alarm.condition != SITE_SILENT:
            return {}
        members = self._members.get(alarm.about, ())
        heard = [float(self._plant.heard_ms[point.row]) for point in members]
        return {
            "fan_name": alarm.supply or "",
            "fans": tuple(point.name for point in members if point.kind == "fan"),
            "last_reading": _time(max(heard)) if heard else None,
            "estimate": None,
            "estimate_words": None,
        }

    def not_run(self, now_ms: float) -> None:
        """Raises and clears `not-run` of fans that something else switches, where their file asks for it."""
        for point in self._plant.fans():
            about = About(point.site, point.name, None, NOT_RUN)
            alarm = self._book.get(about)
            standing = alarm is not None and alarm.state.stands
            conditions = point.nameplate.conditions if point.nameplate else {}
            state = self._plant.states[point.row]
            off = turned_off(conditions, NOT_RUN) or point.nameplate is None
            off = off or (point.nameplate is not None and point.nameplate.fan.control == "continuous")
            off = off or self._maintenance.out(point) is not None  # nobody expects it to run
            if off:
                if standing:
                    self._apply(point, about, Returned(_time(now_ms), watched=False))
                continue
            if state[layout.RUNNING] == 1.0:
                if standing:
                    self._apply(point, about, Returned(_time(float(state[layout.RUN_START_MS]))))
                continue
            row = for_fan(conditions)[NOT_RUN]
            last_ms = max(float(state[layout.RUN_LAST_MS]), self._maintenance.back_ms(point))
            hours = (now_ms - last_ms) / HOUR_MS
            if not standing and hours >= row.setpoint:
                since = _time(last_ms)
                self._apply(
                    point, about,
                    Raised(row.id, _time(now_ms), since, hours, row.setpoint, hours, row.priority, row.rings),
                )  # fmt: skip


def of_a_group(alarm: Alarm) -> bool:
    """Whether an alarm is about a whole site, and so about no point."""
    return alarm.fan is None and alarm.supply is None


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)
