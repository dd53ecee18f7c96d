"""Notices that tell of more than one alarm of a site: what rang within a minute, and what was gathered for one."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from alarm_builders import Course, at, story
from notice_builders import raise_at, raise_one
from notices_of_ends import tripped
from notices_of_loggers import logger_cleared, logger_overdue, site_silent
from notices_of_overload import low_margin, overload, overload_cleared_by_stopping, overload_told_again, trip_near
from notices_of_supply import supply_lost, voltage_low, voltage_unbalance

from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.several import several
from monitor.alarms.story import Story
from monitor.alarms.texts import Texts
from monitor.blades.cautions import for_notice

LINK = "https://monitor.hollow-creek.example/acknowledge/0-17-42-farm-0?s=cHJpdmF0ZS1zaWduYXR1cmU"
"""As long as a signed one is."""
Made = Callable[[], tuple[Course, Story]]


def part(made: Made, number: int, fan: str | None = None) -> tuple[Alarm, Story, Wanted]:
    """One of them, of another fan where one is named."""
    course, figures = made()
    alarm = replace(course.standing, number=number)
    if fan is not None:
        key = fan.lower().replace(" ", "-")
        page = f"http://192.168.1.20:8080/fans/hollow-creek/{key}"
        alarm, figures = replace(alarm, fan=key), replace(figures, fan_name=fan, page=page)
    return alarm, replace(figures, cautions=for_notice(alarm.condition)), course.told[-1][1]


def low_voltage_then_overload() -> Texts:
    """Of one fan, within a minute: the overload comes of the voltage."""
    return several([part(voltage_low, 1), part(overload, 2)], at(1))


def low_voltage_then_overload_with_a_link() -> Texts:
    return several([part(voltage_low, 1), part(overload, 2)], at(1), LINK)


def a_trip_an_overload_and_one_cleared() -> Texts:
    return several([part(logger_cleared, 3, "South 1"), part(overload, 2, "North 4"), part(tripped, 1)], at(33), LINK)


def told_again_together() -> Texts:
    return several([part(overload_told_again, 1), part(voltage_low, 2, "North 4")], at(240))


def two_cleared() -> Texts:
    return several([part(logger_cleared, 1), part(overload_cleared_by_stopping, 2, "North 4")], at(180))


def two_readings_gone() -> Texts:
    """Gathered, for nothing of it rings."""
    return several([part(logger_overdue, 1), part(logger_overdue, 2, "South 1")], at(1))


def the_supply_and_what_it_pulls_down() -> Texts:
    course = raise_at(None, None, "site-silent", value=None, since=at(-15))
    silent = course.standing, replace(site_silent()[1], cautions=()), course.told[-1][1]
    return several([part(voltage_unbalance, 1, "South 1"), part(supply_lost, 2), (replace(silent[0], number=3),
                    *silent[1:])], at(1), LINK)  # fmt: skip


def minutes_left() -> Texts:
    """The time to trip of the worst stays, whatever else there is to tell."""
    return several([part(low_margin, 1, "North 4"), part(trip_near, 2), part(overload, 3)], at(1), LINK)


def a_bad_minute() -> Texts:
    made = (voltage_low, voltage_low, overload, voltage_unbalance, overload, tripped, low_margin, logger_overdue)
    return several([part(one, number, f"Bin {number}") for number, one in enumerate(made, 1)], at(1))


def a_bad_minute_with_a_link() -> Texts:
    made = (voltage_low, voltage_low, overload, voltage_unbalance, overload, tripped, low_margin, logger_overdue)
    return several([part(one, number, f"Bin {number}") for number, one in enumerate(made, 1)], at(1), LINK)


def all_fans_at_once() -> Texts:
    """Forty fans on a supply that sags."""
    return several([part(voltage_low, number, f"Bin {number}") for number in range(1, 41)], at(1))


def several_with_long_names() -> Texts:
    course = raise_one("voltage-low", value=87.2, peak=86.0)
    site = "Gemeinschaftliche Getreidetrocknung Obere Wiesen-Süd, Halle “Łąka” und Anbau von 1987"
    names = (
        "Trocknungsgebläse an der langen Nordwand hinter der Waage, Lüfter 123456",
        "Trocknungsgebläse an der langen Nordwand hinter der Waage, Lüfter 123457",
    )
    volts = story(volts=(408.0, 404.0, 401.0), site_name=site, fan_name=names[1], cautions=for_notice("voltage-low"))
    alarm, figures, wanted = part(overload, 2)
    return several(
        [
            (replace(course.standing, fan="fan-123457"), volts, course.told[-1][1]),
            (alarm, replace(figures, site_name=site, fan_name=names[0]), wanted),
        ],
        at(1500),
        LINK,
    )


STORIES = [
    low_voltage_then_overload, low_voltage_then_overload_with_a_link, a_trip_an_overload_and_one_cleared,
    told_again_together, two_cleared, two_readings_gone, the_supply_and_what_it_pulls_down, minutes_left, a_bad_minute,
    a_bad_minute_with_a_link, all_fans_at_once, several_with_long_names,
]  # fmt: skip
