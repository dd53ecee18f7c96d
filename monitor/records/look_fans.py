"""How fans stand, for pages and API: from rows that each commit writes, never from the worker's memory."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.blades.checks import all_done
from monitor.records import planned_stops, register, service_record, tables
from monitor.records.database import Database
from monitor.records.look_alarms import standing_by_fan
from monitor.records.out_of_service import OutNow
from monitor.records.register import PointKey, Version
from monitor.records.registered import Registered, known_in
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import Sites
from monitor.records.taught import offers_to
from monitor.watch.overrides import overridden
from monitor.watch.table import BY_ID

ABOUT_TO_TRIP, OVER, NEAR, RUNNING = "about to trip", "over its limit", "near its limit", "running"
TRIPPED, STOPPED, NOT_HEARD, NO_READINGS = "tripped", "stopped", "not heard", "no readings yet"
NO_AMPS = "no usable amps"
STATES = (ABOUT_TO_TRIP, TRIPPED, OVER, NEAR, RUNNING, NO_AMPS, STOPPED, NOT_HEARD, NO_READINGS)
"""What a fan is said to be."""


def state_word(
    running: bool | None,
    load_ratio: float | None,
    standing: Sequence[str],
    conditions: Mapping[str, Mapping[str, object]],
    heard: bool,
) -> str:
    """One of STATES.

    Parameters
    ----------
    running : None where it is not known
    load_ratio : highest leg over adjusted limit; None without usable amps
    standing : ids of conditions whose alarm stands
    conditions : what its own file and its site change in the table of conditions
    heard : whether there ever was a reading
    """
    if not heard:
        return NO_READINGS
    if "logger-overdue" in standing or "site-silent" in standing:
        return NOT_HEARD
    if running is None or (running and load_ratio is None):
        return NO_AMPS
    if not running:
        return TRIPPED if "tripped" in standing else STOPPED
    if "trip-near" in standing:
        return ABOUT_TO_TRIP
    for word, condition in ((OVER, "overload"), (NEAR, "low-margin")):
        row = BY_ID[condition]
        if condition in conditions:
            row = overridden(row, conditions[condition])
        # The alarm waits for its on-delay; the page says what is so now.
        if condition in standing or (load_ratio is not None and load_ratio >= row.setpoint):
            return word
    return RUNNING


def fan(database: Database, sites: Sites, site: str, name: str) -> dict[str, Any] | None:
    """One fan: as in `fans`, with its whole estimate, nameplate and runs; None when the reader has no such fan."""
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, name)
        if found is None:
            return None
        key, version = found
        here = tables.fan_now.c.point_id == key.point_id
        now = connection.execute(sa.select(tables.fan_now).where(here)).mappings().first()
        alarms = _alarms_of(standing_by_fan(connection, [site]), key, version)
        said = _estimate(connection, key.point_id)
        pitch = None if said is None else said[1].get("pitch") or {}
        item = fan_item(key, version, now, alarms, pitch, OutNow.of(connection, [site]))
        item["nameplate"] = version.text
        item["version"] = version.version
        item["valid_from"] = version.valid_from
        item["estimate"] = None if said is None else said[1]
        item["estimate_time"] = None if said is None else from_ms(said[0])
        item["runs"] = _runs(connection, key.point_id, 20)
        _add_service(connection, key.point_id, version, item)
        corrected = register.corrected_now(connection, version)
        plans = planned_stops.waiting_in(connection, [site], name)
        item["planned_stop"] = planned_stops.item_of(plans[0]) if plans else None
        item["clamp_corrections"] = None if corrected is None else asdict(corrected)
        item["offers"] = [offer.words for offer in offers_to(connection, key, version)]
    return item


def _add_service(connection: Connection, point_id: int, version: Version, item: dict[str, Any]) -> None:
    """The last entries of the service record, and what they change of an estimate that was worked before them."""
    last = service_record.last_entries(connection, point_id, LAST_ENTRIES)
    item["service"] = [service_record.item_of(entry) for entry in last]
    at_ms = max([*(to_ms(entry.done) for entry in last), to_ms(item["heard"]) if item["heard"] else 0])
    standing = service_record.entries_in(connection, point_id, at_ms - service_record.GOOD_FOR_MS, at_ms)
    item["technician"] = service_record.technician_volts(standing, at_ms)
    done = service_record.checks_done(standing, at_ms, service_record.motor_since_ms(connection, point_id, at_ms))
    item["checks_done"] = done
    if item["estimate"] is not None:
        for check in item["estimate"].get("checks_first") or ():
            check["done"] = check["name"] in done
        if item["estimate"].get("pitch"):
            item["estimate"]["pitch"]["provisional"] = not all_done(version.nameplate.motor.phases, done)


def has_fan(database: Database, sites: Sites, site: str, name: str) -> bool:
    """Whether the reader has a fan of this name."""
    with database.read() as connection:
        return register.find_fan(connection, sites, site, name) is not None


def changed_after(
    database: Database,
    sites: Sites,
    seq: int,
    wanted: Callable[[Registered], bool] = lambda fan: True,
    also: Callable[[Registered], bool] = lambda fan: False,
) -> tuple[int, dict[int, dict[str, Any]]]:
    """Fans with news after a number by their points, in the order of lists, and the number to ask with next; 0 gives
    all that were ever heard.

    Parameters
    ----------
    wanted : whether anybody wants to hear of a fan; of the others nothing is read
    also : whether a fan that is wanted is told of without a newer reading
    """
    table = tables.fan_now.c
    with database.read() as connection:
        rows = connection.execute(sa.select(table.point_id, table.seq).where(table.seq > seq)).all()
        known, points = known_in(connection), {point for point, _ in rows}
        told = [
            fan for fan in known.of(sites) if (fan.key.point_id in points or also(fan)) and wanted(fan)
        ]  # fmt: skip
        items = items_of(connection, told)
    found = sorted(zip((fan.key.point_id for fan in told), items, strict=True), key=lambda one: order(one[1]))
    return max((row[1] for row in rows), default=seq), dict(found)


def runs(database: Database, sites: Sites, site: str, name: str, limit: int = 50) -> list[dict[str, Any]]:
    """The newest runs of a fan, newest first; empty when the reader has no such fan."""
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, name)
        return [] if found is None else _runs(connection, found[0].point_id, limit)


def _runs(connection: Connection, point_id: int, limit: int) -> list[dict[str, Any]]:
    table = tables.runs
    query = sa.select(table).where(table.c.point_id == point_id).order_by(table.c.start_ms.desc()).limit(limit)
    return [
        {
            "number": row["number"],
            "start": from_ms(row["start_ms"]),
            "start_seen": row["start_seen"],
            "end": from_ms_or_none(row["end_ms"]),
            "end_seen": row["end_seen"],
            "end_cause": row["end_cause"],
            "confidence": row["confidence"],
            "evidence": msgspec.json.decode(row["evidence"]),
            "peak_amps": row["peak_amps"],
            "peak_ratio": row["peak_ratio"],
            "gap_seconds": None if row["gap_ms"] is None else row["gap_ms"] / 1000,
        }
        for row in connection.execute(query).mappings()
    ]


LAST_ENTRIES = 20
"""So many entries of the service record come with a fan."""
SHARED = ("supply-lost", "site-silent", "cold-night")
"""Conditions of a supply point or of a whole site that tell of each of its fans."""


def _alarms_of(
    standing: Mapping[tuple[str, str], list[dict[str, Any]]], key: PointKey, version: Version
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """A fan's own alarms, and those of its supply point and of the whole site."""
    supply = version.nameplate.fan.supply
    shared = [*standing.get((key.site, ""), []), *(standing.get((key.site, supply), []) if supply else [])]
    return standing.get((key.site, key.name), []), [alarm for alarm in shared if alarm["id"] in SHARED]


