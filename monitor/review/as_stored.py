"""What was stored when it happened: verdicts on runs and the life of alarms; and where a review as measured differs."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import sqlalchemy as sa

from monitor.alarms.states import State
from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.register import PointKey
from monitor.review.findings import AlarmSpell, Findings, Run, rfc3339
from monitor.review.log import Log
from monitor.review.runs import NOT_SEEN, Ran, bad_starts, open_run, peaks, rows_of, with_starts
from monitor.review.watching import Watched
from monitor.watch import ends, layout
from monitor.watch.columns import Ending
from monitor.watch.sisters import wait_seconds

_RUNS = tables.runs
_ALARMS, _CHANGES = tables.alarms, tables.alarm_changes
NOT_JUDGED_YET = "How it ended is not judged yet."
_OF_THE_SUPPLY = ("supply-lost", "site-silent")


def stored_runs(database: Database, key: PointKey, log: Log, watched: Watched) -> list[Ran]:
    """The runs that touch a log, each with the verdict and the evidence that were stored.

    A run that goes on after the log's end is one of which the log ended, whatever became of it later.
    """
    if not len(log):
        return []
    first_ms, last_ms = int(log.t_ms[0]), int(log.t_ms[-1])
    here = sa.select(_RUNS).where(_RUNS.c.point_id == key.point_id, _RUNS.c.start_ms <= last_ms)
    here = here.where(sa.or_(_RUNS.c.end_ms.is_(None), _RUNS.c.end_ms >= first_ms))
    with database.read() as connection:
        rows = connection.execute(here.order_by(_RUNS.c.start_ms)).mappings().all()
    bad = bad_starts(watched.changes)
    found: list[Ran] = []
    for row in rows:
        ended = row["end_ms"] is not None and _stop_ms(row) <= last_ms
        if ended:
            found.append(with_starts(_ended(row, log, watched), bad))
        elif watched.state[layout.RUNNING] == 1.0:
            found.append(with_starts(_goes_on(row, log, watched), bad))
    return found


def _stop_ms(row: Mapping[Any, Any]) -> float:
    told = json.loads(row["ending"]) if row["ending"] else {}
    stop = told.get("stop_ms")
    return float(row["end_ms"] if stop is None else stop)


def _ended(row: Mapping[Any, Any], log: Log, watched: Watched) -> Ran:
    ending, restart = _ending(row["ending"])
    first, last = rows_of(log, row["start_ms"], row["end_ms"])
    amps, ratio = peaks(watched, _nan(row["peak_amps"]), _nan(row["peak_ratio"]), first, last)
    evidence = tuple(json.loads(row["evidence"])) or (NOT_JUDGED_YET,)
    run = Run(
        float(row["start_ms"]), float(row["end_ms"]), row["end_cause"] or ends.CANNOT_TELL,
        row["confidence"] or ends.POSSIBLE, evidence, amps, 100.0 * ratio, True,
    )  # fmt: skip
    due_ms = ending.stop_ms + 1000.0 * wait_seconds([ending.period_seconds])
    return Ran(run, ending, first, last, due_ms, restart)


def _goes_on(row: Mapping[Any, Any], log: Log, watched: Watched) -> Ran:
    one = open_run(log, watched)
    if row["end_cause"] is None:
        return one
    later = f"Later, at {rfc3339(float(row['end_ms']))}, it ended: {row['end_cause']} ({row['confidence']})."
    return replace(one, run=replace(one.run, evidence=(NOT_SEEN, later)))


_YES_OR_NO = ("lost_phase", "device_known", "seen")


def _ending(text: str | None) -> tuple[Ending, float | None]:
    """What was known of an end, and when it ran again."""
    told = json.loads(text) if text else {}
    known: dict[str, Any] = {
        one.name: bool(told.get(one.name)) if one.name in _YES_OR_NO else _nan(told.get(one.name))
        for one in fields(Ending)
    }
    restart = told.get("restart_ms")
    return Ending(**known), None if restart is None else float(restart)


def _nan(value: Any) -> float:
    return math.nan if value is None else float(value)


# --- alarms ----------------------------------------------------------------------------------------------------


def stored_alarms(
    database: Database, key: PointKey, supply: str | None, from_ms: int, until_ms: int
) -> tuple[AlarmSpell, ...]:
    """The alarms of a fan, of its supply and of its whole site that stood within from < t <= until, by event time.

    A lost supply without a supply point is one alarm, told of the fan that lost it first: it is that of all its fans.
    """
    sisters = [
        other.name for other, version in register.fans(database, [key.site]) if version.nameplate.fan.supply == supply
    ]  # fmt: skip
    own = sa.and_(_ALARMS.c.site == key.site, _ALARMS.c.fan == key.name)
    of_site = sa.and_(_ALARMS.c.fan.is_(None), sa.or_(_ALARMS.c.supply.is_(None), _ALARMS.c.supply == supply))
    shared = sa.and_(
        _ALARMS.c.site == key.site, _ALARMS.c.condition.in_(_OF_THE_SUPPLY),
        sa.or_(of_site, _ALARMS.c.fan.in_(sisters)),
    )  # fmt: skip
    same = _CHANGES.c.partition == _ALARMS.c.partition
    query = (
        sa.select(_ALARMS.c.number, _ALARMS.c.condition, _ALARMS.c.priority, _CHANGES)
        .join(_CHANGES, sa.and_(_CHANGES.c.alarm_number == _ALARMS.c.number, same))
        .where(_ALARMS.c.partition == tables.PARTITION, sa.or_(own, shared), _CHANGES.c.at_ms <= until_ms)
        .order_by(_CHANGES.c.alarm_number, _CHANGES.c.number)
    )
    with database.read() as connection:
        changes = connection.execute(query).mappings().all()
    spells = list(_spells(changes))
    within = [one for one in spells if one.cleared_ms is None or one.cleared_ms > from_ms]
    return tuple(sorted(within, key=lambda one: (one.raised_ms, one.id)))


_STANDS = {state.value for state in State if state.stands}


def _spells(changes: Sequence[Mapping[Any, Any]]) -> Iterator[AlarmSpell]:
    """From each change that makes an alarm stand to the one after which it does not."""
    standing: AlarmSpell | None = None
    number = None
    for one in changes:
        if one["alarm_number"] != number:
            if standing is not None:
                yield standing
            number, standing = one["alarm_number"], None
        stands = one["to_state"] in _STANDS
        if stands and standing is None:
            standing = AlarmSpell(one["condition"], float(one["at_ms"]), None, one["priority"])
        elif not stands and standing is not None:
            yield replace(standing, cleared_ms=float(one["at_ms"]))
            standing = None
    if standing is not None:
        yield standing


# --- where it differs ------------------------------------------------------------------------------------------


def where_it_differs(found: Findings, runs: Sequence[Ran], alarms: Sequence[AlarmSpell], late: int) -> tuple[str, ...]:
    """In sentences, where a review as measured says something else than was stored when it happened."""
    said = [f"{late} of {len(found.log)} readings came late and were not judged when they came"] if late else []
    stored = {one.run.start_ms: one.run for one in runs}
    measured = {run.start_ms: run for run in found.runs}
    for start in sorted(stored.keys() | measured.keys()):
        then, now = stored.get(start), measured.get(start)
        if then is None and now is not None:
            said.append(f"the run from {rfc3339(start)} ({now.end_cause}) was not known when it happened")
        elif now is None and then is not None:
            said.append(f"the run from {rfc3339(start)} ({then.end_cause}), as it was judged, is part of another one")
        elif then is not None and now is not None:
            said += _two_runs(start, then, now)
    for condition in sorted({one.id for one in alarms} | {one.id for one in found.alarms}):
        before = sum(one.id == condition for one in alarms)
        after = sum(one.id == condition for one in found.alarms)
        if before != after and condition not in _BY_THE_CLOCK:
            said.append(f"{condition} was raised {_times(before)} when it happened, {_times(after)} as measured")
    return tuple(said)


_BY_THE_CLOCK = ("logger-overdue", "site-silent", "not-run", "logger-suspect", "cold-night")
"""Decided by the clock, or partly: readings alone do not bring them back."""


def _two_runs(start: float, then: Run, now: Run) -> list[str]:
    when = f"the run from {rfc3339(start)}"
    if then.end_ms != now.end_ms:
        return [f"{when} ended {rfc3339(then.end_ms)} as judged, {rfc3339(now.end_ms)} as measured"]
    if (then.end_cause, then.confidence) != (now.end_cause, now.confidence):
        before, after = f"{then.end_cause} ({then.confidence})", f"{now.end_cause} ({now.confidence})"
        return [f"{when} ended by {before} as judged, by {after} as measured"]
    return []


def _times(count: int) -> str:
    return {0: "not", 1: "once"}.get(count, f"{count} times")
