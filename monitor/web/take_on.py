"""Taking on a fan that sends readings and is not in the register: a few fields, or a whole nameplate file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import tomli_w

from monitor.errors import Fault


@dataclass(frozen=True)
class Field:
    """One field of the form."""

    name: str
    """Of the input."""
    place: str
    """Dotted path in a nameplate file."""
    label: str
    hint: str
    required: bool = False
    unit: str = ""


FIELDS = (
    Field("rated_voltage", "motor.rated_voltage", "Rated voltage", "as connected, e.g. 460", True, "V"),
    Field("phases", "motor.phases", "Phases", "", True),
    Field(
        "full_load_amps", "motor.full_load_amps", "Full-load amps", "FLA on the nameplate, at this voltage", True, "A"
    ),
    Field("service_factor", "motor.service_factor", "Service factor", "SF, e.g. 1.15; empty: 1.0"),
    Field("rated_power_hp", "motor.rated_power_hp", "Horsepower", "HP on the nameplate", False, "hp"),
    Field(
        "setting_amps", "protection.setting_amps", "Overload setting", "what the overload relay is set to", False, "A"
    ),
)
BY_PLACE = {field.place: field for field in FIELDS}
LONGEST = 40


@dataclass(frozen=True)
class Entered:
    """What was typed, and what is wrong with it."""

    values: Mapping[str, str]
    """Input name -> text."""
    file: str
    """A pasted nameplate file; it counts instead of the fields when it is not empty."""
    at_fields: Mapping[str, tuple[str, ...]]
    """Input name -> what is wrong there, in words."""
    others: tuple[str, ...]
    """What is wrong elsewhere."""

    @property
    def faulty(self) -> bool:
        """Whether something is wrong."""
        return bool(self.at_fields or self.others)


def blank(phases: int | None = None) -> Entered:
    """An empty form."""
    return Entered({"phases": str(phases)} if phases else {}, "", {}, ())


def number_of(text: str) -> int | float | str:
    """The number a person typed, with a decimal point or comma; the text itself where it is none.

    >>> number_of("460"), number_of(" 12,4 "), number_of("12A")
    (460, 12.4, '12A')
    """
    typed = text.strip()
    plain = typed.replace(",", ".", 1) if "." not in typed else typed
    try:
        value = float(plain)
    except ValueError:
        return typed
    if value != value or value in (float("inf"), float("-inf")) or "_" in plain:
        return typed
    return int(value) if value.is_integer() else value


def nameplate_text(values: Mapping[str, str]) -> str:
    """The fields as the text of a nameplate file; empty fields are left out."""
    tables: dict[str, dict[str, Any]] = {"motor": {}}
    for field in FIELDS:
        typed = values.get(field.name, "").strip()
        if typed:
            table, key = field.place.split(".")
            tables.setdefault(table, {})[key] = number_of(typed)
    return tomli_w.dumps(tables)


def refused(values: Mapping[str, str], file: str, message: str, faults: tuple[Fault, ...]) -> Entered:
    """The form again, with each fault at its field."""
    at_fields: dict[str, tuple[str, ...]] = {}
    others = []
    for fault in faults:
        field = None if file else BY_PLACE.get(fault.place.removeprefix("file."))
        if field is None:
            others.append(str(fault))
        else:
            at_fields[field.name] = (*at_fields.get(field.name, ()), f"Expected {fault.expected}, found {fault.found}.")
    return Entered(values, file, at_fields, tuple(others) if faults else (message,))
