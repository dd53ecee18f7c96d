"""The farm's clockwork: one compiled pass over time steps and fans.

A step is some seconds long. In each step

1. `decide`: control, supply and overload devices say which fans run;
2. `solve`: the volts follow from the currents of the step before (of this step, iterated, where a fan has started or
   stopped); each running fan finds its working point on the bed, and its motor the slip that carries it;
3. `look`: the overload strips warm up, and open at their instant within the step; the loggers look.

Starts run through a curve of slip worked out beforehand.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulated import fan, motor, relay
from simulated.compiled import compiled

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Phasors = NDArray[np.complex128]
Records = Any  # a numpy array of records of one of the forms below; compiled code reads their fields by name

# Codes of the log.
STARTED, STOPPED, SUPPLY_LOST, TRIPPED, TRIPPED_PHASE, TRIPPED_LOCKED, RESET = range(7)
# How a tripped device is closed again.
BY_FARMER, BY_ITSELF, NEVER = range(3)

START_POINTS = 33
DELAYS = 64
DROP_OUT = 0.60
"""A contactor lets go below this share of the rated volts (common practice)."""
FARMER_SLEEPS, FARMER_WAKES = 22.5 * 3600.0, 6.5 * 3600.0
"""Local time of day (s) between which nobody closes a tripped device again."""

# One record a fan: what does not change while the farm runs.
FIXED = np.dtype(
    [
        ("circuit", np.float64, (motor.SIZE,)),
        ("blades", np.float64, (fan.SIZE,)),
        ("pickup", np.float64),  # ultimate trip current of the overload device, A; 0: no device
        ("warm_s", np.float64),  # time constant of its strips while the fan runs, s
        ("cool_s", np.float64),  # the same while it stands, s
        ("sensitive", np.int64),  # 1: to a lost phase
        ("reset", np.int64),  # BY_FARMER, BY_ITSELF, NEVER
        ("reset_delay", np.float64, (DELAYS,)),  # s from the n-th trip (modulo its length) to its reset
        ("restart_delay", np.float64),  # s from the return of the supply to the next start
        ("run_up", np.float64, (START_POINTS,)),  # slips of a start
        ("start_s", np.float64),  # length of a start at rated volts, s
        ("feed", np.int64),  # motor.THREE_LEGS or motor.ONE_PHASE
        ("supply", np.int64),  # index of its supply
        ("bin", np.int64),  # of its bin
        ("site", np.int64),  # of its site
        ("sample", np.float64),  # instant within the step at which its logger looks, s, above 0 up to the step's end
    ],
    align=True,
)

# One record a fan: what is carried from step to step.
STATE = np.dtype(
    [
        ("running", np.int64),
        ("started", np.float64),  # instant of the last start, s since the farm's start
        ("tripped", np.int64),  # 0, or the code of its trip
        ("reset_at", np.float64),  # when the tripped device will be closed again, s
        ("trips", np.int64),  # how many so far
        ("repaired", np.int64),  # 1: the standing open leg or locked rotor was put right at the last reset
        ("dark", np.int64),  # 1: stands for want of supply
        ("not_before", np.float64),  # earliest next start, s
        ("slip", np.float64),
        ("gap", np.float64),  # air-gap voltage, V
        ("amps", np.complex128, (3,)),  # leg currents of the last step, A
        ("heat", np.float64, (3,)),  # of the overload strips, 1 = opens
        ("flow", np.float64),  # over design flow
        ("wobble", np.float64),  # standing part of the shaft power's short swings, relative
        ("on_from", np.float64),  # the fan runs from here in the present step, s
        ("on_to", np.float64),  # to here, s; not later: it stands
    ],
    align=True,
)

# One record a step and fan: what happens to it.
ASKED = np.dtype(
    [
        ("wanted", np.int64),  # 1: the control wants it to run
        ("jitter", np.float64),  # instant within the step at which a start or stop takes place, s
        ("pitch", np.float64),  # degrees
        ("drag", np.float64),  # further friction, W at rated speed
        ("contact", np.float64, (3,)),  # resistance in the fan's own leads, ohm
        ("open", np.int64),  # open leg 0..2 of the fan's own leads, or -1
        ("locked", np.int64),  # 1: rotor held
        ("swing", np.float64),  # standard normal draw for the short swings of load
    ],
    align=True,
)

# One record a step and supply.
SOURCE = np.dtype(
    [
        ("volts", np.complex128, (3,)),  # open-circuit volts to neutral
        ("alive", np.int64),  # 0: outage
        ("lost", np.int64),  # lost leg 0..2, or -1
        ("impedance", np.complex128, (3,)),  # of the source, a leg, ohm
        ("bus", np.complex128, (3,)),  # comes out: potentials at the supply point, V
    ],
    align=True,
)

# One record a step and fan: what comes out.
SEEN = np.dtype(
    [
        ("amps", np.float64, (3,)),  # at the logger's instant, A
        ("mean_amps", np.float64, (3,)),  # mean over the step, A
        ("volts", np.float64, (3,)),  # line to line at the starter, V
        ("shaft", np.float64),  # shaft power, W
    ],
    align=True,
)

LOG = np.dtype([("time", np.float64), ("fan", np.int64), ("code", np.int64)], align=True)


@compiled
def note(log: Records, entries: Ints, t: float, f: int, code: int) -> None:
    """Add an entry to the log; a full log drops it (it holds far more than a block brings)."""
    k = entries[0]
    if k < log.size:
        log[k].time = t
        log[k].fan = f
        log[k].code = code
        entries[0] = k + 1


@compiled
def open_leg_of(fixed: Records, state: Records, asked: Records, source: Records) -> int:
    """The leg of a fan through which no current can flow, 0..2, or -1."""
    if fixed.feed == motor.ONE_PHASE:
        return -1
    if source.lost >= 0:
        return int(source.lost)
    return int(asked.open) if state.repaired == 0 else -1


@compiled
def terms(feed: int, open_leg: int, v: Phasors) -> tuple[int, complex, complex]:
    """How the circuit is fed, and its two voltages, from the potentials of the legs (V)."""
    a = motor.THIRD
    if feed == motor.ONE_PHASE:
        return motor.ONE_PHASE, v[0] - v[1], 0j
    if open_leg >= 0:
        return motor.OPEN_LEG, v[(open_leg + 1) % 3] - v[(open_leg + 2) % 3], 0j
    return motor.THREE_LEGS, (v[0] + a * v[1] + a * a * v[2]) / 3.0, (v[0] + a * a * v[1] + a * v[2]) / 3.0


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
def amps_at(c: Floats, feed: int, open_leg: int, v: Phasors, slip: float, gap: float, out: Phasors) -> None:
    """Leg currents of a motor at a given slip (A, into out)."""
    fed, v1, v2 = terms(feed, open_leg, v)
    found = motor.currents(c, fed, v1, v2, slip, gap)
    place(found[0], found[1], fed, open_leg, out)


@compiled
def start_slip(curve: Floats, share: float, final: float) -> float:
    """Slip at a share of the start's time (0 to 1), not below the final one."""
    at = min(max(share, 0.0), 1.0) * (curve.size - 1)
    k = min(int(at), curve.size - 2)
    return float(max(curve[k] + (curve[k + 1] - curve[k]) * (at - k), final))


