"""What readings that came late have shown: one notice, in the same order as all others.

Such a notice is no alarm: what it tells of is over or is told by the live watch, nothing is raised and nothing has to
be acknowledged. It says what happened, when it happened and when it was heard.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms import figures
from monitor.alarms.characters import clean, fold, shorten
from monitor.alarms.data import plain, rfc3339
from monitor.alarms.long_form import FOOTER
from monitor.alarms.short_form import (
    ADDRESS,
    DEGREES,
    FIGURES,
    FIRST_STEP,
    MORE_FIGURES,
    NAME_AT_MOST,
    NAMES,
    SHORT_AT_MOST,
    WHY,
    Piece,
    fit,
)
from monitor.alarms.texts import Texts
from monitor.alarms.verdicts import verdict
from monitor.alarms.wording import SUBJECT_AT_MOST

KIND = "found-late"
"""Kind of the notice."""
TOLD = ("tripped", "phase-lost", "supply-lost", "overload")
"""Conditions that are told when they are found late, the gravest first."""

_WAS = {
    "tripped": "tripped",
    "phase-lost": "one phase lost",
    "supply-lost": "supply lost",
    "overload": "over its limit",
}
_STANDS = {
    "tripped": "First shut off any heater. No reset before the cause is found: supply voltage, connections, bearings.",
    "phase-lost": "Do not start it: fuses, contacts and utility are for a licensed electrician.",
    "supply-lost": "First shut off any heater; then see whether there is power.",
    "overload": "First find out why it stands still; then check supply voltage, connections and bearings.",
}
_RUNS = {
    "tripped": "First find the cause before it trips again: supply voltage, connections and bearings.",
    "phase-lost": "First have fuses, contacts and supply looked at by a licensed electrician.",
    "supply-lost": "See that every fan of this supply runs again and none turns backwards.",
    "overload": "First look at its amps now; then check supply voltage, connections and bearings.",
}


@dataclass(frozen=True)
class Finding:
    """Something that happened while nothing was heard."""

    condition: str
    """One of TOLD."""
    since: datetime
    """When it began [event time]."""
    until: datetime | None = None
    """When it was over [event time]; None: it still was so when the fan was heard again, or it is a trip."""
    peak: float | None = None
    """For an overload the highest load ratio."""
    end_cause: str | None = None
    """How the run ended, for a trip and for a lost supply that only a verdict shows."""
    confidence: str | None = None
    """How sure that is."""
    evidence: tuple[str, ...] = ()
    """Sentences with figures; the first one is the verdict in words."""


@dataclass(frozen=True)
class FoundLate:
    """What a gap in a fan's readings held, once it was filled."""

    point_id: int
    """Of the fan."""
    site: str
    fan: str
    """As in the register."""
    site_name: str
    """As people call it."""
    time_zone: ZoneInfo
    """Of the site."""
    silent_from: datetime
    """Last reading before the gap ..."""
    silent_to: datetime
    """... and the first after it [event time]."""
    now: datetime
    """When it was found [wall time]."""
    findings: tuple[Finding, ...]
    """At least one, the gravest first."""
    priority: str
    rings: bool
    running: bool | None
    """Whether the fan runs now."""
    page: str | None = None
    """Address of the fan's page."""
    cautions: tuple[str, ...] = ()
    """Sentences, the most pressing first."""


