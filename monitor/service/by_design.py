"""Suppression by design: which rule holds for an alarm now, and the changes when one begins or ends.

The rules stand in `alarms/by_design.py`. A rule is looked at where the fan's own readings begin or end it (its supply
lost or back, a run that began or ended), so that it depends as little on how they are cut as conditions do, and with
each tick: a supply that only the fans' falling together shows is judged later anyway. Nothing is told in between, as
each event of an alarm asks for its reason first.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from monitor.alarms import by_design as rules
from monitor.alarms.alarm import About, Alarm, Event, ReasonOver, SuppressByDesign
from monitor.service.book import AlarmBook
from monitor.service.plant import Plant, Point
from monitor.service.supplies import Supplies

AWAY_SECONDS = 60.0
"""So long no reading can have come in before that explains anything ..."""
BACK_SECONDS = 120.0
"""... and so long they must be able to again before it explains nothing more: loggers first send what they kept."""

Apply = Callable[[Point, About, Event], "Alarm | None"]


class ByDesign:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, supplies: Supplies, apply: Apply, runs: Callable[[Point], bool],
        steady: Callable[[], float],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        apply : takes an event to an alarm
        runs : whether a fan runs, as far as what was told of it by now
        steady : seconds since some moment, never put back
        """
        self._plant, self._book, self._supplies = plant, book, supplies
        self._apply, self._runs, self._steady = apply, runs, steady
        self._listening: bool | None = None
        self._since = -math.inf
        """Since when it is so, by `steady`."""
        self._away = False

    def reason(self, about: About) -> str | None:
        """The rule that holds for an alarm, in words; None: no rule does."""
        if about.condition in rules.WHILE_NOT_LISTENING:
            return rules.NOT_LISTENING if self._away else None
        point = self._plant.by_name.get((about.site, about.fan)) if about.fan else None
        if point is None:
            return None
        if about.condition in rules.ELECTRICAL:
            lost = self._supplies.alarm_of_lost(point)
            if lost is not None:
                return rules.while_supply_lost(lost.supply or lost.fan or "", lost.number)
        if about.condition in rules.WHILE_STOPPED and not self._runs(point):
            return rules.while_stopped(point.name)
        return None

    def settle(self, point: Point, alarm: Alarm) -> None:
        """Brings an alarm under the rule that holds for it, or out of one that holds no more."""
        if not alarm.by_rule and not (alarm.state.stands and alarm.suppression is None):
            return
        why = self.reason(alarm.about)
        if why is None:
            if alarm.by_rule:
                self._apply(point, alarm.about, ReasonOver())
        elif alarm.state.stands and alarm.suppressed_why != why:
            self._apply(point, alarm.about, SuppressByDesign(why))

    def look_at(self, point: Point) -> None:
        """A rule may have begun or ended for a fan."""
        for alarm in self._book.of(point.site, point.name):
            self.settle(point, alarm)

    def look(self, listening: bool) -> None:
        """The clock has moved on.

        Parameters
        ----------
        listening : readings can come in
        """
        now = self._steady()
        if listening is not self._listening:
            self._listening, self._since = listening, now
        waited = now - self._since
        self._away = waited >= AWAY_SECONDS or self._away if not listening else self._away and waited < BACK_SECONDS
        for alarm in self._book.all():
            point = self._plant.point_about(alarm.site, alarm.fan or alarm.supply)
            if point is not None:
                self.settle(point, alarm)
