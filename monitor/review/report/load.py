"""Where the amps came from, the degrees and inserts, and what would have happened otherwise."""

from __future__ import annotations

from functools import cache

import numpy as np

from monitor.blades.parts import Parts
from monitor.motor.unbalance import true_voltage_unbalance
from monitor.review.findings import Findings
from monitor.review.report import words
from monitor.review.report.blocks import (
    Block,
    Column,
    Facts,
    Heading,
    Item,
    Listing,
    Paragraph,
    Picture,
    Section,
    Table,
)
from monitor.review.report.pitch import degrees_words, for_coldest_night, longer, why_not
from monitor.review.report.plots import bars
from monitor.review.report.words import Clock

# --- where the amps came from --------------------------------------------------------------------------------------


def amps_section(findings: Findings, clock: Clock, units: str) -> Section:
    """The limit, the five parts, the causes."""
    blocks: list[Block] = []
    window, estimate = findings.window, findings.estimate
    if window is not None:
        blocks.append(
            Paragraph(
                f"Judged from the last half hour of running before the worst end, or less where it ran or was over its "
                f"limit for less: {clock.from_to(window.from_ms, window.to_ms)}."
            )
        )
    blocks += _limit(findings)
    blocks.append(Heading("From the limit to the highest leg"))
    if estimate.parts is None or estimate.highest is None:
        why = words.sentence(why_not(findings))
        blocks.append(Paragraph(f"This cannot be told apart here. {why}".strip()))
    else:
        blocks += _parts(findings, estimate.parts, estimate.highest)
    blocks += _causes(findings)
    return Section("amps", "Where the amps came from", tuple(blocks))


def _limit(findings: Findings) -> list[Block]:
    limit = findings.estimate.limit
    rows = [
        (
            factor.name[:1].upper() + factor.name[1:],
            words.amps(factor.value) if "amps" in factor.name else f"x {factor.value:.3g}",
            factor.source,
        )
        for factor in limit.factors
    ]
    rows.append(
        ("Adjusted limit", words.amps(limit.amps), f"{words.percent(limit.percent_of_full_load)} of full-load amps")
    )
    columns = Column("Factor", 1.2), Column("Value", 0.7, True), Column("From", 3.2)
    table = Table("What the motor may carry", columns, tuple(rows), marked=(len(rows) - 1,))
    notes = [words.sentence(note) for note in limit.notes]
    true = _true_unbalance(findings)
    if true is not None:
        notes.append(
            f"The true unbalance, negative over positive sequence (IEC 61000-4-30), is {words.small_percent(true)}."
        )
    blocks: list[Block] = [Heading("What the motor may carry"), table]
    if notes:
        blocks.append(Paragraph(" ".join(notes), small=True))
    return blocks


def _true_unbalance(findings: Findings) -> float | None:
    """V2/V1 of the mean voltages of the window [%]."""
    if findings.window is None or findings.nameplate.motor.phases != 3:
        return None
    t = findings.log.t_ms
    volts = findings.log.volts[(t >= findings.window.from_ms) & (t <= findings.window.to_ms)]
    if not len(volts) or not bool(np.isfinite(volts).any(axis=0).all()):
        return None
    v12, v23, v31 = (float(volt) for volt in np.nanmean(volts, axis=0))
    value = true_voltage_unbalance(v12, v23, v31)
    return float(value) if np.isfinite(value) else None


