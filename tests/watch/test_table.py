"""The table of conditions, written down a second time; and every wrong change of it refused with place and bounds."""

from __future__ import annotations

import math
from typing import Any

import pytest

from monitor.watch.kernel import MOST_CHANGES_A_ROW
from monitor.watch.table import (
    BY_ID,
    CONDITIONS,
    KERNEL_CONDITIONS,
    PRIORITIES,
    check_overrides,
    for_fan,
    higher,
    overridden,
    turned_off,
)  # fmt: skip

# id: (setpoint, clears below, on-delay, off-delay, priority, rings, stronger ones, decided by)
WRITTEN_AGAIN = {
    "overload": (1.00, 0.97, 120, 120, "high", True, (), "kernel"),
    "low-margin": (0.95, 0.92, 900, 600, "low", False, ("overload",), "kernel"),
    "voltage-unbalance": (3.0, 2.5, 120, 120, "medium", False, ("voltage-unbalance-severe",), "kernel"),
    "voltage-unbalance-severe": (5.0, 4.5, 60, 120, "high", True, (), "kernel"),
    "stopped": (0.5, 0.5, 60, 60, "medium", True, (), "kernel"),
    "logger-overdue": (3.0, 3.0, 0, 0, "medium", False, (), "tick"),
}


def test_the_table_as_it_was_agreed() -> None:
    assert {
        row.id: (row.setpoint, row.clears_below, row.on_delay_seconds, row.off_delay_seconds, row.priority, row.rings,
                 row.not_while, row.decided_by)
        for row in CONDITIONS
    } == WRITTEN_AGAIN  # fmt: skip
    assert len(CONDITIONS) == len(BY_ID) == len(WRITTEN_AGAIN)


def test_what_suppresses_is_worked_before_what_is_suppressed() -> None:
    order = [row.id for row in KERNEL_CONDITIONS]
    for row in KERNEL_CONDITIONS:
        for stronger in row.not_while:
            assert order.index(stronger) < order.index(row.id)
    assert 2 * len(order) + 3 == MOST_CHANGES_A_ROW


def test_priorities_have_an_order() -> None:
    assert PRIORITIES == ("low", "medium", "high", "highest")
    assert higher("low", "high") == higher("high", "low") == "high"
    assert higher("highest", "high") == "highest"


GOOD: list[dict[str, dict[str, Any]]] = [
    {},
    {"overload": {}},
    {"overload": {"setpoint": 0.80, "on_delay_seconds": 0, "off_delay_seconds": 86_400, "priority": "highest"}},
    {"overload": {"setpoint": 1.10, "clears_below": 1.10}},
    {"low-margin": {"off": True, "rings": False}},
    {"voltage-unbalance": {"setpoint": 5, "clears_below": 0.5}},
    {"voltage-unbalance-severe": {"setpoint": 3.0}, "logger-overdue": {"setpoint": 100.0, "priority": "low"}},
    {"stopped": {"on_delay_seconds": 600}},
]


@pytest.mark.parametrize("conditions", GOOD, ids=str)
def test_sane_changes_are_taken(conditions: dict[str, dict[str, Any]]) -> None:
    assert check_overrides(conditions) == []