def _estimate(connection: Connection, point_id: int) -> tuple[int, dict[str, Any]] | None:
    table = tables.estimates
    row = connection.execute(sa.select(table).where(table.c.point_id == point_id)).mappings().first()
    return None if row is None else (row["at_ms"], msgspec.json.decode(row["json"]))


class _Pitch(msgspec.Struct):
    """What lists tell of an estimate: the rest of its JSON, by far the most, is skipped without being built."""

    as_is: Any = None
    as_is_why: Any = None
    supply_right: Any = None
    supply_right_why: Any = None
    provisional: Any = None


class _Said(msgspec.Struct):
    pitch: _Pitch | None = None


_SUMMARY = _Pitch.__struct_fields__
_read_said = msgspec.json.Decoder(_Said).decode


def _summaries(connection: Connection, points: Collection[int]) -> dict[int, dict[str, Any]]:
    table = tables.estimates.c
    found = connection.execute(sa.select(table.point_id, table.json).where(table.point_id.in_(points)))
    return {point: msgspec.structs.asdict(_read_said(text).pitch or _Pitch()) for point, text in found}


def items_of(connection: Connection, fans: Sequence[Registered]) -> list[dict[str, Any]]:
    """These fans as `fan_item` gives them, in their order; of the other fans nothing is read."""
    if not fans:
        return []
    points = [fan.key.point_id for fan in fans]
    sites = {fan.key.site for fan in fans}
    rows = connection.execute(sa.select(tables.fan_now).where(tables.fan_now.c.point_id.in_(points))).mappings()
    now = {row["point_id"]: row for row in rows}
    standing = standing_by_fan(connection, sites, points)
    said = _summaries(connection, points)
    out = OutNow.of(connection, sites)
    return [
        fan_item(
            fan.key, fan.version, now.get(fan.key.point_id), _alarms_of(standing, fan.key, fan.version),
            said.get(fan.key.point_id), out,
        )
        for fan in fans
    ]  # fmt: skip


