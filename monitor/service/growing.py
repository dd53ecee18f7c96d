"""A load that somebody has acknowledged and that grows beyond what they know of while it stands: it rings once more.

The watch tells when a condition begins and ends; in between it only keeps the greatest reading, and a single one may be
a gust. So the mean of the last whole five minutes is looked at, of fans that such an alarm stands for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from monitor.alarms.alarm import GROWS, About, Alarm, Event, Raised, has_grown
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures
from monitor.service.plant import Plant, Point
from monitor.service.present_load import highest_of_five_minutes, margin_against
from monitor.watch import layout


class Growing:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, figures: Figures, apply: Callable[[Point, About, Event], Alarm | None],
        now: Callable[[], datetime],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        now : wall time
        """
        self._plant, self._book, self._figures, self._apply, self._now = plant, book, figures, apply, now

    def look(self, rows: Iterable[int]) -> None:
        """Looks at fans that were just heard.

        Parameters
        ----------
        rows : of the watch
        """
        for row in rows:
            point = self._plant.points[row]
            for alarm in self._book.standing(point.site, point.name):
                if alarm.condition in GROWS:
                    self._look_at(point, alarm)

    def _look_at(self, point: Point, alarm: Alarm) -> None:
        state, limits = self._plant.states[point.row], self._plant.limits[self._plant.limits_of[point.row]]
        seen = self._figures.last(point)
        if seen is None or state[layout.RUNNING] != 1.0:
            return
        against = margin_against(state, limits) if alarm.condition == "device-margin" else seen.limit
        measure = highest_of_five_minutes(state, len(seen.legs)) / against
        if has_grown(alarm, measure, self._now()):
            at = datetime.fromtimestamp(float(state[layout.AMPS_MS]) / 1000.0, UTC)
            event = Raised(
                alarm.condition, at, alarm.since, measure, alarm.setpoint, measure, alarm.priority, rings=alarm.rings
            )
            self._apply(point, alarm.about, event)
