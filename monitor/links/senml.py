"""SenML packs (RFC 8428, JSON) as readings: base fields resolved, records of one time joined.

The names known here are the last part of a record's full name: `l1 l2 l3` [A], `v12 v23 v31` [V], `ambient` [Cel],
`called` [/]. What a pack says of other things is counted and left alone. What is said of these and cannot be taken is a
fault of its record: nothing disappears.

References
----------
RFC 8428 (2018): 4.1 base fields, 4.2 regular fields, 4.4 what must be understood, 4.5.1 names, 4.5.3 time, 4.6 resolved
records, 5 JSON. RFC 8798 (2020): secondary units (`mA`, `mV`). RFC 9100 (2021): versions; 26 allows secondary units.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

AMPS: Final = ("l1", "l2", "l3")
VOLTS: Final = ("v12", "v23", "v31")
AMBIENT: Final = "ambient"
CALLED: Final = "called"
CHANNELS: Final = (*AMPS, *VOLTS, AMBIENT, CALLED)
"""What a reading can be made of, by the names that packs and other loggers' forms use."""

RELATIVE_BELOW: Final = float(2**28)
"""Times below are counted from now, from here on they are Unix seconds (4.5.3)."""
NEWEST_VERSION: Final = 10
VERSION_SECONDARY_UNITS: Final = 26
"""RFC 9100: 10 and the one feature of secondary units, which is understood here too."""

WRONG_TYPE: Final = "wrong type"
VERSION: Final = "SenML version not understood"
MUST_UNDERSTAND: Final = "SenML field not understood"
WRONG_NAME: Final = "wrong SenML name"
WRONG_UNIT: Final = "wrong unit"
NO_VALUE: Final = "no value"
TWO_VALUES: Final = "two values for one time"
NO_KNOWN_NAME: Final = "no known name"

_BASE: Final[Mapping[str, type]] = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": float}
_REGULAR: Final[Mapping[str, type]] = {
    "n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float,
}  # fmt: skip
_VALUES: Final = ("v", "vs", "vb", "vd")
_TELLING: Final = frozenset({*_BASE, "n"})
"""Labels by which a pack is told from a list of plain readings."""
_PLAIN: Final = frozenset({"amps", "volts", "ambient_c", "called"})
_NAME: Final = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*")
_LAST_PART: Final = re.compile(r"[A-Za-z0-9]*$")
_UNITS: Final[Mapping[str, Mapping[str, float]]] = {
    **{name: {"A": 1.0, "mA": 0.001} for name in AMPS},
    **{name: {"V": 1.0, "mV": 0.001} for name in VOLTS},
    AMBIENT: {"Cel": 1.0},
    CALLED: {"/": 1.0},
}
_JSON_WORDS: Final = {str: "text", float: "a number", bool: "true or false"}


@dataclass(frozen=True)
class Record:
    """A resolved record (4.6): no base fields are needed to read it."""

    index: int
    """Its place in the pack, from 0."""
    name: str
    unit: str | None
    t: float
    """Unix seconds, or seconds from now."""
    relative: bool
    """Whether `t` is counted from now."""
    value: Any
    """Number, text, truth, or None where there is only a sum or nothing."""
    sum: float | None = None


@dataclass(frozen=True)
class Fault:
    """A record that was not taken."""

    index: int
    reason: str
    detail: str


@dataclass
class Pack:
    """What became of a pack."""

    readings: list[tuple[int, bool, dict[str, Any]]] = field(default_factory=list)
    """(index of its first record, whether its time is counted from now, the reading with our keys), by time."""
    faults: list[Fault] = field(default_factory=list)
    unknown: int = 0
    """Records of other things, left alone."""


class _FaultError(Exception):
    def __init__(self, reason: str, detail: str) -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(reason)


def is_pack(items: Sequence[object]) -> bool:
    """Whether a list holds SenML records and not plain readings: its first object decides."""
    first = next((item for item in items if isinstance(item, dict)), None)
    return first is not None and not first.keys() & _PLAIN and not _TELLING.isdisjoint(first)


