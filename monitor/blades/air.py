"""Air at the fan: its density, and what cold does to shaft power.

At one speed and one place on its curve a fan's shaft power goes with the density of the air (AMCA fan laws; W. F.
Stoecker and J. W. Jones, *Refrigeration and Air Conditioning*, chapter 6). Between two temperatures at one site only
the temperature counts: pressure is the site's, and humidity from 0 to 100 % changes the density by less than 1 % at
20 degrees C.
"""

from __future__ import annotations

import math
from typing import Any, overload

from monitor.motor.compiled import Floats

KELVIN = 273.15
REFERENCE_C = 20.0
"""Parts and re-pitches are brought to air of this temperature at the site's own altitude."""
GAS_CONSTANT = 287.05287
"""Of dry air [J/(kg K)] (U.S. Standard Atmosphere 1976)."""
SEA_LEVEL_PA = 101_325.0
RATING_HOLDS_UP_TO_M = 1000.0
"""Nameplate ratings hold up to this altitude [m] (NEMA MG 1 section 14.3: 3300 ft)."""
ABSOLUTE_ZERO_C = -KELVIN


@overload
def power_at_reference(t_c: float) -> float: ...
@overload
def power_at_reference(t_c: Floats) -> Floats: ...
def power_at_reference(t_c: Any) -> Any:
    """Shaft power in reference air over shaft power in air of `t_c`, same fan, blades, speed and system.

    Parameters
    ----------
    t_c : air temperature at the fan [degrees C], above -273.15

    Examples
    --------
    Air of 0 degrees C loads a fan 7.3 % more than air of 20 degrees C.

    >>> round(1 / power_at_reference(0.0), 4)
    1.0732

    References
    ----------
    AMCA fan laws, density law.
    """
    return (t_c + KELVIN) / (REFERENCE_C + KELVIN)


def power_ratio(t_c: float, colder_c: float) -> float:
    """g: shaft power in air of `colder_c` over shaft power in air of `t_c`.

    Parameters
    ----------
    t_c, colder_c : air temperatures at the fan [degrees C], above -273.15

    Examples
    --------
    Stoecker and Jones: 1.8 kW at 20 degrees C is 1.685 kW at 40 degrees C.

    >>> round(1.8 * power_ratio(20.0, 40.0), 3)
    1.685

    References
    ----------
    AMCA fan laws, density law.
    """
    return (t_c + KELVIN) / (colder_c + KELVIN)


def site_pressure(altitude_m: float) -> float:
    """Mean air pressure at a site [Pa].

    Parameters
    ----------
    altitude_m : geometric altitude [m], -500 to 11,000

    Examples
    --------
    >>> round(site_pressure(1000.0))
    89876

    References
    ----------
    ISO 2533:1975 Standard Atmosphere; U.S. Standard Atmosphere 1976 (from memory).
    """
    radius = 6_356_766.0
    geopotential = radius * altitude_m / (radius + altitude_m)
    return SEA_LEVEL_PA * float((1.0 - 0.0065 * geopotential / 288.15) ** 5.255876)


def saturation_pressure(t_c: float) -> float:
    """Pressure of saturated water vapour over water [Pa].

    Parameters
    ----------
    t_c : [degrees C], -45 to 60

    Examples
    --------
    >>> round(saturation_pressure(20.0))
    2338

    References
    ----------
    A. L. Buck, *New equations for computing vapor pressure and enhancement factor*, Journal of Applied Meteorology 20
    (1981), with the constants of 1996 (from memory); within 0.1 % of IAPWS-95 from 0 to 30 degrees C.
    """
    return 611.21 * math.exp((18.678 - t_c / 234.5) * t_c / (257.14 + t_c))


def density(t_c: float, pressure_pa: float = SEA_LEVEL_PA, relative_humidity: float = 0.0) -> float:
    """Density of moist air as an ideal gas [kg/m3]; within 0.1 % of CIPM-2007.

    Parameters
    ----------
    t_c : air temperature [degrees C], -45 to 60
    pressure_pa : pressure at the place, not reduced to sea level [Pa]
    relative_humidity : 0 to 1

    Examples
    --------
    Reference air at sea level and at 1000 m:

    >>> round(density(20.0), 3), round(density(20.0, site_pressure(1000.0)), 3)
    (1.204, 1.068)

    References
    ----------
    A. Picard et al., *Revised formula for the density of moist air (CIPM-2007)*, Metrologia 45 (2008), for the
    comparison.
    """
    vapour = relative_humidity * saturation_pressure(t_c)
    return (pressure_pa - 0.37802 * vapour) / (GAS_CONSTANT * (t_c + KELVIN))


def both_scales(celsius: float) -> str:
    """An air temperature as people at any site read it; plain letters, as it goes into text messages.

    Examples
    --------
    >>> both_scales(-5.0)
    '-5 degrees C (23 F)'
    """
    return f"{round(celsius)} degrees C ({celsius * 1.8 + 32.0:.0f} F)"


def site_words(altitude_m: float) -> str | None:
    """What a site's altitude means for the rating, in words; None up to 1000 m.

    Examples
    --------
    >>> site_words(300.0) is None
    True
    """
    if altitude_m <= RATING_HOLDS_UP_TO_M:
        return None
    thinner = 100.0 * (1.0 - site_pressure(altitude_m) / SEA_LEVEL_PA)
    return (
        f"the site lies at {altitude_m:.0f} m, where air is {thinner:.0f} % thinner: it loads the blades less and "
        "cools the motor less; nameplate ratings hold up to 1000 m (NEMA MG 1)"
    )
