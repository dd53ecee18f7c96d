"""The table of conditions, written down a second time; and every wrong change of it refused with place and bounds."""

from __future__ import annotations

import math
from typing import Any

import pytest

from monitor.watch.kernel import MOST_CHANGES_A_ROW
from monitor.watch.overrides import Changes, check_overrides, for_fan, overridden, together, turned_off
from monitor.watch.table import BY_ID, CONDITIONS, DELAY_BOUNDS, KERNEL_CONDITIONS, PRIORITIES, higher

SUPPLY = ("supply-lost",)
# id: (setpoint, clears, on-delay, off-delay, priority, rings, what keeps it from standing, decided by, direction)
WRITTEN_AGAIN = {
    "supply-lost": (50, 60, 5, 30, "high", True, (), "kernel", "below"),
    "phase-lost": (10, 20, 0, 30, "highest", True, SUPPLY, "kernel", "below"),
    "trip-near": (10, 15, 10, 120, "highest", True, SUPPLY, "kernel", "below"),
    "overload": (1.00, 0.97, 120, 120, "high", True, SUPPLY, "kernel", "above"),
    "device-margin": (1.05, 1.0185, 300, 600, "medium", True, SUPPLY, "kernel", "above"),
    "low-margin": (0.95, 0.92, 900, 600, "low", False, (*SUPPLY, "trip-near", "overload"), "kernel", "above"),
    "voltage-unbalance-severe": (5.0, 4.5, 60, 120, "high", True, SUPPLY, "kernel", "above"),
    "voltage-unbalance": (3.0, 2.5, 120, 120, "medium", False, (*SUPPLY, "voltage-unbalance-severe"), "kernel",
                          "above"),
    "voltage-low": (90, 92, 60, 60, "medium", False, SUPPLY, "kernel", "below"),
    "voltage-high": (110, 108, 60, 60, "medium", False, SUPPLY, "kernel", "above"),
    "slow-start": (0.5, 0.5, 0, 60, "high", True, SUPPLY, "kernel", "above"),
    "logger-suspect": (0.5, 0.5, 0, 600, "low", False, (), "kernel", "above"),
    "leg-spread": (10, 8, 300, 300, "medium", False, (*SUPPLY, "phase-lost", "logger-suspect"), "kernel", "above"),
    "no-load": (40, 50, 300, 300, "medium", False, SUPPLY, "kernel", "below"),
    "many-starts": (7, 7, 0, 1800, "medium", False, (), "kernel", "above"),
    "stopped": (0.5, 0.5, 60, 60, "medium", True, (*SUPPLY, "phase-lost"), "kernel", "above"),
    "tripped": (0.5, 0.5, 0, 0, "highest", True, (), "site", "above"),
    "site-silent": (3.0, 3.0, 300, 0, "high", True, (), "tick", "above"),
    "logger-overdue": (3.0, 3.0, 0, 0, "medium", False, ("site-silent",), "tick", "above"),
    "not-run": (24, 24, 0, 0, "low", False, (), "tick", "above"),
    "cold-night": (50, 50, 0, 0, "medium", False, (), "tick", "above"),
}  # fmt: skip


def test_the_table_as_it_was_agreed() -> None:
    assert {
        row.id: (row.setpoint, row.clears, row.on_delay_seconds, row.off_delay_seconds, row.priority, row.rings,
                 row.not_while, row.decided_by, row.direction)
        for row in CONDITIONS
    } == WRITTEN_AGAIN  # fmt: skip
    assert len(CONDITIONS) == len(BY_ID) == len(WRITTEN_AGAIN)


def test_each_row_lies_within_its_own_bounds() -> None:
    for row in CONDITIONS:
        low, high = row.setpoint_bounds
        assert low == high or low <= row.setpoint <= high, row.id
        assert DELAY_BOUNDS[0] <= row.on_delay_seconds <= DELAY_BOUNDS[1]
        assert DELAY_BOUNDS[0] <= row.off_delay_seconds <= DELAY_BOUNDS[1]
        assert (row.clears >= row.setpoint) if row.direction == "below" else (row.clears <= row.setpoint), row.id
        assert row.priority in PRIORITIES


def test_what_suppresses_is_worked_before_what_is_suppressed() -> None:
    order = [row.id for row in KERNEL_CONDITIONS]
    for row in KERNEL_CONDITIONS:
        for stronger in row.not_while:
            assert order.index(stronger) < order.index(row.id)
    # A new motor ends every condition and the run; then a run begins, every condition moves, and one grows hotter.
    assert 2 * len(order) + 3 <= MOST_CHANGES_A_ROW


def test_priorities_have_an_order() -> None:
    assert PRIORITIES == ("low", "medium", "high", "highest")
    assert higher("low", "high") == higher("high", "low") == "high"
    assert higher("highest", "high") == "highest"


