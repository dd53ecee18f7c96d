"""Who is told: the routes of the settings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time, timedelta

from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.story import Story
from monitor.watch.table import BY_ID


@dataclass(frozen=True)
class Route:
    """Which alarms go to which addresses."""

    name: str
    """Unique among the routes."""
    sites: tuple[str, ...]
    """Sites of the register; empty: all."""
    priorities: tuple[str, ...]
    """low, medium, high, highest; empty: all."""
    to: tuple[str, ...]
    """Addresses, as the sender understands them."""
    also_cleared: bool = False
    """Whether it also wants to hear that an alarm has cleared."""
    after: timedelta = timedelta(0)
    """A further step: told only what nobody has acknowledged for so long."""
    quiet: tuple[time, time] | None = None
    """From when to when what does not ring waits, by the site's clock; over midnight where the second is earlier."""
    all_is_well: time | None = None
    """When a line a day and site is wished, by the site's clock."""


def takes(route: Route, wanted: Wanted, alarm: Alarm) -> bool:
    """Whether a route wants a notice."""
    if wanted.kind == "cleared" and not route.also_cleared:
        return False
    at_site = not route.sites or alarm.site in route.sites
    return at_site and (not route.priorities or alarm.priority in route.priorities)


def superseded(alarm: Alarm, story: Story) -> bool:
    """Whether the alarm only went because a stronger one says the same: "near its limit" ends when "over" begins."""
    row = BY_ID.get(alarm.condition)
    return row is not None and any(stronger in story.also_standing for stronger in row.not_while)
