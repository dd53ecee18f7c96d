"""The estimate of each fan's blades, worked out every few minutes and stored when it says something new.

A stored one is some kilobytes. While a fan just runs on, its figures only tremble: such an estimate is not written
again and again, a disk's life is worth more.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence

from monitor.service.figures import Figures
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point

EVERY_SECONDS = 300.0
OLDEST_SECONDS = 1_800.0
"""One that runs on is stored anew after so long: its time is shown beside it."""
SAME_SHARE, SAME_FIGURE = 0.02, 0.02
"""Figures no further apart than this share of the greater one, or than this, say the same: amps, percent, chances,
degrees (own judgement: clamps err by 1 % and more)."""

_FIGURE = re.compile(r"-?\d+(?:\.\d+)?")


class Estimates:
    """Kept by the worker."""

    def __init__(self, plant: Plant, figures: Figures, pending: Pending, steady: Callable[[], float]) -> None:
        """
        Parameters
        ----------
        steady : seconds since some moment, never put back
        """
        self._plant, self._figures, self._pending, self._steady = plant, figures, pending, steady
        self._due: dict[int, float] = {}
        self._kept: dict[int, tuple[float, Mapping[str, object]]] = {}
        """Row -> when, and what was last put into a commit."""

    def look(self, now_ms: float) -> None:
        """Works out those that are due.

        Parameters
        ----------
        now_ms : wall time
        """
        now = self._steady()
        for point in self._plant.fans():
            if now < self._due.setdefault(point.row, now + point.row * 7 % 60):
                continue
            self._due[point.row] = now + EVERY_SECONDS
            answer, _ = self._figures.estimate(point)
            if answer is not None and self._is_news(point, answer):
                self.keep(point, now_ms, answer)

    def soon(self, point: Point) -> None:
        """What it is made from has changed: at the next look."""
        self._due[point.row] = self._steady()

    def keep(self, point: Point, now_ms: float, answer: Mapping[str, object]) -> None:
        """Puts one into the next commit."""
        self._kept[point.row] = self._steady(), answer
        self._pending.estimates[point.point_id] = int(now_ms), answer

    def _is_news(self, point: Point, answer: Mapping[str, object]) -> bool:
        if point.row not in self._kept:
            return True
        at, before = self._kept[point.row]
        return self._steady() - at >= OLDEST_SECONDS or not alike(before, answer)


def alike(one: object, other: object) -> bool:
    """Whether two estimates, or parts of them, say the same: words equal, figures close, also those within words.

    >>> alike({"amps": 12.41, "why": "12.4 A of 14.3 A"}, {"amps": 12.43, "why": "12.5 A of 14.3 A"})
    True
    >>> alike({"pitch": 18}, {"pitch": 17}), alike({"pitch": None}, {"pitch": 0.0}), alike([1.0], [1.0, 1.0])
    (False, False, False)
    """
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(alike(value, other[name]) for name, value in one.items())
    if isinstance(one, str) and isinstance(other, str):
        words = _FIGURE.split(one) == _FIGURE.split(other)
        return words and all(map(_close, *([float(text) for text in _FIGURE.findall(said)] for said in (one, other))))
    if isinstance(one, Sequence) and isinstance(other, Sequence) and not isinstance(one, str):
        return len(one) == len(other) and all(map(alike, one, other))
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, int | float) and isinstance(other, int | float):
        return _close(one, other)
    return one == other


def _close(one: float, other: float) -> bool:
    return math.isclose(one, other, rel_tol=SAME_SHARE, abs_tol=SAME_FIGURE)
