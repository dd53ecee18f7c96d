"""An axial fan with settable blade pitch, blowing into a bed of grain.

The fan is fitted to its bin: at the reference (reference pitch, 20 degrees C, rated speed, grain depth at registration)
it takes a given shaft power and turns a given share of it into air power. From there

* speed and density follow the AMCA fan laws (flow with speed, pressure with density and speed squared, power with
  density and speed cubed),
* pitch stretches flow, pressure and power so that along the bed's curve the shaft power changes by exp(slope) a degree;
* more back-pressure means less flow and, on an axial fan, more shaft power (US DOE/AMCA, "Improving Fan System
  Performance", from memory); below some six tenths of the design flow the blades stall and the power gets unsteady.

The shapes of the two curves are invented within what such fans do (derived, no source).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from simulated.bed import drop
from simulated.compiled import compiled

# Places in the parameter vector of a fan.
FLOW, PRESSURE, POWER, DENSITY, SLOPE, PITCH, RISE, AREA, GRAIN_A, GRAIN_B, PACKING, SHARE = range(12)
SIZE = 12

SYSTEM_EXPONENT = 1.5
"""Bed pressure goes with about this power of the flow near the working point (ASABE D272.3 gives 1.3 to 1.8)."""
SHUT_OFF = 1.9
"""Pressure at no flow over pressure at the design point."""
STALL_FLOW = 0.6
"""Share of the design flow below which the blades stall."""


def fit(
    *,
    watts: float,
    density: float,
    slope: float,
    pitch: float,
    area: float,
    depth: float,
    grain: tuple[float, float],
    packing: float = 1.5,
    rise: float = 0.5,
    efficiency: float = 0.55,
    share: float = 1.0,
) -> NDArray[np.float64]:
    """The fan that takes `watts` at the shaft on this bed.

    watts: shaft power at the reference (W, above 0); density: air there (kg/m3); slope: of the logarithm of shaft
    power, per degree of pitch (0.03 to 0.15); pitch: reference (degrees); area: bin floor (m2); depth: of grain (m);
    share: of the bin's air that this fan gives (1 for one fan, 0.5 for two); rise: relative rise of power per relative
    loss of flow.
    """
    low, high = 0.0, 200.0
    for _ in range(80):
        flow = 0.5 * (low + high)
        if flow * drop(*grain, packing, max(depth, 0.3), flow / share / area) > efficiency * watts:
            high = flow
        else:
            low = flow
    p = np.zeros(SIZE)
    pressure = drop(*grain, packing, max(depth, 0.3), low / share / area)
    p[:] = (low, pressure, watts, density, slope, pitch, rise, area, *grain, packing, share)
    return p


@compiled
def working_point(
    p: NDArray[np.float64], depth: float, density: float, pitch: float, speed: float, share: float, guess: float
) -> tuple[float, float]:
    """Flow over design flow (at this pitch and speed), and shaft power (W), on a bed of the given depth (m).

    density of the air at the fan in kg/m3; pitch in degrees; speed over rated speed; share as in fit(), now; guess: the
    last first result.
    """
    stretch = math.exp(p[SLOPE] * (pitch - p[PITCH]) / (SYSTEM_EXPONENT + 1.0))
    thick = density / p[DENSITY]
    head = p[PRESSURE] * thick * speed * speed * stretch**SYSTEM_EXPONENT
    wide = p[FLOW] * speed * stretch
    low, high = 0.02, math.sqrt(SHUT_OFF / (SHUT_OFF - 1.0))
    q = min(max(guess, low), high)
    for _ in range(60):
        give = head * (SHUT_OFF - (SHUT_OFF - 1.0) * q * q)
        take = drop(p[GRAIN_A], p[GRAIN_B], p[PACKING], depth, wide * q / share / p[AREA])
        miss = give - take
        if miss > 0.0:
            low = q
        else:
            high = q
        # Newton with the slopes of both curves; falls back to halving outside the bracket.
        slope = -2.0 * head * (SHUT_OFF - 1.0) * q - SYSTEM_EXPONENT * take / q
        new = q - miss / slope
        if not low < new < high:
            new = 0.5 * (low + high)
        if abs(new - q) < 1e-9:
            q = new
            break
        q = new
    return q, power(p, q, thick, pitch, speed)


@compiled
def power(p: NDArray[np.float64], q: float, thick: float, pitch: float, speed: float) -> float:
    """Shaft power (W) at flow q (over design), density ratio `thick`, pitch (degrees) and speed (over rated)."""
    shape = 1.0 + p[RISE] * (1.0 - q)
    if q < STALL_FLOW:
        shape += 0.8 * (STALL_FLOW - q)
    return float(p[POWER] * thick * speed**3 * math.exp(p[SLOPE] * (pitch - p[PITCH])) * shape)


@compiled
def unsteadiness(q: float) -> float:
    """Standard deviation of the shaft power's short swings, relative; small in clean flow, large in stall."""
    return 0.003 if q >= STALL_FLOW else 0.003 + 0.12 * (STALL_FLOW - q)
