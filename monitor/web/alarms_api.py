"""/api/v1: what operators do with an alarm beside acknowledging it, what is out of service, and one alarm's life."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import Query, Request
from pydantic import BaseModel, Field

from monitor.alarms.events import LONGEST_OUT_OF_SERVICE, LONGEST_SHELF
from monitor.alarms.performance import Figures, figures
from monitor.errors import Fault
from monitor.records import alarm_history, look, register
from monitor.records.alarm_history import Noisy
from monitor.records.database import Database
from monitor.records.out_of_service import OutNow
from monitor.records.scope import Sites
from monitor.web import asked, examples, promised
from monitor.web.api import (
    AlarmNumber,
    FanName,
    SiteFilter,
    SiteName,
    became,
    database_of,
    now_of,
    only,
    sites_of,
)
from monitor.web.api_router import Json, answers, api_router, shown
from monitor.web.problems import Problem, not_found
from monitor.web.shapes import alarm_shape, figures_shape, plain
from monitor.web.shown import zone_of
from monitor.web.times import read_time, rfc3339

USUAL_SPAN, LONGEST_SPAN = timedelta(days=30), timedelta(days=400)

router = api_router("alarms")


class Shelf(BaseModel):
    model_config = shown({"hours": 2, "why": "grain is damp, it will be better"})
    until: str | None = Field(None, max_length=40, description="RFC 3339; within 7 days")
    hours: float | None = Field(None, gt=0, le=168, description="instead of `until`: so many hours from now")
    why: str = Field(max_length=1000, description="the reason; needed")
    by: str | None = Field(None, max_length=200)


class Who(BaseModel):
    model_config = shown({"by": "ann"})
    by: str | None = Field(None, max_length=200, description="who; optional while there are no accounts")


class Out(BaseModel):
    model_config = shown({"days": 2, "why": "new bearings"})
    until: str | None = Field(
        None, max_length=40, description="the return date, RFC 3339; null: until somebody returns it"
    )
    days: float | None = Field(None, gt=0, le=732, description="instead of `until`: so many days from now")
    why: str = Field(max_length=1000, description="the reason; needed")
    by: str | None = Field(None, max_length=200)


def until_of(
    until: str | None, span: tuple[str, float | None, Callable[[float], timedelta]], longest: timedelta, now: datetime
) -> datetime | None:
    """The time that a body gives, as a time or as a span from now; None where it gives neither.

    Parameters
    ----------
    span : key, its value, and what makes a span of it

    Raises
    ------
    Problem : 422, both are given, or the time does not lie within `longest` ahead
    """
    key, value, of = span
    if until is not None and value is not None:
        fault = Fault(key, "nothing beside `until`", f"{value:g}")
        raise Problem(422, f"Give `until` or `{key}`, not both.", faults=(fault,))
    time = None if until is None else read_time(until, "until")
    if value is not None:
        time = now + of(value)
    if time is not None and not now < time <= now + longest:
        expected = f"a time after {rfc3339(now)} and within {longest.days} days"
        raise Problem(422, "This is no time for it to end.", faults=(Fault("until", expected, rfc3339(time)),))
    return time


def reason_of(text: str) -> str:
    """The reason, which must be given.

    Raises
    ------
    Problem : 422, it is empty
    """
    why = asked.why(text)
    if not why:
        raise Problem(422, "A reason is needed.", faults=(Fault("why", "a reason, in a few words", f'"{text[:40]}"'),))
    return why


def span_of(since: str | None, until: str | None, now: datetime) -> tuple[datetime, datetime]:
    """The span that is asked for, the last 30 days where none is.

    Raises
    ------
    Problem : 422, it is no span, or one of more than `LONGEST_SPAN`
    """
    last = now if until is None else read_time(until, "to")
    first = last - USUAL_SPAN if since is None else read_time(since, "from")
    if not first < last:
        raise Problem(
            422, "`from` must lie before `to`.", faults=(Fault("from", "a time before `to`", rfc3339(first)),)
        )
    if last - first > LONGEST_SPAN:
        raise Problem(422, f"More than {LONGEST_SPAN.days} days at once.")
    return first, last


def figures_of(database: Database, sites: Sites, site: str | None, first: datetime, last: datetime) -> tuple[
    Figures, list[Noisy]
]:  # fmt: skip
    """The figures of a span and the noisiest alarms of it, by the days of the site (of one of several: by UTC)."""
    mine = only(sites, site)
    places = register.sites(database, mine)
    zone = zone_of(places[0]) if len({one.time_zone for one in places}) == 1 else UTC
    changes = alarm_history.history(database, mine, first, last)
    found = figures(changes, first, last, zone)
    return found, alarm_history.noisiest(database, mine, changes, found)


@router.get("/alarms/figures", response_model=promised.Figures, responses=answers(examples.FIGURES))
def alarm_figures(
    request: Request,
    site: SiteFilter = None,
    since: Annotated[
        str | None, Query(alias="from", max_length=40, description="RFC 3339; 30 days before `to`")
    ] = None,
    until: Annotated[str | None, Query(alias="to", max_length=40, description="RFC 3339; now")] = None,
) -> Json:
    """How well the alarms work: rates, floods, chattering, fleeting, stale, the most frequent, priorities, each beside
    what ANSI/ISA-18.2, IEC 62682 and EEMUA 191 recommend; and the noisiest five with one proposed cure each."""
    first, last = span_of(since, until, now_of(request))
    found, noisy = figures_of(database_of(request), sites_of(request), site, first, last)
    return Json(figures_shape(found, noisy))


@router.get("/alarms/{number}", response_model=promised.AlarmInFull, responses=answers(examples.ALARM_IN_FULL))
def one_alarm(request: Request, number: AlarmNumber) -> Json:
    """One alarm with all its changes, oldest first: what happened, when, who did it, and why."""
    alarm = look.alarm(database_of(request), sites_of(request), number)
    if alarm is None:
        raise not_found(f"There is no alarm {number}.")
    return Json(alarm_shape(alarm))


@router.post(
    "/alarms/{number}/shelve", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE_SHELVED, 409, status=202),
)  # fmt: skip
async def shelve(request: Request, number: AlarmNumber, body: Shelf) -> Json:
    """Nothing is told of an alarm until the given time; it goes on changing its state, and ends by itself."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    span = "hours", body.hours, lambda hours: timedelta(hours=hours)
    until = until_of(body.until, span, LONGEST_SHELF, now)
    if until is None:
        raise Problem(422, "Until when?", faults=(Fault("hours", "hours, or a time as `until`", "neither"),))
    why = reason_of(body.why)
    outcome = await asked.shelve(database, sites, number, until, why, asked.who(body.by), now)
    return _asked(request, outcome, number)


