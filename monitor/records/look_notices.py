"""What routes have told, for pages and API: how each address stands, and who was told of an alarm."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from monitor.alarms.states import State
from monitor.alarms.telling import ACKNOWLEDGED
from monitor.records import outbox, tables
from monitor.records.database import Database
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import Sites, within

TEST_KIND = "test-notice"
"""Kind of the action that asks for a test of a route; its body: {"route": name}."""
LOOKED_AT = 1_000
"""Whether an address takes anything is asked of the newest notices, so many: weeks even of a bad season."""
LOOKED_BACK = timedelta(days=366)
"""What failed before is of no interest any more."""
A_DAY = timedelta(days=1)
"""What failed so far ahead was stamped by a clock that was wrong."""
LATE = timedelta(minutes=2)
"""What should have been tried so long ago is late."""
_FEW_ACTIONS = 30


@dataclass(frozen=True)
class AddressState:
    """How an address of a route stands."""

    delivered: datetime | None = None
    """When a notice was delivered last."""
    failed: datetime | None = None
    """When a notice was given up last."""
    why: str = ""
    """What came of that try, e.g. "refused"."""
    waiting: int = 0
    """Notices that are not delivered yet, and not given up."""
    oldest: datetime | None = None
    """When the oldest of those was made."""
    late: datetime | None = None
    """When the oldest was made that was tried in vain, or should have been tried long ago; not what waits for the end
    of quiet hours."""

    @property
    def in_trouble(self) -> bool:
        """Whether the last that is known of it is a failure."""
        return self.failed is not None and (self.delivered is None or self.delivered < self.failed)


def addresses(database: Database, sites: Sites, now: datetime) -> dict[tuple[str, int], AddressState]:
    """(route, place of the address from 0) -> how it stands, by the notices of these sites.

    Raises
    ------
    LinkError : the database cannot be read
    """
    table, tries = tables.notices, tables.notice_tries
    key, here = (table.c.route, table.c.address_index), within(table.c.site, sites)
    newest = sa.select(*key, table.c.delivered_ms).where(here).order_by(table.c.created_ms.desc()).limit(LOOKED_AT)
    last = newest.subquery()
    delivered = sa.select(last.c.route, last.c.address_index, sa.func.max(last.c.delivered_ms)).group_by(
        last.c.route, last.c.address_index
    )
    is_late = sa.or_(table.c.tries > 0, table.c.due_ms < to_ms(now - LATE))
    waiting = (
        sa.select(
            *key, sa.func.count(), sa.func.min(table.c.created_ms), sa.func.min(sa.case((is_late, table.c.created_ms)))
        )
        .where(here, table.c.state == "waiting")
        .group_by(*key)
    )
    given_up = (
        sa.select(*key, tries.c.at_ms, tries.c.outcome)
        .join(tries, tries.c.notice_id == table.c.id)
        .where(
            here, table.c.state == "failed", table.c.due_ms.between(to_ms(now - LOOKED_BACK) + 1, to_ms(now + A_DAY))
        )
        .order_by(tries.c.at_ms)
    )
    found: dict[tuple[str, int], AddressState] = defaultdict(AddressState)
    with database.read() as connection:
        for route, place, at_ms in connection.execute(delivered):
            found[route, place] = AddressState(delivered=from_ms_or_none(at_ms))
        for route, place, count, oldest_ms, late_ms in connection.execute(waiting):
            oldest, late = from_ms(oldest_ms), from_ms_or_none(late_ms)
            found[route, place] = replace(found[route, place], waiting=count, oldest=oldest, late=late)
        for route, place, at_ms, outcome in connection.execute(given_up):
            found[route, place] = replace(found[route, place], failed=from_ms(at_ms), why=outcome)
    return dict(found)


def of_alarm(database: Database, sites: Sites, number: int) -> list[dict[str, Any]]:
    """All notices that tell of an alarm, alone or among several, oldest first, as `outbox.recent` gives them."""
    table, tellings = tables.notices, tables.tellings
    told_in = sa.select(tellings.c.group_id).where(
        tellings.c.partition == tables.PARTITION, tellings.c.alarm_number == number, tellings.c.group_id.is_not(None)
    )
    alone = sa.and_(table.c.partition == tables.PARTITION, table.c.alarm_number == number)
    tells = sa.or_(alone, table.c.group_id.in_(told_in))  # each with an index of its own
    query = sa.select(table).where(tells, within(table.c.site, sites))
    with database.read() as connection:
        rows = connection.execute(query.order_by(table.c.created_ms, table.c.group_id, table.c.address_index))
        return outbox.items_of(connection, rows.mappings().all())


def of_group(database: Database, sites: Sites, group_id: str) -> list[dict[str, Any]]:
    """The notices of one group, an address each, as `outbox.recent` gives them."""
    table = tables.notices
    query = sa.select(table).where(table.c.group_id == group_id, within(table.c.site, sites))
    with database.read() as connection:
        rows = connection.execute(query.order_by(table.c.address_index)).mappings().all()
        return outbox.items_of(connection, rows)


def untold(database: Database, sites: Sites, number: int) -> list[dict[str, Any]]:
    """Of an alarm: what routes are still to be told, and what they were not told and why; oldest first.

    Each: route, kind ("raised", "told-again", "cleared"), state ("waiting" or "dropped"), wanted and due (times), why
    (None while it waits). What waits to be told of an alarm that was acknowledged meanwhile is not told any more, but
    for that it is over; it stands here as dropped already, as the service will find when it is due.
    """
    table, alarms = tables.tellings, tables.alarms
    same = sa.and_(alarms.c.partition == table.c.partition, alarms.c.number == table.c.alarm_number)
    query = sa.select(table, alarms.c.state.label("alarm_state")).join(alarms, same)
    query = query.where(
        table.c.partition == tables.PARTITION, table.c.alarm_number == number, table.c.state != "told",
        within(table.c.site, sites),
    )  # fmt: skip
    with database.read() as connection:
        rows = connection.execute(query.order_by(table.c.change_number, table.c.route)).mappings().all()
    return [_untold(row) for row in rows]


def _untold(row: Mapping[Any, Any]) -> dict[str, Any]:
    kind = json.loads(row["wanted"]).get("kind", "raised")
    state, why = row["state"], row["why"]
    if state == "waiting" and kind != "cleared" and row["alarm_state"] == State.ACKNOWLEDGED.value:
        state, why = "dropped", ACKNOWLEDGED
    wanted, due = from_ms(row["wanted_ms"]), from_ms(row["due_ms"])
    return {"route": row["route"], "kind": kind, "state": state, "wanted": wanted, "due": due, "why": why}


def tested_since(database: Database, route: str, since: datetime) -> bool:
    """Whether somebody asked for a test of a route since a time."""
    table = tables.actions
    query = sa.select(table.c.body).where(table.c.kind == TEST_KIND, table.c.at_ms > to_ms(since))
    newest = sa.select(sa.func.max(table.c.number) - _FEW_ACTIONS).scalar_subquery()  # a table without an index by time
    with database.read() as connection:
        found = connection.execute(query.where(table.c.number > newest)).scalars().all()
    return any(json.loads(body).get("route") == route for body in found)
