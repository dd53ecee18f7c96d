"""The table of conditions: one row each, with setpoint, deadband, delays and priority, as data.

Everything that decides when a fan's alarm is raised stands here and nowhere else. `limits.resolve` turns the table,
changed by a fan's own file, into the row of numbers that the kernel (`kernel.py`) reads; the kernel itself knows only
*measures*.

Terms (setpoint, deadband, on-delay, off-delay, priority) are those of ANSI/ISA-18.2 and IEC 62682. The figures are
worked out for this project (derived) unless a source is named beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from monitor.errors import Fault

PRIORITIES = ("low", "medium", "high", "highest")
"""From the least to the greatest."""


@dataclass(frozen=True)
class Condition:
    """One row of the table."""

    id: str
    """Name in files, API and notices."""
    words: str
    """What it means, as a person would say it."""
    measure: str
    """What is compared with the setpoint: load_ratio, voltage_unbalance, run_ended, or silence."""
    unit: str
    """Unit of the setpoint: "ratio" (1 = the limit), "%", "" (yes or no), "periods"."""
    setpoint: float
    """Raised when the measure is at or above this."""
    clears_below: float
    """Cleared when the measure is below this; the difference is the deadband."""
    on_delay_seconds: float
    """How long it must hold before the alarm is raised."""
    off_delay_seconds: float
    """How long it must be gone before the alarm is cleared."""
    priority: str
    """One of PRIORITIES."""
    rings: bool
    """Quiet hours do not hold it back."""
    not_while: tuple[str, ...] = ()
    """Conditions that say the same more strongly: while one of them stands this one does not."""
    decided_by: str = "kernel"
    """"kernel": from the readings, in their own time. "tick": from their absence, by the clock."""
    setpoint_bounds: tuple[float, float] = (0.0, 0.0)
    """Sane bounds of a changed setpoint; equal bounds: it may not be changed."""


CONDITIONS: tuple[Condition, ...] = (
    # In the order in which the kernel works them: what suppresses stands before what is suppressed.
    Condition("overload", "over its limit", "load_ratio", "ratio", 1.00, 0.97, 120, 120, "high", True,
              setpoint_bounds=(0.80, 1.10)),
    Condition("low-margin", "near its limit", "load_ratio", "ratio", 0.95, 0.92, 900, 600, "low", False,
              not_while=("overload",), setpoint_bounds=(0.70, 1.00)),
    # NEMA MG 1 section 14.36: above 5 % running is not recommended and no derating factor is given.
    Condition("voltage-unbalance-severe", "supply voltage badly unbalanced", "voltage_unbalance", "%", 5.0, 4.5, 60,
              120, "high", True, setpoint_bounds=(3.0, 8.0)),
    # ANSI C84.1 annex: supplies are to hold 3 % at the meter without load.
    Condition("voltage-unbalance", "supply voltage unbalanced", "voltage_unbalance", "%", 3.0, 2.5, 120, 120,
              "medium", False, not_while=("voltage-unbalance-severe",), setpoint_bounds=(1.0, 5.0)),
    Condition("stopped", "stopped", "run_ended", "", 0.5, 0.5, 60, 60, "medium", True),
    # Silence: three periods, but never less than ten minutes (`tick.py`).
    Condition("logger-overdue", "no readings", "silence", "periods", 3.0, 3.0, 0, 0, "medium", False,
              decided_by="tick", setpoint_bounds=(2.0, 100.0)),
)  # fmt: skip

BY_ID: Mapping[str, Condition] = {condition.id: condition for condition in CONDITIONS}
KERNEL_CONDITIONS: tuple[Condition, ...] = tuple(row for row in CONDITIONS if row.decided_by == "kernel")
"""Those decided from readings, in the order of the kernel's state."""

DELAY_BOUNDS = (0.0, 86_400.0)
"""Sane bounds of a changed delay [s]."""
OVERDUE_AT_LEAST_SECONDS = 600.0
"""A logger is never called overdue sooner than this."""

_CHANGEABLE = ("setpoint", "clears_below", "on_delay_seconds", "off_delay_seconds", "priority", "rings", "off")


