"""The findings in some twenty lines for a person at a terminal: what happened, why, what to check, degrees."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any

from monitor.blades.degrees import NONE_NEEDED
from monitor.blades.estimate import AIR_NOT_KNOWN
from monitor.blades.window import DEGREES_FOLLOW
from monitor.errors import ConfigError
from monitor.review.doubts import doubts, no_cause
from monitor.review.files.zone import zone_of
from monitor.review.findings import Findings, Run, WhatIf
from monitor.review.what_if import AS_IT_WAS, OTHERWISE, POSSIBLY
from monitor.watch import ends

WIDTH = 110
MOST_SHOWN = 5
"""Runs, guesses and reasons that are listed; of more the number is told."""
WATCHES = (
    "It watches and advises; it is no motor protection. Supply work and overload settings: a licensed electrician."
)


def summary(found: Findings) -> str:
    """The findings as plain text; times by the clock of the log where that is known, else in UTC."""
    head, parts = sections(found)
    lines = textwrap.wrap(head, WIDTH)
    for title, texts in parts:
        lines += ["", title]
        for text in texts:
            lines += textwrap.wrap(text, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return "\n".join([*lines, "", *textwrap.wrap(WATCHES, WIDTH)])


def sections(found: Findings, zone: tzinfo | None = None) -> tuple[str, list[tuple[str, list[str]]]]:
    """What was reviewed in one line, and the findings as titles, each with its sentences.

    Parameters
    ----------
    zone : by whose clock times are told; None: as `summary`
    """
    zone = zone or _zone(found)
    parts = [
        ("What happened", list(_happened(found, zone))),
        ("Likely cause", list(_causes(found))),
        ("Check first", list(_checks(found))),
        ("Degrees", list(_degrees(found))),
        ("What if", [_what_if(one, zone) for one in found.what_if]),
        ("How it was read", list(_how_read(found))),
    ]
    return _head(found, zone), [(title, texts) for title, texts in parts if texts]


def _zone(found: Findings) -> tzinfo:
    try:
        return zone_of(str(found.log.how_read.get("zone") or "UTC"))
    except ConfigError:  # "as each time tells"
        return UTC


def _time(ms: float, zone: tzinfo) -> str:
    return f"{datetime.fromtimestamp(ms / 1000.0, UTC).astimezone(zone):%Y-%m-%d %H:%M:%S}"


def _head(found: Findings, zone: tzinfo) -> str:
    log = found.log
    if not len(log):
        return f"{log.name}: no readings"
    named = datetime.fromtimestamp(log.t_ms[0] / 1000.0, UTC).astimezone(zone).tzname() or "UTC"
    rejected = f"; {log.rejected:,} could not be used" if log.rejected else ""
    span = f"{_time(log.t_ms[0], zone)} to {_time(log.t_ms[-1], zone)} ({named})"
    readings = "1 reading" if len(log) == 1 else f"{len(log):,} readings"
    return f"{log.name}: {readings} from {span}{rejected}"


def _happened(found: Findings, zone: tzinfo) -> Iterator[str]:
    yield from doubts(found)
    if not len(found.log):
        yield "Not known: there are no readings of that time. What was imported is there once the service has run."
    elif not found.runs:
        yield "The fan did not run."
    for run in found.runs[-MOST_SHOWN:]:
        yield _run(run, zone)
    if len(found.runs) > MOST_SHOWN:
        counts = {cause: sum(run.end_cause == cause for run in found.runs) for cause in ends.END_CAUSES}
        told = ", ".join(f"{count} {cause}" for cause, count in counts.items() if count)
        yield f"These are the last {MOST_SHOWN} of {len(found.runs)} runs; how they ended: {told}."
    if found.worst is not None and found.worst < len(found.runs) - MOST_SHOWN:
        yield f"The worst: {_run(found.runs[found.worst], zone)}"
    if found.overloads:
        seconds = sum(spell.seconds for spell in found.overloads)
        peak = max(spell.peak_percent_of_limit for spell in found.overloads)
        times = "once" if len(found.overloads) == 1 else f"{len(found.overloads)} times"
        yield f"Over its limit {times}, {_for(seconds)} in all, at most {peak:.0f} % of it."
    if found.gaps:
        longest = max(gap.to_ms - gap.from_ms for gap in found.gaps) / 1000.0
        yield f"No readings in {len(found.gaps)} gap{'s' * (len(found.gaps) > 1)}, the longest of {_for(longest)}."


def _run(run: Run, zone: tzinfo) -> str:
    said = run.evidence[0] if run.evidence else f"{run.end_cause} ({run.confidence})"
    starts = "" if run.starts_ok else " Its start was slow, or one too many."
    figures = f"at most {run.peak_amps:.1f} A, {run.peak_percent_of_limit:.0f} % of its limit"
    return f"{_time(run.start_ms, zone)} to {_time(run.end_ms, zone)}, {figures}: {said}{starts}"


def _causes(found: Findings) -> Iterator[str]:
    if not found.causes:
        yield f"{no_cause(found)}."
    for number, cause in enumerate(found.causes, 1):
        share = f", {cause.share_amps:.1f} A" if cause.share_amps else ""
        yield f"{number}. {cause.cause}{share}: {'; '.join(text.rstrip('.') for text in cause.evidence)}."
    if found.causes:
        yield f"How to tell at the fan: {found.causes[0].confirm_by}"


def _checks(found: Findings) -> Iterator[str]:
    if not found.causes:
        return
    for check in found.estimate.checks:
        done = " (done, on its service record)" if check.name in found.estimate.done else ""
        yield f"{check.name}{done}: {check.how}"


def _degrees(found: Findings) -> Iterator[str]:
    pitch = found.estimate.pitch
    known = AIR_NOT_KNOWN not in found.estimate.words and found.nameplate.fan.coldest_expected_c is not None
    when = "on the coldest night" if known else "in air as cold as that of this log; colder air takes more amps"
    for name, picked, why in (
        ("On the supply as it is", pitch.as_is, pitch.as_is_why),
        ("With the supply put right", pitch.supply_right, pitch.supply_right_why),
    ):
        if picked is None:
            yield f"{name}: {why}{'' if known or why != NONE_NEEDED else f' {when}'}."
        else:
            word = "degree" if picked.degrees == 1 else "degrees"
            enough = f"{100.0 * picked.chance:.0f} % chance to be enough {when}"
            yield f"{name}: {picked.degrees:g} {word} less (insert {picked.pitch:g}), {enough}."
    if pitch.provisional and (pitch.as_is or pitch.supply_right):
        yield "Provisional until supply, connections and bearings are checked: the order of work is that above."
    if not found.runs:  # nothing was assumed, and the rest speaks of running
        return
    for word in found.estimate.words:
        said = "there is less than 3 min of running to go by" if word == DEGREES_FOLLOW else word
        yield f"{said[:1].upper()}{said[1:]}."


def _what_if(one: WhatIf, zone: tzinfo) -> str:
    trips = "cannot be said" if one.trips is None else "would not have tripped"
    if one.trips is None and one.change == AS_IT_WAS:
        trips = next((word for word in one.words if word in (POSSIBLY, *OTHERWISE.values())), trips)
    if one.trips:
        trips = f"would have tripped, by {_time(one.at_ms or 0.0, zone)} at the latest"
        if one.change == AS_IT_WAS:
            trips = f"tripped, {_time(one.at_ms or 0.0, zone)}"
    elif one.change == AS_IT_WAS and one.trips is False:
        trips = "did not trip"
    margin = "" if one.margin != one.margin else f", margin {round(100.0 * one.margin)} %"
    return f"{one.change}: {trips}{margin}"


def _how_read(found: Findings) -> Iterator[str]:
    how: Mapping[str, Any] = found.log.how_read
    if how.get("source") == "database":
        yield f"From the database, as {how['as']}; {how['late']} readings came late."
        yield from (f"It differs: {text}." for text in how.get("differs", []))
        return
    columns = ", ".join(f"{role} = {name}" for role, name in how.get("columns", {}).items())
    separator = f"Separator {how['separator']!r}, " if how.get("separator") else ""
    period = how.get("period_seconds")
    each = "" if period is None else f"a reading each {period:g} s, "
    yield f"{separator}{each}zone {how.get('zone')}, columns: {columns}."
    if how.get("clamp_corrections"):
        yield f"Amps corrected by the register: {'; '.join(how['clamp_corrections'])}."
    guesses = list(how.get("guesses", ()))
    yield from (f"Guessed: {text}." for text in guesses[:MOST_SHOWN])
    if len(guesses) > MOST_SHOWN:
        yield f"... and {len(guesses) - MOST_SHOWN} more."
    for reason, count in list(found.log.reasons.items())[:MOST_SHOWN]:
        yield f"Not used, {'once' if count == 1 else f'{count:,} times'}: {reason}."
    if found.log.unread:
        first = found.log.unread[0]
        yield f"The first of them: line {first.line}: {first.reason}."


def _for(seconds: float) -> str:
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"
