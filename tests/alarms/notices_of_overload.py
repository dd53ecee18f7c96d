"""Notices of too much load, and of an overload device near its trip.

Each story is a course of alarm changes and what is known at its end; `test_notices.py` compares what is then told.
"""

from __future__ import annotations

import math
from dataclasses import replace

from alarm_builders import Course, at, raised, story
from notice_builders import CALM, UNBALANCED, pitch, raise_one, returned, single_phase

from monitor.alarms.alarm import Acknowledge, Returned, Tick
from monitor.alarms.story import Story


def overload() -> tuple[Course, Story]:
    return raise_one("overload"), story(seconds_to_trip=346.0)


def overload_at_its_border() -> tuple[Course, Story]:
    """It was at its limit for two minutes and stands until it is 3 % below."""
    course = raise_one("overload", value=1.001, peak=1.004)
    return course, story(legs_amps=(15.17, 14.6, 14.4), load_ratio=0.999, seconds_to_trip=math.inf)


def overload_heard_late() -> tuple[Course, Story]:
    course = Course()
    course.feed(raised(), at(55))
    return course, story(now=at(55), estimate=None, estimate_words="degrees follow")


def overload_single_phase() -> tuple[Course, Story]:
    return raise_one("overload", value=1.032, peak=1.032), single_phase()


def overload_no_insert_is_enough() -> tuple[Course, Story]:
    return raise_one("overload"), story(
        estimate=pitch(as_is=None, as_is_why="none enough", supply_right=None, supply_right_why="none enough"),
        seconds_to_trip=0.0,
    )


def overload_supply_is_it() -> tuple[Course, Story]:
    parts = [{"name": "supply unbalance", "amps": 2.3}, {"name": "fan load", "amps": -0.4}]
    cause = {"cause": "supply unbalance", "share_amps": 2.3, "evidence": ["All three fans of the site show it."]}
    estimate = pitch(
        as_is={"degrees": 4.0, "pitch": 17.0, "chance": 0.91}, supply_right=None, supply_right_why="none needed"
    )
    return raise_one("overload", value=1.16, peak=1.18), replace(
        UNBALANCED, also_standing=("voltage-unbalance",), estimate={**estimate, "parts": parts, "causes": [cause]}
    )


def overload_at_six_per_cent_unbalance() -> tuple[Course, Story]:
    return raise_one("overload", value=1.31, peak=1.31), replace(
        UNBALANCED, load_ratio=1.31, unbalance_percent=6.1, also_standing=("voltage-unbalance-severe",),
        estimate=pitch(as_is=None, as_is_why="supply first"),
    )  # fmt: skip


def overload_worse() -> tuple[Course, Story]:
    course, _ = overload()
    course.feed(Acknowledge("Ada"), at(3))
    course.feed(raised(when=at(12), priority="highest", value=1.12, peak=1.14), at(12))
    return course, story(now=at(12), load_ratio=1.12, legs_amps=(17.0, 16.4, 16.1), seconds_to_trip=80.0)


def overload_grown() -> tuple[Course, Story]:
    """Acknowledged in the evening; by night it is worse."""
    course = raise_one("overload")
    course.feed(Acknowledge("Ada"), at(20))
    course.feed(raised(when=at(290), since=at(-2), value=1.058, peak=1.058), at(290))
    return course, story(now=at(290), load_ratio=1.06, legs_amps=(16.1, 15.6, 15.2), seconds_to_trip=2220.0)


def overload_told_again() -> tuple[Course, Story]:
    course, _ = overload()
    course.feed(Tick(), at(240))
    return course, story(now=at(240))


def overload_raised_again() -> tuple[Course, Story]:
    course, _ = overload()
    for hour in (3, 6, 9, 12):
        course.feed(Returned(at(60 * hour - 20)), at(60 * hour - 20))
        course.feed(raised(when=at(60 * hour)), at(60 * hour))
    return course, story(now=at(720))


def overload_cleared() -> tuple[Course, Story]:
    course, _ = overload()
    course.feed(Returned(at(122), peak=1.12), at(122))
    return course, story(now=at(122), load_ratio=0.958, legs_amps=(14.5, 14.1, 13.8))


def overload_cleared_by_stopping() -> tuple[Course, Story]:
    course, _ = overload()
    course.feed(Acknowledge("Ada"), at(4))
    course.feed(Returned(at(20), peak=1.12), at(24))
    return course, story(
        now=at(24), running=False, legs_amps=(0.0, 0.0, 0.0), load_ratio=0.0, also_standing=("stopped",)
    )


