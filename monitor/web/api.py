"""/api/v1: the same records as the pages, for programs. OpenAPI at /api/v1/openapi.json."""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable, Mapping
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import Body, Depends, Header, Path, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import BaseModel, Field

from monitor.blades.tonight import LOW_BOUNDS_C
from monitor.errors import Fault, ReadingError
from monitor.records import look, readings, register, service_record
from monitor.records.database import Database
from monitor.records.fan_file import read_nameplate
from monitor.records.retention import kept_from_ms
from monitor.records.rows import from_ms, to_ms
from monitor.records.scope import Sites, allows
from monitor.records.service_entry import entry_schema
from monitor.web import asked, examples
from monitor.web.api_router import JSON, Json, answers, api_router, shown
from monitor.web.heard import loggers_page
from monitor.web.live import Live, Program, mark_of
from monitor.web.news import MARK_LENGTH
from monitor.web.problems import Problem, not_found
from monitor.web.promised import Alarm, Asked, Columns, Entered, Fan, FanInFull, Listed, Logger, ServiceEntry
from monitor.web.reader import current
from monitor.web.shapes import alarm_shape, columns_shape, fan_in_full, fan_shape, limit_of, service_shape
from monitor.web.times import read_time, rfc3339

MOST_ROWS = 700_000
"""Rows of one answer: a week at one a second. What is longer is asked for in parts, or thinned."""
MOST_RAW_DAYS = 8
MOST_SLOTS = 50_000
LONGEST_PLANNED_STOP = timedelta(days=366)
USUAL_SPAN = timedelta(hours=2)

router = api_router("fans")

SiteName = Annotated[str, Path(max_length=64, examples=["home"])]
FanName = Annotated[str, Path(max_length=64, examples=["bin-1"])]
AlarmNumber = Annotated[int, Path(ge=1, le=2**53, examples=[17])]
Next = Annotated[
    str | None, Query(max_length=16_384, pattern=r"^[A-Za-z0-9_-]*$", description="`next` of the part before")
]
SiteFilter = Annotated[str | None, Query(max_length=64, description="only of this site", examples=["home"])]

ENTRY_EXAMPLES = {
    "check": {
        "kind": "check", "check": "supply voltage", "finding": "good", "done": "2026-10-03T14:00:00Z",
        "volts": [461.0, 458.4, 460.2], "by": "ann",
    },
    "hand reading": {"kind": "hand reading", "amps": [15.4, 15.1, 14.6], "volts": [450.0, 447.0, 443.0]},
    "re-pitch": {"kind": "re-pitch", "from": 21, "to": 18, "note": "all six blades"},
    "note": {"kind": "note", "note": "guard loose, tightened"},
}  # fmt: skip
ENTRY_DESCRIBED = {
    "requestBody": {
        "required": True,
        "content": {
            JSON: {
                "schema": entry_schema(),
                "examples": {kind: {"value": value} for kind, value in ENTRY_EXAMPLES.items()},
            }
        },
    }
}
"""What may be entered, as JSON Schema: one form for each kind."""


class Acknowledgement(BaseModel):
    model_config = shown({"by": "ann"})
    by: str | None = Field(None, max_length=200, description="who; beside the name of the account, if there is one")


class PlannedStop(BaseModel):
    model_config = shown({"from": "2026-10-05T14:00:00Z", "hours": 3, "why": "new bearings", "by": "ann"})
    begin: str | None = Field(
        None, alias="from", max_length=40, description="RFC 3339: when it begins; null, or a time that has passed: now"
    )
    until: str | None = Field(None, max_length=40, description="RFC 3339; null takes announced stops back")
    hours: float | None = Field(
        None, gt=0, le=8784, description="instead of `until`: so many hours from now, or from `from`"
    )
    why: str | None = Field(None, max_length=1000)
    by: str | None = Field(None, max_length=200)


class TonightsLow(BaseModel):
    model_config = shown({"low_c": -1.5})
    low_c: float | None = Field(
        ge=LOW_BOUNDS_C[0], le=LOW_BOUNDS_C[1], allow_inf_nan=False, description="degrees C; null takes it back"
    )
    by: str | None = Field(None, max_length=200)


