"""A notice straight from memory, while nothing can be stored: then no fan is watched, and no other notice can be made.

A thread of its own that needs no database: it looks at the worker, and sends by itself to the first steps of the
routes. Each address is tried until it has taken the notice, at the waits of every delivery, or until readings are
stored again. The id is made of the moment it began, so a receiver that hears it twice can tell.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Final, Protocol

from monitor.alarms.notice import Notice, group_of, notice_id
from monitor.alarms.routes import Route
from monitor.alarms.texts import Texts
from monitor.alarms.upkeep_notices import CANNOT_STORE, About, cannot_store
from monitor.errors import LinkError
from monitor.links import senders
from monitor.records.tables import PARTITION
from monitor.service.blind import PRIORITY, Blind, time_of
from monitor.service.delivery import WAITS_SECONDS, Address, Send
from monitor.service.upkeep import Outage

log = logging.getLogger("monitor.service")

AFTER_SECONDS: Final = 60.0
"""Nothing was stored for so long: another program that holds the database has let go of it by then."""
LOOK_SECONDS: Final = 5.0
FULL: Final = "disk is full"
"""In the words of the database (`records/database.py`)."""


class Works(Protocol):
    """What is looked at of the worker; moments by `time.monotonic`."""

    trouble: str | None
    all_stored: float
    whom: Blind | None


class CannotStore:
    """Started and stopped by the shell."""

    def __init__(
        self,
        worker: Works,
        routes: Iterable[Route],
        addresses: Mapping[tuple[str, int], Address],
        *,
        page: str | None = None,
        clock: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
        send: Send = senders.send,
        print_line: Callable[[str], None] = print,
    ) -> None:
        """
        Parameters
        ----------
        routes, addresses : as `delivery` has them
        clock : seconds since 1970
        """
        self._worker, self._page, self._clock, self._steady = worker, page, clock, steady
        self._send, self._print_line = send, print_line
        wanting = [one for one in routes if not one.priorities or PRIORITY in one.priorities]
        first = [one.name for one in wanting if not one.after] or [one.name for one in wanting]
        self._addresses = {key: address for key, address in addresses.items() if key[0] in first}
        self._waiting: dict[tuple[str, int], tuple[Notice, int, float]] = {}
        """Address -> its notice, tries so far, when the next one is due."""
        self._busy: set[tuple[str, int]] = set()
        self._lock = threading.Lock()
        self._stands: tuple[float, str] | None = None
        """Since when [wall time, ms] nothing could be stored, and why; None: that was told of nothing."""
        self.outage: Outage | None = None
        """The last one that is over."""
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begins to look."""
        self._thread = threading.Thread(target=self._run, name="cannot-store", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends; a try that hangs is left alone."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(1.0)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.wait(LOOK_SECONDS):
            self.look()

    def look(self) -> None:
        """Looks at the worker once, and begins what tries are due."""
        now, trouble = self._steady(), self._worker.trouble
        unstored = now - self._worker.all_stored
        if trouble is not None and self._stands is None and unstored >= AFTER_SECONDS:
            self._begin(1000.0 * (self._clock() - unstored), trouble)
        elif trouble is None and self._stands is not None:
            since_ms, words = self._stands
            self.outage = Outage(since_ms, 1000.0 * self._clock(), words, FULL in words)
            self._stands = None
            with self._lock:
                self._waiting.clear()
        with self._lock:
            due = [key for key, (_, _, at) in self._waiting.items() if at <= now and key not in self._busy]
            self._busy.update(due)
        for key in due:
            threading.Thread(target=self._try, args=(key,), name=f"cannot-store {key[0]} {key[1]}", daemon=True).start()

    def _begin(self, since_ms: float, trouble: str) -> None:
        whom = self._worker.whom
        if whom is None:  # no fan to be watched
            return
        self._stands = since_ms, trouble
        log.error("nothing can be stored, and this is told from memory: %s", trouble)
        now = datetime.fromtimestamp(self._clock(), UTC)
        about = About(time_of(since_ms), now, whom.fans, whom.time_zone, whom.name_zone, page=self._page)
        texts = cannot_store(about, trouble, FULL in trouble)
        with self._lock:
            for key in self._addresses:
                self._waiting[key] = self._notice(key, whom.site, f"{since_ms:.0f}", texts, now), 0, self._steady()

    def _notice(self, key: tuple[str, int], site: str, told: str, texts: Texts, now: datetime) -> Notice:
        route, index = key
        group = group_of(PARTITION, CANNOT_STORE, told, route)
        return Notice(
            notice_id(group, index), site, 0, 0, route, index, CANNOT_STORE, PRIORITY, True,
            texts.subject, texts.short, texts.long, texts.data, now,
        )  # fmt: skip

    def _try(self, key: tuple[str, int]) -> None:
        with self._lock:
            waits = self._waiting.get(key)
        try:
            if waits is None:
                return
            notice, tries, _ = waits
            address = self._addresses[key]
            taken = True
            try:
                self._send(
                    address.to, notice, deadline_seconds=address.deadline_seconds or senders.DEADLINE_SECONDS,
                    secret=address.secret, print_line=self._print_line,
                )  # fmt: skip
            except LinkError as exc:
                taken = exc.permanent
                log.warning("the notice from memory to %s: %s", senders.shown(address.to), exc)
            except Exception as exc:  # of this one address: the others must hear of it
                taken = False
                log.warning("the notice from memory to %s: %s", senders.shown(address.to), type(exc).__name__)
            with self._lock:
                if self._waiting.get(key) is not waits:
                    return  # it is over
                if taken:
                    del self._waiting[key]
                else:
                    wait = WAITS_SECONDS[min(tries, len(WAITS_SECONDS) - 1)]
                    self._waiting[key] = notice, tries + 1, self._steady() + wait
        finally:
            with self._lock:
                self._busy.discard(key)
