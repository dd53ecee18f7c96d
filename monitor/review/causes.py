"""The likely causes of what a log shows, ranked, each with its amps, its evidence and what would confirm it.

A log in which the fan stayed within its limit and nothing was lost has none. Where amps say it, the causes are those of
the window (`blades.causes`); a lost phase, a lost supply and a fault are told by how a run ended, and come first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from monitor.blades.causes import causes_of as amps_causes
from monitor.blades.estimate import Estimate, estimate
from monitor.blades.parts import parts_of, reference_load
from monitor.motor.current import current_model
from monitor.motor.lead_rotation import LEAD, LINE
from monitor.motor.nameplate import Nameplate
from monitor.review.confirm import (
    FAN_LOAD,
    FAULT,
    LEG_CONNECTION,
    LOST_PHASE,
    LOST_SUPPLY,
    SUPPLY_UNBALANCE,
    confirm_by,
)
from monitor.review.findings import Overload, RankedCause, rfc3339
from monitor.review.log import Log
from monitor.review.record import Rotation
from monitor.review.runs import Ran
from monitor.review.watching import (
    AMBIENT,
    AMBIENT_ROWS,
    HIGHEST,
    LIMIT,
    MEAN_LEG,
    VOLTS,
    VOLTS_ROWS,
    Plates,
    Watched,
)
from monitor.review.window import Window, around_spell
from monitor.watch import ends, layout
from monitor.watch.columns import Floats

MAY_OPEN_FROM = ends.MAY_OPEN_TIMES
WARMER_K = 3.0
"""Air so much warmer than the window's is told from the error of a thermometer (derived)."""
SAME_VOLTS = 0.01
"""Mean volts within this share of rated are the same volts (derived)."""
SAME_LOAD = 0.03
"""The fan's own load, in reference air and at rated volts, within this share: else the load has changed, not the air
(derived: twice the standard deviation of the model and the clamps over half an hour)."""
EQUAL_LEGS_PERCENT = 3.0
"""Legs no further apart than this [% of the mean] are equal."""


def fault_of(end: Ran, window: Window) -> str | None:
    """What was found on the fan after which no degrees are given; None: nothing."""
    if end.run.end_cause == ends.PHASE_LOST:
        return "a lost phase"
    if end.run.end_cause == ends.SHORT_CIRCUIT:
        return "what may be a short circuit or a locked rotor"
    if window.sudden is not None:
        return f"an overload that lasted only {window.sudden:.0f} s"
    return None


def causes_of(
    log: Log, plates: Plates, watched: Watched, ran: Sequence[Ran], worst: int | None, window: Window | None,
    overloads: Sequence[Overload], answer: Estimate, rotations: Sequence[Rotation],
) -> tuple[RankedCause, ...]:  # fmt: skip
    """The causes, the main one first; none where nothing was wrong.

    Parameters
    ----------
    ran : the runs; `worst` is the place of the one that ended worst
    window : before its end
    answer : the estimate over that window
    rotations : of the service record, oldest first
    """
    if worst is None or window is None:
        return ()
    end = ran[worst]
    found = [*_lost(log, ran, end), *_faults(watched, ran, end)]
    amps = _by_amps(plates, watched, window, answer, end)
    where = ""
    if not amps and overloads and not (found and found[0].cause == LOST_PHASE):
        longest = max(overloads, key=lambda spell: spell.seconds)
        amps, where = _of_spell(log, plates, watched, longest)
    causes = [*found, *_with_rotation(amps, rotations[-1] if rotations else None)]
    if where:
        causes = [
            one if one in found else RankedCause(one.cause, one.share_amps, (where, *one.evidence), one.confirm_by)
            for one in causes
        ]
    if not causes and ends.is_trip(end.run.end_cause, end.run.confidence):
        causes.append(_device_itself(plates.at(window.row), window))
    return tuple(causes)


# --- by how runs ended -----------------------------------------------------------------------------------------


