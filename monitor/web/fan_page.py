"""What the page of one fan says, in the order in which it is asked.

Is it over, since when, supply or blades, how many degrees and what that costs in air, what to check first. All of it is
told in words; figures come from the records as they are.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.verdicts import verdict
from monitor.blades import cautions
from monitor.blades.airflow import Cost, cost_of
from monitor.blades.checks import checks_for
from monitor.blades.estimate import AIR_NOT_KNOWN
from monitor.motor import clamps
from monitor.motor.limit import SERVICE_FACTOR_HOLDS, Limit
from monitor.motor.nameplate import Nameplate
from monitor.records.look_fans import NEAR, OVER, STOPPED, TRIPPED
from monitor.records.morning_stops import TRIPS
from monitor.records.register import Site
from monitor.watch.table import BY_ID
from monitor.web import heat, tonight, words
from monitor.web.held import held_words, out_words
from monitor.web.service_words import service_row
from monitor.web.shown import hours_before, show, zone_of

CAUSES = {
    "fan load": "the fan's own load: blade pitch, back-pressure or bearings",
    "supply voltage": "the supply: its voltage is off",
    "supply unbalance": "the supply: its voltages are unbalanced",
    "leg connection": "one leg: a connection, a contact or a winding",
    "air density": "cold, dense air",
    "lost phase": "a lost phase",
    "lost supply": "a lost supply",
    "fault": "a fault of the motor",
}
PARTS = {
    "leg spread": "how far the highest leg stands above the mean of the legs",
    "supply voltage": "more current because the voltage is low (less where it is high)",
    "derating": "what unbalanced voltage takes from the limit",
    "air density": "air denser than at 20 degrees C",
    "fan load": "pitch, back-pressure and bearings, against the limit without derating",
}
WHY = {
    "none needed": "no degrees are needed: the amps expected stay under the target",
    "none enough": "no insert on hand is enough: look at supply, bed depth, bearings and the inserts registered",
    "supply first": "no degrees are given: have the supply put right first",
    "cannot say": "there is too little to go by",
}
END_CAUSES = {
    "log ended": "readings ended; the end was not seen",
    "phase lost": "phase lost, then the device opened",
    "cannot tell": "cannot be told: a stop or a lost supply",
}
CONFIDENCE = {"sure": "sure", "high": "very likely", "likely": "likely", "possible": "possible, not proven"}
LAST_ENTRIES = 5
"""So many entries of the service record stand on the fan's page; the others on a page of their own."""
ORDINARY = (None, "stopped", "cannot tell")
"""Ends that no trip, no lost phase and no lost supply explains."""
OFTEN = 4
"""So many ordinary stops in a day of a continuous fan bring a hint (worked out for this project)."""


@dataclass(frozen=True)
class Part:
    """One part of what lies between the highest leg and the limit."""

    name: str
    meaning: str
    amps: str
    """With its sign."""
    swing: tuple[int, int, str]
    """Bar from the middle of a strip of 2000: start, length, class."""


@dataclass(frozen=True)
class Insert:
    """One row of the insert table."""

    pitch: str
    less: str
    amps: str
    band: str
    chance: str
    chance_supply_right: str
    air: tuple[str, str]
    """How much less air, and its band; the band empty where nothing changes."""
    drying: tuple[str, str]
    """How much longer drying takes, and its band."""
    chosen: str
    """Why it is marked; empty where it is not."""


@dataclass(frozen=True)
class RunRow:
    """One run."""

    start: str
    end: str
    lasted: str
    peak: str
    ended: str
    evidence: tuple[str, ...]
    review: str
    """Address of the review of the hours before it ended; empty where it did not end of itself."""


@dataclass(frozen=True)
class AlarmRow:
    """One alarm that stands or waits to be acknowledged."""

    number: int
    priority: str
    title: str
    text: str
    state: str
    times: str
    acknowledge: bool


