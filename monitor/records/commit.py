"""One transaction for everything a batch of readings brought about.

A reading is acknowledged to the broker only after this has returned: the reading, the watch state it changed, the alarm
changes and the notices they cause are then all stored, or none of them is.
"""

from __future__ import annotations

import json
from collections import Counter, deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray
from sqlalchemy.engine import Connection

from monitor.alarms.alarm import Alarm, AlarmChange
from monitor.alarms.notice import Notice
from monitor.records import acknowledge_links, gaps, out_of_service, planned_stops, service_record, tables, tellings
from monitor.records.alarm_rows import alarm_row, change_row, notice_row
from monitor.records.database import Database, insert_many, upsert
from monitor.records.hours import write_hours
from monitor.records.jobs import JobEnd, NewJob
from monitor.records.jobs import write as write_jobs
from monitor.records.rows import FOUND, Done, FanNow, LoggerNow, Newcomer, ReadingRows, Rejected, Run, number_or_none
from monitor.records.table_parts import Scaled
from monitor.records.tables import PARTITION

MOST_NEWCOMERS = 500
"""More names than this outside the register are not kept: the one heard longest ago makes room."""
MOST_REJECTED = 2_000
"""Rejected messages that are kept, in all ..."""
MOST_REJECTED_ALIKE = 20
"""... and of one topic and reason."""
MOST_REJECT_COUNTS = 5_000
"""Rows of counts; what is over is counted under `OTHERS`, so that invented topics cannot fill the disk."""
OTHERS = "(others)"
EXCERPT_BYTES = 300
TOPIC_LETTERS = 256


@dataclass
class Batch:
    """What one commit is to store; every part may be empty."""

    readings: ReadingRows = field(default_factory=ReadingRows.none)
    hours: list[ReadingRows] = field(default_factory=list)
    """Readings of long past hours, which go to their packed hour at once: each of one hour of one point."""
    states: dict[int, tuple[int, int, bytes]] = field(default_factory=dict)
    """Point -> running number of the last reading in the watch state, format, the state's bytes."""
    gaps: list[gaps.Gap] = field(default_factory=list)
    """New ones, and ones of which more is known."""
    fan_now: list[FanNow] = field(default_factory=list)
    loggers: list[LoggerNow] = field(default_factory=list)
    """At most one for a point."""
    newcomers: list[Newcomer] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    """In the order in which they came."""
    runs: list[Run] = field(default_factory=list)
    """New ones, and ones that ended; at most one for a number."""
    alarms: list[Alarm] = field(default_factory=list)
    """As they are after the batch; at most one for a number."""
    changes: list[AlarmChange] = field(default_factory=list)
    tellings: list[tellings.Kept] = field(default_factory=list)
    """New ones, and ones of which something has become; at most one for a change and route."""
    notices: list[Notice] = field(default_factory=list)
    links_used: dict[str, tuple[int, str]] = field(default_factory=dict)
    """Id of a notice -> when its link was used to acknowledge [wall time, ms], and by whom."""
    actions_done: list[Done] = field(default_factory=list)
    estimates: dict[int, tuple[int, Mapping[str, object]]] = field(default_factory=dict)
    """Point -> wall time [ms], the estimate as JSON would have it."""
    applied: dict[tuple[int, int], int] = field(default_factory=dict)
    """(point, version) -> applies_from [ms] as the worker took it up; only ever later than what is stored."""
    service: list[service_record.NewEntry] = field(default_factory=list)
    """New entries of service records, in the order in which they were asked for."""
    service_found: dict[int, service_record.Found] = field(default_factory=dict)
    """Number of an entry -> what has been worked out from it since."""
    out_of_service: list[out_of_service.ServiceChange] = field(default_factory=list)
    """Fans and sites taken out of service, or back, in the order in which that happened."""
    planned_stops: list[planned_stops.PlanChange] = field(default_factory=list)
    """Stops that were announced to begin later, and what became of them, in the same order."""
    jobs: list[NewJob] = field(default_factory=list)
    jobs_ended: list[JobEnd] = field(default_factory=list)
    cursors: dict[str, str] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return any(len(getattr(self, name)) for name in self.__dataclass_fields__)