GOOD: list[dict[str, dict[str, Any]]] = [
    {},
    {"overload": {}},
    {"overload": {"setpoint": 0.80, "on_delay_seconds": 0, "off_delay_seconds": 86_400, "priority": "highest"}},
    {"overload": {"setpoint": 1.10, "clears": 1.10}},
    {"low-margin": {"off": True, "rings": False}},
    {"voltage-unbalance": {"setpoint": 5, "clears": 0.5}},
    {"voltage-unbalance-severe": {"setpoint": 3.0}, "logger-overdue": {"setpoint": 100.0, "priority": "low"}},
    {"stopped": {"on_delay_seconds": 600}},
    {"phase-lost": {"setpoint": 30, "clears": 60.0}, "voltage-low": {"setpoint": 97, "clears": 97}},
    {"many-starts": {"setpoint": 38}, "not-run": {"setpoint": 2000, "off": False}},
    {"tripped": {"priority": "high", "rings": False}, "site-silent": {"setpoint": 2.0}},
    {"cold-night": {"setpoint": 30, "priority": "high", "rings": True}},
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
    ("supply-lost", "setpoint", 29.9, "a number from 30 to 70 (%)"),
    ("supply-lost", "clears", 141, "a number from 30 to 140 (%)"),
    ("phase-lost", "setpoint", 31, "a number from 5 to 30 (%)"),
    ("trip-near", "setpoint", 0.5, "a number from 1 to 60 (min)"),
    ("device-margin", "setpoint", 1.21, "a number from 0.9 to 1.2 (ratio)"),
    ("voltage-low", "setpoint", 98, "a number from 70 to 97 (%)"),
    ("voltage-high", "setpoint", 102, "a number from 103 to 125 (%)"),
    ("leg-spread", "setpoint", 4, "a number from 5 to 40 (%)"),
    ("no-load", "setpoint", 71, "a number from 10 to 70 (%)"),
    ("many-starts", "setpoint", 39, "a number from 2 to 38 (starts)"),
    ("not-run", "setpoint", 0.5, "a number from 1 to 2000 (h)"),
    ("cold-night", "setpoint", 96, "a number from 10 to 95 (%)"),
    ("cold-night", "on_delay_seconds", 60, "nothing: the on_delay_seconds of cold-night is fixed"),
    ("slow-start", "setpoint", 0.5, "nothing: the setpoint of slow-start is fixed"),
    ("logger-suspect", "clears", 0.5, "nothing: the clears of logger-suspect is fixed"),
    ("tripped", "setpoint", 1, "nothing: the setpoint of tripped is fixed"),
    ("tripped", "off_delay_seconds", 60, "nothing: the off_delay_seconds of tripped is fixed"),
    ("overload", "clears", 0.0, "a number from 0.4 to 1.1 (ratio)"),
    ("overload", "clears", -1.0, "a number from 0.4 to 1.1 (ratio)"),
    ("low-margin", "setpoint", 0.69, "a number from 0.7 to 1 (ratio)"),
    ("low-margin", "setpoint", 1.01, "a number from 0.7 to 1 (ratio)"),
    ("voltage-unbalance", "setpoint", 0.9, "a number from 1 to 5 (%)"),
    ("voltage-unbalance", "setpoint", 5.1, "a number from 1 to 5 (%)"),
    ("voltage-unbalance-severe", "setpoint", 2.9, "a number from 3 to 8 (%)"),
    ("voltage-unbalance-severe", "setpoint", 8.1, "a number from 3 to 8 (%)"),
    ("logger-overdue", "setpoint", 1.9, "a number from 2 to 100 (periods)"),
    ("logger-overdue", "setpoint", 101, "a number from 2 to 100 (periods)"),
    ("logger-overdue", "on_delay_seconds", 60, "nothing: the on_delay_seconds of logger-overdue is fixed"),
    ("logger-overdue", "clears", 2.5, "nothing: the clears of logger-overdue is fixed"),
    ("stopped", "setpoint", 0.5, "nothing: the setpoint of stopped is fixed"),
    ("stopped", "clears", 0.5, "nothing: the clears of stopped is fixed"),
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
    ("overload", "words", "hot", "one of setpoint, clears, on_delay_seconds"),
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
        "low-margin": {"setpoint": 0.8, "clears": 0.9}, "stopped": {"rings": "no", "on_delay_seconds": -5},
    })  # fmt: skip
    assert [fault.place for fault in faults] == [
        "conditions.overload.setpoint", "conditions.overload.priority", "conditions.nothing",
        "conditions.low-margin.clears", "conditions.stopped.rings", "conditions.stopped.on_delay_seconds",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("condition", "keys", "expected"),
    [
        ("overload", {"clears": 1.05}, "at most the setpoint 1"),
        ("overload", {"setpoint": 0.9, "clears": 0.95}, "at most the setpoint 0.9"),
        ("voltage-low", {"clears": 89}, "at least the setpoint 90"),
        ("phase-lost", {"setpoint": 25, "clears": 20}, "at least the setpoint 25"),
    ],
)
def test_it_cannot_clear_where_it_is_raised(condition: str, keys: dict[str, float], expected: str) -> None:
    (fault,) = check_overrides({condition: keys})
    assert (fault.place, fault.expected) == (f"conditions.{condition}.clears", expected)
    assert fault.found == f"{keys['clears']:g}"


def test_a_changed_setpoint_keeps_the_deadband() -> None:
    changed = overridden(BY_ID["overload"], {"setpoint": 0.9})
    assert (changed.setpoint, changed.clears) == (0.9, pytest.approx(0.87))
    changed = overridden(BY_ID["phase-lost"], {"setpoint": 15})
    assert (changed.setpoint, changed.clears) == (15, 25)
    unchanged = overridden(BY_ID["low-margin"], {})
    assert unchanged == BY_ID["low-margin"]  # to the last bit


def test_a_fan_s_own_figures_go_before_its_site_s() -> None:
    site: Changes = {"overload": {"setpoint": 0.9, "on_delay_seconds": 60}, "stopped": {"off": True}}
    fan: Changes = {"overload": {"setpoint": 1.1}, "low-margin": {"rings": True}}
    assert together(site, fan) == {
        "overload": {"setpoint": 1.1, "on_delay_seconds": 60}, "stopped": {"off": True}, "low-margin": {"rings": True},
    }  # fmt: skip
    assert together({}, fan) == fan
    assert together(site, {}) == site


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
    assert turned_off({}, "not-run")  # worked only where somebody says how many hours
    assert not turned_off({"not-run": {"setpoint": 48}}, "not-run")
    assert turned_off({"not-run": {"setpoint": 48, "off": True}}, "not-run")
