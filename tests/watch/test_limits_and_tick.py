"""From a nameplate to the kernel's row of numbers; and what the clock decides."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from monitor.watch import layout as at
from monitor.watch.advance import advance, new_states, standing
from monitor.watch.limits import resolve, stack
from monitor.watch.table import BY_ID, KERNEL_CONDITIONS, overridden
from monitor.watch.tick import Heard, is_overdue, silence_allowed_seconds
from tests.conftest import BALANCED, columns, nameplate


def of(plate: Any, condition: str, what: int) -> float:
    number = [row.id for row in KERNEL_CONDITIONS].index(condition)
    return float(resolve(plate)[at.FIRST_LIMIT + number * at.LIMIT_FIELDS + what])


def test_a_nameplate_resolved() -> None:
    row = resolve(nameplate(full_load_amps=12.4, service_factor=1.15, rated_voltage=460.0), motor_number=2)
    assert row.shape == (at.LIMITS_FIELDS,)
    assert not np.isnan(row).any()
    assert row[at.LIMIT_EPOCH] == 2
    assert row[at.FULL_LOAD_AMPS] == 12.4
    assert row[at.FULL_LIMIT] == pytest.approx(14.26)
    assert row[at.PHASES] == 3
    assert row[at.RATED_VOLTS] == 460
    assert row[at.RUNNING_ABOVE] == pytest.approx(1.86)
    assert row[at.GIVEN_PERIOD_MS] == 10_000


def test_service_factor_amps_come_first() -> None:
    assert resolve(nameplate(service_factor=1.15, service_factor_amps=44.0))[at.FULL_LIMIT] == 44.0


def test_a_period_that_is_not_given_is_to_be_learned() -> None:
    assert math.isnan(resolve(nameplate(period_seconds=None))[at.GIVEN_PERIOD_MS])


@pytest.mark.parametrize(("control", "used"), [("continuous", 1.0), ("cycled", 0.0), ("manual", 0.0), (None, 0.0)])
def test_stopped_is_for_fans_that_are_to_run_without_a_pause(control: str | None, used: float) -> None:
    assert of(nameplate(control=control), "stopped", at.IN_USE) == used


@pytest.mark.parametrize("condition", ["voltage-unbalance", "voltage-unbalance-severe"])
def test_a_single_phase_motor_has_no_unbalance(condition: str) -> None:
    assert of(nameplate(phases=1), condition, at.IN_USE) == 0.0
    assert of(nameplate(phases=3), condition, at.IN_USE) == 1.0


def test_changes_of_the_fan_s_own_file_arrive() -> None:
    plate = nameplate(conditions={"overload": {"setpoint": 0.9, "on_delay_seconds": 30}, "low-margin": {"off": True}})
    assert of(plate, "overload", at.SETPOINT) == 0.9
    assert of(plate, "overload", at.CLEARS_BELOW) == pytest.approx(0.87)
    assert of(plate, "overload", at.ON_DELAY_MS) == 30_000
    assert of(plate, "overload", at.OFF_DELAY_MS) == 120_000
    assert of(plate, "low-margin", at.IN_USE) == 0.0
    assert of(nameplate(), "low-margin", at.IN_USE) == 1.0


def test_stacking() -> None:
    both = stack([resolve(nameplate()), resolve(nameplate(full_load_amps=12.4))])
    assert both.shape == (2, at.LIMITS_FIELDS)
    assert both.flags.c_contiguous
    assert both[1, at.FULL_LOAD_AMPS] == 12.4
    assert stack([]).shape == (0, at.LIMITS_FIELDS)


def test_standing_tells_what_is_raised_and_not_what_is_on_its_way() -> None:
    states, limits = new_states(1), stack([resolve(nameplate())])
    assert standing(states[0]) == []
    for seconds, expected in ((0, []), (120, []), (130, ["overload"]), (140, ["overload"])):
        advance(states, columns([(0, 1000.0 * t, (44.0,) * 3, BALANCED, 0) for t in range(0, seconds + 1, 10)]), limits)
        assert standing(states[0]) == expected, seconds
    advance(states, columns([(0, 150_000.0, (30.0,) * 3, BALANCED, 0)]), limits)
    assert standing(states[0]) == ["overload"]  # it is gone, not yet for long enough


# --- the clock -------------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("period", "allowed"),
    [(1.0, 600), (10.0, 600), (200.0, 600), (201.0, 603), (300.0, 900), (3600.0, 10_800), (None, 600)],
)
def test_three_periods_and_at_least_ten_minutes(period: float | None, allowed: float) -> None:
    assert silence_allowed_seconds(period) == allowed


def test_a_fan_may_allow_more_periods() -> None:
    row = overridden(BY_ID["logger-overdue"], {"setpoint": 10})
    assert silence_allowed_seconds(300.0, row) == 3000
    assert is_overdue(Heard(0.0, 300.0, False), 3_000_001.0, row)
    assert not is_overdue(Heard(0.0, 300.0, False), 3_000_000.0, row)


def test_overdue_to_the_millisecond() -> None:
    heard = Heard(1_000_000.0, 10.0, overdue=False)
    assert not is_overdue(heard, 1_600_000.0)
    assert is_overdue(heard, 1_600_001.0)


def test_a_clock_that_steps_back_neither_raises_nor_clears() -> None:
    assert not is_overdue(Heard(1_000_000.0, 10.0, overdue=False), 0.0)
    # It is overdue until a reading comes, not until the clock says otherwise.
    assert is_overdue(Heard(1_000_000.0, 10.0, overdue=True), 0.0)
    assert is_overdue(Heard(1_000_000.0, 10.0, overdue=True), 1_000_001.0)
