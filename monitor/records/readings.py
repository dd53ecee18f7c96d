"""Stored readings of one point, from the table in order of arrival and from packed hours alike.

Readings of an hour long past are moved, in idle time, into one compressed row a point and hour (`hours.py`). The
number, flags and version of each stay with it, so that it can still be told in what order they were fed. Meanwhile a
reading may stand in both places, with the same number: it counts once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.packing import HOUR_MS, unpack
from monitor.records.rows import FOUND, ReadingRows
from monitor.records.table_parts import Scaled

_HOURS_AT_ONCE = 4
"""Packed hours fetched at a time where it is not known how many are needed."""

_HOT = tables.readings
_HOURS = tables.reading_hours


def window(database: Database, point_id: int, from_ms: int, to_ms: int) -> dict[str, NDArray[Any]]:
    """Readings with from < t <= to, by time, as columns.

    Returns
    -------
    number, t_ms, version, flags, ambient_c, called, limit_amps, unbalance, motor_heat, device_heat, running of shape
    (n,); amps, volts of shape (n, 3); missing: NaN
    """
    with database.read() as connection:
        return window_rows(connection, point_id, from_ms, to_ms).columns()


def window_rows(connection: Connection, point_id: int, from_ms: int, to_ms: int) -> ReadingRows:
    """As `window`, within a transaction of the caller's."""
    hot = hot_rows(connection, _HOT.c.point_id == point_id, _HOT.c.t_ms > from_ms, _HOT.c.t_ms <= to_ms)
    hours = _hour_rows(connection, point_id, from_ms // HOUR_MS, to_ms // HOUR_MS)
    rows = ReadingRows.together([hours, hot]).distinct()
    rows = rows.take((rows.t_ms > from_ms) & (rows.t_ms <= to_ms))
    return rows.take(np.argsort(rows.t_ms, kind="stable"))


def fed_after(connection: Connection, after: Mapping[int, int]) -> dict[int, ReadingRows]:
    """Readings of some points that were fed to the watch after a running number, in the order in which they were fed.

    Parameters
    ----------
    after : point -> running number of the last reading that is known to its watch state, 0 for none

    Returns
    -------
    point -> its readings; points without any are left out
    """
    first = min(after.values(), default=0)
    parts = [part for point_id, number in after.items() for part in _hours_after(connection, point_id, number)]
    parts.append(hot_rows(connection, _HOT.c.number > first))
    rows = ReadingRows.together(parts).distinct()
    rows = rows.take(rows.flags & tables.FLAG_LATE == 0)
    found = {
        point_id: part.take(part.number > after[point_id]) for point_id, part in by_point(rows) if point_id in after
    }
    return {point_id: part.take(np.argsort(part.number)) for point_id, part in found.items() if len(part)}


def _hours_after(connection: Connection, point_id: int, number: int) -> list[ReadingRows]:
    """Packed hours of a point with rows fed after a running number, found from the newest hour backwards.

    A point's fed rows ascend in number as in time, so the first hour without such a row ends the search: a fan that has
    been silent since last season costs no more than one that is heard now.
    """
    found: list[ReadingRows] = []
    here = sa.select(_HOURS.c.hour, _HOURS.c.last_number, _HOURS.c["columns"]).where(_HOURS.c.point_id == point_id)
    below = None
    while True:
        query = here if below is None else here.where(_HOURS.c.hour < below)
        some = connection.execute(query.order_by(_HOURS.c.hour.desc()).limit(_HOURS_AT_ONCE)).all()
        for hour, last_number, columns in some:
            if last_number <= number:
                return found
            found.append(unpack(columns, point_id))
            below = hour
        if len(some) < _HOURS_AT_ONCE:
            return found


def newest_of(connection: Connection, newest_ms: Mapping[int, int], span_ms: int) -> dict[int, ReadingRows]:
    """The readings of the last while of each point, by time, those at its newest included.

    Parameters
    ----------
    newest_ms : point -> time of its newest reading
    span_ms : how far before that the readings begin
    """
    if not newest_ms:
        return {}
    first = min(newest_ms.values()) - span_ms
    by_hour: dict[int, list[int]] = {}
    for point_id, newest in newest_ms.items():
        by_hour.setdefault((newest - span_ms) // HOUR_MS, []).append(point_id)
    parts = []
    for hour, point_ids in by_hour.items():
        for some in _chunks(point_ids, 500):
            query = sa.select(_HOURS.c.point_id, _HOURS.c["columns"])
            query = query.where(_HOURS.c.point_id.in_(some), _HOURS.c.hour >= hour)
            parts += [unpack(columns, point_id) for point_id, columns in connection.execute(query)]
    parts.append(hot_rows(connection, _HOT.c.t_ms > first))
    found = {}
    for point_id, part in by_point(ReadingRows.together(parts).distinct()):
        if point_id in newest_ms:
            part = part.take(part.t_ms > newest_ms[point_id] - span_ms)
            found[point_id] = part.take(np.argsort(part.t_ms, kind="stable"))
    return found


def arrived_after(database: Database, number: int, most: int) -> ReadingRows:
    """Rows of the table in order of arrival with greater running numbers, in their order, at most so many; those of
    packed hours are not among them."""
    with database.read() as connection:
        return hot_rows(connection, _HOT.c.number > number, most=most)


def packed_before(
    database: Database, point_id: int, first_hour: int, before_hour: int, most: int
) -> tuple[ReadingRows, int | None]:
    """The newest packed hours of a point with first <= hour < before, at most so many.

    Returns
    -------
    their rows by time; the oldest hour among them, None where there are none before
    """
    here = sa.select(_HOURS.c.hour, _HOURS.c["columns"]).where(_HOURS.c.point_id == point_id)
    query = here.where(_HOURS.c.hour >= first_hour, _HOURS.c.hour < before_hour)
    with database.read() as connection:
        some = connection.execute(query.order_by(_HOURS.c.hour.desc()).limit(most)).all()
    rows = ReadingRows.together([unpack(columns, point_id) for _, columns in reversed(some)])
    return rows.take(np.argsort(rows.t_ms, kind="stable")), min((hour for hour, _ in some), default=None)


def by_point(rows: ReadingRows) -> Iterable[tuple[int, ReadingRows]]:
    """The rows of each point, in the order in which they stand."""
    order = np.argsort(rows.point_id, kind="stable")
    ids, starts = np.unique(rows.point_id[order], return_index=True)
    for point_id, part in zip(ids, np.split(order, starts[1:]), strict=False):
        yield int(point_id), rows.take(part)


def known(database: Database, point_id: int, t_ms: NDArray[Any]) -> NDArray[np.bool_]:
    """Which of some times are stored for a point already, shape (n,): a reading of such a time is a repeat."""
    wanted = np.asarray(t_ms).astype(np.int64)
    if not len(wanted):
        return np.zeros(0, bool)
    low, high = int(wanted.min()), int(wanted.max())
    here = sa.select(_HOT.c.t_ms).where(_HOT.c.point_id == point_id, _HOT.c.t_ms.between(low, high))
    hours = sorted({int(hour) for hour in wanted // HOUR_MS})
    with database.read() as connection:
        times = [np.array(connection.execute(here).scalars().all(), np.int64)]
        for some in _chunks(hours, 500):
            packed = connection.execute(
                sa.select(_HOURS.c["columns"]).where(_HOURS.c.point_id == point_id, _HOURS.c.hour.in_(some))
            ).scalars()
            times += [unpack(columns, point_id).t_ms for columns in packed]
    return np.isin(wanted, np.concatenate(times))


def at_or_before(
    database: Database, point_id: int, t_ms: float
) -> tuple[float, tuple[float, float, float], float] | None:
    """The newest stored reading of a point at or before a time: (time [ms], volts, ambient), or None."""
    last = int(t_ms)
    with database.read() as connection:
        newest = connection.execute(
            sa.select(sa.func.max(_HOT.c.t_ms)).where(_HOT.c.point_id == point_id, _HOT.c.t_ms <= last)
        ).scalar()
        hours = connection.execute(
            sa.select(_HOURS.c["columns"])
            .where(_HOURS.c.point_id == point_id, _HOURS.c.hour <= last // HOUR_MS)
            .order_by(_HOURS.c.hour.desc())
            .limit(2)  # the hour of the time itself may hold only later readings
        ).scalars()
        parts = [unpack(columns, point_id) for columns in hours]
        if newest is not None:
            parts.append(hot_rows(connection, _HOT.c.point_id == point_id, _HOT.c.t_ms == newest))
    rows = ReadingRows.together(parts)
    rows = rows.take(rows.t_ms <= last)
    if not len(rows):
        return None
    best = int(np.argmax(rows.t_ms))
    first, second, third = (float(volts) for volts in rows.volts[best])
    return float(rows.t_ms[best]), (first, second, third), float(rows.ambient_c[best])


def _chunks(values: list[int], most: int) -> Iterable[list[int]]:
    return (values[at : at + most] for at in range(0, len(values), most))


_HOT_COLUMNS = (
    *(_HOT.c[name] for name in ("number", "point_id", "t_ms", "version", "flags")),
    *(_HOT.c[name] for name in ("l1", "l2", "l3", "v12", "v23", "v31", "ambient_c", "called", "limit_amps")),
    *(sa.type_coerce(_HOT.c[name], sa.Integer) for name in FOUND),  # steps; numpy divides all rows at once
)


_STEPS = {name: kind.steps for name in FOUND if isinstance(kind := _HOT.c[name].type, Scaled)}

_ROWS_AT_ONCE = 50_000
"""Rows of the hot table turned into columns at a time: tuples take ten times the memory of columns."""


def hot_rows(connection: Connection, *conditions: sa.ColumnElement[bool], most: int | None = None) -> ReadingRows:
    """Rows of the table in order of arrival that meet all conditions; of more than `most` the first by number."""
    query = sa.select(*_HOT_COLUMNS).where(*conditions)
    if most is not None:
        query = query.order_by(_HOT.c.number).limit(most)
    found = connection.execute(query)
    parts = [_rows_of(list(zip(*some, strict=True))) for some in found.partitions(_ROWS_AT_ONCE)]
    return ReadingRows.together(parts)


def _rows_of(columns: list[tuple[Any, ...]]) -> ReadingRows:
    number, point_id, t_ms, version, flags = (np.array(column, np.int64) for column in columns[:5])
    measured = [np.array(column, np.float64) for column in columns[5:]]  # None becomes NaN
    return ReadingRows(
        number=number,
        point_id=point_id,
        t_ms=t_ms,
        amps=np.column_stack(measured[0:3]),
        volts=np.column_stack(measured[3:6]),
        ambient_c=measured[6],
        called=measured[7],
        limit_amps=measured[8],
        version=version,
        flags=flags,
        **{name: column / _STEPS.get(name, 1) for name, column in zip(FOUND, measured[9:], strict=True)},
    )


def _hour_rows(connection: Connection, point_id: int, first_hour: int, last_hour: int) -> ReadingRows:
    packed = connection.execute(
        sa.select(_HOURS.c["columns"])
        .where(_HOURS.c.point_id == point_id, _HOURS.c.hour.between(first_hour, last_hour))
        .order_by(_HOURS.c.hour)
    ).scalars()
    return ReadingRows.together([unpack(columns, point_id) for columns in packed])


# --- fewer points for a plot -----------------------------------------------------------------------------------


def thin(columns: Mapping[str, NDArray[Any]], every_seconds: float) -> dict[str, NDArray[Any]]:
    """The least, mean and greatest of each measured column in slots of so many seconds of event time.

    A slot is open on the left: the slot that ends at T holds start < t <= T. Slots without a reading are left out, so a
    gap stays a gap. Missing values count for nothing; a slot with none but missing ones is NaN.

    Parameters
    ----------
    columns : as `window` gives them, by time
    every_seconds : above 0

    Returns
    -------
    t_ms (end of the slot), rows (how many), and for each of amps, volts (n, 3), ambient_c, limit_amps (n,) its
    `_min`, `_mean` and `_max`
    """
    step = round(1000 * every_seconds)
    if step <= 0:
        raise ValueError(f"expected a slot above 0 s, found {every_seconds}")
    slots = -(-columns["t_ms"] // step)
    starts = np.flatnonzero(np.diff(slots, prepend=slots[:1] - 1)) if len(slots) else np.empty(0, np.int64)
    rows = np.diff(starts, append=len(slots))
    thinned: dict[str, NDArray[Any]] = {"t_ms": slots[starts] * step, "rows": rows}
    for name in ("amps", "volts", "ambient_c", "limit_amps"):
        values = columns[name]
        if not len(starts):
            empty = np.empty((0, *values.shape[1:]))
            thinned |= {f"{name}_min": empty, f"{name}_mean": empty, f"{name}_max": empty}
            continue
        there = np.add.reduceat(~np.isnan(values), starts, axis=0, dtype=np.int64)
        total = np.add.reduceat(np.nan_to_num(values, nan=0.0), starts, axis=0)
        thinned[f"{name}_min"] = np.fmin.reduceat(values, starts, axis=0)
        thinned[f"{name}_mean"] = np.divide(total, there, out=np.full(total.shape, np.nan), where=there > 0)
        thinned[f"{name}_max"] = np.fmax.reduceat(values, starts, axis=0)
    return thinned