def _lost(log: Log, ran: Sequence[Ran], end: Ran) -> list[RankedCause]:
    """A lost phase and a lost supply: the worst end's first."""
    found = []
    for kind, cause, say in (
        (ends.PHASE_LOST, LOST_PHASE, _phase_evidence),
        (ends.SUPPLY_LOST, LOST_SUPPLY, _supply_evidence),
    ):
        alike = [one for one in ran if one.run.end_cause == kind]
        if alike:
            found.append(RankedCause(cause, 0.0, say(log, alike), confirm_by(cause)))
    return sorted(found, key=lambda cause: (cause.cause == LOST_SUPPLY) != (end.run.end_cause == ends.SUPPLY_LOST))


def _phase_evidence(log: Log, alike: Sequence[Ran]) -> tuple[str, ...]:
    last = alike[-1]
    legs = log.amps[last.last]
    said = [f"at {rfc3339(last.run.end_ms)} the last reading shows {_amps(legs)}"]
    before = log.row_at(float(log.t_ms[last.last]) - 300_000.0)
    if last.first <= before < last.last and not math.isnan(float(np.nansum(legs))):
        then, now = _others(log.amps[before], legs), _others(legs, legs)
        if then > 0.0:
            said.append(
                f"the two other legs carry {now / then:.2f} x what they carried five minutes before: one line open "
                "makes that about 1.7"
            )
    return (*last.run.evidence[:1], *said, *_times(alike))


def _others(legs: Floats, by: Floats) -> float:
    """Mean of the two legs that are not the least of `by`."""
    keep = np.arange(3) != int(np.nanargmin(np.where(np.isnan(by), np.inf, by)))
    return float(np.nanmean(legs[keep])) if not np.isnan(legs[keep]).all() else math.nan


def _supply_evidence(log: Log, alike: Sequence[Ran]) -> tuple[str, ...]:
    last = alike[-1]
    row = min(last.last + 1, len(log) - 1)
    volts = log.volts[row]
    measured = () if np.isnan(volts).all() else (f"at {rfc3339(float(log.t_ms[row]))} the volts are {_volts(volts)}",)
    return (*last.run.evidence, *measured, *_times(alike))


def _times(alike: Sequence[Ran]) -> tuple[str, ...]:
    return (f"so ended {len(alike)} runs of this log",) if len(alike) > 1 else ()


def _faults(watched: Watched, ran: Sequence[Ran], end: Ran) -> list[RankedCause]:
    """A short circuit or a locked rotor; slow starts; a fan that lost its load."""
    said: list[str] = []
    if end.run.end_cause == ends.SHORT_CIRCUIT:
        said += end.run.evidence
    raised = [one for one in watched.changes if one.what == layout.RAISED]
    slow = [one for one in raised if one.condition == "slow-start"]
    if slow:
        times = f"{len(slow)} times, last " if len(slow) > 1 else ""
        said.append(
            f"slow to start ({times}at {rfc3339(slow[-1].since_ms)}): above twice full-load amps for longer than a "
            "start takes"
        )
    idle = [one for one in raised if one.condition == "no-load"]
    if idle:
        said.append(
            f"from {rfc3339(idle[-1].since_ms)} on it ran with {idle[-1].peak:.0f} % of its usual active amps: blades, "
            "coupling or belt may be gone, or the air is shut off"
        )
    return [RankedCause(FAULT, 0.0, tuple(said), confirm_by(FAULT))] if said else []


def _device_itself(plate: Nameplate, window: Window) -> RankedCause:
    setting = plate.protection.setting_amps
    legs = "" if window.figures is None else f"the highest leg carried {window.figures.highest:.1f} A"
    against = "" if setting is None else f", its device is set to {setting:g} A"
    said = (
        f"{legs}{against}: under the limit and under what opens the device",
        (
            "look at the device itself: another setting than registered, a hot or loose terminal beside it, a hot "
            "enclosure, too many starts"
        ),
    )
    return RankedCause(FAULT, 0.0, said, confirm_by(FAULT))


# --- by amps ---------------------------------------------------------------------------------------------------


