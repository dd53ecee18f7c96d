"""What routes are to be told of alarms' changes, and what became of it: stored in the commit of the change."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.facts import About, Wanted
from monitor.alarms.states import State
from monitor.alarms.telling import Telling
from monitor.records import tables
from monitor.records.database import upsert
from monitor.records.rows import from_ms, to_ms
from monitor.records.tables import PARTITION

WAITING, TOLD, DROPPED = "waiting", "told", "dropped"


@dataclass(frozen=True)
class Kept:
    """A telling and what became of it."""

    telling: Telling
    state: str = WAITING
    """WAITING, TOLD or DROPPED."""
    why: str | None = None
    """Why it was dropped."""
    group_id: str | None = None
    """Group of the notice that told it."""


@dataclass(frozen=True)
class Stored:
    """What the service that ran before has left."""

    waiting: tuple[Telling, ...] = ()
    told: frozenset[tuple[str, int]] = frozenset()
    """Route and number of each alarm that stands or waits to be acknowledged, of which the route was told."""
    rang: Mapping[tuple[str, str], datetime] = field(default_factory=dict)
    """Route and site -> when a notice that rings was last made."""


def write(connection: Connection, kept: Sequence[Kept]) -> None:
    """Inserts tellings, or what has become of them."""
    upsert(connection, tables.tellings, [_row(one) for one in kept])


def stored(connection: Connection, rang_since_ms: int) -> Stored:
    """What is to go on.

    Parameters
    ----------
    rang_since_ms : notices made before are of no interest
    """
    table, alarms, notices = tables.tellings, tables.alarms, tables.notices
    same = sa.and_(alarms.c.partition == table.c.partition, alarms.c.number == table.c.alarm_number)
    here = table.c.partition == PARTITION
    about = (alarms.c.fan, alarms.c.supply, alarms.c.condition)
    waiting = connection.execute(
        sa.select(table, *about).join(alarms, same)
        .where(here, table.c.state == WAITING).order_by(table.c.change_number)
    )  # fmt: skip
    told = connection.execute(
        sa.select(table.c.route, table.c.alarm_number).distinct().join(alarms, same)
        .where(here, table.c.state == TOLD, alarms.c.state != State.NORMAL.value)
    )  # fmt: skip
    rang = connection.execute(
        sa.select(notices.c.route, notices.c.site, sa.func.max(notices.c.created_ms))
        .where(notices.c.created_ms >= rang_since_ms, notices.c.rings, notices.c.alarm_number > 0)
        .group_by(notices.c.route, notices.c.site)
    )
    return Stored(
        tuple(_telling(row) for row in waiting.mappings()),
        frozenset((route, number) for route, number in told),
        {(route, site): from_ms(at_ms) for route, site, at_ms in rang},
    )


def _row(kept: Kept) -> dict[str, Any]:
    one = kept.telling
    return {
        "partition": PARTITION,
        "change_number": one.change_number,
        "route": one.route,
        "alarm_number": one.alarm_number,
        "site": one.site,
        "wanted": json.dumps(
            {
                "kind": one.wanted.kind,
                "rings": one.wanted.rings,
                "count": one.wanted.count,
                "counted_since": None if one.wanted.counted_since is None else one.wanted.counted_since.isoformat(),
                "cause": one.wanted.cause,
            }
        ),
        "wanted_ms": to_ms(one.wanted_at),
        "due_ms": to_ms(one.due),
        "state": kept.state,
        "why": kept.why,
        "group_id": kept.group_id,
    }


def _telling(row: Mapping[Any, Any]) -> Telling:
    wanted = json.loads(row["wanted"])
    since = wanted["counted_since"]
    return Telling(
        row["change_number"],
        row["route"],
        About(row["site"], row["fan"], row["supply"], row["condition"]),
        row["alarm_number"],
        Wanted(
            wanted["kind"], wanted["rings"], wanted["count"],
            None if since is None else datetime.fromisoformat(since), wanted["cause"],
        ),
        from_ms(row["wanted_ms"]),
        from_ms(row["due_ms"]),
    )  # fmt: skip
