"""The first page: what a tired farmer has to know, in the order in which it is asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.review.findings import Findings, Overload, Run
from monitor.review.report import words
from monitor.review.report.blocks import Block, Facts, Heading, Item, Listing, Paragraph
from monitor.review.report.pitch import degrees_words
from monitor.review.report.words import Clock
from monitor.review.what_if import AS_IT_WAS, SUPPLY_RIGHT
from monitor.watch import ends
from monitor.watch.table import BY_ID

REACHES_MS = 120_000.0
"""An overload that ends no longer before a run's end reached into it."""

_SUPPLY_ALARMS = ("voltage-unbalance-severe", "voltage-unbalance", "voltage-low", "voltage-high", "leg-spread")
"""What a fan that was never over its limit may still have had, the worst first."""

NOT_PROTECTION = (
    "It is worked out from a log of amps and volts; nobody has looked at the fan for it. It is no motor protection, "
    "stops no motor, and takes the place neither of the overload device nor of a licensed electrician. The overload "
    "setting is never raised as a remedy. Degrees are an estimate until this fan's own re-pitch has been measured."
)


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


# --- the headline ------------------------------------------------------------------------------------------------


def headline(findings: Findings, clock: Clock) -> Headline:
    """What happened in one sentence, and a sentence or two of figures."""
    if not len(findings.log):
        said = "No reading of it could be used" if findings.log.rejected else "It holds no readings"
        return Headline("This log says nothing about the fan", f"{said}: see Data quality below.", "near")
    run = worst_run(findings)
    if run is None:
        return _never_ran(findings)
    if run.end_cause in (ends.STOPPED, ends.LOG_ENDED):
        return _no_trip(findings, run, clock)
    return _ended_badly(findings, run, clock)


def _never_ran(findings: Findings) -> Headline:
    if not bool((findings.log.amps == findings.log.amps).any()):
        return Headline("This log holds no usable amps", "Without amps nothing can be said about the motor.", "near")
    return Headline(
        "The fan did not run", "In no reading of this log did it draw more than 15 % of its full-load amps.", "good"
    )


_SURE = {"sure": "", "high": "very likely ", "likely": "likely ", "possible": "possibly "}


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
    """How far over, since when; or that it was not."""
    spell = reaching(findings, run)
    limit = findings.estimate.limit
    if spell is None:
        return (
            f"It was not over its limit then: its highest leg reached {words.percent(run.peak_percent_of_limit)} of "
            "what the motor may carry in this run."
        )
    before = words.span((run.end_ms - spell.start_ms) / 1000.0)
    highest = findings.estimate.highest
    said = (
        f"It had been over its limit for {before}, since {clock.moment(spell.start_ms)}, by up to "
        f"{words.percent(spell.peak_percent_of_limit)} of it."
    )
    if highest is None:
        return said
    may = words.amps(limit.amps)
    return f"{said} Before the end the highest leg carried {words.amps(highest)}; the motor may carry {may}."


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
        doubtful = any(one.end_cause == ends.STOPPED and one.confidence == ends.POSSIBLE for one in findings.runs)
        trip = "; whether it tripped cannot be told" if doubtful else ", and did not trip"
        return Headline(f"The fan was over its limit for {total}{often}{trip}", lead, "over")
    most = max(one.peak_percent_of_limit for one in findings.runs)
    kept = f"In {ran} of running its highest leg reached at most {words.percent(most)} of what the motor may carry."
    for alarm in _SUPPLY_ALARMS:
        spells = [one for one in findings.alarms if one.id == alarm]
        if spells:
            often = "" if len(spells) == 1 else f" {words.times(len(spells))}"
            seen = (
                BY_ID[alarm].words.replace("legs far apart", "legs were far apart").replace("voltage ", "voltage was ")
            )
            return Headline(f"The fan stayed under its limit, but the {seen}{often}", f"{kept} {end}", "near")
    return Headline("The fan stayed under its limit throughout", f"{kept} {end}", "good")


# --- the rest of the page ----------------------------------------------------------------------------------------


def blocks(findings: Findings, clock: Clock, units: str) -> tuple[Block, ...]:
    """Everything of the first page below the headline."""
    found: list[Block] = []
    facts = _facts(findings, clock)
    if facts:
        found.append(Facts(tuple(facts)))
    found += _first_steps(findings)
    found += _degrees(findings, units)
    found += [Heading("What this report will not do"), Paragraph(NOT_PROTECTION, small=True)]
    return tuple(found)


def _facts(findings: Findings, clock: Clock) -> list[tuple[str, str]]:
    run = worst_run(findings)
    if run is None:
        return []
    facts: list[tuple[str, str]] = []
    if run.end_cause != ends.LOG_ENDED:
        facts.append(("How sure is that?", _how_sure(run)))
    facts.append(("Over its limit since when?", _since_when(findings, run, clock)))
    facts.append(("Likely cause", _likely_cause(findings)))
    return facts