def gravest_first(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The order in which they are told."""
    return tuple(sorted(findings, key=lambda one: (TOLD.index(one.condition), one.since)))


# --- words -----------------------------------------------------------------------------------------------------


def subject(found: FoundLate) -> str:
    """Subject of a mail; one line, at most 120 characters."""
    names = tuple(f"{_who(found, most)}:" for most in (60, 40, 26, 20, 14))
    return fit([Piece(names, (NAMES,)), Piece((f"found late: {_what(found, found.findings[0])}",), (FIGURES,))],
               SUBJECT_AT_MOST)  # fmt: skip


def short(found: FoundLate) -> str:
    """The short form: one line of under 300 characters."""
    first, *others = found.findings
    names = Piece(tuple(f"{_who(found, most)}:" for most in NAME_AT_MOST), (NAMES,))
    heard = figures.moment(found.now, found.now, found.time_zone)
    said = verdict(first.end_cause, first.confidence) or ""
    also = "; ".join(_what(found, one) for one in others)
    return fit(
        [
            names,
            Piece((f"FOUND LATE: {_what(found, first)} (heard {heard}).",), (FIGURES,)),
            Piece((said, ""), (WHY,)),
            Piece((f"Also {also}." if also else "", ""), (MORE_FIGURES,)),
            Piece((_now(found), ""), (MORE_FIGURES,)),
            Piece((_first_step(found),), (FIRST_STEP,)),
            Piece((f"No readings came from {_gap(found)}.", ""), (DEGREES,)),
            Piece((found.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )


def long(found: FoundLate) -> str:
    """The long form: plain text for a mail."""
    heard = figures.moment(found.now, found.now, found.time_zone)
    name = f"{_fan_name(found)} at {clean(found.site_name) or found.site}"
    first, *others = found.findings
    lines = [f"{name}: found late, {_what(found, first)}.", *map(clean, first.evidence)]
    for one in others:
        lines += [f"Also {_what(found, one)}.", *map(clean, one.evidence)]
    lines += [
        "",
        f"No readings came from {_gap(found)}. They came late, and this was found in them: heard {heard}.",
        *([_now(found)] if _now(found) else []),
        "This is no alarm: nothing has to be acknowledged, and the live watch goes on as it was.",
        "",
        _first_step(found),
        "",
        *(["Before you touch anything:", *(f"- {one}" for one in found.cautions), ""] if found.cautions else []),
        *([f"Its page: {found.page}"] if found.page else []),
        f"Priority {found.priority}. Times are local at the site.",
        FOOTER,
    ]
    return "\n".join(lines) + "\n"


def data(found: FoundLate) -> dict[str, Any]:
    """The notice for machines: kind, site, fan, priority, rings, silent_from, silent_to, heard, running, page and
    findings (condition, since, until, peak, end_cause, confidence, evidence). Times are RFC 3339 in UTC."""
    return {
        "kind": KIND,
        "site": found.site,
        "fan": found.fan,
        "site_name": plain(found.site_name),
        "priority": found.priority,
        "rings": found.rings,
        "silent_from": rfc3339(found.silent_from),
        "silent_to": rfc3339(found.silent_to),
        "heard": rfc3339(found.now),
        "running": found.running,
        "page": found.page,
        "findings": [as_json(one) for one in found.findings],
    }


def as_json(finding: Finding) -> dict[str, Any]:
    """One finding as it is sent and stored."""
    return {
        "condition": finding.condition,
        "since": rfc3339(finding.since),
        "until": rfc3339(finding.until),
        "peak": plain(finding.peak),
        "end_cause": finding.end_cause,
        "confidence": finding.confidence,
        "evidence": list(finding.evidence),
    }


def texts(found: FoundLate) -> Texts:
    """The words of the notice."""
    return Texts(subject(found), short(found), long(found), data(found))


def key(found: FoundLate) -> str:
    """What it is told under: fan and gap, so that what is told again after a crash is the same notice.

    Returns
    -------
    e.g. "7-1791090000000"
    """
    return f"{found.point_id}-{int(found.silent_from.timestamp() * 1000)}"


def _what(found: FoundLate, one: Finding) -> str:
    """`over its limit from 01:58 to 02:31, 112 % at worst`."""
    since = figures.moment(one.since, found.now, found.time_zone)
    if one.condition == "tripped":
        return f"tripped at {since}"
    words = _WAS[one.condition]
    if one.until is None:
        when = f"since {since}"
    else:
        until = figures.moment(one.until, one.since, found.time_zone)
        when = f"at {since}" if until == since[-5:] else f"from {since} to {until}"
    worst = figures.percent(None if one.peak is None else 100.0 * one.peak) if one.condition == "overload" else None
    return f"{words} {when}" + (f", {worst} at worst" if worst else "")


def _gap(found: FoundLate) -> str:
    begin = figures.moment(found.silent_from, found.now, found.time_zone)
    return f"{begin} to {figures.moment(found.silent_to, found.silent_from, found.time_zone)}"


def _now(found: FoundLate) -> str:
    return {True: "It runs now.", False: "It stands still now.", None: ""}[found.running]


def _first_step(found: FoundLate) -> str:
    return (_RUNS if found.running else _STANDS)[found.findings[0].condition]


def _fan_name(found: FoundLate) -> str:
    name = clean(found.fan)
    return name if any(character.isalpha() for character in name) else f"Fan {name}"


def _who(found: FoundLate, most: int) -> str:
    site = fold(clean(found.site_name) or found.site)
    return f"{shorten(fold(_fan_name(found)), most)}, {shorten(site, most)}"