def fan_item(
    key: PointKey,
    version: Version,
    now: Mapping[Any, Any] | None,
    alarms: tuple[list[dict[str, Any]], list[dict[str, Any]]],
    pitch: Mapping[str, Any] | None,
    out: OutNow,
) -> dict[str, Any]:
    """One fan as a plain dictionary; what is not known is None.

    Parameters
    ----------
    alarms : its own, and those of its supply point or of the whole site that tell of it too
    pitch : `pitch` of its estimate, or what lists tell of it; None: there is no estimate
    out : what is out of service
    """
    own, shared = alarms
    plate = version.nameplate
    legs = 3 if plate.motor.phases == 3 else 1
    row: Mapping[Any, Any] = now or {}
    amps = [row.get(name) for name in ("l1", "l2", "l3")][:legs]
    highest = max((value for value in amps if value is not None), default=None)
    limit = row.get("limit_amps")
    running = row.get("running")
    ratio = row.get("load_ratio") if running else None
    margin = None if ratio is None else 1 - ratio
    standing = [alarm["id"] for alarm in (*own, *shared) if alarm["standing"]]
    return {
        "site": key.site,
        "fan": key.name,
        "state": state_word(running, ratio, standing, version.in_force.conditions, now is not None),
        "load_ratio": ratio,
        "margin": margin,
        "limit_amps": limit,
        "highest_leg_amps": highest,
        "seconds_to_trip": row.get("seconds_to_trip") if running else None,
        "images": {
            "motor": row.get("motor_heat"),
            "device": row.get("device_heat"),
            "assumed": from_ms_or_none(row.get("heat_assumed_ms")),
        },
        "alarms": own,
        "shared_alarms": shared,
        "out_of_service": out.fan(key.site, key.name),
        "running": running,
        "since": from_ms_or_none(row.get("since_ms")),
        "time": from_ms_or_none(row.get("t_ms")),
        "heard": from_ms_or_none(row.get("heard_ms")),
        "amps": amps,
        "volts": [row.get(name) for name in ("v12", "v23", "v31")][:legs],
        "volts_from_supply": bool(row.get("flags", 0) & tables.FLAG_SUPPLY_VOLTS),
        "ambient_c": row.get("ambient_c"),
        "unbalance_percent": row.get("unbalance"),
        "derating": row.get("derating"),
        "full_load_amps": plate.motor.full_load_amps,
        "percent_of_full_load": None if highest is None else 100 * highest / plate.motor.full_load_amps,
        "phases": plate.motor.phases,
        "control": plate.fan.control,
        "supply": plate.fan.supply,
        "plenum": plate.fan.plenum,
        "pitch_degrees": plate.fan.blade_pitch_degrees,
        "estimate": None if pitch is None else {name: pitch.get(name) for name in _SUMMARY},
        "seq": row.get("seq", 0),
    }


_RANKS = {
    ABOUT_TO_TRIP: 0, TRIPPED: 1, OVER: 2, NEAR: 2, RUNNING: 2, NO_AMPS: 3, STOPPED: 4, NOT_HEARD: 5, NO_READINGS: 6,
}  # fmt: skip
_HAVE_MARGIN = (ABOUT_TO_TRIP, OVER, NEAR, RUNNING)


def order(item: Mapping[str, Any]) -> tuple[int, float, str, str]:
    """Where a fan stands in a list: what is about to trip or has tripped, then least margin, then what stands, then
    what is not heard.

    Parameters
    ----------
    item : a fan with at least `state`, `margin`, `site` and `fan`
    """
    return place(item["state"], item["margin"], item["site"], item["fan"])


def place(state: str, margin: float | None, site: str, fan: str) -> tuple[int, float, str, str]:
    """As `order`, of figures that are not in an item."""
    known = math.inf if margin is None or state not in _HAVE_MARGIN else float(margin)
    return _RANKS[state], known, site, fan
