"""The page Alarms: what stands, what is held back and why, what was, how well the alarms work; and one alarm's life."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Annotated, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.alarms.performance import targets
from monitor.alarms.states import Suppression
from monitor.errors import Fault, ReadingError
from monitor.records import look, planned_stops, register
from monitor.records.alarm_history import Noisy
from monitor.records.out_of_service import OutNow
from monitor.records.register import Site
from monitor.watch.table import BY_ID, PRIORITIES
from monitor.web import asked, words
from monitor.web.alarms_api import USUAL_SPAN, figures_of, reason_of
from monitor.web.api import LONGEST_PLANNED_STOP, database_of, now_of, only, sites_of
from monitor.web.fan_page import alarm_row
from monitor.web.held import held_words, out_words, plan_words
from monitor.web.lighter import lighter
from monitor.web.pages import fan_path, render
from monitor.web.problems import Problem, not_found
from monitor.web.shown import zone_of
from monitor.web.told import told_line

PAST_AT_ONCE = 20
MORNING = time(7, 0)
"""Local time at which a shelf "until morning" ends, and at which a fan is back in service on its return date."""
SHELVES = {"4h": "4 hours", "morning": "until 07:00", "24h": "24 hours", "72h": "3 days", "168h": "7 days"}
"""What is offered; the first is taken where nothing is chosen."""
UTC = Site("", "", "UTC", 0.0, "us", "17:00")

router = APIRouter()
Number = Annotated[int, Path(ge=1, le=2**53)]
By = Annotated[str, Form(max_length=200)]
Why = Annotated[str, Form(max_length=1000)]


@dataclass(frozen=True)
class Row:
    """One alarm of a list."""

    number: int
    where: str
    """Fan, supply point or site."""
    page: str
    """Address of the fan's page; empty where it is about no fan."""
    site: str
    """Name of its site, where there are several; else empty."""
    title: str
    priority: str
    text: str
    state: str
    times: str
    lasted: str
    """From when it was raised to when it was gone, and how long that is."""
    held: str
    """Why nothing is told of it; empty where it is told."""
    acknowledged: str
    acknowledge: bool
    shelved: bool
    may_shelve: bool


def known_sites(request: Request, site: str | None) -> dict[str, Site]:
    """The reader's sites.

    Raises
    ------
    Problem : 404, the site asked for is not among them
    """
    known = {one.site: one for one in register.sites(database_of(request), sites_of(request))}
    if site is not None and site not in known:
        raise not_found(f"There is no site {site}.")
    return known


def row_of(item: Mapping[str, Any], known: Mapping[str, Site], now: datetime, waiting: frozenset[int]) -> Row:
    """One alarm as `look.alarms` gives it, in words."""
    place = known.get(item["site"], UTC)
    zone = zone_of(place)
    row = alarm_row({**item, "suppression": None}, zone, now, waiting)
    who = item["acknowledged_by"]
    condition = BY_ID.get(item["id"])
    return Row(
        number=item["number"],
        where=item["fan"] or item["supply"] or place.name or item["site"],
        page=f"/fans/{quote(item['site'], safe='')}/{quote(item['fan'], safe='')}" if item["fan"] else "",
        site=(place.name or item["site"]) if len(known) > 1 else "",
        title=condition.words if condition else item["id"].replace("-", " "),
        priority=item["priority"],
        text=item["text"],
        state=row.state,
        times=row.times,
        lasted=_lasted(item, zone, now),
        held=held_words(item, zone, now),
        acknowledged=f"{who}, {words.local(item['acknowledged'], zone, now)}" if who else "",
        acknowledge=row.acknowledge,
        shelved=item["suppression"] == Suppression.SHELVED.value,
        may_shelve=item["suppression"] in (None, Suppression.SHELVED.value) and item["state"] != "NORMAL",
    )


