"""All that the worker needs when it starts: one picture of the database, taken in one transaction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.alarm import Alarm
from monitor.records import actions, out_of_service, planned_stops, register, tables, tellings
from monitor.records.actions import Action
from monitor.records.alarm_rows import alarm_of
from monitor.records.database import Database
from monitor.records.out_of_service import ServiceChange
from monitor.records.planned_stops import PlanChange
from monitor.records.readings import fed_after, newest_of
from monitor.records.register import PointKey, Site, Version
from monitor.records.rows import ReadingRows, Run, run_of
from monitor.records.scope import ALL
from monitor.records.tables import PARTITION, READINGS_A_PARTITION

WINDOW = timedelta(minutes=35)
"""Readings before the newest that are loaded for each point: the 30 min of the estimate and a margin."""


COUNTED = "counted"
"""Cursor: loggers' rows speak of all readings up to this running number; of later ones the readings themselves do."""
RANG_MS = 3_600_000
"""Notices made longer before the newest message do not matter to those that follow."""
SEASON = timedelta(days=60)
"""How long a trip is looked back at."""
DAY = timedelta(hours=25)
"""How long runs are looked back at: a day and a margin."""


@dataclass(frozen=True)
class State:
    """A saved state of the watch."""

    number: int
    """Running number of the last reading in it."""
    format: int
    """What form the bytes have."""
    state: bytes


@dataclass
class Start:
    """What was stored when the service last stopped, orderly or not."""

    mark: int
    """Of the register: ask `register.changed_since` with it."""
    sites: list[Site]
    points: list[PointKey]
    """All points, by their id."""
    versions: dict[int, list[Version]]
    """Point -> all versions, oldest first."""
    newest_ms: dict[int, int]
    """Point -> time of its newest reading."""
    uncounted: dict[int, int]
    """Point -> readings that its logger's row does not count yet."""
    heard_ms: dict[int, int]
    """Point -> wall time of its newest message."""
    periods: dict[int, float]
    """Point -> period given or learned [s]."""
    states: dict[int, State]
    """Point -> saved state of the watch."""
    unfed: dict[int, ReadingRows]
    """Point -> readings after its saved state, in the order in which they were fed: to be fed again."""
    recent: dict[int, ReadingRows]
    """Point -> readings of the `WINDOW` before its newest, by time."""
    open_runs: list[Run]
    ended_runs: list[Run]
    """Those that ended in the `DAY` before the newest end, that wait to be judged, or that are the last of their fan;
    oldest first."""
    trips: list[Run]
    """Overload trips, likely or high, of the `SEASON` before the newest end."""
    alarms: list[Alarm]
    """The last alarm of each site, fan or supply, and condition, whatever its state."""
    next_reading: int
    """Next running number of a reading ..."""
    next_run: int
    """... a run ..."""
    next_alarm: int
    """... an alarm ..."""
    next_change: int
    """... and a change of an alarm."""
    tellings: tellings.Stored
    """What routes are still to be told, and what they were told."""
    undone: list[Action]
    """What operators asked for and was not carried out yet."""
    cursors: dict[str, str]
    out_of_service: list[ServiceChange]
    """The newest change of each fan and site that ever was out of service."""
    planned_stops: list[PlanChange]
    """Those that wait for their begin."""
    newest_row_ms: int | None
    """Newest time the database knows of (wall time of a message): a clock that shows less is wrong."""


def load(database: Database) -> Start:
    """Reads it all.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        edits = register.edits_since(connection, 0)
        points = list(edits.points)
        versions: dict[int, list[Version]] = {}
        for version in edits.versions:
            versions.setdefault(version.point_id, []).append(version)
        loggers = connection.execute(sa.select(tables.loggers)).mappings().all()
        cursors = {row.name: row.value for row in connection.execute(sa.select(tables.cursors))}
        next_reading = _next_reading(connection)
        states = _states(connection)
        counted = int(cursors.get(COUNTED, next_reading - 1))  # a database without it was written with each commit
        after = {key.point_id: _fed_until(key, states, counted) for key in points}
        fed = fed_after(connection, after)
        since = _after(fed, counted)
        newest_ms = {row["point_id"]: row["newest_ms"] for row in loggers if row["newest_ms"] is not None}
        for point_id, rows in since.items():
            newest_ms[point_id] = max(newest_ms.get(point_id, 0), int(rows.t_ms.max()))
        heard_ms = _heard(connection, loggers, {point_id: newest_ms[point_id] for point_id in since})
        return Start(
            mark=edits.mark,
            sites=list(edits.sites),
            points=points,
            versions=versions,
            newest_ms=newest_ms,
            uncounted={point_id: len(rows) for point_id, rows in since.items()},
            heard_ms=heard_ms,
            periods={row["point_id"]: row["period_seconds"] for row in loggers if row["period_seconds"] is not None},
            states=states,
            unfed=_unfed(fed, points, states),
            recent=_recent(connection, points, newest_ms),
            open_runs=_open_runs(connection),
            ended_runs=_ended_runs(connection),
            trips=_trips(connection),
            alarms=_last_alarms(connection),
            next_reading=next_reading,
            next_run=_next(connection, tables.runs.c.number),
            next_alarm=_next(connection, tables.alarms.c.number),
            next_change=_next(connection, tables.alarm_changes.c.number),
            tellings=tellings.stored(connection, max(heard_ms.values(), default=0) - RANG_MS),
            undone=actions.undone_in(connection),
            cursors=cursors,
            out_of_service=out_of_service.last_in(connection, ALL),
            planned_stops=planned_stops.waiting_in(connection, ALL),
            newest_row_ms=max(heard_ms.values(), default=None),
        )


def _next(connection: Connection, column: sa.Column[int]) -> int:
    """One more than the greatest number given out."""
    query = sa.select(sa.func.max(column)).where(column.table.c.partition == PARTITION)
    return (connection.execute(query).scalar() or 0) + 1


def _next_reading(connection: Connection) -> int:
    """The same of readings, in order of arrival and packed."""
    first = PARTITION * READINGS_A_PARTITION
    greatest = first
    for column in (tables.readings.c.number, tables.reading_hours.c.last_number):
        here = column.between(first, first + READINGS_A_PARTITION - 1)
        greatest = max(greatest, connection.execute(sa.select(sa.func.max(column)).where(here)).scalar() or 0)
    return greatest + 1


def _states(connection: Connection) -> dict[int, State]:
    found = connection.execute(sa.select(tables.watch_states)).mappings()
    return {row["point_id"]: State(row["number"], row["format"], row["state"]) for row in found}


def _fed_until(key: PointKey, states: Mapping[int, State], counted: int) -> int:
    """The running number after which a point's readings are needed; a fan without a state is fed from its beginning."""
    if key.kind != "fan":
        return counted
    return min(counted, states[key.point_id].number) if key.point_id in states else 0


