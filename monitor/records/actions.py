"""What people asked for: rows that the owner of the watch polls, carries out and marks as done. Never a call."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database, inserted_id
from monitor.records.rows import from_ms, from_ms_or_none, to_ms

DONE = "done"
"""Outcome of an action that was carried out; any other says in words why not."""
IMPORT = "import"
"""Kind of the actions that bring readings of a log (`imports.py`): many, with long bodies, so given out one by one."""


@dataclass(frozen=True)
class Action:
    """One thing an operator asked for."""

    number: int
    """Running number: actions are carried out in its order."""
    kind: str
    """E.g. "acknowledge", "planned-stop"."""
    site: str
    body: Mapping[str, Any]
    """What the kind needs, e.g. the alarm's number."""
    by: str
    """Who."""
    at: datetime
    """When, by the server's clock."""
    done: datetime | None = None
    outcome: str | None = None
    """"done", or in words why not."""


def clean(text: str | None, most: int) -> str:
    """What a person typed, as it may be stored: printable, one line, not longer than `most` letters.

    >>> clean("  Ann\\x00 \\ud800of the\\ndesk ", 60)
    'Ann of the desk'
    """
    printable = "".join(letter if letter.isprintable() else " " for letter in text or "")
    return " ".join(printable.split())[:most]


def put(database: Database, kind: str, site: str, body: Mapping[str, object], by: str, now: datetime) -> int:
    """Stores an action for the worker and returns its number.

    Raises
    ------
    LinkError : the database is busy or full; nothing is stored
    """
    values = {
        "kind": kind,
        "site": site,
        "body": json.dumps(dict(body), ensure_ascii=False, allow_nan=False),
        "by": by,
        "at_ms": to_ms(now),
    }
    with database.begin() as connection:
        result = connection.execute(sa.insert(tables.actions).values(values))
        return inserted_id(result)


def undone(database: Database) -> list[Action]:
    """Actions not carried out yet, in the order in which they were asked for; of those of kind `IMPORT` the first."""
    with database.read() as connection:
        return undone_in(connection)


def undone_in(connection: Connection) -> list[Action]:
    """As `undone`, within a transaction of the caller's."""
    return [_action(row) for row in connection.execute(_undone()).mappings()]


@cache
def _undone() -> sa.Select[Any]:
    """Kept: each turn of the worker asks it, and making it takes longer than asking."""
    table = tables.actions
    waiting = table.c.done_ms.is_(None)
    first = sa.select(sa.func.min(table.c.number)).where(waiting, table.c.kind == IMPORT).scalar_subquery()
    one_import = sa.or_(table.c.kind != IMPORT, table.c.number == first)
    return sa.select(table).where(waiting, one_import).order_by(table.c.number)


def outcome(database: Database, number: int) -> Action | None:
    """One action with what became of it; None when there is none of that number."""
    with database.read() as connection:
        row = connection.execute(sa.select(tables.actions).where(tables.actions.c.number == number)).mappings().first()
        return None if row is None else _action(row)


def done_since(connection: Connection, kind: str, since_ms: int) -> list[Action]:
    """Actions of one kind that were carried out since a time, in the order in which they were asked for."""
    table = tables.actions
    query = sa.select(table).where(table.c.done_ms >= since_ms, table.c.kind == kind, table.c.outcome == DONE)
    return [_action(row) for row in connection.execute(query.order_by(table.c.number)).mappings()]


def _action(row: Mapping[Any, Any]) -> Action:
    return Action(
        row["number"],
        row["kind"],
        row["site"],
        json.loads(row["body"]),
        row["by"],
        from_ms(row["at_ms"]),
        from_ms_or_none(row["done_ms"]),
        row["outcome"],
    )
