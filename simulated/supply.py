"""The source behind a supply: its open-circuit volts through time, and its impedance.

Own loads are not here: the clockwork takes their currents through the impedance. What is here comes from outside:
the daily swing, small unrest, sags, outages, unbalance.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulated.scenario import Supply

Floats = NDArray[np.float64]
TURN = complex(-0.5, math.sqrt(3.0) / 2.0)
X_OVER_R = 1.3  # small transformer and line together (common practice)


def impedance(supply: Supply) -> NDArray[np.complex128]:
    """Impedance of each leg (ohm) that gives the named drop at the named load."""
    current = supply.kva * 1000.0 / (math.sqrt(3.0) * supply.volts if supply.phases == 3 else supply.volts)
    # A load of power factor 0.85 drops I (R cos + X sin).
    size = supply.drop_percent / 100.0 * supply.volts / current
    size /= math.sqrt(3.0) if supply.phases == 3 else 2.0
    common = size / (0.85 + X_OVER_R * 0.527) * complex(1.0, X_OVER_R)
    return np.array([common * leg for leg in supply.legs])


class Source:
    """Open-circuit volts of one supply, block after block."""

    def __init__(self, supply: Supply, rng: np.random.Generator) -> None:
        self.supply = supply
        self.impedance = impedance(supply)
        self._rng = rng
        self._unrest = 0.0
        angle = supply.unbalance_degrees
        drawn = rng.uniform(0.0, 360.0)
        self.angle = math.radians(angle if angle is not None else drawn)

    def block(
        self, local: Floats, step: float, by_percent: Floats, unbalance: Floats
    ) -> tuple[NDArray[np.complex128], NDArray[np.int64]]:
        """Volts to neutral (n, 3), and 0 where the source itself is dead (n,).

        local: local time of the steps (s); by_percent: changes by events (%); unbalance: further negative sequence (%).
        """
        s, n = self.supply, local.size
        hour = (local % 86400.0) / 3600.0
        level = 1.0 + s.swing_percent / 100.0 * np.cos(2.0 * np.pi * (hour - 6.5) / 24.0)
        keep = math.exp(-step / 120.0)
        kicks = self._rng.standard_normal(n) * math.sqrt(1.0 - keep * keep)
        unrest = np.empty(n)
        last = self._unrest
        for i, kick in enumerate(kicks.tolist()):
            last = keep * last + kick
            unrest[i] = last
        self._unrest = last
        level += s.noise_percent / 100.0 * unrest + by_percent / 100.0
        alive = np.ones(n, np.int64)
        span = n * step
        for _ in range(self._rng.poisson(s.sags_per_day * span / 86400.0)):
            begin = int(self._rng.integers(0, n))
            length = max(1, round(self._rng.exponential(s.sag_seconds) / step))
            level[begin : begin + length] -= s.sag_percent / 100.0 * self._rng.uniform(0.4, 1.2)
        for _ in range(self._rng.poisson(s.outages_per_month * span / (30.0 * 86400.0))):
            begin = int(self._rng.integers(0, n))
            length = max(1, round(self._rng.uniform(0.3, 1.7) * s.outage_minutes * 60.0 / step))
            alive[begin : begin + length] = 0  # not longer than the block
        level = np.maximum(level, 0.0)
        if s.phases == 1:
            half = 0.5 * s.volts * level
            return np.stack([half + 0j, -half + 0j, 0j * half], axis=1), alive
        forward = s.volts / math.sqrt(3.0) * level
        behind = (
            forward * (s.unbalance_percent + unbalance) / 100.0 * complex(math.cos(self.angle), math.sin(self.angle))
        )
        return np.stack(
            [forward + behind, TURN * TURN * forward + TURN * behind, TURN * forward + TURN * TURN * behind], axis=1
        ), alive
