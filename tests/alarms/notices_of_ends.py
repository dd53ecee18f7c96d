"""Notices of how runs ended.

Each story is a course of alarm changes and what is known at its end; `test_notices.py` compares what is then told.
"""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import Course, at, raised, story
from notice_builders import CALM, about, raise_one, returned

from monitor.alarms.alarm import Acknowledge, PlannedStop, Returned, Tick
from monitor.alarms.story import Story


def stopped() -> tuple[Course, Story]:
    course = raise_one("stopped", priority="medium", value=1.0, setpoint=0.5, since=at(-1))
    return course, story(running=False, load_ratio=1.09, legs_amps=(16.5, 16.1, 15.8), run_began=at(-1900))


def stopped_by_day() -> tuple[Course, Story]:
    course = Course(about("stopped"))
    begins = raised(
        "stopped", when=at(480), priority="medium", value=1.0, setpoint=0.5, rings=False, rings_from=at(718)
    )
    course.feed(begins, at(480))
    return course, story(
        now=at(480), running=False, load_ratio=0.81, legs_amps=(12.3, 12.1, 11.9), run_began=at(-1900),
        end_cause="stopped", confidence="high",
        ended_words="Very likely an ordinary stop; an overload trip is ruled out as its device is set.",
    )  # fmt: skip


def stopped_by_day_still_stands() -> tuple[Course, Story]:
    course, told = stopped_by_day()
    course.feed(Tick(), at(718))
    return course, replace(told, now=at(718))


def stopped_though_called() -> tuple[Course, Story]:
    course = raise_one("stopped", priority="medium", value=1.0, setpoint=0.5, since=at(-1))
    return course, story(running=False, load_ratio=0.81, legs_amps=(12.3, 12.1, 11.9), called=True, run_began=at(-45))


def stopped_after_plan() -> tuple[Course, Story]:
    course = Course(about("stopped"))
    course.feed(PlannedStop("Ada", at(240), "loading the bin"), at(-10))
    course.feed(raised("stopped", priority="medium", value=1.0, since=at(-1)), at())
    course.feed(Tick(), at(240))
    return course, story(now=at(240), running=False, load_ratio=0.81, legs_amps=(12.3, 12.1, 11.9))


def stopped_cleared() -> tuple[Course, Story]:
    course, _ = stopped()
    course.feed(Returned(at(95)), at(95))
    return course, story(now=at(95), load_ratio=0.81, legs_amps=(12.3, 12.1, 11.9))


TRIP = replace(
    story(running=False, load_ratio=1.09, legs_amps=(16.5, 16.1, 15.8), run_began=at(-1900), page=None),
    page=story().page,
    end_cause="overload trip",
    confidence="likely",
    ended_words="Likely an overload trip: the device image was the highest of this run (1.24 of setting squared) and "
    "volts stayed. Not proven; a contact on the starter would settle it.",
    evidence=(
        "Its overload device is set to 13.2 A; the last reading was 16.5 A, 1.25 times that.",
        "The image had stood at 1.18 at most in the last 24 h without opening.",
        "Volts stayed at 446 V; South 1 and South 2 on the same supply ran on.",
    ),
)


def tripped() -> tuple[Course, Story]:
    return raise_one("tripped", value=1.0, since=at(-2)), TRIP


def tripped_by_a_lost_phase() -> tuple[Course, Story]:
    return raise_one("tripped", value=1.0, since=at(-2)), replace(
        TRIP, end_cause="phase lost", confidence="high", load_ratio=1.19, legs_amps=(18.0, 0.2, 17.8),
        ended_words="Very likely a lost phase; the device then opened.",
        evidence=("L2 fell to 0.2 A while L1 and L3 rose to 1.6 times what they had drawn.",),
    )  # fmt: skip


def tripped_words_only() -> tuple[Course, Story]:
    return raise_one("tripped", value=1.0, since=at(-2)), replace(
        TRIP, confidence="high", ended_words=None, evidence=(), run_began=None, estimate=None
    )


def tripped_and_started_by_itself() -> tuple[Course, Story]:
    course, figures = tripped()
    course.feed(Tick(), at(31))
    course.feed(Tick(), at(240))
    return course, replace(figures, now=at(240), running=True, evidence=(
        *TRIP.evidence, "It has started again after 6 min three times: an automatic reset would do that.",
    ))  # fmt: skip


def tripped_cleared() -> tuple[Course, Story]:
    course, _ = tripped()
    course.feed(Acknowledge("Ada"), at(30))
    return returned(course, 50), story(now=at(50), **CALM)


def stopped_trip_possible() -> tuple[Course, Story]:
    return raise_one("stopped", value=1.0, since=at(-1)), replace(
        TRIP, confidence="possible", ended_words="Possibly an overload trip: the image stood at 1.12 of setting "
        "squared, but it had carried as much before. Not proven.", evidence=("Volts stayed at 446 V.",),
    )  # fmt: skip


def stopped_by_a_lost_supply() -> tuple[Course, Story]:
    return raise_one("stopped", value=1.0, since=at(-1)), replace(
        TRIP, end_cause="supply lost", confidence="sure", ended_words="Its supply was lost: volts fell to 0 V.",
        evidence=("With it fell 2 other fans (bin-1, bin-2) of its supply.",),
    )  # fmt: skip


STORIES = [
    stopped, stopped_by_day, stopped_by_day_still_stands, stopped_by_a_lost_supply, stopped_though_called,
    stopped_after_plan, stopped_cleared, tripped,
    tripped_by_a_lost_phase, tripped_words_only, tripped_and_started_by_itself, tripped_cleared, stopped_trip_possible,
]  # fmt: skip
