"""What the supervisor is told: that the service is ready, lives, stops, and how it is, in words.

The protocol of systemd's sd_notify(3): datagrams of lines KEY=VALUE to the socket named in $NOTIFY_SOCKET, a path or,
with "@" first, an abstract name (unix(7)). Without that variable nothing is sent. Whatever goes wrong here never
touches the watch.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable, Mapping
from typing import Final

SHARE: Final = 0.25
"""A sign of life is given so often, as a share of the time after which the supervisor gives us up (it advises half)."""
STATUS_SECONDS: Final = 5.0
"""The words are told again no sooner."""
WAIT_SECONDS: Final = 120.0
"""A start that must wait (for the clock) asks for so much longer each time."""


class Supervisor:
    """Told of the worker's turns by the worker's own thread: so silence here means that the worker hangs."""

    def __init__(
        self, environment: Mapping[str, str] = os.environ, *, steady: Callable[[], float] = time.monotonic
    ) -> None:
        self._address = environment.get("NOTIFY_SOCKET", "")
        self._steady = steady
        self._told_at = self._alive_at = -float("inf")
        self._words = ""
        self._ready = False
        self.watchdog_seconds = self._watchdog(environment)
        """The supervisor starts the service again after so long without a sign of life; None: it does not ask."""

    @staticmethod
    def _watchdog(environment: Mapping[str, str]) -> float | None:
        meant = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        with contextlib.suppress(ValueError):
            microseconds = int(environment.get("WATCHDOG_USEC", ""))
            if meant and microseconds > 0:
                return microseconds / 1e6
        return None

    def alive(self, words: Callable[[], str]) -> None:
        """The worker has gone round, and tries to store what there is to store.

        Parameters
        ----------
        words : how it is, in one line
        """
        if not self._address:
            return
        now = self._steady()
        if not self._ready:
            self._ready = True
            self._send("READY=1")
        if self.watchdog_seconds is not None and now - self._alive_at >= SHARE * self.watchdog_seconds:
            self._alive_at = now
            self._send("WATCHDOG=1")
        if now - self._told_at >= STATUS_SECONDS:
            self._told_at = now
            said = _line(words())
            if said != self._words:
                self._words = said
                self._send(f"STATUS={said}")

    def waits(self, words: str) -> None:
        """The start takes longer: it waits for something outside."""
        self._send(f"EXTEND_TIMEOUT_USEC={int(WAIT_SECONDS * 1e6)}\nSTATUS={_line(words)}")

    def stopping(self) -> None:
        """An orderly stop has begun."""
        self._send("STOPPING=1\nSTATUS=stopping: storing what is worked out")

    def _send(self, text: str) -> None:
        if not self._address.startswith(("/", "@")):
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)  # a supervisor that does not read must not hold the worker
            sock.sendto(text.encode(), address)


def _line(words: str) -> str:
    return " ".join(words.split())