def signed_amps(value: float) -> str:
    """Amperes with a sign.

    >>> signed_amps(0.47), signed_amps(-0.97), signed_amps(0.001)
    ('+0.5 A', '−1.0 A', '0.0 A')
    """
    text = words.amps(value)
    return f"+{text}" if value > 0 and not text.startswith("0.0 ") else text


def build(
    item: Mapping[str, Any], site: Site, plate: Nameplate, limit: Limit, now: datetime, asked: Collection[int]
) -> dict[str, Any]:
    """Everything the template of one fan needs; `asked` as for `alarm_row`."""
    zone = zone_of(site)
    said: Mapping[str, Any] = item["estimate"] or {}
    pitch: Mapping[str, Any] = said.get("pitch") or {}
    flat = dict(item) | {"estimate": pitch or None}
    shown = show(flat, site, now)
    return {
        "shown": shown,
        "out_of_service": out_words(item["out_of_service"], zone, now),
        "cause": cause_words(said.get("causes") or [], item),
        "causes": said.get("causes") or [],
        "cause_names": CAUSES,
        "parts": part_rows(said.get("parts") or [], site.units),
        "parts_sum": signed_amps(sum(one["amps"] for one in said.get("parts") or [])),
        "supply_together": supply_together(said.get("causes") or [], said.get("parts") or []),
        "estimate_words": [sentence(text) for text in said.get("words") or [] if text not in limit.notes],
        "estimated": words.local(item["estimate_time"], zone, now) if item["estimate_time"] else "",
        "tonight": tonight.lines(item, site.units, zone),
        "degree_sign": "°C" if site.units == "si" else "°F",
        "degrees": degrees_words(pitch, plate),
        "inserts": insert_rows(pitch, plate),
        "coldest": "the present air"
        if plate.fan.coldest_expected_c is None or AIR_NOT_KNOWN in (said.get("words") or [])
        else f"air of {words.temperature(plate.fan.coldest_expected_c, site.units)}, the coldest expected",
        "target": words.figure(plate.fan.target_margin_percent, 0),
        "worth": worth_words(pitch.get("amps_per_degree")),
        "offers": [f"A figure on offer: {text}." for text in item["offers"]],
        "provisional": bool(pitch.get("provisional")),
        "checks": said.get("checks_first") or [],
        "cautions": said.get("cautions") or list(cautions.for_work()),
        "stop_cautions": cautions.for_tripped() if beside_a_trip(item) else (),
        "device_without_image": heat.without_image(plate.protection),
        "how_it_ended": how_it_ended(item),
        "often_stopped": often_stopped(item, now),
        "runs": [run_row(item, run, zone, now) for run in item["runs"]],
        "service": [service_row(entry, zone, now) for entry in item["service"][:LAST_ENTRIES]],
        "corrected": corrected_words(item, zone, now),
        "to_check": [one.name for one in checks_for(plate.motor.phases) if one.name not in item["checks_done"]],
        "alarms": [alarm_row(alarm, zone, now, asked) for alarm in (*item["alarms"], *item["shared_alarms"])],
        "factors": [
            (one.name, words.amps(one.value) if "amps" in one.name else words.figure(one.value, 2), one.source)
            for one in limit.factors
        ],
        "limit_amps": words.with_unit(words.figure(limit.amps, 2), "A"),
        "limit_percent": words.percent(limit.percent_of_full_load),
        "limit_notes": [sentence(note) for note in limit.notes if note != SERVICE_FACTOR_HOLDS],
        "service_factor_note": sentence(words.in_units(SERVICE_FACTOR_HOLDS, site.units)),
        "plate": plate_rows(plate, site),
        "control_unknown": plate.fan.control is None,
        "zone": f"{site.time_zone.replace('_', ' ')}",
    }  # fmt: skip


