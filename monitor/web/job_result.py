"""What the work of a job has brought, in words a farmer reads: predicted against found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from monitor.blades.after_work import LESS, MORE
from monitor.records.service_record import RE_PITCH, Entry
from monitor.web import words
from monitor.web.fan_page import sentence
from monitor.web.job_words import dated

ADVICE = {
    MORE: "It draws more than the blades explain. See that every blade has the same insert; then look at the supply, "
    "the bearings and how deep the grain lies, before more pitch is taken out.",
    LESS: "It draws less than the blades explain. See that air comes, that it turns the right way round and that every "
    "blade has the same insert. Less pitch can also have ended a stall.",
}


@dataclass(frozen=True)
class Result:
    """The end of a job that is done."""

    tone: str
    """Class of its colour."""
    verdict: str
    """As expected, or not; empty where nothing was predicted or read."""
    told: str
    """Predicted against found, in one sentence."""
    lines: tuple[str, ...]
    later: tuple[str, ...]
    """What half an hour of running has shown since."""


def result_of(found: Mapping[str, Any], entries: Sequence[Entry], pitch_from: float | None, zone: ZoneInfo,
              units: str) -> Result:  # fmt: skip
    """The end of a job as its page tells it.

    Parameters
    ----------
    found : as `service.job_findings` stored it
    entries : what closing it has entered in the service record
    """
    read, meter = (found["hand"], "hand meter") if found["hand"] else (found["logger"], "the logger")
    verdict = (read or {}).get("verdict") or ""
    lines = []
    if found["hand"] and found["logger"]:
        lines.append(f"The logger had {words.amps(found['logger']['highest'])} within a minute of it.")
    lines += _coldest(found["coldest"], units)
    lines.append(_blades(found, pitch_from, zone))
    if found["checks"]:
        told = "; ".join(f"{one['check']}: {one['finding']}" for one in found["checks"])
        lines.append(f"Checked: {told}.")
    if found["note"]:
        lines.append(found["note"])
    lines += [sentence(text) for text in found["words"] if text.endswith("the band is wider for it")]
    if verdict in ADVICE:
        lines.insert(0, ADVICE[verdict])
    re_pitches = [one for one in entries if one.kind == RE_PITCH and one.withdrawn is None]
    later = [text for one in re_pitches for text in one.found.get("words", ())]
    withdrawn = [one.number for one in entries if one.withdrawn is not None]
    if withdrawn:
        numbers = ", ".join(f"{number}" for number in withdrawn)
        lines.append(f"Of what was entered here was withdrawn since: entry {numbers} of the service record.")
    return Result(
        "near" if verdict in ADVICE else "good" if verdict else "", verdict, _told(found, read, meter, units),
        tuple(lines), tuple(sentence(text) for text in later),
    )  # fmt: skip


def _told(found: Mapping[str, Any], read: Mapping[str, Any] | None, meter: str, units: str) -> str:
    """
    >>> _told({"expected": {"amps": 11.4, "low": 10.9, "high": 11.9}, "expected_why": None, "volts": [450.0, 449, 451],
    ...        "volts_from": "hand meter", "ambient_c": 15.0}, {"highest": 11.6, "verdict": "as expected"},
    ...       "hand meter", "us")
    'Expected 11.4 A (10.9 to 11.9) at 450 V and 59 °F, found 11.6 A by hand meter: as expected.'
    """
    then = found["expected"]
    if then is None:
        told = sentence(found["expected_why"])
        return told if read is None else f"{told} Found {words.amps(read['highest'])} by {meter}."
    band = f"{words.amps_figure(then['low'])} to {words.amps_figure(then['high'])}"
    volts, air = found["volts"], found["ambient_c"]
    at = [] if not volts else [words.with_unit(words.figure(sum(volts) / len(volts), 0), "V")]
    at += [] if air is None else [words.temperature(air, units)]
    where = f" at {' and '.join(at)}" if at else ""
    expected = f"Expected {words.amps(then['amps'])} ({band}){where}"
    if read is None:
        return f"{expected}; nothing was read after the work, and the logger has nothing of that minute."
    return f"{expected}, found {words.amps(read['highest'])} by {meter}: {read['verdict']}."


def _coldest(coldest: Mapping[str, Any] | None, units: str) -> list[str]:
    """What it makes of the coldest air expected."""
    if coldest is None:
        return []
    amps, limit, target = coldest["amps"], coldest["limit_amps"], coldest["target_amps"]
    stands = f"under the target of {words.amps(target)}" if amps <= target else (
        f"over the target of {words.amps(target)}, under the limit of {words.amps(limit)}" if amps < limit else
        f"over the limit of {words.amps(limit)}"
    )  # fmt: skip
    air = words.temperature(coldest["ambient_c"], units)
    return [f"In air of {air}, the coldest expected, that makes {words.amps(amps)}: {stands}."]


def _blades(found: Mapping[str, Any], pitch_from: float | None, zone: ZoneInfo) -> str:
    now = found["pitch"]
    if now is None:
        return "The pitch of the blades is not registered."
    if now == pitch_from:
        return f"The blades were left as they were, at {words.degrees(now)}."
    when = f", changed {dated(found['changed'], zone)}" if found["changed"] else ""
    before = "" if pitch_from is None else f" instead of {words.degrees(pitch_from)}"
    return f"Blades now at {words.degrees(now)}{before}{when}."
