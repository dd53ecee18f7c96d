"""Gives fans the volts of their supply point and the air of their weather point, before they are stored.

A fan's reading takes the point's newest values at or before its own time, among those that *arrived* before it. What
comes out must not depend on how messages are cut into batches, nor on when something is committed. So everything a
supply or weather point sends is remembered here at once and only forgotten when it is stored; what is older is fetched
from the database by whole hours, never by single readings.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.service.plant import Plant, Point

VOLTS_FROM_SUPPLY, AIR_FROM_POINT = 2, 8
"""Bits of a stored reading's flags."""
PERIODS_STANDING = 3.0
"""A supply point's reading stands for so many of its periods."""
UNKNOWN_PERIOD_MS = 60_000.0
AIR_STANDS_MS = 3 * 3_600_000.0
"""Air changes slowly: a weather point's reading stands for three hours."""
HISTORY = 4_096
"""Readings of a supply or weather point kept in memory; at most twice as many between two commits' worth."""
HOUR_MS = 3_600_000
HOURS_KEPT = 64
"""Fetched hours kept at hand: a logger that gives its backlog walks through them one after the other."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Values = tuple[float, float, float]
Window = Callable[[int, int, int], Mapping[str, NDArray[Any]]]


@dataclass
class _Series:
    """Values by time, ascending; one for each time."""

    t_ms: list[float] = field(default_factory=list)
    values: list[Values] = field(default_factory=list)

    def add(self, t_ms: float, values: Values) -> None:
        if not self.t_ms or t_ms > self.t_ms[-1]:
            self.t_ms.append(t_ms)
            self.values.append(values)
            return
        place = bisect.bisect_left(self.t_ms, t_ms)
        if self.t_ms[place] != t_ms:  # the first of a time stands, as in what is stored
            self.t_ms.insert(place, t_ms)
            self.values.insert(place, values)

    def at_or_before(self, t_ms: float) -> tuple[float, Values] | None:
        place = bisect.bisect_right(self.t_ms, t_ms) - 1
        return (self.t_ms[place], self.values[place]) if place >= 0 else None


@dataclass
class _Source:
    """What one supply or weather point has told."""

    complete_after: float
    """Of what is later than this, all is here."""
    volts: _Series = field(default_factory=_Series)
    air: _Series = field(default_factory=_Series)

    def add(self, t_ms: float, volts: Values, ambient_c: float) -> None:
        if not all(math.isnan(volt) for volt in volts):
            self.volts.add(t_ms, volts)
        if not math.isnan(ambient_c):
            self.air.add(t_ms, (ambient_c, math.nan, math.nan))

    def shorten(self) -> bool:
        """Forgets the oldest when there are too many; whether it did."""
        shortened = False
        for series in (self.volts, self.air):
            if len(series.t_ms) > 2 * HISTORY:
                over = len(series.t_ms) - HISTORY
                self.complete_after = max(self.complete_after, series.t_ms[over - 1])
                del series.t_ms[:over], series.values[:over]
                shortened = True
        return shortened


class Joining:
    """Remembers what supply and weather points sent."""

    def __init__(self, plant: Plant, window: Window) -> None:
        """
        Parameters
        ----------
        window : (point_id, from, to) -> stored readings with from < t <= to by time: `t_ms`, `volts`, `ambient_c`
        """
        self._plant = plant
        self._window = window
        self._sources: dict[int, _Source] = {}
        self._hours: dict[tuple[int, int], _Source] = {}

    def remember(self, point: Point, t_ms: float, volts: Values, ambient_c: float) -> None:
        """A stored reading, told at start."""
        self._source(point.row).add(t_ms, volts, ambient_c)

    def complete_after(self, point: Point, t_ms: float) -> None:
        """Told at start: all stored readings later than this were remembered."""
        self._source(point.row).complete_after = t_ms

    def stored(self) -> None:
        """All that was remembered is in the database now: the oldest may be forgotten."""
        shortened = [source.shorten() for source in self._sources.values()]
        if any(shortened):
            self._hours.clear()

    def fetch(self, order: NDArray[np.intp], point: Ints, t_ms: Floats) -> None:
        """Fetches what `join` will need from the database, so that `join` itself never fails half way."""
        if len(self._hours) > HOURS_KEPT:
            self._hours.clear()
        if not len(order):
            return
        earliest = float(t_ms[order].min())
        users: dict[tuple[int, float], list[int]] = {}
        for row, (supply, air) in self._wanting(point[order]).items():
            for source, stands in ((supply, self._stands_ms(supply)), (air, AIR_STANDS_MS)):
                if source is not None and earliest - stands < self._source(source).complete_after:
                    users.setdefault((source, stands), []).append(row)
        for (source, stands), rows in users.items():
            times = t_ms[order][np.isin(point[order], rows)]
            for hour in np.unique(times[times - stands < self._source(source).complete_after] // HOUR_MS):
                self._hour(source, int(hour))

    def join(
        self, order: NDArray[np.intp], point: Ints, t_ms: Floats, known: NDArray[np.bool_],
        volts: Floats, ambient: Floats, flags: NDArray[np.int16],
    ) -> None:  # fmt: skip
        """Writes volts, air and flags of fans' readings in place, going through them in order of arrival.

        Parameters
        ----------
        order : items to go through
        known : (n,) items that are stored already
        """
        rows = point[order]
        wanting = self._wanting(rows)
        points = self._plant.points
        sources = {int(row) for row in np.unique(rows) if points[int(row)].kind != "fan"}
        if not sources and not wanting:
            return
        of_interest = np.zeros(len(points), bool)
        of_interest[[*sources, *wanting]] = True
        order = order[of_interest[rows]]
        no_volts: NDArray[np.bool_] = np.asarray(np.isnan(volts).all(axis=1))
        no_air: NDArray[np.bool_] = np.asarray(np.isnan(ambient))
        seen: set[tuple[int, float]] = set()
        newest: dict[int, float] = {}
        for item, row, t in zip(order.tolist(), point[order].tolist(), t_ms[order].tolist(), strict=True):
            if row in sources:
                if known[item] or (row, t) in seen:
                    continue
                seen.add((row, t))
                v12, v23, v31 = volts[item].tolist()
                self._source(row).add(t, (v12, v23, v31), float(ambient[item]))
                before = newest.get(row, float(self._plant.newest_ms[row]))
                if t > before:
                    newest[row] = t
                    if math.isfinite(before):
                        points[row].learn(t - before)
                continue
            supply, air = wanting[row]
            if supply is not None and no_volts[item]:
                found = self._standing(supply, t, self._stands_ms(supply), air=False)
                if found is not None:
                    volts[item] = found
                    flags[item] |= VOLTS_FROM_SUPPLY
            if air is not None and no_air[item]:
                found = self._standing(air, t, AIR_STANDS_MS, air=True)
                if found is not None:
                    ambient[item] = found[0]
                    flags[item] |= AIR_FROM_POINT

    def _wanting(self, rows: Ints) -> dict[int, tuple[int | None, int | None]]:
        """Row of a fan -> rows of its supply and its weather point."""
        plant = self._plant
        found = {}
        for row in np.unique(rows).tolist():
            owner = plant.points[row]
            if owner.kind == "fan" and owner.nameplate is not None:
                fan = owner.nameplate.fan
                supply = plant.by_name.get((owner.site, fan.supply)) if fan.supply else None
                air = plant.by_name.get((owner.site, fan.weather)) if fan.weather else None
                if supply or air:
                    found[row] = (supply.row if supply else None, air.row if air else None)
        return found

    def _source(self, row: int) -> _Source:
        if row not in self._sources:
            self._sources[row] = _Source(-math.inf)
        return self._sources[row]

    def _stands_ms(self, row: int | None) -> float:
        period = math.nan if row is None else self._plant.points[row].period_ms
        return PERIODS_STANDING * (UNKNOWN_PERIOD_MS if math.isnan(period) else period)

    def _standing(self, row: int, t_ms: float, stands_ms: float, *, air: bool) -> Values | None:
        """The point's newest values at or before a time, unless too old."""
        source = self._source(row)
        found = (source.air if air else source.volts).at_or_before(t_ms)
        if (found is None or found[0] <= source.complete_after) and t_ms - stands_ms < source.complete_after:
            hour = self._hours.get((row, int(t_ms // HOUR_MS)))
            older = None if hour is None else (hour.air if air else hour.volts).at_or_before(t_ms)
            if older is not None and (found is None or older[0] > found[0]):
                found = older
        return found[1] if found is not None and t_ms - found[0] <= stands_ms else None

    def _hour(self, row: int, hour: int) -> _Source:
        """The stored values of an hour and of as long before it as values stand."""
        fetched = self._hours.get((row, hour))
        if fetched is None:
            begin = hour * HOUR_MS
            before = int(max(AIR_STANDS_MS, self._stands_ms(row)))
            columns = self._window(self._plant.points[row].point_id, begin - before - 1, begin + HOUR_MS)
            fetched = _Source(-math.inf)
            for t, volts, ambient in zip(
                columns["t_ms"].tolist(), columns["volts"].tolist(), columns["ambient_c"].tolist(), strict=True
            ):
                fetched.add(float(t), (volts[0], volts[1], volts[2]), ambient)
            self._hours[(row, hour)] = fetched
        return fetched
