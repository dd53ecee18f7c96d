"""The runs in a log and how each ended: judged as live judges them, from what the log itself and sister fans show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from monitor.review.findings import Run
from monitor.review.log import Log
from monitor.review.watching import Plates, Watched
from monitor.watch import ends, layout
from monitor.watch.columns import Change, Ending
from monitor.watch.sisters import Stretch, sister_at, together_ms, wait_seconds

DAY_MS = 86_400_000.0
NOT_SEEN = "The readings end while it runs: how it ended was not seen."


@dataclass(frozen=True)
class OtherFan:
    """Another fan of the same supply, around the end of a run."""

    name: str
    period_seconds: float
    runs: tuple[Stretch, ...]
    """Those that touch the last ten minutes before that end, and what followed until two minutes after it."""
    continuous: bool = True
    """Its control is continuous."""


class Supply(Protocol):
    """What is known of the supply of a fan beside the fan itself."""

    def others(self, stop_ms: float) -> Sequence[OtherFan]:
        """The other fans that were heard around the first stopped reading of a run [ms]."""

    def volts_period_seconds(self, stop_ms: float) -> float:
        """Of the supply point that measures the fan's volts [s]; NaN: its own logger does."""


@dataclass(frozen=True)
class Ran:
    """A run with what the review needs of it beside the finding."""

    run: Run
    ending: Ending | None
    """None: the log ends while it runs."""
    first: int
    """Place of its first row in the log; 0 where it began before."""
    last: int
    """Place of its last running row."""
    due_ms: float
    """When its verdict was due."""
    restart_ms: float | None
    """When it ran again; None: not in this log."""
    together: bool = False
    """Without volts it shows in the other fans that fell with it: the supply was lost."""


def runs_of(log: Log, plates: Plates, watched: Watched, supply: Supply | None = None) -> list[Ran]:
    """The runs of a log, each with its verdict.

    Parameters
    ----------
    supply : the other fans of the supply; None: none are known
    """
    starts = [one.at_ms for one in watched.changes if one.what == layout.RUN_STARTED]
    ended = [one for one in watched.changes if one.what == layout.RUN_ENDED and one.ending is not None]
    bad = bad_starts(watched.changes)
    found: list[Ran] = []
    after = 0
    for change in ended:
        assert change.ending is not None
        while after < len(starts) and starts[after] <= change.at_ms:
            after += 1
        restart = starts[after] if after < len(starts) else None
        found.append(_judged(log, plates, watched, change, change.ending, restart, found, supply))
    if watched.state[layout.RUNNING] == 1.0 and len(log):
        found.append(open_run(log, watched))
    return [with_starts(one, bad) for one in found]


def _judged(
    log: Log, plates: Plates, watched: Watched, change: Change, ending: Ending, restart: float | None,
    before: Sequence[Ran], supply: Supply | None,
) -> Ran:  # fmt: skip
    asked = supply if ending.seen else None
    others = () if asked is None else asked.others(ending.stop_ms)
    volts_period = math.nan if asked is None else asked.volts_period_seconds(ending.stop_ms)
    periods = [ending.period_seconds, *(other.period_seconds for other in others)]
    due_ms = ending.stop_ms + 1000.0 * wait_seconds(periods)
    apart_ms = together_ms(periods)
    known = [
        sister_at(
            other.name, other.period_seconds, other.runs, stop_ms=ending.stop_ms, due_ms=due_ms, apart_ms=apart_ms,
            continuous=other.continuous,
        )
        for other in others
    ]  # fmt: skip
    plate = plates.at(change.row)
    longer_ms = 1000.0 * max(ending.period_seconds, 0.0 if math.isnan(volts_period) else volts_period)
    setting, error = ends.device_of(plate)
    own = ends.Own(
        volts_percent=_volts_percent(log, watched, ending.stop_ms, longer_ms, plate.motor.rated_voltage),
        run_seconds=(change.at_ms - change.since_ms) / 1000.0,
        restart_ms=restart if restart is not None and restart <= due_ms else None,
        should_run=ending.called != 0.0 and (ending.called == 1.0 or plate.fan.control == "continuous"),
        setting_amps=setting,
        error_share=error,
        resets=sum(_was_reset(one, ending.stop_ms) for one in before),
        by_plan=ends.ends_by_plan(plate.fan.control, ending.called),
    )
    verdict = ends.judge(ending, own, known)
    first, last = rows_of(log, change.since_ms, change.at_ms)
    peak_amps, peak_ratio = peaks(watched, change.peak, change.value, first, last)
    run = Run(
        change.since_ms, change.at_ms, verdict.end_cause, verdict.confidence, verdict.evidence, peak_amps,
        100.0 * peak_ratio, True,
    )  # fmt: skip
    together = verdict.end_cause == ends.SUPPLY_LOST and ends.supply_lost_together(ending, own, known) is not None
    return Ran(run, ending, first, last, due_ms, restart, together and not (restart is not None and restart <= due_ms))


