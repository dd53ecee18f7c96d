"""What one degree of blade angle is worth.

Belief about shaft power: P2/P1 = exp(-s d) for d degrees less. No open source gives a figure for s. A mean-line
blade-element estimate made for this project (derived: lift slope 0.09 to 0.105 a degree, grain resistance dp ~ Q^1.3
to 1.8 after ASABE D272, five fan sizes) gives 7 to 10 % of shaft power a degree; the mean stands at the lower end of
that because the trade's figure, some 8 to 10 A for every 2 degrees on a 15 hp drying fan (common practice, no
source), puts it there.

It fails in stall, where less pitch can raise the airflow and cut the power sharply.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.motor.current import CurrentModel
from monitor.motor.nameplate import Fan, Motor

USUAL_SLOPE = 0.075
"""Mean of s [1/degree] (derived, see above)."""
USUAL_DEVIATION = 0.015
"""Standard deviation of s [1/degree] (derived)."""
GIVEN_DEVIATION = 0.20
"""Standard deviation of a slope given for the fan, as a share of it (derived)."""
BAND = 1.645
"""Standard deviations either side that hold nine of ten."""


@dataclass(frozen=True)
class Belief:
    """What is believed about s, the share of shaft power that a degree takes away."""

    mean: float
    """[1/degree], above 0."""
    deviation: float
    """Standard deviation [1/degree], above 0."""
    source: str
    """Where it comes from, in words."""


USUAL = Belief(USUAL_SLOPE, USUAL_DEVIATION, "usual for axial fans, an estimate")


def reference_current(motor: Motor) -> float:
    """The current [A] at which amps a degree are told: full-load amps times service factor."""
    return motor.full_load_amps * motor.service_factor


def belief_of(motor: Motor, fan: Fan, model: CurrentModel) -> Belief:
    """The fan's own figure where its file gives one, else the usual belief.

    `amps_per_degree` is the slope of the amperes against the angle at I = full-load amps x service factor; then
    s = a I/(I^2 - Imr^2).

    Examples
    --------
    >>> from monitor.motor.current import current_model
    >>> motor = Motor(rated_voltage=230, phases=3, full_load_amps=50.5, service_factor=1.15, power_factor=0.84)
    >>> belief = belief_of(motor, Fan(amps_per_degree=3.9), current_model(motor))
    >>> round(belief.mean, 5), round(belief.deviation, 5)
    (0.08003, 0.01601)
    """
    if fan.amps_per_degree is None:
        return USUAL
    current = reference_current(motor)
    slope = fan.amps_per_degree * current / (current * current - model.magnetising_rated**2)
    return Belief(slope, GIVEN_DEVIATION * slope, "this fan's own figure, from its file")


@dataclass(frozen=True)
class AmpsPerDegree:
    """Amps less for a degree less, at full-load amps times service factor and rated voltage."""

    mean: float
    """[A a degree]."""
    low: float
    """Lower end of the band that holds nine of ten [A a degree], not under 0."""
    high: float
    """Upper end [A a degree]."""
    source: str
    """Where the belief comes from."""


def amps_per_degree(motor: Motor, model: CurrentModel, belief: Belief) -> AmpsPerDegree:
    """The belief in amperes: the slope s (I^2 - Imr^2)/I at I = full-load amps x service factor.

    Examples
    --------
    >>> from monitor.motor.current import current_model
    >>> motor = Motor(rated_voltage=230, phases=3, full_load_amps=50.5, service_factor=1.15, power_factor=0.84)
    >>> round(amps_per_degree(motor, current_model(motor), USUAL).mean, 3)
    3.655
    """
    current = reference_current(motor)
    each = (current * current - model.magnetising_rated**2) / current
    low = max(belief.mean - BAND * belief.deviation, 0.0)
    high = belief.mean + BAND * belief.deviation
    return AmpsPerDegree(belief.mean * each, low * each, high * each, belief.source)