@router.post(
    "/alarms/{number}/unshelve", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE_UNSHELVED, 409, status=202),
)  # fmt: skip
async def unshelve(request: Request, number: AlarmNumber, body: Who | None = None) -> Json:
    """Takes an alarm off the shelf before its time: what stands and was not told is told."""
    database, sites = database_of(request), sites_of(request)
    by = asked.who(body.by if body else None)
    return _asked(request, await asked.shelve(database, sites, number, None, "", by, now_of(request)), number)


def _asked(request: Request, outcome: str, number: int) -> Json:
    alarm = look.alarm(database_of(request), sites_of(request), number)
    return became(outcome, alarm)


@router.get(
    "/out-of-service",
    response_model=promised.Listed[promised.OutOfServiceItem],
    responses=answers(examples.OUT_OF_SERVICE),
)
def out_of_service(request: Request, site: SiteFilter = None) -> Json:
    """Fans and whole sites that are out of service, until when, by whom and why."""
    with database_of(request).read() as connection:
        out = OutNow.of(connection, only(sites_of(request), site))
    return Json({"items": [plain(one) for one in out.all()], "next": None})


async def _take_out(request: Request, site: str, fan: str | None, body: Out) -> Json:
    now = now_of(request)
    until = until_of(body.until, ("days", body.days, lambda days: timedelta(days=days)), LONGEST_OUT_OF_SERVICE, now)
    why, by = reason_of(body.why), asked.who(body.by)
    outcome = await asked.out_of_service(database_of(request), sites_of(request), site, fan, until, why, by, now)
    return became(outcome)


async def _bring_back(request: Request, site: str, fan: str | None, body: Who | None) -> Json:
    by = asked.who(body.by if body else None)
    database, sites = database_of(request), sites_of(request)
    outcome = await asked.return_to_service(database, sites, site, fan, by, now_of(request))
    return became(outcome)


@router.post(
    "/fans/{site}/{fan}/out-of-service", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE, 409, status=202),
)  # fmt: skip
async def fan_out_of_service(request: Request, site: SiteName, fan: FanName, body: Out) -> Json:
    """Maintenance: nothing is told of any alarm of the fan until its return date, or until somebody returns it."""
    return await _take_out(request, site, fan, body)


@router.post(
    "/fans/{site}/{fan}/return-to-service", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE, 409, status=202),
)  # fmt: skip
async def fan_returns(request: Request, site: SiteName, fan: FanName, body: Who | None = None) -> Json:
    """Maintenance is over: what stands and was not told is told."""
    return await _bring_back(request, site, fan, body)


@router.post(
    "/sites/{site}/out-of-service", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE, 409, status=202),
)  # fmt: skip
async def site_out_of_service(request: Request, site: SiteName, body: Out) -> Json:
    """Off season: the same for all fans of a site, those that are added later too, and for its supply points."""
    return await _take_out(request, site, None, body)


@router.post(
    "/sites/{site}/return-to-service", status_code=202, response_model=promised.Asked,
    responses=answers(examples.DONE, 409, status=202),
)  # fmt: skip
async def site_returns(request: Request, site: SiteName, body: Who | None = None) -> Json:
    """The season begins; fans that are out of service by themselves stay so."""
    return await _bring_back(request, site, None, body)
