"""The rows of a night, for the page This morning: alarms that stood in it, how often they came, runs that ended in it.

Everything is asked for by site and time through an index: a night of 2,000 fans is read in a moment, however many
seasons are stored.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.states import Cause, State
from monitor.records import tables
from monitor.records.look_alarms import alarm_item
from monitor.records.rows import Run, from_ms, run_of, to_ms

BEGAN_BEFORE = timedelta(days=3)
"""An alarm that is over counts as the night's where it went in the night and was raised at most so long before."""
_AT_ONCE = 900
"""Names in one query: less than what any SQLite takes."""
_OPEN = [state.value for state in State if state is not State.NORMAL]
_BEGINS = (Cause.RAISED.value,)
_ENDS = (Cause.RETURNED.value, Cause.RETURNED_LATCHED.value, Cause.NO_LONGER_WATCHED.value)


def _parts(values: Iterable[Any]) -> Iterator[list[Any]]:
    whole = list(values)
    return (whole[first : first + _AT_ONCE] for first in range(0, len(whole), _AT_ONCE))


@dataclass(frozen=True)
class Spell:
    """Once that a condition held."""

    since: datetime
    until: datetime | None
    """None: it holds."""


def alarms_of(connection: Connection, since: Mapping[str, datetime]) -> list[dict[str, Any]]:
    """Alarms that stand, that nobody acknowledged, or that stood at some time after `since` of their site: oldest
    first, each as `look.alarms` gives it.

    Parameters
    ----------
    since : site -> when its night began
    """
    table = tables.alarms
    found: dict[int, dict[str, Any]] = {}
    for some in _parts(sorted(since)):
        first_ms = to_ms(min(since[site] for site in some))
        # A site is of one partition. Asked for that too, SQLite goes by it through all seasons, not by site and time.
        here = sa.and_(table.c.site.in_(some), table.c["count"] > 0)
        stood = sa.or_(table.c.raised_ms > first_ms, table.c.cleared_ms > first_ms)
        recent = sa.and_(table.c.raised_ms > first_ms - round(BEGAN_BEFORE.total_seconds() * 1000), stood)
        for condition in (table.c.state.in_(_OPEN), recent):
            for row in connection.execute(sa.select(table).where(here, condition)).mappings():
                found[row["number"]] = alarm_item(row)
    return [
        one for _, one in sorted(found.items())
        if one["state"] in _OPEN or max(one["raised"], one["cleared"] or one["raised"]) > since[one["site"]]
    ]  # fmt: skip


def spells_of(connection: Connection, alarms: Sequence[Mapping[str, Any]]) -> dict[int, list[Spell]]:
    """Number of each alarm -> when its condition held, oldest first. An alarm that came again before anybody had
    acknowledged it is one alarm of several spells."""
    changes = tables.alarm_changes
    found: dict[int, list[list[datetime | None]]] = {one["number"]: [] for one in alarms}
    for some in _parts(found):
        query = (
            sa.select(changes.c.alarm_number, changes.c.cause, changes.c.at_ms)
            .where(
                changes.c.partition == tables.PARTITION, changes.c.alarm_number.in_(some),
                changes.c.cause.in_([*_BEGINS, *_ENDS]),
            )
            .order_by(changes.c.number)
        )  # fmt: skip
        for number, cause, at_ms in connection.execute(query):
            spells = found[number]
            if cause in _BEGINS:
                spells.append([from_ms(at_ms), None])
            elif spells and spells[-1][1] is None:
                spells[-1][1] = from_ms(at_ms)
    told = {}
    for alarm in alarms:
        spells = found[alarm["number"]] or [[alarm["since"], None]]
        # A change tells when the on-delay was over; of the last spell it is known when it began.
        spells[-1] = [alarm["since"], alarm["cleared"]]
        told[alarm["number"]] = [Spell(first, last) for first, last in spells if first is not None]
    return told


def runs_of(connection: Connection, points: Collection[int], since_ms: int) -> dict[int, list[Run]]:
    """Point -> its runs that began after a time, and the last one before it, newest first."""
    runs = tables.runs
    found: dict[int, list[Run]] = {point: [] for point in points}
    for some in _parts(sorted(points)):
        newer = sa.select(runs).where(runs.c.point_id.in_(some), runs.c.start_ms > since_ms)
        before = runs.alias("before")
        last = (
            sa.select(before.c.number)
            .where(before.c.point_id == tables.points.c.id, before.c.start_ms <= since_ms)
            .order_by(before.c.start_ms.desc())
            .limit(1)
            .scalar_subquery()
        )
        numbers = sa.select(last).where(tables.points.c.id.in_(some))
        older = sa.select(runs).where(runs.c.partition == tables.PARTITION, runs.c.number.in_(numbers))
        for row in (*connection.execute(newer).mappings(), *connection.execute(older).mappings()):
            found[row["point_id"]].append(run_of(row))
    for one in found.values():
        one.sort(key=lambda run: -run.start_ms)
    return found


def periods_of(connection: Connection) -> dict[int, tuple[int | None, float | None, str | None]]:
    """Point -> time of its newest reading as last counted, its logger's period [s], and what the logger said of itself
    ("online", "offline")."""
    table = tables.loggers
    query = sa.select(table.c.point_id, table.c.newest_ms, table.c.period_seconds, table.c.status)
    return {point: (newest, period, status) for point, newest, period, status in connection.execute(query)}


def states_of(connection: Connection) -> dict[int, tuple[int, float | None, bool | None, int | None]]:
    """Point -> time of the newest reading [ms], load ratio, whether it runs, since when [ms]: of all fans, so no more
    of each than what picks the few that are told."""
    table = tables.fan_now
    query = sa.select(table.c.point_id, table.c.t_ms, table.c.load_ratio, table.c.running, table.c.since_ms)
    return {row[0]: (row[1], row[2], row[3], row[4]) for row in connection.execute(query)}


def now_of(connection: Connection, points: Collection[int]) -> dict[int, Mapping[Any, Any]]:
    """Point -> its whole row of `fan_now`."""
    table = tables.fan_now
    found: dict[int, Mapping[Any, Any]] = {}
    for some in _parts(sorted(points)):
        for row in connection.execute(sa.select(table).where(table.c.point_id.in_(some))).mappings():
            found[row["point_id"]] = row
    return found
