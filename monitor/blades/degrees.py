"""How many degrees less, and with what chance (what they cost in air: `airflow`).

Two questions are worked side by side: the fan *as is*, on the supply it has, and the same fan with the *supply put
right* (rated voltage, balanced). Both look at the coldest air expected, where blades load the motor most.

    column        target T     active i0   magnetising   spread d0
    as is         L (1 - m)    Ia g        Imr v         A - M
    supply right  L0 (1 - m)   Ia v g      Imr           0

    iT = sqrt((T - d0)^2 - Im^2)       none is enough where T - d0 <= Im
    degrees = max(0, ln(i0/iT)/s)
    amps(d) = sqrt((i0 exp(-s d))^2 + Im^2) + d0
    chance(d) = Phi((ln(iT/i0) + s d)/sqrt((d ss)^2 + sig^2))

Worked out for this project (derived); Monte Carlo agrees within 0.02 near a chance of 0.9, where it decides, and
within 0.05 anywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.blades.belief import BAND, Belief
from monitor.motor.nameplate import Fan, Logger

ENOUGH_CHANCE = 0.90
"""A reduction is recommended from this chance on (derived)."""

_GREATEST_EXPONENT = 50.0
"""Beyond it (a clamp whose error is a thousand times the amps) a figure of the band means nothing, but stays one."""

NONE_NEEDED = "none needed"
NONE_ENOUGH = "none enough"
SUPPLY_FIRST = "supply first"
CANNOT_SAY = "cannot say"


def current_deviation(logger: Logger, highest: float, model_deviation: float, window_spread: float) -> float:
    """sI: standard deviation of what is known about the highest leg [A].

    Parameters
    ----------
    logger : its accuracy is read as the greatest error, evenly spread (GUM, rectangular distribution: over sqrt 3)
    highest : highest leg A [A]
    model_deviation : of the current model, as a share of the amps
    window_spread : standard deviation of the single readings around the window's line [A]

    Examples
    --------
    >>> round(current_deviation(Logger(), 15.5, 0.01, 0.0), 4)
    0.4927

    References
    ----------
    JCGM 100:2008 (GUM) 4.3.7 for the rectangular distribution.
    """
    of_logger = (logger.accuracy_percent / 100.0 * highest + logger.accuracy_amps) / math.sqrt(3.0)
    return math.hypot(of_logger, model_deviation * highest, window_spread)


@dataclass(frozen=True)
class Column:
    """One of the two questions, ready to be asked for any number of degrees."""

    target: float
    """T, amps the highest leg is to stay under [A]."""
    active: float
    """i0, active amps at the coldest expected with no degrees taken [A], above 0."""
    magnetising: float
    """Im [A]."""
    spread: float
    """d0, leg spread [A]."""
    belief: Belief
    """What a degree is worth."""
    deviation: float
    """sig, relative standard deviation of the active amps."""

    @property
    def active_target(self) -> float | None:
        """iT, active amps at the target [A]; None where no reduction is enough."""
        room = self.target - self.spread
        return math.sqrt(room * room - self.magnetising**2) if room > self.magnetising else None

    @property
    def needed(self) -> bool:
        """Whether anything has to be taken out at all."""
        target = self.active_target
        return target is None or self.active > target

    @property
    def degrees(self) -> float | None:
        """Degrees that reach the target at the mean belief, at least 0; None where no reduction is enough."""
        target = self.active_target
        return None if target is None else max(0.0, math.log(self.active / target) / self.belief.mean)

    def amps(self, degrees: float) -> float:
        """Highest leg at the coldest expected with so many degrees less [A]."""
        return self._amps(-self.belief.mean * degrees)

    def low(self, degrees: float) -> float:
        """Lower end of the band that holds nine of ten [A]."""
        return self._amps(-self.belief.mean * degrees - BAND * self._deviation(degrees))

    def high(self, degrees: float) -> float:
        """Upper end of the band that holds nine of ten [A]."""
        return self._amps(-self.belief.mean * degrees + BAND * self._deviation(degrees))

    def chance(self, degrees: float) -> float:
        """Chance that so many degrees less bring the highest leg under the target at the coldest expected.

        Examples
        --------
        >>> from monitor.blades.belief import USUAL
        >>> column = Column(14.421, 14.36579, 6.076711, 0.4666667, USUAL, 0.03917231)
        >>> round(column.degrees, 2), round(column.amps(3), 2), round(column.chance(3), 3)
        (1.79, 13.45, 0.936)
        """
        target = self.active_target
        if target is None:
            return 0.0
        surplus = math.log(target / self.active) + self.belief.mean * degrees
        deviation = self._deviation(degrees)
        if deviation == 0.0:
            return 1.0 if surplus >= 0.0 else 0.0
        return 0.5 * math.erfc(-surplus / deviation / math.sqrt(2.0))

    def _deviation(self, degrees: float) -> float:
        return math.hypot(degrees * self.belief.deviation, self.deviation)

    def _amps(self, exponent: float) -> float:
        return math.hypot(self.active * math.exp(min(exponent, _GREATEST_EXPONENT)), self.magnetising) + self.spread


def angles_on_hand(fan: Fan) -> tuple[float, ...]:
    """The present angle and every insert on hand below it, down to the least the fan is meant for; steepest first.

    Examples
    --------
    >>> angles_on_hand(Fan(21, (13, 15, 17, 18, 19, 21, 23), minimum_pitch_degrees=15))
    (21, 19, 18, 17, 15)
    """
    present = fan.blade_pitch_degrees
    if present is None:
        return ()
    least = -math.inf if fan.minimum_pitch_degrees is None else fan.minimum_pitch_degrees
    lower = {angle for angle in fan.available_pitch_degrees if least <= angle < present}
    return (present, *sorted(lower, reverse=True))


def registered(fan: Fan) -> bool:
    """Whether the register says which angle the fan has and which inserts are on hand."""
    return fan.blade_pitch_degrees is not None and bool(fan.available_pitch_degrees)


@dataclass(frozen=True)
class Recommended:
    """The least reduction that has at least 90 % chance."""

    degrees: float
    """Degrees less than now."""
    pitch: float
    """The insert's angle [degrees]."""
    chance: float
    """Its chance."""


def recommend(column: Column, fan: Fan) -> tuple[Recommended | None, str | None]:
    """The least reduction on hand whose chance is at least 90 %, or the word why there is none.

    Parameters
    ----------
    column : the question
    fan : its present angle and the inserts on hand

    Returns
    -------
    (recommended, None) or (None, "none needed" | "none enough" | "cannot say"): the last where the present angle or the
    inserts on hand are not registered. A fan that stands at its lowest angle has none that is enough.
    """
    if not column.needed:
        return None, NONE_NEEDED
    if column.active_target is None:
        return None, NONE_ENOUGH
    if not registered(fan):
        return None, CANNOT_SAY
    angles = angles_on_hand(fan)
    for angle in angles:
        chance = column.chance(angles[0] - angle)
        if chance >= ENOUGH_CHANCE:
            return Recommended(angles[0] - angle, angle, chance), None
    return None, NONE_ENOUGH
