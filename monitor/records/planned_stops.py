"""Planned stops that begin later: a row for each change, none is ever altered. The newest row of a fan holds.

From its begin on a stop is held back by the suppression of the alarm `stopped` itself (`look_alarms.suppressed`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.rows import from_ms, to_ms
from monitor.records.scope import Sites, within

ANNOUNCED, WITHDRAWN, BEGUN, DROPPED = "announced", "withdrawn", "begun", "dropped"
"""What a row says of a plan. DROPPED: it was over before it could begin, or something else held longer."""

_TABLE = tables.planned_stops


@dataclass(frozen=True)
class PlanChange:
    """A planned stop was announced (in place of one that still waited, if there was one), or waits no more."""

    site: str
    fan: str
    what: str
    at: datetime
    """When that was [wall time]."""
    begins: datetime
    """When the fan will stand still [wall time] ..."""
    ends: datetime
    """... and run again."""
    by: str | None
    """Who; None: the clock."""
    why: str
    """Of an announcement: in the operator's own words."""
    action: int | None
    """Number of the action that asked for it."""

    @property
    def key(self) -> tuple[str, str]:
        """The fan it is of."""
        return self.site, self.fan


def write(connection: Connection, changes: Sequence[PlanChange]) -> None:
    """Appends changes, in the order in which they happened."""
    for change in changes:  # few, and their order is kept by their numbers
        row = {
            "site": change.site,
            "fan": change.fan,
            "what": change.what,
            "at_ms": to_ms(change.at),
            "from_ms": to_ms(change.begins),
            "until_ms": to_ms(change.ends),
            "by": change.by,
            "why": change.why,
            "action": change.action,
        }
        connection.execute(sa.insert(_TABLE).values(row))


def waiting_in(connection: Connection, sites: Sites, fan: str | None = None) -> list[PlanChange]:
    """The plans that wait for their begin, by begin.

    Parameters
    ----------
    fan : only of fans of this name; None: of all
    """
    newest = sa.select(sa.func.max(_TABLE.c.number)).group_by(_TABLE.c.site, _TABLE.c.fan)
    query = sa.select(_TABLE).where(
        _TABLE.c.number.in_(newest), _TABLE.c.what == ANNOUNCED, within(_TABLE.c.site, sites)
    )
    if fan is not None:
        query = query.where(_TABLE.c.fan == fan)
    rows = connection.execute(query.order_by(_TABLE.c.from_ms, _TABLE.c.site, _TABLE.c.fan)).mappings()
    return [_change_of(row) for row in rows]


def waiting(database: Database, sites: Sites, fan: str | None = None) -> list[dict[str, Any]]:
    """As `waiting_in`, for pages and API; each says which one it took the place of.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return [{**item_of(one), "instead_of": _before(connection, one)} for one in waiting_in(connection, sites, fan)]


def item_of(change: PlanChange) -> dict[str, Any]:
    """One plan as a plain dictionary."""
    return {
        "site": change.site,
        "fan": change.fan,
        "announced": change.at,
        "from": change.begins,
        "until": change.ends,
        "by": change.by,
        "why": change.why,
    }


def _before(connection: Connection, plan: PlanChange) -> dict[str, Any] | None:
    """The plan that still waited when this one was announced; None: none did."""
    of_fan = sa.select(_TABLE).where(_TABLE.c.site == plan.site, _TABLE.c.fan == plan.fan)
    rows = connection.execute(of_fan.order_by(_TABLE.c.number.desc()).limit(2)).mappings().all()
    return item_of(_change_of(rows[1])) if len(rows) == 2 and rows[1]["what"] == ANNOUNCED else None


def _change_of(row: Mapping[Any, Any]) -> PlanChange:
    return PlanChange(
        row["site"], row["fan"], row["what"], from_ms(row["at_ms"]), from_ms(row["from_ms"]), from_ms(row["until_ms"]),
        row["by"], row["why"], row["action"],
    )  # fmt: skip
