"""Whether a fan's load has changed against its own last seven days: active amps at rated voltage in reference air.

The history is one figure an hour with running. A service that runs on keeps them in `Loads`; from stored readings
`hourly_figures` makes them. Hours from before the motor or the blades were last changed are the caller's to leave out:
what a re-pitch has changed is no news.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.blades.air import power_at_reference
from monitor.blades.parts import BELIEVABLE_VOLTAGE
from monitor.motor.compiled import Floats
from monitor.motor.current import CurrentModel
from monitor.motor.nameplate import Motor

CHANGED_SHARE = 0.15
"""Active amps in reference air so far off their own 7-day median are told (derived)."""
HOUR_MS = 3_600_000.0
WEEK_HOURS = 168
LEAST_HOURS = 12
"""With fewer hours of running in the week there is no usual to compare with (derived)."""
LEAST_READINGS = 3
"""An hour with fewer settled readings gives no figure (derived)."""


def changed_since(load: float, median: float, *, volts_known: bool = True, air_known: bool = True) -> str | None:
    """Says when a fan's load in reference air is 15 % or more off its own 7-day median; None otherwise.

    Parameters
    ----------
    load, median : active amps in reference air [A], now and the median of seven days
    volts_known, air_known : they are measured; what is not may be a part of the change, and that is said

    Examples
    --------
    >>> changed_since(11.5, 9.6)
    'changed since: the fan takes 20 % more than its own median of the last 7 days, in like air and at like volts'
    >>> changed_since(9.9, 9.6) is None
    True
    """
    if not median > 0.0:
        return None
    change = load / median - 1.0
    # A hair of room: 1.15 - 1 is not 0.15 in binary.
    if abs(change) < CHANGED_SHARE - 1e-9:
        return None
    word = "more" if change > 0.0 else "less"
    like = {
        (True, True): "in like air and at like volts",
        (True, False): "at like volts; a part of it may be the air, which is not measured",
        (False, True): "in like air; a part of it may be the voltage, which is not measured",
        (False, False): "of which a part may be the air and the voltage: neither is measured",
    }[volts_known, air_known]
    median_words = f"{100.0 * abs(change):.0f} % {word} than its own median of the last 7 days"
    return f"changed since: the fan takes {median_words}, {like}"


def hourly_figures(
    motor: Motor,
    model: CurrentModel,
    t_ms: NDArray[Any],
    amps: Floats,
    volts: Floats,
    ambient_c: Floats,
    settled: NDArray[np.bool_],
) -> tuple[NDArray[np.int64], Floats]:
    """Medians of each hour with running, from stored readings: what `Loads.fill` takes.

    Parameters
    ----------
    motor, model : as registered
    t_ms : (n,) event times [ms]
    amps : (n, 3) legs [A]; NaN: not measured
    volts : (n, 3) v12, v23, v31 [V]; NaN: not measured, rated is taken
    ambient_c : (n,) [degrees C]; NaN: not measured, reference air is taken
    settled : (n,) running and past the first minute of its run

    Returns
    -------
    (k,) hours, floor(t / 1 h), rising; (k, 4) load, mean leg [A], mean voltage [V] and air [degrees C], as in `Usual`;
    NaN: not measured, or not believable. An hour with the motor too lightly loaded to say gives none.

    Examples
    --------
    >>> from monitor.motor.current import current_model
    >>> motor, t = Motor(460, 3, 10.2, power_factor=0.81), np.arange(0.0, 3_600_000.0, 60_000.0)
    >>> legs, nothing = np.full((60, 3), 11.1333), np.full((60, 3), np.nan)
    >>> hours, figures = hourly_figures(
    ...     motor, current_model(motor), t, legs, np.full((60, 3), 458.0), nothing[:, 0], np.ones(60, bool)
    ... )
    >>> hours.tolist(), figures.round(2).tolist()
    ([0], [[9.87, 11.13, 458.0, nan]])
    """
    known = ~np.isnan(amps)
    rows = np.flatnonzero(np.asarray(settled, bool) & known.any(axis=1))
    if not len(rows):
        return np.empty(0, np.int64), np.empty((0, 4))
    mean = np.nanmean(amps[rows], axis=1)
    lines = volts[rows, :1] if motor.phases == 1 else volts[rows]
    measured = ~np.isnan(lines)
    v = np.where(measured, lines, 0.0).sum(axis=1) / np.maximum(measured.sum(axis=1), 1) / motor.rated_voltage
    least, most = BELIEVABLE_VOLTAGE
    believed = (v >= least) & (v <= most)
    seen_volts, v = np.where(believed, v * motor.rated_voltage, np.nan), np.where(believed, v, 1.0)
    air = np.asarray(ambient_c, np.float64)[rows]
    load = model.active(mean, v) * v * np.where(np.isnan(air), 1.0, power_at_reference(air))
    figures = np.column_stack([load, mean, seen_volts, air])
    hours = np.floor_divide(np.asarray(t_ms, np.float64)[rows], HOUR_MS).astype(np.int64)
    order = np.argsort(hours, kind="stable")
    hours, figures = hours[order], figures[order]
    each, start, count = np.unique(hours, return_index=True, return_counts=True)
    enough = count >= LEAST_READINGS
    parts = [figures[a : a + n] for a, n in zip(start[enough], count[enough], strict=True)]
    medians = np.array([[_median(column) for column in part.T] for part in parts], np.float64).reshape(-1, 4)
    at = np.where(np.isnan(medians[:, 2]), 1.0, medians[:, 2] / motor.rated_voltage)
    heavy = [not model.lightly_loaded(*one) for one in zip(medians[:, 1].tolist(), at.tolist(), strict=True)]
    return each[enough][heavy], medians[heavy]


def _median(column: Floats) -> float:
    """Of what is known; NaN where nothing is."""
    known = column[~np.isnan(column)]
    return float(np.median(known)) if len(known) else math.nan


def usual_load(hours: NDArray[np.int64], loads: Floats, now_ms: float) -> float | None:
    """Median of the hours of the last seven days, without the present one; None: too few to call anything usual.

    Parameters
    ----------
    hours : (k,) floor(t / 1 h), in any order
    loads : (k,) active amps at rated voltage in reference air of each [A]
    now_ms : event time [ms]

    Examples
    --------
    >>> usual_load(np.arange(100, 112), np.full(12, 9.6), 112 * HOUR_MS)
    9.6
    >>> usual_load(np.arange(101, 113), np.full(12, 9.6), 112 * HOUR_MS) is None
    True
    """
    now = math.floor(now_ms / HOUR_MS)
    week = (hours < now) & (hours >= now - WEEK_HOURS)
    return float(np.median(loads[week])) if int(week.sum()) >= LEAST_HOURS else None


@dataclass(frozen=True)
class Usual:
    """What is usual for a fan: medians of the hours with running of its last seven days."""

    load: float
    """Active amps at rated voltage in reference air [A]."""
    amps: float
    """Mean leg [A]."""
    volts: float | None
    """Mean voltage [V]; None: not measured."""
    ambient_c: float | None
    """Air temperature [degrees C]; None: not measured."""


class Loads:
    """The hours of the last seven days of a number of fans: one row of figures an hour with running."""

    def __init__(self, fans: int) -> None:
        self._hour = np.full((fans, WEEK_HOURS + 1), -1, np.int64)
        self._figures = np.zeros((fans, WEEK_HOURS + 1, 4), np.float32)

    def grow(self, fans: int) -> None:
        """Makes room for more fans; those there keep their hours."""
        more = fans - len(self._hour)
        if more > 0:
            self._hour = np.vstack([self._hour, np.full((more, WEEK_HOURS + 1), -1, np.int64)])
            self._figures = np.concatenate([self._figures, np.zeros((more, WEEK_HOURS + 1, 4), np.float32)])

    def forget(self, fan: int) -> None:
        """Empties a fan's hours: its motor or its blades were changed."""
        self._hour[fan] = -1

    def add(
        self,
        fan: int,
        t_ms: float,
        load: float,
        amps: float,
        volts: float | None = None,
        ambient_c: float | None = None,
    ) -> None:
        """Figures of one moment; the last of an hour stands for it, and an older hour than those kept is left out.

        Parameters
        ----------
        fan : row of the fan
        t_ms : event time [ms]
        load, amps, volts, ambient_c : as in `Usual`
        """
        hour = math.floor(t_ms / HOUR_MS)
        place = hour % (WEEK_HOURS + 1)
        if hour >= self._hour[fan, place]:
            self._hour[fan, place] = hour
            self._figures[fan, place] = [
                load, amps, math.nan if volts is None else volts, math.nan if ambient_c is None else ambient_c
            ]  # fmt: skip

    def fill(self, fan: int, hours: NDArray[np.int64], figures: Floats) -> None:
        """Figures of past hours from what is stored (`hourly_figures`); an hour that is known stays as it is.

        Parameters
        ----------
        fan : row of the fan
        hours : (k,) floor(t / 1 h)
        figures : (k, 4)

        Examples
        --------
        >>> loads = Loads(1)
        >>> loads.fill(0, np.arange(12), np.full((12, 4), [9.5, 11.0, 460.0, np.nan]))
        >>> loads.usual(0, 12 * HOUR_MS)
        Usual(load=9.5, amps=11.0, volts=460.0, ambient_c=None)
        """
        places = hours % (WEEK_HOURS + 1)
        newer = hours > self._hour[fan, places]
        self._hour[fan, places[newer]] = hours[newer]
        self._figures[fan, places[newer]] = figures[newer]

    def usual(self, fan: int, now_ms: float) -> Usual | None:
        """What is usual for a fan; None: too few hours to call anything usual.

        Examples
        --------
        >>> loads = Loads(1)
        >>> for hour in range(14):
        ...     loads.add(0, hour * HOUR_MS, 9.5, 11.0, 459.0)
        >>> loads.usual(0, 14 * HOUR_MS)
        Usual(load=9.5, amps=11.0, volts=459.0, ambient_c=None)
        """
        hours, figures = self._hour[fan], self._figures[fan].astype(np.float64)
        filled = hours >= 0
        load = usual_load(hours[filled], figures[filled, 0], now_ms)
        if load is None:
            return None
        now = math.floor(now_ms / HOUR_MS)
        rest = figures[filled & (hours < now) & (hours >= now - WEEK_HOURS)]
        medians = [float(np.median(known)) if len(known := column[~np.isnan(column)]) else None for column in rest.T]
        return Usual(load, medians[1] or 0.0, medians[2], medians[3])
