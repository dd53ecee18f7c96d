"""Tonight: what a running fan would draw at tonight's low, with what chance it then passes its limit, and when.

The trip at two in the morning can be seen at supper: at one speed a fan's shaft power goes with the density of the air,
so the highest leg of the last half hour is carried from the air of now to the air of tonight's low.

    i0 = Ia g,  g = (t + 273.15)/(low + 273.15)         amps = sqrt(i0^2 + Im^2) + (A - M)
    deviation^2 = (sI M/Ia^2)^2 + (deviation of the low/(low + 273.15))^2

The band is that of `degrees`: what is not known of the current, and here also of the low. Blades, supply and grain are
taken to stay as they are. Worked out for this project (derived), an estimate wherever it is shown.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.blades.air import KELVIN, power_ratio
from monitor.blades.belief import USUAL
from monitor.blades.degrees import SUPPLY_FIRST, Column, current_deviation
from monitor.blades.estimate import Estimate, supply_of
from monitor.blades.window import WindowFigures
from monitor.motor.compiled import Floats
from monitor.motor.current import TOO_LIGHT, current_model, model_deviation
from monitor.motor.limit import NO_FACTOR_ABOVE
from monitor.motor.nameplate import Nameplate

NIGHTS = 3
"""Tonight's low is taken from so many nights before, where nobody entered one."""
LEAST_DEVIATION_K = 2.0
"""Standard deviation of tonight's low [K], at least; also that of a low which somebody entered, as a forecast of a
night's low is off by about so much (common practice, no source)."""
ONE_NIGHT_DEVIATION_K = 4.0
"""The same where only one night is known: the next one may be quite another (common practice, no source)."""
LOW_BOUNDS_C = (-60.0, 50.0)
"""A low outside this is a slip of the pen or of the sensor."""
DEVICE_MAY_OPEN = 1.05
"""An overload device may open from this many times its setting on (IEC 60947-4-1: none below, all by 1.2)."""

NO_LOW = "tonight's low is not known: enter it, or let a logger or a weather point measure the air for a night"
NO_AIR = "the air temperature at the fan is not known"
A_DAY_SECONDS = 86_400.0
_CURVE_BEGINS_WITHIN_SECONDS = 5_400.0
"""Last night's curve counts from now on only where it is known from about this hour on."""
_LEAST_FALL_K = 1.0
"""With a smaller fall than this to the low last night, its curve is moved, not stretched."""


@dataclass(frozen=True)
class Low:
    """Tonight's low."""

    c: float
    """[degrees C]."""
    deviation: float
    """Standard deviation [K], at least 0."""
    source: str
    """Where it comes from, in words."""


def entered_low(c: float, by: str) -> Low:
    """The low that somebody entered.

    Examples
    --------
    >>> entered_low(-1.0, "Ada")
    Low(c=-1.0, deviation=2.0, source='entered by Ada')
    >>> entered_low(-1.0, "at this computer").source  # nobody gave a name
    'entered at this computer'
    """
    return Low(c, LEAST_DEVIATION_K, f"entered {by}" if by.startswith("at ") else f"entered by {by}")


def measured_low(nights: Sequence[float]) -> Low | None:
    """The mean of the lows of the last nights, with their standard deviation, at least 2 K; None without any.

    Parameters
    ----------
    nights : lows of the last nights [degrees C], the newest last; of more than three the last three count

    Examples
    --------
    >>> measured_low([3.0, -1.0, 1.0])
    Low(c=1.0, deviation=2.0, source='mean of the last 3 nights')
    >>> round(measured_low([7.0, 3.0, -1.0]).deviation, 2)
    4.0
    """
    last = [float(low) for low in nights[-NIGHTS:]]
    if not last:
        return None
    if len(last) == 1:
        return Low(last[0], ONE_NIGHT_DEVIATION_K, "the last night's; no other is known")
    mean = sum(last) / len(last)
    deviation = math.sqrt(sum((low - mean) ** 2 for low in last) / (len(last) - 1))
    return Low(mean, max(deviation, LEAST_DEVIATION_K), f"mean of the last {len(last)} nights")


