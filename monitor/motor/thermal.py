"""Thermal images of a motor and of its overload device, and the time until the device opens.

    one step        h' = x^2 + (h - x^2) exp(-dt/tau)
    time to trip    t = tau ln((x^2 - h)/(x^2 - 1))          x > 1, h < 1

h is the image (thermal capacity used): 0 cold, 1 at the trip level. x is the current over the one at which the device
opens in the end, so that steady x = 1 only just reaches h = 1:

    image             x                                tau running           tau stopped
    motor             highest leg / (1.05 limit)       30 min                3 times that
    overload device   highest leg / (ratio x setting)  by its trip class     the same

IEC 60255-149 writes currents over a base current and puts the trip level at k^2; here k stands in x already. Both are
one body with one time constant: real motors and devices have more. What is shown of them is an estimate.
"""

from __future__ import annotations

import math
from typing import Any, overload

from monitor.motor.compiled import Floats, compiled, over_columns

IMAGE_SOURCE = "IEC 60255-149"
CLASS_SOURCE = "IEC 60947-4-1"

MOTOR_TAU_SECONDS = 1800.0
"""Running motor [s]: small enclosed motors have some 10 to 40 min (from memory); no nameplate tells."""
MOTOR_STOPPED_TIMES = 3.0
"""A stopped motor cools so many times slower, because its fan stands: 2 to 5 (from memory)."""
MOTOR_PICK_UP = 1.05
"""Steady current over the adjusted limit at which the motor's image reaches 1 (1.05 to 1.15 in common use, from
memory): the low end, to be early."""

TRIP_CLASSES = (5, 10, 20, 30)
"""IEC 60947-4-1: at most so many seconds from cold at 7.2 times the setting."""
CLASS_MULTIPLE = 7.2
"""Current over setting at which IEC 60947-4-1 states the classes. (NEMA ICS 2 states them at 600 % of the device's
rating, which is its ultimate trip current: near the same, not the same.)"""
DEFAULT_TRIP_CLASS = 10
"""Where none is registered; say so. IEC practice; class 20 is the usual one of NEMA practice and opens later."""
TRIP_RATIO_BOUNDS = (1.05, 1.25)
"""Steady current over setting at which a device opens in the end: not at 1.05 within 2 h, at 1.2 it does (IEC
60947-4-1, from memory); 1.25 is the ultimate trip current of NEMA practice over full-load amps."""
DEFAULT_TRIP_RATIO = 1.15
"""The middle of TRIP_RATIO_BOUNDS (derived)."""

START_SECONDS = 5.0
"""A reading above 2 x full-load amps caught by chance stands for a start: it counts so long at most [s]. Fans on the
motor's shaft need 1 to 5 s (from memory)."""
BRIDGED_SECONDS = 600.0
"""A gap up to this long [s] between two running readings is one step with the mean of both x^2 (derived)."""


@compiled
def heated(h: float, x_squared: float, dt_seconds: float, tau_seconds: float) -> float:
    """One step of a thermal image with steady current.

    It never raises within the ranges below, and NaN in gives NaN out: whoever calls it sees to both.

    Parameters
    ----------
    h : the image before, at least 0; 1 is the trip level
    x_squared : square of the current over pick-up current, at least 0; 0 when stopped
    dt_seconds : [s], at least 0
    tau_seconds : time constant [s], above 0

    Returns
    -------
    the image after; between `h` and `x_squared`

    Examples
    --------
    20 min of cooling from 0.90 with 40 min:

    >>> round(heated(0.90, 0.0, 1200.0, 2400.0), 4)
    0.5459

    References
    ----------
    IEC 60255-149:2013, Functional requirements for thermal electrical relays (formerly IEC 60255-8).
    """
    return x_squared + (h - x_squared) * math.exp(-dt_seconds / tau_seconds)


