"""Puts a report together: the first page, then the parts for who has to be certain."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from monitor import __version__
from monitor.errors import ConfigError, Fault
from monitor.review.findings import Findings, Run, Span
from monitor.review.report import events, first_page, headline, load, method, quality, words
from monitor.review.report.blocks import Block, Heading, Paragraph, Picture, Report, Section
from monitor.review.report.characters import all_safe, safe
from monitor.review.report.plots import series
from monitor.review.report.words import SI, US, Clock
from monitor.watch import ends

CLOSE_UP_MS = (4.0 * 3_600_000.0, 1.0 * 3_600_000.0)
"""A close look goes from so long before the moment that counts to so long after it."""
CHAIN_MS = 4.0 * 3_600_000.0
"""Ends alike that follow each other within this are looked at together, the first with what led to it ..."""
LONGEST_CHAIN_MS = 12.0 * 3_600_000.0
"""... up to this."""
CLOSE_UP_FROM_MS = 9.0 * 3_600_000.0
"""Logs longer than this get one."""


def compose(findings: Findings, *, units: str = US, zone: str | None = None) -> Report:
    """The report as data, every text safe to print.

    Raises
    ------
    ConfigError : units or a time zone that do not exist; matplotlib is not installed
    """
    if units not in (US, SI):
        raise ConfigError("the report cannot be made:", [Fault("units", '"us" or "si"', repr(units))])
    clock = Clock(_zone(findings, zone), _years(findings, _zone(findings, zone)))
    said = headline.headline(findings, clock)
    sections = (
        events.section(findings, clock),
        _over_time(findings, clock),
        load.amps_section(findings, clock, units),
        load.degrees_section(findings, units),
        load.what_if_section(findings, clock),
        events.alarms(findings, clock),
        quality.section(findings, clock, units),
        method.section(findings, units, __version__),
        method.cautions(findings),
    )
    name = fan_name(findings)
    return all_safe(
        Report(
            title=f"{name}: review of its log, {_days(findings, clock)}",
            headline=said.text,
            lead=said.lead,
            tone=said.tone,
            first=first_page.blocks(findings, clock, units),
            sections=sections,
            foot=f"{name}, {_days(findings, clock)}. Advice from a log; no motor protection.",
        ),
        lambda text: words.in_units(clock.localised(text), units),
    )


def fan_name(findings: Findings) -> str:
    """What the fan is called, short enough for a heading."""
    name = safe(findings.log.name).strip() or "Fan without a name"
    name = name if len(name) <= 80 else f"{name[:76].rstrip()} …"
    # Letters written from right to left keep to themselves: what follows a name stays where it is.
    return f"Fan {name}" if not name.lower().startswith("fan") else name


def _zone(findings: Findings, zone: str | None) -> ZoneInfo:
    """The zone asked for, else the one the log was read in, else UTC."""
    asked = zone if zone is not None else _said(findings.log.how_read, "zone")
    try:
        return ZoneInfo(asked or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError) as exc:
        if zone is None:
            return ZoneInfo("UTC")
        fault = Fault("zone", "a time zone such as America/Chicago", repr(zone))
        raise ConfigError("the report cannot be made:", [fault]) from exc


def _said(how_read: Mapping[str, Any], key: str) -> str | None:
    value = how_read.get(key)
    return value if isinstance(value, str) else None


def _years(findings: Findings, zone: ZoneInfo) -> bool:
    if not len(findings.log):
        return False
    clock = Clock(zone)
    return clock.there(float(findings.log.t_ms[0])).year != clock.there(float(findings.log.t_ms[-1])).year


def _days(findings: Findings, clock: Clock) -> str:
    if not len(findings.log):
        return "no readings"
    first, last = clock.date(float(findings.log.t_ms[0])), clock.date(float(findings.log.t_ms[-1]))
    return first if first == last else f"{first} to {last}"


# --- plots over time ---------------------------------------------------------------------------------------------


def close_up(findings: Findings) -> Span | None:
    """The hours worth a closer look; None where the log is short or nothing stands out."""
    if not len(findings.log):
        return None
    first, last = float(findings.log.t_ms[0]), float(findings.log.t_ms[-1])
    if last - first <= CLOSE_UP_FROM_MS:
        return None
    run = headline.worst_run(findings)
    if run is not None and run.end_cause not in (ends.STOPPED, ends.LOG_ENDED):
        return Span(max(first, _chain_begin(findings, run) - CLOSE_UP_MS[0]), min(last, run.end_ms + CLOSE_UP_MS[1]))
    if findings.overloads:
        worst = max(findings.overloads, key=lambda spell: spell.peak_percent_of_limit)
        at = min(worst.end_ms, worst.start_ms + CLOSE_UP_MS[0] / 2.0)
        return Span(max(first, at - CLOSE_UP_MS[0]), min(last, at + CLOSE_UP_MS[1]))
    return None


def _chain_begin(findings: Findings, run: Run) -> float:
    """The first of the ends alike that led to this one by resets and new starts [ms]."""
    begin = run.end_ms
    for one in reversed(findings.runs):
        if one.end_cause == run.end_cause and one.end_ms < begin:
            if begin - one.end_ms > CHAIN_MS or run.end_ms - one.end_ms > LONGEST_CHAIN_MS:
                break
            begin = one.end_ms
    return begin


def _over_time(findings: Findings, clock: Clock) -> Section:
    name, title = "plots", "Amps, volts and heat over time"
    log = findings.log
    if len(log) < 2:
        return Section(name, title, (Paragraph("There are too few readings to draw."),))
    whole = Span(float(log.t_ms[0]), float(log.t_ms[-1]))
    near = close_up(findings)
    blocks: list[Block] = []
    if near is not None:
        blocks.append(Heading(f"A closer look: {clock.from_to(near.from_ms, near.to_ms)}"))
        blocks += _plots(findings, near, clock, "near")
        blocks.append(Heading("The whole log"))
    blocks += _plots(findings, whole, clock, "all")
    return Section(name, title, tuple(blocks))


def _plots(findings: Findings, span: Span, clock: Clock, name: str) -> list[Block]:
    blocks: list[Block] = []
    zone = clock.zone
    log, judged = findings.log, findings.judged
    rows = slice(int(np.searchsorted(log.t_ms, span.from_ms)), int(np.searchsorted(log.t_ms, span.to_ms, side="right")))
    during = clock.from_to(span.from_ms, span.to_ms)
    if np.isfinite(judged.highest[rows]).any():
        said = f"{_said_of_amps(findings, rows)} {_said_of_ends(findings, span, clock)}".strip()
        blocks.append(
            Picture(
                f"amps-{name}",
                f"Amps against the limit, {during}. {said}",
                "Highest leg against the limit, adjusted for voltage unbalance. Dotted uprights: ends of runs."
                + (" Hatched crosswise: nothing was read." if findings.gaps else ""),
                cache(lambda size: series.amps(findings, span, size, zone)),
            )
        )
    else:
        blocks.append(Paragraph("There are no amps to draw."))
    volts = log.volts[rows]
    if np.isfinite(volts).any():
        known = volts[np.isfinite(volts)]
        three = findings.nameplate.motor.phases == 3
        unbalance = judged.unbalance[rows]
        most = (
            f" Greatest unbalance {words.small_percent(float(np.nanmax(unbalance)))}."
            if np.isfinite(unbalance).any()
            else ""
        )
        blocks.append(
            Picture(
                f"volts-{name}",
                f"Volts, {during}: from {known.min():.0f} to {known.max():.0f} V; rated "
                f"{words.plain(findings.nameplate.motor.rated_voltage)} V.{most}",
                "Line voltages" + (" and, below, their unbalance." if three else "."),
                cache(lambda size: series.volts(findings, span, size, zone)),
            )
        )
    else:
        blocks.append(Paragraph("Volts were not measured in this time, so there is nothing to draw of them."))
    if np.isfinite(judged.motor_heat[rows]).any():
        blocks.append(
            Picture(
                f"heat-{name}",
                f"Estimated heat, {during}. {_said_of_heat(findings, rows)}",
                "Estimated heat; the second line where they part: had it stopped as late as the readings allow.",
                cache(lambda size: series.images(findings, span, size, zone)),
            )
        )
        if not np.isfinite(judged.device_heat).any():
            blocks.append(
                Paragraph(
                    "Of the overload device nothing is drawn: its setting is not registered, or its trip point is "
                    "not known."
                )
            )
    return blocks


def _said_of_amps(findings: Findings, rows: slice) -> str:
    highest, ratio = findings.judged.highest[rows], findings.judged.ratio[rows]
    over = int((ratio >= 1.0).sum())
    most, limit = words.amps(float(np.nanmax(highest))), words.amps(findings.estimate.limit.amps)
    above = f"{words.count(over, 'reading')} over it" if over else "no reading over it"
    return f"The highest leg goes up to {most}; limit {limit}, {above}."


def _said_of_ends(findings: Findings, span: Span, clock: Clock) -> str:
    seen = [
        run for run in findings.runs if span.from_ms <= run.end_ms <= span.to_ms and run.end_cause != ends.LOG_ENDED
    ]
    if not seen:
        return ""
    told = [f"{words.ENDS_SHORT[run.end_cause]} {clock.moment(run.end_ms)}" for run in seen[-5:]]
    return f"Ends of runs: {'; '.join(told)}."


def _said_of_heat(findings: Findings, rows: slice) -> str:
    said = []
    for name, values in (
        ("motor", findings.judged.motor_heat[rows]),
        ("overload device", findings.judged.device_heat[rows]),
    ):
        if np.isfinite(values).any():
            said.append(f"The {name} reached {100.0 * float(np.nanmax(values)):.0f} % of its trip level.")
    return " ".join(said)
