"""What a site's settings or a fan's own file may change of the table of conditions, within sane bounds.

A table `[conditions.ID]` of a fan's file, or `[sites.SITE.conditions.ID]` of the settings, gives some of the columns
below; a fan's own figure goes before its site's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from difflib import get_close_matches
from typing import Any

from monitor.errors import Fault
from monitor.watch.table import BELOW, BY_ID, CONDITIONS, DELAY_BOUNDS, KERNEL, PRIORITIES, Condition

Changes = Mapping[str, Mapping[str, float | bool]]
"""Id of a condition -> column -> value, as a file gives them."""

_CHANGEABLE = ("setpoint", "clears", "on_delay_seconds", "off_delay_seconds", "priority", "rings", "off")


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
            if not _fit(changed):
                expected = f"at {'least' if row.direction == BELOW else 'most'} the setpoint {changed.setpoint:g}"
                faults.append(Fault(f"{here}.clears", expected, f"{changed.clears:g}"))
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
    if row.decided_by != KERNEL and (key.endswith("_seconds") or key == "clears"):
        return Fault(place, f"nothing: the {key} of {row.id} is fixed", repr(value))
    if not key.endswith("_seconds") and low == high:
        return Fault(place, f"nothing: the {key} of {row.id} is fixed", repr(value))
    if key == "clears":  # a wide deadband is allowed, but not one that never ends
        low, high = (low, 2.0 * high) if row.direction == BELOW else (low / 2.0, high)
    unit = "seconds" if key.endswith("_seconds") else row.unit
    if not number or not low <= float(value) <= high:  # type: ignore[arg-type]
        return Fault(place, f"a number from {low:g} to {high:g} ({unit})", repr(value))
    return None


def overridden(row: Condition, keys: Mapping[str, object]) -> Condition:
    """The row as a file changes it. A changed setpoint alone keeps the deadband of the table."""
    setpoint = float(keys.get("setpoint", row.setpoint))  # type: ignore[arg-type]
    return replace(
        row,
        setpoint=setpoint,
        clears=float(keys.get("clears", setpoint - (row.setpoint - row.clears))),  # type: ignore[arg-type]
        on_delay_seconds=float(keys.get("on_delay_seconds", row.on_delay_seconds)),  # type: ignore[arg-type]
        off_delay_seconds=float(keys.get("off_delay_seconds", row.off_delay_seconds)),  # type: ignore[arg-type]
        priority=str(keys.get("priority", row.priority)),
        rings=bool(keys.get("rings", row.rings)),
    )


def together(site: Changes, fan: Changes) -> Changes:
    """What holds for a fan: its own figures, and where it has none its site's.

    Setpoint and `clears` must fit each other. Where one of the fan's own and one of its site's do not, the site's is
    left out.

    >>> together({"overload": {"clears": 0.98, "rings": False}}, {"overload": {"setpoint": 0.95}})
    {'overload': {'rings': False, 'setpoint': 0.95}}
    """
    return {name: _joined(BY_ID.get(name), site.get(name, {}), fan.get(name, {})) for name in {**site, **fan}}


def _joined(row: Condition | None, site: Mapping[str, float | bool], fan: Mapping[str, float | bool]) -> dict[str, Any]:
    joined = {**site, **fan}
    if row is None or _fit(overridden(row, joined)):
        return joined
    return {key: value for key, value in joined.items() if key in fan or key not in ("setpoint", "clears")}


def _fit(row: Condition) -> bool:
    return row.clears >= row.setpoint if row.direction == BELOW else row.clears <= row.setpoint


def for_fan(conditions: Mapping[str, Mapping[str, object]]) -> Mapping[str, Condition]:
    """The whole table as it holds for one fan, by id."""
    return {row.id: overridden(row, conditions.get(row.id, {})) for row in CONDITIONS}


def row_for_fan(conditions: Mapping[str, Mapping[str, object]], name: str) -> Condition:
    """One row of `for_fan`: for what is asked of many fans at each tick."""
    return overridden(BY_ID[name], conditions.get(name, {}))


def turned_off(conditions: Mapping[str, Mapping[str, object]], name: str) -> bool:
    """Whether the file turns a condition off, or it is off because no file sets it."""
    keys = conditions.get(name, {})
    return bool(keys.get("off", BY_ID[name].off_unless_set and "setpoint" not in keys))