def low_margin() -> tuple[Course, Story]:
    course = raise_one("low-margin", priority="low", rings=False, value=0.955, setpoint=0.95, since=at(-15))
    return course, story(legs_amps=(14.5, 14.1, 13.8), load_ratio=0.955, reaches_limit_at=at(90))


def low_margin_cleared() -> tuple[Course, Story]:
    course, _ = low_margin()
    course.feed(Returned(at(700)), at(700))
    return course, story(now=at(700), legs_amps=(13.5, 13.1, 12.9), load_ratio=0.889)


def nothing_known() -> tuple[Course, Story]:
    course = raise_one("overload", value=None, peak=None)
    return course, Story("Hollow Creek", "North 3", story().time_zone, at())


def long_names_the_day_after() -> tuple[Course, Story]:
    course = Course()
    course.feed(raised(), at(1500))
    return course, story(
        now=at(1500),
        site_name="Gemeinschaftliche Getreidetrocknung Obere Wiesen–Süd, Halle “Łąka” und Anbau von 1987",
        fan_name="Trocknungsgebläse an der langen Nordwand hinter der Waage, Lüfter 123456",
        seconds_to_trip=346.0,
    )


HOT = story(
    legs_amps=(17.0, 16.4, 16.1), load_ratio=1.12, device_type="overload relay", device_setting_amps=15.0,
    motor_heat=0.86, device_heat=0.79,
)  # fmt: skip


def trip_near() -> tuple[Course, Story]:
    return raise_one("trip-near", value=7.6, peak=7.6, since=at(-0.2)), replace(
        HOT, seconds_to_trip=452.0, also_standing=("overload", "device-margin")
    )


def trip_near_first_seen_running() -> tuple[Course, Story]:
    return raise_one("trip-near", value=0.0, since=at(-0.2)), replace(HOT, seconds_to_trip=0.0, heat_assumed=True)


def trip_near_figures_of_its_raising() -> tuple[Course, Story]:
    return raise_one("trip-near", value=7.6, since=at(-0.2)), replace(HOT, seconds_to_trip=None)


def trip_near_told_again() -> tuple[Course, Story]:
    course, figures = trip_near()
    course.feed(Tick(), at(240))
    return course, replace(figures, now=at(240), seconds_to_trip=None)


def trip_near_cleared() -> tuple[Course, Story]:
    return returned(trip_near()[0], 25, peak=4.2), replace(HOT, now=at(25), **CALM, seconds_to_trip=math.inf)


def trip_near_cleared_by_stopping() -> tuple[Course, Story]:
    return returned(trip_near()[0], 9), replace(HOT, now=at(9), running=False, legs_amps=(0.0,) * 3, load_ratio=0.0)


def device_margin() -> tuple[Course, Story]:
    return raise_one("device-margin", value=1.08, since=at(-5)), replace(
        HOT, legs_amps=(16.2, 15.8, 15.7), load_ratio=1.067, seconds_to_trip=math.inf, proven_amps=15.9
    )


def device_margin_cleared() -> tuple[Course, Story]:
    return returned(device_margin()[0], 70, peak=1.13), replace(HOT, now=at(70), **CALM)


def overload_built_in_protector() -> tuple[Course, Story]:
    return raise_one("overload", value=1.032), replace(
        single_phase(), device_type="built-in protector", motor_heat=0.91
    )


def overload_not_at_this_current() -> tuple[Course, Story]:
    return raise_one("overload"), story(seconds_to_trip=math.inf, motor_heat=0.93)


def overload_hot_from_the_start() -> tuple[Course, Story]:
    return raise_one("overload", value=1.12, priority="highest"), replace(HOT, motor_heat=1.03, seconds_to_trip=80.0)


STORIES = [
    overload, overload_at_its_border, overload_heard_late, overload_single_phase, overload_no_insert_is_enough,
    overload_supply_is_it, overload_at_six_per_cent_unbalance, overload_worse, overload_grown, overload_told_again,
    overload_raised_again, overload_cleared,
    overload_cleared_by_stopping, low_margin, low_margin_cleared, nothing_known, long_names_the_day_after, trip_near,
    trip_near_first_seen_running, trip_near_figures_of_its_raising, trip_near_told_again, trip_near_cleared,
    trip_near_cleared_by_stopping, device_margin, device_margin_cleared, overload_built_in_protector,
    overload_not_at_this_current, overload_hot_from_the_start,
]  # fmt: skip
