"""From a nameplate to the row of numbers that the kernel compares readings with."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.motor.limit import full_limit
from monitor.motor.nameplate import Nameplate
from monitor.watch import layout as at
from monitor.watch.columns import Floats
from monitor.watch.table import KERNEL_CONDITIONS, for_fan, turned_off

RUNNING_SHARE = 0.15
"""A fan runs when its highest leg is above this share of full-load amps (derived: magnetising current is more)."""


def resolve(nameplate: Nameplate, motor_number: int = 0) -> Floats:
    """The limits of one register version as one row, shape (LIMITS_FIELDS,).

    Parameters
    ----------
    nameplate : the fan's file as registered
    motor_number : counts the fan's versions marked "motor changed"; another number makes the watch begin anew
    """
    row = np.full(at.LIMITS_FIELDS, math.nan)
    motor = nameplate.motor
    row[at.LIMIT_EPOCH] = motor_number
    row[at.FULL_LOAD_AMPS] = motor.full_load_amps
    row[at.FULL_LIMIT] = full_limit(motor)
    row[at.PHASES] = motor.phases
    row[at.RATED_VOLTS] = motor.rated_voltage
    row[at.RUNNING_ABOVE] = RUNNING_SHARE * motor.full_load_amps
    if nameplate.logger.period_seconds is not None:
        row[at.GIVEN_PERIOD_MS] = 1000.0 * nameplate.logger.period_seconds
    table = for_fan(nameplate.conditions)
    for number, condition in enumerate(KERNEL_CONDITIONS):
        first = at.FIRST_LIMIT + number * at.LIMIT_FIELDS
        changed = table[condition.id]
        row[first + at.IN_USE] = float(_in_use(nameplate, condition.id))
        row[first + at.SETPOINT] = changed.setpoint
        row[first + at.CLEARS_BELOW] = changed.clears_below
        row[first + at.ON_DELAY_MS] = 1000.0 * changed.on_delay_seconds
        row[first + at.OFF_DELAY_MS] = 1000.0 * changed.off_delay_seconds
    return row


def _in_use(nameplate: Nameplate, condition: str) -> bool:
    if turned_off(nameplate.conditions, condition):
        return False
    if condition == "stopped":  # a cycled fan stops by itself many times a day; an unknown one may
        return nameplate.fan.control == "continuous"
    if condition.startswith("voltage-unbalance"):
        return nameplate.motor.phases == 3
    return True


def stack(rows: Sequence[Floats]) -> Floats:
    """Several resolved rows as one contiguous array, shape (versions, LIMITS_FIELDS)."""
    return np.ascontiguousarray(np.vstack(rows)) if rows else np.empty((0, at.LIMITS_FIELDS))
