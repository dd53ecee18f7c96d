"""The pages: one fan, Loggers with the form that takes on a fan. Whole without JavaScript."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Form, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.alarms.states import Suppression
from monitor.records import jobs, look, planned_stops, readings, register
from monitor.records.fan_file import read_nameplate
from monitor.records.register import Site
from monitor.records.rows import to_ms
from monitor.settings import NAME
from monitor.web import asked, fan_page, tonight, words
from monitor.web.api import database_of, now_of, only, point_of, sites_of
from monitor.web.heard import known_loggers
from monitor.web.held import held_words, plan_words
from monitor.web.lighter import lighter
from monitor.web.live import mark_text
from monitor.web.news import newest
from monitor.web.problems import not_found
from monitor.web.shapes import HEALTHS, limit_of
from monitor.web.shown import zone_of
from monitor.web.told import told_line

LOGGERS_AT_ONCE = 100
SHOWN_REJECTED = 50
TABLE_HOURS = 2
TABLE_SECONDS = 600

router = APIRouter()


def fan_path(site: str, fan: str) -> str:
    """Address of a fan's page."""
    return f"/fans/{quote(site, safe='')}/{quote(fan, safe='')}"


def render(request: Request, template: str, status: int = 200, **context: Any) -> Response:
    """A page, with what every page needs."""
    context |= {"fan_path": fan_path}
    page: Response = request.app.state.templates.TemplateResponse(request, template, context, status_code=status)
    return page


@router.get("/fans")
@router.get("/fans/{site}")
def cut_short(request: Request) -> Response:
    """The address of a fan's page with its end cut off: to the list it came from."""
    site = request.path_params.get("site")
    return RedirectResponse("/" if site is None else f"/?site={quote(site, safe='')}")


@router.get("/fans/{site}/{fan}")
def one_fan(
    request: Request, site: Annotated[str, Path(max_length=64)], fan: Annotated[str, Path(max_length=64)]
) -> Response:
    """One fan."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    mark = newest(database)
    item = look.fan(database, sites, site, fan)
    places = register.sites(database, only(sites, site))
    if item is None or not places:
        raise not_found(f"There is no fan {fan} at {site}. See the page Fans.")
    plate = read_nameplate(item["nameplate"])
    context = fan_page.build(item, places[0], plate, limit_of(item, plate.motor), now, asked.waiting(database))
    return render(
        request, "fan.html", item=item, site=places[0], mark=mark_text(mark),
        announced=_announced(request, item, places[0], now), planned=_planned(request, item, places[0], now),
        stop_from=now.astimezone(zone_of(places[0])),
        table=_recent(request, item, places[0], now), job=jobs.open_of_fan(database, sites, site, fan),
        told={row.number: told_line(database, sites, row.number, zone_of(places[0]), now) for row in context["alarms"]},
        **context,
    )  # fmt: skip


def _announced(request: Request, item: dict[str, Any], site: Site, now: datetime) -> str:
    """The planned stop that somebody announced, in words; empty where there is none."""
    for one in look.suppressed(database_of(request), only(sites_of(request), item["site"])):
        planned = one["suppression"] == Suppression.SUPPRESSED_BY_DESIGN.value and one["suppressed_by"] is not None
        if planned and (one["fan"], one["id"]) == (item["fan"], "stopped"):
            return held_words(one, zone_of(site), now)
    return ""


def _planned(request: Request, item: dict[str, Any], site: Site, now: datetime) -> str:
    """The planned stop that is still to begin, in words; empty where there is none."""
    found = planned_stops.waiting(database_of(request), only(sites_of(request), item["site"]), item["fan"])
    return plan_words(found[0], zone_of(site), now) if found else ""


def _recent(request: Request, item: dict[str, Any], site: Site, now: datetime) -> list[tuple[str, str, str, str, str]]:
    """The last hours in ten-minute means: what the charts show, for whoever cannot see them."""
    if item["time"] is None:
        return []
    last = to_ms(item["time"])
    database = database_of(request)
    point = point_of(database, item["site"], item["fan"])
    columns = readings.thin(readings.window(database, point, last - TABLE_HOURS * 3_600_000, last), TABLE_SECONDS)
    zone, rows = zone_of(site), []
    for at in range(len(columns["t_ms"])):
        end = datetime.fromtimestamp(columns["t_ms"][at] / 1000, tz=zone)
        mean = [_known(value) for value in columns["amps_mean"][at].tolist()][: 3 if item["phases"] == 3 else 1]
        most = max((value for value in columns["amps_max"][at].tolist() if value == value), default=None)
        volts = [_known(value) for value in columns["volts_mean"][at].tolist()][: 3 if item["phases"] == 3 else 1]
        limit = _known(float(columns["limit_amps_mean"][at]))
        rows.append(
            (f"{end:%H:%M}", words.legs(mean), words.amps_figure(most), words.amps_figure(limit), words.volts(volts))
        )
    return rows


def _known(value: float) -> float | None:
    return value if value == value else None


@router.post("/alarms/{number}/acknowledge")
async def acknowledge(
    request: Request,
    number: Annotated[int, Path(ge=1, le=2**53)],
    by: Annotated[str, Form(max_length=200)] = "",
    back: Annotated[str, Form(max_length=20)] = "",
) -> Response:
    """Acknowledges and goes back to where it was asked for: the fan, or the page Alarms."""
    database, sites = database_of(request), sites_of(request)
    await asked.acknowledge(database, sites, number, asked.who(by), now_of(request))
    alarm = await run_in_threadpool(look.alarm, database, sites, number)
    assert alarm is not None
    if back == "alarms":
        return RedirectResponse("/alarms#standing", 303)
    if alarm["fan"] or alarm["supply"]:
        page = fan_path(alarm["site"], alarm["fan"]) if alarm["fan"] else "/loggers"
        return RedirectResponse(f"{page}#alarms", 303)
    return RedirectResponse(f"/?site={quote(alarm['site'], safe='')}", 303)


@router.post("/sites/{site}/tonight")
async def tonights_low(
    request: Request,
    site: Annotated[str, Path(max_length=64)],
    low: Annotated[str, Form(max_length=tonight.LOW_LETTERS)] = "",
    fan: Annotated[str, Form(max_length=64)] = "",
    by: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Enters tonight's low in the site's units, or takes it back, and goes back to the fan."""
    database, sites = database_of(request), sites_of(request)
    places = await run_in_threadpool(register.sites, database, only(sites, site))
    if not places:
        raise not_found(f"There is no site {site}.")
    low_c = tonight.celsius(low, places[0].units)
    await asked.tonight(database, sites, site, low_c, asked.who(by), now_of(request))
    return RedirectResponse(f"{fan_path(site, fan) if fan else '/'}#tonight", 303)


