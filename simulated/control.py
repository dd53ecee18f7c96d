"""When a fan's control wants it to run: always, by timer, by the air's temperature, within hours, or by hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulated.course import Courses
from simulated.scenario import Cycle

Floats = NDArray[np.float64]
BAND_C = 1.5


class Control:
    """The control of one fan; keeps its place between blocks."""

    def __init__(self, cycle: Cycle, site: str, fan: str, courses: Courses, rng: np.random.Generator) -> None:
        self._cycle, self._site, self._fan, self._courses, self._rng = cycle, site, fan, courses, rng
        self._on = True
        self._next = 0.0
        self._cold = True

    def wanted(self, times: Floats, local: Floats, air_c: Floats) -> NDArray[np.int64]:
        """1 where it shall run. times: s since the farm's start; local: s of local time; air_c: degrees C."""
        c = self._cycle
        want = np.ones(times.size, np.bool_)
        if c.on_minutes is not None and c.off_minutes is not None:
            for i, t in enumerate(times.tolist()):
                while t >= self._next:
                    if self._next > 0.0:
                        self._on = not self._on
                    length = c.on_minutes if self._on else c.off_minutes
                    self._next += 60.0 * length * float(self._rng.uniform(0.85, 1.15))
                want[i] = self._on
        if c.below_c is not None:
            for i, warm in enumerate(air_c.tolist()):
                if warm > c.below_c + 0.5 * BAND_C:
                    self._cold = False
                elif warm < c.below_c - 0.5 * BAND_C:
                    self._cold = True
                want[i] &= self._cold
        if c.from_hour is not None and c.to_hour is not None:
            hour = (local % 86400.0) / 3600.0
            within = (hour >= c.from_hour) & (hour < c.to_hour)
            want &= within if c.from_hour < c.to_hour else (hour >= c.from_hour) | (hour < c.to_hour)
        if not c.runs_at_start:
            want &= self._courses.during(self._site, self._fan, "on", times)
        want &= ~self._courses.during(self._site, self._fan, "off", times)
        return want.astype(np.int64)
