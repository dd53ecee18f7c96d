"""What the worker knows of the plant: sites, points, register versions, the watch's state, what is newest.

One row a point (a fan, a supply point or a weather point) in every column here, so that a batch of readings is worked
with whole columns. Built from the database at start; only the worker touches it.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.motor import clamps
from monitor.motor.nameplate import Nameplate
from monitor.watch import advance, layout
from monitor.watch.versions import Counted, count_on, in_force

Blades = tuple[float | None, int, tuple[float, ...]]
"""Pitch, which motor, how the clamps are corrected."""
LEARNED_INTERVALS = layout.LEARNED_INTERVALS


@dataclass
class Site:
    """A place with fans."""

    site: str
    name: str
    time_zone: str = "UTC"
    altitude_m: float = 0.0
    units: str = "us"
    supper: str = "17:00"
    """Local hour at which the night's outlook is worked."""


@dataclass
class Version:
    """One register version of a fan, resolved."""

    number: int
    """Counts from 1."""
    applies_from_ms: float
    """In force for readings at or after this time."""
    limits: int
    """Row in the plant's array of limits."""
    valid_from_ms: float
    """True in the field since."""
    counted: Counted
    """What it says, and what the watch must begin anew for."""

    @property
    def nameplate(self) -> Nameplate:
        """As in force: with what the site changes of the table of conditions."""
        return self.counted.nameplate

    @property
    def removed(self) -> bool:
        """From this one on the fan is not in the register."""
        return self.counted.removed

    @property
    def blades(self) -> Blades:
        """What the draw of a fan depends on beside load, air and volts: its pitch, which motor it has, and how its
        clamps are corrected."""
        plate = self.nameplate
        return plate.fan.blade_pitch_degrees, self.counted.motor_number, plate.logger.clamp_corrections


