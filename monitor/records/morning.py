"""What a night came to at all sites of a reader, for the page This morning: read in one transaction, worked out once.

Everything is picked from what commits wrote. Of all fans only the few figures are read that say which of them are to be
told, so that 2,000 fans cost little more than 50.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.blades.inserts import Angle, Wanted, add_up
from monitor.records import morning_rows as rows
from monitor.records import tables
from monitor.records.database import Database
from monitor.records.jobs import Job, open_in
from monitor.records.look_fans import items_of
from monitor.records.morning_other import Failed, LoggerVisit, failed, held_back, loggers
from monitor.records.morning_stops import AWAY_ALARMS, STOP_ALARMS, TRIP_ALARMS, Fan, Stop, aways_of, concerned, stops
from monitor.records.morning_supply import KINDS, SupplyFault, faults, supplies_of
from monitor.records.out_of_service import OutNow
from monitor.records.register import Site
from monitor.records.registered import known_in
from monitor.records.rows import from_ms_or_none, to_ms
from monitor.records.scope import Sites, allows

EVENING = time(17)
"""Since this hour of the day before the desk has not looked."""
NEAR = 0.95
"""From this share of its limit on a fan is told; so is the alarm `low-margin` raised."""
LEAST = 5
"""So many fans with the least margin are told in any case."""
MOST = 100
"""And at most so many."""
LOAD_ALARMS = ("trip-near", "overload", "device-margin", "low-margin")
_ELSEWHERE = (*LOAD_ALARMS, *TRIP_ALARMS, *STOP_ALARMS, *AWAY_ALARMS, *KINDS, "logger-overdue", "logger-suspect",
              "cold-night")  # fmt: skip
"""Conditions that have a list of their own, and the night's outlook, which is over."""


@dataclass(frozen=True)
class Place:
    """A site of the reader."""

    site: Site
    since: datetime
    """When its night began."""
    fans: int
    """In the register."""
    running: int
    still: int
    silent: int
    """Not heard, or never."""
    out: bool
    """The whole site is out of service."""


@dataclass(frozen=True)
class Morning:
    """All of it."""

    at: datetime
    places: tuple[Place, ...]
    """By site."""
    stops: tuple[Stop, ...]
    margins: tuple[Mapping[str, Any], ...]
    """Running fans with the least margin, least first, as `look.fans` gives them."""
    faults: tuple[SupplyFault, ...]
    loggers: tuple[LoggerVisit, ...]
    others: tuple[Mapping[str, Any], ...]
    """What else stands and nobody holds back, the most pressing first, as `look.alarms` gives it."""
    out: tuple[Mapping[str, Any], ...]
    """What is out of service, each with its site and fan."""
    held: tuple[Mapping[str, Any], ...]
    """Alarms that somebody shelved, stops that somebody announced."""
    failed: tuple[Failed, ...]
    jobs: tuple[Job, ...]
    """Open job sheets, oldest first."""
    inserts: tuple[Angle, ...]
    """What those need; fans as "site/fan"."""


def evening(site: Site, now: datetime, day: date | None = None) -> datetime:
    """17:00 of the day before by the site's clock, or of a given day, as UTC.

    >>> meadow = Site("meadow", "", "America/Chicago", 0.0, "us", "17:00")
    >>> evening(meadow, datetime(2026, 10, 5, 11, 30, tzinfo=UTC)).isoformat()
    '2026-10-04T22:00:00+00:00'
    """
    try:
        zone = ZoneInfo(site.time_zone)
    except (KeyError, ValueError, OSError):  # a zone that this machine does not know
        zone = ZoneInfo("UTC")
    day = now.astimezone(zone).date() - timedelta(days=1) if day is None else day
    return datetime.combine(day, EVENING, zone).astimezone(UTC)