def commit(database: Database, batch: Batch) -> None:
    """Stores a batch in one transaction.

    Raises
    ------
    LinkError : the database is busy, full or gone, and nothing of the batch is stored: hold it and try again, unless
        the error is permanent
    """
    if not batch:
        return
    with database.begin() as connection:
        write_readings(connection, batch.readings)
        write_hours(connection, batch.hours)
        _write_states(connection, batch.states)
        gaps.write(connection, batch.gaps)
        _write_fan_now(connection, batch.fan_now)
        _write_loggers(connection, batch.loggers)
        _write_newcomers(connection, batch.newcomers)
        _write_rejected(connection, batch.rejected)
        _write_findings(connection, batch)
        service_record.write(connection, batch.service, batch.service_found)
        write_jobs(connection, batch.jobs, batch.jobs_ended)
        acknowledge_links.mark_used(connection, batch.links_used)
        out_of_service.write(connection, batch.out_of_service)
        planned_stops.write(connection, batch.planned_stops)
        _write_done(connection, batch)


# --- readings and the watch ------------------------------------------------------------------------------------

_READING_COLUMNS = tuple(column.name for column in tables.readings.columns)


def write_readings(connection: Connection, rows: ReadingRows) -> None:
    """Inserts readings at the end of the table in order of arrival."""
    if not len(rows):
        return
    insert_many(connection, tables.readings, _READING_COLUMNS, _reading_values(rows))


def _reading_values(rows: ReadingRows) -> list[tuple[Any, ...]]:
    measured = _or_null([rows.amps, rows.volts, rows.ambient_c, rows.called, np.round(rows.limit_amps, 3)])
    found = _or_null([_in_steps(name, getattr(rows, name)) for name in FOUND])
    return list(
        zip(
            rows.number.tolist(),
            rows.point_id.tolist(),
            rows.t_ms.tolist(),
            *measured,
            rows.version.tolist(),
            rows.flags.tolist(),
            *found,
            strict=True,
        )
    )


def _or_null(columns: Sequence[NDArray[Any]]) -> list[list[Any]]:
    """Each column as a list, with None for NaN."""
    values = np.column_stack(columns).astype(object)
    values[values != values] = None  # NaN is not equal to itself
    listed: list[list[Any]] = values.T.tolist()
    return listed


_GREATEST = 2.0**31 - 1


def _in_steps(name: str, values: NDArray[np.float64]) -> NDArray[Any]:
    """A column as `Scaled` keeps it: done for all rows at once, since this is written with every reading."""
    kind = tables.readings.c[name].type
    steps = kind.steps if isinstance(kind, Scaled) else 1
    whole = np.rint(np.clip(values * steps, -_GREATEST, _GREATEST)).astype(object)
    known = ~np.isnan(values)
    whole[known] = [int(value) for value in whole[known]]
    return whole


def _write_states(connection: Connection, states: Mapping[int, tuple[int, int, bytes]]) -> None:
    upsert(
        connection,
        tables.watch_states,
        [
            {"point_id": point_id, "number": number, "format": form, "state": state}
            for point_id, (number, form, state) in states.items()
        ],
    )


_MEASURES = (
    "ambient_c", "limit_amps", "load_ratio", "unbalance", "derating", "motor_heat", "device_heat", "seconds_to_trip",
)  # fmt: skip


def _write_fan_now(connection: Connection, fans: Sequence[FanNow]) -> None:
    if not fans:
        return
    seq = 1 + (connection.execute(sa.select(sa.func.max(tables.fan_now.c.seq))).scalar() or 0)
    rows = []
    for fan in fans:
        row: dict[str, Any] = {
            "point_id": fan.point_id,
            "seq": seq,
            "t_ms": fan.t_ms,
            "heard_ms": fan.heard_ms,
            "running": fan.running,
            "since_ms": fan.since_ms,
            "flags": fan.flags,
            "heat_assumed_ms": fan.heat_assumed_ms,
        }
        row |= {name: number_or_none(value) for name, value in zip(("l1", "l2", "l3"), fan.amps, strict=True)}
        row |= {name: number_or_none(value) for name, value in zip(("v12", "v23", "v31"), fan.volts, strict=True)}
        for name in _MEASURES:
            row[name] = number_or_none(getattr(fan, name))
        rows.append(row)
    upsert(connection, tables.fan_now, rows)


