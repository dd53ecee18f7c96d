"""Loggers whose clocks are off by more than a minute: `logger-suspect`, found by the clock of the service.

The kernel raises the same alarm for what speaks against the readings themselves. That goes before: a clock that is off
is told only while nothing worse stands, and only what was raised for a clock is cleared by a clock put right.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned
from monitor.service.book import AlarmBook
from monitor.service.clocks import Clocks
from monitor.service.plant import Point
from monitor.watch import layout
from monitor.watch.overrides import for_fan, turned_off

SUSPECT = "logger-suspect"
Apply = Callable[[Point, About, Event], "Alarm | None"]


def look(points: Iterable[Point], clocks: Clocks, book: AlarmBook, apply: Apply, now_ms: float) -> None:
    """Raises and clears, by tick.

    Parameters
    ----------
    points : those that are to be heard
    now_ms : wall time
    """
    for point in points:
        off = clocks.off_seconds(point.row)
        if off is None:
            continue
        fan = point.kind == "fan"
        about = About(point.site, point.name if fan else None, None if fan else point.name, SUSPECT)
        alarm = book.get(about)
        standing = alarm is not None and alarm.state.stands
        conditions = point.nameplate.conditions if point.nameplate else {}
        now = datetime.fromtimestamp(now_ms / 1000.0, UTC)
        if standing and alarm is not None and alarm.value == layout.CLOCK_OFF:
            if not clocks.suspect(point.row):
                apply(point, about, Returned(now))
        elif not standing and clocks.suspect(point.row) and not turned_off(conditions, SUSPECT):
            row = for_fan(conditions)[SUSPECT]
            code = float(layout.CLOCK_OFF)
            apply(point, about, Raised(row.id, now, now, code, None, code, row.priority, row.rings))
