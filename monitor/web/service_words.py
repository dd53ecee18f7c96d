"""A fan's service record in words, as its pages list it: what was done, what was read, what followed from it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.motor import clamps
from monitor.records.service_record import CHECK, CLAMP_CORRECTION, HAND_READING, LEAD_ROTATION, RE_PITCH
from monitor.web import words

NOT_READ = "none"
"""Stands for the logger's value where it had none at that minute."""


@dataclass(frozen=True)
class Leg:
    """One leg, or one line voltage, by hand meter and by logger."""

    name: str
    """E.g. "L1" or "Volts 1-2"."""
    hand: str
    logger: str
    difference: str
    """Hand meter less logger, with its sign; empty where one of them has nothing."""


@dataclass(frozen=True)
class ServiceRow:
    """One entry."""

    number: int
    what: str
    """What was done, in one line."""
    when: str
    by: str
    lines: tuple[str, ...]
    """What was read, what it showed, what was noted."""
    withdrawn: str
    """That it was withdrawn, by whom and why; empty where it stands."""
    legs: tuple[Leg, ...] = ()
    """Of a hand reading that the logger has been put beside."""
    pairs: tuple[tuple[str, str], ...] = ()
    """Of a re-pitch: expected against found."""
    waits: str = ""
    """What is still waited for; empty where it is nothing."""
    is_check: bool = False
    """Whether it is one of the checks that come before the blades."""


def service_row(entry: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> ServiceRow:
    """One entry as the pages show it."""
    body, found, kind = entry["body"], entry["found"], entry["kind"]
    legs = _legs(body, found) if kind == HAND_READING else ()
    pairs = _expected_and_found(found) if kind == RE_PITCH else ()
    told = [] if legs else _readings(body)
    said = list(found.get("words", ()))
    if legs or pairs:
        said = said[1:]  # the first sentence tells in one line what stands there in figures
    if pairs and found.get("why_not"):
        said.insert(0, f"not learned from: {found['why_not']}")
    lines = [sentence(text) for text in (*told, *said)]
    if body.get("note"):
        lines.append(body["note"])
    taken_back = entry["withdrawn"]
    withdrawn = ""
    if taken_back is not None:
        why = f": {taken_back['why']}" if taken_back["why"] else ""
        withdrawn = f"Withdrawn {words.local(taken_back['entered'], zone, now)} by {taken_back['by']}{why}"
    return ServiceRow(
        entry["number"], what_of(kind, body), words.local(entry["done"], zone, now), entry["by"], tuple(lines),
        withdrawn, legs, pairs, "" if withdrawn else _waits(entry, legs), kind == CHECK,
    )  # fmt: skip


def what_of(kind: str, body: Mapping[str, Any]) -> str:
    """The first line of an entry.

    >>> what_of("re-pitch", {"from": 21.0, "to": 19.0, "inserts": 6})
    'Re-pitched from 21 to 19 degrees, 6 inserts'
    """
    if kind == CHECK:
        return f"{body['check'].capitalize()} checked: {body['finding']}"
    if kind == RE_PITCH:
        inserts = f", {words.plural(body['inserts'], 'insert')}" if "inserts" in body else ""
        return f"Re-pitched from {body['from']:g} to {body['to']:g} degrees{inserts}"
    if kind == HAND_READING:
        return "Read by a hand meter"
    if kind == LEAD_ROTATION:
        return f"Leads rotated one place {body['way']}"
    if kind == CLAMP_CORRECTION:
        return f"Clamps corrected: {clamps.words(body['factors'])}"
    return "Note"


def _waits(entry: Mapping[str, Any], legs: Sequence[Leg]) -> str:
    """What an entry still waits for, in words."""
    if not entry.get("waits"):
        return ""
    if entry["kind"] == RE_PITCH:
        return "Still waits for half an hour of running on either side of the work; looked at every 5 minutes."
    if legs:
        return "The logger's minute is not over yet: these may still move a little within 5 minutes."
    return "The logger's readings of that minute are not here yet; looked at again every 5 minutes."


def _legs(body: Mapping[str, Any], found: Mapping[str, Any]) -> tuple[Leg, ...]:
    """Hand meter beside logger, leg by leg; nothing where the logger has not been looked at, or had nothing."""
    logger = found.get("logger")
    if logger is None:
        return ()
    one_phase = len(body["amps"]) == 1
    names = ("Amps",) if one_phase else ("L1", "L2", "L3")
    rows = [
        Leg(name, words.amps(hand), _amps_or_none(seen), _signed(hand, seen, words.amps))
        for name, hand, seen in zip(names, body["amps"], logger["amps"], strict=False)
    ]
    names = ("Volts",) if one_phase else ("Volts 1-2", "Volts 2-3", "Volts 3-1")
    for name, hand, seen in zip(names, body.get("volts") or (), logger.get("volts") or (), strict=False):
        rows.append(Leg(name, _volts(hand), NOT_READ if seen is None else _volts(seen), _signed(hand, seen, _volts)))
    return tuple(rows)


def _amps_or_none(value: float | None) -> str:
    return NOT_READ if value is None else words.amps(value)


def _volts(value: float) -> str:
    return words.with_unit(words.figure(value, 0), "V")


def _signed(hand: float | None, seen: float | None, told: Any) -> str:
    """The difference of two figures with its sign.

    >>> _signed(17.2, 15.0, words.amps), _signed(14.9, 15.0, words.amps), _signed(15.0, None, words.amps)
    ('+2.2 A', '−0.1 A', '')
    """
    if hand is None or seen is None:
        return ""
    text: str = told(hand - seen)
    return text if text.startswith("−") or not text.strip("0. AV") else f"+{text}"


def _expected_and_found(found: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """What was expected of a re-pitch against what came of it; nothing before the fan has run on both sides."""
    expected, seen = found.get("predicted_amps"), found.get("found_amps")
    if expected is None or seen is None:
        return ()
    low, high = found["predicted_low_amps"], found["predicted_high_amps"]
    place = "within the band" if low <= seen <= high else "less than the band" if seen < low else "more than the band"
    band = f"{words.amps_figure(low)} to {words.amps_figure(high)}"
    rows = [
        ("Expected after it", f"{words.amps(expected)}, nine of ten outcomes {band}"),
        ("Found", f"{words.amps(seen)}, {place}"),
    ]
    if found.get("share_a_degree") is not None:
        share = words.percent(100.0 * found["share_a_degree"], 1)
        rows.append(("A degree was worth", f"{share} of shaft power"))
    return tuple(rows)


def _readings(body: Mapping[str, Any]) -> list[str]:
    told = []
    for key, name in (("amps", ""), ("amps_before", "before: "), ("amps_after", "after: ")):
        if body.get(key):
            told.append(f"{name}{words.with_unit(words.legs(list(body[key])), 'A')}")
    for key, name in (("volts", "at the motor"), ("volts_at_service", "at the service")):
        if body.get(key):
            told.append(f"{name}: {words.with_unit(words.volts(list(body[key])), 'V')}")
    return told


def sentence(text: str) -> str:
    """A text with a capital in front."""
    return text[:1].upper() + text[1:]