def _by_amps(plates: Plates, watched: Watched, window: Window, answer: Estimate, end: Ran) -> list[RankedCause]:
    plate = plates.at(window.row)
    found = [
        RankedCause(one.cause, one.share_amps, (*one.evidence, *_pattern(one.cause, window)), confirm_by(one.cause))
        for one in answer.causes
    ]
    if not found and end.run.end_cause == ends.OVERLOAD_TRIP:
        found = _against_device(plate, watched, window)
    found = _beyond_the_clamps(plate, window, found)
    if window.sudden is not None and found:
        sudden = f"the overload came {window.sudden:.0f} s before the end: a step in load, not a slow rise"
        found[0] = RankedCause(found[0].cause, found[0].share_amps, (*found[0].evidence, sudden), found[0].confirm_by)
    return found


def _beyond_the_clamps(plate: Nameplate, window: Window, found: list[RankedCause]) -> list[RankedCause]:
    """Legs no further apart than their clamps may err are no cause beside others; alone they are, and it is said."""
    figures, logger = window.figures, plate.logger
    if figures is None:
        return found
    error = logger.accuracy_percent / 100.0 * figures.highest + logger.accuracy_amps
    doubtful = [one for one in found if one.cause == LEG_CONNECTION and one.share_amps <= error]
    if not doubtful:
        return found
    rest = [one for one in found if one not in doubtful]
    if rest:
        return rest
    words = f"that is within what its clamps may err ({error:.1f} A): read all three legs with one meter"
    return [replace(doubtful[0], evidence=(*doubtful[0].evidence, words))]


def _pattern(cause: str, window: Window) -> tuple[str, ...]:
    """What the legs add to it."""
    figures = window.figures
    if cause != FAN_LOAD or figures is None:
        return ()
    apart = 100.0 * (figures.highest - figures.mean) / figures.mean
    legs = [leg for leg in figures.legs if leg is not None]
    if len(legs) == 3 and apart <= EQUAL_LEGS_PERCENT:
        return (f"all three legs are high and nearly equal ({apart:.1f} % apart): it is the load, not one connection",)
    return ()


def _against_device(plate: Nameplate, watched: Watched, window: Window) -> list[RankedCause]:
    """A trip within the motor's limit: what lies between the highest leg and where its device may open."""
    figures, setting = window.figures, plate.protection.setting_amps
    if figures is None or setting is None:
        return []
    model = current_model(plate.motor)
    v = None if figures.mean_volts is None else figures.mean_volts / plate.motor.rated_voltage
    for times in (MAY_OPEN_FROM, 1.0):
        opens = times * setting
        if figures.highest <= opens:
            continue
        parts = parts_of(
            model, highest=figures.highest, mean=figures.mean, v=v, unbalance=figures.unbalance, t_c=figures.ambient_c,
            full_limit=opens, limit=opens,
        )  # fmt: skip
        if parts is None:
            return []
        causes = amps_causes(
            plate.motor, figures, parts, unbalance=figures.unbalance, full_limit=opens, limit=opens,
            under_limit_when_warmer=under_limit_when_warmer(plate, watched, window, opens),
        )  # fmt: skip
        of_device = (
            f"the motor was within its own limit, but its overload device, set to {setting:g} A, may open from "
            f"{MAY_OPEN_FROM * setting:.1f} A on ({MAY_OPEN_FROM:g} x its setting)"
        )
        return [
            RankedCause(
                one.cause, one.share_amps,
                (of_device, *(_of_device(text) for text in one.evidence), *_pattern(one.cause, window)),
                confirm_by(one.cause),
            )
            for one in causes
        ]  # fmt: skip
    return []


def _of_device(text: str) -> str:
    """The same sentence about a device instead of a motor."""
    return text.replace("; the motor may carry", "; the device carries").replace("from the limit", "from it")


