"""The other fans of a stored fan's supply, replayed around the end of a run: what a verdict as measured asks them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.records import register
from monitor.records.database import Database
from monitor.records.readings import window
from monitor.records.register import PointKey, Version
from monitor.records.replay import MEASURED, replay
from monitor.records.rows import from_ms
from monitor.records.scope import ALL
from monitor.review.runs import OtherFan
from monitor.watch.sisters import DEFAULT_PERIOD_SECONDS, WAIT_SECONDS, stretches

HEARD_MS = 600_000
"""So long before an end the other fans are looked at; one not heard in it is not asked."""
AFTERWARDS_MS = int(1000.0 * WAIT_SECONDS[1])


class StoredSupply:
    """The supply of one fan, as the database knows it."""

    def __init__(self, database: Database, fan: PointKey, versions: Sequence[Version]) -> None:
        self._database, self._fan, self._versions = database, fan, versions
        self._others = [
            (key, register.versions(database, key.point_id))
            for key, _ in register.fans(database, ALL) if key.site == fan.site and key.point_id != fan.point_id
        ]  # fmt: skip
        self._points = [key for key in register.points(database, ALL) if key.site == fan.site and key.kind == "supply"]

    def others(self, stop_ms: float) -> Sequence[OtherFan]:
        """The other fans of the same supply that were heard in the ten minutes before."""
        mine = in_force_at(self._versions, stop_ms).nameplate.fan.supply
        found = []
        for key, versions in self._others:
            version = in_force_at(versions, stop_ms)
            if version.removed or version.nameplate.fan.supply != mine:
                continue
            other = self._other(key, version, stop_ms)
            if other is not None:
                found.append(other)
        return found

    def volts_period_seconds(self, stop_ms: float) -> float:
        """The usual time between the readings of its supply point."""
        name = in_force_at(self._versions, stop_ms).nameplate.fan.supply
        key = next((key for key in self._points if key.name == name), None)
        if key is None:
            return math.nan
        t_ms = window(self._database, key.point_id, int(stop_ms) - HEARD_MS, int(stop_ms) + AFTERWARDS_MS)["t_ms"]
        return usual_seconds(t_ms)

    def _other(self, key: PointKey, version: Version, stop_ms: float) -> OtherFan | None:
        begin = int(stop_ms) - HEARD_MS
        again = replay(
            self._database, key.point_id, begin, int(stop_ms) + AFTERWARDS_MS, MEASURED, warm_up_ms=0
        )  # fmt: skip
        if not (again.rows.t_ms < stop_ms).any():
            return None
        plate = version.nameplate
        period = plate.logger.period_seconds or usual_seconds(again.rows.t_ms)
        runs = stretches(again.changes, again.state)
        seconds = DEFAULT_PERIOD_SECONDS if math.isnan(period) else period
        return OtherFan(key.name, seconds, tuple(runs), plate.fan.control == "continuous")


def in_force_at(versions: Sequence[Version], t_ms: float) -> Version:
    """The version that was true in the field at a time, the one entered last of several; before the first the first."""
    time = from_ms(t_ms)
    return next((one for one in reversed(versions) if one.valid_from <= time), versions[0])


def usual_seconds(t_ms: np.ndarray) -> float:
    """The median of the times between readings [s]; NaN where there are too few."""
    return float(np.median(np.diff(t_ms))) / 1000.0 if len(t_ms) > 1 else math.nan
