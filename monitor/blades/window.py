"""The last half hour of each fan, kept as sums of half minutes: bounded, and the same however the readings were cut.

A slot is floor(t / 30 s) of event time. Each fan has a ring of 72 slots (36 min), one more than any look-back needs
for late rows and part slots. Only *settled* rows count: running, and past the first minute of the run, as the watch
says.

A straight line is fitted through the highest leg of the window by least squares. The sums of t, t^2 and t times amps
are kept for each slot beside the others, so the line is that of all single readings, not of slot means.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.motor.compiled import Floats
from monitor.motor.unbalance import unbalance_of

SLOT_MS = 30_000.0
RING = 72
"""Slots kept of each fan."""
WINDOW_SLOTS = 60
"""Slots of the window: 30 min."""
LEAST_SECONDS = 180.0
"""Under so much running nothing is said yet."""
LEAST_OVERLOAD_SECONDS = 90.0
"""The same within a standing overload. It is raised 2 min after its onset, of which whole half minutes count: so the
first notice of it can tell degrees, with low confidence, instead of leaving the reader to wait for them."""
WHOLE_SECONDS = 29.0 * 60.0
"""From so much running on a window counts as whole: the first and the last slot are part slots."""
LONGEST_STEP_SLOTS = 6
"""Between two readings in a row at most so many slots (3 min) count as covered."""
SWING_SLOTS = 3
"""Half minutes in a row within which swings are looked for (derived: long enough for three readings of a logger of
60 s, short enough that a rise over the window does not count as one)."""
LEAST_SWINGS = 15
"""So many such spans are needed to tell swings (derived: some 9 min of running)."""
STEPS = (1.0, 0.5, 0.2, 0.1, 0.0)
"""Steps in which loggers show amps [A], coarse to fine; the last: finer."""
RISE = 0.01
"""A line that rises more than this share of the mean over the window is told, and its end value used."""

# Columns of a slot's sums.
_COUNT = 0
_LEG, _LEG_COUNT = slice(1, 4), slice(4, 7)
_HIGHEST, _HIGHEST_SQUARED, _MEAN = 7, 8, 9
_T, _T_SQUARED, _T_HIGHEST = 10, 11, 12
_VOLT, _VOLT_COUNT = slice(13, 16), slice(16, 19)
_AMBIENT, _AMBIENT_COUNT, _AMBIENT_LAST = 19, 20, 21
_FIRST, _LAST = 22, 23
_LINE, _LINE_SQUARED, _LINE_COUNT = 24, 25, 26  # mean of the voltages measured in a reading
_FINENESS = 27  # greatest place in STEPS of the readings' highest legs
_FIELDS = 28

EMPTY = -1
"""Number of a slot that was never filled."""

LOW_CONFIDENCE = "low confidence: less than 30 min of running to go by"
DEGREES_FOLLOW = "degrees follow"
"""Said while there is too little to go by, and `figures` gives None."""


@dataclass(frozen=True)
class WindowFigures:
    """What the window says about a fan."""

    highest: float
    """Highest leg A [A]: mean over the window, or the end value of its line where that still rises."""
    mean: float
    """Mean leg M [A], brought to the same moment as `highest`: the leg spread A - M is that of the window."""
    legs: tuple[float | None, ...]
    """Mean of each of three legs over the window [A]; None: not measured."""
    volts: tuple[float | None, ...]
    """Means of v12, v23, v31 over the window [V]; None: not measured."""
    unbalance: float | None
    """Voltage unbalance of those means [%]; None unless all three are measured."""
    mean_volts: float | None
    """Mean of the voltages measured [V]; None without any."""
    ambient_c: float | None
    """Mean air temperature over the window [degrees C]; None: not measured."""
    spread: float
    """Window spread [A]: standard deviation of the single readings of the highest leg around the line (n - 2)."""
    seconds: float
    """Running time covered [s]."""
    readings: int
    """How many readings it rests on."""
    rising_percent_an_hour: float | None
    """Rise of the line [% of the mean an hour], where it is told; else None."""
    words: tuple[str, ...] = ()
    """What has to be said beside it."""
    swing: float | None = None
    """Swings of the highest leg [A]: standard deviation of the readings within three half minutes in a row, the median
    of all such spans of the window. A step, a sag or a slow rise does not touch it, what goes on all the time does.
    None: too few readings to tell."""
    volts_swing: float | None = None
    """The same of the mean voltage, as a share of it; None: not measured."""
    amps_step: float = 0.0
    """Step in which the readings of the highest leg come, where the logger tells no finer: 1, 0.5, 0.2 or 0.1 A; else
    0."""


class Slots:
    """Rings of half-minute sums for a number of fans."""

    def __init__(self, fans: int) -> None:
        self._number = np.full((fans, RING), EMPTY, np.int64)
        self._sums = np.zeros((fans, RING, _FIELDS))

    @property
    def fans(self) -> int:
        """How many fans there is room for."""
        return len(self._number)

    def grow(self, fans: int) -> None:
        """Makes room for more fans; those there keep their rings."""
        more = fans - self.fans
        if more > 0:
            self._number = np.vstack([self._number, np.full((more, RING), EMPTY, np.int64)])
            self._sums = np.concatenate([self._sums, np.zeros((more, RING, _FIELDS))])

    def forget(self, fan: int) -> None:
        """Empties a fan's ring: its motor or its blades were changed."""
        self._number[fan] = EMPTY
        self._sums[fan] = 0.0

    def add(
        self,
        fan: NDArray[np.integer],
        t_ms: Floats,
        legs: Floats,
        volts: Floats,
        ambient_c: Floats,
        settled: NDArray[np.bool_],
    ) -> None:
        """Adds a batch of readings in the order of their time; whole columns of a log will do.

        Parameters
        ----------
        fan : (n,) row of the fan, 0 to fans - 1
        t_ms : (n,) event time [ms]
        legs : (n, 3) [A]; NaN: not measured. A row without any is left out.
        volts : (n, 3) v12, v23, v31 [V]; NaN: not measured. Single-phase: the first column
        ambient_c : (n,) air temperature at the fan [degrees C]; NaN: not measured
        settled : (n,) running and past the first minute of its run
        """
        known = ~np.isnan(legs)
        of_legs = known.sum(axis=1)
        use = np.asarray(settled, bool) & (of_legs > 0)
        if not use.any():
            return
        fan, t_ms, legs, volts, ambient_c = fan[use], t_ms[use], legs[use], volts[use], ambient_c[use]
        known, of_legs = known[use], of_legs[use]
        number = np.floor_divide(t_ms, SLOT_MS).astype(np.int64)
        place = number % RING

        # The newest slot at each place stays: rows older than the ring are left out, older sums are emptied.
        before = self._number[fan, place]
        np.maximum.at(self._number, (fan, place), number)
        newest = self._number[fan, place]
        stale = newest != before
        self._sums[fan[stale], place[stale]] = 0.0
        kept = number == newest
        if not kept.all():
            fan, t_ms, legs, volts, ambient_c = fan[kept], t_ms[kept], legs[kept], volts[kept], ambient_c[kept]
            known, of_legs, number, place = known[kept], of_legs[kept], number[kept], place[kept]

        amps = np.where(known, legs, 0.0)
        highest = np.where(known, legs, -np.inf).max(axis=1)
        t = (t_ms - number * SLOT_MS) / 1000.0
        live, has_air = ~np.isnan(volts), ~np.isnan(ambient_c)
        row = np.zeros((len(fan), _FIELDS))
        row[:, _COUNT] = 1.0
        row[:, _LEG], row[:, _LEG_COUNT] = amps, known
        row[:, _HIGHEST], row[:, _HIGHEST_SQUARED] = highest, highest * highest
        row[:, _MEAN] = amps.sum(axis=1) / of_legs
        row[:, _T], row[:, _T_SQUARED], row[:, _T_HIGHEST] = t, t * t, t * highest
        row[:, _VOLT], row[:, _VOLT_COUNT] = np.where(live, volts, 0.0), live
        row[:, _AMBIENT], row[:, _AMBIENT_COUNT] = np.where(has_air, ambient_c, 0.0), has_air
        lines = live.sum(axis=1)
        line = row[:, _VOLT].sum(axis=1) / np.maximum(lines, 1)
        row[:, _LINE], row[:, _LINE_SQUARED], row[:, _LINE_COUNT] = line, line * line, lines > 0

        # np.add.at adds row after row: the sums are those of single additions, however the rows were cut into batches.
        empty = self._sums[fan, place, _COUNT] == 0.0
        self._sums[fan[empty], place[empty], _FIRST] = np.inf
        np.add.at(self._sums, (fan, place), row)
        np.maximum.at(self._sums, (fan, place, np.full(len(fan), _FINENESS)), _fineness(highest))
        np.minimum.at(self._sums, (fan, place, np.full(len(fan), _FIRST)), t)
        np.maximum.at(self._sums, (fan, place, np.full(len(fan), _LAST)), t)
        self._sums[fan[has_air], place[has_air], _AMBIENT_LAST] = ambient_c[has_air]

    def figures(
        self, fan: int, now_ms: float, since_ms: float | None = None, least_seconds: float = LEAST_SECONDS
    ) -> WindowFigures | None:
        """What the last 30 min before `now_ms` say about a fan; None ("degrees follow") under `least_seconds`.

        Parameters
        ----------
        fan : row of the fan
        now_ms : event time of the fan's newest reading, or of the last one before the end of a run [ms]
        since_ms : onset of a standing overload or start of the run [ms]; whole slots after it count
        least_seconds : of running

        Examples
        --------
        >>> t = np.arange(0.0, 1_800_000.0, 10_000.0)
        >>> n = len(t)
        >>> legs, volts = np.tile([15.5, 15.0, 14.6], (n, 1)), np.tile([450.0, 447.0, 443.0], (n, 1))
        >>> slots = Slots(1)
        >>> slots.add(np.zeros(n, int), t, legs, volts, np.full(n, 7.0), np.ones(n, bool))
        >>> seen = slots.figures(0, t[-1])
        >>> round(seen.highest, 3), round(seen.mean, 3), round(seen.unbalance, 3), seen.seconds, seen.words
        (15.5, 15.033, 0.821, 1800.0, ())
        """
        last_slot = math.floor(now_ms / SLOT_MS)
        first_slot = last_slot - WINDOW_SLOTS + 1
        if since_ms is not None:
            first_slot = max(first_slot, math.ceil(since_ms / SLOT_MS))
        numbers = self._number[fan]
        within = np.flatnonzero((numbers >= first_slot) & (numbers <= last_slot))
        if not len(within):
            return None
        within = within[np.argsort(numbers[within])]
        numbers, sums = numbers[within], self._sums[fan, within]
        total = sums.sum(axis=0)
        count = total[_COUNT]
        seconds = _covered(numbers, sums)
        if seconds < least_seconds or count < 3.0:
            return None
        line = _fit(numbers, sums)
        mean_highest = float(total[_HIGHEST] / count)
        mean_leg = float(total[_MEAN] / count)
        words: list[str] = []
        highest, rising = mean_highest, None
        if line.rise > RISE * mean_highest and line.rise > 2.0 * line.rise_error:
            highest = line.end
            rising = 100.0 * line.rise / mean_highest / line.span * 3600.0
            words.append(f"the amps are still rising, {rising:.1f} % an hour")
        if seconds < WHOLE_SECONDS:
            words.append(LOW_CONFIDENCE)
        volts = _means(total[_VOLT], total[_VOLT_COUNT])
        measured = [volt for volt in volts if volt is not None]
        unbalance = None
        if len(measured) == 3:
            factor = unbalance_of(measured[0], measured[1], measured[2])
            unbalance = None if math.isnan(factor) else factor
        volts_swing = _swing(numbers, sums[:, _LINE_COUNT], sums[:, _LINE], sums[:, _LINE_SQUARED])
        mean_volts = sum(measured) / len(measured) if measured else None
        return WindowFigures(
            highest=highest,
            mean=mean_leg + (highest - mean_highest),
            legs=_means(total[_LEG], total[_LEG_COUNT]),
            volts=volts,
            unbalance=unbalance,
            mean_volts=mean_volts,
            ambient_c=_means(total[_AMBIENT : _AMBIENT + 1], total[_AMBIENT_COUNT : _AMBIENT_COUNT + 1])[0],
            spread=line.spread,
            seconds=seconds,
            readings=int(count),
            rising_percent_an_hour=rising,
            words=tuple(words),
            swing=_swing(numbers, sums[:, _COUNT], sums[:, _HIGHEST], sums[:, _HIGHEST_SQUARED]),
            volts_swing=None if volts_swing is None or not mean_volts else volts_swing / mean_volts,
            amps_step=STEPS[int(sums[:, _FINENESS].max())],
        )


