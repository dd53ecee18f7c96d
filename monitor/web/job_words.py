"""A job sheet in words: what stands on paper, by the clock and in the units of its site.

A sheet is read on paper, days later: each time has its date, and each figure says when it was seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.verdicts import sentences
from monitor.blades import cautions
from monitor.blades.airflow import cost_of
from monitor.blades.checks import SUPPLY_VOLTAGE, checks_for
from monitor.motor.limit import SERVICE_FACTOR_HOLDS
from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.records.look_fans import ABOUT_TO_TRIP, NEAR, NOT_HEARD, OVER, TRIPPED
from monitor.watch.table import BY_ID
from monitor.web import words
from monitor.web.asked import AT_THIS_COMPUTER
from monitor.web.fan_page import CAUSES, WHY, air_words, sentence, signed_amps

SOME, FEW = 3, 2
"""So many alarms, and as many remarks of the estimate, has a sheet room for; and where it is crowded."""
LETTERS_A_LINE, CUT_LETTERS = 130, 125
MOST_LINES = 24
"""Lines of what differs from sheet to sheet, cautions with them: beyond it a page of Letter is crowded (tried)."""


@dataclass(frozen=True)
class CheckRow:
    """One check of the sheet."""

    name: str
    how: str
    finding: str
    """What finding something would mean."""
    done: str
    """When and by whom it was done already; empty where it was not."""
    supply: bool
    """It has room for voltages."""


@dataclass(frozen=True)
class ExpectedRow:
    """What the highest leg should draw after the work."""

    where: str
    amps: str
    band: str
    chance: str
    """To keep the target; empty where it is not about the target."""


@dataclass(frozen=True)
class Sheet:
    """A sheet as the page shows and prints it."""

    fan: str
    site: str
    bin: str
    motor: str
    """What is registered of motor and device, in one line."""
    as_of: str
    """When it was seen."""
    seen: tuple[tuple[str, str, bool], ...]
    """Name, words, and whether they need the whole width of the paper."""
    alarms: tuple[str, ...]
    remarks: tuple[str, ...]
    checks: tuple[CheckRow, ...]
    to_check: str
    """Which checks are still to be done; empty: none."""
    inserts: str
    """Angle and number."""
    count: bool
    """The blades are to be counted."""
    from_to: str
    """From which angle to which."""
    expected: tuple[ExpectedRow, ...]
    target: str
    cost: str
    """What it costs in air."""
    note: str
    legs: tuple[str, ...]
    lines: tuple[str, ...]
    """Names of the voltages."""
    degree_sign: str
    cautions: tuple[str, ...]
    pitch_from: str
    crowded: bool
    """So much is to be said that it fits one page of paper only in small print."""


def by_whom(name: str) -> str:
    """Who did it, behind a time.

    >>> by_whom("Ann"), by_whom(AT_THIS_COMPUTER)
    ('by Ann', 'at this computer')
    """
    return name if name == AT_THIS_COMPUTER else f"by {name}"


def dated(text: str | datetime | None, zone: ZoneInfo) -> str:
    """A time for paper: with its date, in local time.

    >>> dated("2026-10-04T01:46:00Z", ZoneInfo("America/Chicago"))
    'Oct 3 2026, 20:46 CDT'
    """
    if text is None:
        return words.NOT_KNOWN
    there = (datetime.fromisoformat(text) if isinstance(text, str) else text).astimezone(zone)
    return f"{words.MONTHS[there.month - 1]} {there.day} {there.year}, {there:%H:%M} {there.tzname()}"


def sheet_of(
    fan: str, sheet: Mapping[str, Any], pitch_from: float | None, pitch_to: float | None, inserts: int | None
) -> Sheet:
    """A sheet as `records.job_sheet.compose` gives it, in words."""
    plate, zone, units = read_nameplate(sheet["nameplate"]), ZoneInfo(sheet["zone"]), sheet["units"]
    three = sheet["phases"] == 3
    estimate: Mapping[str, Any] = sheet["estimate"] or {}
    checks = _checks(sheet, zone)
    still = [one.name for one in checks if not one.done]
    seen = _seen(sheet, zone)
    alarms = [_alarm(one, zone) for one in sheet["alarms"]]
    remarks = [sentence(one) for one in estimate.get("words") or () if one != SERVICE_FACTOR_HOLDS]
    to_read = (*(cautions.for_tripped() if sheet["seen"]["running"] is False else ()), *cautions.for_work())
    crowded = _lines([text for _, text, wide in seen if wide], alarms, remarks, [sheet["note"]], to_read) > MOST_LINES
    room = FEW if crowded else SOME
    if crowded:
        seen = tuple((name, _cut(text), wide) for name, text, wide in seen)
        alarms, remarks = [_cut(one) for one in alarms], [_cut(one) for one in remarks]
    return Sheet(
        fan=fan,
        site=sheet["site_name"],
        bin=sheet["plenum"] or "",
        motor=_motor(plate, units),
        as_of=dated(sheet["seen"]["time"], zone),
        seen=seen,
        alarms=_first(alarms, "alarm", room),
        remarks=_first(remarks, "remark", room),
        checks=checks,
        to_check=", ".join(still),
        inserts=_inserts(pitch_to, inserts),
        count=pitch_to is not None and inserts is None,
        from_to=_from_to(pitch_from, pitch_to),
        expected=_expected(sheet, plate, units),
        target=_target(estimate, plate),
        cost=_cost(sheet["chosen"]),
        note=sheet["note"],
        legs=("L1", "L2", "L3") if three else ("amps",),
        lines=("v12", "v23", "v31") if three else ("volts",),
        degree_sign="°C" if units == "si" else "°F",
        cautions=to_read,
        pitch_from=words.degrees(pitch_from),
        crowded=crowded,
    )


def _cut(text: str) -> str:
    """The beginning of a text, as long as one line of small print.

    >>> _cut("short."), len(_cut("word " * 60))
    ('short.', 126)
    """
    return text if len(text) <= CUT_LETTERS else text[:CUT_LETTERS].rsplit(" ", 1)[0] + " …"


def _lines(*parts: Sequence[str]) -> int:
    """About how many lines of paper texts take."""
    return sum(-(-len(text) // LETTERS_A_LINE) for part in parts for text in part)


def _first(texts: Sequence[str], name: str, most: int) -> tuple[str, ...]:
    """The first few; how many there are beside is said."""
    more = len(texts) - most
    told = tuple(texts[:most])
    return told if more <= 0 else (*told, f"{words.plural(more, f'further {name}')} on the fan's page.")


def _alarm(one: Mapping[str, Any], zone: ZoneInfo) -> str:
    text = one["text"] or BY_ID[one["id"]].words
    return f"{text}{'' if text.endswith('.') else '.'} Since {dated(one['since'], zone)}."


def _motor(plate: Nameplate, units: str) -> str:
    motor, device = plate.motor, plate.protection
    parts = [
        words.power(motor.rated_power_hp, units) if motor.rated_power_hp else "",
        f"{motor.rated_voltage:g} V", f"{motor.phases} phase" + ("s" if motor.phases == 3 else ""),
        f"{motor.full_load_amps:g} A full load", f"service factor {motor.service_factor:g}",
        f"{device.type} set to {device.setting_amps:g} A" if device.setting_amps else "",
    ]  # fmt: skip
    return ", ".join(part for part in parts if part)


_STATE_ALARMS = {ABOUT_TO_TRIP: "trip-near", TRIPPED: "tripped", OVER: "overload", NEAR: "low-margin"}
"""States that are told from their alarm's beginning on."""


