"""Spells over the limit: from the reading at which the highest leg went over it to the one at which it was under again.

Readings near the limit cross it many times. What lies between two crossings belongs to the spell while it is short, and
while nothing fell under 0.97 of the limit: the deadband and the off-delay of the condition `overload`. Spells that
never lasted its on-delay are left out, but for one in which the fan tripped.

The limit follows the voltage unbalance, which the watch smooths over a minute, so a step in it shows late. The borders
of a spell are therefore moved, by three time constants at most, to where the readings' own volts put them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.motor.limit import derating_factor
from monitor.motor.unbalance import voltage_unbalance
from monitor.review.findings import Overload
from monitor.review.log import Log
from monitor.review.runs import Ran
from monitor.review.watching import Plates, Watched
from monitor.watch import ends, layout
from monitor.watch.columns import Floats
from monitor.watch.kernel import PERIODS_STANDING, UNJUDGED_MS
from monitor.watch.table import BY_ID

OVER = 1.0
"""Load ratio from which on it is over its limit."""
UNDER = BY_ID["overload"].clears
LEAST_SECONDS = BY_ID["overload"].on_delay_seconds
TOGETHER_MS = 1000.0 * BY_ID["overload"].off_delay_seconds
MOVED_MS = 180_000.0
"""Three time constants of the smoothing of volts."""
BAD_ENDS = (ends.OVERLOAD_TRIP, ends.PHASE_LOST, ends.SHORT_CIRCUIT)
"""A spell with which a run ended so is told however short it was."""


def overloads_of(log: Log, plates: Plates, watched: Watched, ran: Sequence[Ran]) -> list[Overload]:
    """The spells over the limit, in order of time."""
    ratio = watched.judged.ratio
    over = ratio >= OVER  # NaN is not
    over &= (watched.judged.flags & layout.IS_RUNNING) != 0
    for one in watched.changes:  # the inrush of a start that was seen
        if one.what == layout.RUN_STARTED and one.setpoint == 1.0:
            over[log.row_at(one.at_ms) : log.row_at(one.at_ms + UNJUDGED_MS)] = False
    rows = np.flatnonzero(over)
    if not len(rows):
        return []
    standing_ms = PERIODS_STANDING * watched.period_ms
    firsts, lasts = _groups(log, ratio, rows, max(TOGETHER_MS, standing_ms))
    bad_ends = {one.last for one in ran if one.run.end_cause in BAD_ENDS}
    stands_ms = np.minimum(np.diff(log.t_ms, append=log.t_ms[-1]), standing_ms)
    found = []
    for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
        seconds = float(stands_ms[first : last + 1][over[first : last + 1]].sum()) / 1000.0
        tripped = last in bad_ends
        # The on-delay has run when a reading confirms it: the last one of them stands for up to a period more.
        if not tripped and seconds < LEAST_SECONDS:
            continue
        end_ms = _end_ms(log, last, standing_ms)
        peak = 100.0 * float(np.nanmax(ratio[first : last + 1]))
        begins_ms, until_ms = _moved(log, plates, watched, first, last, end_ms)
        found.append(Overload(begins_ms, until_ms, peak, min(seconds, (until_ms - begins_ms) / 1000.0)))
    return found


def _groups(
    log: Log, ratio: Floats, rows: NDArray[np.int64], together_ms: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last row of each spell."""
    under = np.zeros(len(ratio) + 1, np.int32)
    np.cumsum(ratio < UNDER, out=under[1:])
    apart = np.diff(log.t_ms[rows]) > together_ms
    fell = np.diff(under[rows]) > 0
    breaks = np.flatnonzero(apart | fell)
    return rows[np.concatenate([[0], breaks + 1])], rows[np.concatenate([breaks, [len(rows) - 1]])]


def _end_ms(log: Log, last: int, standing_ms: float) -> float:
    """The first reading that is under again; where none follows soon, as long as the last one stands."""
    if last + 1 == len(log):
        return float(log.t_ms[last])
    return float(min(log.t_ms[last + 1], log.t_ms[last] + standing_ms))


def _moved(log: Log, plates: Plates, watched: Watched, first: int, last: int, end_ms: float) -> tuple[float, float]:
    """Both borders, put where the readings' own volts say."""
    begins_ms = float(log.t_ms[first])
    if plates.limits[plates.of_row(first), layout.PHASES] != 3.0:
        return begins_ms, end_ms
    earliest = log.row_at(begins_ms - MOVED_MS)
    before = _own_ratio(log, plates, watched, earliest, first)
    # No further back than to the newest reading that is under by its own volts, or not running.
    under = np.flatnonzero(~(before >= OVER))
    start = earliest + (int(under[-1]) + 1 if len(under) else 0)
    latest = max(log.row_at(end_ms - MOVED_MS), first + 1)
    over = np.flatnonzero(_own_ratio(log, plates, watched, latest, last + 1) >= OVER)
    own_last = latest + int(over[-1]) if len(over) else last
    if own_last < last and not np.isnan(log.volts[own_last + 1 : last + 1]).any():
        end_ms = float(log.t_ms[own_last + 1])
    return float(log.t_ms[start]), end_ms


def _own_ratio(log: Log, plates: Plates, watched: Watched, first: int, last: int) -> Floats:
    """Load ratio of rows by their own volts; where they have none, as the watch has it; NaN where it stands still."""
    volts = log.volts[first:last]
    own = derating_factor(np.asarray(voltage_unbalance(volts[:, 0], volts[:, 1], volts[:, 2])))
    full = plates.limits[plates.some(first, last), layout.FULL_LIMIT]
    judged = watched.judged
    there = ~np.isnan(volts).any(axis=1)
    ratio = np.where(there, judged.highest[first:last] / (full * own), judged.ratio[first:last])
    running = (judged.flags[first:last] & layout.IS_SETTLED) != 0
    return np.where(running, ratio, np.nan)
