"""Starting a motor: how often in an hour it may be, and what it draws with the rotor still standing.

Each start heats rotor and winding as minutes of overload do, and a cycled fan may start many times a day. The table
gives three figures: starts an hour (A), starts an hour times the inertia turned (B), and least time off (C). Only A is
taken here: nobody registers the inertia of a fan. A fan's wheel is light for its motor, but a big one is not, so no
fan of 15 hp and more gets more than four starts (common practice, no source).
"""

from __future__ import annotations

import math
from bisect import bisect_left

from monitor.motor.nameplate import Motor
from monitor.motor.plausibility import GREATEST_SLIP

STARTS_SOURCE = "NEMA MG 10 table 2-3"

STARTS_POLES = (2, 4, 6)
STARTS_AN_HOUR: dict[float, tuple[float, float, float]] = {
    1.0: (15.0, 30.0, 34.0),
    1.5: (12.9, 25.7, 29.1),
    2.0: (11.5, 23.0, 26.1),
    3.0: (9.9, 19.8, 22.4),
    5.0: (8.1, 16.3, 18.4),
    7.5: (7.0, 13.9, 15.8),
    10.0: (6.2, 12.5, 14.2),
    15.0: (5.4, 10.7, 12.1),
    20.0: (4.8, 9.6, 10.9),
    25.0: (4.4, 8.8, 10.0),
    30.0: (4.1, 8.2, 9.3),
    40.0: (3.7, 7.4, 8.4),
    50.0: (3.4, 6.8, 7.7),
}
"""hp -> most starts an hour by number of poles (STARTS_POLES): column A of NEMA MG 10 table 2-3, read in a reprint of
the Electrical Apparatus Service Association, not in the standard itself. It holds at rated voltage and frequency within
their tolerance, for a load whose torque rises with the square of the speed."""

USUAL_POLES = 4
"""Where neither poles nor speed are registered (common practice)."""
BIG_FROM_HP = 15.0
"""From here on [hp] a fan's wheel is heavy, and `MOST_STARTS_OF_BIG` holds (common practice)."""
MOST_STARTS_OF_BIG = 4
STARTS_OF_UNKNOWN = 6
"""Where the rating is not registered: what a 10 hp motor of two poles may do (common practice)."""

CODE_LETTER_SOURCE = "NFPA 70 (NEC) 2023 table 430.7(B)"
KILOVOLTAMPERES_A_HORSEPOWER: dict[str, tuple[float, float]] = {
    "A": (0.0, 3.14),
    "B": (3.15, 3.54),
    "C": (3.55, 3.99),
    "D": (4.0, 4.49),
    "E": (4.5, 4.99),
    "F": (5.0, 5.59),
    "G": (5.6, 6.29),
    "H": (6.3, 7.09),
    "J": (7.1, 7.99),
    "K": (8.0, 8.99),
    "L": (9.0, 9.99),
    "M": (10.0, 11.19),
    "N": (11.2, 12.49),
    "P": (12.5, 13.99),
    "R": (14.0, 15.99),
    "S": (16.0, 17.99),
    "T": (18.0, 19.99),
    "U": (20.0, 22.39),
    "V": (22.4, math.inf),
}
"""Code letter -> least and greatest kVA a horsepower with the rotor locked. The letters I, O and Q are not used."""


def starts_allowed(rated_power_hp: float | None, poles: int | None) -> int:
    """Most starts in any 60 minutes; one more is too many.

    Between two ratings of the table the larger one counts, below the first the first, beyond the last the last; of
    more than six poles, six: always the fewer starts, but beyond 50 hp, where the table ends.

    Parameters
    ----------
    rated_power_hp : [hp], above 0; None: not registered
    poles : number of poles, at least 2; None: not known, then 4

    Examples
    --------
    >>> [starts_allowed(hp, 4) for hp in (7.5, 8.0, 10.0, 15.0, 30.0)], starts_allowed(40.0, 2)
    ([13, 12, 12, 4, 4], 3)
    >>> starts_allowed(None, None)
    6

    References
    ----------
    NEMA MG 10, Energy Management Guide for Selection and Use of Fixed Frequency Medium AC Squirrel-Cage Polyphase
    Induction Motors, table 2-3, column A (see STARTS_AN_HOUR for how it is known).
    """
    if rated_power_hp is None:
        return STARTS_OF_UNKNOWN
    powers = sorted(STARTS_AN_HOUR)
    row = STARTS_AN_HOUR[powers[min(bisect_left(powers, rated_power_hp), len(powers) - 1)]]
    column = min(bisect_left(STARTS_POLES, USUAL_POLES if poles is None else poles), len(STARTS_POLES) - 1)
    allowed = int(row[column])  # more than 13.9 starts are 14, that is, more than 13
    return min(allowed, MOST_STARTS_OF_BIG) if rated_power_hp >= BIG_FROM_HP else allowed


def poles_of(motor: Motor) -> int | None:
    """Number of poles as registered, else by the full-load speed; None where neither tells.

    By speed: the number whose synchronous speed, at 60 Hz, else at 50 Hz, is up to 10 % above it (common practice).

    Examples
    --------
    >>> [poles_of(Motor(460, 3, 12.4, rated_speed_rpm=rpm)) for rpm in (3505, 1750, 1160, 2890, 1450, 2000)]
    [2, 4, 6, 2, 4, None]
    """
    if motor.poles is not None or motor.rated_speed_rpm is None:
        return motor.poles
    for hertz in (60, 50):
        for poles in (2, 4, 6, 8, 10, 12):
            synchronous = 120.0 * hertz / poles
            if synchronous * (1.0 - GREATEST_SLIP) <= motor.rated_speed_rpm <= synchronous:
                return poles
    return None


def locked_rotor_amps(motor: Motor) -> tuple[float, float] | None:
    """Least and greatest current [A] at rated voltage with the rotor locked, by the code letter of the nameplate.

    So much flows in the first moment of every start. None where code letter or rating is not registered.

    Examples
    --------
    >>> least, most = locked_rotor_amps(Motor(230, 3, 28.0, rated_power_hp=10, code_letter="G"))
    >>> round(least, 1), round(most, 1)
    (140.6, 157.9)

    References
    ----------
    NFPA 70 (NEC) 2023, table 430.7(B).
    """
    if motor.code_letter is None or motor.rated_power_hp is None:
        return None
    least, most = KILOVOLTAMPERES_A_HORSEPOWER[motor.code_letter]
    amps_a_kva = 1000.0 * motor.rated_power_hp / (motor.rated_voltage * (math.sqrt(3.0) if motor.phases == 3 else 1.0))
    return least * amps_a_kva, most * amps_a_kva