def _parts(findings: Findings, parts: Parts, highest: float) -> list[Block]:
    estimate = findings.estimate
    limit = estimate.limit.amps
    named = dict(parts.named())
    over = highest - limit
    rows = [(words.PARTS[name], words.signed_amps(named[name])) for name, _, _ in bars.STEPS]
    rows.append(("Together: highest leg less limit", words.signed_amps(over)))
    said = ", ".join(f"{words.PARTS[name]} {words.signed_amps(named[name])}" for name, _, _ in bars.STEPS)
    blocks: list[Block] = [
        Picture(
            "waterfall",
            f"From the limit of {words.amps(limit)} to the highest leg of {words.amps(highest)} in steps: {said}.",
            "From the limit (top) to the highest leg (bottom). Hatched bars add amps, empty bars take some off.",
            cache(lambda size: bars.waterfall(estimate, size)),
        ),
        Table(
            "Where the amps came from",
            (Column("Part", 3.0), Column("Amps", 1.0, True)),
            tuple(rows),
            marked=(len(rows) - 1,),
        ),
    ]
    if parts.one_supply_unbalance and parts.supply_unbalance >= 0.05:
        blocks.append(
            Paragraph(
                f"The voltage unbalance explains the spread of the legs. Together with what it takes from the limit it "
                f"accounts for {words.amps(parts.supply_unbalance)}."
            )
        )
    return blocks


def _causes(findings: Findings) -> list[Block]:
    blocks: list[Block] = [Heading("Likely causes, the main one first")]
    if not findings.causes:
        return [*blocks, Paragraph("No excess was found in that time, so there is no cause to name.")]
    for number, cause in enumerate(findings.causes, start=1):
        name = words.CAUSES.get(cause.cause, cause.cause)
        share = (
            f" {words.amps(cause.share_amps)} between the highest leg and the limit."
            if cause.share_amps >= 0.05
            else ""
        )
        evidence = " ".join(words.sentence(one) for one in cause.evidence)
        blocks.append(
            Facts(
                (
                    (f"Cause {number}", f"{name[:1].upper()}{name[1:]}.{share}"),
                    ("Evidence", evidence),
                    ("What would confirm it", words.sentence(cause.confirm_by)),
                )
            )
        )
    return blocks


# --- degrees -------------------------------------------------------------------------------------------------------


def degrees_section(findings: Findings, units: str) -> Section:
    """The inserts, what each would draw and cost."""
    pitch = findings.estimate.pitch
    blocks: list[Block] = []
    if findings.window is None:
        blocks.append(Paragraph("The fan did not run, so nothing can be said about its pitch."))
        return Section("degrees", "Degrees and inserts", tuple(blocks))
    blocks.append(Paragraph(" ".join(degrees_words(findings, units))))
    if pitch.options:
        blocks += _inserts(findings, units)
    worth = pitch.worth
    blocks.append(
        Paragraph(
            f"A degree is worth about {worth.mean:.2g} A here, {worth.low:.2g} to {worth.high:.2g} A in nine of ten "
            f"cases "
            f"({worth.source}). It fails in stall, where amps are high and unsteady."
        )
    )
    said = [word for word in findings.estimate.words if word not in findings.estimate.limit.notes]
    if said:
        blocks += [Heading("To be said beside it"), Listing(tuple(Item(words.sentence(word)) for word in said))]
    blocks += _checks(findings)
    return Section("degrees", "Degrees and inserts", tuple(blocks))


