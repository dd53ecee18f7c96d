"""What follows from an entry of the service record: voltages, a hand reading against the logger, leads that were
rotated, what a re-pitch taught."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import timedelta
from typing import Any

import numpy as np

from monitor.blades.learning import (
    LEAST_SECONDS,
    LOOK_MS,
    Lesson,
    PowerFigures,
    Repitch,
    learn,
    power_after,
    power_before,
    settled_rows,
)
from monitor.motor import clamps, hand_reading, lead_rotation
from monitor.motor.nameplate import Nameplate
from monitor.motor.unbalance import unbalance_of
from monitor.records import readings, register, service_record
from monitor.records.database import Database
from monitor.records.replay import applied, resolved
from monitor.records.rows import to_ms
from monitor.records.service_record import CHECK, HAND_READING, LEAD_ROTATION, RE_PITCH, Entry, Found
from monitor.records.taught import figures_of, repitch_of
from monitor.watch.limits import RUNNING_SHARE

MINUTE_MS = 60_000
"""A hand reading is compared with the logger's readings so long before and after it."""
LOST_SHARE = 0.03
"""So much less voltage at the motor than at the service is told (common practice: 3 % for a branch circuit, as the
National Electrical Code recommends in an informational note to 210.19)."""
SPANS_MS = (3 * 3_600_000, 12 * 3_600_000, int(LOOK_MS))
"""Half an hour of running is looked for in the shortest of these that holds it."""
GIVE_UP = timedelta(days=30)
"""An entry waits no longer than this for readings that came late."""


def at_once(kind: str, body: Mapping[str, Any]) -> dict[str, Any]:
    """What an entry says by itself, without the logger; empty where that is nothing."""
    if kind == CHECK and (body.get("volts") or body.get("volts_at_service")):
        return _volts(body)
    if kind == LEAD_ROTATION:
        shown = lead_rotation.judge(body["amps_before"], body["amps_after"], body["way"])
        return {
            "stays_with": shown.stays_with,
            "supply_amps": shown.supply_amps,
            "motor_amps": shown.motor_amps,
            "words": [shown.words],
        }
    return {}


def waits_for_readings(kind: str) -> bool:
    """Whether readings are needed to say what follows from it."""
    return kind in (HAND_READING, RE_PITCH)


