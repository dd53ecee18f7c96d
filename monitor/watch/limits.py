"""From a nameplate to the row of numbers that the kernel compares readings with."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from monitor.motor.current import current_model
from monitor.motor.limit import full_limit
from monitor.motor.nameplate import Nameplate
from monitor.motor.starts import poles_of, starts_allowed
from monitor.motor.thermal import DEFAULT_TRIP_CLASS, device_tau_seconds
from monitor.watch import layout as at
from monitor.watch.columns import Floats
from monitor.watch.overrides import Changes, for_fan, turned_off
from monitor.watch.table import BELOW, KERNEL_CONDITIONS

RUNNING_SHARE = 0.15
"""A fan runs when its highest leg is above this share of full-load amps (derived: magnetising current is more)."""

SMALL_MOTOR_AMPS, SMALL_MOTOR_SPREAD = 20.0, 15.0
"""Below so many full-load amps legs may differ by so much [%] before it is told."""
UNKNOWN_TRIP_POINT = ("none", "built-in protector")
"""Devices without a setting of which a time to trip could be told."""


def resolve(nameplate: Nameplate, motor_number: int = 0, worn_since: int = 0) -> Floats:
    """The limits of one register version as one row, shape (LIMITS_FIELDS,).

    Parameters
    ----------
    nameplate : the fan's file as registered
    motor_number : counts the fan's versions marked "motor changed"; another number makes the watch begin anew
    worn_since : counts its versions with another setting, pitch or motor; another number makes it forget what the
        overload device has proven to carry
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
    protection = nameplate.protection
    known = _device_known(nameplate)
    row[at.DEVICE_KNOWN] = float(known)
    row[at.DEVICE_SETTING] = protection.setting_amps if known and protection.setting_amps else full_limit(motor)
    row[at.TRIP_RATIO] = protection.trip_ratio
    row[at.DEVICE_TAU_S] = device_tau_seconds(protection.trip_class or DEFAULT_TRIP_CLASS, protection.trip_ratio)
    row[at.MAGNETISING] = current_model(motor).magnetising_rated
    row[at.AVERAGING] = float(nameplate.logger.averaging)
    row[at.CONTINUOUS] = float(nameplate.fan.control == "continuous")
    row[at.LIMIT_WORN_SINCE] = worn_since
    table = for_fan(_with_own_setpoints(nameplate))
    for number, condition in enumerate(KERNEL_CONDITIONS):
        first = at.FIRST_LIMIT + number * at.LIMIT_FIELDS
        changed = table[condition.id]
        row[first + at.IN_USE] = float(_in_use(nameplate, condition.id))
        side = -1.0 if condition.direction == BELOW else 1.0  # the kernel raises what is above
        row[first + at.SETPOINT] = side * changed.setpoint
        row[at.RAISED_AT + number] = side * changed.setpoint if row[first + at.IN_USE] == 1.0 else math.inf
        row[first + at.CLEARS] = side * changed.clears
        row[first + at.ON_DELAY_MS] = 1000.0 * changed.on_delay_seconds
        row[first + at.OFF_DELAY_MS] = 1000.0 * changed.off_delay_seconds
    return row


def _with_own_setpoints(nameplate: Nameplate) -> Changes:
    """The fan's changes of the table, and the setpoints that follow from its nameplate where it gives none."""
    motor = nameplate.motor
    allowed = starts_allowed(motor.rated_power_hp, poles_of(motor)) + 1
    own: dict[str, dict[str, float]] = {"many-starts": {"setpoint": allowed, "clears": allowed}}
    if motor.full_load_amps < SMALL_MOTOR_AMPS:
        own["leg-spread"] = {"setpoint": SMALL_MOTOR_SPREAD, "clears": 8.0}
    changes = dict(nameplate.conditions)
    for condition, figures in own.items():
        theirs = changes.get(condition, {})
        changes[condition] = theirs if "setpoint" in theirs else {**figures, **theirs}
    return changes


def _device_known(nameplate: Nameplate) -> bool:
    protection = nameplate.protection
    return protection.setting_amps is not None and protection.type not in UNKNOWN_TRIP_POINT


def _in_use(nameplate: Nameplate, condition: str) -> bool:
    if turned_off(nameplate.conditions, condition):
        return False
    if condition in ("trip-near", "device-margin"):
        return _device_known(nameplate)
    if condition.startswith("voltage-unbalance") or condition in ("phase-lost", "leg-spread"):
        return nameplate.motor.phases == 3
    return True


def stack(rows: Sequence[Floats]) -> Floats:
    """Several resolved rows as one contiguous array, shape (versions, LIMITS_FIELDS)."""
    return np.ascontiguousarray(np.vstack(rows)) if rows else np.empty((0, at.LIMITS_FIELDS))
