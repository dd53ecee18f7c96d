"""Starts an hour, poles by speed, locked-rotor current."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.motor.nameplate import Motor
from monitor.motor.starts import (
    KILOVOLTAMPERES_A_HORSEPOWER,
    STARTS_AN_HOUR,
    locked_rotor_amps,
    poles_of,
    starts_allowed,
)

POWER = st.one_of(st.floats(0.1, 200.0), st.sampled_from([1.0, 7.5, 14.9, 15.0, 50.0, 50.1]))


def test_the_table_has_no_misprint() -> None:
    """Each row: four poles twice the starts of two, six 1.13 times those of four; each row under the one before."""
    for two, four, six in STARTS_AN_HOUR.values():
        assert four / two == pytest.approx(2.0, abs=0.03)
        assert six / four == pytest.approx(1.135, abs=0.01)
    for column in range(3):
        figures = [row[column] for _, row in sorted(STARTS_AN_HOUR.items())]
        assert figures == sorted(figures, reverse=True)


@pytest.mark.parametrize(
    ("power", "poles", "allowed"),
    [
        (10.0, 2, 6), (10.0, 4, 12), (10.0, 6, 14), (10.0, 8, 14), (10.0, 12, 14), (10.0, None, 12),
        (0.5, 4, 30), (1.0, 4, 30), (1.01, 4, 25), (7.5, 4, 13), (7.51, 4, 12), (10.06, 4, 10), (10.06, 2, 5),
        (14.99, 4, 10), (15.0, 4, 4), (15.0, 2, 4), (30.0, 2, 4), (31.0, 2, 3), (50.0, 2, 3), (75.0, 2, 3),
        (75.0, 4, 4), (None, 2, 6), (None, None, 6),
    ],
)  # fmt: skip
def test_starts_allowed(power: float | None, poles: int | None, allowed: int) -> None:
    assert starts_allowed(power, poles) == allowed


@given(POWER, POWER, st.sampled_from([2, 4, 6, 8, None]))
def test_a_bigger_motor_is_never_allowed_more(a: float, b: float, poles: int | None) -> None:
    small, big = sorted((a, b))
    assert 3 <= starts_allowed(big, poles) <= starts_allowed(small, poles) <= 34


@pytest.mark.parametrize(
    ("rpm", "poles"),
    [
        (3600.0, 2), (3505.0, 2), (3240.0, 2), (2890.0, 2), (1800.0, 4), (1725.0, 4), (1620.0, 4), (1450.0, 4),
        (1160.0, 6), (960.0, 6), (870.0, 8), (700.0, 10), (580.0, 12), (3601.0, None), (2000.0, None), (300.0, None),
    ],
)  # fmt: skip
def test_poles_by_speed(rpm: float, poles: int | None) -> None:
    assert poles_of(Motor(460, 3, 12.4, rated_speed_rpm=rpm)) == poles


def test_registered_poles_come_first() -> None:
    assert poles_of(Motor(460, 3, 12.4, rated_speed_rpm=3505.0, poles=4)) == 4
    assert poles_of(Motor(460, 3, 12.4)) is None


def test_code_letters_leave_no_gap_and_do_not_overlap() -> None:
    ranges = list(KILOVOLTAMPERES_A_HORSEPOWER.values())
    assert list(KILOVOLTAMPERES_A_HORSEPOWER) == list("ABCDEFGHJKLMNPRSTUV")
    assert (ranges[0][0], ranges[-1][1]) == (0.0, math.inf)
    for (_, most), (least, _) in pairwise(ranges):
        assert least - most == pytest.approx(0.01)


def test_locked_rotor_amps_want_code_letter_and_power() -> None:
    assert locked_rotor_amps(Motor(230, 3, 28.0, rated_power_hp=10)) is None
    assert locked_rotor_amps(Motor(230, 3, 28.0, code_letter="G")) is None
    last = locked_rotor_amps(Motor(230, 1, 28.0, rated_power_hp=5, code_letter="V"))
    assert last is not None
    assert last[0] == pytest.approx(22.4 * 5000 / 230)
    assert last[1] == math.inf