def _volts(body: Mapping[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    words = []
    means = {}
    for key, where in (("volts", "at the motor"), ("volts_at_service", "at the service")):
        volts = body.get(key)
        if not volts:
            continue
        means[key] = sum(volts) / len(volts)
        told = f"{where} {means[key]:.0f} V"
        if len(volts) == 3:
            unbalance = unbalance_of(*volts)
            told += f", {unbalance:.1f} % unbalance"
            found["unbalance_percent" if key == "volts" else "unbalance_percent_at_service"] = unbalance
        words.append(told)
    if len(means) == 2:
        lost = 1.0 - means["volts"] / means["volts_at_service"]
        found["lost_percent"] = 100.0 * lost
        if lost > LOST_SHARE:
            words.append(
                f"{100.0 * lost:.1f} % are lost on the way: a connection, a contact, a fuse clip or a long run"
            )
    return {**found, "words": words}


# --- hand readings ---------------------------------------------------------------------------------------------


def hand_reading_found(
    database: Database, nameplate: Nameplate, entry: Entry, before: Iterable[Entry], newest_ms: float
) -> Found:
    """A hand reading beside what the logger had at that minute, and which clamp's correction is offered.

    Parameters
    ----------
    before : the fan's entries so far; its hand readings say whether a difference comes back
    newest_ms : time of the fan's newest reading [ms]

    Raises
    ------
    LinkError : the database cannot be read
    """
    done_ms = to_ms(entry.done)
    rows = readings.window(database, entry.point_id, done_ms - MINUTE_MS - 1, done_ms + MINUTE_MS)
    versions = resolved(register.versions(database, entry.point_id))
    compared = hand_reading.compare(tuple(entry.body["amps"]), rows["amps"])
    # What is offered corrects what is sent, whatever was made of it meanwhile.
    sent = clamps.sent(rows["amps"], applied(versions, rows["version"]))
    as_sent = hand_reading.compare(tuple(entry.body["amps"]), sent)
    more_may_come = not newest_ms > done_ms + MINUTE_MS
    if compared is None or as_sent is None:
        return Found({"words": ["the logger has nothing within a minute of it (yet)"]}, waits=True)
    earlier = [
        known
        for known in (_compared(one) for one in before if one.kind == HAND_READING and one.number != entry.number)
        if known is not None
    ]
    offered = hand_reading.offers([*earlier, as_sent], nameplate.logger)
    volts = [_mean(rows["volts"][:, line]) for line in range(len(compared.hand))]
    found = {
        "logger": {
            "amps": list(compared.logger),
            "sent": list(as_sent.logger),
            "volts": volts,
            "readings": compared.readings,
        },
        "wander": compared.wander,
        "differences_amps": list(compared.differences),
        "offers": [asdict(one) for one in offered],
        "words": [_differences(compared), *(one.words for one in offered)],
    }
    return Found(found, waits=more_may_come)


def _compared(entry: Entry) -> hand_reading.Compared | None:
    """A hand reading of before, beside what the logger had sent then."""
    logger = entry.found.get("logger")
    if logger is None or len(logger["amps"]) != len(entry.body["amps"]):
        return None
    return hand_reading.Compared(
        tuple(entry.body["amps"]),
        tuple(logger.get("sent") or logger["amps"]),
        logger["readings"],
        entry.found["wander"],
    )


def _differences(compared: hand_reading.Compared) -> str:
    told = ", ".join(
        "no reading" if amps is None else f"{amps:+.1f} A".replace("-", "\u2212") for amps in compared.differences
    )
    return f"hand meter less logger: {told}"


def _mean(column: Any) -> float | None:
    known = column[~np.isnan(column)]
    return float(known.mean()) if len(known) else None


# --- re-pitches ------------------------------------------------------------------------------------------------


def re_pitch_found(
    database: Database,
    nameplate: Nameplate,
    entry: Entry,
    before: Sequence[Entry],
    plenum: Sequence[int],
    newest_ms: float,
) -> Found:
    """What half an hour of running before a re-pitch and half an hour after it show of the worth of a degree.

    Parameters
    ----------
    before : the fan's re-pitches with this motor
    plenum : points of the other fans of its plenum
    newest_ms : time of the fan's newest reading [ms]

    Raises
    ------
    LinkError : the database cannot be read
    """
    done_ms = to_ms(entry.done)
    known = figures_of(entry.found.get("before"))
    enough = known is not None and known.seconds >= LEAST_SECONDS
    first = known if enough else _half_hour(database, nameplate, entry, -1, newest_ms)
    second = _half_hour(database, nameplate, entry, +1, newest_ms)
    changed = first is not None and second is not None and _plenum_changed(database, plenum, first, second)
    found: dict[str, Any] = {
        "before": None if first is None else asdict(first),
        "after": None if second is None else asdict(second),
        "other_fan_of_plenum_changed": changed,
    }
    repitch = Repitch(float(done_ms), entry.body["from"], entry.body["to"], changed, first, second)
    others = [repitch_of(one) for one in before if one.number != entry.number]
    learned = learn(nameplate.motor, nameplate.fan, [*others, repitch])
    lesson = next(one for one in learned.lessons if one.repitch is repitch)
    waits = (second is None or second.seconds < LEAST_SECONDS) and not newest_ms > done_ms + LOOK_MS
    return Found(found | _lesson(lesson), waits)


def _lesson(lesson: Lesson) -> dict[str, Any]:
    return {
        "predicted_amps": lesson.predicted,
        "predicted_low_amps": lesson.predicted_low,
        "predicted_high_amps": lesson.predicted_high,
        "found_amps": lesson.found,
        "share_a_degree": lesson.slope,
        "learned": lesson.used,
        "why_not": lesson.why_not,
        "words": [lesson.said(), *lesson.words],
    }


def _half_hour(
    database: Database, nameplate: Nameplate, entry: Entry, way: int, newest_ms: float
) -> PowerFigures | None:
    """The half hour of running next to the work, looked for in as few readings as will do, its amps as the clamps are
    corrected now: before and after by the same measure."""
    motor, done_ms = nameplate.motor, to_ms(entry.done)
    versions = resolved(register.versions(database, entry.point_id))
    now = clamps.factors_of(nameplate.logger.clamp_corrections)
    work = power_before if way < 0 else power_after
    figures = None
    for span in SPANS_MS:
        ends = (done_ms - span, done_ms) if way < 0 else (done_ms, done_ms + span)
        rows = readings.window(database, entry.point_id, *ends)
        own = applied(versions, rows["version"])
        legs = clamps.by_others(rows["amps"], own, np.broadcast_to(now, own.shape))
        known = ~np.isnan(legs).all(axis=1)
        highest = np.full(len(legs), math.nan)
        highest[known] = np.nanmax(legs[known], axis=1) if known.any() else math.nan
        settled = settled_rows(rows["t_ms"], highest, RUNNING_SHARE * motor.full_load_amps)
        figures = work(motor, float(done_ms), rows["t_ms"], legs, rows["volts"], rows["ambient_c"], settled)
        if figures is not None and figures.seconds >= LEAST_SECONDS:
            break
        if way > 0 and newest_ms <= ends[1]:
            break
    return figures


def _plenum_changed(database: Database, plenum: Sequence[int], first: PowerFigures, second: PowerFigures) -> bool:
    """Whether another fan of the plenum was re-pitched between two half hours, or ran in only one of them."""
    for point_id in plenum:
        if service_record.re_pitches(database, point_id, int(first.from_ms), int(second.to_ms)):
            return True
        ran = [service_record.share_running(database, point_id, one.from_ms, one.to_ms) for one in (first, second)]
        if (ran[0] > 0.5) != (ran[1] > 0.5):
            return True
    return False
