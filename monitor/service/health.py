"""How the service itself is: for `/healthz`, the heartbeat and the supervisor's line of words.

What is asked of the database and the disk is asked by a thread of its own, now and then; answering only reads what is
in memory. So the answer comes at once, also while the database is locked, the disk hangs or the worker does.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol

from monitor.errors import LinkError
from monitor.records.database import Database
from monitor.records.undelivered import Undelivered, undelivered
from monitor.service.broker_away import AWAY_SECONDS
from monitor.service.retention import Room, room
from monitor.service.upkeep import FREE_SHARE
from monitor.service.worker import Watched

ROUND_LATE_SECONDS = 60.0
"""A worker goes round five times a second. Waiting for a locked database takes it some times 10 s; after a minute
nobody would be called by it."""
STORE_LATE_SECONDS = 60.0
"""Something has waited so long to be stored: readings are held at the broker meanwhile, and nobody is called."""
BROKER_LATE_SECONDS = AWAY_SECONDS
"""When the farm is told of it as well."""
NOTICE_LATE_SECONDS = 900.0
"""After so long, five tries, nobody may believe that the notice will still come in time to save a motor."""
LEAST_FREE_SHARE = FREE_SHARE
"""Below this share the farm is told of it as well."""
ARCHIVE_LATE_SECONDS = 6.0 * 3600.0
"""A copy that is in no trouble and lags by so much, for so long, is too slow. Old logs that are being imported lag by
months, and for minutes."""
LOOK_SECONDS = 15.0
"""Outbox and disk are looked at so often."""
LOOK_LATE_SECONDS = 60.0
"""A database that has not answered a reader for so long: the pages do not answer either."""
CLOCK_IS_SET_YEAR = 2026
"""A clock that shows less was never set."""


class Link(Protocol):
    """What is told of the link to the broker."""

    words: str
    connected: bool
    since: float
    generation: int
    inbox: Any

    @property
    def last_message_age(self) -> float | None: ...


class Works(Protocol):
    """What is told of the worker; moments by `time.monotonic`."""

    rounds: int
    went_round: float
    all_stored: float
    last_commit: float
    trouble: str | None
    watched: Watched


@dataclass(frozen=True)
class Looked:
    """What the last look at outbox and disk has shown."""

    at: float
    outbox: Undelivered = field(default_factory=Undelivered)
    room: Room | None = None
    archive: Mapping[str, Any] | None = None
    trouble: str | None = None
    """Why the database could not be asked, in words."""


def worker_is_late(worker: Works, now: float) -> str | None:
    """Why the watch does not work, in words; None while it goes round and stores.

    Parameters
    ----------
    now : by `time.monotonic`
    """
    still = now - worker.went_round
    if still > ROUND_LATE_SECONDS:
        return f"worker: it has not gone round for {_span(still)}"
    unstored = now - worker.all_stored
    if unstored > STORE_LATE_SECONDS:
        return f"commit: nothing could be stored for {_span(unstored)}: {worker.trouble or 'no reason is known'}"
    return None


class Health:
    """Kept by the shell. `told` may be called from any thread and waits for nothing."""

    def __init__(
        self,
        database: Database,
        data: Path,
        link: Link,
        worker: Works,
        *,
        threads: Callable[[], Mapping[str, bool]] = dict,
        waits_for_clock: Callable[[], bool] = lambda: False,
        archive: Callable[[], Mapping[str, Any]] | None = None,
        heartbeat: Callable[[], Mapping[str, Any]] | None = None,
        why_no_room: Callable[[], str | None] = lambda: None,
        backup: Callable[[], Mapping[str, Any]] | None = None,
        clock: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        """
        Parameters
        ----------
        data : a directory on the disk that fills
        threads : which parts of the service live
        archive : how far the copy for keeping is behind: "behind_seconds", and "trouble" and "late" in words
        heartbeat : what became of the calls to the outside
        backup : how the backups are: "late" in words
        why_no_room : why old readings cannot make room on the disk, where that is asked for
        clock : seconds since 1970
        """
        self._database, self._data, self._link, self._worker = database, data, link, worker
        self._threads, self._waits_for_clock = threads, waits_for_clock
        self._archive, self._heartbeat = archive, heartbeat
        self._why_no_room, self._backup = why_no_room, backup
        self._clock, self._steady = clock, steady
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._looked = Looked(steady())
        self._began = self._answered = self._archive_kept_up = steady()

    def start(self) -> None:
        """Begins to look at outbox and disk."""
        self._thread = threading.Thread(target=self._run, name="health", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends; a look that hangs is left alone."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(1.0)

    def _run(self) -> None:
        while True:
            self.look()
            if self._stopping.wait(LOOK_SECONDS):
                return

    def look(self) -> None:
        """Looks at outbox and disk once; takes as long as these do."""
        outbox, archive, trouble = self._looked.outbox, self._looked.archive, None
        try:
            outbox = undelivered(self._database, int(self._clock() * 1000))
            if self._archive is not None:
                archive = dict(self._archive())
        except LinkError as exc:
            trouble = str(exc)
        at = self._looked.room
        try:
            at = room(self._database)
            if at is None:  # a database on another server: what fills here is the data directory
                usage = shutil.disk_usage(self._data)
                at = Room(usage.free, 0, usage.total, 0)
        except LinkError as exc:
            trouble = trouble or str(exc)
        except OSError as exc:
            trouble = trouble or f"the disk of {self._data} cannot be looked at: {exc.strerror}"
        now = self._steady()
        if ((archive or {}).get("behind_seconds") or 0.0) <= ARCHIVE_LATE_SECONDS:
            self._archive_kept_up = now
        self._looked = Looked(now, outbox, at, archive, trouble)
        if trouble is None:
            self._answered = now

    # --- what is told ------------------------------------------------------------------------------------------

    def told(self) -> dict[str, Any]:
        """All of it, for `/healthz`: "late" holds what must be acted on, each in words that begin with its part."""
        now, link, worker, looked = self._steady(), self._link, self._worker, self._looked
        age, watched, threads = link.last_message_age, worker.watched, dict(self._threads())
        wall = datetime.fromtimestamp(self._clock(), UTC)
        oldest = looked.outbox.oldest_ms
        return {
            "late": list(self._late(now, threads)),
            "broker": link.words,
            "broker_connected": link.connected,
            "broker_away_seconds": None if link.connected else round(now - link.since, 1),
            "seconds_since_last_message": None if age is None else round(age, 1),
            "messages_waiting": len(link.inbox),
            "seconds_since_last_commit": round(now - worker.last_commit, 1),
            "database": self._database_words(now),
            "fans": {"registered": watched.fans, "running": watched.running, "running_and_silent": watched.silent},
            "worker": {"rounds": worker.rounds, "seconds_since_round": round(now - worker.went_round, 1)},
            "commit": {"seconds_unstored": round(now - worker.all_stored, 1), "trouble": worker.trouble},
            "notices": {
                "waiting": looked.outbox.waiting,
                "oldest_seconds": None if oldest is None else round(max(self._clock() - oldest / 1000.0, 0.0), 1),
                "failed_24_h": dict(looked.outbox.failed or {}),
            },
            "archive": None if looked.archive is None else dict(looked.archive),
            "heartbeat": None if self._heartbeat is None else dict(self._heartbeat()),
            "backup": None if self._backup is None else dict(self._backup()),
            "threads": threads,
            "disk": self._disk(),
            "clock": {
                "now": wall.isoformat(timespec="seconds").replace("+00:00", "Z"),
                "waits": self._waits_for_clock(),
            },
            "seconds_up": round(now - self._began, 1),
        }

    @property
    def room(self) -> Room | None:
        """What was free at the last look; None: not known."""
        return self._looked.room

    def _disk(self) -> dict[str, Any]:
        at = self._looked.room
        if at is None:
            at = Room(0, 0, 0, 0)
        return {
            "free_bytes": at.free_bytes, "free_share": round(at.share, 4), "reusable_bytes": at.reusable_bytes,
            "why_no_room": self._why_no_room(),
        }  # fmt: skip

    def words(self) -> str:
        """One line on how it is, for the supervisor."""
        late = list(self._late(self._steady(), dict(self._threads())))
        if late:
            return "; ".join(late)
        watched = self._worker.watched
        return f"{_count(watched.fans, 'fan')}, {watched.running} running; {self._link.words}"

    def _database_words(self, now: float) -> str:
        if self._looked.trouble is not None:
            return self._looked.trouble
        waited = now - self._answered
        return f"has not answered for {_span(waited)}" if waited > LOOK_LATE_SECONDS else "answers"

    def _late(self, now: float, threads: Mapping[str, bool]) -> Iterator[str]:
        for name, lives in threads.items():
            if not lives:
                yield f"{name}: its thread has ended"
        link, worker, looked = self._link, self._worker, self._looked
        if self._waits_for_clock() or datetime.fromtimestamp(self._clock(), UTC).year < CLOCK_IS_SET_YEAR:
            yield "clock: it is behind what is stored, or was never set; nothing is taken until it is put right"
        if not worker.rounds and now - self._began > ROUND_LATE_SECONDS and not self._waits_for_clock():
            yield f"worker: it has not begun for {_span(now - self._began)}"
        if worker.rounds:
            words = worker_is_late(worker, now)
            if words is not None:
                yield words
            if not link.connected and now - link.since > BROKER_LATE_SECONDS:
                yield f"broker: away for {_span(now - link.since)}: {link.words}"
        if 0 < worker.watched.running == worker.watched.silent:
            yield f"readings: nothing is heard of {_count(worker.watched.running, 'running fan')}"
        if now - self._answered > LOOK_LATE_SECONDS:
            yield f"database: {self._database_words(now)}"
        oldest = looked.outbox.oldest_ms
        if oldest is not None and (waited := self._clock() - oldest / 1000.0) > NOTICE_LATE_SECONDS:
            yield f"notices: {looked.outbox.waiting} not delivered, the oldest for {_span(waited)}"
        for route in looked.outbox.unreached:
            yield f"notices: nobody is reached by route {route}"
        if looked.room is not None and looked.room.share < LEAST_FREE_SHARE:
            why = self._why_no_room()
            yield f"disk: {100 * looked.room.share:.1f} % free{f': {why}' if why else ''}"
        if self._backup is not None and (why := self._backup().get("late")):
            yield f"backup: {why}"
        archive = looked.archive or {}
        if why := archive.get("late"):
            yield f"archive: {why}"
        elif now - self._archive_kept_up > ARCHIVE_LATE_SECONDS:
            yield f"archive: {_span(archive['behind_seconds'])} behind: {archive.get('trouble') or 'it is too slow'}"


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _span(seconds: float) -> str:
    """
    >>> _span(75.0), _span(600.0), _span(9000.0)
    ('75 s', '10 min', '2.5 h')
    """
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
