"""Every kind of notice, as its reader gets it, compared letter for letter with notices/*.txt.

After a wanted change write them anew, WRITE_NOTICES=1 pytest tests/alarms/test_notices.py, and read every difference.
"""

from __future__ import annotations

import os
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import notices_of_ends
import notices_of_loggers
import notices_of_overload
import notices_of_steps
import notices_of_supply
import notices_of_tonight
import pytest
from alarm_builders import Course, at, raised, story
from notice_builders import about

from monitor.alarms.characters import outside, septets
from monitor.alarms.wording import line, long, short, subject
from monitor.blades.cautions import for_notice

NOTICES = Path(__file__).parent / "notices"
ROOMS = (
    notices_of_overload, notices_of_supply, notices_of_ends, notices_of_loggers, notices_of_tonight, notices_of_steps,
)  # fmt: skip
STORIES = [tell for room in ROOMS for tell in room.STORIES]


@pytest.mark.parametrize("tell", STORIES, ids=lambda tell: tell.__name__)
def test_notice_reads_as_agreed(tell: Any) -> None:
    course, figures = tell()
    _, wanted = course.told[-1]
    alarm = course.standing
    figures = replace(figures, cautions=for_notice(alarm.condition))
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
