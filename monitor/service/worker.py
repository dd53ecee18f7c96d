"""The one owner of the watch: messages in, judged, stored in one transaction, only then acknowledged.

`round` does one turn and returns; who calls it (a thread, a test) decides how often. Wall time comes in through `clock`
and only stamps things; what is measured (silence, what is due) is measured by `steady`, which nobody can put back.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Protocol

import numpy as np

from monitor.alarms import found_late
from monitor.alarms.alarm import CLOCK_STEP, About, Alarm, AlarmChange, Event, Raised, Returned, Wanted
from monitor.alarms.routes import Route, notices_for
from monitor.alarms.states import Cause
from monitor.alarms.wording import line
from monitor.errors import LinkError
from monitor.links.mqtt import Inbox, Message
from monitor.records import actions, gaps, readings, register
from monitor.records.commit import commit
from monitor.records.database import Database
from monitor.records.rows import Done, FanNow, Newcomer, ReadingRows, Rejected, Run
from monitor.records.start import Start
from monitor.service import backfill, beginning, orders, wrong_clocks
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures
from monitor.service.gaps import Gaps
from monitor.service.hurry import Hurry
from monitor.service.intake import Intake, Refused, Rows, Taken, merged, stretches
from monitor.service.pending import Pending
from monitor.service.plant import Point
from monitor.service.retained import Retained
from monitor.service.silence import Silence, about_silence
from monitor.service.site_silence import SiteSilence, of_a_group
from monitor.service.verdicts import Verdicts
from monitor.watch import layout
from monitor.watch.advance import advance, state_bytes
from monitor.watch.columns import Change, Judged, Readings
from monitor.watch.overrides import for_fan
from monitor.watch.table import BY_ID, PRIORITIES, Condition, higher

log = logging.getLogger("monitor.worker")

MOST_MESSAGES = 5_000
"""Messages taken in one round; a commit follows at the latest after so many."""
QUIET_SECONDS, HOLD_SECONDS = 1.0, 10.0
"""After a connect the first readings are held until the queue was quiet for so long, at most so long."""
SNAPSHOT_SECONDS = 60.0
"""States are saved so often; what was fed since is fed again at start."""
ESTIMATE_SECONDS = 300.0
TICK_SECONDS = 5.0
POLL_SECONDS = 0.25
"""How often operator actions and register edits are looked for."""
REPEAT_LOG_SECONDS = 30.0
CLOCK_STEP_MS = CLOCK_STEP.total_seconds() * 1000.0
"""A clock that is put back by less stands still here until it has caught up; one put back by more is believed."""


_ASSUMED = layout.DEVICE_ASSUMED | layout.MOTOR_ASSUMED


class Link(Protocol):
    """What the worker needs of the broker."""

    inbox: Inbox
    generation: int
    connected: bool

    def ack(self, messages: Sequence[Message]) -> None: ...
    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None: ...


class Worker:
    """Owns plant, watch, alarms and all writing of them."""

    def __init__(
        self,
        database: Database,
        start: Start,
        link: Link,
        routes: Iterable[Route],
        *,
        clock: Callable[[], float] = lambda: time.time() * 1000.0,
        steady: Callable[[], float] = time.monotonic,
        commit_seconds: float = 1.0,
        public_url: str | None = None,
        stored: Callable[[], None] = lambda: None,
    ) -> None:
        """
        Parameters
        ----------
        clock : wall time [ms since 1970]
        steady : seconds since some moment, never put back
        stored : called after each commit that holds notices
        """
        self._database = database
        self._link = link
        self._routes = tuple(routes)
        self._clock = clock
        self._steady = steady
        self._commit_seconds = commit_seconds
        self._stored = stored
        self.plant = beginning.plant_from(start)
        self._book = AlarmBook(start.alarms, start.next_alarm, start.next_change)
        self._intake = Intake(
            self.plant,
            known=lambda point_id, times: readings.known(database, point_id, times),
            window=lambda point_id, from_ms, to_ms: readings.window(database, point_id, from_ms, to_ms),
        )
        self.figures = Figures(self.plant, public_url)
        beginning.feed_again(start, self.plant, self._intake.joining, self.figures, database)
        self._runs = beginning.open_runs(start, self.plant)
        self._verdicts = Verdicts(
            self.plant,
            self._book,
            steady,
            apply=self.apply,
            tell=self._tell,
            stronger=self._told_by_a_stronger,
            keep=self._keep_run,
        )
        self._verdicts.begin(start.ended_runs, start.open_runs)
        self._next_reading, self._next_run = start.next_reading, start.next_run
        self._edits = start.mark
        self._last_number: dict[int, int] = {}
        self._dirty: set[int] = set()
        self._pending = Pending()
        self._held: Sequence[Message] = ()
        """Taken from the inbox, but the database did not answer what had to be known of them."""
        self._wall_ms = 0.0
        now = steady()
        self._generation = link.generation
        self._holding_since: float | None = now if link.generation else None
        self._committed_at = self._polled_at = self._ticked_at = self._snapshot_at = self._round_at = now
        self._caught_up = True
        """Nothing waits to be taken."""
        self._estimate_due: dict[int, float] = {}
        self._silence = Silence(self.plant, steady)
        self._gaps = Gaps(self.plant, steady, self._verdicts.supplies.others, gaps.stored(database))
        self._site_silence = SiteSilence(self.plant, self._book, self._silence, self.apply)
        self._retained = Retained(self.plant, self.figures, self._book, link.publish_state, steady)
        self._complained_at = -math.inf
        self.hurry = Hurry()
        self.rounds = 0
        """Turns made: shows whether it lives."""
        self.last_commit = now
        """When it last stored something (by `steady`)."""
        self.trouble: str | None = None
        """Why nothing can be stored now, in words; None while all is well."""

    # --- one turn ----------------------------------------------------------------------------------------------

    def round(self) -> None:
        """Takes what has come, judges it, does what is due, stores it when it is time."""
        self.rounds += 1
        now = self._steady()
        if self.rounds == 1:
            self._retained.all_alarms()
        if self.trouble is None:
            if self._link.connected and self._holding_since is None and self._caught_up:
                self._silence.listen(now - self._round_at)
            self._take(now)
            if now - self._polled_at >= POLL_SECONDS:
                self._polled_at = now
                self._poll()
            if now - self._ticked_at >= TICK_SECONDS:
                self._ticked_at = now
                self._tick()
        self._round_at = now
        waited = now - self._committed_at
        if self._held and self.trouble is not None and waited >= self._commit_seconds:
            self._take(now)
        urgent = self._pending.urgent or self.hurry.now or len(self._pending.messages) >= MOST_MESSAGES
        if waited >= self._commit_seconds or (urgent and self.trouble is None):
            self.store()

    def stop(self) -> None:
        """Stores what is worked out, and the state of every fan."""
        self._snapshot()
        self.store()

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._now_ms() / 1000.0, UTC)

    def _now_ms(self) -> float:
        """Wall time. It does not go back, unless the clock itself was put back by more than a small correction."""
        now = self._clock()
        if now < self._wall_ms - CLOCK_STEP_MS:
            log.warning("the clock was put back by %.0f s", (self._wall_ms - now) / 1000.0)
            self._wall_ms = now
        self._wall_ms = max(self._wall_ms, now)
        return self._wall_ms

    # --- readings ----------------------------------------------------------------------------------------------

    def _take(self, now: float) -> None:
        link = self._link
        if link.generation != self._generation:
            self._generation = link.generation
            self._holding_since = now
        if self._held:
            messages, self._held = self._held, ()
            self.feed(messages)
            if not self._held:
                self.trouble = None
            return
        most = MOST_MESSAGES
        if self._holding_since is not None:
            held = now - self._holding_since
            if held < HOLD_SECONDS and (held < QUIET_SECONDS or link.inbox.quiet_for() < QUIET_SECONDS):
                return
            self._holding_since = None
            most = 1_000_000
        messages = link.inbox.take(most)
        self._caught_up = len(messages) < most
        self.hurry.taken(messages)
        if messages:
            self.feed(messages)

    def feed(self, messages: Sequence[Message]) -> None:
        """Judges messages and adds what comes of it to the next commit."""
        pending = self._pending
        try:
            if self._intake.strangers(messages):  # it may have been entered the moment before
                self._look_up_register()
            taken = self._take_in(messages)
        except LinkError as exc:
            self._held = messages
            self.trouble = str(exc)
            self._complain(f"{exc} Readings are held and not acknowledged meanwhile.")
            return
        pending.messages.extend(messages)
        pending.rejected.extend(_rejected(taken.refused))
        pending.newcomers.extend(
            Newcomer(one.site, one.name, int(one.at_ms), one.readings, one.last) for one in taken.newcomers
        )
        self._count(taken)
        limits = taken.limits
        fans = np.flatnonzero(limits >= 0)
        of_fans = taken.fed if len(fans) == len(limits) else taken.fed.pick(fans)
        fed = Readings(of_fans.point, of_fans.t_ms, of_fans.amps, of_fans.volts, limits[fans], of_fans.called)
        self._gaps.before(fed)
        changes, judged = advance(self.plant.states, fed, self.plant.limits)
        limit_amps = np.full(len(taken.fed), math.nan)
        limit_amps[fans] = judged.limit
        self._keep_rows(taken.fed, limits, limit_amps)
        self._keep_rows(taken.late, np.full(len(taken.late), -1, np.int32), np.full(len(taken.late), math.nan))
        numbers = np.arange(self._next_reading - len(taken.late), self._next_reading)
        self._gaps.late(taken.late.point, taken.late.t_ms, numbers)
        self.figures.add(of_fans, judged)
        self._keep_now(of_fans, limits[fans], judged)
        for change in sorted(told_once(changes), key=lambda one: (one.at_ms, one.fan)):
            self._change(change)
        self._verdicts.carry_on(fed, judged)

    def _take_in(self, messages: Sequence[Message]) -> Taken:
        """What became of messages. One that shows a fault of ours must not come back for ever and stop all others."""
        try:
            return self._intake.take(messages)
        except LinkError:
            raise
        except Exception:
            if len(messages) > 1:
                log.exception("a batch of messages could not be taken in; they are taken one by one")
                return merged([self._take_in([message]) for message in messages])
            log.exception("a message on %s could not be taken in: a fault of the monitor", messages[0].topic)
            return self._intake.refuse_all(messages, "a fault of the monitor", "please report it with this payload")

    def _count(self, taken: Taken) -> None:
        points = self.plant.points
        for rows, late in ((taken.fed, False), (taken.late, True)):
            for start, stop in stretches(rows.point):
                point = points[int(rows.point[start])]
                self._silence.heard(point)
                counts = self._pending.count(point.point_id)
                counts.readings += stop - start
                counts.late += stop - start if late else 0
                counts.newest_ms = int(self.plant.newest_ms[point.row])
                counts.heard_ms = int(self.plant.heard_ms[point.row])
                period = self.plant.period_ms_of(point)
                counts.period_seconds = None if math.isnan(period) else period / 1000.0
        for row, number in taken.repeats.items():
            self._pending.count(points[row].point_id).repeats += number
        for row, number in taken.unknown_keys.items():
            self._pending.count(points[row].point_id).unknown_keys += number
        for point, word, at_ms in taken.statuses:
            counts = self._pending.count(point.point_id)
            counts.status, counts.status_ms = word, int(at_ms)
            self.figures.say_status(point, word)

    def _keep_rows(self, rows: Rows, limits: np.ndarray, limit_amps: np.ndarray) -> None:
        if not len(rows):
            return
        first = self._next_reading
        self._next_reading += len(rows)
        ids = self.plant.point_ids[rows.point]
        versions = np.where(limits >= 0, self.plant.version_of_limits[limits], 0)
        number = np.arange(first, first + len(rows))
        self._pending.readings.append(
            ReadingRows(
                number, ids, rows.t_ms.astype(np.int64), rows.amps, rows.volts, rows.ambient_c, rows.called, limit_amps,
                versions, rows.flags.astype(np.int64),
            )
        )  # fmt: skip
        for start, stop in stretches(rows.point):
            row = int(rows.point[start])
            self._last_number[row] = first + stop - 1
            self._dirty.add(row)

    def _keep_now(self, rows: Rows, limits: np.ndarray, judged: Judged) -> None:
        for _, stop in stretches(rows.point):
            at = stop - 1
            point = self.plant.points[int(rows.point[at])]
            state = self.plant.states[point.row]
            runs = float(state[layout.RUNNING])
            running = None if runs < 0 else runs == 1.0
            since = float(state[layout.RUN_START_MS] if running else state[layout.RUN_ENDED_MS])
            limit = float(judged.limit[at])
            full = float(self.plant.limits[limits[at], layout.FULL_LIMIT])
            self._pending.fan_now[point.point_id] = FanNow(
                point.point_id, int(rows.t_ms[at]), int(rows.received_ms[at]), tuple(rows.amps[at].tolist()),
                tuple(rows.volts[at].tolist()), float(rows.ambient_c[at]), limit, float(judged.ratio[at]),
                float(judged.unbalance[at]), limit / full, running, None if math.isnan(since) else int(since),
                int(rows.flags[at]), float(judged.motor_heat[at]), float(judged.device_heat[at]),
                float(judged.seconds_to_trip[at]),
                int(state[layout.ASSUMED_MS]) if int(judged.flags[at]) & _ASSUMED else None,
            )  # fmt: skip

    # --- changes -----------------------------------------------------------------------------------------------

    def _change(self, change: Change) -> None:
        point = self.plant.points[change.fan]
        if change.what == layout.RUN_STARTED:
            run = Run(self._next_run, point.point_id, int(change.at_ms), change.setpoint == 1.0)
            self._next_run += 1
            self._runs[point.row] = run
            self._keep_run(run)
            self._verdicts.started(point, run)
        elif change.what == layout.RUN_ENDED:
            open_run = self._runs.pop(point.row, None)
            if open_run is not None:
                ended = replace(
                    open_run, end_ms=int(change.at_ms), end_seen=change.setpoint == 1.0,
                    peak_amps=_or_none(change.peak), peak_ratio=_or_none(change.value), gap_ms=change.gap_ms,
                )  # fmt: skip
                self._keep_run(ended)
                if change.ending is not None:
                    self._verdicts.ended(point, ended, change.ending)
        elif not self._verdicts.takes(point, change):
            self._tell(point, change)

    def _keep_run(self, run: Run) -> None:
        self._pending.runs[run.number] = run

    def _tell(self, point: Point, change: Change, *, quiet: bool = False) -> None:
        """Takes a change of a condition to its alarm; a quiet one rings nobody awake."""
        about = About(point.site, point.name, None, change.condition or "")
        event: Event
        if change.what in (layout.RAISED, layout.HOTTER):
            judged_by = self.plant.version_at(point, change.at_ms)
            row = for_fan(judged_by.nameplate.conditions)[about.condition]
            event = Raised(
                row.id, _time(change.at_ms), _time(change.since_ms), change.value, change.setpoint, change.peak,
                PRIORITIES[0] if quiet else priority_of(row, change), row.rings and not quiet,
            )  # fmt: skip
        else:
            watched = change.what == layout.CLEARED or self._told_by_a_stronger(point, about)
            event = Returned(_time(change.at_ms), _or_none(change.peak), watched)
        self.apply(point, about, event)

    def _told_by_a_stronger(self, point: Point, about: About) -> bool:
        """Whether a stronger condition of the fan stands: then the weaker one is over, and is told by it."""
        return not set(self._standing(point)).isdisjoint(BY_ID[about.condition].not_while)

    def _standing(self, point: Point) -> list[str]:
        """Conditions of a fan that stand; a lost supply may stand as the alarm of its supply point."""
        names = [one.condition for one in self._book.standing(point.site, point.name)]
        if point.kind == "fan" and "supply-lost" not in names and self._verdicts.supplies.lost(point):
            names.append("supply-lost")
        return names

    def apply(self, point: Point, about: About, event: Event) -> Alarm | None:
        """Takes an event to its alarm, and what follows from it into the next commit."""
        now = self._now()
        alarm, change, wanted = self._book.apply(about, event, now)
        return self._keep_alarm(point, alarm, change, wanted, now)

    def _keep_alarm(
        self, point: Point, alarm: Alarm | None, change: AlarmChange | None, wanted: Sequence[Wanted], now: datetime
    ) -> Alarm | None:
        if alarm is None:
            return None
        pending = self._pending
        story = self.figures.story(point, alarm, self._standing(point), now)
        story = replace(story, **self._verdicts.words(point, alarm), **self._site_silence.words(alarm))
        watched = change is None or change.cause != Cause.NO_LONGER_WATCHED
        alarm = replace(alarm, text=line(alarm, story, watched=watched))
        self._book.keep(alarm)
        pending.alarms[alarm.number] = alarm
        if change is not None:
            pending.changes.append(change)
            pending.urgent = True
            for one in wanted:
                pending.notices.extend(notices_for(one, alarm, change, story, self._routes, now))
            if story.estimate is not None:
                pending.estimates[point.point_id] = (int(now.timestamp() * 1000), story.estimate)
            pending.told.add(point.row)
        return alarm

    # --- by the clock ------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        now = self._now()
        for alarm in self._book.due(now):
            point = self.plant.point_about(alarm.site, alarm.fan or alarm.supply)
            if point is not None:
                alarm_after, change, wanted = self._book.tick(alarm, now)
                self._keep_alarm(point, alarm_after, change, wanted, now)
        watched = self._silence.watched()
        for alarm in self._book.all_standing():
            point = self.plant.point_about(alarm.site, alarm.fan or alarm.supply)
            if point is not None and not of_a_group(alarm) and point.row not in watched:
                self.apply(point, alarm.about, Returned(now, watched=False))
        listening = self._link.connected and self._holding_since is None
        self._verdicts.tick(listening and self._caught_up)
        if listening:
            told_together = self._site_silence.look(watched, self._now_ms())
            self._site_silence.not_run(self._now_ms())
            heard = [self.plant.points[row] for row in watched]
            wrong_clocks.look(heard, self._intake.clocks, self._book, self.apply, self._now_ms())
            for row in watched:
                if row in told_together:
                    continue
                point, about = self.plant.points[row], about_silence(self.plant.points[row])
                event = self._silence.look(point, self._book.get(about), self._now_ms())
                if event is not None:
                    self.apply(point, about, event)
        for point in self.plant.fans():
            self._estimate(point)
        self._judge_a_gap()
        if self._steady() - self._snapshot_at >= SNAPSHOT_SECONDS:
            self._snapshot()

    def _judge_a_gap(self) -> None:
        """A gap that readings have filled late, if one is due: what is found in it is told once, and alters nothing."""
        kept = self._gaps.due()
        if kept is None:
            return
        others = self._verdicts.supplies.others
        try:
            number, found = backfill.look(self._database, self.plant, others, kept.point, kept.gap)
        except LinkError as exc:
            self._complain(str(exc))
            number, found = 0, ()
        except Exception:  # it would come back after every start: looking back must never cost the watch
            log.exception("a gap of %s could not be judged: a fault of the monitor", kept.point.name)
            number, found = kept.gap.late_number, ()
        if number < kept.gap.late_number:  # not all of it is stored
            self._gaps.put_off(kept)
            return
        if found and not kept.gap.told:
            told = backfill.found_late(
                self.plant, kept.point, kept.gap, found, self._now(), self.figures.page(kept.point)
            )  # fmt: skip
            self._pending.notices.extend(found_late.notices(told, self._routes))
            self._pending.urgent = True
        self._gaps.looked(kept, number, [found_late.as_json(one) for one in found], told=bool(found))

    def _estimate(self, point: Point) -> None:
        now = self._steady()
        due = self._estimate_due.setdefault(point.row, now + point.row * 7 % 60)
        if now < due:
            return
        self._estimate_due[point.row] = now + ESTIMATE_SECONDS
        answer, _ = self.figures.estimate(point)
        if answer is not None:
            self._pending.estimates[point.point_id] = (int(self._now_ms()), answer)

    def _snapshot(self) -> None:
        self._snapshot_at = self._steady()
        for row in self._dirty:
            point = self.plant.points[row]
            if point.kind == "fan":
                saved = state_bytes(self.plant.states[row])
                self._pending.states[point.point_id] = (self._last_number[row], layout.STATE_FORMAT, saved)
        self._dirty.clear()

    # --- what people did ---------------------------------------------------------------------------------------

    def _poll(self) -> None:
        try:
            undone = actions.undone(self._database)
            self._look_up_register()
        except LinkError as exc:
            self._complain(str(exc))
            return
        done = {one.number for one in self._pending.actions_done}
        for action in undone:
            if action.number not in done:
                outcome = orders.carry_out(action, self._book, self.plant, self.apply)
                self._pending.actions_done.append(Done(action.number, int(self._now_ms()), outcome))
                self._pending.urgent = True

    def _look_up_register(self) -> None:
        """Takes up what was edited in the register since the last look; LinkError when the database does not answer."""
        edits = register.changed_since(self._database, self._edits)
        if edits:
            self._edits = edits.mark
            for point_id, version in orders.take_up(edits, self.plant):
                self._pending.applied[(point_id, version.number)] = int(version.applies_from_ms)
                if version.removed:
                    self._pending.told.add(self.plant.by_id[point_id].row)
            self.figures.grown()
            self._pending.urgent = True

    # --- storing -----------------------------------------------------------------------------------------------

    def store(self) -> bool:
        """Stores all that is pending, then acknowledges and publishes; false when it could not be stored."""
        pending = self._pending
        pending.gaps = self._gaps.unstored()
        self._committed_at = self._steady()
        if pending.empty:
            return True
        try:
            commit(self._database, pending.batch())
        except LinkError as exc:
            self.trouble = str(exc)
            self._complain(f"{exc} Readings are held and not acknowledged meanwhile.")
            return False
        if self.trouble is not None:
            log.warning("the database takes readings again")
            self.trouble = None
        self._pending = Pending()
        self.last_commit = self._steady()
        self._intake.stored()
        self._gaps.stored()
        self._link.ack(pending.messages)
        self.hurry.acknowledged(len(pending.messages), self._clock())
        for row in pending.told:
            self._retained.alarms(self.plant.points[row])
        for point_id in pending.fan_now:
            self._retained.state(self.plant.by_id[point_id])
        if pending.notices:
            self._stored()
        return True

    def _complain(self, text: str) -> None:
        now = self._steady()
        if now - self._complained_at >= REPEAT_LOG_SECONDS:
            self._complained_at = now
            log.error(text)


def _rejected(refused: Sequence[Refused]) -> list[Rejected]:
    return [
        Rejected(int(one.at_ms), one.topic, one.site, one.name, one.reason, one.detail, one.payload[:400], one.count)
        for one in refused
    ]


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
