"""Where to drive first, and why: the farms of a morning in the order of work, each with what it wants in one line each.

The order is that of harm: what a phone call can still save, then grain without air, then motors on their way to a trip,
then what can wait for the next visit (worked out for this project).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import quote

from monitor.alarms.verdicts import verdict
from monitor.records.look_fans import ABOUT_TO_TRIP
from monitor.records.look_fans import OVER as STATE_OVER
from monitor.records.morning import LOAD_ALARMS, Morning, Place
from monitor.records.morning_other import SITE, LoggerVisit
from monitor.records.morning_stops import NOT_BACK, STOP, TRIP, Stop
from monitor.records.morning_supply import LOST, SupplyFault
from monitor.records.register import Site
from monitor.web import words
from monitor.web.shown import zone_of

PHONE, DRIVE, UTILITY, ALONG = "Phone the farm", "Drive", "Phone the utility", "With the next visit"
NAMED = 4
"""So many fans of one reason are named, of more the rest is counted."""

# Ranks, the most pressing first. Each is a reason of its own, told in one line a farm.
DANGER, TRIPPED_STILL, NOT_RUNNING, UNSEEN, UNTOLD, TRIPPED_RUNS, OVER, SUPPLY, SHEETS, NEAR, LOOK, LOGGERS = range(12)
_NOTHING_MORE = 99
_LAST_URGENT = SHEETS
"""What ranks behind it waits for the next visit."""
_DANGERS = ("trip-near", "slow-start")


@dataclass(frozen=True)
class Reason:
    """One line of one farm."""

    rank: int
    do: str
    """PHONE, DRIVE, UTILITY or ALONG."""
    text: str
    count: int = 1
    """How many fans, supplies, sheets or loggers it is about: of two farms with the same trouble the one with more of
    it comes first."""


@dataclass(frozen=True)
class Call:
    """A farm that wants something."""

    place: Place
    reasons: tuple[Reason, ...]
    """The most pressing first."""

    @property
    def urgent(self) -> bool:
        """Whether it is worth a call or a drive of its own."""
        return self.reasons[0].rank <= _LAST_URGENT

    @property
    def key(self) -> tuple[list[int], str]:
        """Its place in the order: by the ranks of its reasons, each as often as fans are in it, then by name."""
        ranks = [one.rank for one in self.reasons for _ in range(one.count)]
        return [*ranks, _NOTHING_MORE], self.place.site.site


def calls(morning: Morning) -> list[Call]:
    """Farms that want something, in the order of work; a farm that is out of service as a whole is left out."""
    found = []
    for place in morning.places:
        reasons = [] if place.out else sorted(_reasons(morning, place), key=lambda one: one.rank)
        if reasons:
            found.append(Call(place, tuple(reasons)))
    return sorted(found, key=lambda one: one.key)


def _reasons(morning: Morning, place: Place) -> Iterable[Reason]:
    site, now = place.site, morning.at
    name = site.site
    stops = [one for one in morning.stops if one.site == name and one.waits]
    yield from _stopped(stops, site, now)
    here = [one for one in morning.margins if one["site"] == name]
    yield from _danger(here, [one for one in morning.others if one["site"] == name], stops)
    yield from _over(here, stops)
    yield from _supplies([one for one in morning.faults if one.site == name], site, now)
    yield from _loggers([one for one in morning.loggers if one.site == name], site, now)
    untold = [one for one in morning.failed if one.site == name and one.nobody]
    if untold:
        rest = sum(one.nobody for one in untold) - 1
        more = f" and of {words.plural(rest, 'more alarm')}" if rest else ""
        yield Reason(UNTOLD, PHONE, f"nobody was told of “{untold[0].subject}”{more}: no notice arrived")
    sheets = [one for one in morning.jobs if one.site == name]
    if sheets:
        text = f"{words.plural(len(sheets), 'open job sheet')}: {names([one.fan for one in sheets])}"
        yield Reason(SHEETS, DRIVE, text, len(sheets))
    others = [one for one in morning.others if one["site"] == name and one["id"] not in _DANGERS]
    if others:
        yield Reason(LOOK, ALONG, f"to look at: {names([_where(one) for one in others])}", len(others))


def _stopped(stops: Sequence[Stop], site: Site, now: datetime) -> Iterable[Reason]:
    for what, rank, do in ((TRIP, TRIPPED_STILL, DRIVE), (NOT_BACK, NOT_RUNNING, PHONE), (STOP, NOT_RUNNING, PHONE)):
        some = [one for one in stops if one.what == what and one.still]
        if some:
            yield Reason(rank, do, _still(what, some, site, now), len(some))
    again = [one for one in stops if one.what == TRIP and not one.still]
    if again:
        text = f"{names([one.fan for one in again])} tripped{_times(again)} and {_run(again)} again"
        yield Reason(TRIPPED_RUNS, DRIVE, text, len(again))


def _still(what: str, some: Sequence[Stop], site: Site, now: datetime) -> str:
    one, who = some[0], names([stop.fan for stop in some])
    alone = len(some) == 1
    if what == TRIP:
        when = f" at {words.local(one.at, zone_of(site), now)}" if alone and one.at is not None else ""
        said = verdict(one.end_cause, one.confidence) if alone else None
        why = f" ({said.rstrip('.').replace('; not proven', ', not proven').lower()})" if said else ""
        return f"{who} tripped{_times(some)}{when} and {'stands' if alone else 'stand'} still{why}"
    has = "has" if alone else "have"
    if what == NOT_BACK and one.away is not None:
        back = words.local(max(stop.away.until for stop in some if stop.away is not None), zone_of(site), now)
        came = "the supply came back" if one.away.condition == "supply-lost" else "readings came back"
        return f"{who} ran before and {has} not run since {came} at {back}"
    since = f" since {words.local(one.since, zone_of(site), now)}" if alone and one.since is not None else ""
    return f"{who} {'stands' if alone else 'stand'} still{since}, and nothing says that it was planned"


def _times(some: Sequence[Stop]) -> str:
    times = max(one.times for one in some)
    return "" if len(some) > 1 or times < 2 else " twice" if times == 2 else f" {times} times"


def _run(some: Sequence[Stop]) -> str:
    return "runs" if len(some) == 1 else "run"


def _danger(
    here: Sequence[Mapping[str, Any]], others: Sequence[Mapping[str, Any]], stops: Sequence[Stop]
) -> Iterable[Reason]:
    trips = [one["fan"] for one in here if one["state"] == ABOUT_TO_TRIP]
    if trips:
        text = f"{names(trips)} {'is' if len(trips) == 1 else 'are'} about to trip: lighten or stop it in order, now"
        yield Reason(DANGER, PHONE, text, len(trips))
    lost = [
        one.fan for one in stops
        if one.running and any(alarm["id"] == "phase-lost" and alarm["standing"] for alarm in one.alarms)
    ]  # fmt: skip
    if lost:
        yield Reason(DANGER, PHONE, f"{names(lost)} runs on two phases: stop it now, any heater off first")
    slow = [_where(one) for one in others if one["id"] == "slow-start"]
    if slow:
        yield Reason(DANGER, PHONE, f"{names(slow)} turns slowly or hums: stop it, do not try again")


def _over(here: Sequence[Mapping[str, Any]], stops: Sequence[Stop]) -> Iterable[Reason]:
    told = {one.fan for one in stops}
    over: list[Mapping[str, Any]] = []
    near: list[Mapping[str, Any]] = []
    for one in here:
        standing = {alarm["id"] for alarm in one["alarms"] if alarm["standing"] and alarm["suppressed_by"] is None}
        if one["state"] == ABOUT_TO_TRIP or not standing & set(LOAD_ALARMS):
            continue
        # What is over its limit by now is told as that, whether its own alarm has come yet or not.
        only_near = standing & set(LOAD_ALARMS) == {"low-margin"} and one["state"] != STATE_OVER
        (near if only_near else over).append(one)
    if over:
        yield Reason(OVER, DRIVE, _loaded(over, "over their limit, or near the trip point of their device"), len(over))
    near = [one for one in near if one["fan"] not in told]
    if near:
        yield Reason(NEAR, ALONG, _loaded(near, "near their limit"), len(near))


def _loaded(some: Sequence[Mapping[str, Any]], otherwise: str) -> str:
    if len(some) == 1:
        ratio, standing = some[0]["load_ratio"], {alarm["id"] for alarm in some[0]["alarms"] if alarm["standing"]}
        if (
            "overload" in standing and ratio is not None and ratio < 1.0
        ):  # alone, the figure would be no reason to drive
            return f"{some[0]['fan']} was over its limit and runs at {words.share(ratio)} of it now"
        return f"{some[0]['fan']} runs at {words.share(ratio)} of its limit"
    return f"{names([one['fan'] for one in some])}: {otherwise}"


def _supplies(faults: Sequence[SupplyFault], site: Site, now: datetime) -> Iterable[Reason]:
    for one in faults:
        since = words.local(one.since, zone_of(site), now)
        where = one.supply or "its supply"
        if one.kind == LOST:
            if one.until is None:
                yield Reason(NOT_RUNNING, UTILITY, f"{where} has been without voltage since {since}")
            continue
        if one.until is None:
            bad = one.priority == "high"
            worst = f", at worst {worst_words(one)}" if one.worst is not None else ""
            stop = "; have its fans stopped where the bins allow" if bad else ""
            text = f"{where} is {'badly ' if bad else ''}{KIND_WORDS[one.kind]} since {since}{worst}{stop}"
            yield Reason(DANGER if bad else SUPPLY, UTILITY, text)


KIND_WORDS = {"unbalanced": "unbalanced", "low": "low", "high": "high", "lost": "without voltage"}


def worst_words(one: SupplyFault) -> str:
    """The worst of a fault of a supply, e.g. "3.8 %" or "88 % of 460 V"; empty where nothing was measured."""
    if one.worst is None:
        return ""
    if one.kind == "unbalanced":
        return words.percent(one.worst, 1)
    return f"{words.percent(one.worst)} of {words.with_unit(words.figure(one.rated_volts, 0), 'V')}"


def _loggers(visits: Sequence[LoggerVisit], site: Site, now: datetime) -> Iterable[Reason]:
    for one in visits:
        if one.why == SITE:
            what = "no logger" if one.name is None else f"no logger of supply {one.name}"
            since = words.local(one.since, zone_of(site), now)
            yield Reason(UNSEEN, PHONE, f"{what} is heard since {since}: nobody knows whether its fans run")
    some = [one.name or site.site for one in visits if one.why != SITE]
    if some:
        yield Reason(LOGGERS, ALONG, f"{words.plural(len(some), 'logger')} to visit: {names(some)}", len(some))


def _where(alarm: Mapping[str, Any]) -> str:
    return str(alarm["fan"] or alarm["supply"] or alarm["site"])


def names(fans: Sequence[str]) -> str:
    """Names as people say them, so many at most.

    >>> names(["north-3"]), names(["a", "b"]), names(["a", "b", "c", "d", "e", "f"])
    ('north-3', 'a and b', 'a, b, c and 3 more')
    """
    once = list(dict.fromkeys(fans))
    if len(once) > NAMED:
        return f"{', '.join(once[: NAMED - 1])} and {len(once) - NAMED + 1} more"
    return once[0] if len(once) == 1 else f"{', '.join(once[:-1])} and {once[-1]}"


def fan_href(site: str, fan: str) -> str:
    """Address of a fan's page."""
    return f"/fans/{quote(site, safe='')}/{quote(fan, safe='')}"