@compiled
def seconds_to_trip(h: float, x: float, tau_seconds: float) -> float:
    """Time until an image reaches 1, should the current stay as it is.

    Parameters
    ----------
    h : the image now, at least 0
    x : current over pick-up current, 0 to 1000
    tau_seconds : time constant [s], above 0

    Returns
    -------
    [s]; 0 when it is at the trip level already, whatever the current; infinite when x is at most 1: it never gets
    there. NaN where `h` or `x` is NaN and the other alone does not decide. Real devices of a class act in 0.4 to 1 of
    its time: to be shown as "at most".

    Examples
    --------
    An image of 0.70 in the scale of the standard, where k = 1.05 trips at 1.1025, at 1.4 times base current: 11.55 min.

    >>> round(seconds_to_trip(0.70 / 1.1025, 1.4 / 1.05, 1800.0) / 60.0, 2)
    11.55
    >>> seconds_to_trip(1.0, 0.0, 1800.0), seconds_to_trip(0.99, 1.0, 1800.0)
    (0.0, inf)

    References
    ----------
    IEC 60255-149:2013, Functional requirements for thermal electrical relays (formerly IEC 60255-8).
    """
    if h >= 1.0:
        return 0.0
    if x <= 1.0:
        return math.inf
    return tau_seconds * math.log((x * x - h) / (x * x - 1.0))


@compiled
def _curve(x: Floats, before: Floats, tau_seconds: Floats, out: Floats) -> None:
    for row in range(out.size):
        out[row] = seconds_to_trip(before[row] * before[row], x[row], tau_seconds[row])


@overload
def trip_seconds(x: float, before: float = ..., *, tau_seconds: float) -> float: ...
@overload
def trip_seconds(x: Floats, before: float | Floats = ..., *, tau_seconds: float | Floats) -> Floats: ...
@overload
def trip_seconds(x: float | Floats, before: Floats, *, tau_seconds: float | Floats) -> Floats: ...
def trip_seconds(x: Any, before: Any = 0.0, *, tau_seconds: Any) -> Any:
    """The trip curve, cold or after a steady current: t = tau ln((x^2 - before^2)/(x^2 - 1)).

    For numbers and arrays alike, which are broadcast together.

    Parameters
    ----------
    x : current over pick-up current (k times base current, in the words of the standard), 0 to 1000
    before : steady current before, over pick-up current; 0: from cold
    tau_seconds : time constant [s], above 0

    Returns
    -------
    [s], shaped as the arguments; infinite at x of 1 and less, 0 where the current before had reached the trip level
    already

    Examples
    --------
    A device of 310 s that opens in the end at 1.15, at 7 times its setting, from cold: 8.5 s.

    >>> round(trip_seconds(7.0 / 1.15, tau_seconds=310.0), 1)
    8.5

    References
    ----------
    IEC 60255-149:2013, Functional requirements for thermal electrical relays (formerly IEC 60255-8).
    """
    return over_columns(_curve, x, before, tau_seconds)


def device_tau_seconds(trip_class: int, trip_ratio: float = DEFAULT_TRIP_RATIO) -> float:
    """Time constant [s] with which an overload device's image takes the whole time of its class.

    Parameters
    ----------
    trip_class : 5, 10, 20 or 30
    trip_ratio : steady current over setting at which it opens in the end, 1.05 to 1.25

    Raises
    ------
    ValueError : another class, or a ratio outside its range

    Examples
    --------
    >>> [round(device_tau_seconds(trip_class), 1) for trip_class in TRIP_CLASSES]
    [193.5, 387.0, 773.9, 1160.9]

    References
    ----------
    IEC 60947-4-1, trip classes of overload relays: the time from cold at 7.2 times the setting.
    """
    if trip_class not in TRIP_CLASSES:
        raise ValueError(f"trip class: expected 5, 10, 20 or 30, found {trip_class!r}")
    least, most = TRIP_RATIO_BOUNDS
    if not least <= trip_ratio <= most:
        raise ValueError(f"trip ratio: expected a number from {least:g} to {most:g}, found {trip_ratio!r}")
    x = CLASS_MULTIPLE / trip_ratio
    return trip_class / math.log(x * x / (x * x - 1.0))
