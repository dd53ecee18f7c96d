"""A technician's hand meter against the logger's clamps at the same minute.

One reading may catch a gust or a slip of the pen; a difference that comes back is the clamp's. It is offered as a
correction where it is more than both meters may be off, and where all readings of that leg agree.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.motor.clamps import GREATEST, LEAST, factors_of
from monitor.motor.compiled import Floats
from monitor.motor.nameplate import Logger

HAND_METER_SHARE = 0.02
"""What a hand clamp meter may be off, as a share of its reading (common practice, no source)."""
LEAST_AMPS = 1.0
"""Less is not compared: a clamp says little at its lower end (common practice, no source)."""
LOW, HIGH = "low", "high"


@dataclass(frozen=True)
class Compared:
    """One hand reading beside what the logger had at that minute; legs in order, one or three."""

    hand: tuple[float | None, ...]
    """[A]"""
    logger: tuple[float | None, ...]
    """Mean of the logger's readings [A]; None: it had none."""
    readings: int
    """How many of the logger's readings that is."""
    wander: float
    """Their standard deviation as a share of their mean, the greatest of the legs: how steady the minute was."""

    @property
    def differences(self) -> tuple[float | None, ...]:
        """Hand meter less logger [A]; None where one of them has nothing."""
        return tuple(
            None if hand is None or logger is None else hand - logger
            for hand, logger in zip(self.hand, self.logger, strict=True)
        )


@dataclass(frozen=True)
class Offer:
    """A correction offered for one clamp."""

    leg: int
    """1, 2 or 3."""
    factor: float
    """What the logger's amperes of that leg are to be multiplied by."""
    readings: int
    """On how many hand readings it rests."""
    confidence: str
    """HIGH where two or more agree, LOW with only one."""
    words: str
    """The offer as a sentence."""

    @property
    def usable(self) -> bool:
        """Whether it is no more than a correction may be."""
        return LEAST <= self.factor <= GREATEST


def compare(hand: Sequence[float | None], amps: Floats) -> Compared | None:
    """Puts a hand reading beside the logger's rows of that minute; None where the logger has none.

    Parameters
    ----------
    hand : currents of the legs by the hand meter [A], one or three
    amps : (n, 3) the logger's legs [A]; NaN: not measured; single-phase: the first column

    Examples
    --------
    >>> seen = compare((12.0, 12.5, 12.1), np.array([[12.0, 11.4, 12.0], [12.2, 11.6, 12.0]]))
    >>> [round(amps, 2) for amps in seen.differences]
    [-0.1, 1.0, 0.1]
    """
    legs = len(hand)
    known = ~np.isnan(amps[:, :legs])
    rows = np.flatnonzero(known.any(axis=1))
    if not len(rows):
        return None
    logger: list[float | None] = []
    wander = 0.0
    for leg in range(legs):
        column = amps[rows, leg]
        column = column[~np.isnan(column)]
        mean = float(column.mean()) if len(column) else None
        logger.append(mean)
        if mean:
            wander = max(wander, float(column.std()) / mean)
    return Compared(tuple(hand), tuple(logger), len(rows), wander)


def offers(compared: Sequence[Compared], logger: Logger) -> tuple[Offer, ...]:
    """Corrections of clamps that the hand readings of a fan speak for, beyond those it has.

    Parameters
    ----------
    compared : hand readings beside what this logger sent, without any correction, oldest first
    logger : how well it measures and how it is corrected, as registered

    Examples
    --------
    >>> first = Compared((20.0, 22.0, 20.1), (20.1, 20.0, 20.0), 6, 0.002)
    >>> again = Compared((18.0, 19.9, 18.1), (18.1, 18.0, 18.0), 6, 0.002)
    >>> [(one.leg, round(one.factor, 3), one.confidence) for one in offers([first, again], Logger())]
    [(2, 1.103, 'high')]
    >>> [(one.leg, one.confidence) for one in offers([first], Logger())]
    [(2, 'low')]
    >>> offers([first, again], Logger(clamp_corrections=(1.0, 1.1, 1.0)))
    ()
    """
    found = []
    present = factors_of(logger.clamp_corrections).tolist()
    for leg in range(3):
        ratios, errors, allowed = [], [], 0.0
        for one in compared:
            if leg >= len(one.hand):
                continue
            hand, seen = one.hand[leg], one.logger[leg]
            if hand is None or seen is None or min(hand, seen) < LEAST_AMPS:
                continue
            ratios.append(hand / seen)
            errors.append(math.hypot(HAND_METER_SHARE, one.wander))
            own = (logger.accuracy_percent / 100.0 * seen + logger.accuracy_amps) / seen
            allowed = max(allowed, math.hypot(errors[-1], own))
        if not ratios:
            continue
        factor = sum(ratios) / len(ratios)
        agree = all(abs(ratio - factor) <= error for ratio, error in zip(ratios, errors, strict=True))
        if agree and abs(factor / present[leg] - 1.0) > allowed:
            said = _words(leg + 1, factor, present[leg], len(ratios))
            found.append(Offer(leg + 1, factor, len(ratios), HIGH if len(ratios) > 1 else LOW, said))
    return tuple(found)


def _words(leg: int, factor: float, present: float, readings: int) -> str:
    way = "low" if factor > present else "high"
    still = "" if present == 1.0 else f", corrected by {present:g}, still"
    seen = f"{readings} hand readings agree" if readings > 1 else "one hand reading says so: take another to be sure"
    right = f"its amps x {factor:.3f} would be right"
    if not LEAST <= factor <= GREATEST:
        right = "too much for a correction: it is open, around something else, or another leg was read"
    return (
        f"the clamp of L{leg}{still} reads {100.0 * abs(present / factor - 1.0):.0f} % {way} ({right}); {seen}. "
        "Look first whether it is closed and around one conductor only"
    )
