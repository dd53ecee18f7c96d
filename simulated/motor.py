"""An induction motor as an equivalent circuit, fitted to its nameplate figures.

Three-phase: the per-phase star circuit, solved once for the positive sequence at slip s and once for the negative
sequence at slip 2 - s; the legs are put together again as phasors. Single-phase (capacitor-run): one circuit in which
the forward field stands in series with a part of the backward field, as in the double-revolving-field theory; the
run capacitor is contained in the nameplate's power factor and in the weakness of the backward field.

    stator R1 + jX1, then in parallel: core conductance, magnetising reactance (saturates), rotor R2/s + jX2.

Rotor resistance rises and rotor leakage falls with rotor frequency (deep bars), so that the locked rotor and the
negative sequence see another rotor than the running one.
References: any text on electric machines, e.g. Fitzgerald, Kingsley and Umans, "Electric Machinery", chapters on
polyphase and single-phase induction machines (from memory). The split of losses and the typical figures below are
common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated.compiled import compiled

WATTS_PER_HP = 745.7

# Places in the parameter vector of a circuit.
PHASES, R1, X1, CORE, XM, E_RATED, BEND, R2, X2, BACK, FRICTION, SLIP, V_LINE = range(13)
SIZE = 13

# Deep bars: rotor resistance at slip s is R2 (1 + RISE s), leakage X2 / (1 + FALL s). Chosen so that starting torque is
# some 1.5 to 2.5 of rated and locked current some 6 of rated (common practice).
RISE = 0.8
FALL = 0.60
SATURATION = 0.15
"""Share of the rated magnetising current that goes with the seventh power of the flux (common practice)."""

THIRD = complex(-0.5, math.sqrt(3.0) / 2.0)  # a turn by 120 degrees

# How the motor is fed.
THREE_LEGS, OPEN_LEG, ONE_PHASE = 0, 1, 2


class PlateError(ValueError):
    """Nameplate figures from which no motor can be made; the message names the figure."""


@dataclass(frozen=True)
class Circuit:
    """A fitted motor."""

    parameters: NDArray[np.float64]
    """Circuit values (ohm, siemens, W, V), places as in this file."""
    rated_watts: float
    """Shaft power at rated load, W."""
    rated_amps: float
    """Line current at rated load and rated voltage, A."""
    synchronous_rpm: float
    """Speed of the field, 1/min."""
    locked_amps: float
    """Line current at standstill and rated voltage, A."""


def fit(
    *,
    watts: float,
    volts: float,
    amps: float,
    phases: int,
    power_factor: float,
    poles: int = 4,
    rated_slip: float | None = None,
    locked_ratio: float = 6.5,
    hertz: float = 60.0,
) -> Circuit:
    """Find the circuit that takes `amps` at `power_factor` when it gives `watts` at the shaft at `volts`.

    watts: rated shaft power (W, above 0); volts: line to line (V); amps: line current at rated load (A); power_factor:
    0.5 to 0.98; rated_slip: 0.005 to 0.08, typical if not given; locked_ratio: locked over rated current, 4.5 to 9.
    The efficiency follows from the rest. Raises PlateError where it is not between 0.6 and 0.97.
    """
    if phases not in (1, 3):
        raise PlateError(f"phases: expected 1 or 3, found {phases}")
    n = float(phases)
    phase_volts = volts / math.sqrt(3.0) if phases == 3 else volts
    taken = n * phase_volts * amps * power_factor
    efficiency = watts / taken
    if not 0.6 <= efficiency <= 0.97:
        raise PlateError(
            f"full_load_amps: {amps:g} A at {volts:g} V and power factor {power_factor:g} means an efficiency of "
            f"{100 * efficiency:.0f} %, expected 60 to 97 %"
        )
    hp = watts / WATTS_PER_HP
    slip = rated_slip if rated_slip is not None else min(0.045, max(0.015, 0.036 / max(hp, 0.5) ** 0.15))
    losses = taken - watts
    friction = min(0.012 * watts + 0.08 * losses, 0.2 * losses)  # bearings, windage, stray
    rotor_loss = slip / (1.0 - slip) * (watts + friction)
    if losses - friction - rotor_loss < 0.15 * losses:  # a slip too large for these losses
        rotor_loss = 0.85 * losses - friction
        slip = rotor_loss / (rotor_loss + watts + friction)
    gap = watts + friction + rotor_loss
    copper = 0.62 * (taken - gap)
    core = 0.38 * (taken - gap)
    current = amps * complex(power_factor, -math.sqrt(1.0 - power_factor**2))
    back = 0.0 if phases == 3 else 0.16
    wanted = phase_volts / (locked_ratio * amps)

    low, high = 0.002 * phase_volts / amps, 0.30 * phase_volts / amps
    found: NDArray[np.float64] | None = None
    for _ in range(60):
        leak = 0.5 * (low + high)
        trial = _circuit(n, phase_volts, current, gap, copper, core, slip, leak, back, friction, volts)
        if trial is None:
            high = leak
            continue
        found = trial
        if abs(_standing_impedance(trial)) < wanted:
            low = leak
        else:
            high = leak
    if found is None:
        raise PlateError(
            f"power_factor: no motor takes {amps:g} A at power factor {power_factor:g} and starts as usual"
        )
    locked = phase_volts / abs(_standing_impedance(found))
    return Circuit(found, watts, amps, 120.0 * hertz / poles, locked)


def _circuit(
    n: float,
    phase_volts: float,
    current: complex,
    gap: float,
    copper: float,
    core: float,
    slip: float,
    leak: float,
    back: float,
    friction: float,
    volts: float,
) -> NDArray[np.float64] | None:
    """The circuit with leakage `leak` (ohm) on both sides that meets the rated point; None if there is none."""
    amps = abs(current)
    r1 = copper / (n * amps * amps)
    behind = 0j  # backward field, in series with the stator (single-phase only)
    behind_torque = 0.0
    p = np.zeros(SIZE)
    for _ in range(40 if back else 1):
        e = phase_volts - current * (complex(r1, leak) + behind)
        needed = (gap + behind_torque) / n  # the forward field must also overcome the backward one
        a = abs(e) ** 2 / needed
        x2 = leak / (1.0 + FALL * slip)
        if a < 2.0 * x2:
            return None
        r = 0.5 * (a + math.sqrt(a * a - 4.0 * x2 * x2))
        through_rotor = abs(e) ** 2 / (r * r + x2 * x2)
        conductance = core / (n * abs(e) ** 2)
        into = e * current.conjugate()
        magnetising = into.imag - through_rotor * x2
        if magnetising <= 0.02 * abs(into):
            return None
        r2 = r * slip / (1.0 + RISE * slip)
        p[:] = (
            n,
            r1,
            leak,
            conductance,
            abs(e) ** 2 / magnetising,
            abs(e),
            0.15,
            r2,
            leak,
            back,
            friction,
            slip,
            volts,
        )
        if not back:
            break
        z = field(p, 2.0 - slip, abs(e))
        new = back * z
        e_back = current * z
        zr = rotor(p, 2.0 - slip)
        behind_torque = back * n * abs(e_back) ** 2 * (1.0 / zr).real
        # What the backward field takes is taken from the stator's share of the losses, so that the input stays right.
        spare = copper - n * amps * amps * new.real
        r1 = max(0.25 * copper, spare - behind_torque) / (n * amps * amps)
        behind = new
    return p


@compiled
def rotor(p: NDArray[np.float64], slip: float) -> complex:
    """Rotor impedance at a slip (ohm)."""
    return complex(p[R2] * (1.0 + RISE * slip) / slip, p[X2] / (1.0 + FALL * slip))


@compiled
def field(p: NDArray[np.float64], slip: float, e: float) -> complex:
    """Impedance behind the stator at a slip (ohm), with air-gap voltage e (V) on the saturating iron."""
    ratio = e / p[E_RATED]
    bent = (1.0 - p[BEND]) + p[BEND] * ratio**6
    return complex(1.0 / (p[CORE] + 1.0 / complex(0.0, p[XM] / bent) + 1.0 / rotor(p, slip)))


@compiled
def _standing_impedance(p: NDArray[np.float64]) -> complex:
    z = complex(p[R1], p[X1]) + field(p, 1.0, 0.5 * p[E_RATED])
    if p[BACK] > 0.0:
        z += p[BACK] * field(p, 1.0, 0.5 * p[E_RATED])
    return z


@compiled
def currents(
    p: NDArray[np.float64], feed: int, v1: complex, v2: complex, slip: float, e: float
) -> tuple[complex, complex, float, float]:
    """Sequence currents (A), torque as power at the field's speed (W), and the air-gap voltage (V), at a given slip.

    feed THREE_LEGS: v1, v2 are the sequence voltages to neutral (V). OPEN_LEG: v1 is the voltage across the two live
    legs, second less third in the sense of rotation (V); the first result is then the positive-sequence current seen
    from the open leg. ONE_PHASE: v1 is the voltage (V), the first result the line current.
    """
    z1 = complex(p[R1], p[X1])
    forward = field(p, slip, e)
    backward = field(p, 2.0 - slip, 0.3 * p[E_RATED])
    g1 = (1.0 / rotor(p, slip)).real
    g2 = (1.0 / rotor(p, 2.0 - slip)).real
    if feed == THREE_LEGS:
        i1 = v1 / (z1 + forward)
        i2 = v2 / (z1 + backward)
        e1, e2, weight = i1 * forward, i2 * backward, 1.0
    elif feed == OPEN_LEG:
        i1 = v1 / ((THIRD * THIRD - THIRD) * (2.0 * z1 + forward + backward))
        i2 = -i1
        e1, e2, weight = i1 * forward, i2 * backward, 1.0
    else:
        weight = p[BACK]
        i1 = v1 / (z1 + forward + weight * backward)
        i2 = 0j
        e1, e2 = i1 * forward, i1 * backward
    torque = p[PHASES] * (abs(e1) ** 2 * g1 - weight * abs(e2) ** 2 * g2)
    return i1, i2, torque, abs(e1)


@compiled
def settle(
    p: NDArray[np.float64], feed: int, v1: complex, v2: complex, load: float, drag: float, slip: float, e: float
) -> tuple[complex, complex, float, float, bool]:
    """Find the slip at which the motor drives its fan: sequence currents, slip, air-gap voltage, and whether it holds.

    load: fan's shaft power at the rated speed (W), falling with the cube of speed; drag: further friction at rated
    speed (W), with the square; slip, e: where to begin (the last answer). The last result is False where the motor
    has no such point (it stalls).
    """
    rated_speed = 1.0 - p[SLIP]
    older, older_miss = 0.0, 0.0
    i1 = i2 = 0j
    for turn in range(40):
        i1, i2, torque, gap = currents(p, feed, v1, v2, slip, e)
        speed = (1.0 - slip) / rated_speed
        asked = load * speed**3 + (p[FRICTION] + drag) * speed**2
        given = torque * (1.0 - slip)
        miss = given - asked
        if abs(miss) < 1e-7 * asked and abs(gap - e) < 1e-6 * p[E_RATED]:
            return i1, i2, slip, gap, True
        if turn > 0 and slip != older and miss != older_miss:
            new = slip - miss * (slip - older) / (miss - older_miss)
        else:
            new = slip * asked / given if given > 0.0 else 2.0 * slip
        new = min(max(new, 0.3 * slip), 2.0 * slip)
        if new > 0.35:
            break
        older, older_miss = slip, miss
        slip, e = max(new, 1e-5), gap
    return i1, i2, slip, e, False


def run_up(p: NDArray[np.float64], load: float, points: int) -> NDArray[np.float64]:
    """Slips of a start at rated voltage, at equal steps of time from standstill to nearly full speed.

    load: fan's shaft power at rated speed (W). The length of the start is left to the caller: only the shape is here.
    """
    feed = THREE_LEGS if p[PHASES] == 3.0 else ONE_PHASE
    v1 = complex(p[V_LINE] / (math.sqrt(3.0) if feed == THREE_LEGS else 1.0), 0.0)
    slips = np.linspace(1.0, 1.6 * p[SLIP], 101)
    torque = np.array([currents(p, feed, v1, 0j, slip, 0.7 * p[E_RATED])[2] for slip in slips.tolist()])
    spare = np.maximum(torque - load * (1.0 - slips) ** 2, 0.05 * load)
    times = np.concatenate([[0.0], np.cumsum(1.0 / spare[:-1])])  # equal steps of speed, each taking its time
    return np.asarray(np.interp(np.linspace(0.0, times[-1], points), times, slips), np.float64)


def legs(i1: complex, i2: complex) -> tuple[complex, complex, complex]:
    """Leg phasors from the sequence currents of a motor without a neutral (A)."""
    return i1 + i2, THIRD * THIRD * i1 + THIRD * i2, THIRD * i1 + THIRD * THIRD * i2
