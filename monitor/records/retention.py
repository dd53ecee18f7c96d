"""Removes the oldest raw readings, hour by hour and oldest first, and remembers from when on they are kept.

Only packed hours are ever removed (`hours.py` packs whatever is over): no alarm, run, verdict, estimate, service
record, job, notice or nameplate. Three things stay whatever is asked for:

* of each point the newest `LEAST_HOURS` hours that hold readings, counted and not by the clock: a clock that jumps
  years ahead, or a fan that has been silent since last season, loses nothing that a judgement or a start still reads;
* what a copy does not hold yet: hours with numbers beyond its cursor;
* the hour with the greatest running number: the next number is found from it.

SQLite puts the pages of removed rows on its list of free ones and fills them again: the file stops growing, and does
not shrink.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database, upsert
from monitor.records.packing import HOUR_MS
from monitor.settings import LEAST_DAYS

LEAST_HOURS: Final = 24 * LEAST_DAYS
"""What is kept of each point whatever is asked for. The farthest back that a judgement reads is a re-pitch: it waits
for its readings for 30 days, then looks at the two days before and after it (`service/service_findings.py`). A load is
compared with its own seven days, a night with the three before it; a gap is judged for a day."""
HOURS_A_STEP: Final = 48
"""Packed hours of a point removed in one transaction: the database is held for 5 ms (on an SSD)."""
POINTS_A_LOOK: Final = 100
"""Points looked up in one transaction."""

_HOURS = tables.reading_hours
_REMOVED = tables.readings_removed
_POINTS = tables.points


@dataclass
class Passed:
    """What a pass over all points has done so far."""

    readings: int = 0
    hours: int = 0
    held_hours: int = 0
    """Old enough to be removed, but not copied yet."""


class Removal:
    """One pass: removes what is older than a time, the oldest hours first whosever they are. By the one writer only.

    May be ended at any instant: what a step removed is remembered in the same transaction.
    """

    def __init__(
        self, database: Database, before_ms: int, copied: int | None, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """
        Parameters
        ----------
        before_ms : readings of hours that ended before this [event time] are removed
        copied : running number up to which every copy in use holds the readings; None: there is no copy
        clock : seconds, for the budget
        """
        self._database, self._copied, self._clock = database, copied, clock
        self._before_hour = before_ms // HOUR_MS
        self._unseen: list[int] | None = None
        """Points still to be looked up; None: not even their list was read."""
        self._oldest: list[tuple[int, int, int]] = []
        """(first hour that may go, point, last hour that may go), a heap."""
        self.passed = Passed()

    def work(self, now_ms: int, budget_seconds: float, enough: Callable[[], bool] = lambda: False) -> bool:
        """Goes on until the budget is used up or it is enough; returns whether anything is left to remove.

        Parameters
        ----------
        now_ms : wall time, kept with what is removed
        enough : asked after each step

        Raises
        ------
        LinkError : the database is busy or full; what was not removed stays, and is tried again
        """
        until = self._clock() + budget_seconds
        while True:
            if self._unseen is None or self._unseen:
                self._look()
            elif not self._oldest:
                return False
            else:
                self._remove(now_ms)
                if enough():
                    return False
            if self._clock() >= until:
                return True

    def _look(self) -> None:
        """Which hours of the next points may go."""
        with self._database.read() as connection:
            if self._unseen is None:
                self._unseen = list(connection.execute(sa.select(_POINTS.c.id)).scalars())
            for point_id in self._unseen[:POINTS_A_LOOK]:
                here = sa.select(_HOURS.c.hour).where(_HOURS.c.point_id == point_id)
                first = connection.execute(here.order_by(_HOURS.c.hour).limit(1)).scalar()
                if first is None or first >= self._before_hour:
                    continue
                last = connection.execute(here.order_by(_HOURS.c.hour.desc()).offset(LEAST_HOURS).limit(1)).scalar()
                if last is not None:
                    heapq.heappush(self._oldest, (first, point_id, min(last, self._before_hour - 1)))
        del self._unseen[:POINTS_A_LOOK]

    def _remove(self, now_ms: int) -> None:
        """The oldest hours of one point: those of all points together go in the order of time, some days at a time."""
        first, point_id, last = self._oldest[0]
        until = min(first + HOURS_A_STEP - 1, last)
        some = sa.and_(_HOURS.c.point_id == point_id, _HOURS.c.hour.between(first, until))
        newest = sa.select(sa.func.max(_HOURS.c.last_number)).scalar_subquery()
        may_go = sa.and_(some, _HOURS.c.last_number < newest)
        if self._copied is not None:
            may_go = sa.and_(may_go, _HOURS.c.last_number <= self._copied)
        sums = sa.func.count(), sa.func.coalesce(sa.func.sum(_HOURS.c.rows), 0)
        with self._database.begin() as connection:
            all_hours = connection.execute(sa.select(sums[0]).select_from(_HOURS).where(some)).scalar_one()
            hours, rows, greatest = connection.execute(sa.select(*sums, sa.func.max(_HOURS.c.hour)).where(may_go)).one()
            if hours:
                connection.execute(sa.delete(_HOURS).where(may_go))
                _remember(connection, point_id, (greatest + 1) * HOUR_MS, int(rows), now_ms)
            later = sa.select(sa.func.min(_HOURS.c.hour)).where(
                _HOURS.c.point_id == point_id, _HOURS.c.hour > until, _HOURS.c.hour <= last
            )
            following = connection.execute(later).scalar()
        self.passed.hours += hours
        self.passed.readings += int(rows)
        self.passed.held_hours += all_hours - hours
        if following is None:
            heapq.heappop(self._oldest)
        else:
            heapq.heapreplace(self._oldest, (following, point_id, last))


def _remember(connection: Connection, point_id: int, before_ms: int, rows: int, now_ms: int) -> None:
    known = connection.execute(sa.select(_REMOVED.c.before_ms).where(_REMOVED.c.point_id == point_id)).scalar()
    row = {
        "point_id": point_id, "before_ms": max(before_ms, known or before_ms), "readings": rows, "removed_ms": now_ms,
    }  # fmt: skip
    upsert(connection, _REMOVED, [row], add=("readings",))


def newest_ms(database: Database) -> int | None:
    """Time of the newest reading of any point [event time], known to a minute; None: there is none.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        found = connection.execute(sa.select(sa.func.max(tables.loggers.c.newest_ms))).scalar()
        return None if found is None else int(found)


def kept_from_ms(database: Database, point_id: int) -> int | None:
    """From when on the readings of a point are kept whole [event time]; None: none were ever removed.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        query = sa.select(_REMOVED.c.before_ms).where(_REMOVED.c.point_id == point_id)
        found = connection.execute(query).scalar()
        return None if found is None else int(found)
