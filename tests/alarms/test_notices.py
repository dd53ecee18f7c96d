"""Every kind of notice, as its reader gets it, compared letter for letter with notices/*.txt.

After a wanted change write them anew, WRITE_NOTICES=1 pytest tests/alarms/test_notices.py, and read every difference.
"""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from alarm_builders import ESTIMATE, OVERLOAD, Course, at, raised, story

from monitor.alarms.alarm import About, Acknowledge, PlannedStop, Returned, Tick
from monitor.alarms.characters import outside, septets
from monitor.alarms.story import Factor, Story
from monitor.alarms.wording import line, long, short, subject

NOTICES = Path(__file__).parent / "notices"


def about(condition: str) -> About:
    return replace(OVERLOAD, condition=condition)


def pitch(**changes: Any) -> dict[str, Any]:
    return {**ESTIMATE, "pitch": {**ESTIMATE["pitch"], **changes}}


def single_phase() -> Story:
    checks = [
        *({**check, "done": True} for check in ESTIMATE["checks_first"]),
        {"name": "start switch", "done": False, "how": "Listen for the click as the motor comes up and runs down."},
        {
            "name": "capacitors",
            "done": False,
            "how": "Locked out and discharged: look for bulges, measure with a rated meter.",
        },
    ]
    return story(
        fan_name="Old yard bin", legs_amps=(54.6,), load_ratio=1.032, limit_amps=52.9, full_load_amps=46.0, volts=(),
        unbalance_percent=None, notes=("not adjusted: voltage is not measured",), target_amps=50.3,
        limit_factors=(Factor("full-load amps", 46.0, "nameplate"), Factor("service factor", 1.15, "nameplate")),
        estimate={
            "words": ["not adjusted: voltage is not measured", "window of 4 min only: low confidence"],
            **pitch(as_is={"degrees": 2.0, "pitch": 21.0, "chance": 0.953}, supply_right=None,
                    supply_right_why="none needed",
                    options=[{"pitch": 21.0, "airflow_percent": 94.2}]),
            "checks_first": checks,
        },
    )  # fmt: skip


UNBALANCED = story(
    legs_amps=(12.9, 14.1, 11.8), load_ratio=1.16, limit_amps=12.14, volts=(476.0, 447.0, 452.0),
    unbalance_percent=3.85, full_load_amps=12.4,
    volts_from="north panel", also_standing=("overload",),
    target_amps=11.53, target_amps_supply_right=13.55,
    limit_factors=(
        Factor("full-load amps", 12.4, "nameplate"), Factor("service factor", 1.15, "nameplate"),
        Factor("voltage unbalance", 0.85, "NEMA MG 1 figure 14-1, at 3.9 % unbalance"),
    ),
)  # fmt: skip


def raise_one(condition: str, **changes: Any) -> Course:
    course = Course(about(condition))
    course.feed(raised(condition, **changes), changes.get("heard", at()))
    return course


def overload() -> tuple[Course, Story]:
    return raise_one("overload"), story(seconds_to_trip=346.0)


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


def overload_told_again() -> tuple[Course, Story]:
    course, _ = overload()
    course.feed(Tick(), at(240))
    return course, story(now=at(240))


def overload_raised_again() -> tuple[Course, Story]:
    course, _ = overload()
    for hour in range(1, 5):
        course.feed(Returned(at(60 * hour - 20)), at(60 * hour - 20))
        course.feed(Acknowledge("Ada"), at(60 * hour - 10))
        course.feed(raised(when=at(60 * hour)), at(60 * hour))
    return course, story(now=at(240))


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


def stopped() -> tuple[Course, Story]:
    course = raise_one("stopped", priority="medium", value=1.0, setpoint=0.5, since=at(-1))
    return course, story(running=False, load_ratio=1.09, legs_amps=(16.5, 16.1, 15.8), run_began=at(-1900))


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


STORIES = [
    overload, overload_heard_late, overload_single_phase, overload_no_insert_is_enough, overload_supply_is_it,
    overload_at_six_per_cent_unbalance, overload_worse, overload_told_again, overload_raised_again, overload_cleared,
    overload_cleared_by_stopping, low_margin, low_margin_cleared, voltage_unbalance, voltage_unbalance_severe,
    voltage_unbalance_severe_cleared, stopped, stopped_though_called, stopped_after_plan, stopped_cleared,
    logger_overdue, logger_overdue_of_a_stopped_fan, logger_overdue_of_a_supply_point, logger_cleared, nothing_known,
    long_names_the_day_after,
]  # fmt: skip


@pytest.mark.parametrize("tell", STORIES, ids=lambda tell: tell.__name__)
def test_notice_reads_as_agreed(tell: Any) -> None:
    course, figures = tell()
    _, wanted = course.told[-1]
    alarm = course.standing
    brief = short(alarm, figures, wanted)
    text = "\n".join(
        [
            f"SUBJECT  {subject(alarm, figures, wanted)}",
            f"LIST     {line(alarm, figures)}",
            f"SHORT    {brief}",
            f"         ({septets(brief)} characters)",
            "",
            long(alarm, figures, wanted),
        ]
    )
    path = NOTICES / f"{tell.__name__}.txt"
    if os.environ.get("WRITE_NOTICES"):
        NOTICES.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
    assert text == path.read_text(encoding="utf-8")
    assert not outside(brief), "characters that would double the price of the message"


def test_no_notice_of_another_time_is_left_behind() -> None:
    assert {path.stem for path in NOTICES.glob("*.txt")} == {tell.__name__ for tell in STORIES}


def test_the_silence_of_a_logger_is_never_heard_late() -> None:
    """The clock decides it; its time of raising may lie well before the tick that finds it, after a restart say."""
    course = Course(about("logger-overdue"))
    course.feed(raised("logger-overdue", value=None), at(55))
    assert "heard" not in short(course.standing, story(), course.told[-1][1])


def test_heard_late_only_beyond_two_minutes() -> None:
    for seconds, told in ((120, False), (121, True)):
        course = Course()
        course.feed(raised(), at() + timedelta(seconds=seconds))
        said = "heard" in short(course.standing, story(), course.told[-1][1])
        assert said is told


@pytest.mark.parametrize(
    ("condition", "value", "now", "then"),
    [
        ("overload", 1.204, {"load_ratio": 0.801, "legs_amps": (12.2, 12.0, 11.9)}, "120 %"),
        ("low-margin", 0.961, {"load_ratio": 0.0, "legs_amps": (0.0, 0.0, 0.0), "running": False}, "96 %"),
        ("voltage-unbalance", 3.62, {"unbalance_percent": 0.42}, "3.6 %"),
    ],
)
def test_what_is_over_when_it_is_heard_is_told_with_the_figures_of_then(
    condition: str, value: float, now: dict[str, Any], then: str
) -> None:
    course = Course(about(condition))
    setpoint = {"overload": 1.0, "low-margin": 0.95, "voltage-unbalance": 3.0}[condition]
    course.feed(raised(condition, value=value, setpoint=setpoint), at(55))
    alarm, wanted = course.standing, course.told[-1][1]
    figures = story(now=at(55), **now)
    for text in (subject(alarm, figures, wanted), short(alarm, figures, wanted), long(alarm, figures, wanted)):
        assert then in text
        assert not any(told in text for told in ("80 %", "12.2", "0.0 A", "0.4 %", "450", "less pitch"))
    still_so = replace(figures, load_ratio=1.1, unbalance_percent=3.8)
    assert then not in short(alarm, still_so, wanted)  # it goes on: then the figures of now