@compiled
def decide(
    step: float,
    t: float,
    fixed: Records,
    states: Records,
    asked: Records,
    sources: Records,
    log: Records,
    entries: Ints,
) -> bool:
    """Who runs in the step that begins at t? True where a fan has started or stopped."""
    changed = False
    for f in range(fixed.size):
        fan_, state, ask = fixed[f], states[f], asked[f]
        source = sources[fan_.supply]
        powered = source.alive == 1 and abs(source.volts[0] - source.volts[1]) > DROP_OUT * fan_.circuit[motor.V_LINE]
        if fan_.feed == motor.ONE_PHASE and (source.lost == 0 or source.lost == 1):
            powered = False
        broken = ask.open >= 0 or ask.locked == 1
        if not broken:
            state.repaired = 0
        if state.tripped > 0 and t >= state.reset_at:
            if broken:
                state.repaired = 1
            state.tripped = 0
            for k in range(3):
                state.heat[k] = min(state.heat[k], 0.5)
            note(log, entries, t, f, RESET)
        if not powered:
            state.dark = 1
        elif state.dark == 1:
            state.dark = 0
            state.not_before = t + fan_.restart_delay
        want = ask.wanted == 1 and state.tripped == 0 and powered and t >= state.not_before
        state.on_from, state.on_to = 0.0, step
        if state.running == 1 and not want:
            state.running = 0
            state.on_to = ask.jitter if powered else 0.0
            changed = True
            note(log, entries, t + state.on_to, f, STOPPED if powered else SUPPLY_LOST)
        elif state.running == 0 and want:
            state.running = 1
            state.on_from = ask.jitter
            state.started = t + state.on_from
            state.slip = fan_.circuit[motor.SLIP]
            state.gap = fan_.circuit[motor.E_RATED]
            changed = True
            note(log, entries, state.started, f, STARTED)
        elif state.running == 0:
            state.on_to = 0.0
    return changed


