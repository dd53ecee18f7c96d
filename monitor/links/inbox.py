"""The bounded queue between the network thread, which only puts, and the one worker, which only takes.

What came over a connection that broke cannot be acknowledged any more. The broker sends it again, unless it lost the
session itself. So it is set aside when a connection ends, crossed off as it comes again, and given to the worker only
when it did not: nothing is lost, and a reading without a time of its own is not taken twice.
"""

from __future__ import annotations

import threading
import time
from collections import Counter, deque
from typing import Final

from monitor.links.assembly import Assembly
from monitor.links.message import Message

__all__ = ["Inbox", "Message"]

MAX_MESSAGES: Final = 200_000
MAX_BYTES: Final = 64 * 1024 * 1024
_OVERHEAD_BYTES: Final = 200
"""What a queued message costs beside its payload and topic, roughly."""


class Inbox:
    """Messages in order of arrival.

    `put`, `set_aside` and `give_back` belong to the network thread, the rest to the worker.
    """

    def __init__(
        self, max_messages: int = MAX_MESSAGES, max_bytes: int = MAX_BYTES, assembly: Assembly | None = None
    ) -> None:
        """
        Parameters
        ----------
        assembly : reads other loggers' messages as they are taken; without it all are in our own form
        """
        self._assembly = assembly
        self._max_messages = max_messages
        self._max_bytes = max_bytes
        self._queue: deque[Message] = deque()
        self._aside: Counter[tuple[str, bytes]] = Counter()
        self._aside_messages: list[Message] = []
        # Two counters, each with one writer: += on a shared one loses counts between threads.
        self._bytes_in = 0
        self._bytes_out = 0
        self._lock = threading.Lock()
        self._something = threading.Event()
        self._last_put = time.monotonic()
        self.takes = 0
        """How often the worker came: shows whether it lives."""

    def __len__(self) -> int:
        return len(self._queue)

    @property
    def bytes(self) -> int:
        """Memory that the queued messages take, roughly."""
        return self._bytes_in - self._bytes_out

    @property
    def full(self) -> bool:
        return len(self._queue) >= self._max_messages or self.bytes >= self._max_bytes

    @property
    def half_empty(self) -> bool:
        return len(self._queue) <= self._max_messages // 2 and self.bytes <= self._max_bytes // 2

    @property
    def aside(self) -> int:
        """Messages of broken connections that have not come again yet."""
        return self._aside.total()

    def put(self, message: Message) -> bool:
        """Takes a message whatever its size; False when the inbox is full now and the sender must be stopped."""
        if self._aside:
            self._cross_off(message)
        self._queue.append(message)
        self._bytes_in += len(message.payload) + len(message.topic) + _OVERHEAD_BYTES
        self._last_put = time.monotonic()
        if not self._something.is_set():
            self._something.set()
        return not self.full

    def take(self, most: int) -> list[Message]:
        """Up to so many messages in order of arrival, those of other loggers read; empty at once if there are none."""
        with self._lock:
            self.takes += 1
            queue = self._queue
            self._something.clear()  # before looking: a put in between sets it again
            taken = [queue.popleft() for _ in range(min(most, len(queue)))]
            self._bytes_out += _size(taken)
            if queue:
                self._something.set()
            if self._assembly is not None:
                taken = self._assembly.pass_on(taken, not queue)
        return taken

    def wait(self, timeout: float) -> bool:
        """Waits for a message, at most so many seconds; whether there is one."""
        return self._something.wait(timeout) and bool(self._queue)

    def wake(self) -> None:
        """Ends a `wait` in progress."""
        self._something.set()

    def quiet_for(self) -> float:
        """Seconds since the newest message came."""
        return time.monotonic() - self._last_put

    def set_aside(self) -> None:
        """The connection ended: what the broker will send again leaves the queue. QoS 0 stays, it never comes again."""
        with self._lock:
            stay = deque(message for message in self._queue if message.qos == 0)
            gone = [message for message in self._queue if message.qos != 0]
            self._bytes_out += _size(gone)
            held = [] if self._assembly is None else self._assembly.give_up()
            again = [message for message in held if message.qos == 0]
            stay.extendleft(reversed(again))
            self._bytes_in += _size(again)
            gone = [message for message in held if message.qos != 0] + gone
            self._queue = stay
            self._aside_messages.extend(gone)
            self._aside.update((message.topic, message.payload) for message in gone)

    def give_back(self) -> int:
        """What was set aside and did not come again goes to the worker after all; how many."""
        back = []
        for message in self._aside_messages:
            key = (message.topic, message.payload)
            if self._aside[key] > 0:
                self._aside[key] -= 1
                back.append(message)
        self._aside.clear()
        self._aside_messages.clear()
        for message in back:
            self.put(message)
        return len(back)

    def _cross_off(self, message: Message) -> None:
        key = (message.topic, message.payload)
        left = self._aside.get(key, 0)
        if left > 1:
            self._aside[key] = left - 1
        elif left:
            del self._aside[key]
        if not self._aside:
            self._aside_messages.clear()


def _size(messages: list[Message]) -> int:
    return sum(len(message.payload) + len(message.topic) + _OVERHEAD_BYTES for message in messages)
