"""The service record: what technicians checked or changed at a fan, with date and figures.

An entry is never changed. A wrong one is withdrawn by another entry, and from then on counts for nothing; both stay to
be seen. What follows from an entry (a hand reading against the logger, what a lead rotation showed, what a re-pitch
taught) is worked out by the service and kept beside it as `found`, so that it is not worked out again otherwise later.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.blades.checks import GOOD_FOR_DAYS, SUPPLY_VOLTAGE
from monitor.motor.unbalance import unbalance_of
from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.pages import MOST, Page, key_of, page
from monitor.records.rows import from_ms, to_ms
from monitor.records.scope import Sites

CHECK, HAND_READING, RE_PITCH, LEAD_ROTATION = "check", "hand reading", "re-pitch", "lead rotation"
CLAMP_CORRECTION = "clamp correction"
NOTE, WITHDRAW = "note", "withdraw"
KINDS = (CHECK, HAND_READING, RE_PITCH, LEAD_ROTATION, CLAMP_CORRECTION, NOTE, WITHDRAW)
GOOD, FAULT_FOUND, PUT_RIGHT = "good", "fault found", "put right"
FINDINGS = (GOOD, FAULT_FOUND, PUT_RIGHT)
"""What a check can end with."""
GOOD_FOR_MS = int(timedelta(days=GOOD_FOR_DAYS).total_seconds() * 1000)
"""A check, and a technician's voltages, count for so long."""

_TABLE = tables.service_records
_WITHDRAWAL = _TABLE.alias("withdrawal")
_VERSIONS = tables.register_versions


@dataclass(frozen=True)
class Withdrawn:
    """That an entry was withdrawn."""

    number: int
    """The entry that says so."""
    entered: datetime
    by: str
    why: str


@dataclass(frozen=True)
class Entry:
    """One entry of a fan's service record."""

    number: int
    """Running number over all fans."""
    point_id: int
    kind: str
    """One of KINDS."""
    done: datetime
    """When it was done at the fan."""
    entered: datetime
    """When it was entered (wall time)."""
    by: str
    body: Mapping[str, Any]
    """What was entered, as the models in `service_entry` have it, without kind, time and name."""
    found: Mapping[str, Any] = field(default_factory=dict)
    """What was worked out from it; empty where nothing is, or nothing is yet."""
    waits: bool = False
    """Readings that say more about it may still come."""
    withdraws: int | None = None
    """Number of the entry that this one withdraws."""
    withdrawn: Withdrawn | None = None
    """None: it stands."""


@dataclass(frozen=True)
class NewEntry:
    """An entry to be stored with the next commit."""

    point_id: int
    kind: str
    done_ms: int
    entered_ms: int
    by: str
    body: Mapping[str, Any]
    found: Mapping[str, Any] = field(default_factory=dict)
    waits: bool = False
    withdraws: int | None = None
    action: int | None = None
    """Number of the operator action that asked for it."""
    pitch: tuple[float | None, int] | None = None
    """Pitch to be registered [degrees; None: not known] and since when it is true in the field [ms]; None: the
    register's stays."""
    clamps: tuple[tuple[float, ...], int] | None = None
    """Corrections of the clamps to be registered, and since when; None: the register's stay."""


@dataclass(frozen=True)
class Found:
    """What was worked out from an entry that is stored already."""

    found: Mapping[str, Any]
    """Laid over what was known."""
    waits: bool


@dataclass(frozen=True)
class Volts:
    """Line voltages that a technician measured at a running motor."""

    number: int
    """The entry they stand in."""
    done: datetime
    volts: tuple[float, float, float]
    """v12, v23, v31 [V]."""
    unbalance: float
    """[%]"""


# --- writing, within the worker's commit -----------------------------------------------------------------------


def write(connection: Connection, entries: Sequence[NewEntry], found: Mapping[int, Found]) -> None:
    """Stores entries, and what was worked out since for older ones, within a transaction of the caller's.

    A re-pitch and a clamp correction make their register version in the same transaction: neither is ever stored
    without the other.
    """
    for entry in entries:
        told = dict(entry.found)
        if entry.pitch is not None:
            told["version"] = register.put_pitch(
                connection, entry.point_id, *entry.pitch, by=entry.by, now_ms=entry.entered_ms
            )
        if entry.clamps is not None:
            told["version"] = register.put_clamps(
                connection, entry.point_id, *entry.clamps, by=entry.by, now_ms=entry.entered_ms
            )
        connection.execute(
            sa.insert(_TABLE).values(
                point_id=entry.point_id, kind=entry.kind, done_ms=entry.done_ms, entered_ms=entry.entered_ms,
                by=entry.by, body=_text(entry.body), withdraws=entry.withdraws, action=entry.action,
                found=_text(told), waits=entry.waits,
            )
        )  # fmt: skip
    for number, later in found.items():
        before = connection.execute(sa.select(_TABLE.c.found).where(_TABLE.c.number == number)).scalar()
        together = {**json.loads(before or "{}"), **later.found}
        connection.execute(
            sa.update(_TABLE).where(_TABLE.c.number == number).values(found=_text(together), waits=later.waits)
        )


