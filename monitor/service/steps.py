"""The wall clock beside the steady one: when it was set, and by how much.

What waits is due by the wall clock, since only that goes on while the service is down. A clock that is set must not
make it wait a day longer, nor let a day pass at once.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

LEAST_SECONDS: Final = 30.0
"""Less than this is no step: clocks that are kept by NTP are moved by seconds."""
MOST_KEPT: Final = 50


class Steps:
    """Steps of the wall clock since this was made. A computer that slept has made one forward, rightly so."""

    def __init__(self, clock: Callable[[], float], steady: Callable[[], float]) -> None:
        """
        Parameters
        ----------
        clock : seconds since 1970
        steady : seconds that only ever go on
        """
        self._clock = clock
        self._steady = steady
        self._lock = threading.Lock()
        self._ahead = clock() - steady()
        self._forward: list[tuple[float, float]] = []
        """Time before a step forward, its length."""
        self._back = 0.0

    def look(self) -> None:
        """Compares the clocks. A time from the wall clock means what it says only until the next look."""
        with self._lock:
            now = self._clock()
            ahead = now - self._steady()
            step = ahead - self._ahead
            if abs(step) < LEAST_SECONDS:
                return
            self._ahead = ahead
            if step > 0.0:
                self._forward = [*self._forward, (now - step, step)][-MOST_KEPT:]
            else:  # set back into a step forward, or to before it: so much of that is undone
                self._back -= step
                self._forward = [(before, min(length, now - before)) for before, length in self._forward]
                self._forward = [one for one in self._forward if one[1] > 0.0]

    @property
    def back(self) -> float:
        """By how much the clock was set back and nobody has dealt with it yet [s]."""
        return self._back

    def dealt_with(self, seconds: float) -> None:
        """So much of `back` has been dealt with."""
        with self._lock:
            self._back -= seconds

    def skipped_since(self, time: float) -> float:
        """Of the time that by the clock has passed since then: how much was skipped, as far as we have seen [s]."""
        with self._lock:
            return sum(length for before, length in self._forward if time <= before)