def _fineness(amps: Floats) -> Floats:
    """Place in STEPS of the coarsest step of which each value is a multiple; amps come with few decimals."""
    out = np.full(len(amps), len(STEPS) - 1.0)
    for place in range(len(STEPS) - 2, -1, -1):
        steps = amps / STEPS[place]
        out[np.abs(steps - np.rint(steps)) < 1e-3] = place
    return out


@dataclass(frozen=True)
class _Line:
    end: float
    """Value at the last reading [A]."""
    rise: float
    """From the first reading to the last [A]."""
    rise_error: float
    """Standard error of the rise [A]."""
    span: float
    """From the first reading to the last [s]."""
    spread: float
    """Standard deviation of the readings around the line [A]."""


def _fit(numbers: NDArray[np.int64], sums: Floats) -> _Line:
    """Least-squares line through all readings of the highest leg, from the sums of each slot."""
    start = (numbers - numbers[0]) * (SLOT_MS / 1000.0)
    count = sums[:, _COUNT]
    n = count.sum()
    # Times and amps are taken from their own means slot by slot: differences of large squares would lose the small
    # residuals.
    t_mean = float((sums[:, _T] + count * start).sum() / n)
    amps_mean = float(sums[:, _HIGHEST].sum() / n)
    shift = start - t_mean
    slot_t, slot_amps = sums[:, _T] / count, sums[:, _HIGHEST] / count
    within_tt = sums[:, _T_SQUARED] - count * slot_t**2
    within_ty = sums[:, _T_HIGHEST] - count * slot_t * slot_amps
    within_yy = np.maximum(sums[:, _HIGHEST_SQUARED] - count * slot_amps**2, 0.0)
    tt = float((within_tt + count * (slot_t + shift) ** 2).sum())
    ty = float((within_ty + count * (slot_t + shift) * (slot_amps - amps_mean)).sum())
    yy = float((within_yy + count * (slot_amps - amps_mean) ** 2).sum())
    slope = ty / tt if tt > 0.0 else 0.0
    residual = max(yy - slope * ty, 0.0)
    spread = math.sqrt(residual / (n - 2.0)) if n > 2.0 else 0.0
    first, last = float(start[0] + sums[0, _FIRST]), float(start[-1] + sums[-1, _LAST])
    span = last - first
    error = spread / math.sqrt(tt) * span if tt > 0.0 else 0.0
    return _Line(amps_mean + slope * (last - t_mean), slope * span, error, span, spread)


