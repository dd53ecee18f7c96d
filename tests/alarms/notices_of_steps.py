"""Notices of one alarm as they read with a link that acknowledges, and for those who are told second."""

from __future__ import annotations

from dataclasses import replace

from alarm_builders import Course, at
from notice_builders import returned
from notices_of_ends import tripped, tripped_by_a_lost_phase
from notices_of_overload import (
    device_margin,
    long_names_the_day_after,
    low_margin_cleared,
    overload,
    overload_told_again,
    trip_near,
)  # fmt: skip
from notices_of_several import LINK
from notices_of_tonight import cold_night

from monitor.alarms.alarm import Acknowledge
from monitor.alarms.story import Story


def linked(made: tuple[Course, Story], **changes: object) -> tuple[Course, Story]:
    course, figures = made
    return course, replace(figures, acknowledge_link=LINK, **changes)  # type: ignore[arg-type]


def overload_with_a_link() -> tuple[Course, Story]:
    return linked(overload())


def trip_near_with_a_link() -> tuple[Course, Story]:
    return linked(trip_near())


def tripped_with_a_link() -> tuple[Course, Story]:
    return linked(tripped())


def device_margin_with_a_link() -> tuple[Course, Story]:
    return linked(device_margin())


def cold_night_with_a_link() -> tuple[Course, Story]:
    return linked(cold_night())


def long_names_with_a_link() -> tuple[Course, Story]:
    return linked(long_names_the_day_after())


def low_margin_cleared_with_a_link() -> tuple[Course, Story]:
    """It is over and nobody has acknowledged it: that is left to do."""
    return linked(low_margin_cleared())


def nothing_left_to_acknowledge() -> tuple[Course, Story]:
    """A link to acknowledge what was acknowledged would only make its reader wonder."""
    course, figures = linked(overload())
    course.feed(Acknowledge("Ada"), at(10))
    return returned(course, 20), replace(figures, now=at(20), load_ratio=0.81, legs_amps=(12.3, 12.1, 11.9))


def overload_for_the_desk() -> tuple[Course, Story]:
    course, figures = overload()
    return course, replace(figures, now=at(15), unacknowledged_minutes=15.0, told_first=("farm",))


def tripped_for_the_desk_with_a_link() -> tuple[Course, Story]:
    return linked(tripped_by_a_lost_phase(), now=at(15), unacknowledged_minutes=15.0, told_first=("farm", "son"))


def told_again_at_the_desk() -> tuple[Course, Story]:
    course, figures = overload_told_again()
    return course, replace(figures, unacknowledged_minutes=240.0, told_first=("farm",))


STORIES = [
    overload_with_a_link, trip_near_with_a_link, tripped_with_a_link, device_margin_with_a_link,
    cold_night_with_a_link, long_names_with_a_link, low_margin_cleared_with_a_link, nothing_left_to_acknowledge,
    overload_for_the_desk, tripped_for_the_desk_with_a_link, told_again_at_the_desk,
]  # fmt: skip
