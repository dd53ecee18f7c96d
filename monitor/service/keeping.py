"""What a batch of readings puts into the next commit: rows, how fans stand, loggers' counts, the watch's state."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from monitor.records.packing import HOUR_MS
from monitor.records.rows import FanNow, LoggerNow, Newcomer, ReadingRows, Rejected
from monitor.records.start import COUNTED, Start
from monitor.service.figures import Figures
from monitor.service.intake import Refused, Rows, Taken, stretches
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point
from monitor.service.silence import Silence
from monitor.watch import layout
from monitor.watch.advance import state_bytes
from monitor.watch.columns import Judged

COUNTS_SECONDS = 60.0
"""What is counted of loggers is stored so often; readings counted since are counted again at start."""
_ASSUMED = layout.DEVICE_ASSUMED | layout.MOTOR_ASSUMED


class Keeping:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, pending: Pending, silence: Silence, figures: Figures, start: Start,
        steady: Callable[[], float],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        steady : seconds since some moment, never put back
        """
        self._plant, self._pending, self._silence, self._figures = plant, pending, silence, figures
        self._steady = steady
        self.next_reading = start.next_reading
        """Running number of the next reading."""
        self._counts = {
            point_id: LoggerNow(
                point_id, start.newest_ms.get(point_id), start.heard_ms.get(point_id), readings=readings
            )
            for point_id, readings in start.uncounted.items()
        }
        """By point id, what came to be counted since they were stored."""
        self._counted_at = steady()
        self._count_now = False
        self._told: dict[int, float] = {}
        """Point -> period as last stored [ms], NaN while it is not known; a new one does not wait for the minute."""
        self._last_number: dict[int, int] = {}
        """Row -> running number of its newest reading."""
        self._dirty: set[int] = set()
        """Rows of the points heard since the last snapshot."""

    def count(self, point_id: int) -> LoggerNow:
        """The counts of a point, to be added to."""
        return self._counts.setdefault(point_id, LoggerNow(point_id))

    def count_now(self) -> None:
        """With the next commit, whatever the time."""
        self._count_now = True

    def counts(self) -> None:
        """Puts loggers' counts into the next commit if they are due: each minute, and when more came than new readings.

        Nothing is lost by it: readings with greater numbers than `COUNTED` are counted from their own rows.
        """
        due = self._count_now or self._steady() - self._counted_at >= COUNTS_SECONDS
        self._pending.loggers = list(self._counts.values()) if due else []
        if self._pending.loggers:
            self._pending.cursors[COUNTED] = str(self.next_reading - 1)

    def stored(self) -> None:
        """The commit that `counts` spoke of is done."""
        if self._pending.loggers:
            self._counts.clear()
            self._counted_at, self._count_now = self._steady(), False

    def taken(self, taken: Taken) -> None:
        """What came beside readings, and what is counted."""
        self._pending.rejected.extend(_rejected(taken.refused))
        self._pending.newcomers.extend(
            Newcomer(one.site, one.name, int(one.at_ms), one.readings, one.last) for one in taken.newcomers
        )
        self._count(taken)

    def _count(self, taken: Taken) -> None:
        points = self._plant.points
        for rows, late in ((taken.fed, False), (taken.late, True)):
            for start, stop in stretches(rows.point):
                point = points[int(rows.point[start])]
                self._silence.heard(point)
                counts = self.count(point.point_id)
                counts.readings += stop - start
                counts.late += stop - start if late else 0
                counts.newest_ms = int(self._plant.newest_ms[point.row])
                counts.heard_ms = int(self._plant.heard_ms[point.row])
                period = self._plant.period_ms_of(point)
                counts.period_seconds = None if math.isnan(period) else period / 1000.0
                told = self._told.setdefault(point.point_id, math.inf)
                if late or not (told == period or (math.isnan(told) and math.isnan(period))):
                    self._told[point.point_id] = period
                    self._count_now = True
        for row, number in taken.repeats.items():
            self.count(points[row].point_id).repeats += number
            self._count_now = True
        for row, number in taken.unknown_keys.items():
            self.count(points[row].point_id).unknown_keys += number
        for point, word, at_ms in taken.statuses:
            counts = self.count(point.point_id)
            counts.status, counts.status_ms = word, int(at_ms)
            self._count_now = True
            self._figures.say_status(point, word)

    def rows(self, rows: Rows, limits: np.ndarray, judged: Judged | None = None) -> None:
        """Readings as they are stored, in the order in which they are fed.

        Parameters
        ----------
        limits : row of limits by which each was corrected, and judged if it was fed to the watch; -1 for what is not a
            fan's
        judged : what was found at those that were fed
        """
        if not len(rows):
            return
        first = self.next_reading
        self.next_reading += len(rows)
        ids = self._plant.point_ids[rows.point]
        versions = np.where(limits >= 0, self._plant.version_of_limits[limits], 0)
        number = np.arange(first, first + len(rows))
        found = np.full((5, len(rows)), math.nan)
        if judged is not None:
            running = (judged.flags & layout.IS_RUNNING) != 0
            found[:, limits >= 0] = (
                judged.limit, judged.unbalance, judged.motor_heat, judged.device_heat, running,
            )  # fmt: skip
        self._pending.readings.append(
            ReadingRows(
                number, ids, rows.t_ms.astype(np.int64), rows.amps, rows.volts, rows.ambient_c, rows.called, found[0],
                versions, rows.flags.astype(np.int64), *found[1:],
            )
        )  # fmt: skip
        for start, stop in stretches(rows.point):
            row = int(rows.point[start])
            self._last_number[row] = first + stop - 1
            self._dirty.add(row)

    def late(self, point: Point, rows: ReadingRows, hours_before_ms: int) -> None:
        """Readings of a log, stored as late ones; those of hours before a time go to their packed hours at once.

        rows : of one point, by time, with numbers from `next_reading` on
        """
        self.next_reading += len(rows)
        long_past = rows.t_ms // HOUR_MS < hours_before_ms // HOUR_MS
        hours = rows.t_ms[long_past] // HOUR_MS
        if len(hours):
            cuts = np.flatnonzero(np.diff(hours)) + 1
            self._pending.hours += [rows.take(part) for part in np.split(np.flatnonzero(long_past), cuts)]
        if not long_past.all():
            self._pending.readings.append(rows.take(~long_past))
        self._last_number[point.row] = int(rows.number[-1])
        self._dirty.add(point.row)

    def now(self, rows: Rows, limits: np.ndarray, judged: Judged) -> None:
        """How each fan stands at its newest reading."""
        for _, stop in stretches(rows.point):
            at = stop - 1
            point = self._plant.points[int(rows.point[at])]
            state = self._plant.states[point.row]
            runs = float(state[layout.RUNNING])
            running = None if runs < 0 else runs == 1.0
            since = float(state[layout.RUN_START_MS] if running else state[layout.RUN_ENDED_MS])
            limit = float(judged.limit[at])
            full = float(self._plant.limits[limits[at], layout.FULL_LIMIT])
            self._pending.fan_now[point.point_id] = FanNow(
                point.point_id, int(rows.t_ms[at]), int(rows.received_ms[at]), tuple(rows.amps[at].tolist()),
                tuple(rows.volts[at].tolist()), float(rows.ambient_c[at]), limit, float(judged.ratio[at]),
                float(judged.unbalance[at]), limit / full, running, None if math.isnan(since) else int(since),
                int(rows.flags[at]), float(judged.motor_heat[at]), float(judged.device_heat[at]),
                float(judged.seconds_to_trip[at]),
                int(state[layout.ASSUMED_MS]) if int(judged.flags[at]) & _ASSUMED else None,
            )  # fmt: skip

    def snapshot(self) -> None:
        """The watch's state of each fan heard since the last one."""
        for row in self._dirty:
            point = self._plant.points[row]
            if point.kind == "fan":
                saved = state_bytes(self._plant.states[row])
                self._pending.states[point.point_id] = (self._last_number[row], layout.STATE_FORMAT, saved)
        self._dirty.clear()


def _rejected(refused: Sequence[Refused]) -> list[Rejected]:
    return [
        Rejected(int(one.at_ms), one.topic, one.site, one.name, one.reason, one.detail, one.payload[:400], one.count)
        for one in refused
    ]
