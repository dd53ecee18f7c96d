"""Corrections of a logger's clamps: what it sends, times a factor for each leg, is taken for what flows.

A clamp that reads wrong by a steady share is put right so, once hand readings agree on it. Both ways are rounded, so
that decimals of few places stay few and what was sent can be had back: to 0.00001 A.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from monitor.motor.compiled import Floats

LEAST, GREATEST = 0.8, 1.25
"""A factor stays between these: a clamp that is further off is open, around the wrong conductor or broken (common
practice, no source)."""
PLACES, PLACES_SENT = 6, 5
"""Decimals of corrected and of sent amps: a factor of three decimals times amps of three has six."""


def factors_of(corrections: Sequence[float]) -> Floats:
    """The factors of all three columns of amps, shape (3,); 1 where there is none.

    Parameters
    ----------
    corrections : one for each leg in order: three, or one for a single-phase motor; empty: none

    Examples
    --------
    >>> factors_of((1.0, 0.98, 1.0)).tolist(), factors_of(()).tolist()
    ([1.0, 0.98, 1.0], [1.0, 1.0, 1.0])
    """
    factors = np.ones(3)
    factors[: len(corrections)] = corrections
    return factors


def corrected(amps: Floats, factors: Floats) -> Floats:
    """What flows, by what was sent; columns with a factor of 1 stay as they are to the last bit.

    Parameters
    ----------
    amps : (n, 3) as the logger sent them [A]; NaN: not measured
    factors : (n, 3), or (3,) for all rows

    Examples
    --------
    >>> corrected(np.array([[12.4, 12.9, 12.6]]), factors_of((1.0, 0.98, 1.0))).tolist()
    [[12.4, 12.642, 12.6]]
    """
    changed = np.broadcast_to(factors != 1.0, amps.shape)
    return np.where(changed, np.round(amps * factors, PLACES), amps) if changed.any() else amps


def sent(amps: Floats, factors: Floats) -> Floats:
    """What the logger sent, by what was made of it: `corrected` the other way.

    Examples
    --------
    >>> sent(np.array([[12.4, 12.642, 12.6]]), factors_of((1.0, 0.98, 1.0))).tolist()
    [[12.4, 12.9, 12.6]]
    """
    changed = np.broadcast_to(factors != 1.0, amps.shape)
    return np.where(changed, np.round(amps / factors, PLACES_SENT), amps) if changed.any() else amps


def by_others(amps: Floats, applied: Floats, wanted: Floats) -> Floats:
    """Amps that were corrected by some factors, as others would have made them; where both are the same they stay as
    they are to the last bit.

    Parameters
    ----------
    amps : (n, 3) [A]
    applied, wanted : (n, 3)

    Examples
    --------
    >>> by_others(np.array([[12.0, 12.642]]), np.array([[1.0, 0.98]]), np.array([[1.0, 1.1]])).tolist()
    [[12.0, 14.19]]
    """
    other = applied != wanted
    return np.where(other, corrected(sent(amps, applied), wanted), amps) if other.any() else amps


def words(corrections: Sequence[float]) -> str:
    """Corrections in words.

    >>> words((1.0, 0.98, 1.0)), words((1.0,)), words((0.9,)), words(())
    ('L2 x 0.98', 'as sent', 'amps x 0.9', 'as sent')
    """
    names = ("amps",) if len(corrections) == 1 else ("L1", "L2", "L3")
    told = [f"{name} x {factor:g}" for name, factor in zip(names, corrections, strict=False) if factor != 1.0]
    return ", ".join(told) or "as sent"
