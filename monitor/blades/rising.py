"""A fan that slowly draws more: the straight line through its last two hours of running, and when it meets the limit.

Kept of each fan as means of five minutes of the highest leg: bounded, and the same however the readings were cut. The
line goes through these means, not through the single readings: readings a few seconds apart err alike, and a standard
error from all of them would take a wobble of the load for a rise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.blades.window import EMPTY
from monitor.motor.compiled import Floats

SLOT_MS = 300_000.0
WINDOW_SLOTS = 24
"""Slots of the window: 2 h."""
RING = WINDOW_SLOTS + 2
LEAST_SLOTS = 12
"""Under an hour of running no line is drawn: a motor that warms up draws a little less or more all by itself."""
STANDARD_ERRORS = 2.0
"""A line that rises by more than so many standard errors is told."""
FURTHEST_SECONDS = 12 * 3600.0
"""A line is carried on for half a day at most (common practice, no source)."""

_COUNT, _T, _HIGHEST = range(3)


@dataclass(frozen=True)
class Rising:
    """A line that rises."""

    amps_an_hour: float
    """How fast [A/h], above 0."""
    error: float
    """Standard error of that [A/h]."""
    now_amps: float
    """The line's value at the fan's newest reading [A]."""

    def seconds_to(self, amps: float) -> float | None:
        """How long until the line is at so many amps [s]; None where it is there already, or not within half a day.

        Examples
        --------
        >>> Rising(0.5, 0.1, 14.0).seconds_to(15.0), Rising(0.5, 0.1, 14.0).seconds_to(13.0)
        (7200.0, None)
        """
        seconds = (amps - self.now_amps) / self.amps_an_hour * 3600.0
        return seconds if 0.0 < seconds <= FURTHEST_SECONDS else None


class Trails:
    """Rings of five-minute sums for a number of fans."""

    def __init__(self, fans: int) -> None:
        self._number = np.full((fans, RING), EMPTY, np.int64)
        self._sums = np.zeros((fans, RING, 3))

    @property
    def fans(self) -> int:
        """How many fans there is room for."""
        return len(self._number)

    def grow(self, fans: int) -> None:
        """Makes room for more fans; those there keep their rings."""
        more = fans - self.fans
        if more > 0:
            self._number = np.vstack([self._number, np.full((more, RING), EMPTY, np.int64)])
            self._sums = np.concatenate([self._sums, np.zeros((more, RING, 3))])

    def forget(self, fan: int) -> None:
        """Empties a fan's ring: its motor or its blades were changed."""
        self._number[fan] = EMPTY
        self._sums[fan] = 0.0

    def add(self, fan: NDArray[np.integer], t_ms: Floats, highest: Floats, settled: NDArray[np.bool_]) -> None:
        """Adds a batch of readings in the order of their time.

        Parameters
        ----------
        fan : (n,) row of the fan, 0 to fans - 1
        t_ms : (n,) event time [ms]
        highest : (n,) highest leg [A]; a row with NaN is left out
        settled : (n,) running and past the first minute of its run
        """
        use = np.asarray(settled, bool) & ~np.isnan(highest)
        if not use.any():
            return
        fan, t_ms, highest = fan[use], t_ms[use], highest[use]
        number = np.floor_divide(t_ms, SLOT_MS).astype(np.int64)
        place = number % RING
        before = self._number[fan, place]
        np.maximum.at(self._number, (fan, place), number)
        newest = self._number[fan, place]
        stale = newest != before
        self._sums[fan[stale], place[stale]] = 0.0
        kept = number == newest  # what is older than the ring is left out
        fan, t_ms, highest, number, place = fan[kept], t_ms[kept], highest[kept], number[kept], place[kept]
        row = np.column_stack([np.ones(len(fan)), (t_ms - number * SLOT_MS) / 1000.0, highest])
        np.add.at(self._sums, (fan, place), row)  # row after row: the same sums however the rows were cut

    def line(self, fan: int, now_ms: float, since_ms: float) -> Rising | None:
        """The line through the last 2 h of the present run, where it rises by more than twice its standard error.

        Parameters
        ----------
        fan : row of the fan
        now_ms : event time of its newest reading [ms]
        since_ms : start of its run [ms]; whole slots after it count

        Examples
        --------
        >>> t = np.arange(0.0, 7_200_000.0, 10_000.0)
        >>> trails = Trails(1)
        >>> trails.add(np.zeros(len(t), int), t, 14.0 + t / 7_200_000.0, np.ones(len(t), bool))
        >>> found = trails.line(0, t[-1], 0.0)
        >>> round(found.amps_an_hour, 6), round(found.now_amps, 3), round(found.seconds_to(15.5) / 60)
        (0.5, 14.999, 60)
        """
        last = math.floor(now_ms / SLOT_MS)
        first = last - WINDOW_SLOTS + 1
        if math.isfinite(since_ms):
            first = max(first, math.ceil(since_ms / SLOT_MS))
        numbers = self._number[fan]
        within = np.flatnonzero((numbers >= first) & (numbers <= last))
        if len(within) < LEAST_SLOTS:
            return None
        sums = self._sums[fan, within]
        count = sums[:, _COUNT]
        hours = ((numbers[within] - last) * (SLOT_MS / 1000.0) + sums[:, _T] / count) / 3600.0
        amps = sums[:, _HIGHEST] / count
        share = count / count.sum()
        t_mean, amps_mean = float(share @ hours), float(share @ amps)
        tt = float(share @ (hours - t_mean) ** 2)
        slope = float(share @ ((hours - t_mean) * (amps - amps_mean))) / tt
        residual = float(share @ (amps - amps_mean - slope * (hours - t_mean)) ** 2)
        error = math.sqrt(residual / (len(within) - 2.0) / tt)
        if not slope > STANDARD_ERRORS * error:
            return None
        now_hours = (now_ms - last * SLOT_MS) / 3_600_000.0
        return Rising(slope, error, float(amps_mean + slope * (now_hours - t_mean)))
