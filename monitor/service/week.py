"""The last seven days of each fan from what is stored: after a start its load is compared with its own week at once.

Seven days of a fast logger are more than a start may wait for. So the worker starts without them, and they are read in
idle turns, some thousand rows at a time: first the rows in order of arrival, in one pass for all fans, then the packed
hours, fan by fan. One figure an hour is kept of them, and what the fans have shown meanwhile stands.
"""

from __future__ import annotations

import logging
import math
import time
from collections import deque
from collections.abc import Callable

import numpy as np

from monitor.blades.changed import HOUR_MS, WEEK_HOURS, hourly_figures
from monitor.blades.learning import settled_rows
from monitor.errors import LinkError
from monitor.motor.current import current_model
from monitor.records import readings
from monitor.records.database import Database
from monitor.records.rows import ReadingRows
from monitor.records.tables import FLAG_LATE
from monitor.service.figures import Figures
from monitor.service.plant import Plant, Point
from monitor.watch import layout
from monitor.watch.limits import RUNNING_SHARE

log = logging.getLogger("monitor.worker")

ROWS_A_STEP = 5_000
"""So many rows in order of arrival are read at a time."""
HOURS_A_STEP = 2
"""So many packed hours of a fan are read at a time: 7,200 rows of a logger that sends each second."""
ROWS_ENOUGH = 1_000
"""Of more rows in these every second, third or so on is worked: a median of an hour asks for no more."""
MINUTE_MS = 60_000
"""Of rows in order of arrival the first of each minute is kept until all are read."""


class Week:
    """Owned by the worker, begun anew with each start; `work` is called until it says that nothing is left."""

    def __init__(
        self,
        database: Database,
        plant: Plant,
        figures: Figures,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """
        Parameters
        ----------
        clock : seconds, for the budget
        """
        self._database, self._plant, self._figures, self._clock = database, plant, figures, clock
        self._after = 0
        self._arrived: list[ReadingRows] | None = []
        """One row a minute and point of what was read so far; None: read to the end ..."""
        self._unpacked: dict[int, ReadingRows] = {}
        """... and these are the rows of each point."""
        heard = [one for one in plant.fans() if one.nameplate and math.isfinite(plant.newest_ms[one.row])]
        heard.sort(key=lambda one: plant.states[one.row, layout.RUNNING] != 1.0)
        self._fans = deque((one, _hour(plant, one) + 1) for one in heard)
        """Those whose packed hours are still to be read, the running ones first, each with the hour to begin before."""
        self._first = {one.row: hour - 1 - WEEK_HOURS for one, hour in self._fans}

    def work(self, budget_seconds: float) -> bool:
        """Goes on until the budget is used up; the last step begins before that. Returns whether anything is left.

        Raises
        ------
        LinkError : the database does not answer; it goes on from there when it is called again
        """
        until = self._clock() + budget_seconds
        while self._arrived is not None or self._fans:
            try:
                self._step()
            except LinkError:
                raise
            except Exception as exc:  # it would come back in every turn: this advice must never cost the watch
                about = "the fans"
                if self._arrived is None:
                    point, _ = self._fans.popleft()
                    about = f"{point.site}/{point.name}"
                self._arrived = None
                log.exception("the last seven days of %s could not be read again: %s", about, exc)
            if self._clock() >= until:
                break
        return self._arrived is not None or bool(self._fans)

    def _step(self) -> None:
        if self._arrived is None:
            self._of_a_fan()
            return
        rows = readings.arrived_after(self._database, self._after, ROWS_A_STEP)
        if len(rows) == ROWS_A_STEP:
            self._after = int(rows.number[-1])
            self._arrived.append(_thinned(rows))
            return
        self._unpacked = dict(readings.by_point(ReadingRows.together([*self._arrived, _thinned(rows)])))
        self._arrived = None

    def _of_a_fan(self) -> None:
        """Its rows in order of arrival, then its packed hours, the newest first."""
        point, before = self._fans[0]
        unpacked = self._unpacked.pop(point.point_id, None)
        if unpacked is not None:
            if not self._fill(point, unpacked):
                self._fans.popleft()
            return
        first = self._first[point.row]
        rows, oldest = readings.packed_before(self._database, point.point_id, first, before, HOURS_A_STEP)
        rows = rows.take(slice(None, None, 1 + len(rows) // ROWS_ENOUGH))
        if self._fill(point, rows) and oldest is not None:
            self._fans[0] = point, oldest
        else:
            self._fans.popleft()

    def _fill(self, point: Point, rows: ReadingRows) -> bool:
        """Hands on what rows of a fan say; whether older ones may say more: not those with other blades."""
        rows = rows.take((rows.flags & FLAG_LATE) == 0)  # as live: what came late was not fed
        rows = rows.take(np.argsort(rows.t_ms, kind="stable"))
        now = self._plant.version_at(point, float(self._plant.newest_ms[point.row]))
        like = np.array([one.number for one in point.versions if one.blades == now.blades], np.int64)
        others = np.flatnonzero(~np.isin(rows.version, like))
        since = int(others[-1]) + 1 if len(others) else 0
        rows = rows.take(slice(since, None))
        if len(rows):
            motor = now.nameplate.motor
            known = ~np.isnan(rows.amps).all(axis=1)
            highest = np.full(len(rows), math.nan)
            highest[known] = np.nanmax(rows.amps[known], axis=1) if known.any() else math.nan
            settled = settled_rows(rows.t_ms, highest, RUNNING_SHARE * motor.full_load_amps)
            self._figures.fill(
                point,
                *hourly_figures(motor, current_model(motor), rows.t_ms, rows.amps, rows.volts, rows.ambient_c, settled),
            )
        return since == 0


def _hour(plant: Plant, point: Point) -> int:
    """The hour of a fan's newest reading."""
    return math.floor(float(plant.newest_ms[point.row]) / HOUR_MS)


def _thinned(rows: ReadingRows) -> ReadingRows:
    """The first row of each point and minute, in order of arrival."""
    keys = np.column_stack([rows.point_id, rows.t_ms // MINUTE_MS])
    _, first = np.unique(keys, axis=0, return_index=True)
    return rows.take(np.sort(first))
