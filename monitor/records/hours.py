"""Moves readings of past hours, in idle time, from the table in order of arrival to one packed row a point and hour.

First all points are packed, some at a time; only then the rows are removed, in order of arrival. Removed point by point
every page of the table would be written over as often as there are parts (measured: 800 bytes a reading with 50 fans);
so a page is set free once, and not written again. Until then a reading stands in both places, under the same number,
and readers count it once.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database, upsert
from monitor.records.packing import HOUR_MS, pack, unpack
from monitor.records.readings import hot_rows
from monitor.records.rows import ReadingRows

READY_AFTER_MS = 300_000
"""An hour is packed when it has been over for so long: most late readings have come by then."""
ROWS_A_READ = 20_000
"""About so many rows are read at a time; each read looks through the whole table, which is short."""
ROWS_A_PACK = 2_500
"""About so many rows are packed in one transaction, so that the worker never waits long for its own ..."""
ROWS_A_REMOVAL = 10_000
"""... and at most so many removed."""

_HOT = tables.readings
_HOURS = tables.reading_hours


class HourPacker:
    """Does the work in steps of some ten milliseconds. Only one at a time for a database: the worker's own.

    What it has read stays true: nobody else changes or removes rows of the table, and rows that come meanwhile have
    greater numbers and wait for the next turn. It may be ended at any instant: the next one packs once more what is
    there, and what was packed already changes nothing.
    """

    def __init__(self, database: Database, clock: Callable[[], float] = time.monotonic) -> None:
        self._database = database
        self._clock = clock
        self._before_ms = 0
        """Rows of earlier times ..."""
        self._first, self._last = 1, 0
        """... with numbers from `_first` to `_last` are packed, then removed."""
        self._points: deque[list[int]] = deque()
        """Points to be read, in groups."""
        self._hours: deque[ReadingRows] = deque()
        """Read and not packed yet: each one hour of one point."""

    def work(self, now_ms: int, budget_seconds: float = 0.1) -> bool:
        """Goes on until the budget is used up; the last step begins before that. Returns whether anything is left.

        Parameters
        ----------
        now_ms : wall time

        Raises
        ------
        LinkError : the database is busy or full; what was not packed stays readable where it is, and is tried again
        """
        until = self._clock() + budget_seconds
        while True:
            if self._hours:
                self._pack()
            elif self._points:
                self._read()
            elif self._first <= self._last:
                self._remove()
            elif not self._look(now_ms):
                return False
            if self._clock() >= until:
                return True

    def _look(self, now_ms: int) -> bool:
        """Finds the points that have rows of past hours."""
        self._before_ms = ((now_ms - READY_AFTER_MS) // HOUR_MS) * HOUR_MS
        number = _HOT.c.number
        query = sa.select(_HOT.c.point_id, sa.func.count(), sa.func.min(number), sa.func.max(number))
        with self._database.read() as connection:
            waiting = connection.execute(query.where(_HOT.c.t_ms < self._before_ms).group_by(_HOT.c.point_id)).all()
        group: list[int] = []
        rows = 0
        for point_id, count, _, _ in waiting:
            if group and rows + count > ROWS_A_READ:
                self._points.append(group)
                group, rows = [], 0
            group.append(point_id)
            rows += count
        if group:
            self._points.append(group)
            self._first, self._last = min(row[2] for row in waiting), max(row[3] for row in waiting)
        return bool(waiting)

    def _read(self) -> None:
        with self._database.read() as connection:
            rows = hot_rows(connection, _HOT.c.point_id.in_(self._points[0]), self._past())
        self._points.popleft()
        rows = rows.take(np.lexsort((rows.number, rows.t_ms, rows.point_id)))
        hours = rows.t_ms // HOUR_MS
        first = (np.diff(rows.point_id, prepend=-1) != 0) | (np.diff(hours, prepend=-1) != 0)
        if len(rows):
            self._hours.extend(rows.take(part) for part in np.split(np.arange(len(rows)), np.flatnonzero(first)[1:]))

    def _past(self) -> sa.ColumnElement[bool]:
        """What is packed and removed, whatever comes meanwhile."""
        return sa.and_(_HOT.c.t_ms < self._before_ms, _HOT.c.number.between(self._first, self._last))

    def _pack(self) -> None:
        some: list[ReadingRows] = []
        while len(some) < len(self._hours) and (not some or sum(map(len, some)) < ROWS_A_PACK):
            some.append(self._hours[len(some)])
        with self._database.read() as connection:
            packed = [_packed_hour(connection, rows) for rows in some]
        with self._database.begin() as connection:
            upsert(connection, _HOURS, packed)
        for _ in some:
            self._hours.popleft()

    def _remove(self) -> None:
        last = min(self._first + ROWS_A_REMOVAL - 1, self._last)
        with self._database.begin() as connection:
            connection.execute(sa.delete(_HOT).where(_HOT.c.number <= last, self._past()))
        self._first = last + 1


def write_hours(connection: Connection, hours: Sequence[ReadingRows]) -> None:
    """Adds readings to their packed hours, each of one hour of one point. For the worker that owns the partition."""
    upsert(connection, _HOURS, [_packed_hour(connection, rows) for rows in hours])


def _packed_hour(connection: Connection, rows: ReadingRows) -> dict[str, Any]:
    """A row of `reading_hours` with these readings and those that are in it already."""
    point_id, hour = int(rows.point_id[0]), int(rows.t_ms[0]) // HOUR_MS
    stored = connection.execute(
        sa.select(_HOURS.c["columns"]).where(_HOURS.c.point_id == point_id, _HOURS.c.hour == hour)
    ).scalar()
    if stored is not None:
        rows = ReadingRows.together([unpack(stored, point_id), rows]).distinct()
        rows = rows.take(np.lexsort((rows.number, rows.t_ms)))
    return {
        "point_id": point_id,
        "hour": hour,
        "first_number": int(rows.number.min()),
        "last_number": int(rows.number.max()),
        "rows": len(rows),
        "columns": pack(rows),
    }
