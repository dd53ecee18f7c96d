"""The JSON of the API, in one place: what stands under which key.

Readers in `records.look` give plain dictionaries with aware times. Here they get the keys that the API promises; what
is not known is null, never left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.alarms.performance import Figures, Frequent, targets
from monitor.motor.limit import MEASURED_BEFORE, NOT_MEASURED, ONE_VOLTAGE, Limit, adjusted_limit
from monitor.motor.nameplate import Motor
from monitor.records.alarm_history import Noisy
from monitor.web.times import rfc3339
from monitor.web.tonight import ahead

ESTIMATE_KEYS = ("parts", "causes", "checks_first", "pitch", "words", "cautions")
"""What the blades' answer brings along for one fan."""


def plain(value: Any) -> Any:
    """A value as JSON has it: times as RFC 3339 text, NaN and infinities as null."""
    kind = type(value)  # lists of 500 fans hold 40,000 values, and asking whether one is a Mapping takes a microsecond
    if kind in _AS_IT_IS:
        return value
    if kind is dict:
        return {str(key): plain(one) for key, one in value.items()}
    if kind is list:
        return [plain(one) for one in value]
    if isinstance(value, datetime):
        return rfc3339(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str | bytes):
        return [plain(one) for one in value]
    return value


_AS_IT_IS = (str, int, bool, type(None))


def alarm_shape(alarm: Mapping[str, Any]) -> dict[str, Any]:
    """One alarm of /api/v1/alarms."""
    shaped: dict[str, Any] = plain(alarm)
    return shaped


def figures_shape(found: Figures, noisy: Sequence[Noisy]) -> dict[str, Any]:
    """/api/v1/alarms/figures."""
    return {
        "from": plain(found.first),
        "to": plain(found.last),
        "alarms": found.alarms,
        "a_day": {
            "mean": found.a_day_mean,
            "most": found.a_day_most,
            "day_of_most": None if found.day_of_most is None else found.day_of_most.isoformat(),
        },
        "ten_minutes": {
            "mean": found.a_slot_mean,
            "most": found.a_slot_most,
            "slots": found.slots,
            "in_flood": found.slots_in_flood,
            "flood_share": found.flood_share,
        },
        "chattering": [_frequent(one) for one in found.chattering],
        "repeating_within_an_hour": [_frequent(one) for one in found.repeating],
        "fleeting": found.fleeting,
        "stale": {"now": found.stale_now, "most": found.stale_most},
        "most_frequent": [_frequent(one) for one in found.frequent],
        "most_frequent_share": found.frequent_share,
        "priorities": found.priorities,
        "targets": [asdict(one) for one in targets(found)],
        "noisiest": [
            {**_frequent(one.frequent), "cure": {**asdict(one.cure), "lines": list(one.cure.lines)}} for one in noisy
        ],
    }


def _frequent(one: Frequent) -> dict[str, Any]:
    about = one.about
    return {
        "id": about.condition, "site": about.site, "fan": about.fan, "supply": about.supply, "count": one.count,
        "share": one.share,
    }  # fmt: skip


def fan_shape(item: Mapping[str, Any]) -> dict[str, Any]:
    """One fan of /api/v1/fans.

    `seconds_to_trip` is null where it is not known and where the device does not open at this current; in the second
    case `images.device` is a number. `images.assumed` is when they began from an assumption that they still
    hang on, else null.
    """
    shaped: dict[str, Any] = plain(item)
    return shaped


def limit_of(item: Mapping[str, Any], motor: Motor) -> Limit:
    """The limit of a fan as it stands, factor by factor.

    Parameters
    ----------
    item : a fan as `records.look` gives it
    motor : its nameplate
    """
    known = [volts for volts in item["volts"] if volts is not None]
    source = "measured" if known else MEASURED_BEFORE
    if item["volts_from_supply"] and item["supply"]:
        source = f"measured at {item['supply']}"
    not_adjusted = ONE_VOLTAGE if len(known) == 1 else NOT_MEASURED
    limit = adjusted_limit(motor, item["unbalance_percent"], volts_source=source, not_adjusted=not_adjusted)
    technician = item.get("technician")
    if motor.phases != 3 or item["unbalance_percent"] is not None or technician is None:
        return limit
    derated = adjusted_limit(motor, technician.unbalance)
    note = (
        f"a technician measured {technician.unbalance:.1f} % voltage unbalance (entry {technician.number} of the "
        f"service record): parts and degrees go by the limit derated for it, {derated.amps:.2f} A; alarms go by "
        f"{limit.amps:.2f} A, since no voltage is measured all the time"
    )
    return replace(limit, notes=(*limit.notes, note))


def limit_shape(limit: Limit) -> dict[str, Any]:
    """The limit with its factors, each with value and source."""
    return {
        "amps": limit.amps,
        "full_amps": limit.full_amps,
        "percent_of_full_load": limit.percent_of_full_load,
        "factors": [{"name": one.name, "value": one.value, "source": one.source} for one in limit.factors],
        "notes": list(limit.notes),
    }


