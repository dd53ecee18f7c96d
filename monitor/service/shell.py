"""The shell: opens what is needed, starts the threads, watches that they live, stops in order."""

from __future__ import annotations

import contextlib
import logging
import signal
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from types import FrameType

from monitor.alarms.upkeep_notices import Disk
from monitor.errors import ConfigError, LinkError
from monitor.links import senders
from monitor.records import accounts, acknowledge_links
from monitor.records.database import open_database
from monitor.records.hours import HourPacker
from monitor.records.start import load
from monitor.service.archive import Archive
from monitor.service.backup import Backup
from monitor.service.cannot_store import CannotStore
from monitor.service.delivery import Delivery, addresses
from monitor.service.health import Health, worker_is_late
from monitor.service.heartbeat import Heartbeat, url_of
from monitor.service.hurry import RELEASED_MS
from monitor.service.metrics import CountedOutbox, Metrics
from monitor.service.only_one import OnlyOne
from monitor.service.opening import broker_link, influx_target, make_directory, only_with_accounts, seed_sites
from monitor.service.ready import make_watch_ready
from monitor.service.retention import Retention
from monitor.service.routes import not_before, route_of, shown
from monitor.service.supervisor import Supervisor
from monitor.service.upkeep import Facts
from monitor.service.worker import Worker
from monitor.settings import RouteSettings, Settings, addresses_of, secret
from monitor.web.app import create_app
from monitor.web.server import WebServer

log = logging.getLogger("monitor.service")

ROUND_SECONDS = 0.2
"""The worker goes round so often while little comes."""
WINDOW_SECONDS = 0.01
"""A window that the broker was holding back has come within so long."""
BUSY_MESSAGES = 1_000
"""With so many messages waiting it goes on at once."""
PACK_EVERY_SECONDS = 60.0
PACK_SECONDS = 0.1
"""Past hours are packed in idle time, in slices that delay nobody."""
RETENTION_SECONDS = 0.05
"""Raw readings that are kept no longer are removed in slices of so long, one each idle turn."""
WEEK_SECONDS = 0.02
"""After a start the last seven days are read again, in a slice of so long each idle turn."""
CLOCK_MAY_LAG_SECONDS = 120.0
TRIES_WITHIN_SECONDS = 60.0
"""A worker that goes round and has not even tried to store for so much longer than it should does not work."""
SWITCH_SECONDS = 0.0005
"""Threads yield to each other so often, so that pages never delay a decision by much."""

TERMINAL_ROUTE = RouteSettings(
    name="terminal", priorities=("low", "medium", "high", "highest"), to=(senders.TERMINAL,), also_cleared=True
)
"""Where notices go when the settings name no route: to where the service was started, or its journal."""