def _text(value: Mapping[str, Any]) -> str:
    return json.dumps(dict(value), ensure_ascii=False, allow_nan=False)


# --- reading ---------------------------------------------------------------------------------------------------


def entries(
    database: Database, point_id: int, from_ms: int, to_ms: int, *, withdrawn: bool = False, kind: str | None = None
) -> list[Entry]:
    """Entries of a fan that were done at from < t <= to, oldest first, withdrawals themselves left out.

    Parameters
    ----------
    withdrawn : with those that were withdrawn
    kind : only those of one kind

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return entries_in(connection, point_id, from_ms, to_ms, withdrawn=withdrawn, kind=kind)


def entries_in(
    connection: Connection, point_id: int, from_ms: int, to_ms: int, *, withdrawn: bool = False, kind: str | None = None
) -> list[Entry]:
    """As `entries`, within a transaction of the caller's."""
    query = _selected().where(_TABLE.c.point_id == point_id, _TABLE.c.kind != WITHDRAW)
    query = query.where(_TABLE.c.done_ms > from_ms, _TABLE.c.done_ms <= to_ms)
    if kind is not None:
        query = query.where(_TABLE.c.kind == kind)
    if not withdrawn:
        query = query.where(_WITHDRAWAL.c.number.is_(None))
    return [_entry(row) for row in connection.execute(query.order_by(_TABLE.c.done_ms, _TABLE.c.number)).mappings()]


def last_entries(connection: Connection, point_id: int, limit: int) -> list[Entry]:
    """The last entries of a fan, newest first, withdrawn ones with them."""
    query = _selected().where(_TABLE.c.point_id == point_id, _TABLE.c.kind != WITHDRAW)
    query = query.order_by(_TABLE.c.done_ms.desc(), _TABLE.c.number.desc()).limit(limit)
    return [_entry(row) for row in connection.execute(query).mappings()]


def one(database: Database, number: int) -> Entry | None:
    """One entry by its number, withdrawn or not; None when there is none."""
    with database.read() as connection:
        row = connection.execute(_selected().where(_TABLE.c.number == number)).mappings().first()
        return None if row is None else _entry(row)


def standing(database: Database, checks_since_ms: int) -> dict[int, list[Entry]]:
    """What the estimates of all fans need, by point, oldest first: checks, hand readings and lead rotations since a
    time, all re-pitches; only what was not withdrawn.

    Raises
    ------
    LinkError : the database cannot be read
    """
    lately = sa.and_(_TABLE.c.kind.in_((CHECK, HAND_READING, LEAD_ROTATION)), _TABLE.c.done_ms > checks_since_ms)
    query = _selected().where(_WITHDRAWAL.c.number.is_(None), sa.or_(lately, _TABLE.c.kind == RE_PITCH))
    found: dict[int, list[Entry]] = {}
    with database.read() as connection:
        for row in connection.execute(query.order_by(_TABLE.c.done_ms, _TABLE.c.number)).mappings():
            found.setdefault(row["point_id"], []).append(_entry(row))
    return found


def checks_done_at(database: Database, point_id: int, at_ms: int) -> frozenset[str]:
    """Names of the checks that count as done at a time; see `checks_done`."""
    with database.read() as connection:
        done = entries_in(connection, point_id, at_ms - GOOD_FOR_MS, at_ms, kind=CHECK)
        return checks_done(done, at_ms, motor_since_ms(connection, point_id, at_ms))


def newest_checks_at(database: Database, point_id: int, at_ms: int) -> dict[str, Entry]:
    """The newest check of each name at a time; see `newest_checks`."""
    with database.read() as connection:
        done = entries_in(connection, point_id, at_ms - GOOD_FOR_MS, at_ms, kind=CHECK)
        return newest_checks(done, at_ms, motor_since_ms(connection, point_id, at_ms))


def technician_volts_at(database: Database, point_id: int, at_ms: int) -> Volts | None:
    """The technician's voltages that count at a time; see `technician_volts`."""
    with database.read() as connection:
        return technician_volts(entries_in(connection, point_id, at_ms - GOOD_FOR_MS, at_ms), at_ms)