@compiled
def feed_dead_leg(c: Floats, slip: float, gap: float, dead: int, amps: Phasors, bus: Phasors) -> None:
    """A running motor holds up the potential of the supply's dead leg by its own fields (V, into bus)."""
    a = motor.THIRD
    z1 = complex(c[motor.R1], c[motor.X1])
    forward = motor.field(c, slip, gap)
    backward = motor.field(c, 2.0 - slip, 0.3 * c[motor.E_RATED])
    i1 = amps[(dead + 1) % 3] / (a * a - a)
    own = (forward - backward) * i1
    following = (a * a * (z1 + forward) - a * (z1 + backward)) * i1
    bus[dead] = bus[(dead + 1) % 3] + own - following


@compiled
def load_bus(fixed: Records, states: Records, sources: Records) -> None:
    """Potentials at the supply points under the fans' currents (V, into sources)."""
    for s in range(sources.size):
        sources[s].bus[:] = 0j
    for f in range(fixed.size):  # first the currents taken, then the potentials they leave
        if states[f].running == 1:
            for k in range(3):
                sources[fixed[f].supply].bus[k] += states[f].amps[k]
    for s in range(sources.size):
        source = sources[s]
        for k in range(3):
            source.bus[k] = source.volts[k] - source.impedance[k] * source.bus[k] if source.alive == 1 else 0j
        if source.lost >= 0:
            source.bus[source.lost] = 0.5 * (source.bus[(source.lost + 1) % 3] + source.bus[(source.lost + 2) % 3])


@compiled
def solve(
    fan_: Records,
    state: Records,
    ask: Records,
    source: Records,
    seen: Records,
    depth: float,
    density: float,
    share: float,
    first: bool,
    v: Phasors,
    i: Phasors,
) -> None:
    """Working point and currents of one running fan. v, i: scratch; first: first sweep of the step."""
    c = fan_.circuit
    for k in range(3):
        v[k] = source.bus[k] - ask.contact[k] * state.amps[k]
    open_leg = open_leg_of(fan_, state, ask, source)
    speed = (1.0 - state.slip) / (1.0 - c[motor.SLIP])
    q, shaft = fan.working_point(fan_.blades, depth, density, ask.pitch, speed, share, state.flow)
    state.flow = q
    if first:
        state.wobble = 0.9 * state.wobble + 0.43589 * ask.swing * fan.unsteadiness(q)
    load = shaft / speed**3 * (1.0 + state.wobble)
    seen.shaft = shaft
    fed, v1, v2 = terms(fan_.feed, open_leg, v)
    ok = False
    slip = 1.0
    if ask.locked == 0 or state.repaired == 1:
        i1, i2, slip, gap, ok = motor.settle(c, fed, v1, v2, load, ask.drag, state.slip, state.gap)
        if ok:
            place(i1, i2, fed, open_leg, i)
            state.slip, state.gap = slip, gap
            if source.lost >= 0 and fed == motor.OPEN_LEG:
                feed_dead_leg(c, slip, gap, source.lost, i, source.bus)
        else:  # cannot carry its fan: hangs at low speed, tries again in the next step
            slip = 0.5
            state.slip, state.gap = c[motor.SLIP], c[motor.E_RATED]
    if not ok:
        amps_at(c, fan_.feed, open_leg, v, slip, 0.5 * c[motor.E_RATED], i)
    for k in range(3):
        state.amps[k] = i[k]


@compiled
def warm(fan_: Records, state: Records, i: Phasors, squares: Floats, seconds: float) -> float:
    """Heat a fan's overload device by leg currents i (A); seconds until it opens, or -1. squares: scratch."""
    if fan_.pickup <= 0.0:
        return -1.0
    for k in range(3):
        squares[k] = (abs(i[k]) / fan_.pickup) ** 2
    return relay.warm(state.heat, squares, fan_.warm_s, seconds, fan_.sensitive == 1)


@compiled
def trip(fan_: Records, state: Records, ask: Records, source: Records, at: float, local: float) -> int:
    """The overload device opens at `at`; somebody will close it again. The code of the trip."""
    state.running = 0
    code = TRIPPED
    if open_leg_of(fan_, state, ask, source) >= 0:
        code = TRIPPED_PHASE
    elif ask.locked == 1 and state.repaired == 0:
        code = TRIPPED_LOCKED
    state.tripped = code
    when = at + fan_.reset_delay[state.trips % DELAYS]
    state.trips += 1
    if fan_.reset == BY_FARMER:
        day = (when + local) % 86400.0
        if day >= FARMER_SLEEPS:
            when += 86400.0 - day + FARMER_WAKES
        elif day < FARMER_WAKES:
            when += FARMER_WAKES - day
    state.reset_at = when if fan_.reset != NEVER else math.inf
    return code


