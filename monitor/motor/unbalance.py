"""Voltage and current unbalance of a three-phase motor.

Two measures of voltage unbalance are in use. The limit goes by the first; the second stands beside it in the review.

* The greatest deviation from the mean over the mean (NEMA MG 1 section 14.36): three magnitudes and plain arithmetic.
* The true factor V2/V1, negative over positive sequence (IEC 61000-4-30): what the rotor feels. At the same NEMA
  figure it lies anywhere between about 0.98 and 1.16 of it (P. Pillay and M. Manyage, *Definitions of Voltage
  Unbalance*, IEEE Power Engineering Review, 2001, table 1).
"""

from __future__ import annotations

import math
from typing import Any, overload

from monitor.errors import ReadingError
from monitor.motor.compiled import Floats, compiled, over_columns

CURRENT_OVER_VOLTAGE = (6.0, 10.0)
"""A loaded motor's current unbalance is some 6 to 10 times its voltage unbalance, both in percent (T. Bishop, EASA, in
*Electrical Construction & Maintenance*, 2014). More than 10 times is not the supply's doing alone."""
ROUNDING = 1e-12
"""By so much the degenerate triangle (one side as long as the two others) may be overshot by rounding alone."""


@compiled
def unbalance_of(a: float, b: float, c: float) -> float:
    """Greatest deviation from the mean over the mean, in percent; NaN where it has no meaning.

    Serves line-to-line voltages and leg currents alike. It never raises, so that the watch can call it on every
    reading.

    Parameters
    ----------
    a, b, c : three magnitudes of one unit, at least 0

    Returns
    -------
    0 to 200 [%]; NaN if any is NaN or the mean is not above 0

    Examples
    --------
    The example printed in NEMA MG 1 section 14.36: 467, 460 and 450 V, mean 459 V, greatest deviation 9 V.

    >>> round(unbalance_of(460.0, 467.0, 450.0), 2)
    1.96
    >>> unbalance_of(460.0, math.nan, 450.0)
    nan

    References
    ----------
    NEMA MG 1, Motors and Generators, section 14.36.
    """
    # Sorted first, so that the order of the legs cannot change the last bit; chosen without branches, since which of
    # them is the greatest changes from reading to reading.
    less, more = b if b < a else a, a if b < a else b
    low = c if c < less else less
    high = c if c > more else more
    rest = more if c > more else c
    middle = less if less > rest else rest
    if math.isnan(a) or math.isnan(b) or math.isnan(c):
        return math.nan
    mean = (low + middle + high) / 3.0
    if not 0.0 < mean < math.inf:
        return math.nan
    # Rounding can put the mean of three equal values an ulp beside them: balance must be exactly 0.
    if high == low:
        return 0.0
    return 100.0 * max(high - mean, mean - low) / mean


@compiled
def true_unbalance_of(a: float, b: float, c: float) -> float:
    """True unbalance factor V2/V1 of three line-to-line voltages, in percent; NaN where they cannot belong together.

    With beta = (a^4 + b^4 + c^4)/(a^2 + b^2 + c^2)^2 the standard has 100 sqrt((1 - sqrt(3 - 6 beta))/(1 + sqrt(3 - 6
    beta))). Near balance that subtracts two nearly equal numbers; k = 6 beta - 2 = 2 sum((x_i - x_j)^2)/(sum x)^2 of
    the squares x says the same without: 100 sqrt(k)/(1 + sqrt(1 - k)).

    Parameters
    ----------
    a, b, c : magnitudes of the line-to-line voltages [V], at least 0

    Returns
    -------
    0 to 100 [%]; NaN if any is NaN or negative, all are 0, or beta > 1/2: one longer than the two others together, so
    that no three phasors close

    Examples
    --------
    >>> round(true_unbalance_of(460.0, 467.0, 450.0), 3)
    2.146
    >>> true_unbalance_of(480.0, 200.0, 200.0)
    nan

    References
    ----------
    IEC 61000-4-30, clause on supply voltage unbalance (form of the equation from memory; checked against phasors).
    """
    top = max(a, b, c)
    if math.isnan(a) or math.isnan(b) or math.isnan(c) or min(a, b, c) < 0.0 or not 0.0 < top < math.inf:
        return math.nan
    x, y, z = (a / top) ** 2, (b / top) ** 2, (c / top) ** 2
    # Smallest first: the order of the lines must not change the last bit.
    low, high = min(x, y, z), max(x, y, z)
    middle = max(min(x, y), min(max(x, y), z))
    total = (low + middle) + high
    k = 2.0 * (((middle - low) ** 2 + (high - middle) ** 2) + (high - low) ** 2) / (total * total)
    if k > 1.0:
        if k > 1.0 + ROUNDING:
            return math.nan
        k = 1.0
    return 100.0 * math.sqrt(k) / (1.0 + math.sqrt(1.0 - k))