def morning(database: Database, sites: Sites, now: datetime, *, since: datetime | date | None = None) -> Morning:
    """What the night came to.

    Parameters
    ----------
    since : a moment; or a day, and then 17:00 of it by each site's clock; None: 17:00 of yesterday

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        known = {name: site for name, site in known_in(connection).sites.items() if allows(sites, name)}
        begins = {
            name: since.astimezone(UTC) if isinstance(since, datetime) else evening(site, now, since)
            for name, site in known.items()
        }
        return _morning(connection, known, begins, now)


def _morning(
    connection: Connection, known: Mapping[str, Site], since: Mapping[str, datetime], now: datetime
) -> Morning:
    mine = frozenset(known)
    alarms = rows.alarms_of(connection, since)
    spelled = [one for one in alarms if one["id"] in (*AWAY_ALARMS, *KINDS, "logger-overdue")]
    spells = rows.spells_of(connection, spelled)
    out, loggers_known = OutNow.of(connection, mine), rows.periods_of(connection)
    fans = _fans(connection, mine, alarms, loggers_known, out)
    aways = aways_of(alarms, spells, fans, since)
    points = concerned(fans, alarms, aways)
    runs = rows.runs_of(connection, points, to_ms(min(since.values(), default=now)))
    near = _near(fans, alarms)
    now_rows = rows.now_of(connection, supplies_of(fans, alarms))
    sheets = open_in(connection, mine)
    by_site: dict[str, list[Fan]] = {}
    for fan in fans:
        by_site.setdefault(fan.key.site, []).append(fan)
    return Morning(
        at=now,
        places=tuple(_place(site, since[site.site], by_site.get(site.site, []), out) for site in known.values()),
        stops=tuple(stops(fans, alarms, runs, aways, since)),
        margins=tuple(items_of(connection, [fan.registered for fan in near])),
        faults=tuple(faults(fans, alarms, spells, now_rows, since, now)),
        loggers=tuple(loggers(fans, alarms, spells, loggers_known, _points(connection, mine), since)),
        others=tuple(_others(alarms, out)),
        out=tuple(out.all()),
        held=tuple(held_back(connection, mine, now)),
        failed=tuple(failed(connection, mine, since, now)),
        jobs=tuple(sheets),
        inserts=add_up(_wanted(sheets, fans)),
    )


def _wanted(sheets: Sequence[Job], fans: Sequence[Fan]) -> list[Wanted]:
    """The inserts of each sheet; blades that were registered after it was opened count as well."""
    blades = {(fan.key.site, fan.key.name): fan.registered.nameplate.fan.blades for fan in fans}
    return [
        Wanted(f"{job.site}/{job.fan}", job.pitch_to, job.inserts or blades.get((job.site, job.fan)))
        for job in sheets
        if job.pitch_to is not None
    ]


def _fans(
    connection: Connection, sites: frozenset[str], alarms: Sequence[Mapping[str, Any]],
    known: Mapping[int, tuple[int | None, float | None, str | None]], out: OutNow,
) -> list[Fan]:  # fmt: skip
    states = rows.states_of(connection)
    quiet = {
        (one["site"], one["fan"], one["supply"], one["id"]) for one in alarms
        if one["standing"] and one["id"] in ("logger-overdue", "site-silent")
    }  # fmt: skip
    found = []
    for one in known_in(connection).of(sites):
        key, supply = one.key, one.nameplate.fan.supply
        t_ms, ratio, running, since_ms = states.get(key.point_id, (None, None, None, None))
        silent = {
            (key.site, key.name, None, "logger-overdue"), (key.site, None, None, "site-silent"),
            *([(key.site, None, supply, "site-silent")] if supply else []),
        }  # fmt: skip
        found.append(
            Fan(
                one, running, from_ms_or_none(since_ms), t_ms is not None and not silent & quiet,
                from_ms_or_none(t_ms), ratio, known.get(key.point_id, (None, None, None))[1],
                out.fan(key.site, key.name),
            )
        )  # fmt: skip
    return found


def _place(site: Site, since: datetime, here: Sequence[Fan], out: OutNow) -> Place:
    return Place(
        site, since, len(here), sum(fan.heard and fan.running is True for fan in here),
        sum(fan.heard and fan.running is False for fan in here), sum(not fan.heard for fan in here),
        out.site(site.site) is not None,
    )  # fmt: skip


def _near(fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]]) -> list[Fan]:
    """Running fans that are heard and in service: those near or over their limit, and the next few."""
    told = {(one["site"], one["fan"]) for one in alarms if one["standing"] and one["id"] in LOAD_ALARMS}
    run = [fan for fan in fans if fan.running and fan.heard and fan.out is None and fan.load_ratio is not None]
    run.sort(key=lambda fan: (-(fan.load_ratio or 0.0), fan.key.site, fan.key.name))
    chosen = [
        fan for place, fan in enumerate(run)
        if place < LEAST or (fan.load_ratio or 0.0) >= NEAR or (fan.key.site, fan.key.name) in told
    ]  # fmt: skip
    return chosen[:MOST]


def _others(alarms: Sequence[Mapping[str, Any]], out: OutNow) -> list[Mapping[str, Any]]:
    found = [
        one for one in alarms
        if one["standing"] and one["id"] not in _ELSEWHERE and one["suppression"] is None
        and (one["fan"] is None or out.fan(one["site"], one["fan"]) is None)
    ]  # fmt: skip
    order = ("highest", "high", "medium", "low")
    return sorted(found, key=lambda one: (order.index(one["priority"]), one["site"], one["number"]))


def _points(connection: Connection, sites: frozenset[str]) -> dict[tuple[str, str], int]:
    table = tables.points
    query = sa.select(table.c.site, table.c.name, table.c.id).where(table.c.site.in_(sorted(sites)))
    return {(site, name): number for site, name, number in connection.execute(query)}


__all__ = ["EVENING", "Morning", "Place", "evening", "morning"]
