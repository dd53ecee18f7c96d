"""The one owner of the watch: messages in, judged, stored in one transaction, only then acknowledged.

`round` does one turn and returns; who calls it (a thread, a test) decides how often. Time comes in through `clock`.
"""

from __future__ import annotations

import json
import logging
import math
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Protocol

import numpy as np

from monitor.alarms.alarm import About, Alarm, AlarmChange, Event, Raised, Returned, Wanted
from monitor.alarms.routes import Route, notices_for
from monitor.alarms.wording import line
from monitor.errors import LinkError
from monitor.links.mqtt import Inbox, Message
from monitor.records import actions, readings, register
from monitor.records.commit import commit
from monitor.records.database import Database
from monitor.records.rows import Done, FanNow, Newcomer, ReadingRows, Rejected, Run
from monitor.records.start import Start
from monitor.service import beginning, orders
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures, alarms_message, state_message
from monitor.service.intake import Intake, Refused, Rows, Taken, merged
from monitor.service.pending import Pending
from monitor.service.plant import Point
from monitor.watch import layout
from monitor.watch.advance import advance, state_bytes
from monitor.watch.columns import Change, Judged, Readings
from monitor.watch.table import for_fan, turned_off
from monitor.watch.tick import Heard, is_overdue

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
STATE_EVERY_SECONDS = 60.0
"""A fan's retained MQTT state is published when it changes in kind, and so often otherwise."""
REPEAT_LOG_SECONDS = 30.0


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
        commit_seconds: float = 1.0,
        public_url: str | None = None,
        stored: Callable[[], None] = lambda: None,
    ) -> None:
        """
        Parameters
        ----------
        clock : wall time [ms since 1970]
        stored : called after each commit that holds notices
        """
        self._database = database
        self._link = link
        self._routes = tuple(routes)
        self._clock = clock
        self._commit_seconds = commit_seconds
        self._stored = stored
        self.plant = beginning.plant_from(start)
        self._book = AlarmBook(start.alarms, start.next_alarm, start.next_change)
        self._intake = Intake(
            self.plant,
            known=lambda point_id, times: readings.known(database, point_id, times),
            earlier=lambda point_id, t_ms: readings.at_or_before(database, point_id, t_ms),
        )
        self.figures = Figures(self.plant, public_url)
        beginning.feed_again(start, self.plant, self._intake, self.figures, database)
        self._runs = beginning.open_runs(start, self.plant)
        self._next_reading, self._next_run = start.next_reading, start.next_run
        self._edits = start.mark
        self._last_number: dict[int, int] = {}
        self._dirty: set[int] = set()
        self._pending = Pending()
        self._wall_ms = 0.0
        self._generation = link.generation
        self._holding_since: float | None = time.monotonic() if link.generation else None
        now = time.monotonic()
        self._committed_at = self._polled_at = self._ticked_at = self._snapshot_at = now
        self._silence_from_ms = clock()
        self._estimate_due: dict[int, float] = {}
        self._published: dict[int, tuple[bool, float]] = {}
        self._complained_at = -math.inf
        self.rounds = 0
        """Turns made: shows whether it lives."""
        self.last_commit = time.monotonic()
        """When it last stored something (time.monotonic)."""
        self.trouble: str | None = None
        """Why nothing can be stored now, in words; None while all is well."""

    # --- one turn ----------------------------------------------------------------------------------------------

    def round(self) -> None:
        """Takes what has come, judges it, does what is due, stores it when it is time."""
        self.rounds += 1
        now = time.monotonic()
        if self.trouble is None:
            self._take()
            if now - self._polled_at >= POLL_SECONDS:
                self._polled_at = now
                self._poll()
            if now - self._ticked_at >= TICK_SECONDS:
                self._ticked_at = now
                self._tick()
        waited = now - self._committed_at
        urgent = self._pending.urgent or len(self._pending.messages) >= MOST_MESSAGES
        if waited >= self._commit_seconds or (urgent and self.trouble is None):
            self.store()

    def stop(self) -> None:
        """Stores what is worked out, and the state of every fan."""
        self._snapshot()
        self.store()

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._now_ms() / 1000.0, UTC)

    def _now_ms(self) -> float:
        """Wall time that never goes back: a clock that was put back stands still here until it has caught up."""
        self._wall_ms = max(self._wall_ms, self._clock())
        return self._wall_ms

    # --- readings ----------------------------------------------------------------------------------------------

    def _take(self) -> None:
        link = self._link
        if link.generation != self._generation:
            self._generation = link.generation
            self._holding_since = time.monotonic()
            self._silence_from_ms = self._now_ms()  # the link was away: that silence is not the loggers'
        most = MOST_MESSAGES
        if self._holding_since is not None:
            held = time.monotonic() - self._holding_since
            if held < HOLD_SECONDS and (held < QUIET_SECONDS or link.inbox.quiet_for() < QUIET_SECONDS):
                return
            self._holding_since = None
            most = 1_000_000
        messages = link.inbox.take(most)
        if messages:
            self.feed(messages)

    def feed(self, messages: Sequence[Message]) -> None:
        """Judges messages and adds what comes of it to the next commit."""
        pending = self._pending
        pending.messages.extend(messages)
        taken = self._take_in(messages)
        pending.rejected.extend(_rejected(taken.refused))
        pending.newcomers.extend(
            Newcomer(one.site, one.name, int(one.at_ms), one.readings, one.last) for one in taken.newcomers
        )
        self._count(taken)
        limits = self.plant.limits_at(taken.fed.point, taken.fed.t_ms)
        fans = np.flatnonzero(limits >= 0)
        of_fans = taken.fed if len(fans) == len(limits) else taken.fed.pick(fans)
        fed = Readings(of_fans.point, of_fans.t_ms, of_fans.amps, of_fans.volts, limits[fans])
        changes, judged = advance(self.plant.states, fed, self.plant.limits)
        limit_amps = np.full(len(taken.fed), math.nan)
        limit_amps[fans] = judged.limit
        self._keep_rows(taken.fed, limits, limit_amps)
        self._keep_rows(taken.late, np.full(len(taken.late), -1, np.int32), np.full(len(taken.late), math.nan))
        self.figures.add(of_fans, judged)
        self._keep_now(of_fans, judged)
        for change in sorted(changes, key=lambda one: (one.at_ms, one.fan)):
            self._change(change)

    def _take_in(self, messages: Sequence[Message]) -> Taken:
        """What became of messages. One that shows a fault of ours must not come back for ever and stop all others."""
        try:
            return self._intake.take(messages)
        except Exception:
            if len(messages) > 1:
                log.exception("a batch of messages could not be taken in; they are taken one by one")
                return merged([self._take_in([message]) for message in messages])
            log.exception("a message on %s could not be taken in: a fault of the monitor", messages[0].topic)
            return self._intake.refuse_all(messages, "a fault of the monitor", "please report it with this payload")

    def _count(self, taken: Taken) -> None:
        points = self.plant.points
        for rows, late in ((taken.fed, False), (taken.late, True)):
            for row, number in zip(*np.unique(rows.point, return_counts=True), strict=True):
                point = points[int(row)]
                counts = self._pending.count(point.point_id)
                counts.readings += int(number)
                counts.late += int(number) if late else 0
                newest, heard = self.plant.newest_ms[point.row], self.plant.heard_ms[point.row]
                counts.newest_ms = int(newest) if math.isfinite(newest) else None
                counts.heard_ms = int(heard)
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
        for row in np.unique(rows.point):
            last = int(np.flatnonzero(rows.point == row)[-1])
            self._last_number[int(row)] = first + last
            self._dirty.add(int(row))

    def _keep_now(self, rows: Rows, judged: Judged) -> None:
        if not len(rows):
            return
        for at in np.flatnonzero(np.append(rows.point[1:] != rows.point[:-1], True)):
            point = self.plant.points[int(rows.point[at])]
            state = self.plant.states[point.row]
            running = None if state[layout.RUNNING] < 0 else bool(state[layout.RUNNING])
            since = state[layout.RUN_START_MS] if running else state[layout.RUN_ENDED_MS]
            unbalance = float(judged.unbalance[at])
            full = float(self.plant.limits[self.plant.limits_of[point.row], layout.FULL_LIMIT])
            self._pending.fan_now[point.point_id] = FanNow(
                point.point_id, int(rows.t_ms[at]), int(rows.received_ms[at]), _three(rows.amps[at]),
                _three(rows.volts[at]), float(rows.ambient_c[at]), float(judged.limit[at]), float(judged.ratio[at]),
                unbalance, float(judged.limit[at]) / full, running, None if math.isnan(since) else int(since),
                int(rows.flags[at]),
            )  # fmt: skip

    # --- changes -----------------------------------------------------------------------------------------------

    def _change(self, change: Change) -> None:
        point = self.plant.points[change.fan]
        if change.what == layout.RUN_STARTED:
            run = Run(self._next_run, point.point_id, int(change.at_ms), change.setpoint == 1.0)
            self._next_run += 1
            self._runs[point.row] = run
            self._pending.runs[run.number] = run
        elif change.what == layout.RUN_ENDED:
            open_run = self._runs.pop(point.row, None)
            if open_run is not None:
                ended = replace(
                    open_run, end_ms=int(change.at_ms), end_seen=change.setpoint == 1.0,
                    peak_amps=_or_none(change.peak), peak_ratio=_or_none(change.value), gap_ms=change.gap_ms,
                )  # fmt: skip
                self._pending.runs[ended.number] = ended
        else:
            about = About(point.site, point.name, None, change.condition or "")
            event: Event
            if change.what == layout.RAISED:
                nameplate = point.nameplate
                row = for_fan(nameplate.conditions if nameplate else {})[about.condition]
                event = Raised(
                    row.id, _time(change.at_ms), _time(change.since_ms), change.value, change.setpoint, change.peak,
                    row.priority, row.rings,
                )  # fmt: skip
            else:
                event = Returned(_time(change.at_ms), _or_none(change.peak))
            self.apply(point, about, event)

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
        standing = [one.condition for one in self._book.standing(point.site, point.name)]
        story = self.figures.story(point, alarm, standing, now)
        alarm = replace(alarm, text=line(alarm, story))
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
        now_ms, now = self._now_ms(), self._now()
        for alarm in self._book.due(now):
            point = self.plant.by_name.get((alarm.site, alarm.fan or alarm.supply or ""))
            if point is not None:
                alarm_after, change, wanted = self._book.tick(alarm, now)
                self._keep_alarm(point, alarm_after, change, wanted, now)
        if self._link.connected and self._holding_since is None:
            for point in self.plant.points:
                self._silence(point, now_ms)
        for point in self.plant.fans():
            self._estimate(point, now_ms)
        if time.monotonic() - self._snapshot_at >= SNAPSHOT_SECONDS:
            self._snapshot()

    def _silence(self, point: Point, now_ms: float) -> None:
        """Whether a logger is overdue, or is heard again."""
        about = _about(point, "logger-overdue")
        alarm = self._book.get(about)
        standing = alarm is not None and alarm.state.stands
        conditions = point.nameplate.conditions if point.nameplate else {}
        row = for_fan(conditions)["logger-overdue"]
        last_heard = float(self.plant.heard_ms[point.row])
        if math.isnan(last_heard) or point.removed:
            return
        period = self.plant.period_ms_of(point)
        heard = Heard(
            max(last_heard, self._silence_from_ms), None if math.isnan(period) else period / 1000.0, overdue=standing
        )
        if standing:
            assert alarm is not None
            if last_heard > alarm.heard.timestamp() * 1000.0 or turned_off(conditions, row.id):
                self.apply(point, about, Returned(_time(last_heard)))
        elif is_overdue(heard, now_ms, row) and not turned_off(conditions, row.id):
            # A fan last seen stopped misses nothing for now: it can wait for the morning.
            stopped = point.kind == "fan" and self.plant.states[point.row][layout.RUNNING] != 1.0
            priority = "low" if stopped else row.priority
            silent = (now_ms - last_heard) / 1000.0
            at = _time(now_ms)
            self.apply(point, about, Raised(row.id, at, _time(last_heard), silent, None, silent, priority, row.rings))

    def _estimate(self, point: Point, now_ms: float) -> None:
        due = self._estimate_due.setdefault(point.row, now_ms + 1000.0 * (point.row * 7 % 60))
        if now_ms < due:
            return
        self._estimate_due[point.row] = now_ms + 1000.0 * ESTIMATE_SECONDS
        answer, _ = self.figures.estimate(point)
        if answer is not None:
            self._pending.estimates[point.point_id] = (int(now_ms), answer)

    def _snapshot(self) -> None:
        self._snapshot_at = time.monotonic()
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
            edits = register.changed_since(self._database, self._edits)
        except LinkError as exc:
            self._complain(str(exc))
            return
        if edits:
            self._edits = edits.mark
            for point_id, version in orders.take_up(edits, self.plant):
                self._pending.applied[(point_id, version.number)] = int(version.applies_from_ms)
            self.figures.grown()
            self._pending.urgent = True
        done = {one.number for one in self._pending.actions_done}
        for action in undone:
            if action.number not in done:
                outcome = orders.carry_out(action, self._book, self.plant, self.apply)
                self._pending.actions_done.append(Done(action.number, int(self._now_ms()), outcome))
                self._pending.urgent = True

    # --- storing -----------------------------------------------------------------------------------------------

    def store(self) -> bool:
        """Stores all that is pending, then acknowledges and publishes; false when it could not be stored."""
        pending = self._pending
        self._committed_at = time.monotonic()
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
        self.last_commit = time.monotonic()
        self._link.ack(pending.messages)
        for row in pending.told:
            self._publish_alarms(self.plant.points[row])
        for point_id in pending.fan_now:
            self._publish_state(self.plant.by_id[point_id])
        if pending.notices:
            self._stored()
        return True

    def _publish_state(self, point: Point) -> None:
        seen = self.figures.last(point)
        if seen is None:
            return
        running = bool(self.plant.states[point.row][layout.RUNNING] == 1.0)
        was, at = self._published.get(point.row, (None, -math.inf))
        now = time.monotonic()
        if running == was and now - at < STATE_EVERY_SECONDS:
            return
        self._published[point.row] = (running, now)
        message = state_message(point, seen, running, self._book.standing(point.site, point.name))
        self._link.publish_state(f"{point.site}/{point.name}/state", json.dumps(message).encode())

    def _publish_alarms(self, point: Point) -> None:
        message = alarms_message(point, self._book.standing(point.site, point.name))
        self._link.publish_state(f"{point.site}/{point.name}/alarms", json.dumps(message).encode())
        self._published.pop(point.row, None)

    def _complain(self, text: str) -> None:
        now = time.monotonic()
        if now - self._complained_at >= REPEAT_LOG_SECONDS:
            self._complained_at = now
            log.error(text)


def _about(point: Point, condition: str) -> About:
    if point.kind == "fan":
        return About(point.site, point.name, None, condition)
    return About(point.site, None, point.name, condition)


def _rejected(refused: Sequence[Refused]) -> list[Rejected]:
    return [
        Rejected(int(one.at_ms), one.topic, one.site, one.name, one.reason, one.detail, one.payload[:400])
        for one in refused
    ]


def _three(values: np.ndarray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