def rotations(database: Database, point_id: int, from_ms: int, to_ms: int) -> list[Entry]:
    """Lead rotations of a fan done at from < t <= to, oldest first; `found` says what each showed."""
    return entries(database, point_id, from_ms, to_ms, kind=LEAD_ROTATION)


def re_pitches(database: Database, point_id: int, from_ms: int = -(2**62), to_ms: int = 2**62) -> list[Entry]:
    """Re-pitches of a fan done at from < t <= to, oldest first; `found` says what each taught."""
    return entries(database, point_id, from_ms, to_ms, kind=RE_PITCH)


def re_pitches_at(connection: Connection, site: str) -> dict[int, list[Entry]]:
    """Re-pitches of all fans of a site, each with the motor it has now, oldest first; fans without any are left out."""
    here = sa.select(tables.points.c.id).where(tables.points.c.site == site)
    query = _selected().where(_TABLE.c.point_id.in_(here), _TABLE.c.kind == RE_PITCH, _WITHDRAWAL.c.number.is_(None))
    found: dict[int, list[Entry]] = {}
    rows = connection.execute(query.order_by(_TABLE.c.done_ms, _TABLE.c.number)).mappings().all()
    if not rows:
        return found
    since = sa.select(_VERSIONS.c.point_id, sa.func.max(_VERSIONS.c.valid_from_ms))
    since = since.where(_VERSIONS.c.motor_changed, _VERSIONS.c.point_id.in_(here)).group_by(_VERSIONS.c.point_id)
    motor_since = {int(row[0]): int(row[1]) for row in connection.execute(since)}
    for row in rows:
        if row["done_ms"] >= motor_since.get(row["point_id"], row["done_ms"]):
            found.setdefault(row["point_id"], []).append(_entry(row))
    return found


def motor_since_ms(connection: Connection, point_id: int, at_ms: int) -> int | None:
    """Since when a fan has had the motor that it had at a time; None: since it was first registered."""
    query = sa.select(sa.func.max(_VERSIONS.c.valid_from_ms)).where(
        _VERSIONS.c.point_id == point_id, _VERSIONS.c.motor_changed, _VERSIONS.c.valid_from_ms <= at_ms
    )
    found: int | None = connection.execute(query).scalar()
    return found


def share_running(database: Database, point_id: int, from_ms: float, to_ms: float) -> float:
    """The share of a span that a fan ran in, by its stored runs; 0 to 1."""
    runs = tables.runs
    query = sa.select(runs.c.start_ms, runs.c.end_ms).where(
        runs.c.partition == tables.PARTITION, runs.c.point_id == point_id, runs.c.start_ms < to_ms,
        sa.or_(runs.c.end_ms.is_(None), runs.c.end_ms > from_ms),
    )  # fmt: skip
    with database.read() as connection:
        found = connection.execute(query).all()
    ran = sum(min(to_ms, to_ms if end is None else end) - max(from_ms, start) for start, end in found)
    return ran / (to_ms - from_ms) if to_ms > from_ms else 0.0


def page_of(
    database: Database, sites: Sites, site: str, name: str, *, limit: int = 100, after: str | None = None
) -> Page | None:
    """The service record of a fan for pages and API, newest entry first, withdrawn ones with it; None when the reader
    has no such fan.

    Raises
    ------
    ReadingError : `after` is not a token of this list
    LinkError : the database cannot be read
    """
    most = min(max(limit, 1), MOST)
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, name)
        if found is None:
            return None
        query = _selected().where(_TABLE.c.point_id == found[0].point_id, _TABLE.c.kind != WITHDRAW)
        if after is not None:
            done_ms, number = key_of(after, int, int)
            earlier = sa.and_(_TABLE.c.done_ms == done_ms, _TABLE.c.number < number)
            query = query.where(sa.or_(_TABLE.c.done_ms < done_ms, earlier))
        query = query.order_by(_TABLE.c.done_ms.desc(), _TABLE.c.number.desc()).limit(most + 1)
        kept = [_entry(row) for row in connection.execute(query).mappings()]
    return page([item_of(one) for one in kept], [[to_ms(one.done), one.number] for one in kept], most)


def number_of_action(database: Database, action: int) -> int | None:
    """The entry that an operator action has led to; None when it has not (yet)."""
    with database.read() as connection:
        query = sa.select(_TABLE.c.number).where(_TABLE.c.action == action).order_by(_TABLE.c.number.desc()).limit(1)
        found: int | None = connection.execute(query).scalar()
        return found


