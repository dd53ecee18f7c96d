"""Learning from re-pitches: what goes in, what comes out, what is refused and why, and that nothing is used unasked."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.belief import USUAL, Belief, belief_of
from monitor.blades.learning import (
    Learned,
    PowerFigures,
    Repitch,
    Taught,
    learn,
    offers,
    power_after,
    power_before,
    settled_rows,
    updated,
)
from monitor.motor.current import current_model
from monitor.motor.nameplate import Fan, Motor
from simulated.population import draw

HOUR = 3_600_000.0
AT = 1_790_000_000_000.0
MOTOR = Motor(460, 3, 37.0, 1.15, rated_power_hp=30, power_factor=0.84)
MODEL = current_model(MOTOR)


def half_hour(
    power: float, start_ms: float, v: float | None = 1.0, air: float | None = 20.0, seconds: float = 1800.0
) -> PowerFigures:
    """Half an hour of a fan with this active current at rated voltage in reference air, seen in other conditions."""
    at = 1.0 if v is None else v
    cold = 1.0 if air is None else 293.15 / (air + 273.15)
    mean = MODEL.mean_leg_at(power, 1.0, at, cold)
    return PowerFigures(start_ms, start_ms + 1000.0 * seconds, seconds, mean + 0.5, mean, v, air, power, 180)


def repitch(
    slope: float = 0.08, pitches: tuple[float, float] = (21.0, 19.0), at_ms: float = AT, **more: Any
) -> Repitch:
    """A re-pitch of a fan whose degree is truly worth `slope`."""
    before, after = 36.0, 36.0 * math.exp(-slope * (pitches[0] - pitches[1]))
    made = Repitch(
        at_ms,
        *pitches,
        False,
        half_hour(before, at_ms - 2 * HOUR, 0.97, 12.0),
        half_hour(after, at_ms + HOUR, 0.99, 2.0),
    )
    return replace(made, **more)


SLOPES, ANGLES = st.floats(0.05, 0.11), st.floats(8.0, 30.0)


@given(SLOPES, ANGLES, ANGLES)
def test_the_true_worth_is_observed_in_either_direction(slope: float, first: float, second: float) -> None:
    if abs(first - second) < 0.25:
        return
    lesson = learn(MOTOR, Fan(), [repitch(slope, (first, second))]).lessons[0]
    assert lesson.used
    assert lesson.slope == pytest.approx(slope, rel=1e-9)
    assert lesson.slope_deviation == pytest.approx(0.03 / abs(first - second))


ALIKE = st.floats(0.065, 0.085)
"""So near each other that none of them is far off what the others taught."""


@given(st.lists(st.tuples(ALIKE, st.sampled_from([-4, -2, -1, 1, 2, 3, 6])), min_size=1, max_size=6))
def test_the_belief_moves_towards_what_was_seen_and_grows_surer(seen: list[tuple[float, int]]) -> None:
    belief = USUAL
    for slope, degrees in seen:
        after = updated(belief, slope, 0.03 / abs(degrees))
        assert min(belief.mean, slope) - 1e-12 <= after.mean <= max(belief.mean, slope) + 1e-12
        assert 0.0 < after.deviation < belief.deviation
        belief = after
    repitches = [repitch(slope, (21.0, 21.0 - degrees), AT + 100 * HOUR * k) for k, (slope, degrees) in enumerate(seen)]
    learned = learn(MOTOR, Fan(), repitches)
    assert learned.used == len(seen)
    assert (learned.belief.mean, learned.belief.deviation) == pytest.approx((belief.mean, belief.deviation))
    # The order in which the record hands them over makes no difference.
    assert learn(MOTOR, Fan(), repitches[::-1]) == learned


@given(st.lists(st.floats(-3.0, 3.0), max_size=8))
def test_whatever_was_recorded_the_belief_stays_one(slopes: list[float]) -> None:
    learned = learn(MOTOR, Fan(), [repitch(slope, (21.0, 19.0), AT + 100 * HOUR * k) for k, slope in enumerate(slopes)])
    assert 0.0 < learned.belief.mean < 0.3
    assert 0.0 < learned.belief.deviation <= USUAL.deviation
    assert len(learned.lessons) == len(slopes)
    for lesson in learned.lessons:
        assert lesson.used is (lesson.why_not is None)


def test_the_source_tells_how_it_was_learned() -> None:
    assert learn(MOTOR, Fan(), []) == Learned(USUAL, ())
    assert learn(MOTOR, Fan(), [repitch()]).belief.source == "learned from 1 re-pitch of this fan"
    twice = learn(MOTOR, Fan(), [repitch(), repitch(at_ms=AT + 100 * HOUR)])
    assert twice.belief.source == "learned from 2 re-pitches of this fan"
    own = Fan(amps_per_degree=2.9)
    prior = belief_of(MOTOR, own, MODEL)
    assert learn(MOTOR, own, []).belief == prior
    learned = learn(MOTOR, own, [repitch(0.10)]).belief
    assert learned.source == "learned from 1 re-pitch of this fan, beginning from its file's own figure"
    assert learned.mean == pytest.approx(updated(prior, 0.10, 0.015).mean)


REFUSED: list[tuple[str, dict[str, Any]]] = [
    ("the angle is the same", {"to_pitch": 21.0}),
    ("no running was seen within two days before", {"before": None}),
    ("only 29 min of running were seen", {"before": half_hour(36.0, AT - 2 * HOUR, 0.97, 12.0, 1799.0)}),
    ("has not run since", {"after": None}),
    ("only 12 min of running since; 30 min are needed", {"after": half_hour(31.0, AT + HOUR, 0.99, 2.0, 725.0)}),
    ("ran on over the time", {"after": half_hour(31.0, AT - 1.45 * HOUR, 0.99, 2.0)}),
    ("more than two days", {"after": half_hour(31.0, AT + 46.51 * HOUR, 0.99, 2.0)}),
    ("another fan of the plenum", {"other_fan_of_plenum_changed": True}),
    ("voltage was measured only before", {"after": half_hour(31.0, AT + HOUR, None, 2.0)}),
    ("voltage was measured only after", {"before": half_hour(36.0, AT - 2 * HOUR, None, 12.0)}),
    ("the air temperature was measured only before", {"after": half_hour(31.0, AT + HOUR, 0.99, None)}),
    ("the air temperature was measured only after", {"before": half_hour(36.0, AT - 2 * HOUR, 0.97, None)}),
    ("too lightly loaded", {"after": replace(half_hour(31.0, AT + HOUR, 0.99, 2.0), power=None)}),
    ("something else changed", {"after": half_hour(20.0, AT + HOUR, 0.99, 2.0)}),
    ("in stall", {"after": half_hour(37.5, AT + HOUR, 0.99, 2.0)}),
]


@pytest.mark.parametrize(("words", "changed"), REFUSED, ids=[words for words, _ in REFUSED])
def test_what_is_not_learned_from_says_why(words: str, changed: dict[str, Any]) -> None:
    learned = learn(MOTOR, Fan(), [repitch(**changed)])
    assert learned.belief is USUAL
    assert (learned.used, len(learned.lessons)) == (0, 1)
    lesson = learned.lessons[0]
    assert lesson.why_not is not None and words in lesson.why_not
    assert not lesson.used
    assert lesson.said().endswith(f"not learned from: {lesson.why_not}")


def test_just_within_the_bounds_it_is_learned_from() -> None:
    for changed in (
        {"before": half_hour(36.0, AT - 2 * HOUR, 0.97, 12.0, 1800.0)},
        {"after": half_hour(31.0, AT - 1.3 * HOUR, 0.99, 2.0)},  # 12 min after the running before it ended
        {"after": half_hour(31.0, AT + 46.49 * HOUR, 0.99, 2.0)},  # which ended 1.5 h before the work
    ):
        assert learn(MOTOR, Fan(), [repitch(**changed)]).used == 1


def test_predicted_against_found() -> None:
    """Expected is told at the volts, air and leg spread that were found, so that only the blades are compared."""
    lesson = learn(MOTOR, Fan(), [repitch(USUAL.mean)]).lessons[0]
    assert lesson.predicted is not None and lesson.predicted_low is not None and lesson.predicted_high is not None
    assert lesson.found == pytest.approx(lesson.predicted)
    assert lesson.predicted_low < lesson.predicted < lesson.predicted_high
    # The band by hand: 36 A less two degrees, 1.645 deviations of (2 x 0.015, 0.03) either side.
    deviation = math.hypot(2 * 0.015, 0.03)
    for edge, sign in ((lesson.predicted_low, -1.645), (lesson.predicted_high, 1.645)):
        active = 36.0 * math.exp(-2 * 0.075 + sign * deviation) / 0.99 * 293.15 / 275.15
        assert edge == pytest.approx(math.hypot(active, 0.99 * MODEL.magnetising_rated) + 0.5)
    assert lesson.said().startswith(f"from 21 to 19 degrees (2 less): {lesson.predicted:.1f} A expected (")
    assert lesson.said().endswith(f"{lesson.found:.1f} A found")
    up = learn(MOTOR, Fan(), [repitch(pitches=(17.0, 18.5))]).lessons[0]
    assert up.said().startswith("from 17 to 18.5 degrees (1.5 more): ")
    assert up.found is not None and up.predicted is not None
    # Found more than expected upwards means a degree is worth more.
    assert (up.found > up.predicted) is (USUAL.mean < 0.08)


def test_the_second_is_predicted_from_what_the_first_taught() -> None:
    first, second = repitch(0.10), repitch(0.10, at_ms=AT + 100 * HOUR)
    alone = learn(MOTOR, Fan(), [second]).lessons[0]
    after = learn(MOTOR, Fan(), [first, second]).lessons[1]
    assert alone.predicted is not None and after.predicted is not None and after.found is not None
    assert abs(after.predicted - after.found) < abs(alone.predicted - after.found)


def test_what_neither_half_hour_has_makes_it_less_sure() -> None:
    def seen(v: float | None, air: float | None) -> Any:
        made = repitch(before=half_hour(36.0, AT - 2 * HOUR, v, air), after=half_hour(31.0, AT + HOUR, v, air))
        return learn(MOTOR, Fan(), [made]).lessons[0]

    assert seen(1.0, 20.0).words == ()
    assert seen(1.0, 20.0).slope_deviation == pytest.approx(0.015)
    assert seen(None, 20.0).slope_deviation == seen(1.0, None).slope_deviation == pytest.approx(0.015 * math.sqrt(2))
    assert seen(None, None).slope_deviation == pytest.approx(0.015 * math.sqrt(3))
    assert seen(None, None).used
    assert len(seen(None, None).words) == 2


def columns(seconds: Any, legs: Any, volts: Any = (460.0, 458.0, 456.0), air: float = 5.0) -> tuple[Any, ...]:
    t = AT + 1000.0 * np.asarray(seconds, float)
    n = len(t)
    return (
        t, np.broadcast_to(np.asarray(legs, float), (n, 3)).copy(),
        np.broadcast_to(np.asarray(volts, float), (n, 3)).copy(), np.full(n, air), np.ones(n, bool),
    )  # fmt: skip


def test_the_last_half_hour_before_and_the_first_after() -> None:
    seconds = np.arange(-7200.0, 7200.0, 10.0)
    level = 30.0 + seconds / 7200.0
    t, legs, volts, air, settled = columns(seconds, np.column_stack([level, level - 0.2, level - 0.4]))
    settled[(seconds > -600.0) & (seconds <= 1200.0)] = False  # the stop for the work
    before, after = (side(MOTOR, AT, t, legs, volts, air, settled) for side in (power_before, power_after))
    assert before is not None and after is not None
    assert (before.from_ms, before.to_ms, before.seconds, before.readings) == (AT - 2.39e6, AT - 0.6e6, 1800.0, 180)
    assert (after.from_ms, after.to_ms, after.seconds, after.readings) == (AT + 1.21e6, AT + 3.0e6, 1800.0, 180)
    assert before.highest == pytest.approx(30.0 - 1495.0 / 7200.0)
    assert before.mean == pytest.approx(before.highest - 0.2)
    assert (before.v, before.ambient_c) == pytest.approx((458.0 / 460.0, 5.0))
    active = math.sqrt(before.mean**2 - (MODEL.magnetising_rated * 458.0 / 460.0) ** 2)
    assert before.power == pytest.approx(active * 458.0 / 460.0 * 278.15 / 293.15)
    # Rows in any order, whole numbers of milliseconds: the same.
    order = np.random.default_rng(3).permutation(len(t))
    again = power_before(MOTOR, AT, t[order].astype(np.int64), legs[order], volts[order], air[order], settled[order])
    assert again == before


def test_short_runs_are_taken_together() -> None:
    """A cycled fan: 10 min on, 20 min off. Three runs make the half hour."""
    seconds = np.arange(0.0, 7200.0, 10.0)
    t, legs, volts, air, settled = columns(seconds, (30.0, 30.0, 30.0))
    settled &= seconds % 1800.0 < 600.0
    after = power_after(MOTOR, AT - 1.0, t, legs, volts, air, settled)
    assert after is not None
    assert (after.seconds, after.readings) == (1800.0, 180)
    assert after.to_ms == AT + 1000.0 * (2 * 1800.0 + 590.0)


@pytest.mark.parametrize("period", [1.0, 10.0, 60.0, 170.0])
def test_half_an_hour_is_the_same_at_any_period(period: float) -> None:
    after = power_after(MOTOR, AT - 1.0, *columns(np.arange(0.0, 5400.0, period), (30.0, 30.0, 30.0)))
    assert after is not None
    assert 1800.0 <= after.seconds < 1800.0 + period


def test_nothing_to_go_by() -> None:
    t, legs, volts, air, settled = columns(np.arange(0.0, 1800.0, 10.0), (30.0, 30.0, 30.0))
    assert power_before(MOTOR, AT - 1.0, t, legs, volts, air, settled) is None
    assert power_after(MOTOR, AT - 1.0, t, legs, volts, air, np.zeros(len(t), bool)) is None
    assert power_after(MOTOR, AT - 1.0, t, np.full_like(legs, math.nan), volts, air, settled) is None
    assert power_after(MOTOR, AT - 1.0, *(column[:0] for column in (t, legs, volts, air, settled))) is None
    assert power_after(MOTOR, AT - 2.0 * 86_400_000.0, t + 1.0, legs, volts, air, settled) is None  # two days and more
    one = power_after(MOTOR, AT - 1.0, *(column[:1] for column in (t, legs, volts, air, settled)))
    assert one is not None and (one.readings, one.seconds) == (1, 0.0)


def test_what_is_not_measured_in_the_half_hour() -> None:
    t, legs, volts, air, settled = columns(np.arange(0.0, 1800.0, 10.0), (30.0, math.nan, 29.0), (math.nan,) * 3)
    seen = power_after(MOTOR, AT - 1.0, t, legs, volts, np.full(len(t), math.nan), settled)
    assert seen is not None
    assert (seen.highest, seen.mean, seen.v, seen.ambient_c) == (30.0, 29.5, None, None)
    assert seen.power == pytest.approx(math.sqrt(29.5**2 - MODEL.magnetising_rated**2))
    for odd in (200.0, 700.0):
        volts[:] = odd
        wrong = power_after(MOTOR, AT - 1.0, t, legs, volts, air, settled)
        assert wrong is not None and wrong.v is None
    legs[:] = 18.0  # the magnetising current alone is 17 A
    light = power_after(MOTOR, AT - 1.0, t, legs, np.full_like(volts, 460.0), air, settled)
    assert light is not None and light.power is None


def test_single_phase_takes_the_first_column() -> None:
    motor = Motor(230, 1, 46.0, 1.15, rated_power_hp=10)
    nan = math.nan
    seen = power_after(
        motor, AT - 1.0, *columns(np.arange(0.0, 1800.0, 10.0), (54.6, nan, nan), (219.6, nan, nan), 3.0)
    )
    assert seen is not None
    assert (seen.highest, seen.mean, seen.v) == pytest.approx((54.6, 54.6, 219.6 / 230.0))


def test_rows_of_running_past_the_first_minute() -> None:
    seconds = np.arange(0.0, 600.0, 10.0)
    highest = np.where((seconds >= 100.0) & (seconds < 400.0), 12.0, 0.1)
    highest[15] = math.nan  # at 150 s: not measured, no stop
    settled = settled_rows(AT + 1000.0 * seconds, highest, 2.0)
    assert seconds[settled].tolist() == np.arange(160.0, 400.0, 10.0).tolist()
    assert settled_rows(np.zeros(0), np.zeros(0), 2.0).tolist() == []
    assert not settled_rows(seconds, np.full(60, math.nan), 2.0).any()
    # Seen running from the first row on: when it started is not known.
    assert settled_rows(AT + 1000.0 * seconds, np.full(60, 12.0), 2.0).tolist() == (seconds >= 60.0).tolist()


def test_invented_fans_are_learned_truly() -> None:
    """Re-pitched fans of the crowd, from their clamps' readings in other air: the observed slopes lie around the true
    ones as 0.03/D says, and what is learned is nearer the truth than the usual belief."""
    off, before, after = [], [], []
    for seed in range(12):
        drawn = draw(seed)
        plate = drawn.plate["motor"]
        motor = Motor(
            plate["rated_voltage"], plate["phases"], plate["full_load_amps"], plate["service_factor"],
            rated_power_hp=plate["rated_power_hp"], power_factor=plate.get("power_factor"),
            efficiency=plate.get("efficiency"),
        )  # fmt: skip
        down = drawn.pitch - 3.0
        halves = []
        for pitch, air, side, start in (
            (drawn.pitch, drawn.air_c, power_before, -2 * HOUR),
            (down, drawn.air_c - 6.0, power_after, 2 * HOUR),
        ):
            seen = drawn.readings(31.0, pitch, air_c=air, period_s=60, start_ms=int(AT + start))
            amps, volts = (
                np.column_stack([seen[name] for name in names]) for names in (("l1", "l2", "l3"), ("v12", "v23", "v31"))
            )
            halves.append(side(motor, AT, seen["t_ms"], amps, volts, seen["ambient_c"], np.ones(len(amps), bool)))
        learned = learn(motor, Fan(), [Repitch(AT, drawn.pitch, down, False, *halves)])
        slope = learned.lessons[0].slope
        assert slope is not None and learned.used == 1
        off.append((slope - drawn.slope) / 0.01)
        before.append(abs(USUAL.mean - drawn.slope))
        after.append(abs(learned.belief.mean - drawn.slope))
    assert np.sqrt(np.mean(np.square(off))) < 1.2
    assert np.mean(after) < 0.6 * np.mean(before)


SISTER = Fan(blades=6, diameter_in=28.0)


def taught(
    motor: Motor = MOTOR, fan: Fan = SISTER, count: int = 2, slope: float = 0.09, name: str = "north-2"
) -> Taught:
    """A sister with so many re-pitches behind it."""
    return Taught(
        name, motor, fan, learn(motor, fan, [repitch(slope, at_ms=AT + 100 * HOUR * k) for k in range(count)])
    )


NOTHING = Learned(USUAL, ())


def test_a_sister_s_figure_is_offered_in_words_and_not_used() -> None:
    (offer,) = offers(MOTOR, SISTER, NOTHING, [taught()])
    belief = taught().learned.belief
    current = 1.15 * 37.0
    assert offer.worth.mean == pytest.approx(belief.mean * (current**2 - MODEL.magnetising_rated**2) / current)
    assert (
        f"north-2, a fan of the same nameplate and blades, has learned {offer.worth.mean:.2f} A a degree" in offer.words
    )
    assert "from 2 re-pitches" in offer.words
    assert "It is not used here" in offer.words
    # What is entered as offered is taken as offered.
    entered = belief_of(MOTOR, replace(SISTER, amps_per_degree=offer.worth.mean), MODEL)
    assert entered.mean == pytest.approx(belief.mean)
    assert learn(MOTOR, SISTER, []).belief is USUAL


def test_whose_figure_is_offered() -> None:
    other_plate = replace(MOTOR, full_load_amps=36.0)
    assert offers(MOTOR, SISTER, NOTHING, [taught(other_plate)]) == ()
    assert offers(MOTOR, SISTER, NOTHING, [taught(replace(MOTOR, rated_power_hp=25))]) == ()
    assert offers(MOTOR, SISTER, NOTHING, [taught(fan=replace(SISTER, blades=5))]) == ()
    assert offers(MOTOR, SISTER, NOTHING, [taught(count=0)]) == ()
    assert offers(MOTOR, SISTER, taught().learned, [taught()]) == ()  # it has learned itself
    assert offers(MOTOR, replace(SISTER, amps_per_degree=2.5), NOTHING, [taught()]) == ()  # its file has a figure
    # What one of the plates does not print does not set them apart; blades not registered are to be looked at.
    (offer,) = offers(MOTOR, Fan(), NOTHING, [taught(replace(MOTOR, rated_power_hp=None))])
    assert offer.words.endswith("whether the blades are the same is for you to look")
    names = [
        one.sister for one in offers(MOTOR, SISTER, NOTHING, [taught(count=1, name="a"), taught(count=3, name="b")])
    ]
    assert names == ["b", "a"]


def test_a_precise_belief_is_not_talked_down_to_nothing() -> None:
    sure = Belief(0.01, 0.004, "any")
    assert updated(sure, -0.02, 0.004).mean < 0.0  # what `learn` refuses
