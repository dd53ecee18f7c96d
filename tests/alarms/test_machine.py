"""Any order of events whatever: rules that hold for every life of an alarm."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from alarm_builders import NIGHT, OVERLOAD, raised, story
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from monitor.alarms.alarm import (
    Acknowledge,
    Alarm,
    Event,
    PlannedStop,
    ReasonOver,
    RemoveFromService,
    Returned,
    ReturnToService,
    Shelve,
    SuppressByDesign,
    Tick,
    Unshelve,
    Wanted,
    WithdrawPlannedStop,
    next_due,
    step,
    suppressed,
)
from monitor.alarms.states import State, Suppression
from monitor.alarms.wording import SHORT_AT_MOST, short

PRIORITIES = ["low", "medium", "high", "highest"]
TRIPPED = replace(OVERLOAD, condition="tripped")
STOPPED = replace(OVERLOAD, condition="stopped")


class Life(RuleBasedStateMachine):
    """Feeds any events with the clock going forward and keeps its own plain account of what was told."""

    about = OVERLOAD
    held = False

    @initialize()
    def begin(self) -> None:
        self.now = NIGHT
        self.alarm: Alarm | None = None
        self.next_number = 1
        self.next_change = 1
        self.ids: set[int] = set()
        self.told: list[tuple[datetime, Wanted, str]] = []
        self.times_raised = 0

    def feed(self, event: Event) -> list[Wanted]:
        before = self.alarm
        after, change, wanted = step(
            before,
            event,
            self.now,
            number=self.next_number,
            change_number=self.next_change,
            about=self.about,
            held=self.held,
        )
        assert len(wanted) <= 1
        assert change is not None or not wanted, "a notice without a stored change has no id"
        if before is not None:
            assert after is not None, "an alarm never vanishes"
            assert change is not None or after.state is before.state
            assert after.number in (before.number, self.next_number)
            held = suppressed(before, self.now)
            ends = isinstance(event, Unshelve | WithdrawPlannedStop | ReturnToService | ReasonOver)
            assert not (held and wanted and not ends), "suppressed alarms tell nothing"
        if change is not None:
            assert after is not None
            assert change.number == self.next_change
            assert change.to_state is after.state
            assert change.from_state is (before.state if before else State.NORMAL)
            assert change.alarm_number == after.number
            self.next_change += 1
        if after is not None and after.number == self.next_number:
            self.next_number += 1
        stood = before is not None and before.state.stands
        anew = stood and after is not None and before is not None and after.count > before.count
        assert not anew or self.latched, "what stands is raised higher, not anew"
        self.times_raised += anew or (after is not None and after.state.stands and not stood)
        self.alarm = after
        for one in wanted:
            assert after is not None
            assert change is not None
            self.told.append((self.now, one, after.priority))
            assert change is not None and change.number not in self.ids, "no change is told twice"
            self.ids.add(change.number)
            assert len(short(after, story(now=self.now), one)) <= SHORT_AT_MOST
        return wanted

    @property
    def latched(self) -> bool:
        return self.about is TRIPPED

    @rule(seconds=st.integers(0, 3 * 3600))
    def time_passes(self, seconds: int) -> None:
        self.now += timedelta(seconds=seconds)

    @rule(
        priority=st.sampled_from(PRIORITIES), rings=st.booleans(), late=st.integers(0, 7200),
        later=st.none() | st.integers(-10, 300), peak=st.sampled_from([1.021, 1.03, 1.06, 1.1]),
    )  # fmt: skip
    def raise_it(self, priority: str, rings: bool, late: int, later: int | None, peak: float) -> None:
        before = self.alarm
        earlier = [(when, told) for when, wanted, told in self.told if wanted.kind != "cleared"]
        rings_from = None if rings or later is None else self.now + timedelta(minutes=later)
        wanted = self.feed(
            raised(
                self.about.condition, when=self.now - timedelta(seconds=late), priority=priority, rings=rings,
                rings_from=rings_from, peak=peak,
            )
        )  # fmt: skip
        if not wanted or not earlier:
            return
        when, last = earlier[-1]
        rank = PRIORITIES.index(priority)
        waited = self.now - when
        if wanted[0].cause == "grown worse":
            assert before is not None and before.known_peak is not None and peak >= before.known_peak + 0.02
            assert waited >= timedelta(minutes=30) and before.state.stands
            return
        soon = priority == "highest" or (priority != "low" and self.about is STOPPED)
        quiet = timedelta(minutes=30) if soon else timedelta(hours=4)
        assert rank > PRIORITIES.index(last) or waited >= quiet, "told too soon"
        if before is not None and before.state is State.ACKNOWLEDGED:
            assert rank > PRIORITIES.index(before.priority), "an acknowledged alarm rings only at higher priority"

    @rule(peak=st.none() | st.floats(0, 3))
    def return_it(self, peak: float | None) -> None:
        before = self.alarm.state if self.alarm is not None else State.NORMAL
        stood = before.stands
        for one in self.feed(Returned(self.now, peak)):
            assert stood
            assert one.kind == "cleared"
            assert not one.rings
            assert self.told[-2][1].kind != "cleared", "cleared is told once, after it was told as standing"
        if self.latched:
            after = self.alarm.state if self.alarm is not None else State.NORMAL
            assert after is (State.NORMAL if before is State.ACKNOWLEDGED else before)

    @rule()
    def acknowledge(self) -> None:
        assert self.feed(Acknowledge("Ada")) == []
        assert self.alarm is None or self.alarm.state in (State.NORMAL, State.ACKNOWLEDGED)

    @rule(minutes=st.integers(-10, 600))
    def shelve(self, minutes: int) -> None:
        assert self.feed(Shelve("Ada", self.now + timedelta(minutes=minutes))) == []

    @rule(minutes=st.integers(-10, 600))
    def announce_a_stop(self, minutes: int) -> None:
        assert self.feed(PlannedStop("Ada", self.now + timedelta(minutes=minutes))) == []

    @rule(minutes=st.none() | st.integers(0, 600))
    def out_of_service(self, minutes: int | None) -> None:
        until = None if minutes is None else self.now + timedelta(minutes=minutes)
        assert self.feed(RemoveFromService("Ada", until)) == []

    @rule(event=st.sampled_from([Unshelve("Ada"), WithdrawPlannedStop("Ada"), ReturnToService("Ada")]))
    def end_suppression(self, event: Event) -> None:
        self.feed(event)

    @rule()
    def tick(self) -> None:
        """A tick does something exactly when `next_due` says so, and then no more."""
        due = next_due(self.alarm) if self.alarm is not None else None
        changed = self.next_change
        for _ in range(3):
            before = self.next_change
            was_acknowledged = self.alarm is not None and self.alarm.state is State.ACKNOWLEDGED
            by_plan = self.alarm is not None and self.alarm.suppression is not None
            waits = self.alarm is not None and not self.alarm.rings
            wanted = self.feed(Tick())
            assert not (waits and any(one.rings for one in wanted)) or (due is not None and due <= self.now)
            assert not (was_acknowledged and wanted and not by_plan), "acknowledged: nothing is told again"
            if self.next_change == before:
                break
        else:
            raise AssertionError("ticking does not come to an end")
        assert (self.next_change > changed) == (due is not None and due <= self.now)

    @invariant()
    def the_alarm_holds_together(self) -> None:
        alarm = self.alarm
        if alarm is None:
            return
        assert (alarm.acknowledged_by is not None) or alarm.state is not State.ACKNOWLEDGED
        assert alarm.untold >= 0
        assert (alarm.cleared is None) or not alarm.state.stands or self.latched
        assert not alarm.latched or alarm.state is State.UNACKNOWLEDGED
        assert not self.latched or alarm.state is not State.RETURNED_UNACKNOWLEDGED
        assert alarm.number < self.next_number
        assert not (alarm.rings and alarm.rings_from is not None)
        if alarm.suppression is None:
            assert (alarm.suppressed_until, alarm.suppressed_by, alarm.suppressed_why) == (None, None, None)
        told = [when for when, wanted, _ in self.told if wanted.kind != "cleared"]
        assert alarm.last_notice == (told[-1] if told else None)

    @invariant()
    def every_raise_is_counted_once(self) -> None:
        alarm = self.alarm
        if alarm is None:
            return
        counted = sum(wanted.count for _, wanted, _ in self.told if wanted.kind != "cleared")
        assert counted + alarm.untold == self.times_raised


class LifeUnderRules(Life):
    """The same while rules come and go, the caller doing its part: it says `held`, and follows with the suppression."""

    @initialize()
    def begin_without_a_rule(self) -> None:
        self.ruled = False

    def feed(self, event: Event) -> list[Wanted]:
        was_told = self.alarm.last_notice if self.alarm is not None else None
        self.held = self.ruled
        wanted = super().feed(event)
        assert not (self.ruled and wanted), "nothing is told while a rule holds"
        if self.ruled:
            assert self.alarm is None or self.alarm.last_notice == was_told
            if self.alarm is not None and self.alarm.state.stands and self.alarm.suppression is None:
                assert super().feed(SuppressByDesign("while bin-1 stands still")) == []
                assert self.alarm.suppression is Suppression.SUPPRESSED_BY_DESIGN
        return wanted

    @rule()
    def a_rule_begins(self) -> None:
        if not self.ruled and self.alarm is not None:
            self.ruled = True
            if self.alarm.state.stands:
                self.feed(SuppressByDesign("while bin-1 stands still"))

    @rule()
    def the_rule_is_over(self) -> None:
        if not self.ruled or self.alarm is None:
            return
        self.ruled, before = False, self.alarm
        wanted = self.feed(ReasonOver())
        by_rule = before.suppression is Suppression.SUPPRESSED_BY_DESIGN and before.suppressed_by is None
        assert (self.alarm.suppression is None) if by_rule else (self.alarm == before and not wanted)
        untold = before.state is State.UNACKNOWLEDGED and before.untold > 0 and before.last_notice is None
        assert wanted or not (by_rule and untold), "what stands and was never told is told now"

    @rule()
    def tick(self) -> None:
        """A plan that ends while a rule holds waits; all else ends."""
        for _ in range(4):
            before = self.next_change
            self.feed(Tick())
            if self.next_change == before:
                return
        raise AssertionError("ticking does not come to an end")


class LatchedLife(Life):
    """The same of an alarm that stands until it is acknowledged and its fan runs again."""

    about = TRIPPED


class StoppedLife(Life):
    """The same of a fan that stands still again: sooner told, where it rings."""

    about = STOPPED


TestLife = Life.TestCase
TestStoppedLife = StoppedLife.TestCase
TestStoppedLife.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
TestLatchedLife = LatchedLife.TestCase
TestLatchedLife.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
TestLife.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
TestLifeUnderRules = LifeUnderRules.TestCase
TestLifeUnderRules.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)
