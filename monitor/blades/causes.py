"""The likely causes of an excess, each with its share in amps, the evidence, and what would confirm it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.blades.air import both_scales
from monitor.blades.parts import Parts, main_cause
from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Motor

LEAST_SHARE = 0.01
"""A part under this share of the limit is not called a cause (derived: it lies in the error of the readings)."""

_CONFIRM_BY = {
    "fan load": "with supply, connections and bearings checked: the blade angle by its inserts, the depth and "
    "the fines of the grain, and whether the bed or the ducts are blocked",
    "supply voltage": "voltage at the motor and at the service, running, within one minute: where it drops is "
    "the fault",
    "supply unbalance": "all three line-to-line voltages at the motor and at the service, running, within one minute",
    "leg connection": "connections and contacts of the highest and the lowest leg under load; then move all "
    "three leads one place on, locked out: what stays with the line is the supply's, what moves with the lead is the "
    "motor's",
    "air density": "the same fan on a warmer day at the same volts: it should be under its limit again",
}


@dataclass(frozen=True)
class Cause:
    """One likely cause."""

    cause: str
    """fan load, supply voltage, supply unbalance, leg connection or air density."""
    share_amps: float
    """What it puts between the highest leg and the limit [A]."""
    evidence: tuple[str, ...]
    """Sentences with figures."""
    confirm_by: str
    """What would confirm it."""


def causes_of(
    motor: Motor,
    figures: WindowFigures,
    parts: Parts,
    *,
    unbalance: float | None,
    full_limit: float,
    limit: float,
    under_limit_when_warmer: bool = False,
) -> tuple[Cause, ...]:
    """Causes of an excess, the main one first, then by their share; none without an excess.

    Parameters
    ----------
    motor, figures, parts : of the window
    unbalance : voltage unbalance [%]; None: not known
    full_limit, limit : L0 and L [A]
    under_limit_when_warmer : the log shows this fan under its limit when it was warmer at the same volts

    Examples
    --------
    44 A where 42 A are allowed, at 5 % less than rated voltage:

    >>> seen = WindowFigures(
    ...     44.0, 43.0, (44.0, 43.0, 42.0), (437.0,) * 3, 0.0, 437.0, 20.0, 0.1, 1800, 180, None
    ... )
    >>> parts = Parts(1.0, 1.5, 0.0, 0.0, -0.5, False, 41.5)
    >>> [
    ...     (cause.cause, cause.share_amps)
    ...     for cause in causes_of(Motor(460, 3, 42), seen, parts, unbalance=0.0, full_limit=42.0, limit=42.0)
    ... ]
    [('supply voltage', 1.5), ('leg connection', 1.0)]
    """
    first = main_cause(parts, full_limit, under_limit_when_warmer=under_limit_when_warmer)
    if first is None:
        return ()
    shares = {"supply voltage": parts.supply_voltage, "fan load": parts.at_rated_voltage - full_limit}
    if parts.one_supply_unbalance:
        shares["supply unbalance"] = parts.supply_unbalance
    else:
        shares["leg connection"] = parts.leg_spread
        shares["supply unbalance"] = parts.derating
    if first == "air density":  # only then it is a cause of its own; else it is named with the fan's load
        shares["air density"] = parts.air_density
        shares["fan load"] = parts.fan_load
    least = LEAST_SHARE * limit
    others = sorted((cause for cause in shares if cause != first and shares[cause] > least), key=lambda c: -shares[c])
    return tuple(
        Cause(cause, shares[cause], _evidence(cause, motor, figures, parts, unbalance, full_limit), _CONFIRM_BY[cause])
        for cause in (first, *others)
    )


def _evidence(
    cause: str, motor: Motor, figures: WindowFigures, parts: Parts, unbalance: float | None, full_limit: float
) -> tuple[str, ...]:
    mean = figures.mean
    spread_percent = 100.0 * parts.leg_spread / mean
    if cause == "supply voltage":
        volts = figures.mean_volts or math.nan  # without volts its part is 0 and it is no cause
        measured = f"the mean voltage is {volts:.0f} V, {100.0 * volts / motor.rated_voltage:.1f} % of rated"
        instead = f"the mean leg would draw {parts.at_rated_voltage:.1f} A instead of {mean:.1f} A"
        return (f"{measured}; at rated voltage {instead}",)
    if cause == "supply unbalance":
        taken = f"voltage unbalance of {unbalance:.1f} % takes {parts.derating:.1f} A from the limit"
        if parts.derating < 0.05:
            taken = f"voltage unbalance is {unbalance:.1f} %: too little to lower the limit, enough to spread the legs"
        above = f"the highest leg lies {parts.leg_spread:.1f} A ({spread_percent:.1f} %) above the mean leg"
        return taken, above
    if cause == "leg connection":
        legs = ", ".join("not measured" if leg is None else f"{leg:.1f}" for leg in figures.legs[: motor.phases])
        why = "voltage is not measured, so the supply may as well be unbalanced"
        if unbalance is not None:
            why = f"more than 10 times the voltage unbalance of {unbalance:.1f} %"
        return (f"the legs carry {legs} A: the highest lies {spread_percent:.1f} % above the mean, {why}",)
    balanced = (
        f"even on a balanced supply at rated voltage the mean leg would draw {parts.at_rated_voltage:.1f} A; the motor "
        f"may carry {full_limit:.1f} A"
    )
    sentences = [balanced]
    if figures.ambient_c is not None and abs(parts.air_density) >= 0.05:
        word = "cold" if parts.air_density > 0.0 else "warm"
        verb = "adds" if parts.air_density > 0.0 else "takes off"
        amps = f"{abs(parts.air_density):.1f} A"
        sentences.append(
            f"{word} air of {both_scales(figures.ambient_c)} {verb} {amps} against air of {both_scales(20.0)}"
        )
    if cause == "air density":
        sentences.append("the log shows this fan under its limit when it was warmer at the same volts")
    return tuple(sentences)