def _inserts(findings: Findings, units: str) -> list[Block]:
    estimate, fan = findings.estimate, findings.nameplate.fan
    options, columns = estimate.pitch.options, estimate.pitch.columns
    assert columns is not None  # there are options
    rows, marked = [], []
    for at, option in enumerate(options):
        name = words.plain(option.pitch)
        if option.degrees == 0.0:
            name += " (now)"
        said = []
        if estimate.pitch.as_is is not None and estimate.pitch.as_is.pitch == option.pitch:
            said.append("as it is")
        if estimate.pitch.supply_right is not None and estimate.pitch.supply_right.pitch == option.pitch:
            said.append("with the supply right")
        if said:
            name += f": enough {', and '.join(said)}"
            marked.append(at)
        rows.append(
            (
                name,
                words.degrees(option.degrees) if option.degrees else words.NOT_KNOWN,
                words.amps(option.amps),
                f"{words.amps(option.low).removesuffix(' A')} to {words.amps(option.high)}",
                "no limit given" if option.chance is None else words.chance(option.chance),
                words.chance(option.chance_supply_right),
                f"{option.airflow_percent:.0f} %",
                f"{longer(option):.0f} % longer" if option.degrees else words.NOT_KNOWN,
            )
        )
    coldest = fan.coldest_expected_c
    night, when = "the air of that half hour", "in the same air"
    if for_coldest_night(findings):
        night, when = f"air of {words.temperature(coldest or 0.0, units)}", "on the coldest night"
    said_alt = "; ".join(f"insert {words.plain(one.pitch)}: {words.amps(one.amps)}" for one in options)
    target = columns[0].target
    return [
        Table(
            "Inserts on hand",
            (
                Column("Insert", 1.5), Column("Less", 1.0), Column(f"Highest leg {when}", 1.0, True),
                Column("Nine of ten within", 1.3, True), Column("Chance as it is", 0.9, True),
                Column("Chance, supply right", 0.9, True), Column("Air left", 0.7, True),
                Column("Drying takes", 1.0, True),
            ),
            tuple(rows),
            marked=tuple(marked),
        ),
        Paragraph(
            f"Highest leg in {night}. Chance: to stay under the target, {words.plain(fan.target_margin_percent)} % "
            f"below the limit, "
            f"which is {words.amps(target)} as it is and {words.amps(columns[1].target)} with the supply put right. "
            "An insert is called enough from a chance of 90 % on. Air and drying time are estimates (2.5 to 4.3 % of "
            "the air a degree).",
            small=True,
        ),
        Picture(
            "inserts",
            f"Highest leg {when} by insert: {said_alt}; limit {words.amps(estimate.limit.amps)}, "
            f"target {words.amps(target)}.",
            f"What each insert would draw {when}. Dots left of the dotted line reach the target.",
            cache(lambda size: bars.inserts(estimate, size, when)),
        ),
    ]  # fmt: skip


def _checks(findings: Findings) -> list[Block]:
    items = []
    for check in findings.estimate.checks:
        done = " (on the service record)" if check.name in findings.estimate.done else ""
        items.append(Item(f"{check.how} {check.finding}", f"{check.name[:1].upper()}{check.name[1:]}{done}."))
    if not items:
        return []
    return [
        Heading("Checks before any pitch is taken out, and what they would mean"),
        Listing(tuple(items), ordered=True),
    ]


# --- what if -------------------------------------------------------------------------------------------------------


def what_if_section(findings: Findings, clock: Clock) -> Section:
    """The same log with something changed."""
    name, title = "what-if", "What if"
    if not findings.what_if:
        return Section(name, title, (Paragraph("Nothing was tried: there is too little steady running to go by."),))
    rows = tuple(
        (
            one.change[:1].upper() + one.change[1:],
            "cannot be told" if one.trips is None else "trips" if one.trips else "does not trip",
            clock.moment(one.at_ms) if one.trips and one.at_ms is not None else words.NOT_KNOWN,
            _margin(one.margin),
        )
        for one in findings.what_if
    )
    said = dict.fromkeys(word for one in findings.what_if for word in one.words if word not in one.change)
    beside = (Listing(tuple(Item(words.sentence(word)) for word in said)),) if said else ()
    return Section(
        name,
        title,
        (
            Paragraph(
                "The same log once more with one thing changed, through the same estimate of the overload device at "
                "the "
                "whole time of its class. Real devices may open sooner. A higher setting is tried no further than the "
                "electrical code allows, and is never a remedy."
            ),
            Table(
                "The same log with one thing changed",
                (
                    Column("Change", 2.4),
                    Column("Overload device", 1.2),
                    Column("When", 1.5),
                    Column("Margin at its load", 1.4, True),
                ),
                rows,
            ),
            *beside,
        ),
    )


def _margin(margin: float) -> str:
    if not np.isfinite(margin):
        return words.NOT_KNOWN
    return f"{100.0 * margin:.0f} %" if margin > -0.005 else f"{-100.0 * margin:.0f} % over the limit"
