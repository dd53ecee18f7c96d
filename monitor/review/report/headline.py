"""What happened, in one sentence and a few figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

from monitor.review.doubts import doubts, legs_missing
from monitor.review.findings import Findings, Overload, Run
from monitor.review.report import words
from monitor.review.report.words import Clock
from monitor.watch import ends
from monitor.watch.table import BY_ID

REACHES_MS = 120_000.0
"""An overload that ends no longer before a run's end reached into it."""
RESET_MS = ends.RESET_MS[1]
"""Within this after an end a protector may have reset itself [ms]."""

TOLD_FROM_SECONDS = 300.0
"""Gaps of together less than this [s] are told under data quality only."""

SUPPLY_ALARMS = ("voltage-unbalance-severe", "voltage-unbalance", "voltage-low", "voltage-high", "leg-spread")
"""What a fan that was never over its limit may still have had, the worst first."""


@dataclass(frozen=True)
class Headline:
    """What happened."""

    text: str
    lead: str
    tone: str


def worst_run(findings: Findings) -> Run | None:
    """The run whose end is the worst."""
    return None if findings.worst is None else findings.runs[findings.worst]


def reaching(findings: Findings, run: Run) -> Overload | None:
    """The overload that reached into the end of a run."""
    for spell in reversed(findings.overloads):
        if spell.start_ms <= run.end_ms and spell.end_ms >= run.end_ms - REACHES_MS:
            return spell
    return None


def ran_again(findings: Findings, run: Run) -> bool:
    """Whether there is a run after this one."""
    return any(one.start_ms > run.end_ms for one in findings.runs)


def denies_trip(findings: Findings) -> bool:
    """Whether no run may have ended by a trip: not where its device is not known and a stop is only possible."""
    return not any(one.end_cause == ends.STOPPED and one.confidence == ends.POSSIBLE for one in findings.runs)


def ended_over_and_ran_again(findings: Findings) -> int:
    """How many runs ended over their limit and were followed by another within the time a reset takes."""
    pairs = pairwise(findings.runs)
    return sum(reaching(findings, run) is not None and after.start_ms - run.end_ms <= RESET_MS for run, after in pairs)


def headline(findings: Findings, clock: Clock) -> Headline:
    """What happened in one sentence, and a sentence or two of figures."""
    if not len(findings.log):
        said = "No reading of it could be used" if findings.log.rejected else "It holds no readings"
        return Headline("This log says nothing about the fan", f"{said}: see Data quality below.", "near")
    run = worst_run(findings)
    if run is None:
        found = _never_ran(findings)
    elif run.end_cause in (ends.STOPPED, ends.LOG_ENDED):
        found = _no_trip(findings, run, clock)
    else:
        found = _ended_badly(findings, run, clock)
    doubtful = doubts(findings)
    if not doubtful:
        return found
    return Headline(found.text, " ".join((*doubtful, found.lead)), "near" if found.tone == "good" else found.tone)


def _never_ran(findings: Findings) -> Headline:
    if not bool((findings.log.amps == findings.log.amps).any()):
        return Headline("This log holds no usable amps", "Without amps nothing can be said about the motor.", "near")
    return Headline(
        "The fan did not run", "In no reading of this log did it draw more than 15 % of its full-load amps.", "good"
    )


_SURE: Mapping[str, str] = {"sure": "", "high": "very likely ", "likely": "likely ", "possible": "possibly "}


def _ended_badly(findings: Findings, run: Run, clock: Clock) -> Headline:
    sure = _SURE.get(run.confidence, "")
    cause = run.end_cause
    same = [one for one in findings.runs if one.end_cause == cause]
    at = clock.moment(run.end_ms)
    often = f" {words.times(len(same))}, the last time" if len(same) > 1 else ""
    text = (
        {
            ends.OVERLOAD_TRIP: f"The fan {sure}tripped on overload{often} on {at}",
            ends.PHASE_LOST: f"The fan {sure}lost one phase of its supply{often} on {at}",
            ends.SUPPLY_LOST: f"The fan {sure}lost its supply{often} on {at}",
            ends.SHORT_CIRCUIT: f"The motor {sure}had a short circuit or could not turn{often or ','} on {at}",
            ends.CANNOT_TELL: f"The fan stopped{often} on {at}; why cannot be told",
        }[cause]
        .replace(",  on", " on")
        .replace(", on", " on")
    )
    return Headline(text, _figures_at_end(findings, run, clock), "near" if cause == ends.SUPPLY_LOST else "over")