def corrected_words(item: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """That the amps shown are not as the logger sends them, and who entered that; empty where they are."""
    told = item["clamp_corrections"]
    if told is None:
        return ""
    since = words.local(told["since"], zone, now)
    return f"The amps are corrected: {clamps.words(told['factors'])}, since {since}, entered by {told['by']}."


def beside_a_trip(item: Mapping[str, Any]) -> bool:
    """Whether the cautions of a trip stand on the page: it stands still, or a trip or a lost phase waits."""
    waits = {alarm["id"] for alarm in item["alarms"]}
    return item["state"] in (STOPPED, TRIPPED) or bool(waits & {"tripped", "phase-lost"})


def how_it_ended(item: Mapping[str, Any]) -> str:
    """The verdict on the run that ended last, where the fan stands still; else empty."""
    last = item["runs"][0] if item["runs"] else None
    if item["state"] not in (STOPPED, TRIPPED) or last is None or last["end"] is None:
        return ""
    return verdict(last["end_cause"], last["confidence"]) or ""


def often_stopped(item: Mapping[str, Any], now: datetime) -> str:
    """A hint where a fan registered as continuous stops like one that something switches; else empty."""
    if item["control"] != "continuous":
        return ""
    ends = [
        run["end"]
        for run in item["runs"]
        if run["end"] is not None and run["end_seen"] and run["end_cause"] in ORDINARY
    ]
    count = sum(now - end <= timedelta(days=1) for end in ends)
    if count < OFTEN:
        return ""
    return f"It has stopped {count} times within 24 h without a trip, though it is registered as continuous."


def sentence(text: str) -> str:
    """A text as a sentence of its own: a capital in front, a full stop behind.

    >>> sentence("not adjusted: voltage is not measured"), sentence("Done.")
    ('Not adjusted: voltage is not measured.', 'Done.')
    """
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!")) else ".")


def cause_words(causes: Sequence[Mapping[str, Any]], item: Mapping[str, Any]) -> str:
    """Supply or blades, in one sentence."""
    if causes:
        first = causes[0]
        name = CAUSES.get(first["cause"], first["cause"])
        return f"Most likely {name} ({signed_amps(first['share_amps'])} of what it draws)."
    if item["estimate"] is None:
        return "Not worked out yet: it takes 3 minutes of running, and is then worked out again every 5 minutes."
    if item["state"] in (OVER, NEAR):
        return "Over the last half hour of running it was not above its limit; the parts below show what it is made of."
    return "Nothing is in excess: over the last half hour of running it stayed under its limit."


def part_rows(parts: Sequence[Mapping[str, Any]], units: str) -> list[Part]:
    """The parts with bars to one scale, in words with the site's units."""
    greatest = max((abs(one["amps"]) for one in parts), default=0.0) or 1.0
    rows = []
    for one in parts:
        length = round(1000 * abs(one["amps"]) / greatest)
        swing = (1000, length, "more") if one["amps"] >= 0 else (1000 - length, length, "less")
        meaning = words.in_units(PARTS.get(one["name"], ""), units)
        rows.append(Part(one["name"], meaning, signed_amps(one["amps"]), swing))
    return rows


def supply_together(causes: Sequence[Mapping[str, Any]], parts: Sequence[Mapping[str, Any]]) -> str:
    """Leg spread and derating as one figure, where the estimate takes both for the supply's unbalance; else empty."""
    amps = {one["name"]: one["amps"] for one in parts}
    both = amps.get("leg spread", 0.0) + amps.get("derating", 0.0)
    for one in causes:
        if one["cause"] == "supply unbalance" and amps.get("leg spread") and abs(one["share_amps"] - both) < 1e-6:
            return signed_amps(both)
    return ""


def degrees_words(pitch: Mapping[str, Any], plate: Nameplate) -> list[tuple[str, str]]:
    """(question, answer) for the fan as it is and with its supply put right."""
    if not pitch:
        return []
    return [
        ("On the supply as it is", _degrees(pitch.get("as_is"), pitch.get("as_is_why"), plate)),
        ("With the supply put right", _degrees(pitch.get("supply_right"), pitch.get("supply_right_why"), plate)),
    ]


def _degrees(found: Mapping[str, Any] | None, why: str | None, plate: Nameplate) -> str:
    if not found:
        return sentence(WHY.get(why or "", why or "not known"))
    present = plate.fan.blade_pitch_degrees
    way = (
        f"from {words.degrees(present)} to {words.degrees(found['pitch'])}"
        if present is not None
        else words.degrees(found["pitch"])
    )
    blades = f", {plate.fan.blades} inserts" if plate.fan.blades else ""
    return (
        f"Take out {words.degrees(found['degrees'])} ({way}{blades}). Chance that it then keeps the target: "
        f"{words.chance(found['chance'])}."
    )


def insert_rows(pitch: Mapping[str, Any], plate: Nameplate) -> list[Insert]:
    """Every insert on hand, steepest first."""
    present = plate.fan.blade_pitch_degrees
    as_is, right = (pitch.get("as_is") or {}).get("pitch"), (pitch.get("supply_right") or {}).get("pitch")
    rows = []
    for one in pitch.get("options") or []:
        angle = one["pitch"]
        less = 0.0 if present is None else present - angle
        marks = ["least that is enough as it is"] if angle == as_is else []
        marks += ["least that is enough with the supply put right"] if angle == right else []
        air, drying = air_words(cost_of(one["airflow_percent"]))
        rows.append(
            Insert(
                pitch=words.degrees(angle),
                less="as now" if less == 0 else f"{words.degrees(less)} less",
                amps=words.amps(one["amps"]),
                band=f"{words.amps_figure(one['low'])} to {words.amps_figure(one['high'])}",
                chance=words.chance(one["chance"]),
                chance_supply_right=words.chance(one["chance_supply_right"]),
                air=air,
                drying=drying,
                chosen="; ".join(marks),
            )
        )
    return rows


def air_words(cost: Cost) -> tuple[tuple[str, str], tuple[str, str]]:
    """What an insert takes of the air and adds to the drying time, each with its band.

    >>> air_words(cost_of(94.18)), air_words(cost_of(100.0))
    ((('about 6 % less', '5 to 8'), ('about 6 % longer', '5 to 9')), (('as now', ''), ('as now', '')))
    """
    less, least, most = (100.0 - left for left in (cost.airflow_percent, cost.airflow_high, cost.airflow_low))
    if less < 0.5:
        return ("as now", ""), ("as now", "")
    longer = f"about {words.percent(cost.longer_percent)} longer"
    return (f"about {words.percent(less)} less", _band(least, most)), (longer, _band(cost.longer_low, cost.longer_high))


def _band(low: float, high: float) -> str:
    return f"{words.figure(low, 0)} to {words.figure(high, 0)}"


def worth_words(worth: Mapping[str, Any] | None) -> str:
    """What a degree is taken to be worth."""
    if not worth or worth.get("mean") is None:
        return ""
    band = f"{words.amps_figure(worth['low'])} to {words.amps_figure(worth['high'])}"
    return f"A degree is taken to be worth {words.amps(worth['mean'])} ({band}); source: {worth['source']}."


def run_row(item: Mapping[str, Any], run: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> RunRow:
    """One run as the table shows it."""
    start, end = run["start"], run["end"]
    before = "" if run["start_seen"] else "before "
    ended = END_CAUSES.get(run["end_cause"], run["end_cause"]) if run["end_cause"] else ("" if end else "runs on")
    if not ended:
        ended = "stopped" if run["end_seen"] else "its end was not seen"
    if run["confidence"] and end is not None and run["end_cause"] != "log ended":
        ended += f" ({CONFIDENCE.get(run['confidence'], run['confidence'])})"
    return RunRow(
        start=before + words.local(start, zone, now),
        end="runs on" if end is None else words.local(end, zone, now),
        lasted=words.span(((end or now) - start).total_seconds()),
        peak=words.NOT_KNOWN
        if run["peak_amps"] is None
        else f"{words.amps(run['peak_amps'])}, {words.share(run['peak_ratio'])} of limit",
        ended=ended,
        evidence=tuple(run["evidence"]),
        review=hours_before(item["site"], item["fan"], end) if run["end_cause"] in TRIPS else "",
    )


def alarm_row(alarm: Mapping[str, Any], zone: ZoneInfo, now: datetime, asked: Collection[int] = ()) -> AlarmRow:
    """One alarm as the page shows it.

    Parameters
    ----------
    asked : numbers of alarms for which an acknowledgement waits to be carried out
    """
    condition = BY_ID.get(alarm["id"])
    title = condition.words if condition else alarm["id"].replace("-", " ")
    if alarm["supply"]:
        title = f"{alarm['supply']}: {title}"
    state = "holds now" if alarm["standing"] else "ended, but nobody acknowledged it"
    if alarm["standing"] and alarm["cleared"] is not None:
        state = "over, and stands until somebody acknowledges it"
    if alarm["acknowledged"] is not None and alarm["state"] == "ACKNOWLEDGED":
        state += f"; acknowledged {words.local(alarm['acknowledged'], zone, now)}, {alarm['acknowledged_by']}"
    if alarm["suppression"] is not None:
        state += f"; nobody is told of it: {held_words(alarm, zone, now)}"
    waits = alarm["number"] in asked
    if waits:
        state += "; an acknowledgement is entered, the service has not come to it yet"
    times = f"since {words.local(alarm['since'], zone, now)}, raised {words.local(alarm['raised'], zone, now)}"
    if (alarm["heard"] - alarm["raised"]).total_seconds() > 120:
        times += f", heard {words.local(alarm['heard'], zone, now)}"
    if alarm["cleared"] is not None and not alarm["standing"]:
        times += f", ended {words.local(alarm['cleared'], zone, now)}"
    if alarm["count"] > 1:
        times += f"; raised {alarm['count']} times"
    return AlarmRow(
        alarm["number"],
        alarm["priority"],
        title,
        alarm["text"],
        state,
        times,
        not waits and alarm["state"].endswith("UNACKNOWLEDGED"),
    )


def plate_rows(plate: Nameplate, site: Site) -> list[tuple[str, str]]:
    """What is registered, for the foot of the page; what is not known is left out."""
    motor, device, fan = plate.motor, plate.protection, plate.fan
    inserts = ", ".join(words.degrees(one) for one in fan.available_pitch_degrees)
    rows = [
        ("Motor", ", ".join(part for part in (
            words.power(motor.rated_power_hp, site.units) if motor.rated_power_hp else "",
            f"{motor.rated_voltage:g} V", f"{motor.phases} phase" + ("s" if motor.phases == 3 else ""),
            f"{motor.full_load_amps:g} A full load", f"service factor {motor.service_factor:g}") if part)),
        ("Overload device", ", ".join(part for part in (
            device.type if device.type != "unknown" else "",
            f"set to {device.setting_amps:g} A" if device.setting_amps else "",
            f"class {device.trip_class}" if device.trip_class else "") if part) or "not registered"),
        ("Blades", ", ".join(part for part in (
            f"now at {words.degrees(fan.blade_pitch_degrees)}" if fan.blade_pitch_degrees is not None else "",
            f"inserts on hand {inserts}" if inserts else "",
            f"not under {words.degrees(fan.minimum_pitch_degrees)}" if fan.minimum_pitch_degrees is not None else "",
            f"{fan.blades} blades" if fan.blades else "") if part) or "not registered"),
        ("Control", fan.control or "not registered"),
    ]  # fmt: skip
    rows += [("Voltage from", fan.supply)] if fan.supply else []
    rows += [("Air temperature from", fan.weather)] if fan.weather else []
    rows += [("Blows into", fan.plenum)] if fan.plenum else []
    return rows