@compiled
def _unbalances(a: Floats, b: Floats, c: Floats, out: Floats) -> None:
    for row in range(out.size):
        out[row] = unbalance_of(a[row], b[row], c[row])


@compiled
def _true_unbalances(a: Floats, b: Floats, c: Floats, out: Floats) -> None:
    for row in range(out.size):
        out[row] = true_unbalance_of(a[row], b[row], c[row])


@overload
def voltage_unbalance(v12: float, v23: float, v31: float) -> float: ...
@overload
def voltage_unbalance(v12: Floats, v23: Floats, v31: Floats) -> Floats: ...
def voltage_unbalance(v12: Any, v23: Any, v31: Any) -> Any:
    """Voltage unbalance, in percent: the greatest deviation of a line-to-line voltage from their mean, over the mean.

    Parameters
    ----------
    v12, v23, v31 : line-to-line voltages [V], at least 0; numbers or arrays of one shape

    Returns
    -------
    0 to 200 [%], shaped as the arguments; NaN where one is NaN or the mean is not above 0

    Examples
    --------
    Out on the low side: a program that looks only upward would say 1.34 %.

    >>> round(voltage_unbalance(478.0, 474.0, 463.0), 3)
    1.837

    References
    ----------
    NEMA MG 1, Motors and Generators, section 14.36.
    """
    return over_columns(_unbalances, v12, v23, v31)


@overload
def current_unbalance(l1: float, l2: float, l3: float) -> float: ...
@overload
def current_unbalance(l1: Floats, l2: Floats, l3: Floats) -> Floats: ...
def current_unbalance(l1: Any, l2: Any, l3: Any) -> Any:
    """Current unbalance, in percent: the same definition on the legs.

    Not to be judged by on an unloaded motor, where the magnetising current shows up to some 20 times the voltage
    unbalance.

    Parameters
    ----------
    l1, l2, l3 : leg currents [A], at least 0; numbers or arrays of one shape

    Returns
    -------
    0 to 200 [%], shaped as the arguments; NaN where one is NaN or the mean is not above 0

    Examples
    --------
    >>> round(current_unbalance(30.0, 33.0, 36.0), 2)
    9.09

    References
    ----------
    T. Bishop (EASA), *Unbalanced Current*, Electrical Construction & Maintenance, 2014.
    """
    return over_columns(_unbalances, l1, l2, l3)


@overload
def true_voltage_unbalance(v12: float, v23: float, v31: float) -> float: ...
@overload
def true_voltage_unbalance(v12: Floats, v23: Floats, v31: Floats) -> Floats: ...
def true_voltage_unbalance(v12: Any, v23: Any, v31: Any) -> Any:
    """True unbalance factor V2/V1, in percent, from the magnitudes of the line-to-line voltages alone.

    Parameters
    ----------
    v12, v23, v31 : line-to-line voltages [V], at least 0; numbers or arrays of one shape

    Returns
    -------
    0 to 100 [%], shaped as the arguments. In arrays NaN stands where one is NaN or where they cannot belong together.

    Raises
    ------
    ReadingError
        for three plain numbers that cannot be line-to-line voltages of one supply at one moment: one longer than the
        two others together. NaN is no error: it stays NaN.

    Examples
    --------
    >>> round(true_voltage_unbalance(240.0, 240.0, 228.0), 3)
    3.363

    References
    ----------
    IEC 61000-4-30, clause on supply voltage unbalance.
    """
    factor = over_columns(_true_unbalances, v12, v23, v31)
    if isinstance(factor, float) and math.isnan(factor) and not math.isnan(v12 + v23 + v31):
        raise ReadingError(
            "voltages do not belong together",
            f"{v12:g}, {v23:g} and {v31:g} V cannot be the line-to-line voltages of one supply at one moment; "
            "measure all three again, line to line, within the same minute",
        )
    return factor


def extra_heating(unbalance: float) -> float:
    """Extra temperature rise of the winding from voltage unbalance, in percent of the balanced rise: about 2 u^2.

    Parameters
    ----------
    unbalance : voltage unbalance [%], 0 to 5

    Examples
    --------
    >>> extra_heating(3.0)
    18.0

    References
    ----------
    Rule commonly quoted with NEMA MG 1 and US DOE Motor Systems Tip Sheet 7.
    """
    return 2.0 * unbalance * unbalance


def current_unbalance_expected(unbalance: float) -> tuple[float, float]:
    """Least and greatest current unbalance that a voltage unbalance explains in a loaded motor, in percent.

    Parameters
    ----------
    unbalance : voltage unbalance [%], at least 0

    Examples
    --------
    >>> current_unbalance_expected(1.5)
    (9.0, 15.0)

    References
    ----------
    T. Bishop (EASA), *Unbalanced Current*, Electrical Construction & Maintenance, 2014.
    """
    least, greatest = CURRENT_OVER_VOLTAGE
    return least * unbalance, greatest * unbalance
