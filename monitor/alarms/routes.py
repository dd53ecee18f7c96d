"""Who is told: the routes of the settings, and the notices a wanted one becomes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from monitor.alarms.alarm import Alarm, AlarmChange, Wanted
from monitor.alarms.data import notice_data
from monitor.alarms.notice import Notice, group_of_alarm, notice_id
from monitor.alarms.story import Story
from monitor.alarms.wording import long, short, subject
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


def notices_for(
    wanted: Wanted,
    alarm: Alarm,
    change: AlarmChange,
    story: Story,
    routes: Sequence[Route],
    now: datetime,
    partition: int = 0,
) -> list[Notice]:
    """One notice for each address of each route that wants it; none when something stronger is told already.

    Steps (first the farm, then the desk), quiet hours and gathering will stand between `takes` and the notice.

    Parameters
    ----------
    wanted, alarm, change : as `alarm.step` returned them
    story : the figures, as they stand now
    routes : of the settings, names unique
    now : wall time, aware UTC
    partition : of the database
    """
    if wanted.kind == "cleared" and superseded(alarm, story):
        return []
    taking = [route for route in routes if takes(route, wanted, alarm)]
    if not taking:
        return []
    texts = subject(alarm, story, wanted), short(alarm, story, wanted), long(alarm, story, wanted)
    return [
        Notice(
            notice_id(group_of_alarm(partition, alarm.number, change.number, route.name), index),
            alarm.site, alarm.number, change.number, route.name, index,
            wanted.kind, alarm.priority, wanted.rings, *texts, notice_data(alarm, story, wanted), now,
        )
        for route in taking
        for index in range(len(route.to))
    ]  # fmt: skip


def superseded(alarm: Alarm, story: Story) -> bool:
    """Whether the alarm only went because a stronger one says the same: "near its limit" ends when "over" begins."""
    row = BY_ID.get(alarm.condition)
    return row is not None and any(stronger in story.also_standing for stronger in row.not_while)
