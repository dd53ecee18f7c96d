"""When a fan that its control starts and stops is missed: one that may have tripped is told once it pauses for long.

Such a fan stops many times a day, so a trip that is only possible cannot be told at each end. What tells them apart is
whether it runs again.
"""

from __future__ import annotations

from collections.abc import Iterable

AT_LEAST_MS = 1_800_000.0
"""A device that resets by itself takes up to so long."""
UNKNOWN_MS = 14_400_000.0
"""Of a fan whose pauses of the last day are not known."""
LONGER = 1.5
"""So many times its longest pause of the last day is longer than usual (derived: on simulated harvests a thermostat's
fan at its setting was told not once in two months without a trip; `tests/bench/harvest.py`)."""


def longest_ms(ends: Iterable[tuple[float, float | None]], before_ms: float) -> float | None:
    """The longest pause that was over before some time [ms]; None: none is known.

    Parameters
    ----------
    ends : first stopped reading and first running reading after it of its ended runs [event time, ms]
    """
    pauses = [again - stop for stop, again in ends if again is not None and stop < before_ms and again <= before_ms]
    return max(pauses, default=None)


def missed_ms(longest: float | None) -> float:
    """How long after its end a run is missed [ms].

    >>> [missed_ms(longest) / 60_000.0 for longest in (None, 600_000.0, 6_600_000.0, 86_400_000.0)]
    [240.0, 30.0, 165.0, 2160.0]
    """
    return UNKNOWN_MS if longest is None else max(LONGER * longest, AT_LEAST_MS)


def words(longest: float | None) -> str:
    """What is said of it beside how its run ended.

    >>> words(6_600_000.0)
    'In the day before it ran again after 110 min at most; this pause is longer.'
    """
    if longest is None:
        return "How long it usually pauses is not known; it has not run again for hours."
    return f"In the day before it ran again after {longest / 60_000.0:.0f} min at most; this pause is longer."
