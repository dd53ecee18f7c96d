"""How each run ended, once the other fans of its supply have been heard, and which alarm tells it.

The kernel tells the end of a run (`watch.columns.Ending`); it waits here, and in its row of `runs`, until every fan of
the supply is known up to the time the verdict is due, or until the clock says that some of them stay silent. Then
`watch.ends.judge` is asked once; verdict and evidence are stored with the run and never worked out again.

What an alarm says depends on it: a trip is told as `tripped` and not as `stopped`, so a `stopped` that the kernel
raises meanwhile is held (in the same row, so that a restart loses nothing). `supply-lost` of the fans of one supply is
one alarm (`supplies`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import numpy as np

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned
from monitor.alarms.ordinary_stop import rings_from
from monitor.records.rows import Run
from monitor.service import evidence, pauses
from monitor.service.book import AlarmBook
from monitor.service.ended import Ended, ended_of
from monitor.service.plant import Plant, Point
from monitor.service.supplies import Supplies
from monitor.watch import ends, layout
from monitor.watch.columns import Change, Ending, Judged, Readings
from monitor.watch.overrides import for_fan, turned_off
from monitor.watch.sisters import WAIT_SECONDS, Stretch

Apply = Callable[[Point, About, Event], "Alarm | None"]

HEARD_BEFORE_MS = 600_000.0
"""A fan that was silent for so long before the end in question is not waited for: nothing is known of it."""
SILENT_SECONDS = 10.0
"""By the clock a verdict is given so long after the wait and one more period: who has not been heard stays silent."""
DAY_MS = 86_400_000.0
KEPT_MS = DAY_MS + 3_600_000.0
"""Ended runs are remembered for so long."""
ORDINARY_STOPS = 4
"""So many ordinary stops in a day of a "continuous" fan: it is not continuous; its stops are no alarms that ring."""
ANOTHER_CONTROL = (
    "It has stopped {} times in a day: if a thermostat, a humidistat, a timer or somebody's hand runs it, register its "
    'control as "cycled" or "manual", and a stop is no alarm any more.'
)
STOPPED_LATER_MS = 600_000.0
"""A fan found `stopped` later than this after its last run stood by plan: that run's end does not tell why."""


class Tell(Protocol):
    """Takes a change of a condition to its alarm."""

    def __call__(
        self, point: Point, change: Change, *, quiet: bool = False, rings_from: datetime | None = None
    ) -> None: ...


