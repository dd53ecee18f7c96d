"""What a motor would draw at another voltage, in other air, at another blade angle.

A leg's current has an active part, which carries the shaft power, and a magnetising part, which the voltage drives.
They stand at right angles:

    I^2 = Ia^2 + Im^2        Ia ~ P / V        Im = Imr v,   v = mean voltage / rated voltage
    Imr = k FLA sqrt(1 - PF^2)

k is 0.85 for three-phase and 1.0 for single-phase motors: of the reactive current at full load some is leakage and
grows with the load instead of staying. Worked out for this project (derived) on 120 motor circuits with core loss,
friction and saturation, 60 to 130 % load, +-10 % voltage: rms error 1.4 to 2.2 % of full-load amps, where the plain
rule I V/Vr of the US DOE fact sheet *Determining Electric Motor Load and Efficiency* has 3.4 (at most 8).

Leg spread (highest less mean leg) is added, never multiplied: it is the supply's doing and stays about the same in
amperes (derived: truth 4.23 A, added 4.66, multiplied 3.89).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from monitor.motor.compiled import Floats
from monitor.motor.nameplate import Motor

WATTS_A_HORSEPOWER = 746.0
STAYING_SHARE = {3: 0.85, 1: 1.0}
"""k: share of the reactive current at full load that does not grow with the load (derived, see above)."""
POWER_FACTOR_BOUNDS = {3: (0.70, 0.92), 1: (0.80, 0.98)}
"""A power factor worked out from other figures is held to these (common practice, no source)."""
TYPICAL_POWER_FACTOR = {3: 0.84, 1: 0.90}
"""Taken when neither power factor nor rated power is known (common practice, no source)."""
TYPICAL_EFFICIENCY = {
    3: ((2.0, 0.82), (5.0, 0.87), (15.0, 0.90), (math.inf, 0.92)),
    1: ((3.0, 0.75), (5.0, 0.80), (math.inf, 0.85)),
}
"""Phases -> (up to hp, full-load efficiency), where the nameplate prints none (common practice, no source)."""
NARROW_VOLTAGE = 0.05
"""Within this share of rated voltage the model is good to 1 % of the amperes, beyond it to 2 % (derived)."""
LIGHTLY_LOADED_BELOW = 1.1
"""Mean leg over magnetising current under which nothing can be said about the load: the active part is lost in the
error of the model (derived)."""

DO_NOT_FIT = "the nameplate figures do not fit each other"
TYPICAL_TAKEN = "neither power factor nor rated power is known: a typical power factor is taken"
TOO_LIGHT = "too lightly loaded to say"
NO_FALL_PROMISED = (
    "more than 5 % above rated voltage no fall of current is promised: many motors draw more there, not less"
)


def typical_efficiency(phases: int, rated_power_hp: float) -> float:
    """Full-load efficiency of a motor of this size where the nameplate prints none (common practice, no source).

    Parameters
    ----------
    phases : 1 or 3
    rated_power_hp : [hp], above 0

    Examples
    --------
    >>> typical_efficiency(3, 10), typical_efficiency(1, 10), typical_efficiency(3, 2)
    (0.9, 0.85, 0.82)
    """
    return next(efficiency for up_to, efficiency in TYPICAL_EFFICIENCY[phases] if rated_power_hp <= up_to)


def computed_power_factor(motor: Motor) -> float | None:
    """Power factor that rated power, voltage, amps and efficiency give, unbounded; None without a rated power.

    Examples
    --------
    >>> round(computed_power_factor(Motor(rated_voltage=230, phases=1, full_load_amps=46, rated_power_hp=10)), 4)
    0.8295

    References
    ----------
    P = c V I PF eff with c = sqrt(3) (three-phase) or 1: any electrical engineering text.
    """
    if motor.rated_power_hp is None:
        return None
    efficiency = motor.efficiency
    if efficiency is None:
        efficiency = typical_efficiency(motor.phases, motor.rated_power_hp)
    c = math.sqrt(3.0) if motor.phases == 3 else 1.0
    return WATTS_A_HORSEPOWER * motor.rated_power_hp / (c * motor.rated_voltage * motor.full_load_amps * efficiency)


def input_power(volts: float, amps: float, power_factor: float, phases: int) -> float:
    """Electrical power [W] from mean line-to-line voltage [V], mean leg current [A] and power factor.

    Examples
    --------
    A 40 hp motor in the US DOE fact sheet *Determining Electric Motor Load and Efficiency* (printed: 22.9 kW, cut off).

    >>> round(input_power(469.667, 37.0, 0.76333, 3) / 1000, 2)
    22.98
    """
    return (math.sqrt(3.0) if phases == 3 else 1.0) * volts * amps * power_factor


@dataclass(frozen=True)
class CurrentModel:
    """A motor's current as active and magnetising part."""

    magnetising_rated: float
    """Imr, magnetising current at rated voltage [A]."""
    power_factor: float
    """The full-load power factor it was worked out from."""
    power_factor_source: str
    """"nameplate", "rated power, voltage, amps and efficiency", "... and typical efficiency", or "typical"."""
    notes: tuple[str, ...] = ()
    """What has to be said beside it, in words."""

    def magnetising(self, v: float) -> float:
        """Magnetising current [A] at v, mean voltage over rated voltage."""
        return self.magnetising_rated * v

    @overload
    def active(self, mean_leg: float, v: float) -> float: ...
    @overload
    def active(self, mean_leg: Floats, v: float | Floats) -> Floats: ...
    def active(self, mean_leg: Any, v: Any) -> Any:
        """Active current [A] in a mean leg current [A] at v; 0 where the magnetising current alone is more.

        Examples
        --------
        >>> round(current_model(Motor(460, 3, 13.2, power_factor=0.83)).active(15.03333, 0.9710145), 4)
        13.7504
        """
        squared = np.maximum(np.square(mean_leg) - np.square(self.magnetising_rated * v), 0.0)
        return _plain(np.sqrt(squared))

    def lightly_loaded(self, mean_leg: float, v: float) -> bool:
        """True where the mean leg [A] is so near the magnetising current that nothing can be said about the load."""
        return mean_leg <= 0.0 or mean_leg < LIGHTLY_LOADED_BELOW * self.magnetising(v)

    @overload
    def mean_leg_at(self, active: float, v: float, to_v: float, power_ratio: float = 1.0) -> float: ...
    @overload
    def mean_leg_at(
        self, active: Floats, v: float | Floats, to_v: float | Floats, power_ratio: float | Floats = 1.0
    ) -> Floats: ...
    def mean_leg_at(self, active: Any, v: Any, to_v: Any, power_ratio: Any = 1.0) -> Any:
        """Mean leg current [A] with the same fan on another voltage, or at another shaft power.

        Parameters
        ----------
        active : active current now [A]
        v, to_v : mean voltage over rated voltage, now and then, above 0. Above 1.05 no fall is promised
            (`NO_FALL_PROMISED`).
        power_ratio : shaft power then over shaft power now: of air density, or of exp(-s d) for d degrees less

        Examples
        --------
        The shaft load of a 13.2 A motor that draws 15.0 A at 447 of 460 V, put on rated voltage:

        >>> model = current_model(Motor(460, 3, 13.2, power_factor=0.83))
        >>> round(model.mean_leg_at(13.75044, 0.9710145, 1.0), 3)
        14.746
        """
        return _plain(np.hypot(active * v / to_v * power_ratio, self.magnetising_rated * to_v))


