"""A fan's service record in words, as its page lists it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.records.service_record import CHECK, HAND_READING, LEAD_ROTATION, RE_PITCH
from monitor.web import words


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


def service_row(entry: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> ServiceRow:
    """One entry as the page shows it."""
    body, found = entry["body"], entry["found"]
    lines = [_sentence(text) for text in (*_readings(body), *found.get("words", ()))]
    if body.get("note"):
        lines.append(body["note"])
    taken_back = entry["withdrawn"]
    withdrawn = ""
    if taken_back is not None:
        why = f": {taken_back['why']}" if taken_back["why"] else ""
        withdrawn = f"Withdrawn {words.local(taken_back['entered'], zone, now)} by {taken_back['by']}{why}"
    return ServiceRow(
        entry["number"], _what(entry["kind"], body), words.local(entry["done"], zone, now), entry["by"], tuple(lines),
        withdrawn,
    )  # fmt: skip


def _what(kind: str, body: Mapping[str, Any]) -> str:
    """The first line of an entry.

    >>> _what("re-pitch", {"from": 21.0, "to": 19.0, "inserts": 6})
    'Re-pitched from 21 to 19 degrees, 6 inserts'
    """
    if kind == CHECK:
        return f"{body['check'].capitalize()} checked: {body['finding']}"
    if kind == RE_PITCH:
        inserts = f", {body['inserts']} inserts" if "inserts" in body else ""
        return f"Re-pitched from {body['from']:g} to {body['to']:g} degrees{inserts}"
    if kind == HAND_READING:
        return "Read by a hand meter"
    if kind == LEAD_ROTATION:
        return f"Leads rotated one place {body['way']}"
    return "Note"


def _readings(body: Mapping[str, Any]) -> list[str]:
    told = []
    for key, name in (("amps", ""), ("amps_before", "before: "), ("amps_after", "after: ")):
        if body.get(key):
            told.append(f"{name}{words.with_unit(words.legs(list(body[key])), 'A')}")
    for key, name in (("volts", "at the motor"), ("volts_at_service", "at the service")):
        if body.get(key):
            told.append(f"{name}: {words.with_unit(words.volts(list(body[key])), 'V')}")
    return told


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