def database_of(request: Request) -> Database:
    """The open database of the app."""
    database: Database = request.app.state.database
    return database


def sites_of(request: Request) -> Sites:
    """The sites whoever asks may see: those of the account; all, as long as there are no accounts."""
    return current().sites


def now_of(request: Request) -> datetime:
    """Wall time."""
    now: datetime = request.app.state.now()
    return now


def only(sites: Sites, site: str | None) -> Sites:
    """The reader's sites narrowed to one; to none where it is not the reader's."""
    if site is None:
        return sites
    return [site] if allows(sites, site) else []


def listed(read: Callable[[], Any], shape: Callable[[Mapping[str, Any]], dict[str, Any]]) -> Json:
    """A part of a list in the API's form, as `Listed` describes it.

    Raises
    ------
    Problem : 422, the token is not one of this list
    """
    try:
        page = read()
    except (ReadingError, OverflowError):
        fault = Fault("next", "`next` of the answer before, unchanged", "something else")
        raise Problem(422, "`next` is no token of this list.", faults=(fault,)) from None
    return Json({"items": [shape(item) for item in page["items"]], "next": page["next"]})


@router.get("/fans", response_model=Listed[Fan], responses=answers(examples.FANS))
def fans(
    request: Request, site: SiteFilter = None, next: Next = None, limit: Annotated[int, Query(ge=1, le=500)] = 500
) -> Json:
    """All fans, least margin first. Margins change while parts are read: each part holds what comes first by then of
    the fans that were not given yet, so that all parts together hold each fan once."""
    database, sites = database_of(request), only(sites_of(request), site)
    return listed(lambda: look.fans(database, sites, limit=limit, after=next), fan_shape)


@router.get("/fans/{site}/{fan}", response_model=FanInFull, responses=answers(examples.FAN))
def one_fan(request: Request, site: SiteName, fan: FanName) -> Json:
    """One fan with limit factors, parts, pitch, tonight and runs."""
    item = look.fan(database_of(request), sites_of(request), site, fan)
    if item is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    return Json(fan_in_full(item, limit_of(item, read_nameplate(item["nameplate"]).motor)))


@router.get("/fans/{site}/{fan}/readings", response_model=Columns, responses=answers(examples.READINGS))
def fan_readings(
    request: Request,
    site: SiteName,
    fan: FanName,
    since: Annotated[str | None, Query(alias="from", max_length=40, description="RFC 3339; 2 h before `to`")] = None,
    until: Annotated[str | None, Query(alias="to", max_length=40, description="RFC 3339; now")] = None,
    every: Annotated[float | None, Query(ge=1, le=31 * 86_400, description="seconds; none: raw and whole")] = None,
) -> Json:
    """Readings after `from` and not after `to`, raw and whole, or least, mean and greatest for each `every` seconds."""
    database = database_of(request)
    item = look.fan(database, sites_of(request), site, fan)
    if item is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    to_time = now_of(request) if until is None else read_time(until, "to")
    last = to_ms(to_time)
    first = last - to_ms_span(USUAL_SPAN) if since is None else to_ms(read_time(since, "from"))
    _check_span(first, last, every)
    point_id = point_of(database, site, fan)
    columns = readings.window(database, point_id, first, last)
    if every is not None:
        columns = readings.thin(columns, every)
    elif len(columns["t_ms"]) > MOST_ROWS:
        raise Problem(
            422,
            f"These are {len(columns['t_ms'])} readings, more than {MOST_ROWS} at once. "
            "Ask for a shorter span, or with `every`.",
        )
    shaped = columns_shape(columns, item["phases"], thinned=every is not None)
    kept_ms = kept_from_ms(database, point_id)
    kept = None if kept_ms is None or first >= kept_ms else rfc3339(from_ms(kept_ms))
    return Json({"columns": shaped, "kept_from": kept})


def became(outcome: str, alarm: Mapping[str, Any] | None = None) -> Json:
    """What became of an operator's action, as `Asked` describes it; "" while the service has not come to it."""
    return Json({"outcome": outcome or None, "alarm": None if alarm is None else alarm_shape(alarm)}, 202)


