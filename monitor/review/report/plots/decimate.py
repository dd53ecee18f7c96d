"""Fewer points for the same picture: the least and the greatest of each column of pixels, so that no spike is lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

POINTS_A_COLUMN = 2


def line(t: Floats, y: Floats, columns: int) -> tuple[Floats, Floats]:
    """A line to be drawn over so many columns of pixels; as it is where it has few points.

    Parameters
    ----------
    t : times, rising, shape (n,)
    y : values, NaN what is missing, shape (n,)
    columns : of pixels, at least 1

    Returns
    -------
    (times, values): of each column the least and the greatest value, in the order that joins on to its neighbours.
    A column without readings gives none, one with nothing but NaN gives NaN: there the line breaks.

    Examples
    --------
    >>> t = np.arange(1000.0)
    >>> y = np.zeros(1000)
    >>> y[517] = 80.0
    >>> few_t, few_y = line(t, y, 10)
    >>> len(few_t), float(few_y.max())
    (20, 80.0)
    """
    if len(t) <= 2 * POINTS_A_COLUMN * columns:
        return t, y
    starts, least, greatest, left, width = _columns(t, y, columns)
    rises = y[np.append(starts[1:], len(t)) - 1] >= y[starts]
    points = np.empty((len(starts), POINTS_A_COLUMN))
    points[:, 0] = np.where(rises, least, greatest)
    points[:, 1] = np.where(rises, greatest, least)
    times = left[:, None] + width * np.array([0.25, 0.75])
    return times.ravel(), points.ravel()


def band(t: Floats, low: Floats, high: Floats, columns: int) -> tuple[Floats, Floats, Floats]:
    """A band between two lines: the least of the lower and the greatest of the upper one in each column.

    Examples
    --------
    >>> t = np.arange(1000.0)
    >>> times, low, high = band(t, t, t + 1.0, 10)
    >>> float(low[0]), float(high[-1]), len(times)
    (0.0, 1000.0, 10)
    """
    if len(t) <= 2 * POINTS_A_COLUMN * columns:
        return t, low, high
    _, least, _, left, width = _columns(t, low, columns)
    _, _, greatest, _, _ = _columns(t, high, columns)
    return left + 0.5 * width, least, greatest


def broken(t: Floats, y: Floats, gaps: Floats) -> tuple[Floats, Floats]:
    """The same line, broken in each gap: nothing is drawn where nothing was read.

    gaps : (from, to) in the unit of `t`, shape (k, 2)

    Examples
    --------
    >>> broken(np.array([0.0, 1.0, 9.0]), np.array([5.0, 5.0, 5.0]), np.array([[1.0, 9.0]]))[1].tolist()
    [5.0, 5.0, nan, 5.0]
    """
    if not len(gaps):
        return t, y
    middle = gaps.mean(axis=1)
    at = np.searchsorted(t, middle)
    return np.insert(t, at, middle), np.insert(y, at, np.nan)


def _columns(t: Floats, y: Floats, columns: int) -> tuple[NDArray[np.int64], Floats, Floats, Floats, float]:
    """First row of each column that has readings, its least and greatest value, its left edge; the width of all."""
    width = float(t[-1] - t[0]) / columns
    column = np.minimum(((t - t[0]) / width).astype(np.int64), columns - 1)
    starts = np.flatnonzero(np.diff(column, prepend=-1))
    return starts, np.fmin.reduceat(y, starts), np.fmax.reduceat(y, starts), t[0] + width * column[starts], width