def _after(fed: Mapping[int, ReadingRows], number: int) -> dict[int, ReadingRows]:
    later = {point_id: rows.take(rows.number > number) for point_id, rows in fed.items()}
    return {point_id: rows for point_id, rows in later.items() if len(rows)}


def _unfed(
    fed: Mapping[int, ReadingRows], points: list[PointKey], states: Mapping[int, State]
) -> dict[int, ReadingRows]:  # fmt: skip
    """What a saved state, which is not stored with every commit, does not know."""
    found = {key.point_id: fed[key.point_id] for key in points if key.kind == "fan" and key.point_id in fed}
    found = {one: rows.take(rows.number > states[one].number) if one in states else rows for one, rows in found.items()}
    return {point_id: rows for point_id, rows in found.items() if len(rows)}


def _heard(
    connection: Connection, loggers: Sequence[Mapping[Any, Any]], uncounted: Mapping[int, int]
) -> dict[int, int]:  # fmt: skip
    """When each point was last heard. Of readings not counted yet `fan_now` tells it; of others than fans, their time.

    Parameters
    ----------
    uncounted : point -> time of its newest reading, where the logger's row does not know it
    """
    heard = {row["point_id"]: row["heard_ms"] for row in loggers if row["heard_ms"] is not None}
    now = tables.fan_now
    known = {row.point_id: row.heard_ms for row in connection.execute(sa.select(now.c.point_id, now.c.heard_ms))}
    for point_id, t_ms in uncounted.items():
        heard[point_id] = max(heard.get(point_id, 0), known.get(point_id, t_ms))
    return heard


def _recent(connection: Connection, points: list[PointKey], newest_ms: Mapping[int, int]) -> dict[int, ReadingRows]:
    heard = {key.point_id: newest_ms[key.point_id] for key in points if key.point_id in newest_ms}
    return newest_of(connection, heard, int(WINDOW.total_seconds() * 1000))


def _open_runs(connection: Connection) -> list[Run]:
    table = tables.runs
    query = sa.select(table).where(table.c.partition == PARTITION, table.c.end_ms.is_(None)).order_by(table.c.number)
    return [run_of(row) for row in connection.execute(query).mappings()]


def _ended_runs(connection: Connection) -> list[Run]:
    table = tables.runs
    ended = sa.and_(table.c.partition == PARTITION, table.c.end_ms.is_not(None))
    newest = connection.execute(sa.select(sa.func.max(table.c.end_ms)).where(ended)).scalar() or 0
    last = sa.select(sa.func.max(table.c.number)).where(ended).group_by(table.c.point_id)
    waits = sa.and_(table.c.ending.is_not(None), table.c.end_cause.is_(None))
    lately = table.c.end_ms > newest - int(DAY.total_seconds() * 1000)
    query = sa.select(table).where(ended, sa.or_(waits, lately, table.c.number.in_(last))).order_by(table.c.number)
    return [run_of(row) for row in connection.execute(query).mappings()]


def _trips(connection: Connection) -> list[Run]:
    table = tables.runs
    newest = connection.execute(sa.select(sa.func.max(table.c.end_ms)).where(table.c.partition == PARTITION)).scalar()
    query = sa.select(table).where(
        table.c.partition == PARTITION, table.c.end_ms > (newest or 0) - int(SEASON.total_seconds() * 1000),
        table.c.end_cause == "overload trip", table.c.confidence.in_(("high", "likely")),
    )  # fmt: skip
    return [run_of(row) for row in connection.execute(query.order_by(table.c.number)).mappings()]


def _last_alarms(connection: Connection) -> list[Alarm]:
    table = tables.alarms
    about: tuple[sa.Column[Any], ...] = (table.c.site, table.c.fan, table.c.supply, table.c.condition)
    last = sa.select(sa.func.max(table.c.number)).where(table.c.partition == PARTITION).group_by(*about)
    query = sa.select(table).where(table.c.partition == PARTITION, table.c.number.in_(last)).order_by(table.c.number)
    return [alarm_of(row) for row in connection.execute(query).mappings()]
