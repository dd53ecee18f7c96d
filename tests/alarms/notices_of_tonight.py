"""Notices of the night to come.

Each story is a course of alarm changes and what is known at its end; `test_notices.py` compares what is then told.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

from alarm_builders import Course, at, raised, story

from monitor.alarms.alarm import About, Returned
from monitor.alarms.story import Story
from monitor.watch.table import BY_ID

SUPPER = at(-550)
"""17:00 the evening before."""


def fan_tonight(fan: str, amps: float, limit: float, chance: float, hour: float | None, **more: Any) -> dict[str, Any]:
    """One fan of the outlook; `hour` in hours after 17:00."""
    when = None if hour is None else (SUPPER + timedelta(hours=hour)).isoformat().replace("+00:00", "Z")
    return {
        "fan": fan, "amps": amps, "low": amps - 0.8, "high": amps + 0.9, "limit_amps": limit, "chance_limit": chance,
        "device_amps": None, "chance_device": None, "chance": chance, "now_c": 9.0, "passes_below_c": 1.2, "at": when,
        "as_is": None, **more,
    }  # fmt: skip


OUTLOOK: dict[str, Any] = {
    "low_c": -2.2,
    "low_deviation_k": 2.0,
    "low_source": "entered by Ada",
    "fans": [fan_tonight("North 3", 16.1, 15.18, 0.87, 9.2, as_is={"degrees": 3.0, "pitch": 18.0, "chance": 0.936})],
    "others": [],
    "cannot_say": [],
}


def cold_night_of(outlook: dict[str, Any], units: str = "us") -> tuple[Course, Story]:
    course = Course(About("hollow-creek", None, None, "cold-night"))
    row = BY_ID["cold-night"]
    told = raised("cold-night", when=SUPPER, since=SUPPER, priority=row.priority, rings=row.rings, value=87.0,
                  setpoint=row.setpoint)  # fmt: skip
    course.feed(told, SUPPER)
    return course, Story("Hollow Creek", "", story().time_zone, SUPPER, units=units, tonight=outlook, page=story().page)


def cold_night() -> tuple[Course, Story]:
    return cold_night_of(OUTLOOK)


def cold_night_of_many() -> tuple[Course, Story]:
    fans = [
        fan_tonight("North 3", 16.1, 15.18, 0.94, 0.0, passes_below_c=9.5),
        fan_tonight("South 1", 13.4, 14.4, 0.81, 7.4, device_amps=12.9, chance_device=0.81, chance_limit=0.06),
        fan_tonight("South 2 behind the scale", 38.9, 38.2, 0.66, 11.1),
        fan_tonight("West 1", 16.0, 15.9, 0.52, None),
    ]
    others = [fan_tonight("West 2", 14.9, 15.9, 0.13, None), fan_tonight("West 3", 11.9, 15.9, 0.0, None)]
    unsaid = [{"fan": "Old yard bin", "why": "the air temperature at the fan is not known"}]
    outlook = {**OUTLOOK, "low_deviation_k": 3.4, "low_source": "mean of the last 3 nights", "fans": fans,
               "others": others, "cannot_say": unsaid}  # fmt: skip
    return cold_night_of(outlook, units="si")


def cold_night_cleared() -> tuple[Course, Story]:
    course, figures = cold_night()
    nine = SUPPER + timedelta(hours=16)
    course.feed(Returned(nine), nine)
    return course, replace(figures, now=nine)


STORIES = [
    cold_night, cold_night_of_many, cold_night_cleared,
]  # fmt: skip