def entries_of_action(database: Database, action: int) -> list[Entry]:
    """What an operator action has entered, in that order: the end of a job enters several."""
    with database.read() as connection:
        query = _selected().where(_TABLE.c.action == action).order_by(_TABLE.c.number)
        return [_entry(row) for row in connection.execute(query).mappings()]


def item_of(entry: Entry) -> dict[str, Any]:
    """One entry as a plain dictionary."""
    withdrawn = entry.withdrawn
    return {
        "number": entry.number,
        "kind": entry.kind,
        "done": entry.done,
        "entered": entry.entered,
        "by": entry.by,
        "body": dict(entry.body),
        "found": dict(entry.found),
        "waits": entry.waits,
        "withdrawn": None
        if withdrawn is None
        else {
            "number": withdrawn.number,
            "entered": withdrawn.entered,
            "by": withdrawn.by,
            "why": withdrawn.why,
        },
    }


def _selected() -> sa.Select[Any]:
    """Entries, each with what withdrew it."""
    return sa.select(
        _TABLE,
        _WITHDRAWAL.c.number.label("withdrawal_number"),
        _WITHDRAWAL.c.entered_ms.label("withdrawal_ms"),
        _WITHDRAWAL.c.by.label("withdrawal_by"),
        _WITHDRAWAL.c.body.label("withdrawal_body"),
    ).select_from(_TABLE.outerjoin(_WITHDRAWAL, _WITHDRAWAL.c.withdraws == _TABLE.c.number))


def _entry(row: Mapping[Any, Any]) -> Entry:
    withdrawn = None
    if row["withdrawal_number"] is not None:
        why = msgspec.json.decode(row["withdrawal_body"]).get("why", "")
        withdrawn = Withdrawn(row["withdrawal_number"], from_ms(row["withdrawal_ms"]), row["withdrawal_by"], why)
    return Entry(
        row["number"], row["point_id"], row["kind"], from_ms(row["done_ms"]), from_ms(row["entered_ms"]), row["by"],
        msgspec.json.decode(row["body"]), msgspec.json.decode(row["found"]), row["waits"], row["withdraws"], withdrawn,
    )  # fmt: skip


# --- what entries say, without the database --------------------------------------------------------------------


def checks_done(kept: Iterable[Entry], at_ms: float, motor_since_ms: float | None = None) -> frozenset[str]:
    """Names of the checks that count as done: the newest of its name is not older than 30 days and did not end with a
    fault that is still there.

    Parameters
    ----------
    kept : entries that stand, oldest first; other kinds and later ones are left alone
    at_ms : the time asked about [ms]
    motor_since_ms : since when the fan has had this motor [ms]: what was checked on another one says nothing
    """
    newest = newest_checks(kept, at_ms, motor_since_ms)
    return frozenset(name for name, entry in newest.items() if entry.body["finding"] != FAULT_FOUND)


def newest_checks(kept: Iterable[Entry], at_ms: float, motor_since_ms: float | None = None) -> dict[str, Entry]:
    """The newest check of each name that is not older than 30 days, however it ended; parameters as `checks_done`."""
    newest: dict[str, Entry] = {}
    for entry in kept:
        done_ms = to_ms(entry.done)
        if entry.kind == CHECK and at_ms - GOOD_FOR_MS < done_ms <= at_ms and done_ms >= (motor_since_ms or done_ms):
            newest[entry.body["check"]] = entry
    return newest


def supply_put_right(entry: Entry) -> bool:
    """Whether an entry says that work was done on a fan's supply."""
    return entry.kind == CHECK and entry.body["check"] == SUPPLY_VOLTAGE.name and entry.body["finding"] == PUT_RIGHT


def technician_volts(kept: Iterable[Entry], at_ms: float) -> Volts | None:
    """The newest three line voltages that somebody measured at the running motor, not older than 30 days; of a check of
    the supply or with a hand reading.

    Parameters
    ----------
    kept : entries that stand, oldest first
    at_ms : the time asked about [ms]
    """
    newest = None
    for entry in kept:
        if entry.kind not in (CHECK, HAND_READING) or not at_ms - GOOD_FOR_MS < to_ms(entry.done) <= at_ms:
            continue
        volts = entry.body.get("volts")
        if volts is None or len(volts) != 3:
            if supply_put_right(entry):
                newest = None  # what was measured before is no longer so
            continue
        v12, v23, v31 = (float(volt) for volt in volts)
        newest = Volts(entry.number, entry.done, (v12, v23, v31), unbalance_of(v12, v23, v31))
    return newest
