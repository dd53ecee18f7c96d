"""The forms of a service record: from what was typed to an entry, and from an entry's faults back to the fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.errors import Fault
from monitor.motor import clamps
from monitor.records.service_record import (
    CHECK,
    CLAMP_CORRECTION,
    HAND_READING,
    LEAD_ROTATION,
    NOTE,
    RE_PITCH,
    WITHDRAW,
)
from monitor.web.plate_fields import number_of

KIND_OF = {
    "check": CHECK,
    "hand-reading": HAND_READING,
    "re-pitch": RE_PITCH,
    "lead-rotation": LEAD_ROTATION,
    "correct-clamps": CLAMP_CORRECTION,
    "note": NOTE,
    "withdraw": WITHDRAW,
}
"""Last part of a form's address -> kind of the entry it makes."""

LISTS: Mapping[str, tuple[str, ...]] = {
    "amps": ("l1", "l2", "l3"),
    "volts": ("v12", "v23", "v31"),
    "volts_at_service": ("s12", "s23", "s31"),
    "amps_before": ("b1", "b2", "b3"),
    "amps_after": ("a1", "a2", "a3"),
    "factors": ("f1", "f2", "f3"),
}
"""Key of an entry that holds several figures -> its fields, in order."""
_LISTS_OF = {
    CHECK: ("volts", "volts_at_service"),
    HAND_READING: ("amps", "volts"),
    LEAD_ROTATION: ("amps_before", "amps_after"),
    CLAMP_CORRECTION: ("factors",),
}
_NEEDED = ("amps", "amps_before", "amps_after")
"""These are missing where no figure was typed; the others are left out then."""
_NUMBERS_OF = {RE_PITCH: ("from", "to", "inserts"), WITHDRAW: ("number",)}
_WORDS_OF = {CHECK: ("check", "finding"), LEAD_ROTATION: ("way",), WITHDRAW: ("why",)}
_EXPECTED = {
    "amps": "0 to 2000",
    "volts": "above 0, to 1000",
    "factors": f"{clamps.LEAST:g} to {clamps.GREATEST:g}",
    "done": "a date and a time of day",
    "finding": "one of the three",
    "way": "one of the two",
}
"""What is expected of a field, where the words for programs would not help who fills in a form."""


@dataclass(frozen=True)
class Typed:
    """A form as it was typed, and what is wrong with it."""

    form: str = ""
    """Which form: a key of KIND_OF, of a check with its name behind a slash; empty: none was sent."""
    values: Mapping[str, str] = field(default_factory=dict)
    """Field -> text."""
    at_fields: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Field -> what is wrong there, in words."""
    others: tuple[str, ...] = ()
    """What is wrong elsewhere."""

    def value(self, form: str, name: str) -> str:
        """What stands in a field of a form."""
        return self.values.get(name, "") if form == self.form else ""

    def faults(self, form: str, name: str) -> tuple[str, ...]:
        """What is wrong at a field of a form."""
        return self.at_fields.get(name, ()) if form == self.form else ()

    @property
    def faulty(self) -> bool:
        """Whether something is wrong."""
        return bool(self.at_fields or self.others)


def form_of(form: str, values: Mapping[str, str]) -> str:
    """The name of one form on the page: there are several for checks, one for each."""
    return f"{form}/{values.get('check', '')}" if form == "check" else form


def entry_of(form: str, values: Mapping[str, str], phases: int, zone: ZoneInfo) -> dict[str, Any]:
    """The entry that a form asks for, for `service_entry.read_entry` to check.

    Parameters
    ----------
    form : a key of KIND_OF
    values : field -> text; unknown fields count for nothing
    phases : of the fan's motor
    zone : of the site: times of day are by its clock
    """
    kind = KIND_OF[form]
    entry: dict[str, Any] = {"kind": kind}
    for name in _WORDS_OF.get(kind, ()):
        if values.get(name, "").strip():
            entry[name] = values[name].strip()
    for name in _NUMBERS_OF.get(kind, ()):
        if values.get(name, "").strip():
            entry[name] = number_of(values[name])
    for key in _LISTS_OF.get(kind, ()):
        if key == "factors":  # nothing typed: as sent
            values = {name: values.get(name, "").strip() or "1" for name in LISTS[key]} | {
                name: text for name, text in values.items() if name not in LISTS[key]
            }
        figures = _figures([values.get(name, "") for name in LISTS[key][: 3 if phases == 3 else 1]])
        if figures is not None or key in _NEEDED:
            entry[key] = figures
    if kind == RE_PITCH and values.get("correct"):
        entry["correct"] = True
    if values.get("note", "").strip():
        entry["note"] = values["note"]
    if values.get("done", "").strip():
        entry["done"] = _time(values["done"].strip(), zone)
    return entry


def _figures(typed: Sequence[str]) -> list[Any] | None:
    """Figures in order; None where none was typed."""
    figures = [number_of(text) if text.strip() else None for text in typed]
    return None if all(one is None for one in figures) else figures


def _time(text: str, zone: ZoneInfo) -> str:
    """A time of day by the site's clock as RFC 3339; what is none as it was typed, to be refused with its place."""
    try:
        time = datetime.fromisoformat(text)
        return (time if time.tzinfo is not None else time.replace(tzinfo=zone)).isoformat()
    except (ValueError, OverflowError):
        return text


def refused(form: str, values: Mapping[str, str], faults: Sequence[Fault], message: str, phases: int) -> Typed:
    """The form again, each fault at its field, what was typed kept."""
    at_fields: dict[str, tuple[str, ...]] = {}
    others: list[str] = []
    for fault in faults:
        said = _in_words(fault)
        fields = _fields_of(fault.place, values, phases)
        if form == "withdraw":  # whose entry may stand on another page by now
            others.append(said)
            continue
        if not fields:
            others.append(f"{fault.place}: {said}")
        for name in fields:
            at_fields[name] = (*at_fields.get(name, ()), said)
    return Typed(form_of(form, values), dict(values), at_fields, tuple(others) if faults else (message,))


def _fields_of(place: str, values: Mapping[str, str], phases: int) -> tuple[str, ...]:
    """The fields that a fault's place stands for; of a whole list those that were left empty, else all."""
    key, _, at = place.partition(".")
    if key in LISTS:
        fields = LISTS[key][: 3 if phases == 3 else 1]
        if at.isdigit():
            return (fields[int(at)],) if int(at) < len(fields) else fields[-1:]
        return tuple(one for one in fields if not values.get(one, "").strip()) or fields
    known = {"done", "note", "from", "to", "inserts", "check", "finding", "way", "number", "why", "by"}
    return (key,) if key in known else ()


def _in_words(fault: Fault) -> str:
    """A fault as somebody at the fan reads it."""
    key = fault.place.partition(".")[0]
    kind = "amps" if key.startswith("amps") else "volts" if key.startswith("volts") else key
    expected, found = fault.expected, fault.found
    if found == "None":
        found = "nothing"
    if "not in the future" in expected:
        return "This time lies in the future, or before the year 2000."
    if kind in _EXPECTED and not expected.startswith(("nothing", "currents", "a time not", "others")):
        expected = _EXPECTED[kind]
    expected = expected.replace('"correct": true beside it, if the register was wrong', "tick below that it was wrong")
    expected = expected.replace("minimum_pitch_degrees", "the least pitch registered")
    return f"Expected {expected}, found {found}."
