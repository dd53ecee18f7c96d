"""The form that closes a job: what was typed, as the table that is checked and stored, and each fault at its field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.blades.checks import SUPPLY_VOLTAGE, checks_for
from monitor.errors import Fault
from monitor.records.actions import clean
from monitor.records.job_entry import AIR_BOUNDS_C
from monitor.records.service_entry import NOTE_LETTERS
from monitor.web import words
from monitor.web.plate_fields import number_of

LEFT = ""
"""The choice that the blades were left as they were."""
LONGEST = 4 * NOTE_LETTERS
_NUMBER_LETTERS = 40


@dataclass(frozen=True)
class Group:
    """Fields of one measure, in the order of the legs."""

    key: str
    """Of the table that is stored."""
    fields: tuple[str, ...]
    labels: tuple[str, ...]
    unit: str


@dataclass(frozen=True)
class Typed:
    """What was typed, and what is wrong with it."""

    values: Mapping[str, str]
    """Field -> text."""
    at_fields: Mapping[str, tuple[str, ...]]
    """Field -> what is wrong there, in words."""
    others: tuple[str, ...] = ()

    @property
    def faulty(self) -> bool:
        """Whether something is wrong."""
        return bool(self.at_fields or self.others)


def amps_group(phases: int) -> Group:
    """The legs after the work."""
    names = ("L1", "L2", "L3") if phases == 3 else ("Amps",)
    return Group("amps", tuple(f"amps_{place}" for place in range(len(names))), names, "A")


def volts_group(phases: int, before: str = "") -> Group:
    """Line voltages: with the readings after the work, or (`at_motor_`, `at_service_`) of the check of the supply."""
    names = ("v12", "v23", "v31") if phases == 3 else ("Volts",)
    return Group("volts", tuple(f"{before}volts_{place}" for place in range(len(names))), names, "V")


def check_field(place: int) -> str:
    """The field of one check's finding."""
    return f"check_{place}"


def blank(now: datetime, zone: ZoneInfo, pitch_to: float | None) -> Typed:
    """The form as it is first shown: read just now, with the insert that was planned."""
    local = f"{now.astimezone(zone):%Y-%m-%dT%H:%M}"
    return Typed({"done": local, "pitch": LEFT if pitch_to is None else f"{pitch_to:g}"}, {})


def read(
    form: Mapping[str, str], *, phases: int, zone: ZoneInfo, units: str, now: datetime
) -> tuple[dict[str, Any], Typed]:
    """The table of what was typed (keys of `job_entry.CloseJob`), as far as it can be read, and the faults at fields.

    Parameters
    ----------
    form : field -> text
    units : of the site: in them the air was typed
    now : a time of this very minute counts as now: the field has no seconds
    """
    faults: dict[str, tuple[str, ...]] = {}
    table: dict[str, Any] = {}
    for key in ("done", "changed"):
        text = form.get(key, "").strip()
        time = _time(text, zone)
        if text and time is None:
            faults[key] = ("Expected a day and a time.",)
        elif time is not None:
            table[key] = min(time, now).isoformat() if 0 <= (time - now).total_seconds() < 60 else time.isoformat()
    for group in (amps_group(phases), volts_group(phases)):
        values = _values(form, group, faults)
        if values is not None:
            table[group.key] = values
    _air(form, units, table, faults)
    if form.get("pitch", LEFT).strip() != LEFT:
        pitch = number_of(form["pitch"])
        table["pitch"] = pitch if isinstance(pitch, str) else float(pitch)
    table["checks"] = _checks(form, phases, faults)
    note = clean(form.get("note", ""), NOTE_LETTERS)
    if note:
        table["note"] = note
    return table, Typed(dict(form), faults)