# --- loggers, newcomers, rejected ------------------------------------------------------------------------------


def _write_loggers(connection: Connection, loggers: Sequence[LoggerNow]) -> None:
    """Counts are added; what a row does not tell stays as it was."""
    table = tables.loggers
    told = ("newest_ms", "heard_ms", "period_seconds", "status", "status_ms")
    counts = ("readings", "late", "repeats", "unknown_keys")
    rows = []
    for logger in loggers:
        row: dict[str, Any] = {"point_id": logger.point_id, "period_seconds": number_or_none(logger.period_seconds)}
        row |= {name: getattr(logger, name) for name in (*told, *counts) if name != "period_seconds"}
        rows.append(row)
    upsert(connection, table, rows, add=counts, fill=told)


def _write_newcomers(connection: Connection, newcomers: Sequence[Newcomer]) -> None:
    if not newcomers:
        return
    table = tables.newcomers
    joined: dict[tuple[str, str], dict[str, Any]] = {}
    for one in newcomers:
        row = joined.setdefault(
            (one.site, one.name), {"site": one.site, "name": one.name, "first_heard_ms": one.heard_ms, "readings": 0}
        )
        row["readings"] += one.readings
        row["last_heard_ms"] = one.heard_ms
        row["last_reading"] = json.dumps(dict(one.last_reading), ensure_ascii=False, allow_nan=False)
    upsert(connection, table, list(joined.values()), add=("readings",), keep=("first_heard_ms",))
    present = connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
    if present > MOST_NEWCOMERS:
        oldest = sa.select(table.c.site, table.c.name).order_by(table.c.last_heard_ms, table.c.site, table.c.name)
        for site, name in connection.execute(oldest.limit(present - MOST_NEWCOMERS)).all():
            connection.execute(sa.delete(table).where(table.c.site == site, table.c.name == name))


def printable(excerpt: bytes) -> str:
    """The beginning of a payload as text that can be shown anywhere.

    >>> printable(b'{"amps":\\x00\\xff')
    '{"amps":\\ufffd\\ufffd'
    """
    text = excerpt[:EXCERPT_BYTES].decode("utf-8", "replace")
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def _write_rejected(connection: Connection, rejected: Sequence[Rejected]) -> None:
    if not rejected:
        return
    table = tables.rejected
    newest: dict[tuple[str, str], deque[Rejected]] = {}
    for one in rejected:
        kept = newest.setdefault((one.topic[:TOPIC_LETTERS], one.reason), deque(maxlen=MOST_REJECTED_ALIKE))
        kept.append(one)
    rows: list[dict[str, Any]] = [
        {
            "at_ms": one.at_ms,
            "topic": topic,
            "site": one.site,
            "name": one.name,
            "reason": reason,
            "detail": one.detail,
            "excerpt": printable(one.excerpt),
        }
        for (topic, reason), alike in newest.items()
        for one in alike
    ]
    rows.sort(key=lambda row: row["at_ms"])
    connection.execute(sa.insert(table), rows[-MOST_REJECTED:])
    for topic, reason in newest:
        alike_here = sa.and_(table.c.topic == topic, table.c.reason == reason)
        _keep_newest(connection, alike_here, MOST_REJECTED_ALIKE)
    _keep_newest(connection, sa.true(), MOST_REJECTED)
    _count_rejected(connection, rejected)


def _keep_newest(connection: Connection, which: sa.ColumnElement[bool], most: int) -> None:
    table = tables.rejected
    first_over = connection.execute(
        sa.select(table.c.number).where(which).order_by(table.c.number.desc()).offset(most).limit(1)
    ).scalar()
    if first_over is not None:
        connection.execute(sa.delete(table).where(which, table.c.number <= first_over))


