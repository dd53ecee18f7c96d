"""What is expected after work on the blades: the figures of the insert table, and how volts and air move them."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.after_work import AIR_ALIKE, VOLTS_ALIKE, at_the_coldest, before_work, expected
from monitor.blades.estimate import estimate
from monitor.blades.window import WindowFigures
from monitor.motor.current import current_model
from monitor.motor.nameplate import Fan, Motor, Nameplate

MOTOR = Motor(460, 3, 13.2, 1.15, rated_power_hp=10, power_factor=0.83)
MODEL = current_model(MOTOR)
PLATE = Nameplate(MOTOR, fan=Fan(21, (13, 15, 17, 18, 19, 21), 13, coldest_expected_c=-5))
SEEN = WindowFigures(15.5, 15.0333, (15.5, 15.0, 14.6), (450, 447, 443), 0.821, 446.67, 7.0, 0.0, 1800, 180, None)
ANSWER = estimate(PLATE, SEEN)


def test_at_the_same_volts_and_the_coldest_it_is_the_insert_table_itself() -> None:
    before = before_work(ANSWER.as_json()["before_work"])
    assert before == ANSWER.before_work and before is not None and before_work(None) is None
    for option in ANSWER.pitch.options:
        then = expected(before, MODEL, option.degrees, v=446.67 / 460, t_c=-5.0)
        assert (then.amps, then.low, then.high) == pytest.approx((option.amps, option.low, option.high), rel=1e-9)
        assert then.words == ()


def test_nothing_is_expected_where_no_degrees_are_given() -> None:
    assert estimate(PLATE, None).before_work is None
    assert estimate(PLATE, SEEN, fault="a lost phase").before_work is None


@given(st.floats(0.9, 1.1), st.floats(-30, 40), st.floats(-4, 8))
def test_less_pitch_warmer_air_and_more_volts_at_this_load_draw_less(v: float, t_c: float, degrees: float) -> None:
    before = ANSWER.before_work
    assert before is not None
    then = expected(before, MODEL, degrees, v=v, t_c=t_c)
    assert then.low < then.amps < then.high
    assert expected(before, MODEL, degrees + 1.0, v=v, t_c=t_c).amps < then.amps
    assert expected(before, MODEL, degrees, v=v, t_c=t_c + 5.0).amps < then.amps
    assert expected(before, MODEL, degrees, v=v, t_c=t_c, spread=0.0).amps == pytest.approx(then.amps - before.spread)


def test_what_was_measured_on_one_side_only_is_taken_as_alike_and_widens_the_band() -> None:
    before = ANSWER.before_work
    assert before is not None
    both = expected(before, MODEL, 3.0, v=before.v, t_c=before.t_c)
    for then, words in (
        (expected(before, MODEL, 3.0, v=None, t_c=7.0), (VOLTS_ALIKE,)),
        (expected(before, MODEL, 3.0, v=before.v, t_c=None), (AIR_ALIKE,)),
        (expected(before, MODEL, 3.0, v=None, t_c=None), (VOLTS_ALIKE, AIR_ALIKE)),
    ):
        assert then.words == words and then.amps == pytest.approx(both.amps)
        assert then.low < both.low and then.high > both.high
    blind = replace(before, v=None, t_c=None)
    assert expected(blind, MODEL, 3.0, v=0.93, t_c=-20.0).amps == expected(blind, MODEL, 3.0, v=None, t_c=None).amps


def test_a_reading_in_warm_air_is_carried_to_the_coldest_by_absolute_temperature() -> None:
    """By hand: Im 6.258 A, Ia sqrt(12.9^2 - 6.258^2) = 11.280, x 303.15/268.15 = 12.753, hypot 14.205, + 0.1."""
    found = at_the_coldest(MODEL, (13.0, 12.8, 12.9), v=1.0, t_c=30.0, coldest_c=-5.0)
    assert found == pytest.approx(14.306, abs=0.002)
    assert at_the_coldest(MODEL, (5.0, 5.0, 5.0), v=1.0, t_c=30.0, coldest_c=-5.0) is None