# --- loggers ---------------------------------------------------------------------------------------------------


@router.get("/loggers")
def loggers(request: Request, part: Annotated[int, Query(ge=1, le=100_000)] = 1) -> Response:
    """Health, rejected, fans to be taken on; of many loggers so many at a time, what somebody must see to first."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    known = {one.site: one for one in register.sites(database, sites)}
    rejected = look.rejected(database, sites, limit=SHOWN_REJECTED)
    waiting = [one for alarms in look.open_alarms(database, sites).values() for one in alarms if one["supply"]]
    supply_alarms = sorted(waiting, key=lambda one: -one["number"])
    utc = Site("", "", "UTC", 0.0, "us", "17:00")

    def zone(site: str | None) -> Any:
        return zone_of(known.get(site or "", utc))

    heard = sorted(known_loggers(database, sites), key=lambda one: HEALTHS.index(one["health"]))
    parts = max(1, -(-len(heard) // LOGGERS_AT_ONCE))
    if part > parts:
        return RedirectResponse(f"/loggers?part={parts}")
    healths = [(health, sum(one["health"] == health for one in heard)) for health in HEALTHS]
    health = request.app.state.health()
    no_broker = None if health.get("broker_connected", True) else fan_page.sentence(health["broker"])
    page = render(
        request, "loggers.html", now=now, zone=zone, known=known, total=len(heard),
        loggers=heard[(part - 1) * LOGGERS_AT_ONCE : part * LOGGERS_AT_ONCE], part=part, parts=parts,
        first=(part - 1) * LOGGERS_AT_ONCE + 1, healths=[(health, count) for health, count in healths if count],
        newcomers=look.newcomers(database, sites)["items"], rejected=rejected["items"],
        more_rejected=rejected["next"] is not None,
        counts=look.reject_counts(database, sites)["items"], name_fits=lambda name: bool(NAME.fullmatch(name)),
        alarms=[fan_page.alarm_row(one, zone(one["site"]), now, asked.waiting(database)) for one in supply_alarms],
        legs_of=legs_of, no_broker=no_broker,
    )  # fmt: skip
    return lighter(request, page)


def legs_of(reading: dict[str, Any]) -> str:
    """The newest reading of a newcomer in words; whatever it holds."""
    told = []
    for name, unit in (("amps", "A"), ("volts", "V")):
        values = reading.get(name)
        values = values if isinstance(values, list) else [values]
        figures = [value if isinstance(value, int | float) else None for value in values]
        if any(value is not None for value in figures):
            text = words.legs(figures) if name == "amps" else words.volts(figures)
            told.append(words.with_unit(text, unit))
    return ", ".join(told) or "no amps and no volts"
