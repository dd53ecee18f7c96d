"""How far each logger's clock is off, by its live readings.

Only what arrives live tells of a clock: a logger that gives its backlog sends old times with a right clock. Then the
difference between receipt and reading shrinks from one arrival to the next, at the pace of the backlog; of a clock that
is off it stays the same. So the last nine arrivals count only if their differences are steady.
"""

from __future__ import annotations

from collections import deque
from statistics import median

ARRIVALS = 9
"""As many as the period is learned from."""
SUSPECT_SECONDS = 60.0
APART_SECONDS = 5.0
"""Of readings that arrive closer together one is looked at: a bunch would make all of it look unsteady."""
STEADY_SHARE, STEADY_SECONDS = 0.25, 2.0
"""Differences are steady if they stay within this share of the time that the arrivals span, and a little for short
spans. So a backlog that is given back at 4/3 of time's pace, or faster, is told from a clock (worked out for this
project)."""


class Clocks:
    """Remembers, for each point, when its last live readings were made and when they came."""

    def __init__(self) -> None:
        self._arrivals: dict[int, deque[tuple[float, float]]] = {}

    def heard(self, row: int, t_ms: float, received_ms: float) -> None:
        """A reading with a time of its own that is newer than all before it; the newest of its message."""
        arrivals = self._arrivals.get(row)
        if arrivals is None:
            arrivals = self._arrivals[row] = deque(maxlen=ARRIVALS)
        elif abs(received_ms - arrivals[-1][1]) < 1000.0 * APART_SECONDS:
            return
        arrivals.append((t_ms, received_ms))

    def off_seconds(self, row: int) -> float | None:
        """How far a logger's clock is behind ours [s], negative where it is ahead: median of the last nine arrivals.

        None where there are too few, or while a backlog is given back.
        """
        arrivals = self._arrivals.get(row)
        if arrivals is None or len(arrivals) < ARRIVALS:
            return None
        off = [(received - t) / 1000.0 for t, received in arrivals]
        span = (arrivals[-1][0] - arrivals[0][0]) / 1000.0
        if max(off) - min(off) > max(STEADY_SHARE * span, STEADY_SECONDS):
            return None
        return median(off)

    def suspect(self, row: int) -> bool:
        """Whether a logger's clock is off by more than 60 s, on nine live arrivals in a row."""
        off = self.off_seconds(row)
        if off is None or abs(off) <= SUSPECT_SECONDS:
            return False
        return all(abs(received - t) > 1000.0 * SUSPECT_SECONDS for t, received in self._arrivals[row])
