"""Notices that wait to be sent, and every try that was made: stored before anything goes out.

A notice is put here by the commit that stores the alarm change it tells of. Its id is made of that change, so a
receiver can tell a repeat after a crash between sending and marking.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from monitor.alarms.notice import Notice
from monitor.records import tables
from monitor.records.alarm_rows import notice_of
from monitor.records.database import Database
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
class Told:
    """A notice of an alarm, and what became of it."""

    notice: Notice
    state: str
    """"waiting", "delivered" or "failed"."""
    delivered: datetime | None
    tries: tuple[Try, ...]


def due(database: Database, now_ms: int, limit: int = 100) -> list[Due]:
    """Waiting notices that are due, the most pressing first: what rings before what does not, then the longest due."""
    table = tables.notices
    query = (
        sa.select(table)
        .where(table.c.state == "waiting", table.c.due_ms <= now_ms)
        .order_by(table.c.rings.desc(), table.c.due_ms, table.c.change_number, table.c.id)
        .limit(limit)
    )
    with database.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [Due(notice_of(row), row["tries"], from_ms(row["due_ms"])) for row in rows]


def next_due_ms(database: Database) -> int | None:
    """When the next waiting notice is due; None when none waits."""
    table = tables.notices
    with database.read() as connection:
        return connection.execute(sa.select(sa.func.min(table.c.due_ms)).where(table.c.state == "waiting")).scalar()


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
    """Stores a try; with neither `delivered` nor `failed` the notice waits on until `next_due_ms`.

    Raises
    ------
    ValueError : not exactly one of delivered, failed and a next time is given, or there is no such notice
    LinkError : the database is busy or full; nothing is stored
    """
    if delivered + failed + (next_due_ms is not None) != 1:
        raise ValueError("a try ends in exactly one of: delivered, failed, a next time")
    table = tables.notices
    with database.begin() as connection:
        tries = connection.execute(sa.select(table.c.tries).where(table.c.id == notice_id)).scalar()
        if tries is None:
            raise ValueError(f"there is no notice {notice_id!r}")
        connection.execute(sa.update(table).where(table.c.id == notice_id).values(tries=tries + 1))
        if delivered:
            values: dict[str, object] = {"state": "delivered", "delivered_ms": at_ms}
        elif failed:
            values = {"state": "failed"}
        else:
            values = {"due_ms": next_due_ms}
        # What was delivered stays delivered, whatever a slow second try says.
        still_waiting = table.c.state == "waiting"
        connection.execute(sa.update(table).where(table.c.id == notice_id, still_waiting).values(values))
        row = {"notice_id": notice_id, "try": tries + 1, "at_ms": at_ms, "outcome": outcome, "detail": detail[:1000]}
        connection.execute(sa.insert(tables.notice_tries).values(row))


def history(database: Database, sites: Sites, alarm_number: int) -> list[Told]:
    """All notices of an alarm with their tries, oldest first; empty for an alarm of another site."""
    table, tries = tables.notices, tables.notice_tries
    here = sa.and_(
        table.c.partition == tables.PARTITION, table.c.alarm_number == alarm_number, within(table.c.site, sites)
    )
    with database.read() as connection:
        rows = connection.execute(
            sa.select(table).where(here).order_by(table.c.created_ms, table.c.change_number, table.c.id)
        )
        told = rows.mappings().all()
        made: dict[str, list[Try]] = {}
        wanted = sa.select(table.c.id).where(here)
        for row in connection.execute(
            sa.select(tries).where(tries.c.notice_id.in_(wanted)).order_by(tries.c.notice_id, tries.c["try"])
        ).mappings():
            one = Try(row["try"], from_ms(row["at_ms"]), row["outcome"], row["detail"])
            made.setdefault(row["notice_id"], []).append(one)
    return [
        Told(notice_of(row), row["state"], from_ms_or_none(row["delivered_ms"]), tuple(made.get(row["id"], ())))
        for row in told
    ]
