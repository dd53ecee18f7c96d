"""The versions of what is registered for one fan, as the watch counts them, and which of them is in force when."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.motor.nameplate import Nameplate
from monitor.watch.columns import Floats, Ints
from monitor.watch.limits import resolve


@dataclass(frozen=True)
class Counted:
    """One version, with what its watch must begin anew for."""

    nameplate: Nameplate
    """As in force: with what the site changes of the table of conditions."""
    motor_number: int = 0
    """Counts the versions marked "motor changed"."""
    worn_since: int = 0
    """Counts those with another setting, pitch, correction of a clamp, or motor: what the overload device has proven to
    carry begins anew."""
    removed: bool = False
    """From this one on the fan is not in the register."""

    def limits(self) -> Floats:
        """Its row of resolved limits, shape (LIMITS_FIELDS,)."""
        return resolve(self.nameplate, self.motor_number, self.worn_since)


def count_on(
    before: Counted | None, nameplate: Nameplate, *, motor_changed: bool = False, removed: bool = False
) -> Counted:
    """The version after another, in the order in which they were entered; `before` is None for the first one."""
    if before is None:
        return Counted(nameplate, int(motor_changed), 0, removed)
    # A fan that was taken out and comes back begins anew too: what stood when it was taken out was ended then.
    motor_number = before.motor_number + int(motor_changed or (before.removed and not removed))
    worn = _wears(before.nameplate, before.motor_number) != _wears(nameplate, motor_number)
    return Counted(nameplate, motor_number, before.worn_since + int(worn), removed)


def _wears(nameplate: Nameplate, motor_number: int) -> tuple[object, ...]:
    """What the current that a device has proven to carry depends on."""
    # Amps corrected otherwise are another measure of the same current.
    return (
        nameplate.protection, nameplate.fan.blade_pitch_degrees, nameplate.logger.clamp_corrections, motor_number,
    )  # fmt: skip


def in_force(since_ms: Floats, t_ms: NDArray[np.float64]) -> Ints:
    """Which version is in force at each time, shape (n,): the one entered last of those that hold by then.

    Parameters
    ----------
    since_ms : (k,) when each version begins to hold, in the order in which they were entered; k > 0
    t_ms : (n,) times; before the first version the first holds

    >>> in_force(np.array([0.0, 80.0, 40.0]), np.array([-5.0, 20.0, 50.0, 90.0])).tolist()
    [0, 0, 2, 2]
    """
    which = np.zeros(len(t_ms), np.int32)
    for number, since in enumerate(since_ms.tolist()):
        which[t_ms >= since] = number
    return which
