"""A notice for machines."""

from __future__ import annotations

from typing import Any

from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.story import Story


def notice_data(alarm: Alarm, story: Story, wanted: Wanted) -> dict[str, Any]:
    """The data of a notice (being written)."""
    return {"site": alarm.site, "fan": alarm.fan, "condition": alarm.condition, "kind": wanted.kind}