def _of_spell(log: Log, plates: Plates, watched: Watched, spell: Overload) -> tuple[list[RankedCause], str]:
    """Causes of an overload that the fan outlived."""
    window = around_spell(log, plates, watched, spell)
    plate = plates.at(window.row)
    warmer = window.figures is not None and under_limit_when_warmer(plate, watched, window)
    answer = estimate(plate, window.figures, under_limit_when_warmer=warmer)
    found = [
        RankedCause(one.cause, one.share_amps, (*one.evidence, *_pattern(one.cause, window)), confirm_by(one.cause))
        for one in answer.causes
    ]
    where = (
        f"over its limit from {rfc3339(spell.start_ms)} to {rfc3339(spell.end_ms)}, at most "
        f"{spell.peak_percent_of_limit:.0f} % of it"
    )
    return found, where


def under_limit_when_warmer(
    plate: Nameplate, watched: Watched, window: Window, limit_amps: float | None = None
) -> bool:
    """Whether the log itself shows this fan under its limit when it was warmer, at the same volts and the same load.

    Parameters
    ----------
    limit_amps : what is meant by the limit [A]; None: the adjusted limit of each time
    """
    figures, fives = window.figures, watched.fives
    if figures is None or figures.ambient_c is None or figures.mean_volts is None:
        return False
    rated = plate.motor.rated_voltage
    model = current_model(plate.motor)
    volts, air = fives.mean(VOLTS, VOLTS_ROWS), fives.mean(AMBIENT, AMBIENT_ROWS)
    highest, mean = fives.mean(HIGHEST), fives.mean(MEAN_LEG)
    limit: Floats = fives.mean(LIMIT) if limit_amps is None else np.full(len(highest), limit_amps)
    warmer = (air >= figures.ambient_c + WARMER_K) & (highest < limit)
    warmer &= np.abs(volts - figures.mean_volts) <= SAME_VOLTS * rated
    load = reference_load(model, figures.mean, figures.mean_volts / rated, figures.ambient_c)
    return load > 0.0 and any(
        abs(reference_load(model, float(mean[at]), float(volts[at]) / rated, float(air[at])) / load - 1.0) <= SAME_LOAD
        for at in np.flatnonzero(warmer).tolist()
    )


# --- the lead test ---------------------------------------------------------------------------------------------


def _with_rotation(causes: Sequence[RankedCause], rotation: Rotation | None) -> list[RankedCause]:
    """What rotating the leads showed decides between the supply and the motor where legs are unequal."""
    if rotation is None or not any(one.cause in _LEGS for one in causes):
        return list(causes)
    if rotation.stays_with not in (LINE, LEAD):
        return [_said(one, rotation) if one.cause in _LEGS else one for one in causes]
    here, there = _LEGS if rotation.stays_with == LINE else _LEGS[::-1]
    moved = next((one for one in causes if one.cause == there), None)
    stays = next((one for one in causes if one.cause == here), None)
    if moved is None:
        return [_said(one, rotation) if one is stays else one for one in causes]
    share = moved.share_amps + (stays.share_amps if stays is not None else 0.0)
    evidence = (*(stays.evidence if stays is not None else ()), *moved.evidence)
    one = _said(RankedCause(here, share, evidence, confirm_by(here)), rotation)
    place = min(causes.index(cause) for cause in (moved, stays) if cause is not None)
    rest = [cause for cause in causes if cause not in (moved, stays)]
    return [*rest[:place], one, *rest[place:]]


_LEGS = (SUPPLY_UNBALANCE, LEG_CONNECTION)


def _said(cause: RankedCause, rotation: Rotation) -> RankedCause:
    showed = f"rotating the leads on {rotation.done}: {rotation.words or rotation.stays_with}"
    return replace(cause, evidence=(showed, *cause.evidence))


def _amps(legs: Floats) -> str:
    return _listed(legs, "A", lambda value: f"{value:.1f}")


def _volts(lines: Floats) -> str:
    return _listed(lines, "V", lambda value: f"{value:.0f}")


def _listed(values: Floats, unit: str, word: Callable[[float], str]) -> str:
    return f"{', '.join('-' if math.isnan(value) else word(value) for value in values.tolist())} {unit}"