def _since(sheet: Mapping[str, Any], zone: ZoneInfo) -> str:
    state = sheet["seen"]["state"]
    since = sheet["seen"]["since"]
    if state in _STATE_ALARMS:
        since = next((one["since"] for one in sheet["alarms"] if one["id"] == _STATE_ALARMS[state]), None)
    return f" since {dated(since, zone)}" if since and state != NOT_HEARD else ""


def how_it_ended(ended: Mapping[str, Any]) -> str:
    """The verdict on its last run; empty where nothing was judged."""
    said = sentences(ended["end_cause"], ended["confidence"], next(iter(ended["evidence"]), None))
    return sentence(said) if said else ""


def _seen(sheet: Mapping[str, Any], zone: ZoneInfo) -> tuple[tuple[str, str, bool], ...]:
    """What was seen, line by line, with figures and times."""
    seen, estimate = sheet["seen"], sheet["estimate"] or {}
    three = sheet["phases"] == 3
    rows = [("State", f"{seen['state'][:1].upper()}{seen['state'][1:]}{_since(sheet, zone)}", False)]
    if sheet["ended"] is not None:
        ended = sheet["ended"]
        told = how_it_ended(ended)
        if told:
            rows.append(("How it ended", told, True))
        if ended["peak_amps"] is not None:
            share = f", {words.share(ended['peak_ratio'])} of its limit" if ended["peak_ratio"] is not None else ""
            rows.append(("Peak of that run", f"{words.amps(ended['peak_amps'])}{share}", False))
    if seen["highest_leg_amps"] is not None and seen["running"]:
        leg = f" (L{seen['amps'].index(seen['highest_leg_amps']) + 1})" if three else ""
        share = f": {words.share(seen['load_ratio'])} of its limit of {words.amps(seen['limit_amps'])}"
        full = f"{words.percent(seen['percent_of_full_load'])} of full-load amps"
        said = f"{words.amps(seen['highest_leg_amps'])}{leg}{share}, {full}"
        rows.append(("Highest leg" if three else "Load", said, True))
        if three:
            rows.append(("L1 / L2 / L3", words.with_unit(words.legs(seen["amps"]), "A"), False))
    if any(volt is not None for volt in seen["volts"]):
        unbalance = f", unbalance {words.percent(seen['unbalance_percent'], 1)}" if three else ""
        source = f" (from {sheet['supply']})" if seen["volts_from_supply"] and sheet["supply"] else ""
        name = "Volts 1-2 / 2-3 / 3-1" if three else "Volts"
        rows.append((name, f"{words.with_unit(words.volts(seen['volts']), 'V')}{unbalance}{source}", False))
    elif seen["time"]:
        rows.append(("Volts", "not measured", False))
    if seen["ambient_c"] is not None:
        rows.append(("Air", words.temperature(seen["ambient_c"], sheet["units"]), False))
    causes, parts = estimate.get("causes") or (), estimate.get("parts") or ()
    if causes:
        first = causes[0]
        name = CAUSES.get(first["cause"], first["cause"])
        evidence = f" {sentence(first['evidence'][0])}" if first["evidence"] else ""
        rows.append(("Most likely", f"{sentence(name)}{evidence}", True))
    if parts:
        told = ", ".join(f"{one['name']} {signed_amps(one['amps'])}" for one in parts)
        worked = f" (as of {dated(sheet['estimated'], zone)})" if _older(sheet["estimated"], seen["time"]) else ""
        total = signed_amps(sum(one["amps"] for one in parts))
        rows.append(("Highest leg less limit", f"{total}: {told}{worked}", True))
    return tuple(rows)


