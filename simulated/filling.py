"""Grain that comes and goes: a bin is filled now and then through the harvest, and drawn down again."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulated.scenario import Bin

Floats = NDArray[np.float64]
HOUR = 3600.0


class Filling:
    """Depth of grain in one bin beyond its first, through time."""

    def __init__(self, bin_: Bin, rng: np.random.Generator) -> None:
        self._bin, self._rng = bin_, rng
        self._next = math.inf
        if bin_.fills_per_month > 0.0:
            self._mean_gap = 30.0 * 24.0 * HOUR / bin_.fills_per_month
            self._next = float(rng.exponential(self._mean_gap))
        self._spells: list[tuple[float, float, float, float]] = []

    def depth(self, times: Floats) -> Floats:
        """Feet of grain at the times (s since the farm's start, ascending; blocks follow each other)."""
        rng = self._rng
        while self._next <= times[-1]:
            begin, ramp = self._next, HOUR * float(rng.uniform(1.0, 10.0))
            stays = HOUR * float(rng.uniform(12.0, 96.0))
            self._spells.append((begin, ramp, begin + ramp + stays, self._bin.fill_feet * float(rng.uniform(0.4, 1.6))))
            self._next = begin + float(rng.exponential(self._mean_gap))
        self._spells = [spell for spell in self._spells if spell[2] + spell[1] >= times[0]]
        total = np.zeros(times.size)
        for begin, ramp, end, feet in self._spells:
            total += feet * (np.clip((times - begin) / ramp, 0.0, 1.0) - np.clip((times - end) / ramp, 0.0, 1.0))
        return total