PLAN_KEYS = ("from", "until", "by", "why", "announced")


def fan_in_full(item: Mapping[str, Any], limit: Limit) -> dict[str, Any]:
    """One fan of /api/v1/fans/SITE/FAN: as in the list, with limit, parts, pitch, tonight and runs."""
    said = item["estimate"] or {}
    inner = (
        "estimate", "estimate_time", "runs", "service", "technician", "offers", "checks_done", "clamp_corrections",
        "planned_stop",
    )  # fmt: skip
    shaped = fan_shape({key: value for key, value in item.items() if key not in inner})
    shaped["limit"] = limit_shape(limit)
    for key in ESTIMATE_KEYS:
        shaped[key] = plain(said.get(key)) if key in said else (None if key == "pitch" else [])
    shaped |= plain(ahead(item))
    shaped["estimated_at"] = plain(item["estimate_time"])
    shaped["clamp_corrections"] = plain(item["clamp_corrections"])
    plan = item["planned_stop"]
    shaped["planned_stop"] = None if plan is None else plain({key: plan[key] for key in PLAN_KEYS})
    shaped["runs"] = [run_shape(run) for run in item["runs"]]
    shaped["service"] = [service_shape(entry) for entry in item["service"]]
    return shaped


def service_shape(entry: Mapping[str, Any]) -> dict[str, Any]:
    """One entry of a service record: `body` as entered, `found` what was worked out from it, with `words`."""
    shaped: dict[str, Any] = plain(entry)
    return shaped


def run_shape(run: Mapping[str, Any]) -> dict[str, Any]:
    """One run, with the keys of the review."""
    shaped: dict[str, Any] = plain(run)
    ratio = shaped.pop("peak_ratio")
    shaped["peak_percent_of_limit"] = None if ratio is None else 100 * ratio
    shaped["starts_ok"] = None  # starts are not judged yet
    return shaped


HEALTHS = ("overdue", "offline", "not heard yet", "heard")
"""How a logger may be, what somebody must see to first."""


def logger_health(logger: Mapping[str, Any], overdue: bool) -> str:
    """How a logger is, in a word or two."""
    if logger["last_reading"] is None:
        return "not heard yet"
    if overdue:
        return "overdue"
    if logger["status"] == "offline":
        return "offline"
    return "heard"


def logger_shape(logger: Mapping[str, Any], health: str) -> dict[str, Any]:
    """One logger of /api/v1/loggers; rejected counts as a list of reasons, the most frequent first."""
    shaped: dict[str, Any] = plain({key: value for key, value in logger.items() if key != "rejected"})
    shaped["health"] = health
    shaped["rejected"] = [
        {"reason": reason, "count": count}
        for reason, count in sorted(logger["rejected"].items(), key=lambda one: (-one[1], one[0]))
    ]
    return shaped


def _listed(values: NDArray[Any], digits: int) -> list[float | None]:
    return [None if value != value else value for value in np.round(values.astype(np.float64), digits).tolist()]


def _times(t_ms: NDArray[Any]) -> list[str]:
    whole = bool(np.all(t_ms % 1000 == 0))
    texts = np.datetime_as_string(t_ms.astype("datetime64[ms]"), unit="s" if whole else "ms")
    return [f"{text}Z" for text in texts.tolist()]


_MEASURED = (("amps", 0, "l1_amps"), ("amps", 1, "l2_amps"), ("amps", 2, "l3_amps"),
             ("volts", 0, "v12"), ("volts", 1, "v23"), ("volts", 2, "v31"))  # fmt: skip
_SINGLE = ("l2_amps", "l3_amps", "v23", "v31")


def columns_shape(columns: Mapping[str, NDArray[Any]], phases: int, *, thinned: bool) -> dict[str, list[Any]]:
    """Readings as columns of equal length.

    Parameters
    ----------
    columns : of `records.readings.window`, or of its `thin`
    phases : a single-phase fan has `l1_amps` and `v12` only
    thinned : each measured column three times, with `_min`, `_mean` and `_max` behind its name
    """
    out: dict[str, list[Any]] = {"time": _times(columns["t_ms"])}
    for ending in ("_min", "_mean", "_max") if thinned else ("",):
        for source, place, name in _MEASURED:
            if phases == 3 or name not in _SINGLE:
                out[name + ending] = _listed(columns[source + ending][:, place], 3)
        out["ambient_c" + ending] = _listed(columns["ambient_c" + ending], 2)
        out["limit_amps" + ending] = _listed(columns["limit_amps" + ending], 3)
    if thinned:
        out["readings"] = columns["rows"].tolist()
    else:
        out["called"] = _listed(columns["called"], 0)
        out["late"] = [bool(flags & 1) for flags in columns["flags"].tolist()]
    return out
