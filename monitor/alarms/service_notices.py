"""Notices about the watch itself: the service was down, its broker is away. While they hold no fan is watched.

Both say for how long, how many fans, what will be told of that time, and what to do; in this order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.alarms import figures, measures
from monitor.alarms.characters import clean, fold, shorten
from monitor.alarms.data import plain, rfc3339
from monitor.alarms.long_form import FOOTER, written
from monitor.alarms.short_form import (
    ADDRESS,
    FIGURES,
    FIRST_STEP,
    MORE_FIGURES,
    NICE_TO_KNOW,
    SHORT_AT_MOST,
    WHY,
    Piece,
    fit,
)
from monitor.alarms.texts import Texts
from monitor.alarms.wording import SUBJECT_AT_MOST

WAS_DOWN = "service-was-down"
BROKER_AWAY = "broker-away"
_NAME_AT_MOST = 24
"""To this names of sites are cut in the short form."""


@dataclass(frozen=True)
class Downtime:
    """The service did not run for a time, and runs again."""

    last_sign: datetime | None
    """When it last wrote that it runs [wall time, aware UTC]; None: not known, it may never have run before."""
    start: datetime
    """When it runs again [wall time, aware UTC]."""
    fans: int
    """How many fans it watches, out of service not counted."""
    sites: tuple[str, ...]
    """Names of their sites, as people call them."""
    time_zone: ZoneInfo
    """In which times are told: that of the first site, say."""
    name_zone: bool = False
    """Whether to name the time zone, where sites lie in more than one."""
    why: str | None = None
    """Why it was down, where that is known; goes on after "Why: ", e.g. `the computer was started anew, after a power
    failure or by hand`, `it was stopped in order and started again`."""
    broker_keeps: bool | None = None
    """Whether the broker kept readings meanwhile (a session of ours was there when we came back); None: not known
    yet."""
    page: str | None = None
    """Address of the Fans page."""


@dataclass(frozen=True)
class BrokerAway:
    """The connection to the broker is gone, or back."""

    since: datetime
    """When it went [wall time, aware UTC]."""
    now: datetime
    """When the notice is made [wall time, aware UTC]."""
    fans: int
    """How many fans are blind, out of service not counted."""
    sites: tuple[str, ...]
    """Names of their sites, as people call them."""
    broker: str
    """Where it is looked for, as set: `127.0.0.1:1883`; without user name and password."""
    time_zone: ZoneInfo
    """In which times are told."""
    name_zone: bool = False
    """Whether to name the time zone, where sites lie in more than one."""
    error: str | None = None
    """What the last try to connect came to, e.g. `connection refused`."""
    refused: bool = False
    """The broker answers, but lets the service not in (name, password, certificate)."""
    back: datetime | None = None
    """When the connection was back [wall time]; None: it is still gone."""
    page: str | None = None
    """Address of the Fans page."""


def service_was_down(down: Downtime) -> Texts:
    """That nobody watched for a time, sent when the service runs again."""
    blind = f"{_fans(down.fans)} not watched"
    subject = f"The fan monitor was down, {_down_span(down)}: {blind}", f"The fan monitor was down: {blind}"
    return Texts(
        fit([Piece(subject, (FIGURES,))], SUBJECT_AT_MOST),
        _down_short(down),
        _down_long(down),
        {
            "kind": WAS_DOWN,
            "last_sign": rfc3339(down.last_sign),
            "start": rfc3339(down.start),
            "seconds": None if down.last_sign is None else (down.start - down.last_sign).total_seconds(),
            "fans": down.fans,
            "sites": plain(down.sites),
            "why": plain(down.why),
            "broker_keeps": down.broker_keeps,
            "page": down.page,
        },
    )


def broker_away(away: BrokerAway) -> Texts:
    """That no reading can come, or that the connection is back."""
    subject = (
        f"The fan monitor has no connection to its broker: {_fans(away.fans)} not watched"
        if away.back is None
        else f"The fan monitor's broker is back: {_fans(away.fans)} watched again"
    )
    return Texts(
        subject,
        _away_short(away) if away.back is None else _back_short(away),
        _away_long(away) if away.back is None else _back_long(away),
        {
            "kind": BROKER_AWAY,
            "since": rfc3339(away.since),
            "back": rfc3339(away.back),
            "fans": away.fans,
            "sites": plain(away.sites),
            "broker": plain(away.broker),
            "error": plain(away.error),
            "refused": away.refused,
            "page": away.page,
        },
    )


# --- the service was down ---------------------------------------------------------------------------------------


_LOOK = "First see that every fan that should run does: a trip in that time was told to nobody."
_LOOK_SHORT = "First see that every fan runs."
_KEPT = {
    True: "Readings that the broker kept are judged now; a trip or an overload in them is told as found late.",
    None: "Readings kept by broker or loggers are judged as they come; a trip or an overload in them is told.",
    False: "The broker kept no readings; what loggers kept is judged when it comes.",
}


def _down_span(down: Downtime) -> str:
    if down.last_sign is None:
        return f"until {_moment(down.start, down.start, down)}{_zone(down)}"
    lasted = figures.span((down.start - down.last_sign).total_seconds())
    zone = f", {down.time_zone.key}" if down.name_zone else ""
    return f"{_moment(down.last_sign, down.start, down)} to {_moment(down.start, down.start, down)} ({lasted}{zone})"


def _down_short(down: Downtime) -> str:
    span = _down_span(down)
    span = f"from {span}" if down.last_sign else span
    blind = f"{_fans(down.fans)} {'was' if down.fans == 1 else 'were'} not watched"
    return fit(
        [
            Piece((f"The fan monitor was DOWN {span}: {blind}.",), (FIGURES,)),
            Piece(_sites_short(down.sites), (WHY,)),
            Piece((f"Why: {clean(down.why)}." if down.why else "", ""), (WHY,)),
            Piece(("It watches again.",), (FIGURES,)),
            Piece((_LOOK, _LOOK_SHORT), (FIRST_STEP,)),
            Piece((_KEPT[down.broker_keeps], ""), (MORE_FIGURES,)),
            Piece((down.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )


def _down_long(down: Downtime) -> str:
    last, start = down.last_sign, _moment(down.start, down.start, down)
    lasted = "" if last is None else figures.span((down.start - last).total_seconds())
    from_when = "not known" if last is None else f"{_moment(last, down.start, down)}, its last sign of life"
    return written(
        [
            ["The fan monitor was down and watches again."],
            [
                f"Not watched: {_fans(down.fans)}{_at(down.sites)}.",
                f"From: {from_when}.",
                f"To: {start}" + (f" ({lasted})." if lasted else "."),
                f"Why: {clean(down.why)}." if down.why else "Why: not known. Power, a restart or a fault.",
            ],
            [
                "What to do first:",
                "1. See that every fan that should run does. A trip in that time was told to nobody.",
                "2. Where one stands still: any heater's fuel off first, then find out why before it is started again.",
                "3. If nobody switched the monitor off, see to its power: a small battery supply keeps it watching.",
            ],
            [
                f"What becomes of that time: {_KEPT[down.broker_keeps]}",
                "What stood before it still stands, unless a reading says otherwise.",
            ],
            _end(down.page, down),
        ]
    )


# --- the broker is away -----------------------------------------------------------------------------------------


def _away_short(away: BrokerAway) -> str:
    since = _moment(away.since, away.now, away)
    broker = shorten(fold(clean(away.broker)), 40)
    first = (
        f"First see to the monitor's name, password and certificate at the broker ({broker}): it refuses them."
        if away.refused
        else f"First see that the broker's computer ({broker}) has power and network, then that the broker runs."
    )
    first_short = "First see to its password." if away.refused else "First see to the broker's power and network."
    blind = f"no reading can come, {_fans(away.fans)} NOT WATCHED"
    return fit(
        [
            Piece((f"NO CONNECTION TO THE BROKER since {since}{_zone(away)}: {blind}.",), (FIGURES,)),
            Piece(_sites_short(away.sites), (WHY,)),
            Piece((first, first_short), (FIRST_STEP,)),
            Piece(("Meanwhile look at the fans yourself.", ""), (MORE_FIGURES,)),
            Piece((f"Last try: {clean(away.error)}." if away.error else "", ""), (NICE_TO_KNOW,)),
            Piece((away.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )


def _away_long(away: BrokerAway) -> str:
    since = _moment(away.since, away.now, away)
    lasted = figures.span((away.now - away.since).total_seconds())
    steps = (
        (
            "Has the monitor's name or password been changed, here or at the broker?",
            "Has a certificate run out, or was the broker set up anew?",
        )
        if away.refused
        else (
            f"Has the broker's computer ({clean(away.broker)}) power, and does it run?",
            "Network between it and the monitor: router, switch, cable, wireless link.",
            "Does the broker's program run? If its disk is full it may have stopped.",
            "Has its address changed, or a password, or has a certificate run out?",
        )
    )
    return written(
        [
            ["The fan monitor has no connection to its broker: no reading can come."],
            [
                f"Not watched: {_fans(away.fans)}{_at(away.sites)}. An overload or a trip would not be seen.",
                f"Since: {since} ({lasted}).",
                f"The broker at {clean(away.broker)} answers, but does not let the monitor in." if away.refused else "",
                f"Last try: {clean(away.error)}." if away.error else "",
                "The broker takes the loggers' messages; without it no reading reaches the monitor.",
                "No other notice about silent loggers comes while this holds.",
            ],
            ["What to check first, in this order:", *(f"{place}. {step}" for place, step in enumerate(steps, 1))],
            [
                "Until it is back look at the fans yourself, and switch off any heater whose fan nobody sees.",
                "The monitor goes on trying and tells when it is back.",
            ],
            _end(away.page, away),
        ]
    )


def _back_short(away: BrokerAway) -> str:
    back = away.back or away.now
    lasted = figures.span((back - away.since).total_seconds())
    times = f"since {_moment(back, away.now, away)}{_zone(away)}; it was away {lasted}, from "
    return fit(
        [
            Piece((f"The broker is back {times}{_moment(away.since, away.now, away)}.",), (FIGURES,)),
            Piece((f"{_fans(away.fans)} {'is' if away.fans == 1 else 'are'} watched again.",), (FIGURES,)),
            Piece(_sites_short(away.sites), (WHY,)),
            Piece((_LOOK, _LOOK_SHORT), (FIRST_STEP,)),
            Piece((_KEPT[None], ""), (MORE_FIGURES,)),
            Piece((away.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )


def _back_long(away: BrokerAway) -> str:
    back = away.back or away.now
    lasted = figures.span((back - away.since).total_seconds())
    return written(
        [
            ["The fan monitor's broker is back: readings can come again."],
            [
                f"Watched again: {_fans(away.fans)}{_at(away.sites)}.",
                f"Away: {_moment(away.since, away.now, away)} to {_moment(back, away.now, away)} ({lasted}).",
            ],
            [
                "What to do first: see that every fan that should run does. A trip in that time was told to nobody.",
                "A logger that does not come back is told as usual: no readings.",
            ],
            [f"What becomes of that time: {_KEPT[None]}"],
            _end(away.page, away),
        ]
    )


# --- shared -----------------------------------------------------------------------------------------------------


def _fans(count: int) -> str:
    return f"{count} fan{'s' if count != 1 else ''}"


def _sites_short(sites: Sequence[str]) -> tuple[str, ...]:
    names = tuple(shorten(fold(clean(site)), _NAME_AT_MOST) for site in sites if clean(site))
    if not names:
        return ("",)
    return (*(f"At {measures.names(names, most)}." for most in (6, 3, 2)), "")


def _at(sites: Sequence[str]) -> str:
    names = tuple(clean(site) for site in sites if clean(site))
    return f" at {measures.names(names, 12)}" if names else ""


def _moment(when: datetime, now: datetime, of: Downtime | BrokerAway) -> str:
    return figures.moment(when, now, of.time_zone)


def _zone(of: Downtime | BrokerAway) -> str:
    return f" ({of.time_zone.key})" if of.name_zone else ""


def _end(page: str | None, of: Downtime | BrokerAway) -> list[str]:
    where = f"those of {of.time_zone.key}" if of.name_zone else "local at the site"
    return [f"The fans: {page}" if page else "", f"Times are {where}.", FOOTER]
