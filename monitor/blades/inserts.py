"""What inserts a day's work takes, added up by angle: what goes into the truck."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Wanted:
    """The inserts of one fan that is to be re-pitched."""

    fan: str
    """Whatever the fan is called by; comes back as given."""
    pitch: float
    """Angle of the inserts [degrees], 0 to 60."""
    count: int | None
    """So many, one for each blade, at least 1; None: the number of its blades is not known."""


@dataclass(frozen=True)
class Angle:
    """All inserts of one angle."""

    pitch: float
    """[degrees]"""
    count: int
    """So many for the fans whose blades are known."""
    fans: tuple[tuple[str, int], ...]
    """Those fans, each with its number, in the order given."""
    ask: tuple[str, ...]
    """Fans that take this angle too, of which somebody must ask how many blades they have."""


def add_up(wanted: Iterable[Wanted]) -> tuple[Angle, ...]:
    """Inserts by angle, the least angle first. A fan that is named twice counts twice: each work needs its own set.

    Angles that differ by less than a hundredth of a degree are one: nobody can tell such inserts apart (derived).

    Raises
    ------
    ValueError : an angle is no finite number, or a count is below 1 (a bug of the caller)

    Examples
    --------
    >>> found = add_up([Wanted("north-3", 18, 6), Wanted("south-1", 18.0, 8), Wanted("west-2", 18, None)])
    >>> [(one.pitch, one.count, one.ask) for one in found]
    [(18.0, 14, ('west-2',))]
    """
    by_angle: dict[int, list[Wanted]] = {}
    for one in wanted:
        if not math.isfinite(one.pitch):
            raise ValueError(f"{one.fan}: no angle: {one.pitch!r}")
        if one.count is not None and one.count < 1:
            raise ValueError(f"{one.fan}: no number of inserts: {one.count!r}")
        by_angle.setdefault(round(100 * one.pitch), []).append(one)
    return tuple(_angle(hundredths / 100, by_angle[hundredths]) for hundredths in sorted(by_angle))


def _angle(pitch: float, wanted: list[Wanted]) -> Angle:
    known = tuple((one.fan, one.count) for one in wanted if one.count is not None)
    return Angle(pitch, sum(count for _, count in known), known, tuple(one.fan for one in wanted if one.count is None))
