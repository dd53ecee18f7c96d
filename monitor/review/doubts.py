"""What makes a whole review doubtful: legs not clamped, a nameplate that is another motor's, a clock set anew.

Nothing else in the findings shows these: a leg that nobody measured is over no limit.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from monitor.review.findings import Findings
from monitor.watch import ends

NOT_CARRIED_TIMES = 1.5
NOT_CARRIED_SECONDS = 1800.0
"""At 1.5 x its setting a device of any class opens within 12 min (IEC 60947-4-1, class 30, from memory); half an hour
of it over the motor's limit was no motor with this nameplate, or no such amps (derived)."""
CLOCK_DAYS = 60.0
"""Readings of one log so far apart are from two settings of a clock sooner than from one campaign (common practice, no
source)."""
NO_LONGER_KEPT = "no_longer_kept"
"""Of `how_read`: that a part of what was asked for was removed from the database, in words."""


def doubts(found: Findings) -> tuple[str, ...]:
    """Sentences that have to stand before everything else; none for most logs."""
    kept = str(found.log.how_read.get(NO_LONGER_KEPT, ""))
    kept = f"{kept[:1].upper()}{kept[1:]}." if kept else ""
    if not len(found.log):
        return (kept,) if kept else ()
    return tuple(one for one in (kept, _legs(found), _amps(found), _clock(found)) if one)


def legs_missing(found: Findings) -> tuple[str, ...]:
    """Legs of a three-phase motor that no reading has, where another one is there."""
    none = [bool(np.isnan(found.log.amps[:, leg]).all()) for leg in range(3)]
    if found.nameplate.motor.phases != 3 or all(none):
        return ()
    return tuple(f"L{leg + 1}" for leg in range(3) if none[leg])


def no_cause(found: Findings) -> str:
    """Why no cause is named; only where there is none."""
    if not len(found.log):
        return "None to name: there are no readings"
    if not found.runs:
        return "None to name: the fan did not run"
    if max(run.peak_percent_of_limit for run in found.runs) > 100.0:
        return "None can be told: it was over its limit, but too shortly to say why"
    legs = " in the legs that were measured" if legs_missing(found) else ""
    if any(run.end_cause == ends.CANNOT_TELL for run in found.runs):
        return f"None in its amps: it stayed within its limit{legs}. Why it stopped cannot be told from this log"
    return f"None: it stayed within its limit{legs}, and nothing was lost"


def _legs(found: Findings) -> str:
    missing = legs_missing(found)
    if missing:
        what = f"Leg {missing[0]} was" if len(missing) == 1 else f"Legs {' and '.join(missing)} were"
        return (
            f"{what} not measured: the worst leg may be one that was not, so amps, margins and causes hold for "
            "the measured ones only. Clamp all three, or set phases = 1 in the nameplate file of a single-phase motor."
        )
    others = ~np.isnan(found.log.amps[:, 1:]).all(axis=0)
    if found.nameplate.motor.phases == 1 and others.any():
        return (
            "The log has amps of more than one leg, but the nameplate file says phases = 1: they do not belong "
            "together. Compare the nameplate file with the motor's own plate."
        )
    return ""


def _amps(found: Findings) -> str:
    highest, plate = found.judged.highest, found.nameplate
    known = highest[~np.isnan(highest)]
    if not len(known):
        return ""
    full = f"{plate.motor.full_load_amps:g} A full load"
    compare = "ompare unit and range of the clamps, and the nameplate file with the motor's own plate."
    most = float(known.max())
    if not found.runs:
        if most <= plate.logger.accuracy_amps:
            return ""
        return f"Up to {most:.1f} A were read, too little for a motor of {full} that runs. If it did run, c{compare}"
    ratio, t_ms = found.judged.ratio, found.log.t_ms
    over = np.flatnonzero(ratio > NOT_CARRIED_TIMES)
    period_ms = float(np.median(np.diff(t_ms))) if len(t_ms) > 1 else 0.0
    if len(over) * period_ms < 1000.0 * NOT_CARRIED_SECONDS:
        return ""
    hours = len(over) * period_ms / 3_600_000.0
    return (
        f"For {hours:.1f} h it drew more than {NOT_CARRIED_TIMES:g} times its limit, up to {most:.1f} A: hardly a "
        f"motor of {full} carries that. C{compare} If both are right, stop the fan."
    )


def _clock(found: Findings) -> str:
    t_ms = found.log.t_ms
    steps = np.diff(t_ms)
    if not len(steps) or float(steps.max()) < CLOCK_DAYS * 86_400_000.0:
        return ""
    row = int(steps.argmax())
    fewer, when = (row + 1, "before") if 2 * (row + 1) <= len(t_ms) else (len(t_ms) - row - 1, "after")
    return (
        f"Between {_day(t_ms[row])} and {_day(t_ms[row + 1])} nothing was read for {steps[row] / 86_400_000.0:,.0f} "
        f"days. If the logger's clock was set anew there, the {fewer:,} readings {when} it have wrong times, and a run "
        "that spans it is none: review each part as a file of its own."
    )


def _day(ms: float) -> str:
    return f"{datetime.fromtimestamp(float(ms) / 1000.0, UTC):%Y-%m-%d}"
