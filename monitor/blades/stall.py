"""Near-stall signs: amps that swing without a pause at high load.

Past the peak of its pressure curve an axial fan's blades stall; its shaft power is then high and unsteady (US DOE and
AMCA, *Improving Fan System Performance*; M. J. McPherson, *Subsurface Ventilation*, chapter 10; from memory). There
less pitch can cut the power sharply and raise the airflow, so that the worth of a degree fails.

The measure: the swings of the highest leg (`WindowFigures.swing`: standard deviation of the readings within a minute
and a half, the median over the window), less in squares

* what the logger's own readings jump about: a tenth of its accuracy, or 0.6 of the step in which it shows amps;
* what the supply makes of it: at most 1.5 times the relative swings of the voltage.

The rest over the highest leg is the *unsteadiness*. Steady fans of the invented crowd show none that stands out of
their logger's noise; told is 1 % and more, at 85 % of full-load amps times service factor and more (derived: blades of
the invented farm that are well in stall show 1.2 to 3 %; the tests hold the share of healthy fans that are told under
1 %, on unsteady supplies too). It is a sign and no proof: belts, gusts on the inlet and a worn coupling swing as well.
A logger that averages over its period hides it, one slower than a minute cannot show it.
"""

from __future__ import annotations

import math

from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Logger

UNSTEADY_SHARE = 0.01
"""Unsteadiness from which it is told, as a share of the highest leg (derived)."""
HIGH_LOAD = 0.85
"""Highest leg over full-load amps times service factor from which it is told (derived: blades in stall load the motor
as much as steep ones)."""
NOISE_SHARE = 0.1
"""What a logger's readings jump about, as a share of its greatest error, most of which stays the same from reading to
reading (common practice, no source)."""
STEP_NOISE = 0.6
"""Standard deviation that a logger's steps can make of steady amps, in steps: at most half a step, where it shows two
values by turns, and room for the few readings it is worked from (derived)."""
FOLLOWS_VOLTS = 1.5
"""Relative swing of the amps over that of the voltage, at most (derived: at steady load it is between -1 and 1 for the
active and the magnetising part; the rest is for the rotor's slowness and the saturation of the iron)."""


def unsteadiness(figures: WindowFigures, logger: Logger) -> float | None:
    """Swings of the highest leg that neither logger nor supply explains, as a share of it; None: cannot be told.

    Parameters
    ----------
    figures : of the window
    logger : of the fan

    Examples
    --------
    0.5 A of 40 A, of which the logger makes 0.13 A:

    >>> seen = WindowFigures(
    ...     40.0, 39.5, (40.0, 39.5, 39.0), (460, 459, 458), 0.2, 459, 7.0, 0.5, 1800, 180, None, swing=0.5,
    ...     volts_swing=0.0,
    ... )  # fmt: skip
    >>> round(unsteadiness(seen, Logger()), 5)
    0.01207
    """
    if figures.swing is None or not figures.highest > 0.0:
        return None
    accuracy = logger.accuracy_percent / 100.0 * figures.highest + logger.accuracy_amps
    noise = max(NOISE_SHARE * accuracy, STEP_NOISE * figures.amps_step)
    supply = 0.0 if figures.volts_swing is None else FOLLOWS_VOLTS * figures.volts_swing * figures.highest
    return math.sqrt(max(figures.swing**2 - noise**2 - supply**2, 0.0)) / figures.highest


def near_stall(figures: WindowFigures, logger: Logger, full_limit: float) -> str | None:
    """The sign in words, to stand beside the estimate; None: no sign, or it cannot be told.

    Parameters
    ----------
    figures : of the window
    logger : of the fan
    full_limit : full-load amps times service factor [A]

    Examples
    --------
    >>> seen = WindowFigures(
    ...     40.0, 39.5, (40.0, 39.5, 39.0), (460, 459, 458), 0.2, 459, 7.0, 1.2, 1800, 180, None, swing=1.2,
    ...     volts_swing=0.001,
    ... )  # fmt: skip
    >>> near_stall(seen, Logger(), 42.0)[:62]
    'the amps swing by 3.0 % from reading to reading at 95 % of ful'
    >>> near_stall(seen, Logger(), 50.0) is None
    True
    """
    share = unsteadiness(figures, logger)
    load = figures.highest / full_limit
    if share is None or share < UNSTEADY_SHARE or load < HIGH_LOAD:
        return None
    cause = "volts do not explain it"
    if figures.volts_swing is None:
        cause = "voltage is not measured, and a supply that flickers looks the same"
    return (
        f"the amps swing by {100.0 * share:.1f} % from reading to reading at {100.0 * load:.0f} % of full-load amps "
        f"times service factor, and {cause}: a sign that the blades are in stall or near it (too deep a bed, fines, "
        "too steep a pitch). There the worth of a degree does not hold: less pitch can cut the power sharply and give "
        "more air"
    )
