"""What the copy to a time-series server needs of the database: what is new after a cursor, and the cursor itself.

The cursor of a target is the running number of the last reading, and of the last alarm change, that the server has
confirmed; it is stored after that, in a small transaction of its own. Readings are found by number wherever they stand:
in the table in order of arrival or in a packed hour. Nothing is marked in their own rows.

What the target in use does not hold yet is never removed (`retention.py`): however long it is away, and also where that
fills the disk.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database, upsert
from monitor.records.packing import HOUR_MS, unpack
from monitor.records.readings import hot_rows
from monitor.records.rows import ReadingRows
from monitor.records.tables import PARTITION, READINGS_A_PARTITION

MOST_REFUSED = 500
"""Refused lines that are kept, in all."""
LINE_LETTERS = 500
"""Of a refused line so many are kept."""

_HOT, _HOURS = tables.readings, tables.reading_hours
_CHANGES, _ALARMS = tables.alarm_changes, tables.alarms
_FIRST = PARTITION * READINGS_A_PARTITION
"""Numbers of readings begin after this."""


@dataclass(frozen=True)
class Cursor:
    """How far a target holds a copy."""

    reading: int
    """Running number of the last reading copied."""
    change: int
    """Running number of the last alarm change copied."""
    refused: int = 0
    """Lines it refused, in all."""
    stored_ms: int | None = None
    """When it last confirmed something, wall time; None: never."""


@dataclass(frozen=True)
class Refused:
    """A line that a target would not have."""

    at_ms: int
    """Wall time."""
    line: str
    words: str
    """The server's."""


@dataclass(frozen=True)
class ChangeRow:
    """One change of an alarm, with what is known of the alarm now."""

    number: int
    alarm_number: int
    at_ms: int
    from_state: str | None
    to_state: str
    cause: str
    by: str | None
    site: str
    fan: str | None
    supply: str | None
    condition: str
    priority: str
    text: str


def newest(database: Database) -> Cursor:
    """Where a target stands that holds everything."""
    with database.read() as connection:
        change = sa.select(sa.func.max(_CHANGES.c.number)).where(_CHANGES.c.partition == PARTITION)
        return Cursor(_newest_reading(connection), connection.execute(change).scalar() or 0)


def _newest_reading(connection: Connection) -> int:
    greatest = _FIRST
    for column in (_HOT.c.number, _HOURS.c.last_number):
        here = column.between(_FIRST, _FIRST + READINGS_A_PARTITION - 1)
        greatest = max(greatest, connection.execute(sa.select(sa.func.max(column)).where(here)).scalar() or 0)
    return greatest


def beginning() -> Cursor:
    """Where a target stands that holds nothing."""
    return Cursor(_FIRST, 0)


def cursor(database: Database, target: str) -> Cursor | None:
    """How far a target is; None for one that was never written to."""
    table = tables.archive_targets
    query = sa.select(table.c.reading, table.c.change, table.c.refused, table.c.stored_ms)
    with database.read() as connection:
        row = connection.execute(query.where(table.c.target == target, table.c.partition == PARTITION)).first()
    return None if row is None else Cursor(*row)


def store(database: Database, target: str, at: Cursor, refused: Sequence[Refused] = ()) -> None:
    """Keeps how far a target is, and what it refused on the way.

    Raises
    ------
    LinkError : the database is busy, full or gone; nothing of it is stored
    """
    table = tables.archive_refused
    row = {
        "target": target, "partition": PARTITION, "reading": at.reading, "change": at.change, "refused": at.refused,
        "stored_ms": at.stored_ms,
    }  # fmt: skip
    with database.begin() as connection:
        upsert(connection, tables.archive_targets, [row])
        if refused:
            connection.execute(
                sa.insert(table),
                [
                    {"target": target, "at_ms": one.at_ms, "line": one.line[:LINE_LETTERS], "words": one.words}
                    for one in refused[-MOST_REFUSED:]
                ],
            )
            over = sa.select(table.c.number).order_by(table.c.number.desc()).offset(MOST_REFUSED).limit(1)
            last = connection.execute(over).scalar()
            if last is not None:
                connection.execute(sa.delete(table).where(table.c.number <= last))


