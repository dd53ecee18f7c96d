"""Loggers, names that are not in the register, and what could not be taken: for pages and API."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.pages import MOST, Page, key_of, page
from monitor.records.registered import known_in
from monitor.records.rows import from_ms, from_ms_or_none
from monitor.records.scope import Sites, within
from monitor.records.start import COUNTED


def loggers(database: Database, sites: Sites) -> Page:
    """The logger of each point in use, by site and name, with what was rejected of it.

    A point is in use while its fan is in the register, or while a fan of the register names it.
    """
    points, table, counts = tables.points, tables.loggers, tables.reject_counts
    query = (
        sa.select(points, table)
        .outerjoin(table, table.c.point_id == points.c.id)
        .where(within(points.c.site, sites))
        .order_by(points.c.site, points.c.name)
    )
    with database.read() as connection:
        in_use = _in_use(connection, sites)
        rows = connection.execute(query).mappings().all()
        later = _later(connection)
        refused = connection.execute(sa.select(counts).where(within(counts.c.site, sites))).mappings().all()
    reasons: dict[tuple[str, str], dict[str, int]] = {}
    for row in refused:
        reasons.setdefault((row["site"], row["name"]), {})[row["reason"]] = row["count"]
    items = [
        {
            "site": row["site"],
            "name": row["name"],
            "kind": row["kind"],
            "last_reading": from_ms_or_none(_latest(row["newest_ms"], later, row["id"], 1)),
            "heard": from_ms_or_none(_latest(row["heard_ms"], later, row["id"], 2)),
            "period_seconds": row["period_seconds"],
            "status": row["status"],
            "status_time": from_ms_or_none(row["status_ms"]),
            "readings": (row["readings"] or 0) + later.get(row["id"], (0, 0, 0))[0],
            "late": row["late"] or 0,
            "repeats": row["repeats"] or 0,
            "unknown_keys": row["unknown_keys"] or 0,
            "rejected": reasons.get((row["site"], row["name"]), {}),
        }
        for row in rows
        if (row["site"], row["name"]) in in_use
    ]
    return {"items": items, "next": None}


def _later(connection: sa.Connection) -> dict[int, tuple[int, int, int]]:
    """Point -> readings that its logger's row does not count yet, time of the newest, and when that was heard."""
    readings, now = tables.readings, tables.fan_now
    counted = connection.execute(sa.select(tables.cursors.c.value).where(tables.cursors.c.name == COUNTED)).scalar()
    if counted is None:
        return {}
    newest = sa.func.max(readings.c.t_ms)
    query = (
        sa.select(readings.c.point_id, sa.func.count(), newest, sa.func.coalesce(sa.func.max(now.c.heard_ms), newest))
        .outerjoin(now, now.c.point_id == readings.c.point_id)
        .where(readings.c.number > int(counted))
        .group_by(readings.c.point_id)
    )
    return {point_id: (count, t_ms, heard_ms) for point_id, count, t_ms, heard_ms in connection.execute(query)}


def _latest(stored: int | None, later: Mapping[int, tuple[int, int, int]], point_id: int, which: int) -> int | None:
    known = [time for time in (stored, later[point_id][which] if point_id in later else None) if time is not None]
    return max(known, default=None)


def _in_use(connection: sa.Connection, sites: Sites) -> set[tuple[str, str]]:
    """Site and name of every fan in the register, and of the points that those fans name."""
    found: set[tuple[str, str]] = set()
    for fan in known_in(connection).of(sites):
        plate = fan.nameplate.fan
        for name in (fan.key.name, plate.supply, plate.weather):
            if name is not None:
                found.add((fan.key.site, name))
    return found


def newcomers(database: Database, sites: Sites) -> Page:
    """Names that send readings and are not in the register, the one heard last first."""
    table = tables.newcomers
    query = sa.select(table).where(within(table.c.site, sites))
    with database.read() as connection:
        in_use = _in_use(connection, sites)  # a name may have been entered while its last reading was still refused
        rows = connection.execute(query.order_by(table.c.last_heard_ms.desc(), table.c.site, table.c.name)).mappings()
        items = [
            {
                "site": row["site"],
                "name": row["name"],
                "first_heard": from_ms(row["first_heard_ms"]),
                "last_heard": from_ms(row["last_heard_ms"]),
                "readings": row["readings"],
                "last_reading": json.loads(row["last_reading"]),
            }
            for row in rows
            if (row["site"], row["name"]) not in in_use
        ]
    return {"items": items, "next": None}


def rejected(database: Database, sites: Sites, *, limit: int = 100, after: str | None = None) -> Page:
    """What could not be taken, the newest first. What belongs to no site is seen only by whoever sees all.

    Raises
    ------
    ReadingError : `after` is not a token of this list
    """
    table = tables.rejected
    most = min(max(limit, 1), MOST)
    query = sa.select(table).where(within(table.c.site, sites)).order_by(table.c.number.desc()).limit(most + 1)
    if after is not None:
        query = query.where(table.c.number < key_of(after, int)[0])
    with database.read() as connection:
        rows = connection.execute(query).mappings().all()
    items: list[dict[str, Any]] = [
        {
            "number": row["number"],
            "at": from_ms(row["at_ms"]),
            "topic": row["topic"],
            "site": row["site"],
            "name": row["name"],
            "reason": row["reason"],
            "detail": row["detail"],
            "excerpt": row["excerpt"],
        }
        for row in rows
    ]
    return page(items, [[item["number"]] for item in items], most)


def reject_counts(database: Database, sites: Sites) -> Page:
    """How often each reason was met, by site and name, the most frequent first."""
    table = tables.reject_counts
    query = sa.select(table).where(within(table.c.site, sites)).order_by(table.c["count"].desc(), table.c.site)
    with database.read() as connection:
        items = [
            {
                "site": row["site"],
                "name": row["name"],
                "reason": row["reason"],
                "count": row["count"],
                "first": from_ms(row["first_ms"]),
                "last": from_ms(row["last_ms"]),
            }
            for row in connection.execute(query).mappings()
        ]
    return {"items": items, "next": None}
