"""Alarms for pages and API."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.states import State
from monitor.records import tables
from monitor.records.database import Database
from monitor.records.pages import MOST, Page, key_of, page
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import Sites, within
from monitor.watch.table import PRIORITIES

_TABLE = tables.alarms
_STANDING = [state.value for state in State if state.stands]
_OPEN = [state.value for state in State if state is not State.NORMAL]


def alarms(
    database: Database,
    sites: Sites,
    *,
    site: str | None = None,
    standing: bool | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    limit: int = 100,
    after: str | None = None,
) -> Page:
    """Alarms, the newest first.

    Parameters
    ----------
    standing : True: only those whose condition holds now or that nobody acknowledged; False: only the others; None: all
    since, until : raised (event time) after the first and not after the second
    after : token of the part before

    Raises
    ------
    ReadingError : `after` is not a token of this list
    LinkError : the database cannot be read
    """
    query = sa.select(_TABLE).where(_TABLE.c.partition == tables.PARTITION, within(_TABLE.c.site, sites))
    query = query.where(_TABLE.c["count"] > 0)  # one that only carries a suppression was never raised
    if site is not None:
        query = query.where(_TABLE.c.site == site)
    if standing is not None:
        query = query.where(_TABLE.c.state.in_(_OPEN) if standing else _TABLE.c.state.not_in(_OPEN))
    if since is not None:
        query = query.where(_TABLE.c.raised_ms > to_ms(since))
    if until is not None:
        query = query.where(_TABLE.c.raised_ms <= to_ms(until))
    if after is not None:
        query = query.where(_TABLE.c.number < key_of(after, int)[0])
    most = min(max(limit, 1), MOST)
    with database.read() as connection:
        found = connection.execute(query.order_by(_TABLE.c.number.desc()).limit(most + 1)).mappings().all()
    items = [alarm_item(row) for row in found]
    return page(items, [[item["number"]] for item in items], most)


def alarm(database: Database, sites: Sites, number: int) -> dict[str, Any] | None:
    """One alarm with its changes, oldest first; None when the reader has no such alarm."""
    changes = tables.alarm_changes
    with database.read() as connection:
        here = sa.and_(_TABLE.c.partition == tables.PARTITION, _TABLE.c.number == number)
        row = connection.execute(sa.select(_TABLE).where(here, within(_TABLE.c.site, sites))).mappings().first()
        if row is None:
            return None
        item = alarm_item(row)
        made = sa.select(changes).where(changes.c.partition == tables.PARTITION, changes.c.alarm_number == number)
        item["changes"] = [
            {
                "number": change["number"],
                "from_state": change["from_state"],
                "to_state": change["to_state"],
                "cause": change["cause"],
                "at": from_ms(change["at_ms"]),
                "heard": from_ms(change["heard_ms"]),
                "by": change["by"],
                "why": change["why"],
                "until": from_ms_or_none(change["until_ms"]),
            }
            for change in connection.execute(made.order_by(changes.c.number)).mappings()
        ]
    return item


def suppressed(database: Database, sites: Sites) -> list[dict[str, Any]]:
    """Alarms of which nothing is told, whatever their state: those that stand first, then the newest.

    Raises
    ------
    LinkError : the database cannot be read
    """
    about = (_TABLE.c.site, _TABLE.c.fan, _TABLE.c.supply, _TABLE.c.condition)
    # An earlier occurrence keeps what held when the next one began, which took it over.
    newest = sa.select(sa.func.max(_TABLE.c.number)).where(_TABLE.c.partition == tables.PARTITION).group_by(*about)
    query = sa.select(_TABLE).where(
        _TABLE.c.partition == tables.PARTITION, within(_TABLE.c.site, sites), _TABLE.c.suppression.is_not(None),
        _TABLE.c.number.in_(newest),
    )  # fmt: skip
    with database.read() as connection:
        items = [alarm_item(row) for row in connection.execute(query).mappings()]
    return sorted(items, key=lambda item: (item["state"] == State.NORMAL.value, -item["number"]))


def open_alarms(database: Database, sites: Sites) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """As `standing_by_fan`: all of them, in no parts.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return standing_by_fan(connection, sites)


class Stands(NamedTuple):
    """An alarm that stands, as far as lists of all fans need it."""

    id: str
    """Its condition."""
    since_ms: int
    """Since when the condition holds [event time]."""
    held: bool
    """Nobody is told of it now."""
    acknowledged: bool
    shared: bool
    """It is of a supply point or of a whole site."""


def standing_lightly(connection: Connection, sites: Sites) -> dict[tuple[str, str], list[Stands]]:
    """(site, fan or supply point) -> alarms that stand: of all fans at once, for their states."""
    c = _TABLE.c
    query = sa.select(c.site, c.fan, c.supply, c.condition, c.since_ms, c.suppression, c.state).where(
        c.partition == tables.PARTITION, c.state.in_(_STANDING), within(c.site, sites)
    )
    found: dict[tuple[str, str], list[Stands]] = {}
    for site, fan, supply, condition, since_ms, suppression, state in connection.execute(query):
        acknowledged = state == State.ACKNOWLEDGED.value
        one = Stands(condition, since_ms, suppression is not None, acknowledged, fan is None)
        found.setdefault((site, fan or supply or ""), []).append(one)
    return found


def standing_by_fan(
    connection: Connection, sites: Sites, points: Collection[int] | None = None
) -> dict[tuple[str, str], list[dict[str, Any]]]:
    """(site, fan or supply point) -> its alarms that stand or that nobody acknowledged, the most pressing first.

    Parameters
    ----------
    points : of fans only these, beside what is of a supply point or a whole site; None: all
    """
    # A site is of one partition. Asked for that too, SQLite goes by it through all seasons, not by state and site.
    query = sa.select(_TABLE).where(_TABLE.c.state.in_(_OPEN), within(_TABLE.c.site, sites))
    if points is not None:
        query = query.where(sa.or_(_TABLE.c.point_id.in_(points), _TABLE.c.fan.is_(None)))
    found: dict[tuple[str, str], list[dict[str, Any]]] = {}
    for row in connection.execute(query).mappings():
        found.setdefault((row["site"], row["fan"] or row["supply"] or ""), []).append(alarm_item(row))
    for items in found.values():
        items.sort(key=lambda item: (not item["standing"], -PRIORITIES.index(item["priority"]), item["number"]))
    return found


def alarm_item(row: Mapping[Any, Any]) -> dict[str, Any]:
    """One alarm as a plain dictionary."""
    return {
        "number": row["number"],
        "id": row["condition"],
        "site": row["site"],
        "fan": row["fan"],
        "supply": row["supply"],
        "state": row["state"],
        "standing": row["state"] in _STANDING,
        "priority": row["priority"],
        "since": from_ms(row["since_ms"]),
        "raised": from_ms(row["raised_ms"]),
        "cleared": from_ms_or_none(row["cleared_ms"]),
        "heard": from_ms(row["heard_ms"]),
        "acknowledged": from_ms_or_none(row["acknowledged_ms"]),
        "acknowledged_by": row["acknowledged_by"],
        "suppression": row["suppression"],
        "suppressed_until": from_ms_or_none(row["suppressed_until_ms"]),
        "suppressed_by": row["suppressed_by"],
        "suppressed_why": row["suppressed_why"],
        "count": row["count"],
        "value": row["value"],
        "setpoint": row["setpoint"],
        "peak": row["peak"],
        "text": row["text"],
    }