def _older(estimated: str | None, seen: str | None) -> bool:
    """Whether the estimate is of another time than the reading."""
    if estimated is None or seen is None:
        return False
    return abs(datetime.fromisoformat(estimated) - datetime.fromisoformat(seen)) > timedelta(minutes=15)


def _checks(sheet: Mapping[str, Any], zone: ZoneInfo) -> tuple[CheckRow, ...]:
    rows = []
    for check in checks_for(sheet["phases"]):
        done = sheet["checked"].get(check.name)
        told = "" if done is None else f"done {dated(done['done'], zone)} {by_whom(done['by'])}: {done['finding']}"
        rows.append(CheckRow(check.name, check.how, check.finding, told, check.name == SUPPLY_VOLTAGE.name))
    return tuple(rows)


def _inserts(pitch_to: float | None, inserts: int | None) -> str:
    """
    >>> _inserts(18.0, 6), _inserts(18.0, None)
    ('6 inserts of 18°', 'Inserts of 18°, one for each blade: count the blades')
    """
    if pitch_to is None:
        return "No insert is chosen: checks only"
    angle = words.degrees(pitch_to)
    if inserts is None:
        return f"Inserts of {angle}, one for each blade: count the blades"
    return f"{words.plural(inserts, 'insert')} of {angle}"


def _from_to(pitch_from: float | None, pitch_to: float | None) -> str:
    if pitch_to is None or pitch_from is None:
        return "" if pitch_from is None else f"now at {words.degrees(pitch_from)}"
    return f"in place of {words.degrees(pitch_from)}: {words.degrees(pitch_from - pitch_to)} less"


def _expected(sheet: Mapping[str, Any], plate: Nameplate, units: str) -> tuple[ExpectedRow, ...]:
    rows = []
    then, chosen = sheet["after_work"], sheet["chosen"]
    if then is not None:
        volts = "volts not measured" if then["volts"] is None else words.with_unit(words.figure(then["volts"], 0), "V")
        air = "air not known" if then["ambient_c"] is None else words.temperature(then["ambient_c"], units)
        rows.append(ExpectedRow(f"As seen: {volts}, {air}", words.amps(then["amps"]), _band(then), ""))
    if chosen is not None:
        coldest = plate.fan.coldest_expected_c
        where = "In the present air" if coldest is None else (
            f"Coldest expected: {words.temperature(coldest, units)}, same volts"
        )  # fmt: skip
        as_is = "supply first" if chosen["chance"] is None else words.chance(chosen["chance"])
        chance = f"{as_is}; {words.chance(chosen['chance_supply_right'])} with the supply put right"
        rows.append(ExpectedRow(where, words.amps(chosen["amps"]), _band(chosen), chance))
    return tuple(rows)


def _band(one: Mapping[str, Any]) -> str:
    return f"{words.amps_figure(one['low'])} to {words.amps_figure(one['high'])}"


def _target(estimate: Mapping[str, Any], plate: Nameplate) -> str:
    limit = (estimate.get("limit") or {}).get("amps")
    pitch = estimate.get("pitch") or {}
    if limit is None or not pitch:
        return ""
    margin = plate.fan.target_margin_percent
    target = f"Target: at most {words.amps(limit * (1 - margin / 100))}, {margin:g} % under the limit"
    why = pitch.get("as_is_why")
    told = f" On the supply as it is {WHY[why]}." if why in ("none needed", "none enough", "supply first") else ""
    return f"{target}.{told}"


def _cost(chosen: Mapping[str, Any] | None) -> str:
    """
    >>> _cost({"airflow_percent": 94.18})
    'Air: about 6 % less (5 to 8). Drying: about 6 % longer (5 to 9). An estimate.'
    """
    if chosen is None:
        return ""
    (less, less_band), (longer, longer_band) = air_words(cost_of(chosen["airflow_percent"]))
    return f"Air: {less} ({less_band}). Drying: {longer} ({longer_band}). An estimate." if less_band else "Air: as now."
