"""What is out of service, a fan or a whole site, until when and why: a row for each change, none is ever altered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.rows import from_ms, from_ms_or_none, to_ms, to_ms_or_none
from monitor.records.scope import ALL, Sites, within

REMOVED, RETURNED, TIME_UP = "removed", "returned", "time up"

_TABLE = tables.out_of_service


@dataclass(frozen=True)
class ServiceChange:
    """A fan or a site was removed from service, or is back in it. All times are wall time."""

    site: str
    fan: str | None
    """None: the whole site with all its fans, those that are added later among them."""
    what: str
    """REMOVED, RETURNED (by somebody) or TIME_UP."""
    at: datetime
    until: datetime | None
    """Of what was removed: the return date; None: until somebody returns it."""
    by: str | None
    """Who; None: the clock."""
    why: str
    """In the operator's own words."""
    action: int | None
    """Number of the action that asked for it."""

    @property
    def key(self) -> tuple[str, str | None]:
        """What it is about."""
        return self.site, self.fan


def write(connection: Connection, changes: Sequence[ServiceChange]) -> None:
    """Appends changes, in the order in which they happened."""
    for change in changes:  # few, and their order is kept by their numbers
        row = {
            "site": change.site,
            "fan": change.fan,
            "what": change.what,
            "at_ms": to_ms(change.at),
            "until_ms": to_ms_or_none(change.until),
            "by": change.by,
            "why": change.why,
            "action": change.action,
        }
        connection.execute(sa.insert(_TABLE).values(row))


def last(database: Database) -> list[ServiceChange]:
    """The newest change of each fan and site that ever was out of service."""
    with database.read() as connection:
        return last_in(connection, ALL)


def last_in(connection: Connection, sites: Sites) -> list[ServiceChange]:
    """The same for some sites, within a transaction of the caller's."""
    newest = sa.select(sa.func.max(_TABLE.c.number)).group_by(_TABLE.c.site, _TABLE.c.fan)
    query = sa.select(_TABLE).where(_TABLE.c.number.in_(newest), within(_TABLE.c.site, sites))
    return [_change_of(row) for row in connection.execute(query.order_by(_TABLE.c.number)).mappings()]


class OutNow:
    """What is out of service now, for pages and API."""

    def __init__(self, changes: Sequence[ServiceChange]) -> None:
        """
        Parameters
        ----------
        changes : the newest of each fan and site
        """
        self._removed = {change.key: change for change in changes if change.what == REMOVED}

    @classmethod
    def of(cls, connection: Connection, sites: Sites) -> OutNow:
        """As stored."""
        return cls(last_in(connection, sites))

    def fan(self, site: str, fan: str) -> dict[str, Any] | None:
        """How a fan is out of service, by itself or with its site, whichever lasts longer; None: it is in service."""
        return _item(longest(self._removed.get((site, fan)), self._removed.get((site, None))))

    def has(self, site: str, fan: str) -> bool:
        """Whether a fan is out of service, by itself or with its site."""
        return bool(self._removed) and ((site, fan) in self._removed or (site, None) in self._removed)

    def site(self, site: str) -> dict[str, Any] | None:
        """How a whole site is out of service."""
        return _item(self._removed.get((site, None)))

    def all(self) -> list[dict[str, Any]]:
        """Each with its site and fan, sites before fans."""
        changes = sorted(self._removed.values(), key=lambda one: (one.site, one.fan or ""))
        return [{"site": one.site, "fan": one.fan, **(_item(one) or {})} for one in changes]


def longest(one: ServiceChange | None, other: ServiceChange | None) -> ServiceChange | None:
    """Of two removals that hold for a fan the one that lasts longer."""
    if one is None or other is None:
        return one or other
    if one.until is None or other.until is None:
        return one if one.until is None else other
    return one if one.until >= other.until else other


def _item(change: ServiceChange | None) -> dict[str, Any] | None:
    if change is None:
        return None
    return {
        "since": change.at,
        "until": change.until,
        "by": change.by,
        "why": change.why,
        "whole_site": change.fan is None,
    }


def _change_of(row: Mapping[Any, Any]) -> ServiceChange:
    return ServiceChange(
        row["site"], row["fan"], row["what"], from_ms(row["at_ms"]), from_ms_or_none(row["until_ms"]), row["by"],
        row["why"], row["action"],
    )  # fmt: skip