def _swing(numbers: NDArray[np.int64], count: Floats, total: Floats, squares: Floats) -> float | None:
    """Standard deviation within spans of three filled half minutes in a row, the median of all; None: too few of them.

    Parameters
    ----------
    numbers : (k,) numbers of the slots, rising
    count, total, squares : (k,) number, sum and sum of squares of the readings of each
    """
    filled = count > 0.0
    numbers, count, total, squares = numbers[filled], count[filled], total[filled], squares[filled]
    last = len(count) - SWING_SLOTS + 1
    if last < LEAST_SWINGS:
        return None
    near = numbers[SWING_SLOTS - 1 :] - numbers[:last] <= LONGEST_STEP_SLOTS
    if near.sum() < LEAST_SWINGS:
        return None
    spans = np.lib.stride_tricks.sliding_window_view
    n, one, two = (spans(column, SWING_SLOTS)[near].sum(axis=1) for column in (count, total, squares))
    freedom = n - 1.0
    variance = np.maximum(two - one * one / n, 0.0) / freedom
    # The median of a variance with few degrees of freedom lies under its mean (Wilson and Hilferty's approximation).
    return math.sqrt(float(np.median(variance / (1.0 - 2.0 / (9.0 * freedom)) ** 3)))


def _covered(numbers: NDArray[np.int64], sums: Floats) -> float:
    """Running time that the readings cover [s]: a long break between two slots counts for 3 min at most."""
    start = (numbers - numbers[0]) * (SLOT_MS / 1000.0)
    steps = np.diff(numbers)
    missing = float(np.maximum(steps - LONGEST_STEP_SLOTS, 0).sum()) * SLOT_MS / 1000.0
    span = float(start[-1] + sums[-1, _LAST] - sums[0, _FIRST]) - missing
    count = float(sums[:, _COUNT].sum())
    # n readings stand for n intervals, their first and last times are n - 1 apart.
    return span * count / (count - 1.0) if count > 1.0 else 0.0


def _means(sums: Floats, counts: Floats) -> tuple[float | None, ...]:
    return tuple(float(total / count) if count > 0.0 else None for total, count in zip(sums, counts, strict=True))
