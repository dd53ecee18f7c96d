"""Notices that wait to be sent, and every try that was made: stored before anything goes out.

A notice is put here by the commit that stores the alarm change it tells of. Its id is made of that change, so a
receiver can tell a repeat after a crash between sending and marking.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.notice import Notice
from monitor.records import tables
from monitor.records.alarm_rows import notice_of
from monitor.records.database import Database
from monitor.records.pages import MOST, Page, key_of, page
from monitor.records.rows import from_ms, from_ms_or_none
from monitor.records.scope import Sites, within


@dataclass(frozen=True)
class Due:
    """A notice whose time has come."""

    notice: Notice
    tries: int
    """How often it was tried."""
    due: datetime


@dataclass(frozen=True)
class Try:
    """One try to deliver a notice."""

    number: int
    at: datetime
    outcome: str
    """A short stable word, e.g. "delivered", "refused", "no answer"."""
    detail: str


@dataclass(frozen=True)
class Tried:
    """A try that is to be stored: with neither `delivered` nor `failed` the notice waits on until `next_due_ms`.

    Raises
    ------
    ValueError : not exactly one of delivered, failed and a next time is given
    """

    notice_id: str
    at_ms: int
    outcome: str
    detail: str
    next_due_ms: int | None = None
    delivered: bool = False
    failed: bool = False

    def __post_init__(self) -> None:
        if self.delivered + self.failed + (self.next_due_ms is not None) != 1:
            raise ValueError("a try ends in exactly one of: delivered, failed, a next time")


@dataclass(frozen=True)
class Told:
    """A notice of an alarm, and what became of it."""

    notice: Notice
    state: str
    """"waiting", "delivered" or "failed"."""
    delivered: datetime | None
    tries: tuple[Try, ...]


def due(database: Database, now_ms: int, limit: int | None = 100, each: int | None = None) -> list[Due]:
    """Waiting notices that are due, the most pressing first: what rings before what does not, then the longest due.

    Parameters
    ----------
    limit : at most so many in all; None: all
    each : at most so many of each address, so that a dead one with a thousand hides no other; None: all
    """
    table = tables.notices
    pressing = (table.c.rings.desc(), table.c.due_ms, table.c.change_number, table.c.id)
    here = sa.and_(table.c.state == "waiting", table.c.due_ms <= now_ms)
    query = sa.select(table).where(here)
    if each is not None:
        place = sa.func.row_number().over(partition_by=(table.c.route, table.c.address_index), order_by=pressing)
        ranked = sa.select(table.c.id, place.label("place")).where(here).subquery()
        query = sa.select(table).where(table.c.id.in_(sa.select(ranked.c.id).where(ranked.c.place <= each)))
    query = query.order_by(*pressing).limit(limit)
    with database.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [Due(notice_of(row), row["tries"], from_ms(row["due_ms"])) for row in rows]


def next_due_ms(database: Database) -> int | None:
    """When the next waiting notice is due; None when none waits."""
    table = tables.notices
    with database.read() as connection:
        return connection.execute(sa.select(sa.func.min(table.c.due_ms)).where(table.c.state == "waiting")).scalar()


def bring_forward(database: Database, now_ms: int, longest_ms: int, back_ms: int | None = None) -> int:
    """After the clock was set back: what waits for a later time waits no longer for it than before. How many did.

    A first try that was put off (the end of quiet hours) goes by the clock on the wall and stays, up to a day.

    Parameters
    ----------
    longest_ms : no next try need be further ahead than this, where it is not known how far the clock was set back
    back_ms : by so much, where it is known

    Raises
    ------
    LinkError : the database is busy or full; nothing has changed
    """
    table = tables.notices
    again, day_ms = table.c.tries > 0, 86_400_000
    if back_ms is None:
        sooner: sa.ColumnElement[int] = sa.case((again, now_ms + longest_ms), else_=now_ms)
        too_late = sa.and_(again, table.c.due_ms > now_ms + longest_ms)
    else:
        sooner = sa.case((sa.and_(again, table.c.due_ms - back_ms > now_ms), table.c.due_ms - back_ms), else_=now_ms)
        too_late = again
    at_once = sa.and_(table.c.tries == 0, table.c.due_ms == table.c.created_ms)
    these = sa.or_(too_late, at_once, sa.and_(table.c.tries == 0, table.c.due_ms > now_ms + day_ms))
    later = sa.and_(table.c.state == "waiting", table.c.due_ms > now_ms)
    with database.begin() as connection:
        return connection.execute(sa.update(table).where(later, these).values(due_ms=sooner)).rowcount


def put_off(database: Database, until_ms: Mapping[str, int]) -> None:
    """Notices that wait are not due before a time; no try is counted.

    Raises
    ------
    LinkError : the database is busy or full; nothing has changed
    """
    table = tables.notices
    with database.begin() as connection:
        for notice_id, due_ms in until_ms.items():
            this = sa.and_(table.c.id == notice_id, table.c.state == "waiting")
            connection.execute(sa.update(table).where(this).values(due_ms=due_ms))


def record_try(
    database: Database,
    notice_id: str,
    at_ms: int,
    outcome: str,
    detail: str,
    next_due_ms: int | None = None,
    *,
    delivered: bool = False,
    failed: bool = False,
) -> None:
    """Stores one try, see `record_tries`."""
    record_tries(database, [Tried(notice_id, at_ms, outcome, detail, next_due_ms, delivered, failed)])


def record_tries(database: Database, tries: Sequence[Tried]) -> None:
    """Stores tries, all of them or none.

    Raises
    ------
    ValueError : there is no such notice
    LinkError : the database is busy or full; nothing is stored
    """
    with database.begin() as connection:
        for one in tries:
            _record(connection, one)


def _record(connection: Connection, one: Tried) -> None:
    table = tables.notices
    this = table.c.id == one.notice_id
    tries = connection.execute(sa.select(table.c.tries).where(this)).scalar()
    if tries is None:
        raise ValueError(f"there is no notice {one.notice_id!r}")
    connection.execute(sa.update(table).where(this).values(tries=tries + 1))
    if one.delivered:
        values: dict[str, object] = {"state": "delivered", "delivered_ms": one.at_ms}
    elif one.failed:
        values = {"state": "failed"}
    else:
        values = {"due_ms": one.next_due_ms}
    # What was delivered stays delivered, whatever a slow second try says.
    connection.execute(sa.update(table).where(this, table.c.state == "waiting").values(values))
    connection.execute(
        sa.insert(tables.notice_tries).values(
            {"notice_id": one.notice_id, "try": tries + 1, "at_ms": one.at_ms, "outcome": one.outcome,
             "detail": one.detail[:1000]}
        )
    )  # fmt: skip


def history(database: Database, sites: Sites, alarm_number: int) -> list[Told]:
    """All notices of an alarm with their tries, oldest first; empty for an alarm of another site."""
    table, tellings = tables.notices, tables.tellings
    told_in = sa.select(tellings.c.group_id).where(
        tellings.c.partition == tables.PARTITION, tellings.c.alarm_number == alarm_number
    )
    alone = sa.and_(table.c.partition == tables.PARTITION, table.c.alarm_number == alarm_number)
    here = sa.and_(sa.or_(alone, table.c.group_id.in_(told_in)), within(table.c.site, sites))
    with database.read() as connection:
        rows = connection.execute(
            sa.select(table).where(here).order_by(table.c.created_ms, table.c.change_number, table.c.id)
        )
        told = rows.mappings().all()
        made = _tries(connection, [row["id"] for row in told])
    return [
        Told(notice_of(row), row["state"], from_ms_or_none(row["delivered_ms"]), tuple(made.get(row["id"], ())))
        for row in told
    ]


def recent(
    database: Database,
    sites: Sites,
    *,
    route: str | None = None,
    state: str | None = None,
    limit: int = 50,
    after: str | None = None,
) -> Page:
    """All notices with what became of them and every try, the newest first.

    A notice of the whole service belongs to no site and is seen only by whoever sees all.

    Parameters
    ----------
    route : only this route's, by its name
    state : "waiting", "delivered" or "failed"; None: all
    after : token of the part before

    Raises
    ------
    ReadingError : `after` is not a token of this list
    LinkError : the database cannot be read
    """
    table = tables.notices
    # Plus nothing: the index that begins with the partition would read all to find the newest.
    query = sa.select(table).where(table.c.partition + 0 == tables.PARTITION, within(table.c.site, sites))
    if route is not None:
        query = query.where(table.c.route == route)
    if state is not None:
        query = query.where(table.c.state == state)
    if after is not None:
        created_ms, name = key_of(after, int, str)
        older, same = table.c.created_ms < created_ms, table.c.created_ms == created_ms
        query = query.where(sa.or_(older, sa.and_(same, table.c.id < name)))
    most = min(max(limit, 1), MOST)
    query = query.order_by(table.c.created_ms.desc(), table.c.id.desc()).limit(most + 1)
    with database.read() as connection:
        rows = connection.execute(query).mappings().all()
        items = items_of(connection, rows)
    return page(items, [[row["created_ms"], row["id"]] for row in rows], most)


def items_of(connection: Connection, rows: Sequence[Mapping[Any, Any]]) -> list[dict[str, Any]]:
    """Rows of `notices` as plain dictionaries, each with its tries."""
    made = _tries(connection, [row["id"] for row in rows])
    return [_item(row, made.get(row["id"], [])) for row in rows]


def _item(row: Mapping[Any, Any], made: list[Try]) -> dict[str, Any]:
    """One notice as a plain dictionary."""
    waiting = row["state"] == "waiting"
    return {
        "id": row["id"],
        "site": row["site"],
        "alarm": row["alarm_number"] or None,
        "route": row["route"],
        "address": row["address_index"] + 1,  # the first of a route is its address 1, as people count
        "kind": row["kind"],
        "priority": row["priority"],
        "rings": row["rings"],
        "subject": row["subject"],
        "short": row["short"],
        "long": row["long"],
        "created": from_ms(row["created_ms"]),
        "state": row["state"],
        "next_try": from_ms(row["due_ms"]) if waiting else None,
        "delivered": from_ms_or_none(row["delivered_ms"]),
        "tries": [{"number": one.number, "at": one.at, "outcome": one.outcome, "detail": one.detail} for one in made],
    }


def _tries(connection: Connection, notice_ids: Collection[str]) -> dict[str, list[Try]]:
    """Notice -> its tries, the first one first."""
    tries = tables.notice_tries
    wanted = sa.select(tries).where(tries.c.notice_id.in_(sorted(notice_ids)))
    made: dict[str, list[Try]] = {}
    for row in connection.execute(wanted.order_by(tries.c.notice_id, tries.c["try"])).mappings():
        one = Try(row["try"], from_ms(row["at_ms"]), row["outcome"], row["detail"])
        made.setdefault(row["notice_id"], []).append(one)
    return made
