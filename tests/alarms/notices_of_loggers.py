"""Notices of the fan itself and of its logger.

Each story is a course of alarm changes and what is known at its end; `test_notices.py` compares what is then told.
"""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import Course, at, raised, story
from notice_builders import CALM, PANEL, raise_at, raise_one, returned

from monitor.alarms.alarm import About, Returned, Tick
from monitor.alarms.story import Story
from monitor.watch import layout


def logger_overdue() -> tuple[Course, Story]:
    course = raise_one("logger-overdue", priority="medium", rings=False, value=None, since=at(-10))
    return course, story(
        load_ratio=0.97, legs_amps=(14.7, 14.3, 14.0), last_reading=at(-10), period_seconds=10.0, logger_words="offline"
    )


def logger_overdue_of_a_stopped_fan() -> tuple[Course, Story]:
    course = raise_one("logger-overdue", priority="low", rings=False, value=None, since=at(-10))
    return course, story(running=False, load_ratio=None, legs_amps=(), last_reading=at(-10), period_seconds=60.0)


def logger_overdue_of_a_supply_point() -> tuple[Course, Story]:
    course = Course(About("hollow-creek", None, "north-panel", "logger-overdue"))
    course.feed(raised("logger-overdue", priority="medium", rings=False, value=None, since=at(-10)), at())
    return course, Story(
        "Hollow Creek", "North panel", story().time_zone, at(), last_reading=at(-10), period_seconds=10.0
    )


def logger_cleared() -> tuple[Course, Story]:
    course, _ = logger_overdue()
    course.feed(Returned(at(33)), at(33))
    return course, story(now=at(33), load_ratio=0.97, legs_amps=(14.7, 14.3, 14.0))


def leg_spread() -> tuple[Course, Story]:
    return raise_one("leg-spread", value=14.2, peak=15.0, since=at(-5)), story(
        legs_amps=(12.9, 14.1, 10.6), load_ratio=0.93, current_unbalance_percent=15.4
    )


def leg_spread_cleared() -> tuple[Course, Story]:
    return returned(leg_spread()[0], 200, peak=17.0), story(now=at(200), **CALM, current_unbalance_percent=1.7)


def no_load() -> tuple[Course, Story]:
    return raise_one("no-load", value=31.6, since=at(-5)), story(legs_amps=(6.1, 6.0, 5.8), load_ratio=0.4)


def no_load_cleared_by_stopping() -> tuple[Course, Story]:
    return returned(no_load()[0], 20), story(now=at(20), running=False, legs_amps=(0.0,) * 3, load_ratio=0.0)


def no_load_cleared() -> tuple[Course, Story]:
    return returned(no_load()[0], 20), story(now=at(20), **CALM)


def slow_start() -> tuple[Course, Story]:
    return raise_one("slow-start", value=1.0, since=at(-0.25)), story(legs_amps=(62.0, 61.4, 60.7), load_ratio=4.08)


def slow_start_and_stopped() -> tuple[Course, Story]:
    course, figures = slow_start()
    course.feed(Tick(), at(240))
    return course, replace(figures, now=at(240), running=False, legs_amps=(0.0,) * 3, load_ratio=0.0)


def slow_start_cleared() -> tuple[Course, Story]:
    return returned(slow_start()[0], 2), story(now=at(2), **CALM)


def many_starts() -> tuple[Course, Story]:
    return raise_one("many-starts", value=8.0, setpoint=7.0, since=at()), story(**CALM)


def many_starts_cleared() -> tuple[Course, Story]:
    return returned(many_starts()[0], 90, peak=11.0), story(now=at(90), **CALM)


def logger_suspect_frozen() -> tuple[Course, Story]:
    return raise_one("logger-suspect", value=float(layout.FROZEN), since=at(-10)), story(**CALM)


def logger_suspect_stuck() -> tuple[Course, Story]:
    return raise_one("logger-suspect", value=float(layout.STUCK), since=at(-10)), story(**CALM)


def logger_suspect_impossible() -> tuple[Course, Story]:
    return raise_one("logger-suspect", value=float(layout.IMPOSSIBLE), since=at(-10)), story(
        legs_amps=(31.0, 12.1, 11.9), load_ratio=2.04
    )


def logger_suspect_clamp_off() -> tuple[Course, Story]:
    return raise_one("logger-suspect", value=float(layout.CLAMP_OFF), priority="medium", since=at(-10)), story(
        legs_amps=(12.3, 0.0, 11.9), load_ratio=0.81
    )


def logger_suspect_unknown() -> tuple[Course, Story]:
    return raise_one("logger-suspect", value=None, peak=None, since=at(-10)), story(**CALM)


def logger_suspect_cleared() -> tuple[Course, Story]:
    return returned(logger_suspect_clamp_off()[0], 300), story(now=at(300), **CALM)


def site_silent() -> tuple[Course, Story]:
    fans = ("North 3", "North 4", "South 1", "South 2", "West 1")
    return raise_at(None, None, "site-silent", value=None, peak=None, since=at(-10)), replace(
        PANEL, fan_name="", fans=fans, last_reading=at(-10)
    )


def site_silent_of_a_supply() -> tuple[Course, Story]:
    return raise_at(None, "north-panel", "site-silent", value=None, peak=None, since=at(-10)), PANEL


def site_silent_cleared() -> tuple[Course, Story]:
    return returned(site_silent()[0], 33), replace(PANEL, now=at(33))


def not_run() -> tuple[Course, Story]:
    return raise_one("not-run", value=26.2, since=at(-1572)), story(running=False, legs_amps=(), load_ratio=None)


def not_run_cleared() -> tuple[Course, Story]:
    return returned(not_run()[0], 300), story(now=at(300), **CALM)


STORIES = [
    logger_overdue, logger_overdue_of_a_stopped_fan, logger_overdue_of_a_supply_point, logger_cleared, leg_spread,
    leg_spread_cleared, no_load, no_load_cleared_by_stopping, no_load_cleared, slow_start, slow_start_and_stopped,
    slow_start_cleared, many_starts, many_starts_cleared, logger_suspect_frozen, logger_suspect_stuck,
    logger_suspect_impossible, logger_suspect_clamp_off, logger_suspect_unknown, logger_suspect_cleared, site_silent,
    site_silent_of_a_supply, site_silent_cleared, not_run, not_run_cleared,
]  # fmt: skip