def higher(a: str, b: str) -> str:
    """The higher of two priorities."""
    return max(a, b, key=PRIORITIES.index)


def check_overrides(conditions: Mapping[str, Mapping[str, object]], place: str = "conditions") -> list[Fault]:
    """What is wrong with a fan's own [conditions.ID] tables; empty when nothing is.

    Parameters
    ----------
    conditions : id -> key -> value, as the file gives them
    place : the dotted path the faults are to name
    """
    faults = []
    for name, keys in conditions.items():
        here = f"{place}.{name}"
        row = BY_ID.get(name)
        if row is None:
            near = get_close_matches(name, BY_ID, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            faults.append(Fault(here, "one of " + ", ".join(BY_ID) + hint, f'"{name}"'))
            continue
        found = [_check_key(row, key, value, f"{here}.{key}") for key, value in keys.items()]
        faults += [fault for fault in found if fault is not None]
        if not any(found):  # its own figures are right one by one: do they fit each other?
            changed = overridden(row, keys)
            if changed.clears_below > changed.setpoint:
                expected = f"at most the setpoint {changed.setpoint:g}"
                faults.append(Fault(f"{here}.clears_below", expected, f"{changed.clears_below:g}"))
    return faults


def _check_key(row: Condition, key: str, value: object, place: str) -> Fault | None:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if key not in _CHANGEABLE:
        near = get_close_matches(key, _CHANGEABLE, n=1)
        hint = f" (did you mean {near[0]}?)" if near else ""
        return Fault(place, "one of " + ", ".join(_CHANGEABLE) + hint, f'"{key}"')
    if key in ("rings", "off"):
        return None if isinstance(value, bool) else Fault(place, "true or false", repr(value))
    if key == "priority":
        return None if value in PRIORITIES else Fault(place, "one of " + ", ".join(PRIORITIES), repr(value))
    low, high = DELAY_BOUNDS if key.endswith("_seconds") else row.setpoint_bounds
    if row.decided_by == "tick" and (key.endswith("_seconds") or key == "clears_below"):
        return Fault(place, f"nothing: {row.id} has no {key}, the first reading clears it", repr(value))
    if not key.endswith("_seconds") and low == high:
        return Fault(place, f"nothing: the {key} of {row.id} is fixed", repr(value))
    if key == "clears_below":
        low /= 2.0  # nothing is below 0: such an alarm would never clear, not even when the fan stops
    unit = "seconds" if key.endswith("_seconds") else row.unit
    if not number or not low <= float(value) <= high:  # type: ignore[arg-type]
        return Fault(place, f"a number from {low:g} to {high:g} ({unit})", repr(value))
    return None


def overridden(row: Condition, keys: Mapping[str, object]) -> Condition:
    """The row as a fan's own file changes it. A changed setpoint alone keeps the deadband of the table."""
    setpoint = float(keys.get("setpoint", row.setpoint))  # type: ignore[arg-type]
    clears = float(keys.get("clears_below", setpoint - (row.setpoint - row.clears_below)))  # type: ignore[arg-type]
    return Condition(
        row.id, row.words, row.measure, row.unit, setpoint, clears,
        float(keys.get("on_delay_seconds", row.on_delay_seconds)),  # type: ignore[arg-type]
        float(keys.get("off_delay_seconds", row.off_delay_seconds)),  # type: ignore[arg-type]
        str(keys.get("priority", row.priority)), bool(keys.get("rings", row.rings)),
        row.not_while, row.decided_by, row.setpoint_bounds,
    )  # fmt: skip


def for_fan(conditions: Mapping[str, Mapping[str, object]]) -> Mapping[str, Condition]:
    """The whole table as it holds for one fan, by id."""
    return {row.id: overridden(row, conditions.get(row.id, {})) for row in CONDITIONS}


def turned_off(conditions: Mapping[str, Mapping[str, object]], name: str) -> bool:
    """Whether the fan's file turns a condition off."""
    return bool(conditions.get(name, {}).get("off", False))
