"""/api/v1/morning: what a night came to at all sites of a reader, as the page This morning tells it."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Query, Request
from pydantic import BaseModel, Field

from monitor.records.jobs import Job
from monitor.records.morning import Morning, Place
from monitor.records.morning_stops import Stop
from monitor.records.morning_supply import SupplyFault
from monitor.web.api import SiteFilter
from monitor.web.api_router import Json, answers, api_router
from monitor.web.morning_order import calls
from monitor.web.morning_page import asked_morning
from monitor.web.promised import Alarm, Fan, OutOfServiceItem
from monitor.web.shapes import alarm_shape, fan_shape, plain

router = api_router("morning")

Items = list[dict[str, Any]]


class MorningTold(BaseModel):
    """What a night came to. Shares of a limit are ratios."""

    time: str
    sites: Items = Field(
        description="in the order of work, each with `reasons` (least `rank` first) and counts of fans"
    )
    stops: Items = Field(
        description="fans that tripped (`what`: trip), have not run since their supply is back (not back), or stand "
        "still that nothing explains (stop); `waits`: somebody has to see to it"
    )
    margins: list[Fan] = Field(description="running fans with the least margin, as in /fans")
    supply_faults: Items = Field(
        description="`kind`: lost, unbalanced, low, high; `worst`: % unbalance, or % of `rated_volts`; `not_at`: fans "
        "of the same supply that measure their own volts and do not show it"
    )
    loggers: Items = Field(description="to visit; `why`: site, silent, never, doubt, offline, often")
    jobs: Items = Field(description="open job sheets")
    inserts: Items = Field(description="what those need, by `pitch`; `ask`: fans whose number of blades is not known")
    other_alarms: list[Alarm] = Field(description="what else stands, as in /alarms")
    out_of_service: list[OutOfServiceItem]
    held_back: list[Alarm] = Field(description="shelved alarms and announced stops, as in /alarms")
    not_delivered: Items = Field(description="by site and route; `nobody`: alarms of which nobody at all was told")


EXAMPLE = {
    "time": "2026-10-05T11:30:00Z",
    "sites": [
        {
            "site": "home", "name": "Home farm", "time_zone": "America/Chicago", "since": "2026-10-04T22:00:00Z",
            "fans": 7, "running": 6, "still": 1, "not_heard": 0, "out_of_service": False,
            "reasons": [{"rank": 1, "do": "Drive", "text": "bin-1 tripped at 02:10 CDT and stands still", "count": 1}],
        }
    ],
    "stops": [
        {
            "site": "home", "fan": "bin-1", "what": "trip", "at": "2026-10-05T07:10:00Z",
            "end_cause": "overload trip", "confidence": "high", "evidence": [], "times": 1, "running": False,
            "since": "2026-10-05T07:10:10Z", "heard": True, "control": "continuous", "waits": True, "alarms": [17],
            "away": None, "out_of_service": None,
        }
    ],
    "margins": [], "supply_faults": [], "loggers": [], "jobs": [],
    "inserts": [{"pitch": 18.0, "count": 6, "ask": [], "fans": [{"fan": "home/bin-2", "count": 6}]}],
    "other_alarms": [], "out_of_service": [], "held_back": [], "not_delivered": [],
}  # fmt: skip


@router.get("/morning", response_model=MorningTold, responses=answers(EXAMPLE, 404))
def this_morning(
    request: Request,
    site: SiteFilter = None,
    since: Annotated[
        str | None,
        Query(max_length=40, description="RFC 3339, or a day: its 17:00 by each site's clock; 17:00 of yesterday"),
    ] = None,
) -> Json:
    """What happened since 17:00 of yesterday: sites in the order of work with what each wants; fans that tripped or
    stand still; least margin; faults of supplies; loggers to visit; open job sheets and inserts; what is held back;
    notices that did not arrive."""
    found, _ = asked_morning(request, site, since)
    return Json(morning_shape(found))


def morning_shape(found: Morning) -> dict[str, Any]:
    """The whole answer. Times are RFC 3339; what is not known is null; shares of a limit are ratios."""
    ordered = {one.place.site.site: one.reasons for one in calls(found)}
    places = {one.site.site: one for one in found.places}
    by_work = [*ordered, *(name for name in places if name not in ordered)]
    shaped: dict[str, Any] = plain(
        {
            "time": found.at,
            "sites": [_place(places[name], [asdict(one) for one in ordered.get(name, ())]) for name in by_work],
            "stops": [_stop(one) for one in found.stops],
            "margins": [fan_shape(one) for one in found.margins],
            "supply_faults": [_fault(one) for one in found.faults],
            "loggers": [asdict(one) for one in found.loggers],
            "jobs": [_job(one) for one in found.jobs],
            "inserts": [
                {"pitch": one.pitch, "count": one.count, "ask": one.ask,
                 "fans": [{"fan": fan, "count": count} for fan, count in one.fans]}
                for one in found.inserts
            ],
            "other_alarms": [alarm_shape(one) for one in found.others],
            "out_of_service": found.out,
            "held_back": [alarm_shape(one) for one in found.held],
            "not_delivered": [asdict(one) for one in found.failed],
        }
    )  # fmt: skip
    return shaped


def _place(one: Place, reasons: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "site": one.site.site, "name": one.site.name, "time_zone": one.site.time_zone, "since": one.since,
        "fans": one.fans, "running": one.running, "still": one.still, "not_heard": one.silent,
        "out_of_service": one.out, "reasons": reasons,
    }  # fmt: skip


def _stop(one: Stop) -> dict[str, Any]:
    told = {name: getattr(one, name) for name in Stop.__dataclass_fields__ if name not in ("alarms", "away", "out")}
    away = None if one.away is None else asdict(one.away)
    alarms = [alarm["number"] for alarm in one.alarms]
    return {**told, "waits": one.waits, "alarms": alarms, "away": away, "out_of_service": one.out}


def _fault(one: SupplyFault) -> dict[str, Any]:
    told = asdict(one)
    lasted = told.pop("lasted")
    return {**told, "lasted_seconds": lasted.total_seconds()}


def _job(one: Job) -> dict[str, Any]:
    names = ("number", "site", "fan", "opened", "opened_by", "pitch_from", "pitch_to", "inserts", "why")
    return {name: getattr(one, name) for name in names}