def to_ms_span(span: timedelta) -> int:
    """Milliseconds of a span."""
    return math.floor(span.total_seconds() * 1000)


def _check_span(first: int, last: int, every: float | None) -> None:
    if first > last:
        raise Problem(422, "`from` lies after `to`.", faults=(Fault("from", "a time before `to`", "a later one"),))
    seconds = (last - first) / 1000
    if every is None and seconds > MOST_RAW_DAYS * 86_400:
        raise Problem(422, f"More than {MOST_RAW_DAYS} days at once only with `every`, e.g. every=600.")
    if every is not None and seconds / every > MOST_SLOTS:
        raise Problem(422, f"These are over {MOST_SLOTS} slots. Ask for a shorter span or a greater `every`.")


def point_of(database: Database, site: str, fan: str) -> int:
    """The point of a fan that is in the register."""
    return next(key.point_id for key in register.points(database, [site]) if key.name == fan)


@router.get("/alarms", response_model=Listed[Alarm], responses=answers(examples.listed(examples.ALARM)))
def alarms(
    request: Request,
    site: SiteFilter = None,
    since: Annotated[str | None, Query(alias="from", max_length=40, description="raised after (event time)")] = None,
    until: Annotated[str | None, Query(alias="to", max_length=40, description="raised not after")] = None,
    standing: Annotated[bool | None, Query(description="true: only those that hold or wait to be acknowledged")] = None,
    next: Next = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Json:
    """Alarms, the newest first."""
    database, sites = database_of(request), sites_of(request)
    first = None if since is None else read_time(since, "from")
    last = None if until is None else read_time(until, "to")
    return listed(
        lambda: look.alarms(
            database, sites, site=site, standing=standing, since=first, until=last, limit=limit, after=next
        ),
        alarm_shape,
    )


@router.post(
    "/alarms/{number}/acknowledge", status_code=202, response_model=Asked,
    responses=answers(examples.DONE_ACKNOWLEDGED, 409, status=202),
)  # fmt: skip
async def acknowledge(request: Request, number: AlarmNumber, body: Acknowledgement | None = None) -> Json:
    """An operator has taken note of an alarm."""
    database, sites = database_of(request), sites_of(request)
    by = asked.who(body.by if body else None)
    outcome = await asked.acknowledge(database, sites, number, by, now_of(request))
    alarm = look.alarm(database, sites, number)
    return became(outcome, alarm)


@router.post(
    "/fans/{site}/{fan}/planned-stop", status_code=202, response_model=Asked,
    responses=answers(examples.DONE, 409, status=202),
)  # fmt: skip
async def planned_stop(request: Request, site: SiteName, fan: FanName, body: PlannedStop) -> Json:
    """Announces that a fan will stand still on purpose, from now or from later on: its stop rings nobody meanwhile;
    without a time: takes that back. One stop of a fan waits for its begin: another that begins later takes its place.
    """
    now = now_of(request)
    begins = None if body.begin is None else read_time(body.begin, "from")
    if begins is not None and body.until is None and body.hours is None:
        raise Problem(
            422, "Until when will it stand still?", faults=(Fault("until", "`until` or `hours` beside `from`", "none"),)
        )
    begins = begins if begins is not None and begins > now else None
    if body.until is not None and body.hours is not None:
        raise Problem(
            422,
            "Give `until` or `hours`, not both.",
            faults=(Fault("hours", "nothing beside `until`", str(body.hours)),),
        )
    until = None if body.until is None else read_time(body.until, "until")
    if body.hours is not None:
        until = (begins or now) + timedelta(hours=body.hours)
    if begins is not None and until is not None and until <= begins:
        fault = Fault("until", f"a time after {rfc3339(begins)}", rfc3339(until))
        raise Problem(422, "This stop would be over before it begins.", faults=(fault,))
    if until is not None and not now < until <= now + LONGEST_PLANNED_STOP:
        expected = f"a time after {rfc3339(now)} and within a year"
        raise Problem(422, "This is no time to stand still until.", faults=(Fault("until", expected, rfc3339(until)),))
    by, reason = asked.who(body.by), asked.why(body.why)
    database, sites = database_of(request), sites_of(request)
    outcome = await asked.planned_stop(database, sites, site, fan, until, reason, by, now, begins=begins)
    return became(outcome)


@router.get("/fans/{site}/{fan}/service", response_model=Listed[ServiceEntry], responses=answers(examples.SERVICE))
def service(
    request: Request, site: SiteName, fan: FanName, next: Next = None, limit: Annotated[int, Query(ge=1, le=500)] = 100
) -> Json:
    """The service record of a fan, newest first: checks, hand readings, re-pitches, lead rotations, notes. What was
    withdrawn stays, and says by which entry."""
    database, sites = database_of(request), sites_of(request)
    if not look.has_fan(database, sites, site, fan):
        raise not_found(f"There is no fan {fan} at {site}.")
    return listed(lambda: service_record.page_of(database, sites, site, fan, limit=limit, after=next), service_shape)


@router.post(
    "/fans/{site}/{fan}/service", status_code=202, response_model=Entered, openapi_extra=ENTRY_DESCRIBED,
    responses=answers(examples.ENTERED, 409, status=202),
)  # fmt: skip
async def enter_service(
    request: Request, site: SiteName, fan: FanName, entry: Annotated[dict[str, Any], Body()]
) -> Json:
    """Enters what a technician checked or changed; a re-pitch makes a register version from the time it was done. An
    entry is never changed: a wrong one is withdrawn by an entry of kind "withdraw"."""
    database, sites = database_of(request), sites_of(request)
    outcome, number = await asked.service(database, sites, site, fan, entry, None, now_of(request))
    made = None if number is None else service_record.one(database, number)
    entered = None if made is None else service_shape(service_record.item_of(made))
    return Json({"outcome": outcome or None, "entry": entered}, 202)


@router.post(
    "/sites/{site}/tonight", status_code=202, response_model=Asked, responses=answers(examples.DONE, 409, status=202)
)
async def tonight(request: Request, site: SiteName, body: TonightsLow) -> Json:
    """Enters tonight's low, for the outlook of a site's fans; it holds until nine the next morning."""
    by = asked.who(body.by)
    outcome = await asked.tonight(database_of(request), sites_of(request), site, body.low_c, by, now_of(request))
    return became(outcome)


@router.get("/loggers", response_model=Listed[Logger], responses=answers(examples.LOGGERS))
def loggers(
    request: Request, site: SiteFilter = None, next: Next = None, limit: Annotated[int, Query(ge=1, le=500)] = 500
) -> Json:
    """Health of every logger, names to be taken on, and what was rejected with reasons; by site and name."""
    database, sites = database_of(request), only(sites_of(request), site)
    return listed(lambda: loggers_page(database, sites, limit, next), dict)


LIVE_EXAMPLE = 'event: open\nid: 90210-41\nretry: 3000\ndata: {"ok":true}\n\n'


def room_to_listen(request: Request) -> None:
    """Refuses before the stream begins: afterwards no status can be told.

    Raises
    ------
    Problem : 503, enough pages listen
    """
    if request.app.state.live.full:
        raise Problem(503, "Too many pages listen already. Close some.", headers={"retry-after": "60"})


@router.get(
    "/live", response_class=EventSourceResponse, dependencies=[Depends(room_to_listen)],
    responses={200: {"content": {"text/event-stream": {"example": LIVE_EXAMPLE}}}},
)  # fmt: skip
async def live(
    request: Request,
    site: SiteFilter = None,
    fan: SiteFilter = None,
    after: Annotated[str | None, Query(max_length=40, description="id of the last event heard")] = None,
    last_event_id: Annotated[str | None, Header(max_length=40)] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Server-sent events: `fan` (as in /fans) and `alarm` (as in /alarms) as things change; `open` first,
    `now` when nothing was told for 20 s."""
    told: Live = request.app.state.live
    if site is not None and not allows(sites_of(request), site):
        return
    mark = mark_of(last_event_id or after, MARK_LENGTH)
    async for event in told.stream(mark, current(), Program(site, fan)):
        yield event