@compiled
def look(
    step: float,
    t: float,
    local: float,
    fan_: Records,
    state: Records,
    ask: Records,
    source: Records,
    seen: Records,
    i: Phasors,
    squares: Floats,
) -> int:
    """Overload device and logger of one fan in the step that begins at t; the code of a trip, or -1."""
    for k in range(3):
        seen.volts[k] = abs(source.bus[k] - source.bus[(k + 1) % 3])
        seen.amps[k] = 0.0
        seen.mean_amps[k] = 0.0
    if state.on_to <= state.on_from:
        cool = math.exp(-step / fan_.cool_s)
        for k in range(3):
            state.heat[k] *= cool
            state.amps[k] = 0j
        return -1
    c = fan_.circuit
    open_leg = open_leg_of(fan_, state, ask, source)
    level = max(seen.volts[0] / c[motor.V_LINE], 0.5)
    start_s = fan_.start_s / level**2
    start_end = state.started + start_s - t
    in_start = state.running == 1 and start_end > state.on_from
    opened = -1.0
    code = -1
    at = state.on_from
    if in_start:  # the part of the step that belongs to the start, in pieces
        pieces = 12
        width = (min(start_end, step) - at) / pieces
        for _ in range(pieces):
            slip = start_slip(fan_.run_up, (t + at + 0.5 * width - state.started) / start_s, state.slip)
            amps_at(c, fan_.feed, open_leg, source.bus, slip, 0.7 * c[motor.E_RATED], i)
            for k in range(3):
                seen.mean_amps[k] += abs(i[k]) * width / step
            hit = warm(fan_, state, i, squares, width)
            if hit >= 0.0:
                opened = at + hit
                break
            at += width
    if opened < 0.0 and state.on_to > at:
        for k in range(3):
            i[k] = state.amps[k]
        hit = warm(fan_, state, i, squares, state.on_to - at)
        lasting = hit if hit >= 0.0 else state.on_to - at
        for k in range(3):
            seen.mean_amps[k] += abs(i[k]) * lasting / step
        if hit >= 0.0:
            opened = at + hit
    if opened >= 0.0 and state.running == 1:
        state.on_to = opened
        code = trip(fan_, state, ask, source, t + opened, local)
    if state.on_from <= fan_.sample <= state.on_to:
        for k in range(3):
            i[k] = state.amps[k]
        if in_start and fan_.sample < start_end:
            slip = start_slip(fan_.run_up, (t + fan_.sample - state.started) / start_s, state.slip)
            amps_at(c, fan_.feed, open_leg, source.bus, slip, 0.7 * c[motor.E_RATED], i)
        for k in range(3):
            seen.amps[k] = abs(i[k])
    if state.running == 0:
        for k in range(3):
            state.amps[k] = 0j
    return code


@compiled
def run(
    step: float,
    clock: float,
    local: float,
    fixed: Records,
    states: Records,
    asked: Records,
    sources: Records,
    depth: Floats,
    density: Floats,
    seen: Records,
    log: Records,
) -> int:
    """Run a block of n steps; the number of entries in the log.

    step: its length (s); clock: begin of the block (s since the farm's start); local: local time of day there less
    clock (s); fixed, states: (F,) FIXED, STATE; asked, seen: (n, F) ASKED, SEEN; sources: (n, S) SOURCE;
    depth: (n, bins), m; density: (n, sites), kg/m3; log: LOG. States, seen, sources.bus and log are written.
    """
    v, i = np.zeros(3, np.complex128), np.zeros(3, np.complex128)
    squares = np.zeros(3)
    in_bin = np.zeros(depth.shape[1])
    entries = np.zeros(1, np.int64)
    for n in range(asked.shape[0]):
        t = clock + n * step
        changed = decide(step, t, fixed, states, asked[n], sources[n], log, entries)
        in_bin[:] = 0.0
        for f in range(fixed.size):
            in_bin[fixed[f].bin] += states[f].running
        for sweep in range(4 if changed else 1):
            load_bus(fixed, states, sources[n])
            for f in range(fixed.size):
                if states[f].running == 1:
                    solve(
                        fixed[f],
                        states[f],
                        asked[n, f],
                        sources[n, fixed[f].supply],
                        seen[n, f],
                        depth[n, fixed[f].bin],
                        density[n, fixed[f].site],
                        1.0 / in_bin[fixed[f].bin],
                        sweep == 0,
                        v,
                        i,
                    )
        for f in range(fixed.size):
            code = look(
                step,
                t,
                local,
                fixed[f],
                states[f],
                asked[n, f],
                sources[n, fixed[f].supply],
                seen[n, f],
                i,
                squares,
            )
            if code >= 0:
                note(log, entries, t + states[f].on_to, f, code)
    return int(entries[0])