_WHY_SURE: Mapping[str, str] = {
    ends.OVERLOAD_TRIP: "Judged from amps and volts, not seen. An overload device found open proves it",
    ends.PHASE_LOST: (
        "Judged from the amps: one leg fell to nothing and the others rose. A blown fuse or an open contact proves it"
    ),
    ends.SUPPLY_LOST: "Judged from volts and, where there are any, the other fans of this supply",
    ends.SHORT_CIRCUIT: "Judged from the last reading alone; a logger rarely catches it. A blown fuse proves it",
    ends.STOPPED: "Judged from amps and volts: as its overload device is set, it had no reason to open",
    ends.CANNOT_TELL: (
        "Without volts, and without another fan of the same supply to compare with, a stop and a lost supply look alike"
    ),
}


def _how_sure(run: Run) -> str:
    why = _WHY_SURE.get(run.end_cause, "")
    if run.end_cause == ends.CANNOT_TELL:
        return f"Not at all. {why}."
    sure = words.HOW_SURE.get(run.confidence, run.confidence)
    return f"{sure[:1].upper()}{sure[1:]}. {why}. The evidence in figures stands under How each run ended."


def _since_when(findings: Findings, run: Run, clock: Clock) -> str:
    spell = reaching(findings, run)
    if spell is not None:
        before = words.span((run.end_ms - spell.start_ms) / 1000.0)
        often = ""
        if len(findings.overloads) > 1:
            first = clock.moment(findings.overloads[0].start_ms)
            often = f". In all {words.times(len(findings.overloads))} in this log, the first time {first}"
        return f"Since {clock.moment(spell.start_ms)}, {before} before the end{often}"
    if findings.overloads:
        last = findings.overloads[-1]
        when = clock.from_to(last.start_ms, last.end_ms)
        return f"Not at that end. Elsewhere in this log {words.times(len(findings.overloads))}, the last time {when}"
    return "Never, in this log"


def _likely_cause(findings: Findings) -> str:
    if not findings.causes:
        if findings.estimate.highest is None:
            return "Too little running to say"
        margin = findings.estimate.margin or 0.0
        return f"None to look for: {words.percent(100.0 * (1.0 - margin))} of its limit in the last half hour judged"
    cause = findings.causes[0]
    what = words.CAUSES.get(cause.cause, cause.cause)
    share = f", {words.amps(cause.share_amps)} of the excess" if cause.share_amps >= 0.05 else ""
    evidence = " ".join(words.sentence(one) for one in cause.evidence[:2])
    return f"{what[:1].upper()}{what[1:]}{share}. {evidence}"


def _first_steps(findings: Findings) -> list[Block]:
    """What to do first; nothing where there is nothing to do."""
    run = worst_run(findings)
    if run is None:
        return []
    bad_end = run.end_cause not in (ends.STOPPED, ends.LOG_ENDED)
    if not bad_end and not findings.overloads and not findings.causes and not _supply_trouble(findings):
        return []
    steps: list[Item] = []
    if bad_end:
        steps.append(
            Item("Shut off any heater's fuel; the fan may start by itself. No reset before the cause is found.", "Now.")
        )
        if run.end_cause == ends.OVERLOAD_TRIP:
            steps.append(Item("Has it opened? That proves the trip. Do not reset it yet.", "The overload device."))
    for check in findings.estimate.checks:
        done = " (on the service record)" if check.name in findings.estimate.done else ""
        steps.append(Item(check.how, f"{check.name[:1].upper()}{check.name[1:]}{done}."))
    return [Heading("What to do first, in this order"), Listing(tuple(steps), ordered=True)]


def _supply_trouble(findings: Findings) -> bool:
    return any(alarm.id in _SUPPLY_ALARMS for alarm in findings.alarms)


# --- degrees -----------------------------------------------------------------------------------------------------


def _degrees(findings: Findings, units: str) -> list[Block]:
    if findings.window is None:
        return []
    sentences = [_on_this_log(findings), *degrees_words(findings, units)]
    return [Heading("How many degrees would have kept it running?"), Paragraph(" ".join(filter(None, sentences)))]


_WITH_SUPPLY = "a supply at rated voltage and balanced"


def _on_this_log(findings: Findings) -> str:
    """What on this very log would have kept it from tripping."""
    if not any(one.trips and one.change == AS_IT_WAS for one in findings.what_if):
        return ""
    remedies = [one for one in findings.what_if if one.change == SUPPLY_RIGHT or "less (insert" in one.change]
    kept = [one.change for one in remedies if one.trips is False]
    if not kept:
        return "On this very log neither fewer degrees nor a better supply would have kept it from tripping."
    least = kept[:1] if kept[0] == SUPPLY_RIGHT else [kept[0], *(one for one in kept[1:] if one == SUPPLY_RIGHT)]
    with_what = " or ".join(_WITH_SUPPLY if one == SUPPLY_RIGHT else one for one in least)
    return f"On this very log {with_what} would have kept it from tripping."