WRONG: list[tuple[str, str, object, str]] = [
    # condition, key, value, what is expected instead
    ("overload", "setpoint", 0.79, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", 1.11, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", 100, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", "1.0", "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", True, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", None, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", math.nan, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", math.inf, "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "setpoint", [1.0], "a number from 0.8 to 1.1 (ratio)"),
    ("overload", "clears_below", 0.0, "a number from 0.4 to 1.1 (ratio)"),
    ("overload", "clears_below", -1.0, "a number from 0.4 to 1.1 (ratio)"),
    ("low-margin", "setpoint", 0.69, "a number from 0.7 to 1 (ratio)"),
    ("low-margin", "setpoint", 1.01, "a number from 0.7 to 1 (ratio)"),
    ("voltage-unbalance", "setpoint", 0.9, "a number from 1 to 5 (%)"),
    ("voltage-unbalance", "setpoint", 5.1, "a number from 1 to 5 (%)"),
    ("voltage-unbalance-severe", "setpoint", 2.9, "a number from 3 to 8 (%)"),
    ("voltage-unbalance-severe", "setpoint", 8.1, "a number from 3 to 8 (%)"),
    ("logger-overdue", "setpoint", 1.9, "a number from 2 to 100 (periods)"),
    ("logger-overdue", "setpoint", 101, "a number from 2 to 100 (periods)"),
    ("logger-overdue", "on_delay_seconds", 60, "nothing: logger-overdue has no on_delay_seconds"),
    ("logger-overdue", "clears_below", 2.5, "nothing: logger-overdue has no clears_below"),
    ("stopped", "setpoint", 0.5, "nothing: the setpoint of stopped is fixed"),
    ("stopped", "clears_below", 0.5, "nothing: the clears_below of stopped is fixed"),
    ("overload", "on_delay_seconds", -1, "a number from 0 to 86400 (seconds)"),
    ("overload", "on_delay_seconds", 86_401, "a number from 0 to 86400 (seconds)"),
    ("low-margin", "off_delay_seconds", "10 min", "a number from 0 to 86400 (seconds)"),
    ("low-margin", "off_delay_seconds", math.nan, "a number from 0 to 86400 (seconds)"),
    ("overload", "priority", "urgent", "one of low, medium, high, highest"),
    ("overload", "priority", 3, "one of low, medium, high, highest"),
    ("overload", "priority", ["high"], "one of low, medium, high, highest"),
    ("overload", "rings", 1, "true or false"),
    ("overload", "off", "yes", "true or false"),
    ("overload", "on_delay", 60, "did you mean on_delay_seconds?"),
    ("overload", "words", "hot", "one of setpoint, clears_below, on_delay_seconds"),
]


@pytest.mark.parametrize(("condition", "key", "value", "expected"), WRONG, ids=str)
def test_a_wrong_change_is_refused_with_its_place(condition: str, key: str, value: object, expected: str) -> None:
    (fault,) = check_overrides({condition: {key: value}}, "fans.north-3.conditions")
    assert fault.place == f"fans.north-3.conditions.{condition}.{key}"
    assert expected in fault.expected
    shown = key if key in ("on_delay", "words") else str(value)
    assert shown in fault.found


def test_an_unknown_condition_is_refused_with_the_nearest_right_one() -> None:
    (fault,) = check_overrides({"low_margin": {"setpoint": 0.9}})
    assert fault.place == "conditions.low_margin"
    assert "did you mean low-margin?" in fault.expected
    (fault,) = check_overrides({"xyz": {}})
    assert "did you mean" not in fault.expected
    assert all(name in fault.expected for name in WRITTEN_AGAIN)


def test_every_fault_is_told_at_once() -> None:
    faults = check_overrides({
        "overload": {"setpoint": 9, "priority": "urgent"}, "nothing": {},
        "low-margin": {"setpoint": 0.8, "clears_below": 0.9}, "stopped": {"rings": "no", "on_delay_seconds": -5},
    })  # fmt: skip
    assert [fault.place for fault in faults] == [
        "conditions.overload.setpoint", "conditions.overload.priority", "conditions.nothing",
        "conditions.low-margin.clears_below", "conditions.stopped.rings", "conditions.stopped.on_delay_seconds",
    ]  # fmt: skip


def test_it_cannot_clear_above_its_setpoint() -> None:
    (fault,) = check_overrides({"overload": {"clears_below": 1.05}})
    assert (fault.place, fault.expected, fault.found) == (
        "conditions.overload.clears_below",
        "at most the setpoint 1",
        "1.05",
    )


def test_a_changed_setpoint_keeps_the_deadband() -> None:
    changed = overridden(BY_ID["overload"], {"setpoint": 0.9})
    assert (changed.setpoint, changed.clears_below) == (0.9, pytest.approx(0.87))
    unchanged = overridden(BY_ID["low-margin"], {})
    assert unchanged == BY_ID["low-margin"]  # to the last bit


def test_the_table_of_one_fan() -> None:
    table = for_fan({"overload": {"on_delay_seconds": 60, "priority": "highest", "rings": False}})
    assert list(table) == [row.id for row in CONDITIONS]
    assert (table["overload"].on_delay_seconds, table["overload"].priority, table["overload"].rings) == (
        60,
        "highest",
        False,
    )
    assert table["overload"].off_delay_seconds == 120
    assert table["low-margin"] == BY_ID["low-margin"]
    assert BY_ID["overload"].on_delay_seconds == 120  # the common table is not touched


def test_turning_off() -> None:
    assert turned_off({"overload": {"off": True}}, "overload")
    assert not turned_off({"overload": {"off": False}}, "overload")
    assert not turned_off({"overload": {"off": True}}, "low-margin")
