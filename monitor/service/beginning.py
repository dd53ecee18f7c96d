"""From what is stored to a worker that goes on where it was.

The watch's state is a function of the readings that were fed: a saved state is a short cut. What was fed after it is
fed again here, and what comes of it is dropped, since it was stored with those readings.
"""

from __future__ import annotations

import logging
import math
from array import array

import numpy as np

from monitor.records.database import Database
from monitor.records.readings import window
from monitor.records.register import Site as StoredSite
from monitor.records.register import Version as StoredVersion
from monitor.records.replay import JUDGED, Versions, feed
from monitor.records.rows import ReadingRows, Run, to_ms
from monitor.records.start import WINDOW, Start
from monitor.records.tables import FLAG_LATE
from monitor.service.figures import Figures
from monitor.service.intake import Rows
from monitor.service.joining import Joining
from monitor.service.plant import Plant, Point, Site, Version
from monitor.watch import advance as watch

log = logging.getLogger("monitor.worker")

RECENT_MS = WINDOW.total_seconds() * 1000.0
"""`Start.recent` holds all readings of so long before a point's newest."""
REBUILD_MS = 6 * 3_600_000
"""A state saved in another form is made anew from so much."""


def plant_from(start: Start) -> Plant:
    """The plant as it is registered and as far as it was heard."""
    plant = Plant()
    for site in start.sites:
        plant.sites[site.site] = site_of(site)
    for key in start.points:
        point = plant.add_point(key.point_id, key.site, key.name, key.kind)
        for version in start.versions.get(key.point_id, []):
            add_version(plant, point, version)
        plant.newest_ms[point.row] = start.newest_ms.get(key.point_id, -math.inf)
        plant.heard_ms[point.row] = start.heard_ms.get(key.point_id, math.nan)
        if key.kind != "fan" and key.point_id in start.periods:
            point.period_ms = 1000.0 * start.periods[key.point_id]
        recent = start.recent.get(key.point_id)
        if recent is not None:
            point.times = array("d", recent.t_ms.astype(np.float64).tobytes())
        if math.isfinite(plant.newest_ms[point.row]):
            point.complete_after = float(plant.newest_ms[point.row]) - RECENT_MS
        plant.settle_version(point)
    return plant


def site_of(site: StoredSite) -> Site:
    """A stored site as the plant holds it."""
    return Site(site.site, site.name, site.time_zone, site.altitude_m, site.units, site.supper)


def add_version(plant: Plant, point: Point, version: StoredVersion) -> Version:
    """A stored version, resolved."""
    return plant.add_version(
        point, version.version, to_ms(version.applies_from), version.in_force,
        motor_changed=version.motor_changed, removed=version.removed, valid_from_ms=to_ms(version.valid_from),
    )  # fmt: skip


def feed_again(start: Start, plant: Plant, joining: Joining, figures: Figures, database: Database) -> None:
    """Brings the watch, the joining of volts and the last half hour to where they were."""
    for point in plant.points:
        if point.kind == "fan":
            _restore_state(start, plant, point, database)
            recent = start.recent.get(point.point_id)
            if recent is not None and len(recent):
                _figures_again(plant, point, recent, figures)
        elif math.isfinite(plant.newest_ms[point.row]):
            _source_again(start, plant, point, joining, database)


def _source_again(start: Start, plant: Plant, point: Point, joining: Joining, database: Database) -> None:
    """What a supply or weather point told lately, and what is known of its period."""
    joining.complete_after(point, point.complete_after)
    recent = start.recent.get(point.point_id)
    if recent is not None:
        for t_ms, (v12, v23, v31), ambient_c in zip(
            recent.t_ms.tolist(), recent.volts.tolist(), recent.ambient_c.tolist(), strict=True
        ):
            joining.remember(point, float(t_ms), (v12, v23, v31), ambient_c)
    if math.isnan(point.period_ms):  # fewer than ten readings so far: they are learned from again
        first = window(database, point.point_id, 0, int(plant.newest_ms[point.row]))
        for interval in np.diff(first["t_ms"][(first["flags"] & FLAG_LATE) == 0]).tolist():
            point.learn(float(interval))


def _restore_state(start: Start, plant: Plant, point: Point, database: Database) -> None:
    saved = start.states.get(point.point_id)
    state = None if saved is None else watch.state_from_bytes(saved.state, saved.format)
    unfed = start.unfed.get(point.point_id)
    if state is not None:
        plant.states[point.row] = state
    elif saved is not None:
        log.warning("%s/%s: its saved state has another form; made anew from 6 hours", point.site, point.name)
        newest = start.newest_ms.get(point.point_id, 0)
        unfed = ReadingRows(**window(database, point.point_id, newest - REBUILD_MS, newest))
    if unfed is not None and len(unfed):
        plant.states[point.row] = feed(unfed, JUDGED, resolved_versions(plant, point), plant.states[point.row]).state


def resolved_versions(plant: Plant, point: Point) -> Versions:
    """The versions of a fan as a replay takes them; as judged, so when each was true in the field does not matter."""
    numbers = np.array([version.number for version in point.versions], np.int64)
    here = [version.limits for version in point.versions]
    return Versions(numbers, np.zeros(len(numbers)), plant.limits[here], plant.factors[here])


def _figures_again(plant: Plant, point: Point, rows: ReadingRows, figures: Figures) -> None:
    """What the watch said of the last half hour, worked on a state of its own."""
    blades = {version.number: version.blades for version in point.versions}
    rows = rows.take((rows.flags & FLAG_LATE) == 0)
    if not len(rows):
        return
    now = plant.version_at(point, float(rows.t_ms[-1])).blades
    again = feed(rows.take([blades.get(number) == now for number in rows.version.tolist()]), JUDGED,
                 resolved_versions(plant, point))  # fmt: skip
    rows = again.rows
    figures.add(
        Rows(np.full(len(rows), point.row, np.int32), rows.t_ms.astype(np.float64), rows.amps, rows.volts,
             rows.ambient_c, rows.called, rows.flags.astype(np.int16), np.full(len(rows), plant.heard_ms[point.row])),
        again.judged,
    )  # fmt: skip


def open_runs(start: Start, plant: Plant) -> dict[int, Run]:
    """Runs that had not ended, by the row of their fan."""
    return {plant.by_id[run.point_id].row: run for run in start.open_runs if run.point_id in plant.by_id}
