"""At the very figure: which side of a threshold a reading on it belongs to; and what the judged columns say."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from monitor.motor.nameplate import Nameplate, Protection
from monitor.watch import layout
from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Change, Judged
from monitor.watch.limits import resolve, stack
from tests.conftest import BALANCED, NAN, NO_VOLTS, Row, columns, nameplate

AT_ONCE: dict[str, dict[str, Any]] = {name: {"on_delay_seconds": 0} for name in ("supply-lost", "device-margin")}


def above(value: float) -> float:
    return math.nextafter(value, math.inf)


def below(value: float) -> float:
    return math.nextafter(value, -math.inf)


def watched(rows: Sequence[Row], plate: Nameplate | None = None) -> tuple[list[Change], Judged]:
    return advance(new_states(1), columns(rows), stack([resolve(plate or nameplate())]))


def raised(rows: Sequence[Row], condition: str, plate: Nameplate | None = None) -> list[float]:
    changes, _ = watched(rows, plate)
    return [change.at_ms for change in changes if change.condition == condition and change.what == layout.RAISED]


def every_10_s(*legs: float, volts: Any = BALANCED) -> list[Row]:
    return [(0, 10_000.0 * number, (amps,) * 3, volts, 0) for number, amps in enumerate(legs)]


def with_device(setting: float = 40.0, **plate: Any) -> Nameplate:
    return replace(nameplate(service_factor=1.15, **plate), protection=Protection("overload relay", 10, setting))


@pytest.mark.parametrize(("amps", "runs"), [(6.0, False), (above(6.0), True)])
def test_running_is_more_than_15_percent_of_full_load_amps(amps: float, runs: bool) -> None:
    _, judged = watched(every_10_s(amps))  # 40 A
    assert bool(judged.flags[0] & layout.IS_RUNNING) is runs


@pytest.mark.parametrize(("volts", "lost"), [(230.0, False), (below(230.0), True)])
def test_a_line_is_lost_under_half_of_rated_voltage(volts: float, lost: bool) -> None:
    states = new_states(1)
    advance(states, columns(every_10_s(20.0, volts=(volts, 460.0, 460.0))), stack([resolve(nameplate())]))
    assert math.isnan(states[0, layout.V12]) is lost


@pytest.mark.parametrize(("volts", "is_raised"), [(230.0, True), (230.1, False)])
def test_the_supply_is_lost_at_half_of_rated_voltage(volts: float, is_raised: bool) -> None:
    rows = every_10_s(0.0, volts=(0.0, volts, 3.0))
    assert bool(raised(rows, "supply-lost", nameplate(conditions=AT_ONCE))) is is_raised


@pytest.mark.parametrize(("amps", "is_raised"), [(80.0, False), (above(80.0), True)])
def test_starting_current_is_more_than_twice_full_load_amps(amps: float, is_raised: bool) -> None:
    assert raised(every_10_s(0.0, amps, amps), "slow-start") == ([20_000.0] if is_raised else [])


@pytest.mark.parametrize(("amps", "is_raised"), [(42.0, True), (below(42.0), False)])
def test_device_margin_begins_at_1_05_of_the_setting(amps: float, is_raised: bool) -> None:
    assert bool(raised(every_10_s(amps, amps), "device-margin", with_device(conditions=AT_ONCE))) is is_raised


@pytest.mark.parametrize(("least", "is_raised"), [(5.0, True), (5.01, False)])
@pytest.mark.parametrize(("others", "risen"), [(50.0, True), (38.9, False)])
def test_a_phase_is_lost_at_a_tenth_of_risen_legs(least: float, is_raised: bool, others: float, risen: bool) -> None:
    rows = every_10_s(*[30.0] * 60)
    rows.append((0, 600_000.0, (others, least * others / 50.0, others), BALANCED, 0))
    assert bool(raised(rows, "phase-lost")) is (is_raised and risen)


@pytest.mark.parametrize(("starts", "is_raised"), [(4, False), (5, True)])
def test_the_fifth_start_of_a_big_motor_in_an_hour_is_too_many(starts: int, is_raised: bool) -> None:
    rows = every_10_s(*[0.0, 36.0] * starts)
    assert bool(raised(rows, "many-starts", nameplate(rated_power_hp=30.0, control="cycled"))) is is_raised


@pytest.mark.parametrize(("last_ms", "counts"), [(3_599_999.0, True), (3_600_000.0, False)])
def test_a_start_counts_for_less_than_an_hour(last_ms: float, counts: bool) -> None:
    course = ((-1_000.0, 0.0), (0.0, 36.0), (1_000.0, 0.0), (2_000.0, 36.0), (3_000.0, 0.0), (last_ms, 36.0))
    rows = [(0, t + 60_000.0, (amps,) * 3, BALANCED, 0) for t, amps in course]
    plate = nameplate(conditions={"many-starts": {"setpoint": 3}}, control="cycled")
    assert bool(raised(rows, "many-starts", plate)) is counts


def test_images_at_first_sight_are_assumed_for_three_time_constants() -> None:
    _, judged = watched(every_10_s(*[36.0] * 700), with_device())
    assert judged.motor_heat[0] == pytest.approx((36.0 / 48.3) ** 2)
    assert judged.device_heat[0] == pytest.approx((36.0 / 46.0) ** 2)
    assert judged.seconds_to_trip[0] == math.inf
    tau = 10.0 / math.log((7.2 / 1.15) ** 2 / ((7.2 / 1.15) ** 2 - 1))  # class 10 of IEC 60947-4-1
    for flag, seconds in ((layout.DEVICE_ASSUMED, 3 * tau), (layout.MOTOR_ASSUMED, 5400.0)):
        assumed = [bool(flags & flag) for flags in judged.flags]
        assert assumed == [10.0 * number < seconds for number in range(700)]


def test_a_heavy_load_at_first_sight_is_assumed_to_be_just_carried() -> None:
    _, judged = watched(every_10_s(60.0, 60.0), with_device())
    assert judged.motor_heat[0] == judged.device_heat[0] == 0.99
    x_squared = (60.0 / 46.0) ** 2
    assert judged.seconds_to_trip[0] == pytest.approx(386.96 * math.log((x_squared - 0.99) / (x_squared - 1)), rel=1e-4)
    assert judged.seconds_to_trip[1] == 0.0  # 5.5 s later it should have opened


def test_a_start_caught_by_chance_counts_five_seconds() -> None:
    # 220 A stand for 5 s of the 10, then 36 A; as IEC 60255-149 heats, from cold.
    _, judged = watched(every_10_s(0.0, 220.0, 36.0), with_device())
    tau = 386.96
    after = (220 / 46) ** 2 * (1 - math.exp(-5 / tau))
    after = (36 / 46) ** 2 + (after - (36 / 46) ** 2) * math.exp(-5 / tau)
    assert judged.device_heat.tolist() == [0.0, 0.0, pytest.approx(after, rel=1e-4)]


def test_a_gap_of_ten_minutes_is_bridged_and_a_longer_one_is_held() -> None:
    motor = (36.0 / 42.0) ** 2, (39.0 / 42.0) ** 2
    for seconds in (600.0, 610.0):
        rows = [(0, 1000.0 * t, (amps,) * 3, NO_VOLTS, 0) for t, amps in ((0.0, 36.0), (seconds, 39.0))]
        _, judged = watched(rows)
        if seconds == 600.0:
            mean = (motor[0] + motor[1]) / 2
            expected = mean + (motor[0] - mean) * math.exp(-600 / 1800)
        else:
            expected = motor[1] + (motor[0] - motor[1]) * math.exp(-10 / 1800)
        assert judged.motor_heat[1] == pytest.approx(expected, rel=1e-12)


def test_what_is_not_known_of_the_device_is_nan() -> None:
    _, judged = watched(every_10_s(36.0, 0.0))
    assert [math.isnan(value) for value in (*judged.device_heat, *judged.seconds_to_trip)] == [True] * 4
    rows = [*every_10_s(36.0, 0.0), (0, 20_000.0, (NAN,) * 3, BALANCED, 0)]
    _, judged = watched(rows, with_device())
    assert judged.seconds_to_trip[:2].tolist() == [math.inf, math.inf]
    assert math.isnan(judged.seconds_to_trip[2])
    assert judged.device_heat[2] == judged.device_heat[1]


def test_the_end_of_a_run_is_told_with_what_speaks_for_it() -> None:
    rows = every_10_s(*[36.0] * 400, *[50.0] * 30)
    rows += [(0, 4_300_000.0, (0.0,) * 3, (455.0, 458.0, NAN), 0, 1.0)]
    changes, _ = watched(rows, with_device())
    (ending,) = [change.ending for change in changes if change.what == layout.RUN_ENDED]
    assert ending is not None
    tau, ratio = 386.96, 1.15
    image = (50 / 46) ** 2 + ((36 / 46) ** 2 - (50 / 46) ** 2) * math.exp(-300 / tau)
    assert ending.h1 == pytest.approx(ratio**2 * image, rel=1e-4)
    # Whole slots of 30 s up to 5 min before its last reading, from 10 s into the run on: none has seen the 50 A.
    assert ending.carried == pytest.approx((36 / 40) ** 2)
    assert ending.compared_seconds == 3980.0
    assert (ending.stop_ms, ending.last_amps, ending.called, ending.period_seconds) == (4_300_000.0, 50.0, 1.0, 10.0)
    assert ending.volts_percent == pytest.approx(100 * 456.5 / 460)
    assert (ending.device_known, ending.full_load_amps, ending.seen, ending.lost_phase) == (True, 40.0, True, False)


@pytest.mark.parametrize(("pause", "seen"), [(30_000.0, True), (30_001.0, False)])
def test_an_end_is_seen_up_to_three_periods_after_the_last_reading(pause: float, seen: bool) -> None:
    rows = [*every_10_s(*[36.0] * 10), (0, 90_000.0 + pause, (0.0,) * 3, BALANCED, 0)]
    changes, _ = watched(rows)
    assert [change.ending.seen for change in changes if change.ending is not None] == [seen]


@pytest.mark.parametrize(("others", "is_raised"), [(15.2, True), (15.3, False)])
def test_one_leg_cannot_carry_much_more_than_the_others_together(others: float, is_raised: bool) -> None:
    # 1.15 x 30.4 + 1 A are 35.96 A, 1.15 x 30.6 + 1 A are 36.19 A: a clamp may be wrong by so much.
    rows = [(0, 10_000.0 * n, (36.0, others, others - 0.001 * (n % 2)), BALANCED, 0) for n in range(62)]
    assert raised(rows, "logger-suspect") == ([600_000.0] if is_raised else [])


@pytest.mark.parametrize(("share", "is_raised"), [(0.86, True), (0.84, False), (1.14, True), (1.16, False)])
def test_a_clamp_is_off_where_the_others_carry_what_they_did(share: float, is_raised: bool) -> None:
    rows = [(0, 10_000.0 * n, (30.0, 30.0 + 0.1 * (n % 2), 30.0), BALANCED, 0) for n in range(50)]
    rows += [(0, 500_000.0 + 10_000.0 * n, (30.0 * share, 0.0, 30.0 * share), BALANCED, 0) for n in range(4)]
    assert raised(rows, "logger-suspect") == ([510_000.0] if is_raised else [])
