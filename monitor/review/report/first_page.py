"""The first page: what a tired farmer has to know, in the order in which it is asked."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.review.findings import Findings, Run
from monitor.review.report import words
from monitor.review.report.blocks import Block, Facts, Heading, Paragraph
from monitor.review.report.first_steps import first_steps
from monitor.review.report.headline import denies_trip, reaching, worst_run
from monitor.review.report.pitch import degrees_words
from monitor.review.report.words import Clock
from monitor.review.what_if import AS_IT_WAS, SUPPLY_RIGHT
from monitor.watch import ends

NOT_PROTECTION = (
    "It is worked out from a log of amps and volts; nobody has looked at the fan for it. It is no motor protection, "
    "stops no motor, and takes the place neither of the overload device nor of a licensed electrician. The overload "
    "setting is never raised as a remedy. Degrees are an estimate until this fan's own re-pitch has been measured."
)


def blocks(findings: Findings, clock: Clock, units: str) -> tuple[Block, ...]:
    """Everything of the first page below the headline."""
    found: list[Block] = []
    facts = _facts(findings, clock)
    if facts:
        found.append(Facts(tuple(facts)))
    found += first_steps(findings)
    found += _degrees(findings, units)
    found += [Heading("What this report will not do"), Paragraph(NOT_PROTECTION, small=True)]
    return tuple(found)


def _facts(findings: Findings, clock: Clock) -> list[tuple[str, str]]:
    run = worst_run(findings)
    if run is None:
        return []
    facts: list[tuple[str, str]] = []
    if run.end_cause != ends.LOG_ENDED:
        facts.append(("How sure is that?", _how_sure(findings, run)))
    facts.append(("Over its limit since when?", _since_when(findings, run, clock)))
    facts.append(_likely_cause(findings))
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


def _how_sure(findings: Findings, run: Run) -> str:
    why = _WHY_SURE.get(run.end_cause, "")
    if run.end_cause == ends.CANNOT_TELL:
        return f"Not at all. {why}."
    if run.end_cause == ends.STOPPED and not denies_trip(findings):
        return "Not sure. Where its overload device opens is not known, so a trip can be neither shown nor ruled out."
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
    if max(one.peak_percent_of_limit for one in findings.runs) > 100.0:
        return "Never for longer than two minutes"
    return "Never, in this log"


def _likely_cause(findings: Findings) -> tuple[str, str]:
    if not findings.causes:
        if findings.estimate.highest is None:
            return "Likely cause", "Too little running to say"
        margin = findings.estimate.margin or 0.0
        load = words.percent(100.0 * (1.0 - margin))
        ran = f"it ran at {load} of its limit in the half hour judged"
        if any(one.end_cause == ends.CANNOT_TELL for one in findings.runs):
            return "Likely cause", f"None in its amps: {ran}. Why it stopped cannot be told from this log"
        return "Likely cause", f"None to look for: {ran}"
    cause = findings.causes[0]
    what = words.CAUSES.get(cause.cause, cause.cause)
    share = f", worth {words.amps(cause.share_amps)}" if cause.share_amps >= 0.05 else ""
    # Of an overload that the fan outlived the first sentence tells when that was.
    outlived = bool(cause.evidence) and cause.evidence[0].startswith("over its limit from ")
    evidence = " ".join(words.sentence(one) for one in cause.evidence[: 3 if outlived else 2])
    return "Likely cause" + (" of the overload" if outlived else ""), f"{what[:1].upper()}{what[1:]}{share}. {evidence}"


# --- degrees -----------------------------------------------------------------------------------------------------


_NO_MATTER_OF_PITCH: Mapping[str, str] = {
    ends.PHASE_LOST: "None: a lost phase is no matter of pitch, and fewer degrees would not have helped.",
    ends.SUPPLY_LOST: "None: the supply was lost, and that is no matter of pitch.",
    ends.SHORT_CIRCUIT: "None: a short circuit or a rotor that cannot turn is no matter of pitch.",
}


def _degrees(findings: Findings, units: str) -> list[Block]:
    run = worst_run(findings)
    if findings.window is None or run is None:
        return []
    heading = Heading("Does any pitch have to come out?")
    if run.end_cause == ends.OVERLOAD_TRIP or (findings.overloads and run.end_cause != ends.LOG_ENDED):
        heading = Heading("How many degrees would have kept it running?")
    elif findings.overloads:  # it ran on
        heading = Heading("How many degrees bring it under its limit?")
    if run.end_cause in _NO_MATTER_OF_PITCH:
        return [heading, Paragraph(_NO_MATTER_OF_PITCH[run.end_cause])]
    sentences = [_on_this_log(findings), *degrees_words(findings, units)]
    return [heading, Paragraph(" ".join(filter(None, sentences)))]


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
