"""The one owner of the watch: messages in, judged, stored in one transaction, only then acknowledged.

`round` does one turn and returns; who calls it (a thread, a test) decides how often. Wall time comes in through `clock`
and only stamps things; what is measured (silence, what is due) is measured by `steady`, which nobody can put back.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

import numpy as np

from monitor.alarms import found_late
from monitor.alarms.alarm import CLOCK_STEP, Returned, Tick
from monitor.alarms.routes import Route
from monitor.errors import LinkError
from monitor.links.mqtt import Inbox, Message
from monitor.records import acknowledge_links, actions, gaps, readings, register
from monitor.records.actions import IMPORT, Action
from monitor.records.commit import commit
from monitor.records.database import Database
from monitor.records.look_notices import TEST_KIND
from monitor.records.rows import Done
from monitor.records.start import Start
from monitor.service import backfill, beginning, broker_away, by_link, importing, orders, route_tests, wrong_clocks
from monitor.service.blind import Blind, blind, in_service
from monitor.service.book import AlarmBook
from monitor.service.changes import Changes
from monitor.service.daily import Daily
from monitor.service.downtime import SignOfLife
from monitor.service.estimates import Estimates
from monitor.service.figures import Figures
from monitor.service.gaps import Gaps
from monitor.service.hurry import Hurry
from monitor.service.intake import Intake, Taken, merged
from monitor.service.jobs import KINDS as JOB_KINDS
from monitor.service.jobs import Jobs
from monitor.service.keeping import Keeping
from monitor.service.metrics import Counts
from monitor.service.nights import Nights
from monitor.service.pending import Pending
from monitor.service.retained import Retained
from monitor.service.service_book import KIND as SERVICE
from monitor.service.service_book import ServiceBook
from monitor.service.silence import Silence, about_silence
from monitor.service.site_silence import of_a_group
from monitor.service.upkeep import Facts, Upkeep
from monitor.service.week import Week
from monitor.watch import layout
from monitor.watch.advance import advance
from monitor.watch.columns import Readings

log = logging.getLogger("monitor.worker")

MOST_MESSAGES = 5_000
"""Messages taken in one round; a commit follows at the latest after so many."""
QUIET_SECONDS, HOLD_SECONDS = 1.0, 10.0
"""After a connect the first readings are held until the queue was quiet for so long, at most so long."""
SNAPSHOT_SECONDS = 300.0
"""States are saved so often; what was fed since is fed again at start."""
TICK_SECONDS = 5.0
POLL_SECONDS = 0.25
"""How often operator actions and register edits are looked for."""
REPEAT_LOG_SECONDS = 30.0
CLOCK_STEP_MS = CLOCK_STEP.total_seconds() * 1000.0
"""A clock that is put back by less stands still here until it has caught up; one put back by more is believed."""


@dataclass(frozen=True)
class Watched:
    """How many fans a worker watches."""

    fans: int = 0
    """In the register and in service."""
    running: int = 0
    """Running at their last reading ..."""
    silent: int = 0
    """... and of those, not heard for longer than their loggers may be silent."""


class Link(broker_away.Link, Protocol):
    """What the worker needs of the broker."""

    inbox: Inbox
    generation: int
    session_kept: bool | None

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
        acknowledge_link: Callable[[str], str] | None = None,
        addresses_shown: Mapping[str, Sequence[str]] | None = None,
        stored: Callable[[], None] = lambda: None,
        upkeep: Callable[[], Facts] = Facts,
    ) -> None:
        """
        Parameters
        ----------
        clock : wall time [ms since 1970]
        steady : seconds since some moment, never put back
        addresses_shown : route -> its addresses without their secrets
        acknowledge_link : address by which a notice of an id is acknowledged; None: nobody could open one
        stored : called after each commit that holds notices
        upkeep : how the computer is, asked at each tick
        """
        self._database = database
        self._link = link
        self._clock = clock
        self._steady = steady
        self._commit_seconds = commit_seconds
        self._stored = stored
        self._addresses_shown = addresses_shown or {}
        self._routes = tuple(routes)
        self._wall_ms = 0.0
        self.plant = beginning.plant_from(start)
        self._pending = Pending()
        self._book = AlarmBook(start.alarms, start.next_alarm, start.next_change)
        self._intake = Intake(
            self.plant,
            known=lambda point_id, times: readings.known(database, point_id, times),
            window=lambda point_id, from_ms, to_ms: readings.window(database, point_id, from_ms, to_ms),
        )
        self._service = ServiceBook(
            database, self.plant, self._pending, now=self._now, steady=steady, since_ms=start.newest_row_ms or 0
        )
        self._jobs = Jobs(database, self.plant, self._pending, self._now)
        self.figures = Figures(self.plant, public_url, self._service.known, self._service.work)
        beginning.feed_again(start, self.plant, self._intake.joining, self.figures, database)
        self.figures.nights = Nights(self.plant, database, self._now())
        self.week = Week(database, self.plant, self.figures)
        """For idle turns: the last seven days of each fan."""
        self._silence = Silence(self.plant, steady)
        self._keeping = Keeping(self.plant, self._pending, self._silence, self.figures, start, steady)
        self._estimates = Estimates(self.plant, self.figures, self._pending, steady)
        self._changes = Changes(
            self.plant, self._pending, self._book, self.figures, self._estimates, self._silence, start, self._routes,
            self.figures.nights, now=self._now, steady=steady, link=acknowledge_link,
        )  # fmt: skip
        maintenance, send = self._changes.maintenance, self._changes.tellings.send
        self._broker_watch = broker_away.BrokerWatch(
            start.cursors, link, self.plant, maintenance, send, now_ms=self._now_ms, steady=steady, page=public_url
        )
        self._life = SignOfLife(
            start.cursors, start.newest_row_ms, self.plant, maintenance, send, now_ms=self._now_ms, steady=steady,
            newest_heard_ms=self._silence.newest_heard_ms, broker_keeps=lambda: link.session_kept, page=public_url,
        )  # fmt: skip
        self._upkeep = Upkeep(
            start.cursors, upkeep, self.plant, maintenance, send, now_ms=self._now_ms, steady=steady, page=public_url
        )
        self._daily = Daily(
            database, self.plant, self._pending, self._book, self.figures, self._changes.tellings, start.cursors,
            maintenance, away_since=lambda: self._broker_watch.since,
        )  # fmt: skip
        self._gaps = Gaps(self.plant, steady, self._changes.verdicts.supplies.others, gaps.stored(database))
        self._retained = Retained(self.plant, self.figures, self._book, link.publish_state, steady)
        self._edits = start.mark
        self._held: Sequence[Message] = ()
        """Taken from the inbox, but the database did not answer what had to be known of them."""
        now = steady()
        self._generation = link.generation
        self._holding_since: float | None = now if link.generation else None
        self._committed_at = self._polled_at = self._ticked_at = self._snapshot_at = self._round_at = now
        self._caught_up = True
        """Nothing waits to be taken."""
        self._complained_at = -math.inf
        self.hurry = Hurry()
        self.rounds = 0
        """Turns made: shows whether it lives."""
        self.last_commit = now
        """When it last stored something (by `steady`)."""
        self.trouble: str | None = None
        """Why nothing can be stored now, in words; None while all is well."""
        self.went_round = self.tried = self.all_stored = now
        """When it last ended a turn, tried to store, and had nothing left that is not stored (by `steady`)."""
        self.counts = Counts()
        self.watched = Watched()
        """How many fans it watches, for others to read."""
        self.whom: Blind | None = None
        """Whom it concerns if it does not."""

    # --- one turn ----------------------------------------------------------------------------------------------

    def round(self) -> None:
        """Takes what has come, judges it, does what is due, stores it when it is time."""
        self.rounds += 1
        now = self._steady()
        if self.rounds == 1:
            self._look_who_is_late()
            self._retained.publish()
        if self.trouble is None:
            hears = self._link.connected and self._holding_since is None and self._caught_up
            if hears and not self._broker_watch.away:
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
        self.went_round = self._steady()

    def stop(self) -> None:
        """Stores what is worked out, and the state of every fan."""
        self._snapshot()
        self._keeping.count_now()
        self._life.stop(self._pending.cursors)
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
        try:
            if self._intake.strangers(messages):  # it may have been entered the moment before
                self._look_up_register()
            taken = self._take_in(messages)
        except LinkError as exc:
            self._held = messages
            self.trouble = str(exc)
            self._complain(f"{exc} Readings are held and not acknowledged meanwhile.")
            return
        self._pending.messages.extend(messages)
        self._keeping.taken(taken)
        limits = taken.limits
        fans = np.flatnonzero(limits >= 0)
        of_fans = taken.fed if len(fans) == len(limits) else taken.fed.pick(fans)
        fed = Readings(of_fans.point, of_fans.t_ms, of_fans.amps, of_fans.volts, limits[fans], of_fans.called)
        self._gaps.before(fed)
        changes, judged = advance(self.plant.states, fed, self.plant.limits)
        self._keeping.rows(taken.fed, limits, judged)
        self._keeping.rows(taken.late, taken.late_limits)
        next_reading = self._keeping.next_reading
        numbers = np.arange(next_reading - len(taken.late), next_reading)
        self._gaps.late(taken.late.point, taken.late.t_ms, numbers)
        self.figures.add(of_fans, judged)
        self._keeping.now(of_fans, limits[fans], judged)
        self._changes.take(changes)
        self._changes.verdicts.carry_on(fed, judged)
        heard = np.unique(fed.fan).tolist()
        self._changes.opened.look(heard)
        self._changes.growing.look(heard)

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

    # --- by the clock ------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        now = self._now()
        self._broker_watch.look(self._pending.cursors)
        self._life.look()
        self._upkeep.look(self._pending.cursors)
        listening = self._link.connected and self._holding_since is None
        self._changes.maintenance.tick()
        self._changes.plans.tick()
        self._changes.by_design.look(listening)
        for alarm in self._book.due(now):
            point = self.plant.point_about(alarm.site, alarm.fan or alarm.supply)
            if point is not None:
                self._changes.apply(point, alarm.about, Tick())
        watched = self._silence.watched()
        for alarm in self._book.all_standing():
            point = self.plant.point_about(alarm.site, alarm.fan or alarm.supply)
            if point is not None and not of_a_group(alarm) and point.row not in watched:
                self._changes.apply(point, alarm.about, Returned(now, watched=False))
        self._changes.verdicts.tick(listening and self._caught_up)
        if listening:
            told_together = self._changes.site_silence.look(watched, self._now_ms())
            self._changes.site_silence.not_run(self._now_ms())
            heard = [self.plant.points[row] for row in watched]
            wrong_clocks.look(heard, self._intake.clocks, self._book, self._changes.apply, self._now_ms())
            for row in watched:
                if row in told_together:
                    continue
                point, about = self.plant.points[row], about_silence(self.plant.points[row])
                event = self._silence.look(point, self._book.get(about), self._now_ms())
                if event is not None:
                    self._changes.apply(point, about, event)
        try:
            self._changes.supper.look(now, listening and self._caught_up)
            self._daily.look(now)
        except LinkError as exc:
            self._complain(str(exc))
        self._estimates.look(self._now_ms())
        self._judge_a_gap()
        try:
            self._service.look_again()
        except LinkError as exc:
            self._complain(str(exc))
        if self._steady() - self._snapshot_at >= SNAPSHOT_SECONDS:
            self._snapshot()
        self._look_who_is_late()

    def _look_who_is_late(self) -> None:
        """Whose readings are too old to go by."""
        now_ms = self._now_ms()
        fans = in_service(self.plant, self._changes.maintenance)
        running = [point for point in fans if self.plant.states[point.row][layout.RUNNING] == 1.0]
        silent = sum(self._silence.overdue(point) for point in running)
        self.watched = Watched(len(fans), len(running), silent)
        self.whom = blind(self.plant, self._changes.maintenance)
        self._retained.stale({point.row for point in self.plant.fans() if self._silence.overdue(point, now_ms)})

    def _judge_a_gap(self) -> None:
        """A gap that readings have filled late, if one is due: what is found in it is told once, and alters nothing."""
        kept = self._gaps.due()
        if kept is None:
            return
        others = self._changes.verdicts.supplies.others
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
            self._changes.tellings.send(
                found_late.KIND, found_late.key(told), found_late.texts(told), told.now,
                site=told.site, priority=told.priority, rings=told.rings,
            )  # fmt: skip
        self._gaps.looked(kept, number, [found_late.as_json(one) for one in found], told=bool(found))

    def _snapshot(self) -> None:
        self._snapshot_at = self._steady()
        self._keeping.snapshot()

    # --- what people did ---------------------------------------------------------------------------------------

    def _poll(self) -> None:
        try:
            undone = actions.undone(self._database)
            self._look_up_register()
            self._service.refresh()
            done = {one.number for one in self._pending.actions_done}
            self._carry_out([action for action in undone if action.number not in done])
        except LinkError as exc:
            self._complain(str(exc))

    def _carry_out(self, undone: Sequence[Action]) -> None:
        for action in undone:
            outcome: str | None
            if action.kind == IMPORT:
                done = self._import(action)
                if done is not None:
                    self._pending.actions_done.append(done)
                    self._pending.urgent = True
                continue
            if action.kind == SERVICE:
                outcome = self._service.carry_out(action)
            elif action.kind in JOB_KINDS:
                outcome = self._jobs.carry_out(action)
            elif action.kind == TEST_KIND:
                outcome = route_tests.carry_out(
                    action, self._changes.tellings, self._addresses_shown, self.plant, self._now()
                )
            elif action.kind == acknowledge_links.KIND:
                outcome = by_link.carry_out(
                    action, self._database, self._book, self.plant, self._changes.apply, self._pending, self._now_ms()
                )
            else:
                outcome = orders.carry_out(
                    action, self._book, self.plant, self._changes.apply, self._changes.supper.enter,
                    self._changes.maintenance.carry_out, self._changes.plans, self._now(),
                )  # fmt: skip
            if outcome is not None:
                self._pending.actions_done.append(Done(action.number, int(self._now_ms()), outcome))
                self._pending.urgent = True

    def _import(self, action: Action) -> Done | None:
        """Stores a part of a log; None: not now."""
        if not self.store():  # which readings are stored already is asked of the database
            return None
        try:
            return importing.carry_out(action, self._database, self.plant, self._keeping, self._gaps, self._now_ms())
        except LinkError:
            raise
        except Exception:  # it would come back at every look, for ever
            log.exception("a part of a log could not be stored: a fault of the monitor")
            return Done(
                action.number, int(self._now_ms()), "a fault of the monitor; please report it with this log", {}
            )

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
            self._service.changed()
            self._pending.urgent = True

    # --- storing -----------------------------------------------------------------------------------------------

    def store(self) -> bool:
        """Stores all that is pending, then acknowledges and publishes; false when it could not be stored."""
        pending = self._pending
        pending.gaps = self._gaps.unstored()
        self._keeping.counts()
        self._changes.tellings.look(self._now())
        self._life.put(self._pending.cursors)
        self._committed_at = self.tried = self._steady()
        if pending.empty:
            self.all_stored = self.tried
            self._retained.publish()
            return True
        try:
            commit(self._database, pending.batch())
        except LinkError as exc:
            self.trouble = str(exc)
            self.counts.commits_failed += 1
            self._complain(f"{exc} Readings are held and not acknowledged meanwhile.")
            return False
        if self.trouble is not None:
            log.warning("the database takes readings again")
            self.trouble = None
        self._keeping.stored()
        pending = self._pending.emptied()
        self.last_commit = self.all_stored = self._steady()
        self.counts.stored(pending, self.last_commit - self.tried)
        self._life.stored(pending.cursors)
        self._intake.stored()
        self._gaps.stored()
        self._link.ack(pending.messages)
        self.hurry.acknowledged(len(pending.messages), self._clock())
        self._retained.changed(pending.told)
        self._retained.publish()
        for point_id in pending.fan_now:
            self._retained.state(self.plant.by_id[point_id])
        if pending.service or pending.service_found:
            self._service.changed()
            for entry in pending.service:  # what it changes of the estimate is told at once
                self._estimates.soon(self.plant.by_id[entry.point_id])
        if pending.notices:
            self._stored()
        return True

    def _complain(self, text: str) -> None:
        now = self._steady()
        if now - self._complained_at >= REPEAT_LOG_SECONDS:
            self._complained_at = now
            log.error(text)