class Verdicts:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, steady: Callable[[], float], *, apply: Apply, tell: Tell,
        stronger: Callable[[Point, About], bool], keep: Callable[[Run], None],
        judged: Callable[[Run, float, float], None],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        steady : seconds since some moment, never put back
        apply : takes an event to an alarm
        tell : takes a change of a condition to its alarm
        stronger : whether a stronger condition of the fan stands, which tells what a weaker one no longer does
        keep : puts a run into the next commit
        judged : is told of each verdict, with the first stopped reading [ms] and the last running one [A]
        """
        self._plant, self._book, self._steady = plant, book, steady
        self._apply, self._tell, self._stronger, self._keep = apply, tell, stronger, keep
        self._judged = judged
        self._ended: dict[int, list[Ended]] = {}
        """Row of a fan -> its runs of the last day, oldest first; those that wait among them."""
        self._open: dict[int, float] = {}
        """Row of a fan that runs -> first running reading."""
        self._waiting: list[Ended] = []
        """In order of their first stopped readings."""
        self._fell: list[tuple[Point, float, float]] = []
        """Fans whose verdicts, just given, say that the supply was lost: stop and verdict [event time]."""
        self._owed: dict[int, tuple[Change, float]] = {}
        """Row -> `stopped` that was not told, and when it will be told after all if the fan still stands then [event
        time]: a minute after the supply is back, where that told it; after a longer pause than usual, where its control
        ends its runs and it may have tripped (`pauses`)."""
        self.supplies = Supplies(plant, book, apply)

    def begin(self, ended: Iterable[Run], still_open: Iterable[Run]) -> None:
        """Takes up what is stored, once the states of all fans are restored."""
        for run in still_open:
            if (point := self._plant.by_id.get(run.point_id)) is not None:
                self._open[point.row] = float(run.start_ms)
        for run in ended:
            point = self._plant.by_id.get(run.point_id)
            if point is not None and run.ending is not None:
                one = ended_of(run, point.row, self._steady())
                self._ended.setdefault(point.row, []).append(one)
                if one.waits:
                    self._waiting.append(one)
        self._waiting.sort(key=lambda one: (one.ending.stop_ms, one.run.number))
        together = [row for row, runs in self._ended.items() if _fell_together(runs[-1].run) and row not in self._open]
        self.supplies.begin(together)
        for point in self._plant.fans():
            self._begin_owed(point)

    def _begin_owed(self, point: Point) -> None:
        """A `stopped` of the kernel that no alarm tells."""
        state, runs = self._plant.states[point.row], self._ended.get(point.row, [])
        if runs and point.row not in self._open and not runs[-1].waits:
            self._miss(point, runs[-1])
        place = layout.place_of("stopped")
        alarm = self._book.get(About(point.site, point.name, None, "stopped"))
        told = alarm is not None and alarm.state.stands
        if not state[place + layout.PHASE] >= layout.STANDING or told or not runs or runs[-1].waits:
            return
        if runs[-1].run.end_cause == ends.SUPPLY_LOST:
            since = float(state[place + layout.ONSET_MS])
            change = Change(0, point.row, layout.RAISED, "stopped", since, since, 1.0, 0.5, 1.0)
            lost = self.supplies.lost(point)
            self._owed[point.row] = change, math.inf if lost else float(state[layout.AMPS_MS]) + _minute_ms(point)

    # --- what the watch tells ----------------------------------------------------------------------------------

    def started(self, point: Point, run: Run) -> None:
        """A run began."""
        self._open[point.row] = float(run.start_ms)
        self._owed.pop(point.row, None)
        at_ms = float(run.start_ms)
        runs = self._ended.get(point.row, [])
        if runs and runs[-1].restart_ms is None:
            runs[-1].restart_ms = at_ms
            self._keep(runs[-1].row())
        self._runs_again(point, at_ms)
        self._supply_back(point, at_ms)

    def ended(self, point: Point, run: Run, ending: Ending) -> None:
        """A run ended: from now on it waits to be judged."""
        self._open.pop(point.row, None)
        one = Ended(run, ending, heard=self._steady())
        runs = self._ended.setdefault(point.row, [])
        runs.append(one)
        while runs[0].ending.stop_ms < ending.stop_ms - KEPT_MS and not runs[0].waits:
            runs.pop(0)
        self._waiting.append(one)
        self._waiting.sort(key=lambda one: (one.ending.stop_ms, one.run.number))
        self._keep(one.row())

    def takes(self, point: Point, change: Change) -> bool:
        """Whether a change of a condition is told by this room, now or later, instead of directly."""
        if change.condition == "supply-lost":
            self.supplies.change(point, change)
            return True
        if change.condition != "stopped":
            return False
        runs = self._ended.get(point.row, [])
        if runs and runs[-1].waits:
            if change.what == layout.SUPERSEDED and self._stronger(
                point, About(point.site, point.name, None, "stopped")
            ):
                change = replace(
                    change, what=layout.CLEARED
                )  # what is stronger stands now, and may not when it is told
            runs[-1].held.append(change)
            self._keep(runs[-1].row())
        elif change.what == layout.RAISED:
            self._tell_stopped(point, change, runs[-1] if runs else None)
        else:
            self._owed.pop(point.row, None)
            self._tell(point, change)
        return True

    def carry_on(self, fed: Readings, judged: Judged) -> None:
        """A batch was judged and its changes told: looks at the volts at the ends, and which verdicts are due."""
        if self._waiting and len(fed):
            for one in self._waiting:
                self._look_at_volts(one, fed, judged)
            self._judge_what_is_due(by_clock=False)
        for row, (change, due_ms) in list(self._owed.items()):
            state = self._plant.states[row]
            if state[layout.AMPS_MS] >= due_ms and state[layout.RUNNING] != 1.0:
                del self._owed[row]
                self._tell(self._plant.points[row], replace(change, at_ms=due_ms))

    def tick(self, listening: bool) -> None:
        """The clock has moved on.

        Parameters
        ----------
        listening : readings could have come; silence while the link is away tells nothing
        """
        if not listening:
            for one in self._waiting:
                one.heard = self._steady()
        self._judge_what_is_due(by_clock=True)
        self.supplies.tick()

    # --- verdicts ----------------------------------------------------------------------------------------------

    def _look_at_volts(self, one: Ended, fed: Readings, judged: Judged) -> None:
        point = self._plant.by_id[one.run.point_id]
        stop_ms = one.ending.stop_ms
        first, last = np.searchsorted(fed.fan, [point.row, point.row + 1])
        if first == last or fed.t_ms[last - 1] < stop_ms:
            return
        mine = slice(first, last)
        least = evidence.volts_at_end(
            self._plant, point, one.ending, fed.t_ms[mine], fed.volts[mine], judged.flags[mine]
        )  # fmt: skip
        if not math.isnan(least) and not one.volts_percent <= least:
            one.volts_percent = least
            self._keep(one.row())

    def _judge_what_is_due(self, *, by_clock: bool) -> None:
        held_back: set[int] = set()
        self._fell.clear()
        for one in list(self._waiting):
            point = self._plant.by_id[one.run.point_id]
            if point.row in held_back or not self._judge(point, one, by_clock):
                held_back.add(point.row)  # a later run of the fan waits for the earlier one
            else:
                self._waiting.remove(one)
        for point, since_ms, due_ms in self._fell:  # one that ran again meanwhile shows that the supply is back
            starts = self._starts(point, since_ms)
            if starts:
                self._supply_back(point, max(due_ms, min(starts)))

    def _starts(self, point: Point, since_ms: float) -> list[float]:
        """When fans of its supply, itself among them, began to run after some time."""
        rows = [point.row, *(other.row for other in self.supplies.others(point, since_ms))]
        starts = [self._open[row] for row in rows if row in self._open]
        starts += [float(one.run.start_ms) for row in rows for one in self._ended.get(row, [])]
        return [start for start in starts if start > since_ms]

    def _supply_back(self, point: Point, at_ms: float) -> None:
        for row in self.supplies.runs_again(point, at_ms):
            if row in self._owed:
                self._owed[row] = self._owed[row][0], at_ms + _minute_ms(self._plant.points[row])

    def _judge(self, point: Point, one: Ended, by_clock: bool) -> bool:
        """Judges a run, if that is due."""
        stop_ms = one.ending.stop_ms
        soonest_ms = stop_ms + 1000.0 * WAIT_SECONDS[0]
        if one.ending.seen and not by_clock and not self._plant.states[point.row][layout.AMPS_MS] >= soonest_ms:
            return False
        others = [
            other for other in self.supplies.others(point, stop_ms)
            if self._plant.states[other.row][layout.AMPS_MS] >= stop_ms - HEARD_BEFORE_MS
        ]  # fmt: skip
        due = evidence.due(self._plant, one.ending, others)
        known = all(self._plant.states[fan.row][layout.AMPS_MS] >= due.due_ms for fan in (point, *others))
        longest = due.wait_seconds + due.longest_period_seconds + SILENT_SECONDS
        silent = by_clock and self._steady() - one.heard >= longest
        if one.ending.seen and not known and not silent:
            return False
        sisters = [
            evidence.sister(self._plant, other, self._stretches(other.row, stop_ms), due) for other in others
        ]  # fmt: skip
        own = self._own(point, one, due.due_ms)
        verdict = ends.judge(one.ending, own, sisters)
        one.run = replace(
            one.run, end_cause=verdict.end_cause, confidence=verdict.confidence, evidence=verdict.evidence
        )
        together = ends.supply_lost_together(one.ending, own, sisters) is not None
        self._follow(point, one, due.due_ms, together=verdict.end_cause == ends.SUPPLY_LOST and together)
        one.held = []
        self._keep(one.row())
        return True

    def _stretches(self, row: int, stop_ms: float) -> list[Stretch]:
        """The runs of a fan from some time before an end in question."""
        stretches = [
            Stretch(
                one.run.start_ms, float(one.run.end_ms or 0), one.ending.stop_ms if one.ending.seen else None,
                one.ending.volts_percent, one.ending.called,
            )
            for one in self._ended.get(row, [])
            if one.ending.stop_ms >= stop_ms - HEARD_BEFORE_MS
        ]  # fmt: skip
        if row in self._open:
            stretches.append(Stretch(self._open[row], float(self._plant.states[row][layout.RUN_LAST_MS])))
        return stretches

    def _own(self, point: Point, one: Ended, due_ms: float) -> ends.Own:
        stop_ms = one.ending.stop_ms
        restart = one.restart_ms if one.restart_ms is not None and one.restart_ms <= due_ms else None
        least, most = ends.RESET_MS
        resets = sum(
            before.run.end_cause == ends.OVERLOAD_TRIP and before.restart_ms is not None
            and least <= before.restart_ms - before.ending.stop_ms <= most
            for before in self._ended[point.row]
            if stop_ms - DAY_MS < before.ending.stop_ms < stop_ms
        )  # fmt: skip
        return evidence.own(
            self._plant, point, one.ending, volts_percent=one.volts_percent,
            run_seconds=(float(one.run.end_ms or 0) - one.run.start_ms) / 1000.0, restart_ms=restart, resets=resets,
        )  # fmt: skip

    # --- what follows from a verdict ---------------------------------------------------------------------------

    def _follow(self, point: Point, one: Ended, due_ms: float, *, together: bool) -> None:
        self._judged(one.run, one.ending.stop_ms, one.ending.last_amps)
        if self._trip(point, one):
            row = for_fan(self._conditions(point, one))["tripped"]
            since = _time(one.ending.stop_ms)
            about = About(point.site, point.name, None, row.id)
            self._apply(point, about, Raised(row.id, _time(due_ms), since, None, None, None, row.priority, row.rings))
            if one.restart_ms is not None:
                self._apply(point, about, Returned(_time(max(due_ms, one.restart_ms))))
        if together and not any(start <= due_ms for start in self._starts(point, one.ending.stop_ms)):
            self.supplies.fell_together(point, one.ending.stop_ms, due_ms)
            self._fell.append((point, one.ending.stop_ms, due_ms))
        raised: Change | None = None
        for change in one.held:
            if change.what == layout.RAISED:
                raised = change
                continue
            if raised is None:  # it stood since an earlier end
                self._tell(point, change)
            elif change.at_ms > due_ms and not self._told_otherwise(point, one):
                self._tell_stopped(point, raised, one)
                self._tell(point, change)
            raised = None
        if raised is not None:
            self._tell_stopped(point, raised, one)
        elif one.restart_ms is None:
            self._miss(point, one)

    def _miss(self, point: Point, one: Ended) -> None:
        """A run that may have tripped, of a fan whose runs end by plan: told if it pauses longer than usual."""
        possible = (one.run.end_cause, one.run.confidence) == (ends.OVERLOAD_TRIP, ends.POSSIBLE)
        possible |= one.run.end_cause == ends.CANNOT_TELL and one.ending.h1 >= ends.MAY_OPEN
        alarm = self._book.get(About(point.site, point.name, None, "stopped"))
        told = alarm is not None and alarm.since >= _time(one.ending.stop_ms)
        off = turned_off(self._conditions(point, one), "stopped")
        if not possible or told or off or not self._ends_by_plan(point, one.ending.stop_ms, one.ending.called):
            return
        stop_ms = one.ending.stop_ms
        change = Change(0, point.row, layout.RAISED, "stopped", stop_ms, stop_ms, 1.0, 0.5, 1.0)
        self._owed[point.row] = change, stop_ms + pauses.missed_ms(self._longest_pause_ms(point, one))

    def _longest_pause_ms(self, point: Point, one: Ended) -> float | None:
        ended = ((other.ending.stop_ms, other.restart_ms) for other in self._ended[point.row])
        return pauses.longest_ms(ended, one.ending.stop_ms)

    def _ends_by_plan(self, point: Point, at_ms: float, called: float) -> bool:
        return ends.ends_by_plan(self._plant.version_at(point, at_ms).nameplate.fan.control, called)

    def _conditions(self, point: Point, one: Ended) -> Mapping[str, Mapping[str, float | bool]]:
        return self._plant.version_at(point, one.ending.stop_ms).nameplate.conditions

    def _trip(self, point: Point, one: Ended) -> bool:
        """Whether it stands as `tripped`."""
        trip = ends.is_trip(one.run.end_cause, one.run.confidence)
        return trip and not turned_off(self._conditions(point, one), "tripped")

    def _told_otherwise(self, point: Point, one: Ended) -> bool:
        """Whether `stopped` is no news: a trip or a lost supply tells it, or it was planned."""
        if self._trip(point, one) or (one.run.end_cause == ends.SUPPLY_LOST and self.supplies.lost(point)):
            return True
        planned = (one.run.end_cause, one.run.confidence) == (ends.STOPPED, ends.SURE)
        return planned and self._plant.states[point.row][layout.CALLED] != 1.0

    def _tell_stopped(self, point: Point, change: Change, one: Ended | None) -> None:
        if one is None:
            self._tell(point, change)
        elif not self._told_otherwise(point, one):
            often = self._ordinary_stops(point, one) >= ORDINARY_STOPS
            self._tell(point, change, quiet=often, rings_from=None if often else self._rings_from(point, one))
        elif one.run.end_cause == ends.SUPPLY_LOST:
            self._owed[point.row] = change, math.inf

    def _rings_from(self, point: Point, one: Ended) -> datetime | None:
        """From when a stop rings that is known to be no more than that; None: at once."""
        known = one.run.end_cause == ends.STOPPED and one.run.confidence in (ends.HIGH, ends.LIKELY)
        asked_for = self._plant.states[point.row][layout.CALLED] == 1.0
        at_once = self._conditions(point, one).get("stopped", {}).get("rings") is True  # somebody wishes it so
        if not known or asked_for or at_once:
            return None
        return rings_from(_time(one.ending.stop_ms), ZoneInfo(self._plant.sites[point.site].time_zone))

    def _ordinary_stops(self, point: Point, one: Ended) -> int:
        """Ordinary stops of the day that ends with this one; 0 for a fan that is not run continuously."""
        stop_ms = one.ending.stop_ms
        if one.run.end_cause != ends.STOPPED or not evidence.is_continuous(self._plant, point, stop_ms):
            return 0
        return sum(
            other.run.end_cause == ends.STOPPED and other.run.confidence != ends.SURE
            for other in self._ended[point.row]
            if stop_ms - DAY_MS < other.ending.stop_ms <= stop_ms
        )

    def _runs_again(self, point: Point, at_ms: float) -> None:
        """The latch of its trip, or a pause that was told, is over: what is left is that somebody acknowledges it."""
        over = ["tripped"]
        if self._ends_by_plan(point, at_ms, float(self._plant.states[point.row][layout.CALLED])):
            over.append("stopped")  # the kernel tells it of no such fan
        for condition in over:
            about = About(point.site, point.name, None, condition)
            alarm = self._book.get(about)
            if alarm is not None and alarm.state.stands:
                self._apply(point, about, Returned(_time(at_ms)))

    # --- words -------------------------------------------------------------------------------------------------

    def words(self, point: Point, alarm: Alarm) -> dict[str, Any]:
        """What a story tells of it: fields of `alarms.story.Story`."""
        if alarm.condition == "supply-lost":
            return {"fans": self.supplies.fans(alarm.about)}
        if alarm.condition not in ("stopped", "tripped"):
            return {}
        since_ms = alarm.since.timestamp() * 1000.0
        before = [one for one in self._ended.get(point.row, []) if one.ending.stop_ms <= since_ms + 1.0]
        if not before or before[-1].waits or since_ms - before[-1].ending.stop_ms > STOPPED_LATER_MS:
            return {}
        run = before[-1].run
        said: dict[str, Any] = {"end_cause": run.end_cause, "confidence": run.confidence}
        if run.evidence:
            said |= {"ended_words": run.evidence[0], "evidence": run.evidence[1:]}
        stops = self._ordinary_stops(point, before[-1])
        if alarm.condition == "stopped" and stops >= ORDINARY_STOPS:
            said["also"] = (ANOTHER_CONTROL.format(stops),)
        elif alarm.condition == "stopped" and self._ends_by_plan(point, since_ms, before[-1].ending.called):
            said["also"] = (pauses.words(self._longest_pause_ms(point, before[-1])),)
        return said


def _fell_together(run: Run) -> bool:
    """A lost supply that only shows in the fans that fell with it."""
    return (run.end_cause, run.confidence) == (ends.SUPPLY_LOST, ends.LIKELY)


def _minute_ms(point: Point) -> float:
    """The on-delay of `stopped` for this fan [ms]."""
    conditions = point.nameplate.conditions if point.nameplate else {}
    return 1000.0 * for_fan(conditions)["stopped"].on_delay_seconds


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)