def refused(database: Database, target: str, most: int = MOST_REFUSED) -> list[Refused]:
    """The newest lines that a target refused, the last one first."""
    table = tables.archive_refused
    query = sa.select(table.c.at_ms, table.c.line, table.c.words).where(table.c.target == target)
    with database.read() as connection:
        found = connection.execute(query.order_by(table.c.number.desc()).limit(most)).all()
    return [Refused(*row) for row in found]


def readings_after(database: Database, after: int, most: int) -> tuple[ReadingRows, int, list[str]]:
    """The readings of so many running numbers after one, in their order, wherever they stand.

    Returns
    -------
    the readings; the last number looked at (`after` itself where there is nothing); what could not be read, in words
    """
    with database.read() as connection:
        last = min(after + most, _newest_reading(connection))
        hot = hot_rows(connection, _HOT.c.number > after, _HOT.c.number <= last)
        packed: Sequence[Any] = ()
        if len(hot) < last - after:
            query = sa.select(_HOURS.c.point_id, _HOURS.c.hour, _HOURS.c["columns"])
            packed = connection.execute(query.where(_HOURS.c.last_number > after, _HOURS.c.first_number <= last)).all()
    parts, unread = [hot], []
    for point_id, hour, columns in packed:  # after the transaction: readers hold none for long
        try:
            rows = unpack(columns, point_id)
        except ValueError as exc:
            unread.append(f"hour {hour}: {exc}")
        else:
            parts.append(rows.take((rows.number > after) & (rows.number <= last)))
    rows = ReadingRows.together(parts).distinct()
    return rows.take(np.argsort(rows.number, kind="stable")), last, unread


def changes_after(database: Database, after: int, most: int) -> list[ChangeRow]:
    """Alarm changes with greater running numbers, in their order, at most so many."""
    changed = ("number", "alarm_number", "at_ms", "from_state", "to_state", "cause", "by")
    about = ("site", "fan", "supply", "condition", "priority", "text")
    same = sa.and_(_ALARMS.c.partition == _CHANGES.c.partition, _ALARMS.c.number == _CHANGES.c.alarm_number)
    query = sa.select(*(_CHANGES.c[name] for name in changed), *(_ALARMS.c[name] for name in about))
    query = query.select_from(_CHANGES.join(_ALARMS, same))
    query = query.where(_CHANGES.c.partition == PARTITION, _CHANGES.c.number > after)
    with database.read() as connection:
        return [ChangeRow(*row) for row in connection.execute(query.order_by(_CHANGES.c.number).limit(most))]


def oldest_waiting_ms(database: Database, after: int) -> int | None:
    """About when the first reading after a number was measured: to the hour where it is packed; None: there is none."""
    first = sa.select(_HOT.c.number, _HOT.c.t_ms).where(_HOT.c.number > after).order_by(_HOT.c.number).limit(1)
    hour = sa.select(_HOURS.c.hour).where(_HOURS.c.last_number > after).order_by(_HOURS.c.last_number).limit(1)
    with database.read() as connection:
        hot = connection.execute(first).first()
        if hot is not None and hot.number == after + 1:
            return int(hot.t_ms)
        packed = connection.execute(hour).scalar()
    times = [] if hot is None else [int(hot.t_ms)]
    times += [] if packed is None else [int(packed) * HOUR_MS]
    return min(times, default=None)


def points(database: Database) -> Mapping[int, tuple[str, str, str]]:
    """Point -> its site, name and kind."""
    table = tables.points
    with database.read() as connection:
        rows = connection.execute(sa.select(table.c.id, table.c.site, table.c.name, table.c.kind))
        return {point_id: (site, name, kind) for point_id, site, name, kind in rows}
