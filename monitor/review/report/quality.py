"""How far the log can be trusted: how it was read, what was refused, what is missing."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from monitor.review.findings import JUDGED, Findings
from monitor.review.report import words
from monitor.review.report.blocks import Block, Column, Heading, Item, Listing, Paragraph, Section, Table
from monitor.review.report.words import Clock
from monitor.watch.layout import UNBALANCE_UNKNOWN

MOST_ROWS = 20

_NAMES: Mapping[str, str] = {
    "separator": "Separator",
    "columns": "Columns",
    "zone": "Time zone of its times",
    "period_seconds": "Time between readings",
    "decimal": "Decimal mark",
    "encoding": "Characters",
    "time_format": "Form of its times",
    "unit": "Unit of its amps",
    "units": "Units",
    "source": "Source",
}
_SEPARATORS: Mapping[str, str] = {",": "comma", ";": "semicolon", "\t": "tab", " ": "spaces", "|": "bar"}


def section(findings: Findings, clock: Clock, units: str) -> Section:
    """Everything about the quality of the data."""
    blocks: list[Block] = [*_summary(findings, clock), *_how_read(findings), *_refused(findings)]
    blocks += [*_channels(findings, units), *_gaps(findings, clock)]
    return Section("quality", "Data quality", tuple(blocks))


def _summary(findings: Findings, clock: Clock) -> list[Block]:
    log = findings.log
    if not len(log):
        said = "No readings."
    else:
        used = words.count(len(log), "reading")
        said = f"{used} used, from {clock.moment(float(log.t_ms[0]))} to {clock.moment(float(log.t_ms[-1]))}."
        if len(log) > 2:
            said += f" Mostly one every {_seconds(float(np.median(np.diff(log.t_ms))) / 1000.0)}."
    said += f" {words.count(log.rejected, 'line or reading', 'lines or readings')} refused.".replace(" no ", " No ")
    how = (
        "Judged as the watch judged it then, reading by reading in the order they arrived."
        if findings.how == JUDGED
        else "Judged as measured: all readings in order of their own time."
    )
    accuracy = findings.nameplate.logger
    clamp = (
        f"The clamps are taken to be right within {words.plain(accuracy.accuracy_percent)} % and "
        f"{words.plain(accuracy.accuracy_amps)} A."
    )
    return [Paragraph(f"{said} {how} {clamp}")]


def _seconds(seconds: float) -> str:
    return words.span(seconds) if seconds >= 1.0 and float(seconds).is_integer() else f"{seconds:.3g} s"


def _how_read(findings: Findings) -> list[Block]:
    how = findings.log.how_read
    rows = [
        (_NAMES.get(key, key.replace("_", " ").capitalize()), _value(key, value))
        for key, value in how.items()
        if key != "guesses" and value not in (None, "", {}, [])
    ]
    blocks: list[Block] = []
    if rows:
        blocks += [
            Heading("How the log was read"),
            Table("How the log was read", (Column("What", 1.0), Column("How", 3.0)), tuple(rows)),
        ]
    guesses = [str(guess) for guess in _listed(how.get("guesses"))]
    if guesses:
        blocks.append(Paragraph("Guessed while reading; each can be given on the command line instead:"))
        blocks.append(Listing(tuple(Item(words.sentence(guess)) for guess in guesses)))
    return blocks


def _value(key: str, value: Any) -> str:
    if key == "separator":
        return _SEPARATORS.get(str(value), str(value))
    if key == "period_seconds" and isinstance(value, int | float):
        return _seconds(float(value))
    if isinstance(value, Mapping):
        return "; ".join(f"{role}: {_value('', name)}" for role, name in value.items())
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(str(one) for one in value)
    return str(value)


def _listed(value: Any) -> list[Any]:
    return list(value) if isinstance(value, list | tuple) else [] if value is None else [value]


def _refused(findings: Findings) -> list[Block]:
    log = findings.log
    if not log.rejected:
        return []
    blocks: list[Block] = [Heading("What was refused")]
    if log.reasons:
        ranked = sorted(log.reasons.items(), key=lambda item: -item[1])[:MOST_ROWS]
        blocks.append(
            Table(
                "Refused, by reason", (Column("Reason", 4.0), Column("Number", 1.0, True)),
                tuple((reason[:1].upper() + reason[1:], f"{number:,}") for reason, number in ranked),
            )
        )  # fmt: skip
    if log.unread:
        shown = log.unread[:MOST_ROWS]
        told = "The first lines refused" if len(shown) < log.rejected else "The lines refused"
        blocks.append(
            Table(
                told,
                (Column("Line", 0.6, True), Column("Why", 5.0)),
                tuple((f"{one.line}", one.reason) for one in shown),
            )
        )
    return blocks


def _channels(findings: Findings, units: str) -> list[Block]:
    log = findings.log
    if not len(log):
        return []
    three = findings.nameplate.motor.phases == 3
    legs = [("Leg L1", log.amps[:, 0], "A"), ("Leg L2", log.amps[:, 1], "A"), ("Leg L3", log.amps[:, 2], "A")]
    lines = [
        ("Volts v12", log.volts[:, 0], "V"),
        ("Volts v23", log.volts[:, 1], "V"),
        ("Volts v31", log.volts[:, 2], "V"),
    ]
    if not three:
        legs, lines = [("Amps", log.amps[:, 0], "A")], [("Volts", log.volts[:, 0], "V")]
    rows = []
    for name, values, unit in [*legs, *lines, ("Air temperature", log.ambient_c, "°C")]:
        known = values[np.isfinite(values)]
        if len(known):
            share = 100.0 * len(known) / len(values)
            share_words = "all" if len(known) == len(values) else f"{share:.1f} %" if share < 99.95 else "nearly all"
            rows.append((name, share_words, _figure(known.min(), unit, units), _figure(known.max(), unit, units)))
        else:
            rows.append((name, "none: not measured", words.NOT_KNOWN, words.NOT_KNOWN))
    columns = (
        Column("Channel", 1.2), Column("Readings with a value", 1.8), Column("Least", 1.0, True),
        Column("Greatest", 1.0, True),
    )  # fmt: skip
    blocks: list[Block] = [Heading("What was measured"), Table("What was measured", columns, tuple(rows))]
    if three:
        unknown = (findings.judged.flags & UNBALANCE_UNKNOWN) > 0
        if unknown.all():
            blocks.append(
                Paragraph("Voltage unbalance is not known anywhere in this log, so the limit is not adjusted for it.")
            )
        elif unknown.any():
            blocks.append(
                Paragraph(
                    f"Voltage unbalance is not known for {100.0 * unknown.mean():.0f} % of the readings; there the "
                    f"limit is not adjusted for it."
                )
            )
    elif not np.isfinite(log.volts[:, 0]).any():
        blocks.append(Paragraph("Volts are not measured: what the supply does to the amps cannot be told."))
    return blocks


def _figure(value: float, unit: str, units: str) -> str:
    return words.temperature(value, units) if unit == "°C" else f"{value:.4g} {unit}"


def _gaps(findings: Findings, clock: Clock) -> list[Block]:
    blocks: list[Block] = [Heading("Gaps")]
    if not findings.gaps:
        return [*blocks, Paragraph("None: nowhere more than three periods passed without a reading.")]
    total = sum(gap.to_ms - gap.from_ms for gap in findings.gaps) / 1000.0
    longest = sorted(findings.gaps, key=lambda gap: gap.from_ms - gap.to_ms)[:MOST_ROWS]
    shown = sorted(longest, key=lambda gap: gap.from_ms)
    said = f"{words.count(len(findings.gaps), 'gap')} of more than three periods, {words.span(total)} in all."
    if len(shown) < len(findings.gaps):
        said += f" The {len(shown)} longest:"
    said += (
        " Delays stand still in a gap, and nothing is said of what was in it. In the plots they are hatched crosswise."
    )
    rows = tuple(
        (clock.moment(gap.from_ms), clock.until(gap.from_ms, gap.to_ms), words.span((gap.to_ms - gap.from_ms) / 1000.0))
        for gap in shown
    )
    return [
        *blocks,
        Paragraph(said),
        Table("Gaps", (Column("From", 1.5), Column("To", 1.5), Column("Length", 1.0, True)), rows),
    ]
