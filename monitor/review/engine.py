"""The review of one log: through the same watch as live, to findings."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set

import numpy as np

from monitor.blades import cautions
from monitor.blades.belief import Belief
from monitor.blades.estimate import Estimate, estimate
from monitor.motor.nameplate import Motor, Nameplate
from monitor.review.alarms import alarms_of
from monitor.review.causes import causes_of, fault_of, under_limit_when_warmer
from monitor.review.findings import MEASURED, Findings
from monitor.review.gaps import gaps_of
from monitor.review.log import Log
from monitor.review.overloads import overloads_of
from monitor.review.record import Known, Rotation
from monitor.review.runs import Ran, Supply, runs_of
from monitor.review.watching import Plates, Progress, Watched, watch
from monitor.review.what_if import what_if
from monitor.review.window import window_of, worst_of
from monitor.watch import ends


def review(
    log: Log,
    nameplate: Nameplate,
    *,
    altitude_m: float = 0.0,
    checks_done: Set[str] = frozenset(),
    rotations: Sequence[Rotation] = (),
    sisters: Supply | None = None,
    belief: Belief | None = None,
    progress: Progress | None = None,
) -> Findings:
    """What one log shows.

    Parameters
    ----------
    log : of one fan, its amps as the logger sent them
    nameplate : what is registered for it; its corrections of the clamps are applied
    altitude_m : of the site [m]
    checks_done : names of the checks on its service record (`blades.checks`), not older than 30 days at the log's end
    rotations : what rotating the leads showed, from its service record, oldest first
    sisters : the other fans of its supply around a time; None: none are known
    belief : what a degree is worth on this fan, where it was learned
    progress : told how far the pass over the log is

    Examples
    --------
    Forty minutes, each 10 s, of a fan that is a little over its limit on a low supply:

    >>> import numpy as np
    >>> from monitor.motor.nameplate import Fan, Motor
    >>> n = 240
    >>> log = Log(
    ...     "bin 1", 1_790_000_000_000 + 10_000 * np.arange(n), np.tile([15.5, 15.0, 14.6], (n, 1)),
    ...     np.tile([450.0, 447.0, 443.0], (n, 1)), np.full(n, 7.0), np.full(n, np.nan),
    ... )
    >>> motor = Motor(460, 3, 13.2, 1.15, rated_power_hp=10, power_factor=0.83)
    >>> found = review(log, Nameplate(motor, fan=Fan(21, (17, 18, 19, 21), 13, coldest_expected_c=-5)))
    >>> [run.end_cause for run in found.runs], found.causes[0].cause, found.estimate.pitch.as_is.pitch
    (['log ended'], 'supply voltage', 18)
    """
    plates = Plates.one(nameplate)
    log = plates.corrected(log)
    watched = watch(log, plates, progress=progress)
    ran = runs_of(log, plates, watched, sisters)
    known = Known(frozenset(checks_done), rotations=tuple(rotations), belief=belief)
    return conclude(log, plates, watched, ran, how=MEASURED, altitude_m=altitude_m, known=known)


def prepare() -> None:
    """Has all that a review needs compiled, or fetched from where compiled code is kept: some ten seconds, once."""
    rows = 240
    log = Log(
        "none", 10_000 * np.arange(rows), np.tile([14.0, 13.9, 13.8], (rows, 1)), np.full((rows, 3), 460.0),
        np.full(rows, 10.0), np.full(rows, math.nan),
    )  # fmt: skip
    review(log, Nameplate(Motor(460, 3, 12.0)))


def conclude(
    log: Log, plates: Plates, watched: Watched, ran: Sequence[Ran], *, how: str, altitude_m: float, known: Known
) -> Findings:  # fmt: skip
    """All that follows once the watch has seen the log and each run has its verdict."""
    overloads = overloads_of(log, plates, watched, ran)
    worst = worst_of(ran)
    window = None if worst is None else window_of(log, plates, watched, ran, worst, overloads)
    nameplate = plates.at(len(log) - 1 if window is None else window.row) if len(log) else plates.nameplates[-1]
    end = None if worst is None else ran[worst]
    fault = None if window is None or end is None else fault_of(end, window)
    warmer = window is not None and under_limit_when_warmer(nameplate, watched, window)
    answer = estimate(
        nameplate, None if window is None else window.figures, altitude_m, checks_done=known.checks_done, fault=fault,
        technician_unbalance=known.technician_unbalance, technician_words=known.technician_words,
        under_limit_when_warmer=warmer, belief=known.belief,
    )  # fmt: skip
    causes = causes_of(log, plates, watched, ran, worst, window, overloads, answer, known.rotations)
    return Findings(
        log=log,
        nameplate=nameplate,
        how=how,
        gaps=gaps_of(log, watched),
        runs=tuple(one.run for one in ran),
        overloads=tuple(overloads),
        alarms=alarms_of(plates, watched, ran),
        window=None if window is None else window.span,
        worst=worst,
        estimate=answer,
        causes=causes,
        what_if=what_if(log, plates, watched, ran, nameplate, known.belief),
        judged=watched.judged,
        cautions=_cautions(ran, answer),
    )


def _cautions(ran: Sequence[Ran], answer: Estimate) -> tuple[str, ...]:
    tripped = any(ends.is_trip(one.run.end_cause, one.run.confidence) for one in ran)
    return (*(cautions.for_tripped() if tripped else ()), *answer.cautions)