def _figures_at_end(findings: Findings, run: Run, clock: Clock) -> str:
    """How far over, since when; or that it was not; and whether it has run since."""
    spell, highest = reaching(findings, run), findings.estimate.highest
    may = words.amps(findings.estimate.limit.amps)
    said = "It was not over its limit then."
    if spell is not None:
        before = words.span((run.end_ms - spell.start_ms) / 1000.0)
        said = (
            f"It had been over its limit for {before}, since {clock.moment(spell.start_ms)}, at worst at "
            f"{words.percent(spell.peak_percent_of_limit)} of it."
        )
    if highest is not None:
        said += f" Before the end the highest leg carried {words.amps(highest)}; the motor may carry {may}."
    after = next((one for one in findings.runs if one.start_ms > run.end_ms), None)
    since = "It has not run since" if after is None else f"It ran again from {clock.moment(after.start_ms)} on"
    return f"{said} {since}{', as far as the log goes' if after is None else ''}."


def _no_trip(findings: Findings, run: Run, clock: Clock) -> Headline:
    ran = words.span(sum(one.end_ms - one.start_ms for one in findings.runs) / 1000.0)
    last = findings.runs[-1]
    end = f"It last stopped on {clock.moment(last.end_ms)}, {_SURE[last.confidence]}by its control or by hand."
    if last.end_cause == ends.LOG_ENDED:
        end = "It still ran when the readings end."
    if findings.overloads:
        total = words.span(sum(spell.seconds for spell in findings.overloads))
        worst = max(findings.overloads, key=lambda spell: spell.peak_percent_of_limit)
        often = f", {words.times(len(findings.overloads))}" if len(findings.overloads) > 1 else ""
        lead = (
            f"At worst it stood at {words.percent(worst.peak_percent_of_limit)} of its limit, in the time from "
            f"{clock.from_to(worst.start_ms, worst.end_ms)}. {end}"
        )
        trip = ", and did not trip"
        if not denies_trip(findings):
            trip = "; whether it tripped cannot be told"
            if (resets := ended_over_and_ran_again(findings)) > 1:
                lead += (
                    f" It ended over its limit {words.times(resets)} and ran again within half an hour each time: that "
                    "suggests a protector that resets itself."
                )
        return Headline(f"The fan was over its limit for {total}{often}{trip}", lead, "over")
    unread = sum(gap.to_ms - gap.from_ms for gap in findings.gaps) / 1000.0
    if unread >= TOLD_FROM_SECONDS:
        end += f" For {words.span(unread)} of that time nothing was read."
    most = max(one.peak_percent_of_limit for one in findings.runs)
    leg = "the highest leg measured" if legs_missing(findings) else "its highest leg"
    kept = f"In {ran} of running {leg} reached at most {words.percent(most)} of what the motor may carry."
    if most > 100.0:
        return Headline("The fan passed its limit, but never for longer than two minutes", f"{kept} {end}", "near")
    for alarm in SUPPLY_ALARMS:
        spells = [one for one in findings.alarms if one.id == alarm]
        if spells:
            often = "" if len(spells) == 1 else f" {words.times(len(spells))}"
            seen = (
                BY_ID[alarm].words.replace("legs far apart", "legs were far apart").replace("voltage ", "voltage was ")
            )
            return Headline(f"The fan stayed under its limit, but the {seen}{often}", f"{kept} {end}", "near")
    if legs_missing(findings):
        return Headline("The legs that were measured stayed under the fan's limit", f"{kept} {end}", "near")
    throughout = "in all that was read" if unread >= TOLD_FROM_SECONDS else "throughout"
    return Headline(f"The fan stayed under its limit {throughout}", f"{kept} {end}", "good")
