"""Notices of the supply: lost, a lost phase, volts too low, too high, unbalanced.

Each story is a course of alarm changes and what is known at its end; `test_notices.py` compares what is then told.
"""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import Course, at, story
from notice_builders import CALM, PANEL, UNBALANCED, raise_at, raise_one, returned

from monitor.alarms.alarm import Returned, Tick
from monitor.alarms.story import Story


def voltage_unbalance() -> tuple[Course, Story]:
    course = raise_one("voltage-unbalance", priority="medium", rings=False, value=3.85, setpoint=3.0, peak=3.9)
    return course, UNBALANCED


def voltage_unbalance_severe() -> tuple[Course, Story]:
    course = raise_one("voltage-unbalance-severe", value=6.12, setpoint=5.0, peak=6.2)
    return course, replace(UNBALANCED, unbalance_percent=6.12, volts=(488.0, 447.0, 445.0), also_standing=())


def voltage_unbalance_severe_cleared() -> tuple[Course, Story]:
    course, _ = voltage_unbalance_severe()
    course.feed(Returned(at(30)), at(30))
    return course, replace(UNBALANCED, now=at(30), also_standing=())


def supply_lost() -> tuple[Course, Story]:
    return raise_at(None, "north-panel", "supply-lost", value=3.1, since=at(-0.1)), replace(
        PANEL, volts=(14.0, 9.0, 12.0), rated_volts=460.0
    )


def supply_lost_told_again() -> tuple[Course, Story]:
    course, figures = supply_lost()
    course.feed(Tick(), at(240))
    return course, replace(figures, now=at(240))


def supply_lost_without_volts() -> tuple[Course, Story]:
    return raise_at(None, "north-panel", "supply-lost", value=None, peak=None, priority="medium"), PANEL


def supply_lost_at_a_fan() -> tuple[Course, Story]:
    return raise_one("supply-lost", value=3.1, since=at(-0.1)), story(
        running=False, legs_amps=(0.0, 0.0, 0.0), load_ratio=0.0, volts=(14.0, 9.0, 12.0), unbalance_percent=None
    )


def supply_lost_cleared() -> tuple[Course, Story]:
    return returned(supply_lost()[0], 47, peak=2.0), replace(
        PANEL, now=at(47), volts=(461.0, 458.0, 460.0), rated_volts=460.0
    )


def supply_lost_without_volts_cleared() -> tuple[Course, Story]:
    return returned(supply_lost_without_volts()[0], 47), replace(PANEL, now=at(47))


def phase_lost() -> tuple[Course, Story]:
    return raise_one("phase-lost", value=1.1, since=at()), story(
        legs_amps=(17.8, 0.2, 17.6), load_ratio=1.17, seconds_to_trip=200.0, unbalance_percent=None
    )


def phase_lost_and_stopped() -> tuple[Course, Story]:
    course, figures = phase_lost()
    course.feed(Tick(), at(240))
    return course, replace(figures, now=at(240), running=False, legs_amps=(), load_ratio=None)


def phase_lost_cleared() -> tuple[Course, Story]:
    return returned(phase_lost()[0], 4), story(now=at(4), running=False, legs_amps=(0.0,) * 3, load_ratio=0.0)


def phase_lost_cleared_running() -> tuple[Course, Story]:
    return returned(phase_lost()[0], 4), story(now=at(4), **CALM)


def voltage_unbalance_cleared_by_stopping() -> tuple[Course, Story]:
    return returned(voltage_unbalance()[0], 30), replace(
        UNBALANCED, now=at(30), running=False, legs_amps=(), load_ratio=None, unbalance_percent=None, also_standing=()
    )


def voltage_low() -> tuple[Course, Story]:
    return raise_one("voltage-low", value=88.2, peak=87.4, since=at(-1)), story(volts=(408.0, 404.0, 401.0))


def voltage_low_cleared() -> tuple[Course, Story]:
    return returned(voltage_low()[0], 90, peak=85.1), story(now=at(90), volts=(431.0, 428.0, 425.0), **CALM)


def voltage_high() -> tuple[Course, Story]:
    return raise_one("voltage-high", value=111.4, since=at(-1)), story(volts=(514.0, 511.0, 513.0), **CALM)


def voltage_high_cleared() -> tuple[Course, Story]:
    return returned(voltage_high()[0], 90, peak=113.0), story(now=at(90), volts=(491.0, 488.0, 489.0), **CALM)


STORIES = [
    voltage_unbalance, voltage_unbalance_severe, voltage_unbalance_severe_cleared, supply_lost,
    supply_lost_told_again, supply_lost_without_volts, supply_lost_at_a_fan, supply_lost_cleared,
    supply_lost_without_volts_cleared, phase_lost, phase_lost_and_stopped, phase_lost_cleared,
    phase_lost_cleared_running, voltage_unbalance_cleared_by_stopping, voltage_low, voltage_low_cleared, voltage_high,
    voltage_high_cleared,
]  # fmt: skip
