"""Planned stops that begin later: announced now, put on the alarm `stopped` of the fan when their time has come.

Until its begin a plan holds nothing back. From then on it is a planned stop as one that was announced that moment,
also for a fan that stands still already. It is kept here and in a table of its own, since the alarm may have another
planned stop until then. A fan has one plan that waits: another takes its place.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime

from monitor.alarms.alarm import About, Alarm, Event, PlannedStop
from monitor.alarms.states import Suppression
from monitor.records.planned_stops import ANNOUNCED, BEGUN, DROPPED, WITHDRAWN, PlanChange
from monitor.service.book import AlarmBook
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point

STOPPED = "stopped"
"""The condition that a planned stop is about."""


class Plans:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, pending: Pending, apply: Callable[[Point, About, Event], Alarm | None],
        stored: Iterable[PlanChange], now: Callable[[], datetime],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        apply : takes an event to an alarm
        stored : the plans that wait
        now : wall time
        """
        self._plant, self._book, self._pending, self._apply, self._now = plant, book, pending, apply, now
        self._waiting = {plan.key: plan for plan in stored}

    def announce(self, plan: PlanChange) -> None:
        """A plan that begins later; one of the fan that still waits is given up for it."""
        self._waiting[plan.key] = plan
        self._keep(plan)

    def withdraw(self, site: str, fan: str, by: str, action: int) -> None:
        """Takes back the plan of a fan that waits, if there is one."""
        plan = self._waiting.pop((site, fan), None)
        if plan is not None:
            self._keep(replace(plan, what=WITHDRAWN, at=self._now(), by=by, action=action))

    def holds(self, about: About) -> bool:
        """Whether a plan has begun that the alarm may not carry yet."""
        return self._due(about) is not None

    def settle(self, point: Point, alarm: Alarm) -> None:
        """Brings the alarm of a fan under the plan that has begun, if it is not held back otherwise."""
        plan = self._due(alarm.about)
        if plan is not None and alarm.suppression is not Suppression.OUT_OF_SERVICE:  # else once it is back
            self._begin(point, plan, alarm)

    def tick(self) -> None:
        """The clock has moved on: plans begin, and what could not begin before its end is given up."""
        if not self._waiting:
            return
        now = self._now()
        for plan in list(self._waiting.values()):
            point = self._plant.by_name.get(plan.key)
            if plan.ends <= now or point is None or point.removed:
                self._over(plan, DROPPED)
            elif plan.begins <= now:
                about = About(plan.site, plan.fan, None, STOPPED)
                alarm = self._book.get(about)
                if alarm is None:
                    self._begin(point, plan, None)
                else:
                    self.settle(point, alarm)

    # --- inside ------------------------------------------------------------------------------------------------

    def _due(self, about: About) -> PlanChange | None:
        if not self._waiting or about.condition != STOPPED or about.fan is None:
            return None
        plan = self._waiting.get((about.site, about.fan))
        return plan if plan is not None and plan.begins <= self._now() < plan.ends else None

    def _begin(self, point: Point, plan: PlanChange, alarm: Alarm | None) -> None:
        by_person = alarm is not None and alarm.suppression is not None and not alarm.by_rule
        if by_person and alarm is not None and (alarm.suppressed_until is None or alarm.suppressed_until >= plan.ends):
            self._over(plan, DROPPED)  # a shelf or a stop announced meanwhile holds longer: it stays as it is
            return
        self._over(plan, BEGUN)
        about = About(plan.site, plan.fan, None, STOPPED)
        self._apply(point, about, PlannedStop(plan.by or "", plan.ends, plan.why))

    def _over(self, plan: PlanChange, what: str) -> None:
        del self._waiting[plan.key]
        self._keep(replace(plan, what=what, at=self._now(), action=None))

    def _keep(self, change: PlanChange) -> None:
        self._pending.planned_stops.append(change)
        self._pending.urgent = True


def planned(
    site: str, fan: str, begins: datetime, ends: datetime, *, by: str, why: str, action: int, now: datetime
) -> PlanChange:
    """An announcement as it is stored."""
    return PlanChange(site, fan, ANNOUNCED, now, begins, ends, by, why, action)
