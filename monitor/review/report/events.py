"""What happened: runs and how they ended, times over the limit, alarms."""

from __future__ import annotations

from collections import Counter

from monitor.review.findings import Findings, Run
from monitor.review.report import words
from monitor.review.report.blocks import Block, Column, Heading, Item, Listing, Paragraph, Section, Table
from monitor.review.report.words import NOT_KNOWN, Clock
from monitor.watch import ends
from monitor.watch.table import BY_ID

MOST_ROWS = 40
"""Rows of a table on paper; of more, the worse and the last are shown, and the rest is counted. All are in the JSON."""
MOST_EVIDENCE = 6
"""Runs whose evidence is printed in full."""

_ORDINARY = (ends.STOPPED, ends.LOG_ENDED)


def section(findings: Findings, clock: Clock) -> Section:
    """Runs, evidence, overloads."""
    blocks: list[Block] = []
    if not findings.runs:
        blocks.append(Paragraph("The fan did not run, so there is no run whose end could be judged."))
    else:
        blocks += [*_runs(findings, clock), *_evidence(findings, clock), *_overloads(findings, clock)]
    return Section("ends", "How each run ended", tuple(blocks))


def _runs(findings: Findings, clock: Clock) -> list[Block]:
    chosen = _chosen(findings)
    rows = tuple(
        (
            str(number + 1),
            clock.moment(run.start_ms),
            clock.until(run.start_ms, run.end_ms),
            words.span((run.end_ms - run.start_ms) / 1000.0),
            _ended(run),
            words.amps(run.peak_amps),
            words.percent(run.peak_percent_of_limit),
            "in order" if run.starts_ok else "slow or too many",
        )
        for number, run in ((number, findings.runs[number]) for number in chosen)
    )
    counted = Counter(run.end_cause for run in findings.runs)
    told = words.listed([words.ends_counted(counted[cause], cause) for cause in ends.END_CAUSES if counted[cause]])
    left = len(findings.runs) - len(chosen)
    more = f" {words.count(left, 'ordinary run')} of them not shown here." if left else ""
    table = Table(
        "Runs of the fan",
        (
            Column("Run", 0.45, True), Column("From", 2.0), Column("To", 1.5), Column("It ran", 1.1),
            Column("How it ended", 2.0), Column("Highest leg", 0.9, True), Column("Of its limit", 0.8, True),
            Column("Starts", 0.9),
        ),
        rows,
        marked=tuple(at for at, number in enumerate(chosen) if findings.runs[number].end_cause not in _ORDINARY),
    )  # fmt: skip
    return [Paragraph(f"{words.count(len(findings.runs), 'run')}: {told}.{more}"), table]


def _ended(run: Run) -> str:
    said = words.ENDS.get(run.end_cause, run.end_cause)
    if run.end_cause in (ends.LOG_ENDED, ends.CANNOT_TELL):
        return said
    return f"{said} ({words.HOW_SURE.get(run.confidence, run.confidence)})"


def _chosen(findings: Findings) -> list[int]:
    """Places of the runs to be shown, in order of time."""
    places = range(len(findings.runs))
    if len(findings.runs) <= MOST_ROWS:
        return list(places)
    order = {cause: number for number, cause in enumerate(ends.END_CAUSES)}
    worse = sorted(places, key=lambda at: (order.get(findings.runs[at].end_cause, 0), -findings.runs[at].end_ms))
    return sorted(worse[:MOST_ROWS])


def _evidence(findings: Findings, clock: Clock) -> list[Block]:
    """In full for the worst end, and for others that were no ordinary stops."""
    order = [at for at in reversed(range(len(findings.runs))) if findings.runs[at].end_cause not in _ORDINARY]
    worst = findings.worst
    if worst is not None and findings.runs[worst].end_cause != ends.LOG_ENDED:
        order = [worst, *(at for at in order if at != worst)]
    blocks: list[Block] = []
    for at in order[:MOST_EVIDENCE]:
        run = findings.runs[at]
        blocks.append(Heading(f"Run {at + 1}, ended {clock.moment(run.end_ms)}: {_ended(run)}"))
        blocks.append(Listing(tuple(Item(words.sentence(one)) for one in run.evidence)))
    if blocks:
        blocks.insert(
            0,
            Paragraph(
                "How sure it is goes from sure over very likely and likely to possible. In the evidence, “device "
                "image” "
                "is the estimated heat of the overload device; “of setting squared” measures it in units of what its "
                "setting carries for ever: between 1.10 and 1.32 a device may open, above it will.",
                small=True,
            ),
        )
    return blocks


def _overloads(findings: Findings, clock: Clock) -> list[Block]:
    if not findings.overloads:
        return [
            Heading("Times over the limit"),
            Paragraph("None: the highest leg was never over its limit for longer than two minutes."),
        ]
    worst_first = sorted(findings.overloads, key=lambda spell: -spell.seconds)
    shown = sorted(worst_first[:MOST_ROWS], key=lambda spell: spell.start_ms)
    left = len(findings.overloads) - len(shown)
    blocks: list[Block] = [Heading("Times over the limit")]
    if left:
        blocks.append(Paragraph(f"The {len(shown)} longest of {len(findings.overloads)}."))
    blocks.append(
        Table(
            "Times over the limit",
            (Column("From", 1.6), Column("To", 1.6), Column("Over it for", 1.0, True), Column("At worst", 1.2, True)),
            tuple(
                (
                    clock.moment(spell.start_ms),
                    clock.until(spell.start_ms, spell.end_ms),
                    words.span(spell.seconds),
                    f"{words.percent(spell.peak_percent_of_limit)} of limit",
                )
                for spell in shown
            ),
        )
    )
    return blocks


def alarms(findings: Findings, clock: Clock) -> Section:
    """What the watch would have told, or told, at the time."""
    name, title = "alarms", "Alarms"
    if not findings.alarms:
        return Section(name, title, (Paragraph("The watch raised no alarm in this time."),))
    shown = findings.alarms if len(findings.alarms) <= MOST_ROWS else findings.alarms[-MOST_ROWS:]
    counted = Counter(_condition(alarm.id) for alarm in findings.alarms)
    summary = words.listed([f"{what} {words.times(number)}" for what, number in counted.most_common()])
    lead = f"{words.sentence(summary)} Each with its own delay, so that a start or a gust raises none."
    if len(shown) < len(findings.alarms):
        lead += f" Below are the last {len(shown)}."
    rows = tuple(
        (
            _capital(_condition(alarm.id)),
            clock.moment(alarm.raised_ms),
            "still stands at the end" if alarm.cleared_ms is None else clock.until(alarm.raised_ms, alarm.cleared_ms),
            NOT_KNOWN if alarm.cleared_ms is None else words.span((alarm.cleared_ms - alarm.raised_ms) / 1000.0),
            alarm.priority,
        )
        for alarm in shown
    )
    table = Table(
        "Alarms",
        (
            Column("Alarm", 2.2),
            Column("Raised", 1.7),
            Column("Cleared", 1.5),
            Column("Stood for", 0.9, True),
            Column("Priority", 0.8),
        ),
        rows,
    )
    return Section(name, title, (Paragraph(lead), table))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _condition(alarm: str) -> str:
    row = BY_ID.get(alarm)
    return row.words if row is not None else alarm.replace("-", " ")
