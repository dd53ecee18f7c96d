"""From a nameplate to the kernel's row of numbers; and what the clock decides."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from monitor.motor.nameplate import Logger, Protection
from monitor.watch import layout as at
from monitor.watch.advance import advance, new_states, standing
from monitor.watch.limits import resolve, stack
from monitor.watch.overrides import overridden
from monitor.watch.table import BY_ID, KERNEL_CONDITIONS
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


def test_stopped_is_worked_for_every_fan_since_its_control_may_call_it() -> None:
    for control, continuous in (("continuous", 1.0), ("cycled", 0.0), ("manual", 0.0), (None, 0.0)):
        assert of(nameplate(control=control), "stopped", at.IN_USE) == 1.0
        assert resolve(nameplate(control=control))[at.CONTINUOUS] == continuous


@pytest.mark.parametrize("condition", ["voltage-unbalance", "voltage-unbalance-severe", "phase-lost", "leg-spread"])
def test_a_single_phase_motor_has_no_unbalance_and_no_phase_to_lose(condition: str) -> None:
    assert of(nameplate(phases=1), condition, at.IN_USE) == 0.0
    assert of(nameplate(phases=3), condition, at.IN_USE) == 1.0


@pytest.mark.parametrize(
    ("protection", "known"),
    [
        (Protection("overload relay", 20, 38.0, 1.2), True),
        (Protection("unknown", 20, 38.0, 1.2), True),
        (Protection("overload relay", 20, None, 1.2), False),
        (Protection("built-in protector", 20, 38.0, 1.2), False),
        (Protection("none", None, 38.0), False),
        (Protection(), False),
    ],
    ids=str,
)
def test_an_overload_device_is_known_by_its_setting(protection: Protection, known: bool) -> None:
    plate = replace(nameplate(service_factor=1.15), protection=protection)
    row = resolve(plate)
    assert bool(row[at.DEVICE_KNOWN]) is known
    assert row[at.DEVICE_SETTING] == pytest.approx(38.0 if known else 46.0)
    assert row[at.TRIP_RATIO] == protection.trip_ratio
    # IEC 60947-4-1: the class in seconds at 7.2 times the setting, from cold; class 10 where none is registered.
    x = 7.2 / protection.trip_ratio
    trips = row[at.DEVICE_TAU_S] * math.log(x * x / (x * x - 1))
    assert trips == pytest.approx(protection.trip_class or 10)
    for condition in ("trip-near", "device-margin"):
        assert of(plate, condition, at.IN_USE) == known


def test_what_else_is_resolved() -> None:
    row = resolve(nameplate(power_factor=0.8), worn_since=3)
    assert row[at.LIMIT_WORN_SINCE] == 3
    assert row[at.MAGNETISING] == pytest.approx(0.85 * 40 * 0.6)
    assert row[at.AVERAGING] == 0.0
    assert resolve(replace(nameplate(), logger=Logger(averaging=True)))[at.AVERAGING] == 1.0


@pytest.mark.parametrize(
    ("motor", "allowed"),
    # NEMA MG 10 table 2-3, column A; four at most from 15 hp up; six where the rating is not known.
    [
        ({"rated_power_hp": 5.0, "poles": 4}, 16),
        ({"rated_power_hp": 30.0}, 4),
        ({"rated_power_hp": 10.0, "poles": 2}, 6),
        ({}, 6),
    ],
)
def test_one_start_more_than_allowed_is_too_many(motor: dict[str, Any], allowed: int) -> None:
    plate = nameplate(**motor)
    assert of(plate, "many-starts", at.SETPOINT) == of(plate, "many-starts", at.CLEARS) == allowed + 1
    own = nameplate(conditions={"many-starts": {"setpoint": 9}}, **motor)
    assert of(own, "many-starts", at.SETPOINT) == 9


def test_a_small_motor_s_legs_may_lie_further_apart() -> None:
    small, big = nameplate(full_load_amps=19.9), nameplate(full_load_amps=20.0)
    assert (of(small, "leg-spread", at.SETPOINT), of(small, "leg-spread", at.CLEARS)) == (15, 8)
    assert (of(big, "leg-spread", at.SETPOINT), of(big, "leg-spread", at.CLEARS)) == (10, 8)
    own = nameplate(full_load_amps=12.4, conditions={"leg-spread": {"setpoint": 20, "clears": 12}})
    assert (of(own, "leg-spread", at.SETPOINT), of(own, "leg-spread", at.CLEARS)) == (20, 12)


def test_changes_of_the_fan_s_own_file_arrive() -> None:
    plate = nameplate(conditions={"overload": {"setpoint": 0.9, "on_delay_seconds": 30}, "low-margin": {"off": True}})
    assert of(plate, "overload", at.SETPOINT) == 0.9
    assert of(plate, "overload", at.CLEARS) == pytest.approx(0.87)
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
