"""What the work of a job has brought: predicted against found, at the volts and in the air of the readings after it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import sqlalchemy as sa

from monitor.blades.after_work import Expected, at_the_coldest, before_work, expected
from monitor.blades.learning import LEAST_STOP_MS
from monitor.blades.parts import believable_ratio
from monitor.motor.current import TOO_LIGHT, current_model
from monitor.motor.limit import adjusted_limit
from monitor.motor.nameplate import Nameplate
from monitor.motor.unbalance import unbalance_of
from monitor.records import readings, tables
from monitor.records.database import Database
from monitor.records.job_entry import Closing
from monitor.records.jobs import Job
from monitor.records.rows import from_ms, to_ms
from monitor.service.service_findings import MINUTE_MS
from monitor.watch.limits import RUNNING_SHARE

HAND, LOGGER, ENTERED = "hand meter", "logger", "entered"


def when_changed(database: Database, point_id: int, job: Job, closing: Closing) -> datetime:
    """When the blades were changed: as entered, else the end of the longest stop that ended between the job's opening
    and the readings, else the time of the readings.

    A re-pitch is to lie within the stop for it, so that what ran before it and after it can be compared. After the
    work a fan is run briefly and stopped once more: so the longest stop, not the last.

    Raises
    ------
    LinkError : the database cannot be read
    """
    if closing.changed is not None:
        return closing.changed
    runs = tables.runs
    query = sa.select(runs.c.start_ms, runs.c.end_ms).where(
        runs.c.partition == tables.PARTITION, runs.c.point_id == point_id, runs.c.start_ms <= to_ms(closing.done),
        sa.or_(runs.c.end_ms.is_(None), runs.c.end_ms > to_ms(job.opened) - _LONGEST_MS),
    )  # fmt: skip
    with database.read() as connection:
        found = connection.execute(query.order_by(runs.c.start_ms)).all()
    longest, at_ms = LEAST_STOP_MS, None
    for (_, end_ms), (start_ms, _) in pairwise(found):
        if end_ms is not None and start_ms > to_ms(job.opened) and start_ms - end_ms >= longest:
            longest, at_ms = start_ms - end_ms, start_ms
    return closing.done if at_ms is None else from_ms(at_ms) - timedelta(seconds=1)


_LONGEST_MS = 60 * 86_400_000
"""A stop that began longer before the opening is not looked for."""


def compared(database: Database, nameplate: Nameplate, point_id: int, job: Job, closing: Closing) -> dict[str, Any]:
    """What is stored with a job that is done, but for its entries.

    Parameters
    ----------
    nameplate : as registered when the readings were taken, before the work's own change

    Raises
    ------
    LinkError : the database cannot be read
    """
    motor = nameplate.motor
    logger = _minute(database, nameplate, point_id, closing.done)
    volts, volts_from = (closing.volts, HAND) if closing.volts else (logger["volts"], LOGGER)
    air, air_from = (closing.ambient_c, ENTERED) if closing.ambient_c is not None else (logger["ambient_c"], LOGGER)
    v = believable_ratio(sum(volts) / len(volts), motor) if volts else None
    hand, logged = closing.amps if closing.amps and any(closing.amps) else None, logger["amps"]
    then, why = _expected(nameplate, job, closing, hand or logged, v, air)
    found: dict[str, Any] = {
        "done": text_of(closing.done),
        "pitch": _pitch_after(nameplate, closing),
        "changed": None,
        "volts": None if not volts else list(volts),
        "volts_from": None if not volts else volts_from,
        "ambient_c": air,
        "air_from": None if air is None else air_from,
        "expected": None if then is None else {"amps": then.amps, "low": then.low, "high": then.high},
        "expected_why": why,
        "hand": _beside(hand, then),
        "logger": _beside(logged, then),
        "coldest": _coldest(nameplate, hand or logged, volts, v, air),
        "note": closing.note,
    }
    return found | {"words": [*_words(found), *(() if then is None else then.words)]}


def _expected(
    nameplate: Nameplate, job: Job, closing: Closing, legs: Sequence[float] | None, v: float | None, air: float | None
) -> tuple[Expected | None, str | None]:
    """What was to be expected, or why that cannot be told."""
    before = before_work((job.sheet.get("estimate") or {}).get("before_work"))
    if before is None:
        return None, "nothing was predicted: when the job was opened there was too little running to go by"
    after = _pitch_after(nameplate, closing)
    if after is not None and job.pitch_from is None:
        return None, "nothing was predicted: the pitch before was not registered"
    model = current_model(nameplate.motor)
    spread = None
    if legs:
        mean = sum(legs) / len(legs)
        if model.lightly_loaded(mean, 1.0 if v is None else v):
            return None, f"the motor is {TOO_LIGHT}"
        spread = max(legs) - mean
    less = 0.0 if after is None or job.pitch_from is None else job.pitch_from - after
    return expected(before, model, less, v=v, t_c=air, spread=spread), None


def _pitch_after(nameplate: Nameplate, closing: Closing) -> float | None:
    """The pitch that is in now; the re-pitch may have been entered in the service record before, so in the register."""
    return nameplate.fan.blade_pitch_degrees if closing.pitch is None else closing.pitch


def _beside(legs: Sequence[float] | None, then: Expected | None) -> dict[str, Any] | None:
    if not legs:
        return None
    highest = max(legs)
    return {"amps": list(legs), "highest": highest, "verdict": None if then is None else then.verdict(highest)}


def _coldest(
    nameplate: Nameplate, legs: Sequence[float] | None, volts: Sequence[float] | None, v: float | None,
    air: float | None,
) -> dict[str, float] | None:  # fmt: skip
    """What the readings make of the coldest air expected, against the limit at the unbalance of then."""
    coldest = nameplate.fan.coldest_expected_c
    if not legs or air is None or coldest is None:
        return None
    amps = at_the_coldest(current_model(nameplate.motor), legs, v=v, t_c=air, coldest_c=coldest)
    if amps is None:
        return None
    unbalance = unbalance_of(*volts) if volts and len(volts) == 3 and v is not None else None
    limit = adjusted_limit(nameplate.motor, unbalance).amps
    target = limit * (1.0 - nameplate.fan.target_margin_percent / 100.0)
    return {"ambient_c": coldest, "amps": amps, "limit_amps": limit, "target_amps": target}


def _words(found: Mapping[str, Any]) -> list[str]:
    """Predicted against found, one sentence for each meter.

    >>> _words({"expected": {"amps": 11.4, "low": 10.9, "high": 11.9}, "expected_why": None, "logger": None,
    ...         "hand": {"amps": [11.6], "highest": 11.6, "verdict": "as expected"}})
    ['expected 11.4 A (10.9 to 11.9), found 11.6 A by hand meter: as expected']
    """
    then = found["expected"]
    words = [] if found["expected_why"] is None else [found["expected_why"]]
    meters = [(name, found[key]) for name, key in ((HAND, "hand"), (LOGGER, "logger")) if found[key] is not None]
    told = "" if then is None else f"expected {then['amps']:.1f} A ({then['low']:.1f} to {then['high']:.1f}), "
    for name, one in meters:
        verdict = "" if one["verdict"] is None else f": {one['verdict']}"
        words.append(f"{told}found {one['highest']:.1f} A by {name}{verdict}")
    if not meters:
        words.append(f"{told}nothing was read after the work, and the logger has nothing of that minute")
    return words


def _minute(database: Database, nameplate: Nameplate, point_id: int, done: datetime) -> dict[str, Any]:
    """Means of the logger's readings within a minute of a time, while it ran; None what it does not have."""
    at_ms, count = to_ms(done), 3 if nameplate.motor.phases == 3 else 1
    rows = readings.window(database, point_id, at_ms - MINUTE_MS - 1, at_ms + MINUTE_MS)
    ran = np.nan_to_num(rows["amps"]).max(axis=1, initial=0.0) > RUNNING_SHARE * nameplate.motor.full_load_amps
    amps = _means(rows["amps"][ran, :count])
    volts = _means(rows["volts"][ran, :count])
    (air,) = _means(rows["ambient_c"][ran, None])
    return {
        "amps": None if math.isnan(sum(amps)) else amps,
        "volts": None if math.isnan(sum(volts)) else volts,
        "ambient_c": None if math.isnan(air) else air,
    }


def _means(columns: Any) -> list[float]:
    """The mean of each column [..]; NaN where it has nothing."""
    return [float(one[~np.isnan(one)].mean()) if (~np.isnan(one)).any() else math.nan for one in columns.T]


def text_of(time: datetime) -> str:
    """A time as it is stored in JSON: RFC 3339 in UTC."""
    return time.isoformat(timespec="seconds").replace("+00:00", "Z")
