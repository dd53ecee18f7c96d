"""The words of a notice (being written)."""

from __future__ import annotations

from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.story import Story
from monitor.watch.table import BY_ID

SHORT_AT_MOST = 300


def line(alarm: Alarm, story: Story) -> str:
    """One line for lists."""
    return f"{story.fan_name}: {BY_ID[alarm.condition].words}"


def subject(alarm: Alarm, story: Story, wanted: Wanted) -> str:
    """Subject of a mail."""
    return f"{line(alarm, story)} ({wanted.kind})"[:120]


def short(alarm: Alarm, story: Story, wanted: Wanted) -> str:
    """Short form."""
    return subject(alarm, story, wanted)[:SHORT_AT_MOST]


def long(alarm: Alarm, story: Story, wanted: Wanted) -> str:
    """Long form."""
    return short(alarm, story, wanted)