def current_model(motor: Motor) -> CurrentModel:
    """The current model of a motor, from what its nameplate prints.

    Power factor: as printed; else from rated power, voltage, amps and efficiency (printed or typical), held to
    0.70-0.92 (three-phase) or 0.80-0.98 (single-phase); else typical. What was taken, and whether it was held, is said.

    Examples
    --------
    >>> model = current_model(Motor(rated_voltage=230, phases=1, full_load_amps=46.0, rated_power_hp=10))
    >>> round(model.power_factor, 4), round(model.magnetising_rated, 2), model.notes
    (0.8295, 25.69, ())
    """
    notes: tuple[str, ...] = ()
    computed = computed_power_factor(motor)
    if motor.power_factor is not None:
        power_factor, source = float(motor.power_factor), "nameplate"
    elif computed is not None:
        least, most = POWER_FACTOR_BOUNDS[motor.phases]
        power_factor = min(max(computed, least), most)
        kind = "typical efficiency" if motor.efficiency is None else "efficiency"
        source = f"rated power, voltage, amps and {kind}"
        if power_factor != computed:
            notes = (f"{DO_NOT_FIT}: they make a power factor of {computed:.2f}, taken is {power_factor:.2f}",)
    else:
        power_factor, source = TYPICAL_POWER_FACTOR[motor.phases], "typical"
        notes = (TYPICAL_TAKEN,)
    staying = STAYING_SHARE[motor.phases] * motor.full_load_amps
    return CurrentModel(staying * math.sqrt(1.0 - power_factor * power_factor), power_factor, source, notes)


def model_deviation(v: float) -> float:
    """Standard deviation of the model itself, as a share of the amperes: 0.01 within +-5 % of rated voltage, else 0.02.

    Examples
    --------
    >>> model_deviation(0.97), model_deviation(0.93)
    (0.01, 0.02)
    """
    # A hair of room: 1.05 - 1 is not 0.05 in binary.
    return 0.01 if abs(v - 1.0) <= NARROW_VOLTAGE + 1e-9 else 0.02


def _plain(value: Any) -> Any:
    """numpy's scalar as a plain float, arrays as they are."""
    return float(value) if np.ndim(value) == 0 else value
