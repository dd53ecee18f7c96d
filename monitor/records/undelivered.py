"""Which notices have not reached anybody: what the service says of its outbox to whoever looks after it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import sqlalchemy as sa

from monitor.records import tables
from monitor.records.database import Database

DAY_MS = 86_400_000
LONGEST_WAIT_MS = 3_600_000
"""Between two tries; what does not ring and waits for longer waits for the end of quiet hours."""


@dataclass(frozen=True)
class Undelivered:
    """The outbox of all sites."""

    waiting: int = 0
    """Notices that were made and not delivered yet, nor given up."""
    oldest_ms: int | None = None
    """Since when the oldest of them should have been sent [wall time]; what waits for the end of quiet hours is not
    waited for."""
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
    table, tries = tables.notices, tables.notice_tries
    count = sa.func.count()
    put_off = sa.and_(table.c.tries == 0, table.c.due_ms > table.c.created_ms)
    first_try = sa.select(tries.c.at_ms).where(tries.c.notice_id == table.c.id, tries.c["try"] == 1).scalar_subquery()
    last_try = sa.select(sa.func.max(tries.c.at_ms)).where(tries.c.notice_id == table.c.id).scalar_subquery()
    put_off_again = sa.and_(~table.c.rings, table.c.due_ms > now_ms, table.c.due_ms - last_try > LONGEST_WAIT_MS)
    asked_since = sa.case(
        (put_off_again, None),
        (sa.and_(put_off, table.c.due_ms > now_ms), None),
        (put_off, table.c.due_ms),
        (table.c.tries == 0, table.c.created_ms),
        else_=sa.func.coalesce(first_try, table.c.created_ms),
    )
    # What failed was due last when it did; what is ahead of us was stamped by a clock that was wrong.
    since = table.c.due_ms.between(now_ms - DAY_MS + 1, now_ms + DAY_MS)
    with database.read() as connection:
        waiting, oldest = connection.execute(
            sa.select(count, sa.func.min(asked_since)).where(table.c.state == "waiting")
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
