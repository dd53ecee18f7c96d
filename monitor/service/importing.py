"""A part of a log becomes stored readings: late ones, which the live watch never sees. The worker's own work."""

from __future__ import annotations

from array import array

import numpy as np

from monitor.records import imports, readings
from monitor.records.actions import DONE, Action
from monitor.records.database import Database
from monitor.records.hours import READY_AFTER_MS
from monitor.records.packing import HOUR_MS
from monitor.records.rows import Done
from monitor.records.tables import FLAG_LATE
from monitor.service.gaps import Gaps
from monitor.service.keeping import Keeping
from monitor.service.plant import Plant, Point

AHEAD_MS = 120_000.0
"""As for readings by MQTT: what is further ahead of the clock is not of this world."""


def carry_out(action: Action, database: Database, plant: Plant, keeping: Keeping, gaps: Gaps, now_ms: float) -> Done:
    """Puts the readings of a part into the next commit, but those of a time that is stored already.

    Everything else that is pending must have been stored. A reading newer than the fan's newest is stored as late too,
    and is its newest from then on: what a logger sends of that time afterwards is a repeat, or late itself.

    Raises
    ------
    LinkError : the database does not answer; nothing has changed
    """
    fan = str(action.body.get("fan", ""))
    point = plant.by_name.get((action.site, fan))
    if point is None or point.kind != "fan" or point.removed:
        return Done(action.number, int(now_ms), f"there is no fan {fan} at {action.site}", {"fan": fan})
    try:
        rows = imports.rows_of(action, point.point_id)
    except ValueError as exc:
        return Done(action.number, int(now_ms), f"its readings are damaged: {exc}", {"fan": fan})
    rows = rows.take(np.unique(rows.t_ms, return_index=True)[1])
    rows = rows.take(rows.t_ms <= now_ms + AHEAD_MS)
    known = readings.known(database, point.point_id, rows.t_ms)
    repeats = int(known.sum())
    rows = rows.take(~known)
    if len(rows):
        rows.number = keeping.next_reading + np.arange(len(rows))
        rows.flags = np.full(len(rows), FLAG_LATE)
        t_ms, row = rows.t_ms.astype(np.float64), np.full(len(rows), point.row, np.int32)
        limits = plant.field_limits_at(row, t_ms)  # as of late readings: a log holds what the logger measured
        rows.version = plant.version_of_limits[limits]
        rows.amps = plant.corrected(rows.amps, limits)
        rows.limit_amps = np.full(len(rows), np.nan)
        keeping.late(point, rows, int(now_ms) - READY_AFTER_MS - HOUR_MS)
        _remember(plant, point, t_ms)
        gaps.late(row, t_ms, rows.number)
    counts = keeping.count(point.point_id)
    keeping.count_now()
    counts.readings += len(rows)
    counts.late += len(rows)
    counts.repeats += repeats
    if np.isfinite(plant.newest_ms[point.row]):
        counts.newest_ms = int(plant.newest_ms[point.row])
    return Done(action.number, int(now_ms), DONE, {"fan": fan, "stored": len(rows), "repeats": repeats})


def _remember(plant: Plant, point: Point, t_ms: np.ndarray) -> None:
    """Later readings of these times are repeats."""
    lately = t_ms[t_ms > point.complete_after]
    times = np.sort(np.concatenate([np.frombuffer(point.times, np.float64), lately]))
    point.times = array("d", times.tobytes())
    plant.newest_ms[point.row] = max(float(plant.newest_ms[point.row]), float(t_ms[-1]))
    if plant.newest_ms[point.row] >= plant.next_version_ms[point.row]:
        plant.settle_version(point)
