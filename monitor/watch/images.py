"""Thermal images of the motor and of its overload device, carried on from one reading to the next.

The formula stands in `motor.thermal`; here stands what a reading tells about the time until the next one: how long it
holds, what a start caught by chance counts for, how a gap is bridged, how a stopped motor cools.
"""

from __future__ import annotations

import math

from monitor.motor.compiled import compiled_loop, inlined
from monitor.motor.thermal import (
    BRIDGED_SECONDS,
    MOTOR_STOPPED_TIMES,
    MOTOR_TAU_SECONDS,
    START_SECONDS,
    heated,
)
from monitor.watch import layout as at
from monitor.watch.columns import Floats

INRUSH_TIMES = 2.0
"""A highest leg above so many times full-load amps is a start (or worse), not a load."""
FIRST_SIGHT = 0.99
"""An image that begins with a running fan is taken as settled at its current, but never as tripped."""
ASSUMED_TAUS = 3.0
"""After so many time constants nothing is left of an assumption."""
MOTOR_STOPPED_SECONDS = MOTOR_TAU_SECONDS * MOTOR_STOPPED_TIMES


@inlined
def carry_images(
    state: Floats, limits: Floats, t: float, dt_s: float, standing_s: float, running: bool, known: bool, inrush: bool,
    motor_x2: float, device_x2: float,
) -> None:  # fmt: skip
    """Brings both images to time t and keeps what holds from there on.

    dt_s : since the newest row with usable amps before this one; of no meaning when there is none
    known : the row's current counts; where it does not although the fan runs, the one before goes on
    motor_x2, device_x2 : square of current over pick-up current of this row
    """
    if not running:
        motor_x2, device_x2, inrush = 0.0, 0.0, False
    elif not known:
        motor_x2, device_x2, inrush = state[at.MOTOR_X2], state[at.DEVICE_X2], False
    device_tau = limits[at.DEVICE_TAU_S]
    ran, ran_inrush = state[at.IMAGE_RUNNING] == 1.0, state[at.IMAGE_INRUSH] == 1.0
    if math.isnan(state[at.MOTOR_HEAT]):
        if not running:
            state[at.MOTOR_HEAT] = 0.0
            state[at.DEVICE_HEAT] = 0.0
            state[at.ASSUMED_MS] = t
        elif known and not inrush:
            state[at.MOTOR_HEAT] = min(motor_x2, FIRST_SIGHT)
            state[at.DEVICE_HEAT] = min(device_x2, FIRST_SIGHT)
            state[at.ASSUMED_MS] = t
    elif ran and running and dt_s <= standing_s and not ran_inrush:
        # Nearly always so, and nearly always after the same time: what `heated` would work out each time is kept.
        if dt_s != state[at.STEP_S] or device_tau != state[at.STEP_TAU]:
            state[at.STEP_S] = dt_s
            state[at.STEP_TAU] = device_tau
            state[at.STEP_MOTOR] = math.exp(-dt_s / MOTOR_TAU_SECONDS)
            state[at.STEP_DEVICE] = math.exp(-dt_s / device_tau)
        x2 = state[at.MOTOR_X2]
        state[at.MOTOR_HEAT] = x2 + (state[at.MOTOR_HEAT] - x2) * state[at.STEP_MOTOR]
        x2 = state[at.DEVICE_X2]
        state[at.DEVICE_HEAT] = x2 + (state[at.DEVICE_HEAT] - x2) * state[at.STEP_DEVICE]
    else:
        _step_by_step(state, t, dt_s, standing_s, running, inrush, motor_x2, device_x2, device_tau)
    state[at.MOTOR_X2] = motor_x2
    state[at.DEVICE_X2] = device_x2
    state[at.IMAGE_RUNNING] = 1.0 if running else 0.0
    state[at.IMAGE_INRUSH] = 1.0 if inrush else 0.0


@compiled_loop
def _step_by_step(
    state: Floats, t: float, dt_s: float, standing_s: float, running: bool, inrush: bool, motor_x2: float,
    device_x2: float, device_tau: float,
) -> None:  # fmt: skip
    """The step over an interval that is not simply one running reading after the other."""
    ran, ran_inrush = state[at.IMAGE_RUNNING] == 1.0, state[at.IMAGE_INRUSH] == 1.0
    motor_tau = MOTOR_TAU_SECONDS if ran else MOTOR_STOPPED_SECONDS
    tau_after = MOTOR_TAU_SECONDS if running else MOTOR_STOPPED_SECONDS
    # One or two steps: so long with the first current, the rest with the second one.
    first_s, first_motor, first_device = dt_s, state[at.MOTOR_X2], state[at.DEVICE_X2]
    second_motor, second_device = motor_x2, device_x2
    if dt_s > max(standing_s, BRIDGED_SECONDS):
        first_s = BRIDGED_SECONDS
        if inrush:
            second_motor, second_device, tau_after = first_motor, first_device, motor_tau
        if ran_inrush:
            first_motor, first_device = motor_x2, device_x2
    elif not ran or not running:
        first_motor, first_device = 0.0, 0.0
        motor_tau = MOTOR_STOPPED_SECONDS
    elif dt_s <= standing_s:
        if ran_inrush and not inrush:
            first_s = min(dt_s, START_SECONDS)
    elif ran_inrush and not inrush:
        first_motor, first_device = motor_x2, device_x2
    elif ran_inrush == inrush:
        first_motor = (first_motor + motor_x2) / 2.0
        first_device = (first_device + device_x2) / 2.0
    state[at.MOTOR_HEAT] = heated(state[at.MOTOR_HEAT], first_motor, first_s, motor_tau)
    state[at.DEVICE_HEAT] = heated(state[at.DEVICE_HEAT], first_device, first_s, device_tau)
    if dt_s > first_s:
        state[at.MOTOR_HEAT] = heated(state[at.MOTOR_HEAT], second_motor, dt_s - first_s, tau_after)
        state[at.DEVICE_HEAT] = heated(state[at.DEVICE_HEAT], second_device, dt_s - first_s, device_tau)


@inlined
def image_after(state: Floats, limits: Floats, period_s: float) -> float:
    """The device image one period past the newest row, as if its current had gone on."""
    held_s = min(period_s, START_SECONDS) if state[at.IMAGE_INRUSH] == 1.0 else period_s
    return heated(state[at.DEVICE_HEAT], state[at.DEVICE_X2], held_s, limits[at.DEVICE_TAU_S])
