"""The other fans of one supply, as far as they say how the run of one of them ended.

A supply that was lost takes every fan with it and a trip takes one. How long a verdict waits for the others, what each
of them did until then, which of them fell with it and which ran on. Only what happened until the verdict is due is
used: then it does not matter how the readings were cut into batches.

All figures are worked out for this project (derived: some 3,000 simulated ends at 10 and 60 s).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.watch import layout
from monitor.watch.columns import Change, Ending, Floats

TOGETHER_MS = 10_000.0
"""Fans fall together within this, or within `TOGETHER_PERIODS` of the longest period ..."""
TOGETHER_PERIODS = 1.5
WAIT_SECONDS = (65.0, 120.0)
"""A verdict waits `TOGETHER_PERIODS` longest periods and `WAIT_MORE_SECONDS`, within these."""
WAIT_MORE_SECONDS = 5.0
DEFAULT_PERIOD_SECONDS = 60.0
"""Of a logger whose period is not known yet."""


@dataclass(frozen=True)
class Sister:
    """Another fan of the same supply, as it was when the verdict was due."""

    name: str
    """As in the register."""
    period_seconds: float
    """Its logger's period."""
    running_before: bool
    """It ran just before the end in question."""
    last_running_ms: float
    """Its last running reading by the time the verdict was due; NaN: none."""
    stop_ms: float | None = None
    """Its first stopped reading after that, where its end was seen by then."""
    volts_percent: float = math.nan
    """Volts at that stop [% of rated]; NaN: not measured."""
    should_run: bool = True
    """As for the fan itself."""


@dataclass(frozen=True)
class Stretch:
    """A run of a sister fan, as stored."""

    start_ms: float
    """First running reading."""
    last_ms: float
    """Last running reading so far."""
    stop_ms: float | None = None
    """First stopped reading; None: runs on, or its end was not seen."""
    volts_percent: float = math.nan
    """Volts at its end [% of rated]."""
    called: float = math.nan
    """Whether its control wanted it at its end: 1, 0 or NaN."""


def wait_seconds(periods: Sequence[float]) -> float:
    """How long after the first stopped reading a verdict is due [s of event time], 65 to 120.

    Parameters
    ----------
    periods : of the loggers of all fans of the supply [s]

    Examples
    --------
    >>> wait_seconds([1.0]), wait_seconds([10.0, 60.0]), wait_seconds([900.0])
    (65.0, 95.0, 120.0)
    """
    least, most = WAIT_SECONDS
    longest = max(periods, default=DEFAULT_PERIOD_SECONDS)
    return min(max(TOGETHER_PERIODS * longest + WAIT_MORE_SECONDS, least), most)


def together_ms(periods: Sequence[float]) -> float:
    """Fans whose first stopped readings lie no further apart than this fell together [ms].

    Examples
    --------
    >>> together_ms([1.0]), together_ms([10.0, 60.0])
    (10000.0, 90000.0)
    """
    return max(TOGETHER_MS, TOGETHER_PERIODS * 1000.0 * max(periods, default=DEFAULT_PERIOD_SECONDS))


def stretches(changes: Sequence[Change], state: Floats) -> list[Stretch]:
    """The runs of one fan, from what the watch said of its readings again.

    Parameters
    ----------
    changes : of one fan, in order of time
    state : after the last of its readings, shape (STATE_FIELDS,): tells how far a run goes that has not ended
    """
    found: list[Stretch] = []
    start_ms = math.nan
    for change in changes:
        if change.what == layout.RUN_STARTED:
            start_ms = change.at_ms
        elif change.what == layout.RUN_ENDED and change.ending is not None:
            end = change.ending
            stop = end.stop_ms if end.seen else None
            found.append(Stretch(start_ms, change.at_ms, stop, end.volts_percent, end.called))
            start_ms = math.nan
    if not math.isnan(start_ms):
        found.append(Stretch(start_ms, float(state[layout.RUN_LAST_MS])))
    return found


def sister_at(
    name: str, period_seconds: float, runs: Sequence[Stretch], *, stop_ms: float, due_ms: float, apart_ms: float,
    continuous: bool = True,
) -> Sister:  # fmt: skip
    """A sister fan as it was at the time the verdict is due: nothing later is used.

    Parameters
    ----------
    runs : its runs that touch the last minutes before `stop_ms`, in order of time
    stop_ms : the first stopped reading of the fan in question
    due_ms : the time the verdict is due
    apart_ms : of `together_ms`
    continuous : its control is continuous
    """
    before = [run for run in runs if run.start_ms < stop_ms]
    if not before:
        return Sister(name, period_seconds, False, math.nan)
    run = before[-1]
    seen = run.stop_ms if run.stop_ms is not None and run.stop_ms <= due_ms else None
    last = min(run.last_ms, due_ms)
    running = (last if seen is None else seen) >= stop_ms - apart_ms
    called = run.called if seen is not None else math.nan
    should = called != 0.0 and (continuous or called == 1.0)
    volts = run.volts_percent if seen is not None else math.nan
    return Sister(name, period_seconds, running, last, seen, volts, should)


def fell_with(ending: Ending, sisters: Sequence[Sister]) -> list[Sister]:
    """Sister fans that ran and stopped at the same time, by name."""
    apart = _apart_ms(ending, sisters)
    return sorted((one for one in sisters if _fell(ending, one, apart)), key=lambda one: one.name)


def ran_on(ending: Ending, sisters: Sequence[Sister]) -> list[Sister]:
    """Sister fans that ran before and went on running, by name."""
    apart = _apart_ms(ending, sisters)
    found = [
        one for one in sisters
        if one.running_before and not _fell(ending, one, apart) and one.last_running_ms >= ending.stop_ms
        and (one.stop_ms is not None or one.last_running_ms >= ending.stop_ms + apart)
    ]  # fmt: skip
    return sorted(found, key=lambda one: one.name)


def _apart_ms(ending: Ending, sisters: Sequence[Sister]) -> float:
    return together_ms([ending.period_seconds, *(one.period_seconds for one in sisters)])


def _fell(ending: Ending, one: Sister, apart_ms: float) -> bool:
    return one.running_before and one.stop_ms is not None and abs(one.stop_ms - ending.stop_ms) <= apart_ms
