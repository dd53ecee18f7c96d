"""The fields of a nameplate on a form: what stands in them, and what is meant by what was typed.

Plates print "208-230/460", "7 1/2 HP", an efficiency of 89.5 and an air temperature in degrees Celsius; a technician
types what stands there. A field that was not touched changes nothing: its value keeps its spelling and every digit.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.motor.nec import COLUMN_REACH
from monitor.records.actions import clean
from monitor.records.fan_text import Path

INCH_CM = 2.54
LONGEST = 400
"""Letters of a field."""


@dataclass(frozen=True)
class Field:
    """One field of the form; `name` is that of the input."""

    name: str
    path: Path
    """Table and key of the nameplate file."""
    label: str
    hint: str = ""
    unit: str = ""
    kind: str = "number"
    """number, list, word, name, percent, fraction, air (in the site's degrees), span (in the site's lengths), choice or
    power."""
    choices: tuple[tuple[str, str], ...] = ()
    """Value in the form and its words, for a choice."""
    needed: bool = False
    expected: Mapping[str, str] = field(default_factory=dict)
    """Units -> what is expected, where the form's unit is not the file's."""

    @property
    def place(self) -> str:
        """Dotted path, as faults name it."""
        return ".".join(self.path)

    def unit_in(self, units: str) -> str:
        """Its unit on a form of a site with these units."""
        if self.kind == "air":
            return "°C" if units == "si" else "°F"
        if self.kind == "span":
            return "cm" if units == "si" else "in"
        return self.unit


@dataclass(frozen=True)
class Group:
    """Fields that stand together."""

    name: str
    title: str
    fields: tuple[Field, ...]
    says: str = ""
    folded: bool = False

    def filled(self, values: Mapping[str, str]) -> int:
        """How many of its fields hold something."""
        return sum(bool(values.get(one.name, "").strip()) for one in self.fields)

    def holds(self, names: Collection[str]) -> bool:
        """Whether one of these inputs is among its fields."""
        return any(one.name in names for one in self.fields)


POWER = Field(
    "rated_power", ("motor", "rated_power_hp"), "Power", "HP or kW on the plate, e.g. 10 or 7 1/2", kind="power"
)
UNIT_OF_POWER = "rated_power_unit"

GROUPS = (
    Group("plate", "The motor's nameplate", (
        POWER,
        Field("rated_voltage", ("motor", "rated_voltage"), "Voltage",
              "the one it is connected for: of 230/460 only one", "V", needed=True),
        Field("phases", ("motor", "phases"), "Phases", "PH", kind="choice", choices=(("3", "3"), ("1", "1")),
              needed=True),
        Field("full_load_amps", ("motor", "full_load_amps"), "Full-load amps",
              "FLA or AMPS, of that voltage: of 25/12.4 at 460 V the 12.4", "A", needed=True),
        Field("service_factor", ("motor", "service_factor"), "Service factor",
              "SF, e.g. 1.15; 1 if the plate prints none"),
    )),
    Group("device", "Overload device and control", (
        Field("protection_type", ("protection", "type"), "What protects the motor", kind="choice", choices=(
            ("overload relay", "overload relay in the starter"),
            ("built-in protector", "protector built into the motor"),
            ("none", "nothing"), ("unknown", "not known"))),
        Field("setting_amps", ("protection", "setting_amps"), "Overload setting",
              "read from the dial; without it no time to trip", "A"),
        Field("control", ("fan", "control"), "What starts and stops it", kind="choice", choices=(
            ("continuous", "nothing: it is to run day and night"), ("cycled", "thermostat, humidistat or timer"),
            ("manual", "somebody by hand"))),
    )),
    Group("blades", "Blades and inserts", (
        Field("blade_pitch_degrees", ("fan", "blade_pitch_degrees"), "Blade pitch now", "", "°"),
        Field("available_pitch_degrees", ("fan", "available_pitch_degrees"), "Inserts on hand",
              "their angles with spaces between, e.g. 13 15 17.5", "°", "list"),
        Field("minimum_pitch_degrees", ("fan", "minimum_pitch_degrees"), "Least pitch allowed", "for this fan", "°"),
        Field("blades", ("fan", "blades"), "Number of blades", "so many inserts are to order"),
        Field("diameter_in", ("fan", "diameter_in"), "Blade tip diameter", kind="span",
              expected={"si": "centimetres above 0, at most 508"}),
        Field("coldest_expected_c", ("fan", "coldest_expected_c"), "Coldest air it is to run in",
              "cold air is dense: it draws most then", kind="air",
              expected={"us": "degrees Fahrenheit from -76 to 104"}),
        Field("target_margin_percent", ("fan", "target_margin_percent"), "Margin wanted", "empty: 5", "%"),
        Field("amps_per_degree", ("fan", "amps_per_degree"), "Amps a degree",
              "only if this very fan was measured so", "A"),
    ), "With these it can be said how many degrees less would do, and which insert that is.", folded=True),
    Group("more", "More from the motor's nameplate", (
        Field("service_factor_amps", ("motor", "service_factor_amps"), "Service-factor amps", "SFA", "A"),
        Field("rated_speed_rpm", ("motor", "rated_speed_rpm"), "Speed", "RPM", "rpm"),
        Field("efficiency", ("motor", "efficiency"), "Efficiency", "EFF, e.g. 89.5", "%", "percent",
              expected=dict.fromkeys(("us", "si"), "percent above 20 and below 100")),
        Field("power_factor", ("motor", "power_factor"), "Power factor", "PF, e.g. 0.84 or 84", kind="fraction"),
        Field("poles", ("motor", "poles"), "Poles", "empty: told by the speed", kind="choice",
              choices=tuple((str(one), str(one)) for one in (2, 4, 6, 8, 10, 12))),
        Field("insulation_class", ("motor", "insulation_class"), "Insulation class", "INS CL", kind="choice",
              choices=tuple((one, one) for one in "ABFH")),
        Field("max_ambient_c", ("motor", "max_ambient_c"), "Greatest air temperature", "AMB; plates print °C", "°C"),
        Field("code_letter", ("motor", "code_letter"), "Code letter", "CODE, one letter", kind="word"),
        Field("trip_class", ("protection", "trip_class"), "Trip class of the overload device", "empty: taken as 10",
              kind="choice", choices=tuple((str(one), str(one)) for one in (5, 10, 20, 30))),
        Field("trip_ratio", ("protection", "trip_ratio"), "It opens in the end at", "times its setting; empty: 1.15",
              "x"),
    ), folded=True),
    Group("around", "Its surroundings", (
        Field("supply", ("fan", "supply"), "Supply point", "that measures its volts, if its own logger does not",
              kind="name"),
        Field("weather", ("fan", "weather"), "Weather point", "that measures its air, if its own logger does not",
              kind="name"),
        Field("plenum", ("fan", "plenum"), "Bin", "fans with the same name here blow into the same bin", kind="name"),
    ), folded=True),
    Group("logger", "Its logger", (
        Field("period_seconds", ("logger", "period_seconds"), "One reading each", "empty: learned from its readings",
              "s"),
        Field("accuracy_percent", ("logger", "accuracy_percent"), "Accuracy, of the reading", "empty: 2", "%"),
        Field("accuracy_amps", ("logger", "accuracy_amps"), "Accuracy beside it", "empty: 0.5", "A"),
        Field("averaging", ("logger", "averaging"), "A reading is", kind="choice",
              choices=(("false", "a sample"), ("true", "the mean since the one before"))),
    ), folded=True),
)  # fmt: skip
FIELDS = tuple(one for group in GROUPS for one in group.fields)
BY_PLACE = {one.place: one for one in FIELDS} | {"motor.rated_power_kw": POWER}
INPUTS = (*(one.name for one in FIELDS), UNIT_OF_POWER)

_FRACTION = re.compile(r"(?:(\d{1,4})[ -]+)?(\d{1,2})/(\d{1,2})")
_SEVERAL = re.compile(r"\d[\d.,]*(?:\s*[-/]\s*\d[\d.,]*)+")


def number_of(text: str) -> int | float | str:
    """The number a person typed, with a decimal point or comma; the text itself where it is none.

    >>> number_of("460"), number_of(" 12,4 "), number_of("12A"), number_of("1,150")
    (460, 12.4, '12A', 1.15)
    """
    typed = text.strip()
    plain = typed.replace("−", "-")
    plain = plain.replace(",", ".", 1) if "." not in plain else plain
    try:
        value = float(plain)
    except ValueError:
        return typed
    if value != value or value in (float("inf"), float("-inf")) or "_" in plain:
        return typed
    return int(value) if value.is_integer() else value


def shown_values(tables: Mapping[str, Any], units: str) -> dict[str, str]:
    """Input name -> what stands in it, for the tables of a file."""
    shown = {one.name: _shown(one, _value(tables, one.path), units) for one in FIELDS}
    kilowatts = _value(tables, ("motor", "rated_power_kw"))
    shown[UNIT_OF_POWER] = "hp" if units != "si" else "kW"
    if kilowatts is not None:
        shown |= {POWER.name: _plain(kilowatts), UNIT_OF_POWER: "kW"}
    elif shown[POWER.name]:
        shown[UNIT_OF_POWER] = "hp"
    return shown


def _value(tables: Mapping[str, Any], path: Path) -> Any:
    table = tables.get(path[0])
    return table.get(path[1]) if isinstance(table, Mapping) else None


def _plain(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.10g}"
    return str(value)


def _shown(one: Field, value: Any, units: str) -> str:
    if value is None:
        return ""
    if one.kind == "list":
        return " ".join(_plain(part) for part in value) if isinstance(value, list) else _plain(value)
    if isinstance(value, int | float) and not isinstance(value, bool):
        if one.kind == "air" and units != "si":
            return _plain(round(value * 9 / 5 + 32, 1))
        if one.kind == "span" and units == "si":
            return _plain(round(value * INCH_CM, 1))
        if one.kind == "percent":
            return _plain(round(100 * value, 6))
    return _plain(value)


def meant(one: Field, typed: str, units: str) -> Any:
    """The value in the file of what was typed in a field; text that is no such value stays text, to be told as a
    fault. None: the field is empty."""
    text = clean(typed, LONGEST)
    if not text:
        return None
    if one.kind in ("choice", "word", "name"):
        return _chosen(one, text)
    text = _without_unit(text, one.unit_in(units))
    if one.kind == "list":
        return [number_of(_without_unit(part, "°")) for part in re.split(r"[\s;,]+", text) if part]
    value = number_of(text)
    if isinstance(value, str):
        return value
    if one.kind == "air" and units != "si":
        return _whole(round((value - 32) * 5 / 9, 2))
    if one.kind == "span" and units == "si":
        return _whole(round(value / INCH_CM, 3))
    if one.kind in ("percent", "fraction") and value > 1:
        return _whole(round(value / 100, 8))
    return value


def _whole(value: float) -> int | float:
    return int(value) if float(value).is_integer() else value


def _chosen(one: Field, text: str) -> Any:
    if one.kind == "word":
        return text.upper()
    if one.kind == "name":
        return text
    if text in ("true", "false"):
        return text == "true"
    return int(text) if text.isascii() and text.isdigit() and len(text) < 4 else text


def _without_unit(text: str, unit: str) -> str:
    """ "12.4 A" as "12.4"; the unit of the field only: volts typed for amps stay a fault."""
    if unit and text.lower().endswith(unit.lower()):
        return text[: -len(unit)].rstrip()
    return text.removesuffix("°") if unit in ("°C", "°F") else text


def power_meant(typed: str, unit: str) -> tuple[str, Any]:
    """Key and value of the power that was typed: "7 1/2" horsepower, and a unit behind the number counts.

    >>> power_meant("7 1/2", "hp"), power_meant("7.5kW", "hp"), power_meant("1-1/2 HP", "kW"), power_meant("ten", "hp")
    (('rated_power_hp', 7.5), ('rated_power_kw', 7.5), ('rated_power_hp', 1.5), ('rated_power_hp', 'ten'))
    """
    text = clean(typed, LONGEST)
    for ending in ("hp", "kw"):
        if text.lower().endswith(ending):
            text, unit = text[:-2].rstrip(), ending
    key = "rated_power_kw" if unit.lower() == "kw" else "rated_power_hp"
    fraction = _FRACTION.fullmatch(text)
    if fraction is not None and int(fraction[3]):
        return key, _whole(int(fraction[1] or 0) + int(fraction[2]) / int(fraction[3]))
    return key, number_of(text) if text else None


def changes(before: Mapping[str, str], typed: Mapping[str, str], units: str) -> dict[Path, Any]:
    """What the touched fields change in the file.

    Parameters
    ----------
    before : as `shown_values` had it
    typed : input name -> text; a field that is not there was not touched
    """
    found: dict[Path, Any] = {}
    for one in FIELDS:
        text = typed.get(one.name)
        if one is POWER:
            unit = typed.get(UNIT_OF_POWER, before[UNIT_OF_POWER])
            if text is None or (text.strip(), unit) == (before[one.name], before[UNIT_OF_POWER]):
                continue
            if not text.strip() and not before[one.name]:
                continue
            key, value = power_meant(text, unit)
            found |= {("motor", "rated_power_hp"): None, ("motor", "rated_power_kw"): None, ("motor", key): value}
        elif text is not None and text.strip() != before[one.name]:
            found[one.path] = meant(one, text, units)
    return found


def which_of_several(one: Field, typed: str, volts: float | None) -> str | None:
    """What to say where a dual-voltage plate was typed as it is printed, "230/460"; None for anything else.

    Parameters
    ----------
    volts : mean of the volts that its logger read last [V], if it reads any

    >>> which_of_several(FIELDS[1], "208-230/460", 461.0)
    'The plate names several voltages: enter the one it is connected for. Its logger reads 461 V, so 460.'
    """
    text = clean(typed, LONGEST)
    if not _SEVERAL.fullmatch(_without_unit(text, one.unit)):
        return None
    if one.name == "rated_voltage":
        told = "The plate names several voltages: enter the one it is connected for."
        printed = [number_of(part) for part in re.split(r"[-/\s]+", _without_unit(text, one.unit))]
        figures = [part for part in printed if not isinstance(part, str) and part > 0]
        near = [part for part in figures if volts and abs(volts / part - 1) <= 2 * COLUMN_REACH]
        if volts and near:
            best = min(near, key=lambda part: abs(volts - part))
            return f"{told} Its logger reads {volts:.0f} V, so {best:g}."
        return told
    if one.name == "full_load_amps":
        return (
            "The plate names several currents: enter the one of the voltage it is connected for. The higher voltage "
            "has the lower amps."
        )
    return None


def tables_of(text: str) -> dict[str, Any]:
    """The tables of a file that is known to be TOML; an empty text has none."""
    return tomllib.loads(text)
