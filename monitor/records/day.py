"""What a day of a site came to, for its daily line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from monitor.alarms.states import Cause, State
from monitor.records import tables
from monitor.records.database import Database
from monitor.records.rows import to_ms
from monitor.records.tables import PARTITION

LATE_MS = 900_000
"""A notice that arrived so long after it was due came late."""
_PREFIX = "all-is-well "


@dataclass(frozen=True)
class Day:
    """Counts since a time."""

    came_and_went: tuple[tuple[str, int], ...]
    """Condition and how often it was raised and is over again; the most frequent first."""
    not_delivered: int
    """Notices that were given up."""
    still_waiting: int
    """Notices that are due and not delivered."""
    delivered_late: int
    """Notices that arrived, but more than a quarter of an hour after they were made."""


def day_of(database: Database, site: str, since: datetime, now: datetime) -> Day:
    """Counts of a site.

    Raises
    ------
    LinkError : the database cannot be read
    """
    changes, alarms, notices = tables.alarm_changes, tables.alarms, tables.notices
    same = sa.and_(alarms.c.partition == changes.c.partition, alarms.c.number == changes.c.alarm_number)
    over = alarms.c.state.in_([state.value for state in State if not state.stands])
    raised = (
        sa.select(alarms.c.condition, sa.func.count())
        .join(changes, same)
        .where(
            alarms.c.partition == PARTITION, alarms.c.site == site, over,
            changes.c.cause == Cause.RAISED.value, changes.c.heard_ms > to_ms(since),
        )
        .group_by(alarms.c.condition)
    )  # fmt: skip
    made = sa.and_(notices.c.partition == PARTITION, notices.c.site == site, notices.c.created_ms > to_ms(since))
    late = notices.c.delivered_ms - notices.c.due_ms > LATE_MS
    waits = sa.and_(notices.c.state == "waiting", notices.c.tries > 0)
    with database.read() as connection:
        found = [(condition, count) for condition, count in connection.execute(raised)]
        counts = connection.execute(
            sa.select(
                sa.func.count().filter(notices.c.state == "failed"),
                sa.func.count().filter(waits),
                sa.func.count().filter(sa.and_(notices.c.state == "delivered", late)),
            ).where(made)
        ).one()
    return Day(tuple(sorted(found, key=lambda one: (-one[1], one[0]))), *counts)


def cursor(route: str, site: str) -> str:
    """The name under which it is kept when a route was last told of a site's day."""
    return f"{_PREFIX}{route} {site}"


def told(cursors: Mapping[str, str]) -> dict[tuple[str, str], datetime]:
    """(route, site) -> when it was last told, of all that is kept under names."""
    names = {tuple(name.removeprefix(_PREFIX).split(" ", 1)): text for name, text in cursors.items()
             if name.startswith(_PREFIX)}  # fmt: skip
    return {(route, site): datetime.fromisoformat(text) for (route, site), text in names.items()}
