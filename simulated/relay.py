"""A thermal overload device: three heated strips, one trip bar.

Each strip is a first-order body heated by the square of its leg's current. The bar lets go when the hottest strip has
bent far enough; on devices sensitive to a lost phase it lets go earlier when one strip stays cold. The heating time
follows from the trip class: at 7.2 times the setting, from cold, the device opens in class x factor seconds, factor
0.4 to 1 (IEC 60947-4-1: class 10 opens in 4 to 10 s, 20 in 6 to 20 s, 30 in 9 to 30 s).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulated.compiled import compiled

TEST_MULTIPLE = 7.2
DIFFERENTIAL = 0.3
"""Share of the trip level that a fully cold strip takes away on a device sensitive to a lost phase."""


def heating_seconds(trip_class: float, pickup_ratio: float, time_factor: float) -> float:
    """Time constant (s) of a strip so that the class time holds; pickup_ratio: ultimate trip current over setting."""
    squared = (TEST_MULTIPLE / pickup_ratio) ** 2
    return trip_class * time_factor / -math.log(1.0 - 1.0 / squared)


@compiled
def level(heat: NDArray[np.float64], sensitive: bool) -> float:
    """How far the bar is bent, 1 = opens."""
    hot = max(heat[0], heat[1], heat[2])
    if not sensitive or hot <= 0.0:
        return float(hot)
    cold = min(heat[0], heat[1], heat[2])
    return float(hot / (1.0 - DIFFERENTIAL * (hot - cold) / hot))


@compiled
def warm(heat: NDArray[np.float64], squares: NDArray[np.float64], tau: float, seconds: float, sensitive: bool) -> float:
    """Heat the strips (in place) for some seconds at squares of current over pick-up; seconds until it opens, or -1."""
    if level(heat, sensitive) >= 1.0:
        return 0.0
    start = heat.copy()
    keep = math.exp(-seconds / tau)
    for k in range(3):
        heat[k] = squares[k] + (start[k] - squares[k]) * keep
    if level(heat, sensitive) < 1.0:
        return -1.0
    low, high = 0.0, seconds
    for _ in range(30):
        middle = 0.5 * (low + high)
        keep = math.exp(-middle / tau)
        for k in range(3):
            heat[k] = squares[k] + (start[k] - squares[k]) * keep
        if level(heat, sensitive) < 1.0:
            low = middle
        else:
            high = middle
    return high
