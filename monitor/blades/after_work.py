"""What a fan should draw after work on its blades, at the volts and in the air of then, and whether it does.

Active amps of the half hour before, brought to rated voltage and reference air, are carried to the blades, the volts
and the air of the reading after the work:

    Ia = Ia0 exp(-s d) / (v (t + 273.15)/293.15)        amps = sqrt(Ia^2 + (Imr v)^2) + spread

with the band of `degrees`: nine of ten outcomes lie in it. What was measured on one side of the work only cannot be
compared: it is taken as alike, the band is wider by what that may cost, and it is said (derived, as in `learning`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from monitor.blades.air import power_at_reference, power_ratio
from monitor.blades.belief import BAND
from monitor.blades.learning import LOG_DEVIATION_AIR_UNKNOWN, LOG_DEVIATION_VOLTS_UNKNOWN
from monitor.motor.current import CurrentModel

AS_EXPECTED, MORE, LESS = "as expected", "more than expected", "less than expected"
VOLTS_ALIKE = "voltage was not measured both before and after: taken as alike, and the band is wider for it"
AIR_ALIKE = "the air was not measured both before and after: taken as alike, and the band is wider for it"


@dataclass(frozen=True)
class BeforeWork:
    """What the last half hour says of a fan's load, enough to tell its amps with other blades, volts and air."""

    active: float
    """Ia0, active amps at rated voltage in reference air [A]; what is not known of the two is left out."""
    spread: float
    """Highest leg less mean leg [A]."""
    deviation: float
    """Relative standard deviation of the active amps."""
    slope: float
    """s, the share of shaft power that a degree is worth [1/degree]."""
    slope_deviation: float
    """Its standard deviation [1/degree]."""
    v: float | None
    """Mean voltage over rated voltage then; None: not measured."""
    t_c: float | None
    """Air at the fan then [degrees C]; None: not known."""

    def as_json(self) -> dict[str, float | None]:
        """As it is stored with an estimate."""
        return asdict(self)


def before_work(stored: Mapping[str, Any] | None) -> BeforeWork | None:
    """What `BeforeWork.as_json` gave; None stays None."""
    return None if stored is None else BeforeWork(**stored)


@dataclass(frozen=True)
class Expected:
    """The highest leg after the work."""

    amps: float
    """[A]"""
    low: float
    """Lower end of the band that holds nine of ten [A]."""
    high: float
    """Upper end [A]."""
    words: tuple[str, ...]
    """What had to be taken as alike."""

    def verdict(self, found: float) -> str:
        """Whether a reading [A] fits: AS_EXPECTED within the band, else MORE or LESS.

        Examples
        --------
        >>> seen = Expected(11.4, 10.9, 11.9, ())
        >>> seen.verdict(11.6), seen.verdict(12.0), seen.verdict(10.8)
        ('as expected', 'more than expected', 'less than expected')
        """
        return MORE if found > self.high else LESS if found < self.low else AS_EXPECTED


def expected(
    before: BeforeWork,
    model: CurrentModel,
    degrees: float,
    *,
    v: float | None,
    t_c: float | None,
    spread: float | None = None,
) -> Expected:
    """The highest leg to be expected with so many degrees less, at the volts and in the air of a reading.

    Parameters
    ----------
    degrees : degrees less than before the work; 0: blades as they were; negative: pitch was put back in
    v : mean voltage over rated voltage at the reading; None: not measured
    t_c : air at the fan then [degrees C]; None: not measured
    spread : highest less mean leg of the reading [A]: what the supply of then makes of the legs; None: as before

    Examples
    --------
    A 10 hp fan of 15.5 A at 446.7 of 460 V and 7 degrees C, three degrees less; then by the same supply at 2 degrees:

    >>> from monitor.motor.current import current_model
    >>> from monitor.motor.nameplate import Motor
    >>> model = current_model(Motor(460, 3, 13.2, 1.15, power_factor=0.83))
    >>> before = BeforeWork(12.7587, 0.4667, 0.0392, 0.075, 0.015, 0.971, 7.0)
    >>> then = expected(before, model, 3.0, v=0.971, t_c=2.0)
    >>> round(then.amps, 2), round(then.low, 2), round(then.high, 2)
    (13.19, 12.28, 14.21)
    """
    words = []
    deviation = math.hypot(degrees * before.slope_deviation, before.deviation)
    if before.v is None or v is None:
        deviation = math.hypot(deviation, LOG_DEVIATION_VOLTS_UNKNOWN)
        v = before.v
        words.append(VOLTS_ALIKE)
    if before.t_c is None or t_c is None:
        deviation = math.hypot(deviation, LOG_DEVIATION_AIR_UNKNOWN)
        t_c = before.t_c
        words.append(AIR_ALIKE)
    at = 1.0 if v is None else v
    reference = at * (1.0 if t_c is None else power_at_reference(t_c))
    apart = before.spread if spread is None else spread

    def highest(exponent: float) -> float:
        return math.hypot(before.active * math.exp(exponent) / reference, model.magnetising(at)) + apart

    middle = -before.slope * degrees
    return Expected(
        highest(middle), highest(middle - BAND * deviation), highest(middle + BAND * deviation), tuple(words)
    )


def at_the_coldest(
    model: CurrentModel, legs: Sequence[float], *, v: float | None, t_c: float, coldest_c: float
) -> float | None:
    """What a reading makes of the highest leg in the coldest air expected, at the same volts [A]; None: too lightly
    loaded to say.

    Parameters
    ----------
    legs : of the reading [A], one or three, above 0
    t_c, coldest_c : air at the reading, and the coldest expected [degrees C]

    Examples
    --------
    >>> from monitor.motor.current import current_model
    >>> from monitor.motor.nameplate import Motor
    >>> model = current_model(Motor(460, 3, 13.2, 1.15, power_factor=0.83))
    >>> round(at_the_coldest(model, (13.0, 12.8, 12.9), v=0.98, t_c=7.0, coldest_c=-5.0), 2)
    13.45
    """
    mean, at = sum(legs) / len(legs), 1.0 if v is None else v
    if model.lightly_loaded(mean, at):
        return None
    active = model.active(mean, at) * power_ratio(t_c, coldest_c)
    return math.hypot(active, model.magnetising(at)) + max(legs) - mean
