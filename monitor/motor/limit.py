"""The current a motor may carry: full-load amps, service factor, and what unbalanced voltage takes away.

    adjusted limit  L = L0 D(u)          L0 = full-load amps x service factor, or the service-factor amps
    load ratio        = highest leg / L  margin = 1 - load ratio

NEMA's derating factor D is one for power. Putting it on amperes is a simplification, on the safe side: current falls
more slowly than power. Unbalance so counts twice, in the highest leg and in D; with a service factor of 1.0 that is
very strict. It is meant so: the unbalanced part heats the rotor far more than its amperes tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from monitor.motor.compiled import Floats, compiled, over_columns
from monitor.motor.nameplate import Motor

DERATING_SOURCE = "NEMA MG 1 section 14.36, figure 14-1"
DERATING_FACTORS = np.array([1.0, 1.0, 0.95, 0.88, 0.82, 0.75])
"""At 0, 1, 2, 3, 4 and 5 % (points of NEMA MG 1 figure 14-1 as commonly printed, from memory). Prints differ by up to
0.02 (at 3 % 0.88 to 0.90, at 5 % 0.75 or 0.76); taken is the safe side."""
NO_FACTOR_ABOVE = 5.0
"""Voltage unbalance [%] above which NEMA gives no factor: running is not recommended (NEMA MG 1 section 14.36)."""

NOT_MEASURED = "not adjusted: voltage is not measured"
TOO_LITTLE = "not adjusted: there is too little running to go by"
ONE_VOLTAGE = "not adjusted: only one line voltage is measured, so its unbalance is not known"
MEASURED_BEFORE = "by the last voltages measured"
NO_LIMIT_GIVEN = "no limit is given at this unbalance; stop and have the supply put right"
SERVICE_FACTOR_HOLDS = (
    "the service factor holds at rated voltage and frequency, up to 40 degrees C, up to 1000 m; it is no reserve for "
    "unbalance, and a season above full-load amps shortens the motor's life"
)
COUNTS_TWICE = (
    "unbalance counts twice, in the highest leg and in the derating factor; the factor is one for power, so on "
    "amperes it is strict: on the safe side, on purpose"
)


@compiled
def derate(unbalance: float) -> float:
    """Derating factor for voltage unbalance: straight lines between the printed points.

    It never raises, so that the watch can call it on every reading.

    Parameters
    ----------
    unbalance : voltage unbalance as NEMA defines it [%], at least 0. Above 5 there is no factor: 0.75 is given so
        that a ratio can still be formed, and whoever shows it must say that no limit is given. NaN: not measured.

    Returns
    -------
    0.75 to 1, never rising with the unbalance; 1 where it is NaN

    Examples
    --------
    The motor of the example in NEMA MG 1 section 14.36 (1.96 %), 10 hp, may give about 9.5 hp.

    >>> round(10 * derate(1.96), 2)
    9.52
    >>> derate(math.nan), derate(5.0), derate(8.0)
    (1.0, 0.75, 0.75)

    References
    ----------
    NEMA MG 1, Motors and Generators, section 14.36, figure 14-1.
    """
    if math.isnan(unbalance) or unbalance <= 1.0:
        return 1.0
    if unbalance >= 5.0:
        return DERATING_FACTORS[5]  # type: ignore[no-any-return]
    before = int(unbalance)
    left, right = DERATING_FACTORS[before], DERATING_FACTORS[before + 1]
    return left + (right - left) * (unbalance - before)  # type: ignore[no-any-return]


@compiled
def _derates(unbalance: Floats, out: Floats) -> None:
    for row in range(out.size):
        out[row] = derate(unbalance[row])


@overload
def derating_factor(unbalance: float) -> float: ...
@overload
def derating_factor(unbalance: Floats) -> Floats: ...
def derating_factor(unbalance: Any) -> Any:
    """Derating factor for voltage unbalance, for numbers and arrays.

    Parameters
    ----------
    unbalance : voltage unbalance [%]; NaN: not measured

    Returns
    -------
    0.75 to 1, shaped as the argument; see `derate`

    Examples
    --------
    >>> derating_factor(np.array([0.5, 1.5, 3.0])).tolist()
    [1.0, 0.975, 0.88]

    References
    ----------
    NEMA MG 1, Motors and Generators, section 14.36, figure 14-1.
    """
    return over_columns(_derates, unbalance)


def full_limit(motor: Motor) -> float:
    """L0 [A]: what the motor may carry on a balanced supply.

    The service-factor amps where the nameplate prints them, else full-load amps times service factor.

    Examples
    --------
    >>> round(full_limit(Motor(rated_voltage=460, phases=3, full_load_amps=12.4, service_factor=1.15)), 2)
    14.26
    >>> full_limit(Motor(rated_voltage=460, phases=3, full_load_amps=12.4, service_factor_amps=14.0))
    14.0

    References
    ----------
    NEMA MG 1, Motors and Generators, section 1.42 (service factor).
    """
    if motor.service_factor_amps is not None:
        return float(motor.service_factor_amps)
    return float(motor.full_load_amps * motor.service_factor)


@dataclass(frozen=True)
class Factor:
    """One step on the way to a limit."""

    name: str
    """"full-load amps", "service factor", "service-factor amps" or "voltage unbalance"."""
    value: float
    """Amperes for the first and third, else a pure number."""
    source: str
    """Where it comes from, in words."""


@dataclass(frozen=True)
class Limit:
    """What a motor may carry, and how that was arrived at."""

    amps: float
    """The adjusted limit L [A], with which the highest leg is compared."""
    full_amps: float
    """L0 [A], the limit on a balanced supply."""
    percent_of_full_load: float
    """L over full-load amps [%]."""
    factors: tuple[Factor, ...]
    """Every factor with value and source; together they make `amps`."""
    notes: tuple[str, ...]
    """What has to be said beside it, in words."""


def adjusted_limit(
    motor: Motor,
    unbalance_percent: float | None,
    *,
    volts_source: str = "measured",
    not_adjusted: str = NOT_MEASURED,
) -> Limit:
    """The motor's limit adjusted for voltage unbalance.

    Parameters
    ----------
    motor : nameplate figures
    unbalance_percent : voltage unbalance [%]; None or NaN: not known, then nothing is taken off. Of no account for a
        single-phase motor.
    volts_source : where the unbalance comes from, for the words beside it: "measured", "a technician's reading of 3
        October". Who calls sees to it that a technician's reading is not older than 30 days.
    not_adjusted : the words to use when it is not known

    Examples
    --------
    >>> limit = adjusted_limit(Motor(rated_voltage=460, phases=3, full_load_amps=12.4, service_factor=1.15), 3.0)
    >>> round(limit.amps, 2), round(limit.percent_of_full_load, 1)
    (12.55, 101.2)
    >>> [(factor.name, factor.value) for factor in limit.factors]
    [('full-load amps', 12.4), ('service factor', 1.15), ('voltage unbalance', 0.88)]

    References
    ----------
    NEMA MG 1, Motors and Generators, sections 1.42, 12.45 and 14.36.
    """
    full = full_limit(motor)
    notes: list[str] = []
    if motor.service_factor_amps is not None:
        factors = [Factor("service-factor amps", full, "nameplate")]
    else:
        factors = [
            Factor("full-load amps", float(motor.full_load_amps), "nameplate"),
            Factor("service factor", float(motor.service_factor), "nameplate"),
        ]
    factor = 1.0
    if motor.phases == 3:
        if unbalance_percent is None or math.isnan(unbalance_percent):
            notes.append(not_adjusted)
        else:
            factor = derate(float(unbalance_percent))
            factors.append(
                Factor(
                    "voltage unbalance",
                    factor,
                    f"{DERATING_SOURCE}, at {unbalance_percent:.1f} % unbalance, {volts_source}",
                )
            )
            if unbalance_percent > NO_FACTOR_ABOVE:
                notes.append(NO_LIMIT_GIVEN)
            if factor < 1.0:
                notes.append(COUNTS_TWICE)
    if full > motor.full_load_amps:
        notes.append(SERVICE_FACTOR_HOLDS)
    amps = full * factor
    return Limit(amps, full, 100.0 * amps / motor.full_load_amps, tuple(factors), tuple(notes))


@overload
def load_ratio(highest_leg: float, limit_amps: float) -> float: ...
@overload
def load_ratio(highest_leg: Floats, limit_amps: float | Floats) -> Floats: ...
def load_ratio(highest_leg: Any, limit_amps: Any) -> Any:
    """Highest leg over adjusted limit: 1 is the limit.

    Parameters
    ----------
    highest_leg : [A], at least 0; NaN stays NaN
    limit_amps : the adjusted limit [A], above 0

    Examples
    --------
    >>> round(load_ratio(15.5, 15.18), 3)
    1.021
    """
    return highest_leg / limit_amps


@overload
def margin(highest_leg: float, limit_amps: float) -> float: ...
@overload
def margin(highest_leg: Floats, limit_amps: float | Floats) -> Floats: ...
def margin(highest_leg: Any, limit_amps: Any) -> Any:
    """What is left of the limit, as a fraction of it: 1 - load ratio; below 0 the motor is over its limit.

    Examples
    --------
    >>> round(margin(15.5, 15.18), 3)
    -0.021
    """
    return 1.0 - highest_leg / limit_amps
