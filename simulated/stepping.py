"""The farm's clockwork: one compiled pass over time steps and fans.

A step is some seconds long. In each step the wishes of the control, the supply and the overload devices decide which
fans run; the supply's volts follow from the currents of the step before (of this step, iterated, where a fan has started
or stopped); each running fan finds its working point on the bed and its motor the slip that carries it; the overload
strips warm up, and open at their instant within the step. Starts run through a curve of slip worked out beforehand.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulated import fan, motor, relay
from simulated.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Phasors = NDArray[np.complex128]

# Codes of the log.
STARTED, STOPPED, SUPPLY_LOST, TRIPPED, TRIPPED_PHASE, TRIPPED_LOCKED, RESET = range(7)
# How a tripped device is closed again.
BY_FARMER, BY_ITSELF, NEVER = range(3)

START_POINTS = 33
DROP_OUT = 0.60
"""A contactor lets go below this share of the rated volts (common practice)."""
FARMER_SLEEPS, FARMER_WAKES = 22.5 * 3600.0, 6.5 * 3600.0
"""Local time of day (s) between which nobody closes a tripped device again."""


class Fixed(NamedTuple):
    """What does not change while the farm runs. F fans, S supplies."""

    step: float
    """Length of a step, s."""
    circuit: Floats
    """(F, motor.SIZE)."""
    blades: Floats
    """(F, fan.SIZE)."""
    pickup: Floats
    """(F,) ultimate trip current of the overload device, A; 0: no device."""
    warm_s: Floats
    """(F,) time constant of its strips while the fan runs, s."""
    cool_s: Floats
    """(F,) the same while it stands, s."""
    sensitive: Ints
    """(F,) 1: sensitive to a lost phase."""
    reset: Ints
    """(F,) BY_FARMER, BY_ITSELF, NEVER."""
    reset_delay: Floats
    """(F, N) seconds from the n-th trip (modulo N) to its reset."""
    restart_delay: Floats
    """(F,) seconds from the return of the supply to the next start."""
    run_up: Floats
    """(F, START_POINTS) slips of a start."""
    start_s: Floats
    """(F,) length of a start at rated volts, s."""
    feed: Ints
    """(F,) motor.THREE_LEGS or motor.ONE_PHASE."""
    supply: Ints
    """(F,) index of its supply."""
    bin: Ints
    """(F,) index of its bin."""
    site: Ints
    """(F,) index of its site."""
    sample: Floats
    """(F,) instant within the step at which its logger looks, s, above 0 up to the step's end."""
    impedance: Phasors
    """(S, 3) of the source, a leg, ohm."""


class State(NamedTuple):
    """What the farm carries from step to step; changed in place."""

    running: Ints
    started: Floats
    """(F,) instant of the last start, s since the farm's start."""
    tripped: Ints
    """(F,) 0, or the code of its trip."""
    reset_at: Floats
    """(F,) when the tripped device will be closed again, s."""
    trips: Ints
    """(F,) how many so far."""
    repaired: Ints
    """(F,) 1: the standing open leg or locked rotor was put right at the last reset."""
    dark: Ints
    """(F,) 1: stands for want of supply."""
    not_before: Floats
    """(F,) earliest next start, s."""
    slip: Floats
    gap: Floats
    """(F,) air-gap voltage, V."""
    amps: Phasors
    """(F, 3) leg currents of the last step, A."""
    heat: Floats
    """(F, 3) of the overload strips, 1 = opens."""
    flow: Floats
    """(F,) over design flow."""
    wobble: Floats
    """(F,) standing part of the shaft power's short swings, relative."""