def resolve(items: Sequence[object]) -> tuple[list[Record], list[Fault]]:
    """Records with their base fields applied, in order of time; and those that cannot be understood.

    Parameters
    ----------
    items : the pack's list as JSON decodes it
    """
    faults: list[Fault] = []
    version = _version_fault(items)
    if version is not None:
        return [], [version]
    base: dict[str, Any] = {}
    broken: dict[str, _FaultError] = {}
    records = []
    for index, item in enumerate(items):
        try:
            if not isinstance(item, dict):
                raise _FaultError(WRONG_TYPE, "expected a SenML record, an object")
            _take_base(item, base, broken)
            if broken:
                raise next(iter(broken.values()))
            record = _record(index, item, base)
        except _FaultError as exc:
            faults.append(Fault(index, exc.reason, exc.detail))
        else:
            if record is not None:
                records.append(record)
    return sorted(records, key=lambda one: (not one.relative, one.t)), faults


def readings_of(items: Sequence[object], now: float, missing: Callable[[Any], bool]) -> Pack:
    """The readings of a pack: records of one time joined, by the channels' names.

    Parameters
    ----------
    items : the pack's list as JSON decodes it
    now : time of receipt [Unix s]; times below 2^28 are counted from it
    missing : whether a number says "no value" in loggers' habit
    """
    records, faults = resolve(items)
    pack = Pack(faults=faults)
    groups: dict[tuple[bool, int], tuple[int, float | None, dict[str, Any]]] = {}
    others: dict[str, None] = {}
    for record in records:
        tail = _LAST_PART.search(record.name)
        channel = tail.group() if tail else ""
        if channel not in _UNITS:
            pack.unknown += 1
            others[record.name[:40]] = None
            continue
        # Times beyond any calendar stay as they are; they are refused with the other odd times.
        key = (record.relative, round(min(max(record.t, -1e15), 1e15) * 1000.0))
        t = (None if not key[1] else now + record.t) if record.relative else record.t
        index, _, values = groups.setdefault(key, (record.index, t, {}))
        try:
            if channel in values:
                raise _FaultError(TWO_VALUES, f"{channel}: another one for the same time came before; the first stands")
            values[channel] = None  # a channel whose value cannot be taken is there all the same
            values[channel] = _value(channel, record, missing)
        except _FaultError as exc:
            pack.faults.append(Fault(record.index, exc.reason, exc.detail))
    for (relative, _), (index, t, values) in groups.items():
        table = joined(values)
        if t is not None:
            table["t"] = t
        pack.readings.append((index, relative, table))
    if not groups and not pack.faults:
        found = ", ".join(list(others)[:3]) or "nothing"
        pack.faults.append(Fault(0, NO_KNOWN_NAME, f"expected names ending in {' '.join(CHANNELS)}, found {found}"))
    return pack


def joined(values: Mapping[str, Any]) -> dict[str, Any]:
    """A reading with our keys from values by channel; a leg that did not come beside others is null."""
    table: dict[str, Any] = {}
    for key, names in (("amps", AMPS), ("volts", VOLTS)):
        there = [name for name in names if name in values]
        if there:
            table[key] = [values[names[0]]] if there == [names[0]] else [values.get(name) for name in names]
    if AMBIENT in values:
        table["ambient_c"] = values[AMBIENT]
    if CALLED in values:
        table["called"] = values[CALLED]
    return table


def _version_fault(items: Sequence[object]) -> Fault | None:
    """A pack of a version that is not understood must not be used (4.4)."""
    for index, item in enumerate(items):
        version = item.get("bver") if isinstance(item, dict) else None
        if version is None:
            continue
        known = isinstance(version, int | float) and not isinstance(version, bool) and version == version // 1
        if not known or not (1 <= version <= NEWEST_VERSION or version == VERSION_SECONDARY_UNITS):
            expected = f"bver: expected at most {NEWEST_VERSION}, or {VERSION_SECONDARY_UNITS}"
            return Fault(index, VERSION, f"{expected}, found {_shown(version)}")
    return None


