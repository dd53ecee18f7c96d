"""Which notices have not reached anybody: what the service says of its outbox to whoever looks after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from monitor.records import tables
from monitor.records.database import Database

DAY_MS = 86_400_000


@dataclass(frozen=True)
class Undelivered:
    """The outbox of all sites."""

    waiting: int = 0
    """Notices that were made and not delivered yet, nor given up."""
    oldest_ms: int | None = None
    """When the oldest of them was made [wall time]."""
    failed: Mapping[str, int] | None = None
    """Route -> notices given up in the last 24 h."""
    unreached: tuple[str, ...] = ()
    """Routes that have delivered nothing since they gave one up in the last 24 h."""


def undelivered(database: Database, now_ms: int) -> Undelivered:
    """Looks into the outbox.

    Raises
    ------
    LinkError : the database does not answer
    """
    table = tables.notices
    count = sa.func.count()
    since = table.c.due_ms > now_ms - DAY_MS  # what failed was due last when it did
    with database.read() as connection:
        waiting, oldest = connection.execute(
            sa.select(count, sa.func.min(table.c.created_ms)).where(table.c.state == "waiting")
        ).one()
        failed = {
            route: (many, last)
            for route, many, last in connection.execute(
                sa.select(table.c.route, count, sa.func.max(table.c.due_ms))
                .where(table.c.state == "failed", since)
                .group_by(table.c.route)
            )
        }
        reached: dict[str, int] = {}
        if failed:
            query = (
                sa.select(table.c.route, sa.func.max(table.c.delivered_ms))
                .where(table.c.state == "delivered", since, table.c.route.in_(sorted(failed)))
                .group_by(table.c.route)
            )
            reached = {row[0]: row[1] for row in connection.execute(query)}
    return Undelivered(
        waiting, oldest, {route: many for route, (many, _) in failed.items()},
        tuple(sorted(route for route, (_, last) in failed.items() if reached.get(route, 0) < last)),
    )  # fmt: skip