class Inputs(NamedTuple):
    """What happens to the farm in a block of n steps. B bins, A sites."""

    clock: float
    """Start of the block, s since the farm's start."""
    local: float
    """Local time of day at the block's start less `clock`, s."""
    wanted: Ints
    """(n, F) 1: the control wants it to run."""
    jitter: Floats
    """(n, F) instant within the step at which a start or stop takes place, s."""
    source: Phasors
    """(n, S, 3) open-circuit volts to neutral."""
    alive: Ints
    """(n, S) 0: outage."""
    lost: Ints
    """(n, S) lost leg 0..2 of the supply, or -1."""
    depth: Floats
    """(n, B) m."""
    density: Floats
    """(n, A) kg/m3."""
    pitch: Floats
    """(n, F) degrees."""
    drag: Floats
    """(n, F) further friction, W at rated speed."""
    contact: Floats
    """(n, F, 3) resistance in the fan's own leads, ohm."""
    open: Ints
    """(n, F) open leg 0..2 of the fan's own leads, or -1."""
    locked: Ints
    """(n, F) 1: rotor held."""
    swing: Floats
    """(n, F) standard normal draws for the short swings of load."""


class Outputs(NamedTuple):
    """What the block brought; filled in place."""

    amps: Floats
    """(n, F, 3) at the logger's instant, A."""
    mean_amps: Floats
    """(n, F, 3) mean over the step, A."""
    volts: Floats
    """(n, F, 3) line to line at the starter, V."""
    bus: Floats
    """(n, S, 3) line to line at the supply point, V."""
    shaft: Floats
    """(n, F) shaft power, W."""
    log_time: Floats
    log_fan: Ints
    log_code: Ints


@compiled
def lines(v: Phasors, out: Floats) -> None:
    """Magnitudes of the three line-to-line voltages of potentials v (V)."""
    out[0] = abs(v[0] - v[1])
    out[1] = abs(v[1] - v[2])
    out[2] = abs(v[2] - v[0])


@compiled
def amps_at(c: Floats, feed: int, open_leg: int, v: Phasors, slip: float, gap: float, out: Phasors) -> None:
    """Leg currents of a motor at a given slip (A, into out)."""
    a = motor.THIRD
    if feed == motor.ONE_PHASE:
        i1, i2, torque, e = motor.currents(c, motor.ONE_PHASE, v[0] - v[1], 0j, slip, gap)
        place(i1, i2, motor.ONE_PHASE, 0, out)
    elif open_leg >= 0:
        across = v[(open_leg + 1) % 3] - v[(open_leg + 2) % 3]
        i1, i2, torque, e = motor.currents(c, motor.OPEN_LEG, across, 0j, slip, gap)
        place(i1, i2, motor.OPEN_LEG, open_leg, out)
    else:
        v1 = (v[0] + a * v[1] + a * a * v[2]) / 3.0
        v2 = (v[0] + a * a * v[1] + a * v[2]) / 3.0
        i1, i2, torque, e = motor.currents(c, motor.THREE_LEGS, v1, v2, slip, gap)
        place(i1, i2, motor.THREE_LEGS, 0, out)


@compiled
def place(i1: complex, i2: complex, feed: int, open_leg: int, out: Phasors) -> None:
    """Sequence currents into leg currents (A, into out)."""
    a = motor.THIRD
    if feed == motor.ONE_PHASE:
        out[0], out[1], out[2] = i1, -i1, 0j
    elif feed == motor.OPEN_LEG:
        out[open_leg] = 0j
        out[(open_leg + 1) % 3] = (a * a - a) * i1
        out[(open_leg + 2) % 3] = (a - a * a) * i1
    else:
        out[0], out[1], out[2] = i1 + i2, a * a * i1 + a * i2, a * i1 + a * a * i2