def device_opens_from(setting_amps: float | None, proven_amps: float | None) -> float | None:
    """The current [A] from which an overload device may open: 1.05 times its setting, or what it has carried three
    times without opening, whichever is more; None where its setting is not known.

    Examples
    --------
    >>> device_opens_from(13.2, None), device_opens_from(13.2, 14.5), device_opens_from(None, 14.5)
    (13.86, 14.5, None)
    """
    if setting_amps is None:
        return None
    return max(DEVICE_MAY_OPEN * setting_amps, proven_amps or 0.0)


@dataclass(frozen=True)
class Outlook:
    """One fan's night."""

    low: Low
    """What is carried to."""
    now_c: float
    """Air at the fan now [degrees C]."""
    amps: float
    """Highest leg at the low [A]."""
    least: float
    """Lower end of the band that holds nine of ten [A]."""
    most: float
    """Upper end [A]."""
    limit_amps: float
    """Its adjusted limit L [A]."""
    chance_limit: float
    """Chance that it passes the limit."""
    device_amps: float | None
    """From this current on its overload device may open [A]; None: not known."""
    chance_device: float | None
    """Chance that it passes that."""
    passes_below_c: float | None
    """In air colder than this it is past the lesser of both [degrees C]; None: no load of the air explains it."""
    words: tuple[str, ...] = ()
    """What has to be said beside it."""

    @property
    def chance(self) -> float:
        """The greater of both chances."""
        return max(self.chance_limit, self.chance_device or 0.0)

    @property
    def passes_device_first(self) -> bool:
        """Whether the device may open before the limit is passed."""
        return self.device_amps is not None and self.device_amps < self.limit_amps

    def as_json(self) -> dict[str, Any]:
        """As the API has it; plain numbers and words."""
        return {
            "low_c": self.low.c,
            "low_deviation_k": self.low.deviation,
            "low_source": self.low.source,
            "now_c": self.now_c,
            "amps": self.amps,
            "low": self.least,
            "high": self.most,
            "limit_amps": self.limit_amps,
            "chance_limit": self.chance_limit,
            "device_amps": self.device_amps,
            "chance_device": self.chance_device,
            "chance": self.chance,
            "passes_below_c": self.passes_below_c,
            "words": list(self.words),
        }


def outlook(
    nameplate: Nameplate,
    figures: WindowFigures,
    answer: Estimate,
    low: Low | None,
    *,
    device_amps: float | None = None,
    weather_c: float | None = None,
) -> tuple[Outlook | None, str | None]:
    """What a running fan would draw at tonight's low.

    Parameters
    ----------
    nameplate : the fan's
    figures : its last half hour of running
    answer : the estimate from the same figures, for its limit
    low : tonight's low; None: not known
    device_amps : from this current on its overload device may open [A], see `device_opens_from`
    weather_c : air of the site's weather point [degrees C], where the fan's own is not measured

    Returns
    -------
    (outlook, None), or (None, why there is none, in words)

    Examples
    --------
    >>> from monitor.blades.estimate import estimate
    >>> from monitor.motor.nameplate import Motor
    >>> plate = Nameplate(Motor(460, 3, 13.2, 1.15, power_factor=0.83))
    >>> seen = WindowFigures(
    ...     15.0, 14.6, (15.0, 14.5, 14.3), (461, 460, 459), 0.22, 460.0, 12.0, 0.0, 1800, 180, None
    ... )
    >>> found, _ = outlook(plate, seen, estimate(plate, seen), Low(-2.0, 2.0, "entered by Ada"))
    >>> round(found.amps, 2), round(found.limit_amps, 2), round(found.chance, 2), round(found.passes_below_c, 1)
    (15.62, 15.18, 0.8, 7.8)
    """
    if low is None:
        return None, NO_LOW
    now_c = figures.ambient_c if figures.ambient_c is not None else weather_c
    if now_c is None:
        return None, NO_AIR
    v, unbalance, _ = supply_of(nameplate, figures)
    no_limit = nameplate.motor.phases == 3 and unbalance is not None and unbalance > NO_FACTOR_ABOVE
    if no_limit or answer.pitch.as_is_why == SUPPLY_FIRST:  # measured here, or by a technician
        return None, SUPPLY_FIRST
    at = 1.0 if v is None else v
    model = current_model(nameplate.motor)
    if model.lightly_loaded(figures.mean, at):
        return None, TOO_LIGHT
    words: tuple[str, ...] = ()
    if low.c > now_c:  # a cold front: tonight's low is no warmer than the air is already
        low = Low(now_c, low.deviation, low.source)
        words = ("it is colder already than the low that was taken: the air of now is taken",)
    active = model.active(figures.mean, at)
    of_current = current_deviation(nameplate.logger, figures.highest, model_deviation(at), figures.spread)
    deviation = math.hypot(of_current * figures.mean / active**2, low.deviation / (low.c + KELVIN))
    cold = active * power_ratio(now_c, low.c)
    spread = figures.highest - figures.mean

    def column(target: float) -> Column:  # no degrees are taken: the belief about them counts for nothing
        return Column(target, cold, model.magnetising(at), spread, USUAL, deviation)

    limit = column(answer.limit.amps)
    device = None if device_amps is None else column(device_amps)
    first = limit if device is None or device.target >= limit.target else device
    room = first.active_target
    return Outlook(
        low=low,
        now_c=now_c,
        amps=limit.amps(0.0),
        least=limit.low(0.0),
        most=limit.high(0.0),
        limit_amps=limit.target,
        chance_limit=1.0 - limit.chance(0.0),
        device_amps=device_amps,
        chance_device=None if device is None else 1.0 - device.chance(0.0),
        passes_below_c=None if room is None else (now_c + KELVIN) * active / room - KELVIN,
        words=words,
    ), None


