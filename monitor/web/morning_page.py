"""The page This morning: what a night came to at all farms of a reader, in the order of work. Printable."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query, Request
from markupsafe import Markup, escape
from starlette.responses import Response

from monitor.alarms.verdicts import sentences
from monitor.blades import cautions
from monitor.errors import Fault
from monitor.records import register
from monitor.records.look_fans import ABOUT_TO_TRIP, NEAR, OVER
from monitor.records.morning import EVENING, Morning, morning
from monitor.records.morning_other import DOUBT, NEVER, OFFLINE, OFTEN, SILENT, SITE, Failed, LoggerVisit
from monitor.records.morning_stops import NOT_BACK, TRIP, Stop
from monitor.records.morning_supply import LOST, SupplyFault
from monitor.records.register import Site
from monitor.watch.table import BY_ID
from monitor.web import words
from monitor.web.api import database_of, now_of, only, sites_of
from monitor.web.held import held_words, out_words
from monitor.web.morning_order import Call, calls, fan_href, names, worst_words
from monitor.web.pages import render
from monitor.web.problems import Problem, not_found
from monitor.web.shown import hours_before, show, zone_of
from monitor.web.times import read_time

LONGEST_BACK = timedelta(days=31)
SHOWN = 40
"""So many rows of a list; of more the page says how many and where they stand."""
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")

router = APIRouter()


def since_of(text: str | None, now: datetime) -> datetime | date | None:
    """What a query parameter `since` says: a day (its 17:00 by each site's clock), a time, or nothing.

    Raises
    ------
    Problem : 422, it is neither, lies ahead, or too far back
    """
    if not text:
        return None
    found: datetime | date
    try:
        found = date.fromisoformat(text)
        moment = datetime(found.year, found.month, found.day, tzinfo=UTC)
    except ValueError:
        found = moment = read_time(text, "since")
    if not now - LONGEST_BACK - timedelta(days=1) <= moment <= now:
        fault = Fault("since", f"a day or a time of the last {LONGEST_BACK.days} days", f'"{text[:40]}"')
        raise Problem(422, "This is no time for a night to begin.", faults=(fault,))
    return found


def asked_morning(request: Request, site: str | None, since: str | None) -> tuple[Morning, dict[str, Site]]:
    """The morning a request asks for, and all sites of the reader.

    Raises
    ------
    Problem : 404, the site is not the reader's; 422, `since` is no time
    """
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    known = {one.site: one for one in register.sites(database, sites)}
    if site is not None and site not in known:
        raise not_found(f"There is no site {site}.")
    return morning(database, only(sites, site), now, since=since_of(since, now)), known


@router.get("/morning")
def this_morning(
    request: Request,
    site: Annotated[str | None, Query(max_length=64)] = None,
    since: Annotated[str | None, Query(max_length=40)] = None,
) -> Response:
    """Where to drive first and why; then each list."""
    site = site or None
    found, known = asked_morning(request, site, since)
    return render(request, "morning.html", site=site, known=known, since_asked=since or "", **build(found, known))


def build(found: Morning, known: Mapping[str, Site]) -> dict[str, Any]:
    """Everything the template needs."""
    said = _Said(found, known)
    ordered = calls(found)
    quiet = [one for one in found.places if one.site.site not in {call.place.site.site for call in ordered}]
    waits = [one for one in found.stops if one.waits]
    zone = said.desk_zone
    local = found.at.astimezone(zone)
    return {
        "at": f"{DAYS[local.weekday()]}, {words.MONTHS[local.month - 1]} {local.day} {local.year}, "
              f"{local:%H:%M} {local.tzname()}",
        "since": said.since(), "lists": said.lists(waits), "evening": said.evening.isoformat(),
        "today": local.date().isoformat(),
        "counts": said.counts(),
        "first": [said.call(one) for one in ordered if one.urgent],
        "later": [said.call(one) for one in ordered if not one.urgent],
        "quiet": [one.site.name or one.site.site for one in quiet],
        "stops": [said.stop(one) for one in waits[:SHOWN]], "more_stops": max(0, len(waits) - SHOWN),
        "seen_to": [said.stop(one) for one in found.stops if not one.waits and one.out is None][:SHOWN],
        "margins": [said.margin(one) for one in found.margins[:SHOWN]],
        "more_margins": max(0, len(found.margins) - SHOWN),
        "supplies": said.supplies(), "sheets": [said.sheet(one) for one in found.jobs],
        "inserts": [said.inserts(one) for one in found.inserts],
        "loggers": [said.logger(one) for one in found.loggers[:SHOWN]],
        "more_loggers": max(0, len(found.loggers) - SHOWN),
        "others": [said.other(one) for one in found.others[:SHOWN]], "more_others": max(0, len(found.others) - SHOWN),
        "failed": [said.failed(one) for one in found.failed], "out": said.out(), "held": said.held(),
        "work_cautions": [cautions.text(one) for one in ("lock-out", "not-live", "heater", "bin", "electrician")],
        "trip_cautions": cautions.for_tripped(), "several": len(found.places) > 1,
    }  # fmt: skip


@dataclass(frozen=True)
class CallRow:
    """A farm in the order of work."""

    name: str
    href: str
    counts: str
    lines: tuple[tuple[str, Markup], ...]
    """What to do, and why."""


@dataclass(frozen=True)
class StopRow:
    """One fan that tripped or stands still."""

    fan: str
    href: str
    farm: str
    still: bool
    now: str
    happened: str
    """What happened and when."""
    why: str
    """The verdict in full, or what speaks for it."""
    next: str
    noted: str
    """Who has taken note; empty where nobody has to."""
    review: str
    """Where the hours before it are looked back at; empty where it is no trip."""


@dataclass(frozen=True)
class SupplyRow:
    """One supply, in words that can be read to the utility."""

    farm: str
    name: str
    where: str
    """Which fans, connected for how many volts, where the volts are measured."""
    lines: tuple[str, ...]
    now: str
    doubt: str
    """Why it may be no fault of the supply; empty where nothing says so."""


class _Said:
    """A morning in words."""

    def __init__(self, found: Morning, known: Mapping[str, Site]) -> None:
        self._found, self._known = found, known
        zones: Counter[str] = Counter()
        for one in found.places:
            zones[zone_of(one.site).key] += 1 if one.out else 1 + one.fans
        self.desk_zone = ZoneInfo(zones.most_common(1)[0][0]) if zones else ZoneInfo("UTC")
        """Of most fans: by this clock the page itself is dated."""
        begins = {one.since.astimezone(zone_of(one.site)).replace(tzinfo=None) for one in found.places}
        here = min((one.since for one in found.places if zone_of(one.site).key == self.desk_zone.key), default=found.at)
        self._begins, self._here = begins, here.astimezone(self.desk_zone)
        self.evening = self._here.date()
        """The day of the evening from which on it tells."""

    def since(self) -> str:
        """Since when it tells: an hour of each farm's clock, or one moment."""
        here = self._here
        day = f"{DAYS[here.weekday()]}, {words.MONTHS[here.month - 1]} {here.day}, {here:%H:%M}"
        if len({zone_of(one.site).key for one in self._found.places}) < 2:
            return day
        if len(self._begins) == 1:
            return f"{day} by each farm's clock"
        if {one.time() for one in self._begins} == {EVENING}:
            return f"{EVENING:%H:%M} of the day before by each farm's clock"
        return f"{day} {here.tzname()}"

    def lists(self, waits: Sequence[Stop]) -> list[tuple[str, str]]:
        """Where each list stands, with its length."""
        found = self._found
        lists = (
            ("#stopped", "Tripped, or stands still", len(waits)), ("#margin", "Least margin", None),
            ("#utility", "Utility", len({one.key for one in found.faults})), ("#sheets", "Truck", len(found.jobs)),
            ("#loggers", "Loggers", len(found.loggers)), ("#told", "Not arrived", len(found.failed)),
            ("#held", "On purpose", len(found.out) + len(found.held)),
        )  # fmt: skip
        return [(href, name if count is None else f"{name}: {count}") for href, name, count in lists]

    def _zone(self, site: str) -> ZoneInfo:
        return zone_of(self._known[site]) if site in self._known else self.desk_zone

    def _local(self, time: datetime | None, site: str) -> str:
        return words.local(time, self._zone(site), self._found.at)

    def _farm(self, site: str) -> str:
        return (self._known[site].name or site) if site in self._known else site

    def counts(self) -> str:
        places = self._found.places
        fans = sum(one.fans for one in places)
        parts = [f"{sum(one.running for one in places)} run", f"{sum(one.still for one in places)} stand still"]
        silent = sum(one.silent for one in places)
        parts += [f"{silent} {'is' if silent == 1 else 'are'} not heard"] if silent else []
        return f"{words.plural(len(places), 'farm')}, {words.plural(fans, 'fan')}: {', '.join(parts)}"

    def call(self, one: Call) -> CallRow:
        site = one.place.site
        counts = f"{one.place.running} of {words.plural(one.place.fans, 'fan')} run"
        lines = tuple((line.do, _whole_names(line.text)) for line in one.reasons)
        return CallRow(site.name or site.site, f"/morning?site={site.site}", counts, lines)

    def stop(self, one: Stop) -> StopRow:
        return StopRow(
            one.fan, fan_href(one.site, one.fan), self._farm(one.site), one.still, self._now(one),
            self._happened(one), self._why(one), _next(one), self._noted(one),
            hours_before(one.site, one.fan, one.at) if one.what == TRIP else "",
        )  # fmt: skip

    def _now(self, one: Stop) -> str:
        since = f" since {self._local(one.since, one.site)}" if one.since is not None else ""
        lasts = "" if one.since is None else f", {words.span((self._found.at - one.since).total_seconds())}"
        if one.running is None:
            return "whether it runs is not known"
        if not one.heard:
            return f"not heard; {'ran' if one.running else 'stood still'} when last heard"
        return f"{'runs again' if one.running else 'stands still'}{since}{lasts}"

    def _happened(self, one: Stop) -> str:
        when = f" at {self._local(one.at, one.site)}" if one.at is not None else ""
        if one.what == NOT_BACK and one.away is not None:
            which = f" {one.away.supply}" if one.away.supply else ""
            lost = "its supply" if one.away.condition == "supply-lost" else "contact with its loggers"
            back = self._local(one.away.until, one.site)
            return f"ran until {self._local(one.at, one.site)}, when {lost}{which} was lost; that is back since {back}"
        if one.what == TRIP:
            phase = one.end_cause == "phase lost" or (one.end_cause is None and one.alarms[-1]["id"] == "phase-lost")
            ended = "lost a phase" if phase else "tripped"
            if one.at is None and one.alarms:
                when = f" at {self._local(one.alarms[0]['since'], one.site)}"
            return f"{ended}{when}" + (f", {one.times} times since the evening" if one.times > 1 else "")
        return f"stopped{when}"

    def _why(self, one: Stop) -> str:
        if one.what == NOT_BACK:
            return ""
        first = one.evidence[0] if one.evidence else None
        return sentences(one.end_cause, one.confidence, first) or "How it ended is not judged."

    def _noted(self, one: Stop) -> str:
        held = next((alarm for alarm in one.alarms if alarm["suppressed_by"]), None)
        if held is not None:
            return _sentence(held_words(held, self._zone(one.site), self._found.at))
        if not one.alarms:
            return ""
        newest = one.alarms[0]
        if newest["state"] in ("UNACKNOWLEDGED", "RETURNED_UNACKNOWLEDGED"):
            return "Nobody has acknowledged it."
        who = newest["acknowledged_by"]
        return f"Acknowledged by {who}, {self._local(newest['acknowledged'], one.site)}." if who else ""

    def margin(self, item: Mapping[str, Any]) -> Mapping[str, Any]:
        site = self._known[item["site"]]
        sheet = next((one for one in self._found.jobs if (one.site, one.fan) == (item["site"], item["fan"])), None)
        return {
            "fan": item["fan"], "href": fan_href(item["site"], item["fan"]), "farm": self._farm(item["site"]),
            "shown": show(item, site, self._found.at), "sheet": sheet,
            "to_sheet": item["state"] in (ABOUT_TO_TRIP, OVER, NEAR),
        }  # fmt: skip

    def supplies(self) -> list[SupplyRow]:
        by_supply: dict[tuple[str, str | None], list[SupplyFault]] = {}
        for one in self._found.faults:
            by_supply.setdefault(one.key, []).append(one)
        return [self._supply(faults) for faults in by_supply.values()]

    def _supply(self, faults: Sequence[SupplyFault]) -> SupplyRow:
        one = faults[0]
        fans = sorted({fan for fault in faults for fan in fault.fans})
        own = next((fault for fault in faults if fault.not_at), None)
        doubt = (
            f"Only seen at {names(own.fans)}, not at {names(own.not_at)} of the same "
            f"{'supply' if own.supply else 'farm'}. Look at the connections of {names(own.fans)} before anybody calls."
            if own is not None else ""
        )  # fmt: skip
        volts = ""
        if one.measured is not None and any(value is not None for value in one.volts):
            unbalance = "" if one.unbalance is None else f", unbalance {words.percent(one.unbalance, 1)}"
            where = f" at {one.measured_at}" if one.measured_at else ""
            volts = (
                f"Measured{where} at {self._local(one.measured, one.site)}: "
                f"{words.with_unit(words.volts(one.volts), 'V')} between the lines{unbalance}."
            )
        rated = words.with_unit(words.figure(one.rated_volts, 0), "V")
        return SupplyRow(
            self._farm(one.site), one.supply or "", f"Motors connected for {rated}: {names(fans)}.",
            tuple(self._fault(fault) for fault in faults), volts, doubt,
        )  # fmt: skip

    def _fault(self, one: SupplyFault) -> str:
        since = self._local(one.since, one.site)
        lasts = words.span(one.lasted.total_seconds())
        often = f" {one.times} times" if one.times > 1 else ""
        if one.until is None:
            when = f"{often} since {since}, {lasts} {'in all' if one.times > 1 else 'so far'}, and still now"
        else:
            when = f"{often} from {since} to {self._local(one.until, one.site)}, {lasts}" + (
                " in all" if one.times > 1 else ""
            )
        if one.kind == LOST:
            how = "" if one.worst is not None else (
                ". No volts are measured: its fans fell to zero together, by the supply or by a common control"
            )  # fmt: skip
            return f"No voltage{when}{how}."
        name = {"unbalanced": "Voltage unbalanced", "low": "Voltage low", "high": "Voltage high"}[one.kind]
        worst = worst_words(one)
        if one.kind != "unbalanced" and one.worst is not None:
            mean = words.with_unit(words.figure(one.worst * one.rated_volts / 100, 0), "V")
            worst = f"{mean}, the mean of the lines, {worst}"
        return f"{name}{when}" + (f"; at worst {worst}" if worst else "") + "."

    def sheet(self, one: Any) -> Mapping[str, Any]:
        to = ""
        if one.pitch_to is not None:
            number = "blades: ask how many" if one.inserts is None else words.plural(one.inserts, "insert")
            to = f"to {words.degrees(one.pitch_to)}, {number}"
        return {
            "number": one.number, "fan": one.fan, "farm": self._farm(one.site), "to": to or "checks only",
            "why": _sentence(one.why), "opened": f"{self._local(one.opened, one.site)}, {one.opened_by}",
        }  # fmt: skip

    def inserts(self, one: Any) -> Mapping[str, Any]:
        return {
            "angle": words.degrees(one.pitch), "count": one.count,
            "fans": [f"{self._label(fan)}: {count}" for fan, count in one.fans],
            "ask": [self._label(fan) for fan in one.ask],
        }  # fmt: skip

    def _label(self, both: str) -> str:
        site, _, fan = both.partition("/")
        return f"{fan}, {self._farm(site)}" if len(self._found.places) > 1 else fan

    def logger(self, one: LoggerVisit) -> Mapping[str, str]:
        last = f", last reading {self._local(one.last_reading, one.site)}" if one.last_reading is not None else ""
        since = f" since {self._local(one.since, one.site)}" if one.since is not None else ""
        why = {
            SITE: f"nothing is heard of any logger{since}",
            SILENT: f"not heard{last}",
            NEVER: "no reading has ever come",
            DOUBT: f"readings in doubt{since}" + (f": {one.text}" if one.text else ""),
            OFFLINE: f"says that it is offline{last}",
            OFTEN: f"was silent {one.times} times in the night, is heard now",
        }[one.why]
        todo = {
            SITE: "power, gateway and link first", SILENT: "its power, its link", NEVER: "its wiring, its topic",
            DOUBT: "its clamps, locked out", OFFLINE: "its power", OFTEN: "its link or its battery",
        }[one.why]  # fmt: skip
        whole = "all loggers" if one.name is None else f"all loggers of supply {one.name}"
        return {"farm": self._farm(one.site), "name": whole if one.whole else one.name or "", "why": why, "todo": todo}

    def other(self, one: Mapping[str, Any]) -> Mapping[str, str]:
        row = BY_ID.get(one["id"])
        return {
            "what": one["fan"] or one["supply"] or "whole site",
            "href": fan_href(one["site"], one["fan"]) if one["fan"] else f"/alarms/{one['number']}",
            "farm": self._farm(one["site"]), "title": row.words if row else one["id"], "text": one["text"],
            "since": self._local(one["since"], one["site"]),
        }  # fmt: skip

    def failed(self, one: Failed) -> Mapping[str, Any]:
        parts = [f"{words.plural(one.count, 'notice')} given up"] if one.count else []
        parts += [f"{words.plural(one.waiting, 'notice')} still tried in vain"] if one.waiting else []
        return {
            "farm": self._farm(one.site) if one.site else "the service itself", "route": one.route,
            "counts": ", ".join(parts), "last": self._local(one.last, one.site), "subject": one.subject,
            "nobody": one.nobody,
        }  # fmt: skip

    def out(self) -> list[Mapping[str, str]]:
        return [
            {
                "what": one["fan"] or "the whole farm", "farm": self._farm(one["site"]),
                "text": _sentence(out_words({**one, "whole_site": False}, self._zone(one["site"]), self._found.at)),
            }
            for one in self._found.out
        ]  # fmt: skip

    def held(self) -> list[Mapping[str, Any]]:
        return [
            {
                "number": one["number"], "what": one["fan"] or one["supply"] or "the whole farm",
                "farm": self._farm(one["site"]), "title": BY_ID[one["id"]].words if one["id"] in BY_ID else one["id"],
                "text": _sentence(held_words(one, self._zone(one["site"]), self._found.at)),
                "standing": one["standing"],
            }
            for one in self._found.held
        ]  # fmt: skip


def _next(one: Stop) -> str:
    if one.what == TRIP:
        return "Find the cause before anybody resets it." if one.still else "Find the cause; it may trip again."
    if one.what != NOT_BACK:
        return "Find out why it stopped before it is started again."
    if one.control == "cycled":
        return "Its control may not call for it: ask before anybody starts it."
    return "Ask whether it was meant to go on. Look at it, then start it: any heater off, others one after the other."


def _whole_names(text: str) -> Markup:
    """A text in which no name is broken at its dash.

    >>> str(_whole_names("north-3 <stands> still"))
    '<span class="fig">north-3</span> &lt;stands&gt; still'
    """
    spaced = (Markup('<span class="fig">{}</span>').format(one) if "-" in one else escape(one) for one in text.split())
    return Markup(" ").join(spaced)


def _sentence(text: str) -> str:
    said = text[:1].upper() + text[1:]
    return said if not said or said.endswith((".", "!", "?")) else f"{said}."