def _lasted(item: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    raised, gone = item["raised"], item["cleared"]
    if gone is None:
        return words.local(raised, zone, now)
    return f"{words.local(raised, zone, now)}, for {words.span((gone - raised).total_seconds())}"


@router.get("/alarms")
def alarms(
    request: Request,
    site: Annotated[str | None, Query(max_length=64)] = None,
    next: Annotated[str | None, Query(max_length=400)] = None,
) -> Response:
    """Standing first, the worst of it first; then what is held back, what is out of service, what was, and figures."""
    site = site or None
    database, now = database_of(request), now_of(request)
    known = known_sites(request, site)
    sites = only(sites_of(request), site)
    waiting = asked.waiting(database)
    open_ = [one for items in look.open_alarms(database, sites).values() for one in items]
    open_.sort(key=lambda one: (not one["standing"], -PRIORITIES.index(one["priority"]), -one["number"]))
    held = look.suppressed(database, sites)
    try:
        past = look.alarms(database, sites, site=site, standing=False, limit=PAST_AT_ONCE, after=next)
    except (ReadingError, OverflowError):
        raise Problem(422, "This address of older alarms is not whole. Go back to Alarms.") from None
    with database.read() as connection:
        out = OutNow.of(connection, sites).all()
    fans = [key for key, _ in register.fans(database, sites)]
    found, noisy = figures_of(database, sites_of(request), site, now - USUAL_SPAN, now)

    def row(item: Mapping[str, Any]) -> Row:
        return row_of(item, known, now, waiting)

    def zone(name: str) -> ZoneInfo:
        return zone_of(known.get(name, UTC))

    page = render(
        request, "alarms.html", site=site, sites=known, next=past["next"], later=next is not None,
        standing=[row(one) for one in open_ if one["suppression"] is None], held=[row(one) for one in held],
        past=[row(one) for one in past["items"]],
        out=[(one, out_words({**one, "whole_site": False}, zone(one["site"]), now)) for one in out],
        plans=[(one, plan_words(one, zone(one["site"]), now)) for one in planned_stops.waiting(database, sites)],
        fans=fans, shelves=SHELVES, figures=found, targets=targets(found),
        noisy=[(one, _noisy_title(one, known)) for one in noisy], days=USUAL_SPAN.days,
        today=now.astimezone(zone(site or (fans[0].site if fans else ""))).date().isoformat(),
    )  # fmt: skip
    return lighter(request, page)


def _noisy_title(one: Noisy, known: Mapping[str, Site]) -> str:
    about = one.frequent.about
    condition = BY_ID.get(about.condition)
    where = about.fan or about.supply or known.get(about.site, UTC).name or about.site
    return f"{where}: {condition.words if condition else about.condition}"


@router.get("/alarms/{number}")
def one_alarm(request: Request, number: Number) -> Response:
    """The life of one alarm: all its changes, who did what and why, and who was told."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    item = look.alarm(database, sites, number)
    if item is None:
        raise not_found(f"There is no alarm {number}. See the page Alarms.")
    known = known_sites(request, None)
    zone = zone_of(known.get(item["site"], UTC))
    changes = [
        {
            "at": words.local(one["at"], zone, now),
            "heard": words.local(one["heard"], zone, now)
            if abs((one["heard"] - one["at"]).total_seconds()) > 120
            else "",
            "cause": one["cause"],
            "state": one["to_state"].replace("_", " ").lower(),
            "by": one["by"] or "",
            "why": one["why"] or "",
            "until": "" if one["until"] is None else words.local(one["until"], zone, now),
        }
        for one in item["changes"]
    ]
    return render(
        request, "alarm.html", row=row_of(item, known, now, asked.waiting(database)), changes=changes,
        line=told_line(database, sites, number, zone, now), shelves=SHELVES,
    )  # fmt: skip


# --- what people do --------------------------------------------------------------------------------------------


def shelf_until(choice: str, zone: ZoneInfo, now: datetime) -> datetime:
    """When a shelf ends by what was chosen.

    Raises
    ------
    Problem : 422, it is none of what is offered

    >>> from datetime import UTC
    >>> night = datetime(2026, 10, 4, 7, 30, tzinfo=UTC)
    >>> shelf_until("morning", ZoneInfo("America/Chicago"), night).astimezone(UTC).isoformat()
    '2026-10-04T12:00:00+00:00'
    """
    if choice not in SHELVES:
        raise Problem(422, "Until when?", faults=(Fault("until", "one of " + ", ".join(SHELVES), f'"{choice[:20]}"'),))
    if choice != "morning":
        return now + timedelta(hours=int(choice.removesuffix("h")))
    here = now.astimezone(zone)
    morning = datetime.combine(here.date(), MORNING, zone)
    return morning if morning > now else datetime.combine(here.date() + timedelta(days=1), MORNING, zone)


@router.post("/alarms/{number}/shelve")
async def shelve(
    request: Request, number: Number, until: Annotated[str, Form(max_length=20)] = "4h", why: Why = "", by: By = ""
) -> Response:
    """Shelves an alarm and goes back to the list."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    item = await run_in_threadpool(look.alarm, database, sites, number)
    if item is None:
        raise not_found(f"There is no alarm {number}. See the page Alarms.")
    known = await run_in_threadpool(known_sites, request, None)
    ends = shelf_until(until, zone_of(known.get(item["site"], UTC)), now)
    await asked.shelve(database, sites, number, ends, reason_of(why), asked.who(by), now)
    return RedirectResponse("/alarms#held", 303)


@router.post("/alarms/{number}/unshelve")
async def unshelve(request: Request, number: Number, by: By = "") -> Response:
    """Takes an alarm off the shelf and goes back to the list."""
    await asked.shelve(database_of(request), sites_of(request), number, None, "", asked.who(by), now_of(request))
    return RedirectResponse("/alarms#standing", 303)


def place_of(what: str) -> tuple[str, str | None]:
    """Site and fan of a choice: "site" or "site/fan"."""
    site, _, fan = what.partition("/")
    return site, fan or None


def stop_from(text: str, zone: ZoneInfo, now: datetime) -> datetime | None:
    """When an announced stop begins, by the clock of the site; None: now, for nothing and for what has passed.

    Raises
    ------
    Problem : 422, it is no time, or a year or more ahead

    >>> from datetime import UTC
    >>> night = datetime(2026, 10, 4, 7, 30, tzinfo=UTC)
    >>> stop_from("2026-10-05T09:00", ZoneInfo("America/Chicago"), night).astimezone(UTC).isoformat()
    '2026-10-05T14:00:00+00:00'
    """
    if not text.strip():
        return None
    tomorrow = now.astimezone(zone) + timedelta(days=1)
    expected = f"nothing, or a time within a year, such as {tomorrow:%Y-%m-%d}T09:00"
    try:
        begins = _site_time(text, zone)
        if begins < now + LONGEST_PLANNED_STOP:
            return begins if begins > now else None
    except (ValueError, OverflowError):
        pass
    raise Problem(422, "From when will it stand still?", faults=(Fault("from", expected, f'"{text}"'),))


def _site_time(text: str, zone: ZoneInfo) -> datetime:
    """Compare two of them by their timestamps: of one zone they would be compared by the hands of its clock."""
    time = datetime.fromisoformat(text.strip())
    return time if time.tzinfo else time.replace(tzinfo=zone)


def stop_until(text: str, zone: ZoneInfo, now: datetime, begins: datetime | None = None) -> datetime:
    """When an announced stop ends: a date and time of day by the clock of the site, as a browser's field gives it.

    Raises
    ------
    Problem : 422, it is no time, does not lie after the begin, or is more than a year ahead

    >>> from datetime import UTC
    >>> night = datetime(2026, 10, 4, 7, 30, tzinfo=UTC)
    >>> stop_until("2026-10-04T12:00", ZoneInfo("America/Chicago"), night).astimezone(UTC).isoformat()
    '2026-10-04T17:00:00+00:00'
    """
    usual = (begins or now).astimezone(zone) + timedelta(hours=3)
    after = "a time to come" if begins is None else "a time after its begin"
    expected = f"{after} and within a year, such as {usual:%Y-%m-%dT%H:%M}"
    wrong = Problem(422, "Until when will it stand still?", faults=(Fault("until", expected, f'"{text}"'),))
    try:
        ends = _site_time(text, zone)
        if (begins or now).timestamp() < ends.timestamp() and ends <= now + LONGEST_PLANNED_STOP:
            return ends
    except (ValueError, OverflowError):
        pass
    raise wrong


@router.post("/fans/{site}/{fan}/planned-stop")
async def planned_stop(
    request: Request,
    site: Annotated[str, Path(max_length=64)],
    fan: Annotated[str, Path(max_length=64)],
    begin: Annotated[str, Form(alias="from", max_length=40)] = "",
    until: Annotated[str, Form(max_length=40)] = "",
    take_back: bool = Form(False),
    why: Annotated[str, Form(max_length=1000)] = "",
    by: By = "",
) -> Response:
    """Announces that a fan will stand still on purpose, or takes that back, and goes back to the fan."""
    now = now_of(request)
    known = await run_in_threadpool(known_sites, request, site)
    zone, begins, ends = zone_of(known[site]), None, None
    if not take_back:
        begins = stop_from(begin, zone, now)
        ends = stop_until(until, zone, now, begins)
    database, sites, reason, who = database_of(request), sites_of(request), asked.why(why), asked.who(by)
    await asked.planned_stop(database, sites, site, fan, ends, reason, who, now, begins=begins)
    return RedirectResponse(f"{fan_path(site, fan)}#stop", 303)


@router.post("/out-of-service")
async def out_of_service(
    request: Request,
    what: Annotated[str, Form(max_length=140)] = "",
    until: Annotated[str, Form(max_length=20)] = "",
    why: Why = "",
    by: By = "",
) -> Response:
    """Takes a fan or a site out of service and goes back to the list; it is back on the morning of its return date."""
    now = now_of(request)
    site, fan = place_of(what)
    known = await run_in_threadpool(known_sites, request, site)
    ends = None
    if until:
        try:
            ends = datetime.combine(date.fromisoformat(until), MORNING, zone_of(known[site]))
        except ValueError:
            fault = Fault("until", "a date such as 2027-06-01, or nothing", f'"{until}"')
            raise Problem(422, "This is no return date.", faults=(fault,)) from None
        if ends <= now:
            fault = Fault("until", "a day that is still to come", f'"{until}"')
            raise Problem(422, "The return date must lie ahead.", faults=(fault,))
    reason, who = reason_of(why), asked.who(by)
    await asked.out_of_service(database_of(request), sites_of(request), site, fan, ends, reason, who, now)
    return RedirectResponse("/alarms#service", 303)


@router.post("/return-to-service")
async def return_to_service(
    request: Request, what: Annotated[str, Form(max_length=140)] = "", by: By = ""
) -> Response:  # fmt: skip
    """Returns a fan or a site to service and goes back to the list."""
    site, fan = place_of(what)
    database, sites = database_of(request), sites_of(request)
    await asked.return_to_service(database, sites, site, fan, asked.who(by), now_of(request))
    return RedirectResponse("/alarms#service", 303)