@compiled
def run(fixed: Fixed, state: State, inputs: Inputs, outputs: Outputs) -> int:
    """Run a block of steps; the number of entries in the log."""
    steps, fans = inputs.wanted.shape
    supplies = inputs.alive.shape[1]
    step = fixed.step
    bus = np.zeros((supplies, 3), np.complex128)
    taken = np.zeros((supplies, 3), np.complex128)
    v = np.zeros(3, np.complex128)
    now_amps = np.zeros(3, np.complex128)
    squares = np.zeros(3)
    on_from = np.zeros(fans)
    on_to = np.zeros(fans)
    in_bin = np.zeros(inputs.depth.shape[1])
    logged = 0

    for i in range(steps):
        t = inputs.clock + i * step
        changed = False

        # Who runs? Volts of the step before decide on drop-out.
        in_bin[:] = 0.0
        for f in range(fans):
            s = fixed.supply[f]
            feed = fixed.feed[f]
            if feed == motor.ONE_PHASE:
                level = abs(inputs.source[i, s, 0] - inputs.source[i, s, 1]) / fixed.circuit[f, motor.V_LINE]
                lost = inputs.lost[i, s]
                powered = inputs.alive[i, s] == 1 and level > DROP_OUT and (lost < 0 or lost == 2)
            else:
                level = abs(inputs.source[i, s, 0] - inputs.source[i, s, 1]) / fixed.circuit[f, motor.V_LINE]
                powered = inputs.alive[i, s] == 1 and level > DROP_OUT
            if inputs.open[i, f] < 0 and inputs.locked[i, f] == 0:
                state.repaired[f] = 0
            if state.tripped[f] > 0 and fixed.reset[f] != NEVER and t >= state.reset_at[f]:
                if inputs.open[i, f] >= 0 or inputs.locked[i, f] == 1:
                    state.repaired[f] = 1
                state.tripped[f] = 0
                state.heat[f, :] = np.minimum(state.heat[f], 0.5)
                if logged < outputs.log_time.size:
                    outputs.log_time[logged], outputs.log_fan[logged], outputs.log_code[logged] = t, f, RESET
                    logged += 1
            if not powered:
                state.dark[f] = 1
            elif state.dark[f] == 1:
                state.dark[f] = 0
                state.not_before[f] = t + fixed.restart_delay[f] if t > 0.0 else t
            want = inputs.wanted[i, f] == 1 and state.tripped[f] == 0 and powered and t >= state.not_before[f]
            on_from[f], on_to[f] = 0.0, step
            if state.running[f] == 1 and not want:
                state.running[f] = 0
                on_to[f] = inputs.jitter[i, f] if powered else 0.0
                changed = True
                if logged < outputs.log_time.size:
                    outputs.log_time[logged] = t + on_to[f]
                    outputs.log_fan[logged] = f
                    outputs.log_code[logged] = STOPPED if powered else SUPPLY_LOST
                    logged += 1
                if on_to[f] == 0.0:
                    state.amps[f, :] = 0j
            elif state.running[f] == 0 and want:
                state.running[f] = 1
                on_from[f] = inputs.jitter[i, f]
                state.started[f] = t + on_from[f]
                state.slip[f] = fixed.circuit[f, motor.SLIP]
                state.gap[f] = fixed.circuit[f, motor.E_RATED]
                changed = True
                if logged < outputs.log_time.size:
                    outputs.log_time[logged], outputs.log_fan[logged], outputs.log_code[logged] = (
                        state.started[f],
                        f,
                        STARTED,
                    )
                    logged += 1
            elif state.running[f] == 0:
                on_to[f] = 0.0
                state.amps[f, :] = 0j
            if state.running[f] == 1:
                in_bin[fixed.bin[f]] += 1.0

        # Volts and currents.
        for sweep in range(4 if changed else 1):
            taken[:, :] = 0j
            for f in range(fans):
                if state.running[f] == 1:
                    for k in range(3):
                        taken[fixed.supply[f], k] += state.amps[f, k]
            for s in range(supplies):
                for k in range(3):
                    bus[s, k] = (
                        inputs.source[i, s, k] - fixed.impedance[s, k] * taken[s, k] if inputs.alive[i, s] else 0j
                    )
                lost = inputs.lost[i, s]
                if lost >= 0 and inputs.alive[i, s]:
                    bus[s, lost] = 0.5 * (bus[s, (lost + 1) % 3] + bus[s, (lost + 2) % 3])
            for f in range(fans):
                if state.running[f] == 0:
                    continue
                s = fixed.supply[f]
                c = fixed.circuit[f]
                feed = fixed.feed[f]
                for k in range(3):
                    v[k] = bus[s, k] - inputs.contact[i, f, k] * state.amps[f, k]
                open_leg = inputs.lost[i, s]
                if open_leg < 0 and state.repaired[f] == 0:
                    open_leg = inputs.open[i, f]
                if feed == motor.ONE_PHASE:
                    open_leg = -1
                speed = (1.0 - state.slip[f]) / (1.0 - c[motor.SLIP])
                share = 1.0 / max(in_bin[fixed.bin[f]], 1.0)
                q, shaft = fan.working_point(
                    fixed.blades[f],
                    inputs.depth[i, fixed.bin[f]],
                    inputs.density[i, fixed.site[f]],
                    inputs.pitch[i, f],
                    speed,
                    share,
                    state.flow[f],
                )
                state.flow[f] = q
                if sweep == 0:
                    state.wobble[f] = 0.9 * state.wobble[f] + 0.43589 * inputs.swing[i, f] * fan.unsteadiness(q)
                load = shaft / speed**3 * (1.0 + state.wobble[f])
                outputs.shaft[i, f] = shaft
                held = inputs.locked[i, f] == 1 and state.repaired[f] == 0
                slip, e, ok = 1.0, 0.5 * c[motor.E_RATED], True
                if not held:
                    a = motor.THIRD
                    if feed == motor.ONE_PHASE:
                        i1, i2, slip, e, ok = motor.settle(
                            c, feed, v[0] - v[1], 0j, load, inputs.drag[i, f], state.slip[f], state.gap[f]
                        )
                        place(i1, i2, feed, 0, now_amps)
                    elif open_leg >= 0:
                        across = v[(open_leg + 1) % 3] - v[(open_leg + 2) % 3]
                        i1, i2, slip, e, ok = motor.settle(
                            c, motor.OPEN_LEG, across, 0j, load, inputs.drag[i, f], state.slip[f], state.gap[f]
                        )
                        place(i1, i2, motor.OPEN_LEG, open_leg, now_amps)
                    else:
                        v1 = (v[0] + a * v[1] + a * a * v[2]) / 3.0
                        v2 = (v[0] + a * a * v[1] + a * v[2]) / 3.0
                        i1, i2, slip, e, ok = motor.settle(
                            c, feed, v1, v2, load, inputs.drag[i, f], state.slip[f], state.gap[f]
                        )
                        place(i1, i2, feed, 0, now_amps)
                    if ok:
                        state.slip[f], state.gap[f] = slip, e
                    else:  # cannot carry its fan: hangs at low speed, tries again in the next step
                        slip = 0.5
                        state.slip[f], state.gap[f] = c[motor.SLIP], c[motor.E_RATED]
                if held or not ok:
                    amps_at(c, feed, open_leg, v, slip, 0.5 * c[motor.E_RATED], now_amps)
                for k in range(3):
                    state.amps[f, k] = now_amps[k]
                if inputs.lost[i, s] >= 0 and feed == motor.THREE_LEGS and ok and not held:
                    # A running motor feeds the dead leg: its potential follows from its own fields.
                    dead = inputs.lost[i, s]
                    a = motor.THIRD
                    z1 = complex(c[motor.R1], c[motor.X1])
                    forward = motor.field(c, slip, e)
                    backward = motor.field(c, 2.0 - slip, 0.3 * c[motor.E_RATED])
                    second = now_amps[(dead + 1) % 3] / (a * a - a)
                    own = (forward - backward) * second
                    next_leg = (a * a * (z1 + forward) - a * (z1 + backward)) * second
                    bus[s, dead] = bus[s, (dead + 1) % 3] + own - next_leg

        # Overload devices, and what the loggers see.
        for s in range(supplies):
            lines(bus[s], outputs.bus[i, s])
        for f in range(fans):
            outputs.volts[i, f, :] = outputs.bus[i, fixed.supply[f], :]
            c = fixed.circuit[f]
            length = on_to[f] - on_from[f]
            if length <= 0.0:
                outputs.amps[i, f, :] = 0.0
                outputs.mean_amps[i, f, :] = 0.0
                cool = math.exp(-step / fixed.cool_s[f])
                for k in range(3):
                    state.heat[f, k] *= cool
                continue
            s = fixed.supply[f]
            level = outputs.bus[i, s, 0] / c[motor.V_LINE]
            start_s = fixed.start_s[f] / max(level, 0.5) ** 2
            start_end = state.started[f] + start_s - t
            open_leg = inputs.lost[i, s]
            if open_leg < 0 and state.repaired[f] == 0:
                open_leg = inputs.open[i, f]
            if fixed.feed[f] == motor.ONE_PHASE:
                open_leg = -1
            in_start = state.running[f] == 1 and start_end > on_from[f]
            opened = -1.0
            if in_start:
                outputs.mean_amps[i, f, :] = 0.0
                upto = min(start_end, step)
                parts = 12
                width = (upto - on_from[f]) / parts
                for m in range(parts):
                    at = t + on_from[f] + (m + 0.5) * width - state.started[f]
                    slip = start_slip(fixed.run_up[f], at / start_s, state.slip[f])
                    amps_at(c, fixed.feed[f], open_leg, bus[s], slip, 0.7 * c[motor.E_RATED], now_amps)
                    for k in range(3):
                        outputs.mean_amps[i, f, k] += abs(now_amps[k]) * width / step
                        squares[k] = (abs(now_amps[k]) / fixed.pickup[f]) ** 2 if fixed.pickup[f] > 0.0 else 0.0
                    if fixed.pickup[f] > 0.0 and opened < 0.0:
                        hit = relay.warm(state.heat[f], squares, fixed.warm_s[f], width, fixed.sensitive[f] == 1)
                        if hit >= 0.0:
                            opened = on_from[f] + m * width + hit
                rest_from = upto
            else:
                outputs.mean_amps[i, f, :] = 0.0
                rest_from = on_from[f]
            rest = on_to[f] - rest_from
            if rest > 0.0 and opened < 0.0:
                for k in range(3):
                    size = abs(state.amps[f, k])
                    squares[k] = (size / fixed.pickup[f]) ** 2 if fixed.pickup[f] > 0.0 else 0.0
                if fixed.pickup[f] > 0.0:
                    hit = relay.warm(state.heat[f], squares, fixed.warm_s[f], rest, fixed.sensitive[f] == 1)
                    if hit >= 0.0:
                        opened = rest_from + hit
                for k in range(3):
                    lasting = rest if opened < 0.0 else opened - rest_from
                    outputs.mean_amps[i, f, k] += abs(state.amps[f, k]) * lasting / step
            if opened >= 0.0:
                on_to[f] = opened
                state.running[f] = 0
                code = TRIPPED
                if open_leg >= 0:
                    code = TRIPPED_PHASE
                elif inputs.locked[i, f] == 1 and state.repaired[f] == 0:
                    code = TRIPPED_LOCKED
                state.tripped[f] = code
                delay = fixed.reset_delay[f, state.trips[f] % fixed.reset_delay.shape[1]]
                state.trips[f] += 1
                when = t + opened + delay
                if fixed.reset[f] == BY_FARMER:
                    day = (when + inputs.local) % 86400.0
                    if day >= FARMER_SLEEPS:
                        when += 86400.0 - day + FARMER_WAKES
                    elif day < FARMER_WAKES:
                        when += FARMER_WAKES - day
                state.reset_at[f] = when
                if logged < outputs.log_time.size:
                    outputs.log_time[logged], outputs.log_fan[logged], outputs.log_code[logged] = t + opened, f, code
                    logged += 1
            at = fixed.sample[f]
            if on_from[f] <= at <= on_to[f]:
                if in_start and at < start_end:
                    slip = start_slip(fixed.run_up[f], (t + at - state.started[f]) / start_s, state.slip[f])
                    amps_at(c, fixed.feed[f], open_leg, bus[s], slip, 0.7 * c[motor.E_RATED], now_amps)
                    for k in range(3):
                        outputs.amps[i, f, k] = abs(now_amps[k])
                else:
                    for k in range(3):
                        outputs.amps[i, f, k] = abs(state.amps[f, k])
            else:
                outputs.amps[i, f, :] = 0.0
            if state.running[f] == 0:
                state.amps[f, :] = 0j
    return logged


@compiled
def start_slip(curve: Floats, share: float, final: float) -> float:
    """Slip at a share of the start's time (0 to 1), not below the final one."""
    at = min(max(share, 0.0), 1.0) * (curve.size - 1)
    k = min(int(at), curve.size - 2)
    return max(curve[k] + (curve[k + 1] - curve[k]) * (at - k), final)
