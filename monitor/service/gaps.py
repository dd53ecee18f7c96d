"""Gaps in fans' readings: the watch as it was before each is kept, so that readings that come late can still be judged.

Live first and backfill after: the live watch goes on from the first reading after the gap and is never altered. When
the readings that came late for a gap have been quiet for a minute, `backfill.look` judges them from the state that is
kept here. Everything is stored with the commits of the worker, so a gap is judged and told once, over restarts too.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.records.gaps import GAPS_A_FAN, Gap
from monitor.service.intake import stretches
from monitor.service.plant import Plant, Point
from monitor.watch import advance, layout
from monitor.watch.columns import Floats, Ints, Readings
from monitor.watch.kernel import PERIODS_STANDING
from monitor.watch.volts import UNKNOWN_PERIOD_MS

Others = Callable[[Point, float], Sequence[Point]]

KEPT_MS = 86_400_000.0
"""A gap is kept for so long after its end, by the fan's own readings."""
QUIET_SECONDS = 60.0
"""It is judged when no reading has come late for it for so long ..."""
SISTERS_SECONDS = 600.0
"""... nor for another fan of its supply, which says how a run ended; that is waited for at most so long."""


@dataclass
class Kept:
    """A gap, and what of it is not stored yet."""

    point: Point
    gap: Gap
    heard: float = -math.inf
    """When a reading last came late for it [s, steady clock]."""
    new: bool = False
    """Its state is not stored yet."""
    changed: bool = False
    """Something of it is not stored yet."""

    @property
    def waits(self) -> bool:
        """Readings have come late for it that were not judged."""
        return self.gap.late_number > self.gap.looked_number


class Gaps:
    """Kept by the worker."""

    def __init__(self, plant: Plant, steady: Callable[[], float], others: Others, stored: Iterable[Gap] = ()) -> None:
        """
        Parameters
        ----------
        steady : seconds since some moment, never put back
        others : the other fans of a fan's supply, at a time
        stored : what is kept in the database
        """
        self._plant, self._steady, self._others = plant, steady, others
        self._kept: dict[int, list[Kept]] = {}
        """Row of a fan -> its gaps, oldest first."""
        for gap in sorted(stored, key=lambda one: one.from_ms):
            point = plant.by_id.get(gap.point_id)
            if point is not None:
                # Readings that came late just before a restart may have more behind them: quiet begins anew.
                self._kept.setdefault(point.row, []).append(Kept(point, gap, steady()))

    def of(self, point: Point) -> list[Gap]:
        """The gaps of a fan, oldest first."""
        return [kept.gap for kept in self._kept.get(point.row, [])]

    # --- what the worker tells ---------------------------------------------------------------------------------

    def before(self, fed: Readings) -> None:
        """A batch is about to be judged: keeps the state of each fan that has a gap before one of its readings."""
        if not len(fed):
            return
        states = self._plant.states
        first = np.append(True, fed.fan[1:] != fed.fan[:-1])
        before = np.where(first, states[fed.fan, layout.LAST_MS], np.roll(fed.t_ms, 1))
        period = self._periods(fed)
        after_gap = np.flatnonzero(fed.t_ms - before > PERIODS_STANDING * period)  # not true where nothing came before
        if not len(after_gap):
            return
        starts = {int(fed.fan[start]): start for start, _ in stretches(fed.fan)}
        by_fan: dict[int, list[int]] = {}
        for at in after_gap.tolist():
            by_fan.setdefault(int(fed.fan[at]), []).append(at)
        for row, places in by_fan.items():
            state, done = states[row : row + 1].copy(), starts[row]
            for at in places[-GAPS_A_FAN:]:
                part = fed.part(done, at)
                part.fan = np.zeros(len(part), np.int32)
                advance.advance(state, part, self._plant.limits)
                done = at
                self._keep(self._plant.points[row], float(before[at]), float(fed.t_ms[at]), state[0])

    def _periods(self, fed: Readings) -> Floats:
        """The period of each reading's logger: given, else as the watch has it by now (in the first nine readings of a
        new logger a minute)."""
        learned = self._plant.states[fed.fan, layout.PERIOD_MS]
        given = self._plant.limits[fed.limits, layout.GIVEN_PERIOD_MS]
        period: Floats = np.where(np.isnan(given), learned, given)
        period[np.isnan(period)] = UNKNOWN_PERIOD_MS
        return period

    def _keep(self, point: Point, from_ms: float, to_ms: float, state: Floats) -> None:
        gaps = self._kept.setdefault(point.row, [])
        slot = len(gaps)
        if slot == GAPS_A_FAN:
            worst = min(gaps, key=lambda one: (self._in_time(one), one.waits, one.gap.to_ms - one.gap.from_ms))
            gaps.remove(worst)
            slot = worst.gap.slot
        saved = zlib.compress(advance.state_bytes(state), 1)
        gap = Gap(point.point_id, slot, int(from_ms), int(to_ms), layout.STATE_FORMAT, saved)
        gaps.append(Kept(point, gap, new=True, changed=True))

    def late(self, rows: Ints, t_ms: Floats, numbers: NDArray[np.int64]) -> None:
        """Readings that came late, sorted by point, with the running numbers under which they are stored."""
        for start, stop in stretches(rows):
            for kept in self._kept.get(int(rows[start]), []):
                inside = (t_ms[start:stop] > kept.gap.from_ms) & (t_ms[start:stop] < kept.gap.to_ms)
                if inside.any():
                    kept.gap = replace(kept.gap, late_number=int(numbers[start:stop][inside].max()))
                    kept.heard, kept.changed = self._steady(), True

    # --- what is to be judged ----------------------------------------------------------------------------------

    def due(self) -> Kept | None:
        """A gap that is to be judged now, if there is one."""
        now = self._steady()
        for gaps in self._kept.values():
            for kept in gaps:
                if not kept.waits or kept.point.removed or not self._in_time(kept):
                    continue
                quiet = now - kept.heard
                if quiet >= SISTERS_SECONDS or (quiet >= QUIET_SECONDS and self._sisters_quiet(kept, now)):
                    return kept
        return None

    def _in_time(self, kept: Kept) -> bool:
        return float(self._plant.newest_ms[kept.point.row]) - kept.gap.to_ms <= KEPT_MS

    def _sisters_quiet(self, kept: Kept, now: float) -> bool:
        sisters = self._others(kept.point, float(kept.gap.to_ms))
        return all(now - one.heard >= QUIET_SECONDS for point in sisters for one in self._kept.get(point.row, []))

    def looked(self, kept: Kept, number: int, found: Sequence[dict[str, Any]], *, told: bool) -> None:
        """A gap was judged with the readings up to a running number; `told`: a notice tells what was found."""
        told = told or kept.gap.told
        kept.gap = replace(kept.gap, looked_number=number, found=tuple(found), told=told)
        kept.changed = True

    def put_off(self, kept: Kept) -> None:
        """It could not be judged now: again after another minute."""
        kept.heard = self._steady()

    # --- storing -----------------------------------------------------------------------------------------------

    def unstored(self) -> list[Gap]:
        """What the next commit is to store."""
        changed = [kept for gaps in self._kept.values() for kept in gaps if kept.changed]
        return [kept.gap if kept.new else replace(kept.gap, state=None) for kept in changed]

    def stored(self) -> None:
        """What `unstored` gave is stored."""
        for gaps in self._kept.values():
            for kept in gaps:
                kept.new = kept.changed = False