@dataclass
class Point:
    """One stream of readings."""

    row: int
    """Its row in the plant's columns."""
    point_id: int
    site: str
    name: str
    kind: str
    """fan, supply or weather."""
    versions: list[Version] = field(default_factory=list)
    """Oldest first; only fans have them."""
    removed: bool = False
    times: array[float] = field(default_factory=lambda: array("d"))
    """Times of its newest readings, ascending: a repeat is known by them."""
    complete_after: float = -math.inf
    """Of what is later than this, every time stands in `times`; older ones are looked up in the database."""
    intervals: list[float] = field(default_factory=list)
    """First intervals of a supply or weather point, from which its period is learned."""
    period_ms: float = math.nan
    """Learned or given period; NaN until known."""

    @property
    def nameplate(self) -> Nameplate | None:
        """The newest version's nameplate; None for what is not a fan."""
        return self.versions[-1].nameplate if self.versions else None

    def learn(self, interval_ms: float) -> None:
        """The median of the first nine intervals is the period (as for fans, in the watch)."""
        if math.isnan(self.period_ms) and interval_ms > 0:  # one that is known, also from before a restart, stays
            self.intervals.append(interval_ms)
            if len(self.intervals) == LEARNED_INTERVALS:
                self.period_ms = sorted(self.intervals)[LEARNED_INTERVALS // 2]


class Plant:
    """All points and their columns."""

    def __init__(self) -> None:
        self.sites: dict[str, Site] = {}
        self.points: list[Point] = []
        self.by_name: dict[tuple[str, str], Point] = {}
        self.by_id: dict[int, Point] = {}
        self.states = advance.new_states(0)
        self.newest_ms: NDArray[np.float64] = np.empty(0)
        self.heard_ms: NDArray[np.float64] = np.empty(0)
        self.limits = np.empty((0, layout.LIMITS_FIELDS))
        self.limits_of: NDArray[np.int32] = np.empty(0, np.int32)
        """Row of limits in force for each point; -1 for what is not a fan."""
        self.next_version_ms: NDArray[np.float64] = np.empty(0)
        """When a later version takes over; infinite when none waits."""
        self.legs_of: NDArray[np.int8] = np.empty(0, np.int8)
        """Legs that a reading of each point has: 1 or 3 for a fan, 0 for supply and weather points."""
        self.point_ids: NDArray[np.int64] = np.empty(0, np.int64)
        self.version_of_limits: NDArray[np.int64] = np.empty(0, np.int64)
        """Version number of each row of limits."""
        self.factors: NDArray[np.float64] = np.empty((0, 3))
        """Corrections of the clamps for each row of limits, shape (k, 3)."""
        self.corrects = False
        """Whether any of them is not 1."""

    def add_point(self, point_id: int, site: str, name: str, kind: str) -> Point:
        """A new point with empty columns."""
        point = Point(len(self.points), point_id, site, name, kind)
        self.points.append(point)
        self.by_name[(site, name)] = point
        self.by_id[point_id] = point
        self.states = np.vstack([self.states, advance.new_states(1)])
        self.newest_ms = np.append(self.newest_ms, -math.inf)
        self.heard_ms = np.append(self.heard_ms, math.nan)
        self.limits_of = np.append(self.limits_of, np.int32(-1))
        self.next_version_ms = np.append(self.next_version_ms, math.inf)
        self.legs_of = np.append(self.legs_of, np.int8(0))
        self.point_ids = np.append(self.point_ids, np.int64(point_id))
        return point

    def add_version(
        self, point: Point, number: int, applies_from_ms: float, nameplate: Nameplate,
        *, motor_changed: bool = False, removed: bool = False, valid_from_ms: float | None = None,
    ) -> Version:  # fmt: skip
        """A register version; versions must come in their order. Readings that were judged already keep theirs."""
        before = point.versions[-1].counted if point.versions else None
        counted = count_on(before, nameplate, motor_changed=motor_changed, removed=removed)
        self.limits = np.vstack([self.limits, counted.limits()])
        self.version_of_limits = np.append(self.version_of_limits, np.int64(number))
        self.factors = np.vstack([self.factors, clamps.factors_of(nameplate.logger.clamp_corrections)])
        self.corrects |= bool((self.factors[-1] != 1.0).any())
        valid_from_ms = applies_from_ms if valid_from_ms is None else valid_from_ms
        applies_from_ms = max(applies_from_ms, float(self.newest_ms[point.row]))
        version = Version(number, applies_from_ms, len(self.limits) - 1, valid_from_ms, counted)
        point.versions.append(version)
        point.removed = removed
        given = nameplate.logger.period_seconds
        point.period_ms = math.nan if given is None else 1000.0 * given
        self.legs_of[point.row] = nameplate.motor.phases
        self.settle_version(point)
        return version

    def settle_version(self, point: Point) -> None:
        """Finds which version is in force for readings newer than the newest, and when the next one takes over."""
        newest = float(self.newest_ms[point.row])
        in_force = self.version_at(point, newest) if point.versions else None
        self.limits_of[point.row] = -1 if in_force is None else in_force.limits
        self.next_version_ms[point.row] = min(
            (one.applies_from_ms for one in point.versions if one.applies_from_ms > newest), default=math.inf
        )

    def version_at(self, point: Point, t_ms: float) -> Version:
        """The version in force at a time, the one entered last of several; before the first one the first."""
        for version in reversed(point.versions):
            if version.applies_from_ms <= t_ms:
                return version
        return point.versions[0]

    def limits_at(self, rows: NDArray[np.int32], t_ms: NDArray[np.float64]) -> NDArray[np.int32]:
        """Row of limits for each reading, shape (n,)."""
        limits = self.limits_of[rows]
        for number in np.flatnonzero(t_ms >= self.next_version_ms[rows]):
            limits[number] = self.version_at(self.points[rows[number]], float(t_ms[number])).limits
        return limits

    def field_limits_at(self, rows: NDArray[np.int32], t_ms: NDArray[np.float64]) -> NDArray[np.int32]:
        """Row of limits that was true in the field at each reading, shape (n,); -1 for what is not a fan's.

        Which it is does not depend on when the version was entered, so a reading that comes late is corrected alike
        whenever it comes.
        """
        limits = np.full(len(rows), -1, np.int32)
        for row in np.unique(rows).tolist():
            versions = self.points[row].versions
            if versions:
                mine = rows == row
                since = np.array([one.valid_from_ms for one in versions])
                limits[mine] = np.array([one.limits for one in versions], np.int32)[in_force(since, t_ms[mine])]
        return limits

    def corrected(self, amps: NDArray[np.float64], limits: NDArray[np.int32]) -> NDArray[np.float64]:
        """Amps as sent, times the corrections of the versions whose rows of limits are given, shape (n, 3)."""
        if not self.corrects:
            return amps
        factors = np.where((limits >= 0)[:, None], self.factors[limits], 1.0)
        return clamps.corrected(amps, factors)

    def point_about(self, site: str, name: str | None) -> Point | None:
        """The point that an alarm is about; of one about the whole site, which names none, some fan of it."""
        if name is None:
            return next((point for point in self.fans() if point.site == site), None)
        return self.by_name.get((site, name))

    def zone_of(self, site: str) -> ZoneInfo:
        """Time zone of a site; for what is about none ("") the one that all sites have, else UTC. For any thread."""
        known = self.sites.get(site)
        zones = {known.time_zone} if known is not None else {one.time_zone for one in list(self.sites.values())}
        return ZoneInfo(zones.pop() if len(zones) == 1 else "UTC")

    def fans(self) -> Iterable[Point]:
        """All registered fans."""
        return (point for point in self.points if point.kind == "fan" and not point.removed)

    def period_ms_of(self, point: Point) -> float:
        """The point's period [ms], given or learned; NaN when not known yet."""
        if point.kind == "fan" and math.isnan(point.period_ms):
            state = self.states[point.row]
            if state[layout.INTERVALS] == LEARNED_INTERVALS:
                return float(state[layout.PERIOD_MS])
        return point.period_ms
