"""Where a log has no readings for more than three periods."""

from __future__ import annotations

import numpy as np

from monitor.review.findings import Span
from monitor.review.log import Log
from monitor.review.watching import Watched
from monitor.watch import layout
from monitor.watch.kernel import PERIODS_STANDING


def gaps_of(log: Log, watched: Watched) -> tuple[Span, ...]:
    """The gaps, each from the last reading before it to the first one after it.

    By the period that the watch has at each reading; before it has learned one, by what it learned in the end.
    """
    after = (watched.judged.flags & layout.AFTER_GAP) != 0
    some = layout.LEARNED_INTERVALS + 2
    longest_ms = PERIODS_STANDING * watched.period_ms
    after[1:some] = np.diff(log.t_ms[:some]) > longest_ms
    after[:1] = False
    rows = np.flatnonzero(after)
    return tuple(Span(float(log.t_ms[row - 1]), float(log.t_ms[row])) for row in rows.tolist())
