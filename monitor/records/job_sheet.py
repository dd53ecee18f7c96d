"""What a job sheet holds: everything seen of a fan when work on its blades is asked for, as plain JSON.

It is put together from what is stored (`look.fan`), by pages that show what a sheet would say now and by the worker
that opens one: both say the same. Once opened it stays as it is: it is what the technician had in hand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from monitor.alarms.verdicts import verdict
from monitor.blades.after_work import before_work, expected
from monitor.blades.degrees import angles_on_hand
from monitor.motor.current import current_model
from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.records.register import Site
from monitor.records.service_record import CHECK

NOTE_LETTERS = 300
"""Letters of the note of a sheet: it must fit one page."""
_SEEN = (
    "state", "running", "since", "time", "amps", "volts", "volts_from_supply", "unbalance_percent", "ambient_c",
    "limit_amps", "load_ratio", "highest_leg_amps", "full_load_amps", "percent_of_full_load", "seconds_to_trip",
)  # fmt: skip
_OF_THE_ESTIMATE = ("limit", "parts", "causes", "checks_first", "pitch", "words", "before_work")


def choices(plate: Nameplate) -> tuple[float, ...]:
    """Angles of the inserts that a job may be opened for [degrees], steepest first: those on hand below the present."""
    return angles_on_hand(plate.fan)[1:]


def recommended(item: Mapping[str, Any]) -> float | None:
    """The insert that the estimate recommends [degrees]: on the supply as it is, else with the supply put right."""
    pitch = (item["estimate"] or {}).get("pitch") or {}
    found = pitch.get("as_is") or pitch.get("supply_right")
    return None if not found else float(found["pitch"])


def compose(item: Mapping[str, Any], site: Site, pitch_to: float | None, note: str = "") -> dict[str, Any]:
    """The sheet of a fan.

    Parameters
    ----------
    item : the fan as `look.fan` gives it
    pitch_to : the insert chosen [degrees], one of `choices`; None: checks only
    note : in the words of whoever opens it
    """
    plate = read_nameplate(item["nameplate"])
    said = item["estimate"]
    estimate = None if said is None else {key: said.get(key) for key in _OF_THE_ESTIMATE}
    options = ((said or {}).get("pitch") or {}).get("options") or ()
    alarms = [one for one in (*item["alarms"], *item["shared_alarms"]) if one["standing"]]
    sheet = {
        "site_name": site.name or site.site,
        "zone": site.time_zone,
        "units": site.units,
        "phases": item["phases"],
        "plenum": item["plenum"],
        "supply": item["supply"],
        "nameplate": item["nameplate"],
        "seen": {key: item[key] for key in _SEEN},
        "alarms": [{key: one[key] for key in ("number", "id", "priority", "since", "text")} for one in alarms],
        "ended": _ended(item),
        "estimate": estimate,
        "estimated": item["estimate_time"],
        "checked": _checked(item),
        "chosen": next((dict(one) for one in options if one["pitch"] == pitch_to), None),
        "after_work": _after_work(plate, estimate, pitch_to),
        "note": note,
    }
    told: dict[str, Any] = plain(sheet)
    return told


def _ended(item: Mapping[str, Any]) -> dict[str, Any] | None:
    """How its last run ended, where it stands still now."""
    last = item["runs"][0] if item["runs"] else None
    if item["running"] is not False or last is None or last["end"] is None:
        return None
    return {key: last[key] for key in ("end", "end_cause", "confidence", "evidence", "peak_amps", "peak_ratio")}


def _checked(item: Mapping[str, Any]) -> dict[str, Any]:
    """The newest entry of each check that counts as done: when, by whom, with what finding."""
    done = {one["name"] for one in (item["estimate"] or {}).get("checks_first") or () if one["done"]}
    found: dict[str, Any] = {}
    for entry in reversed(item["service"]):
        name = entry["body"].get("check")
        if entry["kind"] == CHECK and entry["withdrawn"] is None and name in done:
            found[name] = {"done": entry["done"], "by": entry["by"], "finding": entry["body"]["finding"]}
    return found


def _after_work(
    plate: Nameplate, estimate: Mapping[str, Any] | None, pitch_to: float | None
) -> dict[str, float | None] | None:
    """What the chosen insert should make it draw at the volts and in the air of the last half hour."""
    before = before_work((estimate or {}).get("before_work"))
    present = plate.fan.blade_pitch_degrees
    if before is None or pitch_to is None or present is None:
        return None
    then = expected(before, current_model(plate.motor), present - pitch_to, v=before.v, t_c=before.t_c)
    volts = None if before.v is None else before.v * plate.motor.rated_voltage
    return {"amps": then.amps, "low": then.low, "high": then.high, "volts": volts, "ambient_c": before.t_c}


def in_a_line(item: Mapping[str, Any]) -> str:
    """What was seen, in one line: for lists.

    >>> in_a_line({"state": "over its limit", "load_ratio": 1.021, "highest_leg_amps": 15.5, "limit_amps": 15.18,
    ...            "running": True, "runs": []})
    'over its limit: 15.5 A of 15.2 A (102 %)'
    """
    state: str = item["state"]
    if item["running"] and item["load_ratio"] is not None:
        share = f"{100.0 * item['load_ratio']:.0f} %"
        return f"{state}: {item['highest_leg_amps']:.1f} A of {item['limit_amps']:.1f} A ({share})"
    ended = _ended(item)
    told = None if ended is None else verdict(ended["end_cause"], ended["confidence"])
    return f"{state}: {told[:1].lower()}{told[1:].rstrip('.')}" if told else state


def plain(value: Any) -> Any:
    """As JSON has it: times as RFC 3339 text in UTC, and null for what is no finite number (a trip that never comes).

    >>> plain({"seconds_to_trip": math.inf, "legs": (1.0, math.nan)})
    {'seconds_to_trip': None, 'legs': [1.0, None]}
    """
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds").replace("+00:00", "Z")
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return value