def _time(text: str, zone: ZoneInfo) -> datetime | None:
    try:
        time = datetime.fromisoformat(text)
        return (time if time.tzinfo is not None else time.replace(tzinfo=zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _values(form: Mapping[str, str], group: Group, faults: dict[str, tuple[str, ...]]) -> list[float] | None:
    """The figures of a group; None where all fields are empty, or one is wrong."""
    typed = [form.get(field, "").strip() for field in group.fields]
    if not any(typed):
        return None
    most = 2000 if group.unit == "A" else 1000
    values = []
    for field, text in zip(group.fields, typed, strict=True):
        value = number_of(text[:_NUMBER_LETTERS])
        if not text:
            faults[field] = (f"Expected all {len(typed)}, or none.",)
        elif isinstance(value, str) or not 0 <= value <= most:
            faults[field] = (f"Expected a number from 0 to {most}.",)
        else:
            values.append(float(value))
    return values if len(values) == len(typed) else None


def _air(form: Mapping[str, str], units: str, table: dict[str, Any], faults: dict[str, tuple[str, ...]]) -> None:
    text = form.get("air", "").strip().replace("\N{MINUS SIGN}", "-").rstrip("°CF ")
    if not text:
        return
    value = number_of(text)
    celsius = None if isinstance(value, str) else float(value) if units == "si" else (value - 32.0) / 1.8
    least, most = AIR_BOUNDS_C
    if celsius is None or not least <= celsius <= most:
        ends = " to ".join(words.temperature(one, units) for one in AIR_BOUNDS_C)
        faults["air"] = (f"Expected a temperature from {ends}.",)
    else:
        table["ambient_c"] = round(celsius, 2)


def _checks(form: Mapping[str, str], phases: int, faults: dict[str, tuple[str, ...]]) -> list[dict[str, Any]]:
    rows = []
    for place, check in enumerate(checks_for(phases)):
        finding = form.get(check_field(place), "").strip()
        row: dict[str, Any] = {"check": check.name, "finding": finding}
        if check.name == SUPPLY_VOLTAGE.name:
            typed = False
            for key, before in (("volts", "at_motor_"), ("volts_at_service", "at_service_")):
                group = volts_group(phases, before)
                values = _values(form, group, faults)
                typed = typed or any(form.get(field, "").strip() for field in group.fields)
                if values is not None:
                    row[key] = values
            if not finding and typed:
                faults[check_field(place)] = ("Expected what the check found, beside its volts.",)
        if finding:
            rows.append(row)
    return rows


def with_faults(typed: Typed, faults: Iterable[Fault], table: Mapping[str, Any], phases: int) -> Typed:
    """The form again, with what the record says against it, each at its field as far as it has one."""
    at_fields, others = dict(typed.at_fields), list(typed.others)
    names = [check.name for check in checks_for(phases)]
    for fault in faults:
        field = _field(fault.place.split("."), table, names)
        told = _told(fault, field)
        if field is None:
            others.append(str(fault))
        elif field not in typed.at_fields:  # what cannot even be read is told once
            at_fields[field] = (*at_fields.get(field, ()), told)
    return Typed(typed.values, at_fields, tuple(others))


def _told(fault: Fault, field: str | None) -> str:
    """A fault in the words of whoever typed it: the time was picked from a calendar, not written."""
    if field in ("done", "changed") and "RFC 3339" in fault.expected:
        return "Expected a time that is past."
    if field == "changed" and fault.expected.startswith("a time not after"):
        return f"Expected {fault.expected}."
    return f"Expected {fault.expected}, found {fault.found}."


def _field(place: list[str], table: Mapping[str, Any], names: list[str]) -> str | None:
    """The field of a place in the table."""
    first = place[0]
    if first in ("done", "changed", "pitch", "note"):
        return first
    if first == "ambient_c":
        return "air"
    if first in ("amps", "volts"):
        return f"{first}_{place[1] if len(place) > 1 else 0}"
    if first == "checks" and len(place) > 1:
        return check_field(names.index(table["checks"][int(place[1])]["check"]))
    return None