def crossing(
    seconds: Floats, c: Floats, *, now: float, now_c: float, low_c: float, passes_below_c: float
) -> float | None:
    """When tonight's air falls to a temperature, if the night goes as the last one did.

    Last night's curve, a day later, is stretched so that it begins at the air of now and ends at tonight's low.

    Parameters
    ----------
    seconds, c : last night's curve, shape (n,): times, ascending [s], and air [degrees C] without NaN
    now : the same clock [s]
    now_c : air now [degrees C]
    low_c : tonight's low [degrees C]
    passes_below_c : the temperature in question [degrees C]

    Returns
    -------
    The time [s], `now` where it is so cold already; None where it does not get so cold, or last night is not known
    from about this hour on.

    Examples
    --------
    Last night fell from 10 degrees at 18:00 to 0 at 06:00. Tonight begins at 12 and is to fall to 0: 4 at 02:00.

    >>> hours = np.array([18.0, 24.0, 30.0])
    >>> found = crossing(hours * 3600, np.array([10.0, 5.0, 0.0]), now=42.0 * 3600, now_c=12.0, low_c=0.0,
    ...                  passes_below_c=4.0)
    >>> found / 3600 - 24
    26.0
    """
    if now_c <= passes_below_c:
        return now
    if low_c > passes_below_c:
        return None
    times = np.asarray(seconds, np.float64) + A_DAY_SECONDS
    air = np.asarray(c, np.float64)
    if len(times) < 2 or not times[0] - _CURVE_BEGINS_WITHIN_SECONDS <= now < times[-1]:
        return None
    began = float(np.interp(now, times, air))
    later = times > now
    times, air = np.concatenate([[now], times[later]]), np.concatenate([[began], air[later]])
    lowest = float(air.min())
    if began - lowest >= _LEAST_FALL_K and now_c > low_c:
        tonight = low_c + (air - lowest) * ((now_c - low_c) / (began - lowest))
    else:
        tonight = air + (low_c - lowest)
    cold = np.flatnonzero(tonight <= passes_below_c)
    if not len(cold):  # the low itself by a hair of rounding
        return float(times[int(np.argmin(tonight))])
    first = int(cold[0])
    if first == 0:
        return now
    fall = float(tonight[first - 1] - tonight[first])
    share = float(tonight[first - 1] - passes_below_c) / fall
    return float(times[first - 1] + share * (times[first] - times[first - 1]))
