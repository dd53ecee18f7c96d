"""Notices when the broker holds messages back until older ones are acknowledged.

A broker has only so many messages on the way to us at a time (20 with mosquitto's defaults, 100 with the embedded one)
and sends the next ones as we acknowledge. We acknowledge after a commit, one a second: fine as long as fewer come a
second. With a backlog at the broker it would take hours to work off, so then each window is stored and acknowledged at
once, and the flash card pays for it only as long as the backlog lasts.
"""

from __future__ import annotations

from collections.abc import Sequence

from monitor.links.mqtt import Message

LEAST = 10
"""Fewer messages than this in a window are no sign of a backlog."""
RELEASED_MS = 60.0
"""What comes so soon after an acknowledgement was released by it."""
SHARE = 0.8
"""A window that is filled again to this share was full."""


class Hurry:
    """Kept by the worker; told of each acknowledgement and of all that is taken."""

    def __init__(self) -> None:
        self.now = False
        """Store and acknowledge at once, do not wait for the second to be over."""
        self.expecting = False
        """A window was just acknowledged in a hurry: the next one is on its way."""
        self._window = 0
        self._at_ms = 0.0
        self._released = 0

    def acknowledged(self, count: int, at_ms: float) -> None:
        """So many messages were acknowledged at this wall time."""
        self.expecting, self.now = self.now, False
        self._window, self._at_ms, self._released = count, at_ms, 0

    def taken(self, messages: Sequence[Message]) -> None:
        """These came since."""
        self._released += sum(1 for one in messages if -1.0 <= one.received_ms - self._at_ms <= RELEASED_MS)
        if self._full():
            self.now = True

    def _full(self) -> bool:
        return self._window >= LEAST and self._released >= SHARE * self._window
