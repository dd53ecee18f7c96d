"""Tries of notices into the database, several at a time.

Each address waits until its try is stored before it sends the next notice: after a crash no more than one an address is
sent again. But a hundred notices that are taken within a second must not mean a hundred transactions, for which the
watch would have to wait with its own: what is tried within a tenth of a second is stored together.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from typing import Final

from monitor.errors import LinkError
from monitor.records.outbox import Tried

GATHER_SECONDS: Final = 0.1
"""Between two transactions; after a pause the first try is stored at once."""
DATABASE_WAIT_SECONDS: Final = 2.0


class _Mark:
    """A try that is to be stored, and whether somebody need still wait for it."""

    def __init__(self, tried: Tried) -> None:
        self.tried = tried
        self.over = threading.Event()


class Marks:
    """Stores tries, in a thread that is there while there is something to store."""

    def __init__(
        self,
        store: Callable[[Sequence[Tried]], None],
        *,
        say: Callable[[str], None],
        stopping: threading.Event,
        guarded: Callable[[Callable[[], None]], Callable[[], None]],
    ) -> None:
        """
        Parameters
        ----------
        store : stores all of them or raises LinkError
        say : told when it cannot be done yet
        stopping : set when we are to end: what cannot be stored then is left, and sent again
        guarded : makes a thread's work such that its fault is known
        """
        self._store = store
        self._say = say
        self._stopping = stopping
        self._guarded = guarded
        self._lock = threading.Lock()
        self._waiting: list[_Mark] = []
        self._thread: threading.Thread | None = None
        self._last = float("-inf")

    def put(self, tried: Tried) -> None:
        """Returns when the try is stored, however long the database is busy; or when we are stopped before."""
        mark = _Mark(tried)
        with self._lock:
            self._waiting.append(mark)
            if self._thread is None:
                self._thread = threading.Thread(target=self._guarded(self._run), name="notice marks", daemon=True)
                self._thread.start()
        mark.over.wait()

    def end(self, seconds: float) -> None:
        """Waits for what is being stored, once `stopping` is set: the database must not be closed beside it."""
        with self._lock:
            thread = self._thread
        if thread is not None:
            thread.join(seconds)

    def _run(self) -> None:
        taken: list[_Mark] = []
        try:
            while True:
                self._stopping.wait(max(0.0, self._last + GATHER_SECONDS - time.monotonic()))
                with self._lock:
                    taken, self._waiting = self._waiting, []
                    if not taken:
                        self._thread = None
                        return
                self._do([mark.tried for mark in taken])
                self._last = time.monotonic()
                for mark in taken:
                    mark.over.set()
        except BaseException:  # a fault of ours, which ends the service: nobody must wait for ever
            with self._lock:
                taken, self._waiting, self._thread = [*taken, *self._waiting], [], None
            for mark in taken:
                mark.over.set()
            raise

    def _do(self, tries: list[Tried]) -> None:
        while True:
            try:
                self._store(tries)
                return
            except LinkError as exc:
                self._say(f"{len(tries)} tries of notices cannot be stored yet: {exc}")
                if self._stopping.wait(DATABASE_WAIT_SECONDS):
                    return
