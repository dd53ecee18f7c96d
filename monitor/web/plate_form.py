"""What was typed into the form of a fan: the file it makes, every fault at its field, and what deserves a second look.

Nothing is entered while there are faults. With hints only, the form comes back once and says them; whoever has seen
them enters it as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from monitor.errors import ConfigError, Fault
from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.records.fan_text import Path, edited
from monitor.web.plate_fields import (
    BY_PLACE,
    INPUTS,
    Field,
    changes,
    shown_values,
    tables_of,
    which_of_several,
)
from monitor.web.plate_hints import Look, Newest, looks

OWN_OF_A_FAN: tuple[Path, ...] = (("fan", "amps_per_degree"), ("logger", "clamp_corrections"))
"""What was found at one fan and is never taken over for its sister."""


@dataclass(frozen=True)
class Entered:
    """What stands on the form, and what is wrong with it."""

    values: Mapping[str, str]
    """Input name -> text."""
    file: str = ""
    """A pasted or uploaded nameplate file; it counts instead of the fields when it is not empty."""
    at_fields: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Input name -> what is wrong there, in words."""
    others: tuple[str, ...] = ()
    """What is wrong elsewhere."""
    looks: tuple[Look, ...] = ()
    """What deserves a second look before it is entered."""
    plate: Nameplate | None = None
    """What was typed, where it can be read."""

    @property
    def faulty(self) -> bool:
        """Whether something is wrong."""
        return bool(self.at_fields or self.others)

    @property
    def marked(self) -> frozenset[str]:
        """Inputs that a hint is about."""
        return frozenset(name for one in self.looks for name in one.fields)

    def with_fault(self, name: str, words: str) -> Entered:
        """The same with one more fault at a field."""
        return replace(self, at_fields={**self.at_fields, name: (*self.at_fields.get(name, ()), words)})

    def with_other(self, *words: str) -> Entered:
        """The same with more faults that belong to no field."""
        return replace(self, others=(*self.others, *words))


def begun(text: str, units: str) -> Entered:
    """The form as it opens on a file; on an empty one it is empty."""
    return Entered(shown_values(tables_of(text), units))


def like(text: str) -> str:
    """A sister's file to begin with, without what was found at the sister alone."""
    return edited(text, dict.fromkeys(OWN_OF_A_FAN))


@dataclass(frozen=True)
class Judged:
    """A form that was sent."""

    entered: Entered
    text: str
    """The file it makes; empty where it cannot be read."""

    @property
    def plate(self) -> Nameplate | None:
        """The file, read; None with faults."""
        return self.entered.plate


def judge(
    typed: Mapping[str, str], file: str, base: str, units: str, newest: Newest, *, before: str | None = None,
    motor_changed: bool = False, correction: bool = True,
) -> Judged:  # fmt: skip
    """Reads what was typed.

    Parameters
    ----------
    typed : input name -> text
    file : a whole file instead of the fields; empty: the fields count
    base : the file that the fields change; empty for a new fan
    newest : what the logger read last
    before : the file in the register; what was worth a second look there already is not said again
    """
    shown = shown_values(tables_of(base), units)
    values = shown | {name: typed[name] for name in INPUTS if name in typed}
    entered = Entered(values, file)
    text = file if file.strip() else edited(base, changes(shown, typed, units))
    try:
        plate = read_nameplate(text, "file")
    except ConfigError as exc:
        if not exc.faults:
            return Judged(entered.with_other(exc.message), "")
        return Judged(_with_faults(entered, exc.faults, units, newest), "")
    if plate.motor.phases == 1 and newest.legs == 3:  # every reading it sends would be refused
        fault = Fault("motor.phases", "3, as its newest reading has three legs", "1")
        return Judged(_with_faults(entered, [fault], units, newest), "")
    known = set() if before is None else {one.mark for one in looks(before, read_nameplate(before), newest)}
    found = looks(text, plate, newest, before, motor_changed=motor_changed, correction=correction)
    odd = tuple(one for one in found if one.mark not in known)
    return Judged(replace(entered, looks=odd, plate=plate), text)


def _with_faults(entered: Entered, faults: Sequence[Fault], units: str, newest: Newest) -> Entered:
    for fault in faults:
        one = None if entered.file.strip() else _field_of(fault.place)
        entered = (
            entered.with_other(str(fault))
            if one is None
            else entered.with_fault(one.name, _words(one, fault, entered.values, units, newest))
        )
    return entered


def _field_of(place: str) -> Field | None:
    parts = place.split(".")
    return BY_PLACE.get(".".join(parts[:2]))


def _words(one: Field, fault: Fault, values: Mapping[str, str], units: str, newest: Newest) -> str:
    typed = values.get(one.name, "").strip()
    several = which_of_several(one, typed, newest.mean_volts)
    if several is not None:
        return several
    expected = one.expected.get(units, fault.expected)
    if one.kind == "name" and one.name in ("supply", "weather"):
        expected = f"{expected}, e.g. north-panel"
    return f"Expected {expected}, found {fault.found if not typed or one.kind == 'choice' else _quoted(typed)}."


def _quoted(typed: str) -> str:
    return f'"{typed[:60]}"'


def unseen(found: Sequence[Look], seen: str) -> list[Look]:
    """Of what deserves a second look what was not on the form that was sent; `seen` holds the marks of what was."""
    marks = set(seen.split())
    return [one for one in found if one.mark not in marks]


def merged(base: Mapping[str, str], newest: Mapping[str, str], typed: Mapping[str, str]) -> dict[str, str]:
    """What was typed over an older version, on the newest one: fields that were not touched stand as they stand now."""
    touched = {name for name in newest if name in typed and typed[name].strip() != base[name]}
    return {name: typed[name] if name in touched else newest[name] for name in newest}
