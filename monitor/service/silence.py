"""Which points are to be heard, and which have been silent for too long.

Silence is measured by a steady clock, and only while readings could have come: neither a wall clock that is put right,
nor a link that was away, nor a machine that slept makes a logger overdue. The wall clock only stamps what is found.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

from monitor.alarms.alarm import About, Alarm, Raised, Returned
from monitor.service.plant import Plant, Point
from monitor.watch import layout
from monitor.watch.overrides import overridden, turned_off
from monitor.watch.table import BY_ID, OVERDUE_AT_LEAST_SECONDS, Condition
from monitor.watch.tick import Heard, is_overdue, silence_allowed_seconds

LONGEST_ROUND_SECONDS = 10.0
"""A turn that took longer (the machine slept, a disk hung) counts for no more than this as time of listening."""


class Silence:
    """Kept by the worker."""

    def __init__(self, plant: Plant, steady: Callable[[], float]) -> None:
        self._plant = plant
        self._steady = steady
        self._listened = 0.0
        """Seconds in which readings could have come."""
        self._heard: dict[int, tuple[float, float]] = {}
        """Row -> `_listened` and `steady` when the point was last heard by this worker."""

    def listen(self, seconds: float) -> None:
        """Time has passed in which readings could have come."""
        self._listened += min(seconds, LONGEST_ROUND_SECONDS)

    def heard(self, point: Point) -> None:
        """A reading of the point has come."""
        self._heard[point.row] = self._listened, self._steady()

    def watched(self) -> dict[int, None]:
        """Rows of the points that are to be heard: fans of the register, and the points that they name."""
        rows: dict[int, None] = {}
        for point in self._plant.fans():
            rows[point.row] = None
            for version in point.versions[-1:]:
                for name in (version.nameplate.fan.supply, version.nameplate.fan.weather):
                    source = self._plant.by_name.get((point.site, name)) if name else None
                    if source is not None:
                        rows[source.row] = None
        return rows

    def silent_seconds(self, point: Point) -> float:
        """How long readings could have come from a point and none came [s]."""
        heard = self._heard.get(point.row)
        return self._listened - (heard[0] if heard is not None else 0.0)

    def newest_heard_ms(self) -> float | None:
        """Time of the newest reading of those points that were heard since the start; None before one was."""
        return max((float(self._plant.newest_ms[row]) for row in self._heard), default=None)

    def overdue(self, point: Point, now_ms: float | None = None) -> bool:
        """Whether nothing has come from a point for longer than its logger may be silent; not if it was never heard.

        Parameters
        ----------
        now_ms : wall time; with it, what was not heard since the start is as old as the wall clock says
        """
        heard_ms = float(self._plant.heard_ms[point.row])
        if math.isnan(heard_ms):
            return False
        silent = self.silent_seconds(point)
        if now_ms is not None and point.row not in self._heard:
            silent = max(silent, (now_ms - heard_ms) / 1000.0)
        if silent <= OVERDUE_AT_LEAST_SECONDS:
            return False
        period = self._plant.period_ms_of(point)
        row = _overdue_row(point)
        return silent > silence_allowed_seconds(None if math.isnan(period) else period / 1000.0, row)

    def look(self, point: Point, alarm: Alarm | None, now_ms: float) -> Raised | Returned | None:
        """What has happened to a watched point: it is overdue, it is heard again, or nothing new.

        Parameters
        ----------
        alarm : its alarm of this condition, as it stands
        now_ms : wall time
        """
        heard_ms = float(self._plant.heard_ms[point.row])
        if math.isnan(heard_ms):
            return None
        heard = self._heard.get(point.row)
        silent = self.silent_seconds(point)
        standing = alarm is not None and alarm.state.stands
        if not standing and silent <= OVERDUE_AT_LEAST_SECONDS:
            return None
        conditions = point.nameplate.conditions if point.nameplate else {}
        row = _overdue_row(point)
        off = turned_off(conditions, row.id)
        if heard is not None:
            heard_ms = now_ms - 1000.0 * (self._steady() - heard[1])
        heard_ms = min(heard_ms, now_ms)
        period = self._plant.period_ms_of(point)
        period_seconds = None if math.isnan(period) else period / 1000.0
        overdue = is_overdue(Heard(now_ms - 1000.0 * silent, period_seconds, overdue=False), now_ms, row)
        if standing:
            if off:
                return Returned(_time(now_ms), watched=False)
            return Returned(_time(heard_ms)) if heard is not None and not overdue else None
        if not overdue or off:
            return None
        # A fan last seen stopped misses nothing for now: it can wait for the morning.
        stopped = point.kind == "fan" and self._plant.states[point.row][layout.RUNNING] != 1.0
        priority = "low" if stopped else row.priority
        seconds = (now_ms - heard_ms) / 1000.0
        return Raised(row.id, _time(now_ms), _time(heard_ms), seconds, None, seconds, priority, row.rings)


def _overdue_row(point: Point) -> Condition:
    """The condition as it holds for a point. Only this row: a whole site that is silent is asked in each tick."""
    row = BY_ID["logger-overdue"]
    return overridden(row, point.nameplate.conditions.get(row.id, {}) if point.nameplate else {})


def about_silence(point: Point) -> About:
    """What the alarm of a silent point is about."""
    if point.kind == "fan":
        return About(point.site, point.name, None, "logger-overdue")
    return About(point.site, None, point.name, "logger-overdue")


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)
