"""The air of a site: a daily curve of its local hours, day-by-day fronts, clear and cloudy nights.

The temperature is a plain function of time, so that any stretch of it can be had without the stretches before.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from simulated.scenario import Weather

Floats = NDArray[np.float64]

GAS_CONSTANT = 287.05  # J/(kg K), dry air
SEA_LEVEL_PA = 101_325.0


class Air:
    """Temperature of a site at any time."""

    def __init__(self, weather: Weather, seed: int, stream: int) -> None:
        self._weather = weather
        self._seed = (seed, stream)
        self._turn = float(np.random.default_rng(self._seed).uniform(0.0, 6.28))
        self._days: dict[int, tuple[float, float]] = {}

    def _day(self, day: int) -> tuple[float, float]:
        """Front (K) and cloudiness (factor on the swing) of a day."""
        if day not in self._days:
            rng = np.random.default_rng([*self._seed, day + 100_000])
            self._days[day] = (
                float(np.clip(rng.standard_normal(), -2.2, 2.2)) * self._weather.fronts_c,
                float(rng.uniform(0.5, 1.35)),
            )
        return self._days[day]

    def temperature(self, local: Floats) -> Floats:
        """Degrees C at local times (s since 1970 in local time), ascending."""
        w = self._weather
        day = local / 86400.0
        # Fronts and clouds change smoothly from noon to noon.
        base = np.floor(day - 0.5).astype(int)
        first = int(base[0])
        nodes = np.array([self._day(d) for d in range(first, int(base[-1]) + 2)])
        part = day - 0.5 - base
        part = part * part * (3.0 - 2.0 * part)
        left, right = nodes[base - first], nodes[base - first + 1]
        front = left[:, 0] * (1.0 - part) + right[:, 0] * part
        cloud = left[:, 1] * (1.0 - part) + right[:, 1] * part
        hour = (local % 86400.0) / 3600.0
        # Warmest near 15 h, coldest near 6 h: a cosine whose falling half takes longer than its rising one.
        phase = np.where((hour >= 6.0) & (hour < 15.0), (hour - 6.0) / 9.0, 1.0 + ((hour - 15.0) % 24.0) / 15.0)
        curve = -np.cos(np.pi * phase)
        ripple = np.sin(local / 437.0 + self._turn) + 0.6 * np.sin(local / 151.0) + 0.5 * np.sin(local / 1260.0)
        return np.asarray(w.mean_c + front + w.swing_c * cloud * curve + w.noise_c * ripple, np.float64)


def pressure(altitude_m: float) -> float:
    """Air pressure at an altitude (Pa), standard atmosphere, ISO 2533, up to 11 km."""
    return SEA_LEVEL_PA * float((1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def thickness(air_c: Floats | float, altitude_m: float) -> Floats:
    """Density of the air (kg/m3) at a temperature (degrees C) and altitude (m). Humidity left out: under 1 %."""
    return np.asarray(pressure(altitude_m) / (GAS_CONSTANT * (np.asarray(air_c) + 273.15)), np.float64)


Temperature = Callable[[Floats], Floats]