def open_run(log: Log, watched: Watched) -> Ran:
    state = watched.state
    start, end = float(state[layout.RUN_START_MS]), float(state[layout.RUN_LAST_MS])
    first, last = rows_of(log, start, end)
    peak_amps, peak_ratio = peaks(
        watched, float(state[layout.RUN_PEAK_AMPS]), float(state[layout.RUN_PEAK_RATIO]), first, last
    )
    run = Run(start, end, ends.LOG_ENDED, ends.SURE, (NOT_SEEN,), peak_amps, 100.0 * peak_ratio, True)
    return Ran(run, None, first, last, float(log.t_ms[-1]), None)


def rows_of(log: Log, start_ms: float, end_ms: float) -> tuple[int, int]:
    most = max(len(log) - 1, 0)
    return min(log.row_at(start_ms), most), min(log.row_at(end_ms), most)


def peaks(watched: Watched, amps: float, ratio: float, first: int, last: int) -> tuple[float, float]:
    """As the watch has them; of a run that was over before its start was, the greatest there is."""
    if not math.isnan(amps):
        return amps, ratio
    part = slice(first, last + 1)
    highest, ratios = watched.judged.highest[part], watched.judged.ratio[part]
    known = ~np.isnan(highest)
    return (float(highest[known].max()), float(ratios[known].max())) if known.any() else (0.0, 0.0)


def _volts_percent(log: Log, watched: Watched, stop_ms: float, for_ms: float, rated: float) -> float:
    """The greatest line [% of rated], lowest from the first stopped reading on for so long; NaN: not measured."""
    here = slice(log.row_at(stop_ms), log.row_at(math.floor(stop_ms + for_ms) + 1))
    volts = log.volts[here]
    use = ((watched.judged.flags[here] & layout.IS_RUNNING) == 0) & ~np.isnan(volts).all(axis=1)
    return 100.0 * float(np.nanmax(volts[use], axis=1).min()) / rated if use.any() else math.nan


def _was_reset(one: Ran, stop_ms: float) -> bool:
    """A trip of the last day after which it ran again as an automatic reset would let it."""
    if one.ending is None or one.restart_ms is None or one.run.end_cause != ends.OVERLOAD_TRIP:
        return False
    least, most = ends.RESET_MS
    return stop_ms - DAY_MS < one.ending.stop_ms < stop_ms and least <= one.restart_ms - one.ending.stop_ms <= most


def bad_starts(changes: Sequence[Change]) -> list[tuple[float, float]]:
    """From when to when a start counted as bad: at a slow one its own moment, at too many all until they are few."""
    found: list[tuple[float, float]] = []
    standing: dict[str, int] = {}
    for one in changes:
        if one.condition not in ("slow-start", "many-starts"):
            continue
        if one.what == layout.RAISED:
            standing[one.condition] = len(found)
            found.append((one.at_ms, math.inf if one.condition == "many-starts" else one.at_ms))
        elif one.condition == "many-starts" and one.condition in standing:
            place = standing.pop(one.condition)
            found[place] = (found[place][0], one.at_ms)
    return found


def with_starts(one: Ran, bad: Sequence[tuple[float, float]]) -> Ran:
    """A run with whether its start was as it should be."""
    run = one.run
    within = any(run.start_ms <= since <= run.end_ms for since, _ in bad)
    at_start = any(since <= run.start_ms < until for since, until in bad)
    return replace(one, run=replace(run, starts_ok=False)) if within or at_start else one