def _count_rejected(connection: Connection, rejected: Sequence[Rejected]) -> None:
    table = tables.reject_counts
    counts: Counter[tuple[str, str, str]] = Counter()
    last: dict[tuple[str, str, str], int] = {}
    first: dict[tuple[str, str, str], int] = {}
    for one in rejected:
        key = (one.site or "", one.name or "", one.reason)
        counts[key] += one.count
        first.setdefault(key, one.at_ms)
        last[key] = one.at_ms
    present = connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
    rows: dict[tuple[str, str, str], dict[str, Any]] = {}
    for key, count in counts.items():
        site, name, reason = key
        if present + len(counts) > MOST_REJECT_COUNTS:
            here = sa.select(table.c.reason).where(table.c.site == site, table.c.name == name, table.c.reason == reason)
            if connection.execute(here).first() is None:
                site, name = "", OTHERS
        row = rows.setdefault(
            (site, name, reason),
            {"site": site, "name": name, "reason": reason, "count": 0, "first_ms": first[key], "last_ms": last[key]},
        )
        row["count"] += count
        row["first_ms"] = min(row["first_ms"], first[key])
        row["last_ms"] = max(row["last_ms"], last[key])
    upsert(connection, table, list(rows.values()), add=("count",), keep=("first_ms",))


# --- what was found, and what follows from it ------------------------------------------------------------------


def _write_findings(connection: Connection, batch: Batch) -> None:
    upsert(connection, tables.runs, [_run_row(run) for run in batch.runs])
    point_ids = _points_of(connection, batch.alarms)
    upsert(
        connection,
        tables.alarms,
        [alarm_row(alarm, point_ids.get((alarm.site, alarm.fan or alarm.supply or ""))) for alarm in batch.alarms],
    )
    if batch.changes:
        connection.execute(sa.insert(tables.alarm_changes), [change_row(change) for change in batch.changes])
    tellings.write(connection, batch.tellings)
    if batch.notices:
        connection.execute(sa.insert(tables.notices), [notice_row(notice) for notice in batch.notices])
    upsert(
        connection,
        tables.estimates,
        [
            {"point_id": point_id, "at_ms": at_ms, "json": json.dumps(said, ensure_ascii=False, allow_nan=False)}
            for point_id, (at_ms, said) in batch.estimates.items()
        ],
    )


def _run_row(run: Run) -> dict[str, Any]:
    return {
        "partition": PARTITION,
        "number": run.number,
        "point_id": run.point_id,
        "start_ms": run.start_ms,
        "start_seen": run.start_seen,
        "end_ms": run.end_ms,
        "end_seen": run.end_seen,
        "peak_amps": number_or_none(run.peak_amps),
        "peak_ratio": number_or_none(run.peak_ratio),
        "gap_ms": number_or_none(run.gap_ms),
        "end_cause": run.end_cause,
        "confidence": run.confidence,
        "evidence": json.dumps(list(run.evidence), ensure_ascii=False),
        "ending": None if run.ending is None else json.dumps(dict(run.ending), allow_nan=False),
    }


def _points_of(connection: Connection, alarms: Sequence[Alarm]) -> dict[tuple[str, str], int]:
    wanted = sorted({alarm.site for alarm in alarms})
    if not wanted:
        return {}
    table = tables.points
    found = connection.execute(sa.select(table.c.site, table.c.name, table.c.id).where(table.c.site.in_(wanted)))
    return {(site, name): point_id for site, name, point_id in found}


def _write_done(connection: Connection, batch: Batch) -> None:
    if batch.actions_done:
        table = tables.actions
        connection.execute(
            sa.update(table)
            .where(table.c.number == sa.bindparam("done_number"))
            .values(done_ms=sa.bindparam("done_at"), outcome=sa.bindparam("done_outcome")),
            [
                {"done_number": one.number, "done_at": one.at_ms, "done_outcome": one.outcome}
                for one in batch.actions_done
            ],
        )
        for one in batch.actions_done:
            if one.body is not None:
                body = json.dumps(dict(one.body), ensure_ascii=False, allow_nan=False)
                connection.execute(sa.update(table).where(table.c.number == one.number).values(body=body))
    versions = tables.register_versions
    for (point_id, version), applies_from_ms in batch.applied.items():
        connection.execute(
            sa.update(versions)
            .where(versions.c.point_id == point_id, versions.c.version == version)
            .where(versions.c.applies_from_ms < applies_from_ms)
            .values(applies_from_ms=applies_from_ms)
        )
    upsert(connection, tables.cursors, [{"name": name, "value": value} for name, value in batch.cursors.items()])
