"""Where the amps come from: what lies between the highest leg and the adjusted limit, in five parts that add up to it.

    part            amps       what it is
    leg spread      A - M      highest less mean leg
    supply voltage  M - M1     M1: the mean leg with the same load at rated voltage
    derating        L0 - L     what unbalanced voltage takes from the limit
    air density     M1 - M2    M2: the same in reference air
    fan load        M2 - L0    pitch, back-pressure, bearings; may be negative

The sum is A - L. Worked out for this project (derived).
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.blades.air import power_at_reference
from monitor.motor.current import CurrentModel
from monitor.motor.nameplate import Motor
from monitor.motor.unbalance import CURRENT_OVER_VOLTAGE

BELIEVABLE_VOLTAGE = (0.7, 1.3)
"""A running motor's mean voltage over rated voltage outside this is a wrong channel or a wrong nameplate, not a
supply (derived)."""


def believable_ratio(mean_volts: float | None, motor: Motor) -> float | None:
    """v: mean voltage over rated voltage; None where it is not measured, or cannot be that of a running motor.

    Parameters
    ----------
    mean_volts : mean of the line-to-line voltages measured [V]; None or NaN: not measured

    Examples
    --------
    >>> believable_ratio(437.0, Motor(460, 3, 12.4)), believable_ratio(265.0, Motor(460, 3, 12.4))
    (0.95, None)
    """
    if mean_volts is None:
        return None
    least, most = BELIEVABLE_VOLTAGE
    v = mean_volts / motor.rated_voltage
    return v if least <= v <= most else None


@dataclass(frozen=True)
class Parts:
    """The five parts [A]."""

    leg_spread: float
    """A - M, at least 0."""
    supply_voltage: float
    """M - M1; 0 where voltage is not measured."""
    derating: float
    """L0 - L, at least 0."""
    air_density: float
    """M1 - M2; 0 where the air temperature is not known."""
    fan_load: float
    """M2 - L0."""
    one_supply_unbalance: bool
    """Leg spread and derating are shown together as "supply unbalance": the voltage unbalance explains the spread."""
    at_rated_voltage: float
    """M1 [A]."""

    @property
    def supply_unbalance(self) -> float:
        """Leg spread and derating together [A]."""
        return self.leg_spread + self.derating

    @property
    def total(self) -> float:
        """A - L [A]."""
        return self.leg_spread + self.supply_voltage + self.derating + self.air_density + self.fan_load

    def named(self) -> tuple[tuple[str, float], ...]:
        """The parts with their names, in the order they are shown."""
        return (
            ("leg spread", self.leg_spread),
            ("supply voltage", self.supply_voltage),
            ("derating", self.derating),
            ("air density", self.air_density),
            ("fan load", self.fan_load),
        )


def parts_of(
    model: CurrentModel,
    *,
    highest: float,
    mean: float,
    v: float | None,
    unbalance: float | None,
    t_c: float | None,
    full_limit: float,
    limit: float,
) -> Parts | None:
    """Splits A - L into its parts; None where the motor is too lightly loaded to say.

    Parameters
    ----------
    model : of the motor
    highest, mean : highest and mean leg of the window, A and M [A], A >= M > 0
    v : mean voltage over rated voltage; None: not measured, rated is taken and the part is 0
    unbalance : voltage unbalance [%]; None: not measured
    t_c : air temperature at the fan [degrees C]; None: not known, the part is 0
    full_limit, limit : L0 and L [A]

    Examples
    --------
    A 10 hp, 460 V fan, mild overload on a low supply at 7 degrees C:

    >>> from monitor.motor.current import current_model
    >>> from monitor.motor.nameplate import Motor
    >>> model = current_model(Motor(460, 3, 13.2, 1.15, power_factor=0.83))
    >>> parts = parts_of(
    ...     model, highest=15.5, mean=15.0333, v=0.971, unbalance=0.82, t_c=7.0, full_limit=15.18, limit=15.18
    ... )
    >>> [(name, round(amps, 2)) for name, amps in parts.named()]
    [('leg spread', 0.47), ('supply voltage', 0.29), ('derating', 0.0), ('air density', 0.53), ('fan load', -0.97)]
    >>> round(parts.total, 2)
    0.32
    """
    at = 1.0 if v is None else v
    if model.lightly_loaded(mean, at):
        return None
    active = model.active(mean, at)
    rated = mean if v is None else model.mean_leg_at(active, v, 1.0)
    reference = rated if t_c is None else model.mean_leg_at(active, at, 1.0, power_at_reference(t_c))
    spread = highest - mean
    return Parts(
        leg_spread=spread,
        supply_voltage=mean - rated,
        derating=full_limit - limit,
        air_density=rated - reference,
        fan_load=reference - full_limit,
        one_supply_unbalance=unbalance is not None and 100.0 * spread / mean <= CURRENT_OVER_VOLTAGE[1] * unbalance,
        at_rated_voltage=rated,
    )


def main_cause(parts: Parts, full_limit: float, *, under_limit_when_warmer: bool = False) -> str | None:
    """Main cause of an excess, as one of the words of the report; None without an excess.

    Where the fan would be under its limit on a supply put right (M1 <= L0) it is the supply: the larger of unbalance
    and voltage. Spread that the voltage unbalance does not explain is the leg's own connection or winding. Else it is
    the fan's load.

    Parameters
    ----------
    parts : of the window
    full_limit : L0 [A]
    under_limit_when_warmer : the log itself shows this fan under its limit when it was warmer at the same volts: only
        then may the air be called the main cause

    Examples
    --------
    >>> main_cause(Parts(4.0, 1.0, 2.0, 0.5, -3.0, True, 40.0), full_limit=42.0)
    'supply unbalance'
    >>> main_cause(Parts(4.0, 1.0, 0.0, 0.5, -3.0, False, 40.0), full_limit=42.0)
    'leg connection'
    """
    if parts.total <= 0.0:
        return None
    if parts.at_rated_voltage <= full_limit:
        if parts.one_supply_unbalance:
            shares = {"supply unbalance": parts.supply_unbalance, "supply voltage": parts.supply_voltage}
        else:
            shares = {
                "leg connection": parts.leg_spread,
                "supply unbalance": parts.derating,
                "supply voltage": parts.supply_voltage,
            }
        return max(shares, key=lambda cause: shares[cause])
    if under_limit_when_warmer and parts.air_density > 0.0:
        return "air density"
    return "fan load"


def reference_load(model: CurrentModel, mean: float, v: float | None, t_c: float | None) -> float:
    """Active amps brought to rated voltage and reference air [A]: what a fan's load is followed by from week to week.

    Parameters
    ----------
    mean : mean leg [A]
    v : mean voltage over rated voltage; None: 1 is taken
    t_c : air temperature at the fan [degrees C]; None: reference air is taken

    Examples
    --------
    >>> from monitor.motor.current import current_model
    >>> from monitor.motor.nameplate import Motor
    >>> model = current_model(Motor(460, 3, 10.2, power_factor=0.81))
    >>> round(reference_load(model, 11.1333, 1.0, 12.0), 3)
    9.634
    """
    at = 1.0 if v is None else v
    return model.active(mean, at) * at * (1.0 if t_c is None else power_at_reference(t_c))