class Service:
    """One running service."""

    def __init__(
        self, settings: Settings, *, print_line: Callable[[str], None] = print, clock: Callable[[], float] = time.time
    ) -> None:
        """Opens the database and builds everything; nothing runs yet.

        Raises
        ------
        ConfigError : settings, files or the database's form are not right, or another service has the data directory
        LinkError : the database cannot be reached
        """
        self.settings = settings
        self._clock = clock
        self._stopping = threading.Event()
        self._threads: list[threading.Thread] = []
        self._failures: list[BaseException] = []
        self._waits = False
        """For the clock to be put right."""
        self.supervisor = Supervisor()
        routes = settings.notices.route or (TERMINAL_ROUTE,)
        named = [
            (route.name, addresses_of(route), secret(route.secret_file) if route.secret_file else None)
            for route in routes
        ]
        routes_shown = [
            shown(one, many, in_settings=bool(settings.notices.route))
            for one, (_, many, _) in zip(routes, named, strict=True)
        ]
        for _, many, signing in named:
            for address in many:
                senders.check_address(address, signing)
                if nobody := senders.left_out(address):
                    log.warning("%s: no notice reaches %s", senders.shown(address), ", ".join(nobody))
        url, target = url_of(settings.heartbeat), influx_target(settings)
        make_directory(settings.data)
        self._only_one = OnlyOne(settings.data)
        try:
            make_watch_ready()
            self.database = open_database(settings.database_url)
        except BaseException:
            self._only_one.release()
            raise
        try:
            if not settings.web.loopback and not accounts.exist(self.database):
                raise ConfigError(only_with_accounts(settings.web))
            seed_sites(self.database, settings, self._now(), all_of_it=True)
            self._link_key = acknowledge_links.key(self.database) if settings.web.public_url else None
            start = load(self.database)
            self._newest_ms = start.newest_row_ms
            self.broker = broker_link(settings, say=log.warning, clock=clock)
            outbox = CountedOutbox()
            self.delivery = Delivery(
                self.database,
                addresses(named),
                stored=outbox,
                print_line=print_line,
                say=log.warning,
                clock=clock,
                not_before=not_before(map(route_of, routes), lambda site: self.worker.plant.zone_of(site)),
            )
            self.archive = None
            if target is not None:
                self.archive = Archive(
                    self.database, target, begin=settings.influx.begin, say=log.warning, clock=clock
                )  # fmt: skip
            self.retention = Retention(self.database, settings.readings, target.identity if target else None)
            self.worker = Worker(
                self.database,
                start,
                self.broker,
                [route_of(one) for one in routes],
                clock=lambda: clock() * 1000.0,
                commit_seconds=settings.commit_seconds,
                acknowledge_link=self._acknowledge_link(),
                addresses_shown={one.name: one.addresses for one in routes_shown},
                public_url=settings.web.public_url or settings.web.address,
                stored=self.delivery.wake,
                upkeep=self._facts,
            )
            self.cannot_store = CannotStore(
                self.worker, [route_of(one) for one in routes], addresses(named),
                page=settings.web.public_url or settings.web.address, clock=clock, print_line=print_line,
            )  # fmt: skip
            self.heartbeat = None
            if url is not None:
                self.heartbeat = Heartbeat(url, settings.heartbeat.every_seconds, self._why_late, say=log.warning)
            self.backup = None
            if settings.backup.directory is not None:
                self.backup = Backup(self.database, settings.backup.directory, settings.backup, clock=clock)
            self.health = Health(
                self.database, settings.data, self.broker, self.worker, threads=self._lives,
                waits_for_clock=lambda: self._waits, archive=self.archive.health if self.archive else None,
                heartbeat=self.heartbeat.told if self.heartbeat else None,
                why_no_room=lambda: self.retention.why_no_room,
                backup=self.backup.health if self.backup else None, clock=clock,
            )  # fmt: skip
            self.metrics = Metrics(self.worker.counts, outbox.tries, self.health.told)
        except BaseException:
            self._close()
            raise
        app = create_app(
            self.database,
            now=self._now,
            health=self.health.told,
            metrics=self.metrics.text,
            reviews=settings.data / "reviews",
            public_url=settings.web.public_url,
            link_key=self._link_key,
            routes=routes_shown,
        )
        try:
            web = settings.web
            certificate = None if web.cert_file is None or web.key_file is None else (web.cert_file, web.key_file)
            self.web = WebServer(app, web.host, web.port, on_end=self._web_ended, certificate=certificate)
        except BaseException:
            self._close()
            raise

    def _acknowledge_link(self) -> Callable[[str], str] | None:
        """Links only where the settings say under which address people open the pages: a phone needs a true one."""
        public_url, key = self.settings.web.public_url, self._link_key
        if public_url is None or key is None:
            return None
        return lambda notice_id: acknowledge_links.link_for(public_url, notice_id, key)

    def _now(self) -> datetime:
        return datetime.fromtimestamp(self._clock(), UTC)

    @property
    def url(self) -> str:
        """Where the pages are."""
        return self.web.address

    def start(self) -> None:
        """Starts the threads; returns at once."""
        sys.setswitchinterval(SWITCH_SECONDS)
        self.delivery.start()
        self.health.start()
        self.cannot_store.start()
        if self.heartbeat is not None:
            self.heartbeat.start()
        self.web.start()
        for part in (self.archive, self.backup):
            if part is not None:
                part.start()
        self._thread("worker", self._work)

    def run(self) -> None:
        """Runs until a signal or a thread's death, then stops in order.

        Raises
        ------
        RuntimeError : a thread died; the supervisor is to start the service again
        """
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._on_signal)
        self.start()
        try:
            while not self._stopping.wait(0.5):
                self.look_after()
        finally:
            self.stop()
        if self._failures:
            raise RuntimeError("a part of the service died; it must be started again") from self._failures[0]

    def look_after(self) -> None:
        """Notices dead threads and ends the service then: half a service is worse than none."""
        archive = self.archive.failure if self.archive is not None else None
        failures = (("broker link", self.broker.failure), ("delivery", self.delivery.failure), ("archive", archive))
        for part, failure in failures:
            if failure is not None and failure not in self._failures:
                log.error("the %s died: %r", part, failure)
                self._failures.append(failure)
        if self._failures:
            self._stopping.set()

    def stop(self) -> None:
        """Stores what is worked out, acknowledges it, says goodbye to the broker, closes everything."""
        self._stopping.set()
        self.supervisor.stopping()
        self.broker.inbox.wake()
        for thread in self._threads:
            if thread.name == "worker":
                thread.join(30.0)
        self.broker.stop()
        self.delivery.stop()
        if self.heartbeat is not None:
            self.heartbeat.stop()
        for part in (self.archive, self.backup):
            if part is not None:
                part.stop()
        self.web.stop()
        self.health.stop()
        self.cannot_store.stop()
        self._close()

    def _close(self) -> None:
        self.database.close()
        self._only_one.release()

    def _lives(self) -> dict[str, bool]:
        """Which threads live, of those that were started."""
        parts = {thread.name: thread.is_alive() for thread in self._threads}
        if self.worker.rounds:  # it waits for the clock, and starts the link then
            parts["mqtt"] = self.broker.alive
        return parts | {
            "delivery": self.delivery.alive,
            **({"heartbeat": self.heartbeat.alive} if self.heartbeat else {}),
            "cannot-store": self.cannot_store.alive,
            **({"archive": self.archive.alive} if self.archive else {}),
            **({"backup": self.backup.alive} if self.backup else {}),
        }

    def _facts(self) -> Facts:
        """How the computer is, for the worker to tell."""
        room, disk = self.health.room, None
        if room is not None:
            free = room.free_bytes + room.reusable_bytes
            disk = Disk(str(self.settings.data.absolute()), room.share, free, self.retention.why_no_room)
        return Facts(disk, self.backup.late() if self.backup else None, self.cannot_store.outage)

    def _why_late(self) -> str | None:
        """Why the watch does not work now; None while it does."""
        if not self.worker.rounds:
            return "worker: it has not begun"
        return worker_is_late(self.worker, time.monotonic())

    # --- threads -----------------------------------------------------------------------------------------------

    def _thread(self, name: str, work: Callable[[], None]) -> None:
        def guarded() -> None:
            try:
                work()
            except BaseException as exc:
                log.exception("the %s thread died", name)
                self._failures.append(exc)
                self._stopping.set()

        thread = threading.Thread(target=guarded, name=name, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _web_ended(self) -> None:
        if not self._stopping.is_set():
            self._failures.append(RuntimeError("the pages cannot be served any more"))
            self._stopping.set()

    def _work(self) -> None:
        if not self._wait_for_clock():
            return
        self.broker.start()
        packed_at = time.monotonic()
        packer, reading = HourPacker(self.database), True
        inbox = self.broker.inbox
        while not self._stopping.is_set():
            began = time.monotonic()
            self.worker.round()
            self._tell_supervisor()
            if not len(inbox) and reading:
                with contextlib.suppress(LinkError):  # told by the next commit
                    reading = self.worker.week.work(WEEK_SECONDS)
            if not len(inbox) and began - packed_at >= PACK_EVERY_SECONDS:
                with contextlib.suppress(LinkError):  # told by the next commit
                    if not packer.work(int(self._clock() * 1000), PACK_SECONDS):
                        packed_at = began
            if not len(inbox):
                with contextlib.suppress(LinkError):  # told by the next commit
                    self.retention.work(self._clock() * 1000.0, RETENTION_SECONDS)
            left = ROUND_SECONDS - (time.monotonic() - began)
            if self.worker.hurry.expecting and inbox.wait(RELEASED_MS / 1000.0):
                self._stopping.wait(WINDOW_SECONDS)  # for the rest of the window
            elif left > 0 and len(inbox) < BUSY_MESSAGES:
                self._stopping.wait(left)
        self.worker.stop()

    def _tell_supervisor(self) -> None:
        """From the worker's own thread, after each turn: a worker that hangs is started again.

        One that cannot store is not: it holds readings that are told again, no restart mends a disk, and each one would
        take the pages away from those who look why.
        """
        if time.monotonic() - self.worker.tried <= self.settings.commit_seconds + TRIES_WITHIN_SECONDS:
            self.supervisor.alive(self.health.words)

    def _wait_for_clock(self) -> bool:
        """A machine without a battery clock wakes up in the past: wait until the time is put right."""
        told = 0.0
        while self._newest_ms is not None and self._clock() < self._newest_ms / 1000.0 - CLOCK_MAY_LAG_SECONDS:
            self._waits = True
            if time.monotonic() - told > 60.0 or not told:
                told = time.monotonic()
                self.supervisor.waits("waiting for the clock to be put right")
                newest = datetime.fromtimestamp(self._newest_ms / 1000.0, UTC)
                log.error(
                    "the clock says %s, but readings up to %s are stored: waiting for the clock to be put right",
                    self._now().isoformat(timespec="seconds"), newest.isoformat(timespec="seconds"),
                )  # fmt: skip
            if self._stopping.wait(1.0):
                return False
        self._waits = False
        return True

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._stopping.set()