def _take_base(item: Mapping[str, Any], base: dict[str, Any], broken: dict[str, _FaultError]) -> None:
    """Base fields hold from their record on, until the same comes again; so do those that are not understood."""
    for label, value in item.items():
        expected = _BASE.get(label)
        if expected is not None:
            try:
                base[label] = _typed(label, value, expected)
                broken.pop(label, None)
            except _FaultError as exc:
                broken[label] = exc
        elif label.startswith("b") and label.endswith("_"):
            broken[label] = _FaultError(
                MUST_UNDERSTAND, f'"{label[:40]}" must be understood, and is not; it holds for all that follows'
            )


def _record(index: int, item: Mapping[str, Any], base: Mapping[str, Any]) -> Record | None:
    """A record with its base fields applied; None where it carries base fields only."""
    for label in item:
        if label.endswith("_") and not label.startswith("b"):
            raise _FaultError(MUST_UNDERSTAND, f'"{label[:40]}" must be understood, and is not')
    here = {label: _typed(label, item[label], expected) for label, expected in _REGULAR.items() if label in item}
    if not here and item.keys() & _BASE.keys():
        return None
    values = [label for label in _VALUES if label in here]
    if len(values) > 1:
        raise _FaultError(WRONG_TYPE, f"expected one value, found {' and '.join(values)}")
    name = base.get("bn", "") + here.get("n", "")
    if not _NAME.fullmatch(name):
        raise _FaultError(
            WRONG_NAME, f"expected letters, digits, - : . / _, a letter or digit first, found {_shown(name)}"
        )
    t = base.get("bt", 0.0) + here.get("t", 0.0)
    value = here[values[0]] if values else None
    if values == ["v"] and value is not None:
        value = base.get("bv", 0.0) + value
    total = base.get("bs", 0.0) + here.get("s", 0.0) if "s" in here or "bs" in base else None
    return Record(index, name, here.get("u", base.get("bu")), t, t < RELATIVE_BELOW, value, total)


def _value(channel: str, record: Record, missing: Callable[[Any], bool]) -> Any:
    """A channel's value in our unit; None for null and for the codes of a missing value."""
    value, units = record.value, _UNITS[channel]
    if isinstance(value, bool) and channel == CALLED:
        return value  # a truth has no unit, whatever the base unit is
    factor = units.get(record.unit, 0.0) if record.unit is not None else 1.0
    if not factor:
        raise _FaultError(WRONG_UNIT, f"{channel}: expected {' or '.join(units)}, found {_shown(record.unit)}")
    if value is None or isinstance(value, bool | str):
        found = "a sum" if value is None and record.sum is not None else "nothing" if value is None else _shown(value)
        raise _FaultError(NO_VALUE, f"{channel}: expected a number in v, found {found}")
    if math.isnan(value) or missing(value):
        return None
    if channel == CALLED and value in (0.0, 1.0):
        return bool(value)
    return value * factor


def _typed(label: str, value: Any, expected: type) -> Any:
    """A field's value if it is of the type that RFC 8428 gives; numbers become float. Beyond it, null for `v` is taken
    as loggers mean it: the channel gave nothing usable."""
    if label == "v" and value is None:
        return math.nan
    if expected is float:
        if isinstance(value, int | float) and not isinstance(value, bool):
            try:
                return float(value)
            except OverflowError:
                raise _FaultError(WRONG_TYPE, f"{label}: a number with very many digits") from None
    elif isinstance(value, expected):
        return value
    raise _FaultError(WRONG_TYPE, f"{label}: expected {_JSON_WORDS[expected]}, found {_shown(value)}")


def _shown(value: object) -> str:
    text = f'"{value}"' if isinstance(value, str) else "a list" if isinstance(value, list) else (
        "an object" if isinstance(value, dict) else "null" if value is None else str(value).lower()
    )  # fmt: skip
    return text if len(text) <= 40 else text[:37] + "..."
