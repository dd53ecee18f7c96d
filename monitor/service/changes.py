"""From what the watch says has changed to runs, alarms and their notices, all in the next commit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from monitor.alarms.alarm import (
    About,
    Alarm,
    AlarmChange,
    Event,
    Raised,
    Returned,
    Wanted,
    stands_known,
    worse_has_come,
)
from monitor.alarms.by_design import SUPPLY_LOST
from monitor.alarms.routes import Route
from monitor.alarms.states import Cause
from monitor.alarms.story import Story
from monitor.alarms.wording import line
from monitor.records.rows import Run
from monitor.records.start import Start
from monitor.service import beginning
from monitor.service.book import AlarmBook
from monitor.service.by_design import ByDesign
from monitor.service.estimates import Estimates
from monitor.service.figures import Figures
from monitor.service.growing import Growing
from monitor.service.maintenance import Maintenance
from monitor.service.nights import Nights
from monitor.service.opened import Opened
from monitor.service.pending import Pending
from monitor.service.plans import Plans
from monitor.service.plant import Plant, Point
from monitor.service.silence import Silence
from monitor.service.site_silence import SiteSilence
from monitor.service.supper import Supper
from monitor.service.telling import Tellings
from monitor.service.verdicts import Verdicts
from monitor.watch import ends, layout
from monitor.watch.columns import Change
from monitor.watch.overrides import for_fan
from monitor.watch.table import BY_ID, PRIORITIES, Condition, higher

NO_TRIP = (ends.STOPPED, ends.SUPPLY_LOST)
"""Ends of runs that say nothing of the load before them."""


class Changes:
    """Kept by the worker; also takes to their alarms what others find (silence, verdicts, operators)."""

    def __init__(
        self, plant: Plant, pending: Pending, book: AlarmBook, figures: Figures, estimates: Estimates, silence: Silence,
        start: Start, routes: Sequence[Route], nights: Nights, *, now: Callable[[], datetime],
        steady: Callable[[], float], link: Callable[[str], str] | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        now : wall time
        steady : seconds since some moment, never put back
        link : address by which a notice of an id is acknowledged
        """
        self._plant, self._pending, self._book, self._figures = plant, pending, book, figures
        self._estimates = estimates
        self._now = now
        self._runs = beginning.open_runs(start, plant)
        self._next_run = start.next_run
        self.opened = Opened(plant, book, figures, self.apply)
        self.opened.begin(start.trips)
        self.verdicts = Verdicts(
            plant, book, steady, apply=self.apply, tell=self._tell, stronger=self._told_by_a_stronger,
            keep=self._keep_run, judged=self.opened.tripped,
        )  # fmt: skip
        self.verdicts.begin(start.ended_runs, start.open_runs)
        self.by_design = ByDesign(
            plant, book, self.verdicts.supplies, self.apply, lambda point: point.row in self._runs, steady
        )
        self.maintenance = Maintenance(
            plant, book, pending, self.apply, self.verdicts.supplies.fans, start.out_of_service, now
        )
        self.plans = Plans(plant, book, pending, self.apply, start.planned_stops, now)
        self.site_silence = SiteSilence(plant, book, silence, self.apply, self.maintenance)
        self.growing = Growing(plant, book, figures, self.apply, now)
        self.supper = Supper(plant, pending, book, figures, nights, self.apply, start.cursors)
        self.tellings = Tellings(
            pending, routes, start.tellings, alarm_of=book.get, story_of=self._story_of,
            zone_of=plant.zone_of, link=link,
        )  # fmt: skip

    def take(self, changes: Sequence[Change]) -> None:
        """Changes of one batch, in the order in which they happened."""
        for change in sorted(told_once(changes), key=lambda one: (one.at_ms, one.fan)):
            self._take(change)

    def _take(self, change: Change) -> None:
        point = self._plant.points[change.fan]
        if change.what == layout.RUN_STARTED:
            run = Run(self._next_run, point.point_id, int(change.at_ms), change.setpoint == 1.0)
            self._next_run += 1
            self._runs[point.row] = run
            self._keep_run(run)
            self.verdicts.started(point, run)
            self.by_design.look_at(point)
        elif change.what == layout.RUN_ENDED:
            open_run = self._runs.pop(point.row, None)
            if open_run is not None:
                ended = replace(
                    open_run, end_ms=int(change.at_ms), end_seen=change.setpoint == 1.0,
                    peak_amps=_or_none(change.peak), peak_ratio=_or_none(change.value), gap_ms=change.gap_ms,
                )  # fmt: skip
                self._keep_run(ended)
                if change.ending is not None:
                    self.verdicts.ended(point, ended, change.ending)
                self.by_design.look_at(point)
        elif not self.verdicts.takes(point, change):
            self._tell(point, change)
        elif change.condition == SUPPLY_LOST:
            self.by_design.look_at(point)

    def _keep_run(self, run: Run) -> None:
        self._pending.runs[run.number] = run

    def _tell(
        self, point: Point, change: Change, *, quiet: bool = False, rings_from: datetime | None = None
    ) -> None:  # fmt: skip
        """Takes a change of a condition to its alarm; a quiet one rings nobody awake, another one not before a time."""
        about = About(point.site, point.name, None, change.condition or "")
        event: Event
        if change.what in (layout.RAISED, layout.HOTTER):
            judged_by = self._plant.version_at(point, change.at_ms)
            row = for_fan(judged_by.nameplate.conditions)[about.condition]
            later = rings_from if row.rings and rings_from is not None and rings_from > self._now() else None
            if opened := about.condition == "device-margin" and self.opened.least(point, change.at_ms) is not None:
                self.opened.news_again(about)
            rings = row.rings and not quiet and later is None and (opened or not self._is_of_a_known_load(about))
            event = Raised(
                row.id, _time(change.at_ms), _time(change.since_ms), change.value, change.setpoint, change.peak,
                PRIORITIES[0] if quiet else priority_of(row, change), rings, later,
            )  # fmt: skip
        else:
            watched = change.what == layout.CLEARED or self._told_by_a_stronger(point, about)
            event = Returned(_time(change.at_ms), _or_none(change.peak), watched)
        self.apply(point, about, event)

    def _is_of_a_known_load(self, about: About) -> bool:
        """Whether it is the margin of a device whose fan stands over its limit, and somebody knows of that: the same
        load, which rings again once it has grown (`growing`), and a device about to open by `trip-near`."""
        overload = replace(about, condition="overload")
        return about.condition == "device-margin" and stands_known(self._book.get(overload))

    def _told_by_a_stronger(self, point: Point, about: About) -> bool:
        """Whether a stronger condition of the fan stands: then the weaker one is over, and is told by it."""
        return not set(self._standing(point)).isdisjoint(BY_ID[about.condition].not_while)

    def _standing(self, point: Point) -> list[str]:
        """Conditions of a fan that stand; a lost supply may stand as the alarm of its supply point."""
        names = [one.condition for one in self._book.standing(point.site, point.name)]
        if point.kind == "fan" and "supply-lost" not in names and self.verdicts.supplies.lost(point):
            names.append("supply-lost")
        return names

    def apply(self, point: Point, about: About, event: Event) -> Alarm | None:
        """Takes an event to its alarm, and what follows from it into the next commit.

        An alarm that is raised while a rule holds for it, its fan is out of service, or a planned stop has begun, comes
        under it here: the same commit holds both changes, and nothing is told in between.
        """
        now = self._now()
        held = self.maintenance.covers(about) is not None or self.by_design.reason(about) is not None
        held = held or self.plans.holds(about)
        alarm, change, wanted = self._book.apply(about, event, now, held=held)
        alarm = self.keep_alarm(point, alarm, change, wanted, now)
        if alarm is None:
            return None
        self.maintenance.settle(point, alarm)
        self.plans.settle(point, self._book.get(about) or alarm)
        self.by_design.settle(point, self._book.get(about) or alarm)
        return self._book.get(about)

    def keep_alarm(
        self, point: Point, alarm: Alarm | None, change: AlarmChange | None, wanted: Sequence[Wanted], now: datetime
    ) -> Alarm | None:
        """An alarm as it is after a change of it, with the notices that are wanted."""
        if alarm is None:
            return None
        pending = self._pending
        story = self._story(point, alarm, now)
        watched = change is None or change.cause != Cause.NO_LONGER_WATCHED
        alarm = replace(alarm, text=line(alarm, story, watched=watched))
        self._book.keep(alarm)
        pending.alarms[alarm.number] = alarm
        if change is not None:
            pending.changes.append(change)
            pending.urgent = True
            for one in wanted:
                self.tellings.want(alarm, change, one, story, now)
            if story.estimate is not None:
                self._estimates.keep(point, now.timestamp() * 1000.0, story.estimate)
            pending.told.add(point.row)
            possible = alarm.condition == "stopped" and alarm.rings and story.end_cause not in NO_TRIP
            trip = alarm.condition == "tripped" or possible
            if trip and change.cause == Cause.RAISED:
                self._worse_has_come(point)
        return alarm

    def _worse_has_come(self, point: Point) -> None:
        """What came and went for weeks without harm is told again as news."""
        for alarm in self._book.of(point.site, point.name):
            after = worse_has_come(alarm)
            if after != alarm:
                self._book.keep(after)
                self._pending.alarms[after.number] = after

    def _story(self, point: Point, alarm: Alarm, now: datetime) -> Story:
        """What can be told of an alarm now."""
        story = self._figures.story(point, alarm, self._standing(point), now)
        told_of = self.verdicts.words(point, alarm) | self.site_silence.words(alarm) | self.supper.words(alarm)
        told_of |= self.opened.words(point, alarm)
        return replace(story, **told_of)

    def _story_of(self, alarm: Alarm, now: datetime) -> Story | None:
        point = self._plant.point_about(alarm.site, alarm.fan or alarm.supply)
        return None if point is None else self._story(point, alarm, now)


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)


def told_once(changes: Sequence[Change]) -> list[Change]:
    """An overload whose motor is too hot at the very reading that raises it is raised so: told once, not twice."""
    hot = {(one.fan, one.condition, one.at_ms): one for one in changes if one.what == layout.HOTTER}
    told: list[Change] = []
    for one in changes:
        key = one.fan, one.condition, one.at_ms
        if one.what == layout.RAISED and key in hot:
            told.append(hot.pop(key))
        elif one.what != layout.HOTTER or key in hot:
            told.append(one)
    return told


def priority_of(row: Condition, change: Change) -> str:
    """The priority that a change raises an alarm with; two rows of the table have more than one."""
    if change.what == layout.HOTTER:
        return PRIORITIES[-1]  # the motor itself is too hot by now
    if row.id == "logger-suspect" and change.value == layout.CLAMP_OFF:
        return higher(row.priority, "medium")
    return row.priority


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
