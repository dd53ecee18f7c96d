"""Job sheets: what a sheet would say now, the sheet itself (one page when printed), its end, and all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.errors import ConfigError
from monitor.records import job_sheet, jobs, look, register, service_record
from monitor.records.actions import clean
from monitor.records.fan_file import read_nameplate
from monitor.records.jobs import Job
from monitor.records.register import Site
from monitor.records.service_entry import NOTE_LETTERS
from monitor.records.service_record import FINDINGS
from monitor.web import asked, asked_jobs, job_form, words
from monitor.web.api import database_of, now_of, only, sites_of
from monitor.web.asked_jobs import AlreadyOpen
from monitor.web.job_result import result_of
from monitor.web.job_words import by_whom, dated, sheet_of
from monitor.web.pages import fan_path, render
from monitor.web.plate_fields import number_of
from monitor.web.problems import Problem, not_found
from monitor.web.shown import zone_of

AT_ONCE = 100

router = APIRouter()

SiteName = Annotated[str, Path(max_length=64)]
FanName = Annotated[str, Path(max_length=64)]
Number = Annotated[int, Path(ge=1, le=2**53)]
Chosen = Annotated[str | None, Query(max_length=40)]


def job_path(number: int) -> str:
    """Address of a job's page."""
    return f"/jobs/{number}"


# --- what a sheet would say ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Choice:
    """One insert that a job may be opened for."""

    value: str
    text: str


@router.get("/fans/{site}/{fan}/job")
def preview(request: Request, site: SiteName, fan: FanName, pitch: Chosen = None) -> Response:
    """What a job sheet of a fan would say now. Where one is open already: to that one."""
    item, place = _fan(request, site, fan)
    already = jobs.open_of_fan(database_of(request), sites_of(request), site, fan)
    if already is not None:
        return RedirectResponse(f"{job_path(already.number)}?note=already", 303)
    wanted = job_sheet.recommended(item) if pitch is None else number_of(pitch) if pitch else None
    return _preview(request, item, place, wanted)


def _preview(
    request: Request, item: dict[str, Any], place: Site, wanted: object, *, note: str = "", by: str = "",
    faults: Mapping[str, tuple[str, ...]] | None = None, status: int = 200,
) -> Response:  # fmt: skip
    plate = read_nameplate(item["nameplate"])
    choices = job_sheet.choices(plate)
    pitch_to = float(wanted) if isinstance(wanted, int | float) and wanted in choices else None
    sheet = job_sheet.compose(item, place, pitch_to, note)
    inserts = None if pitch_to is None else plate.fan.blades
    return render(
        request, "job_new.html", status, item=item, site=place, wanted="" if pitch_to is None else f"{pitch_to:g}",
        choices=_choices(item, choices), note=note, by=by, faults=faults or {}, most_letters=job_sheet.NOTE_LETTERS,
        sheet=sheet_of(item["fan"], sheet, plate.fan.blade_pitch_degrees, pitch_to, inserts), number=None,
        registered=bool(choices), present=plate.fan.blade_pitch_degrees,
    )  # fmt: skip


def _choices(item: dict[str, Any], choices: tuple[float, ...]) -> list[Choice]:
    """The inserts on hand, each with what is expected of it; behind them none at all."""
    options = {one["pitch"]: one for one in ((item["estimate"] or {}).get("pitch") or {}).get("options") or ()}
    best = job_sheet.recommended(item)
    rows = []
    for angle in choices:
        said = options.get(angle)
        text = words.degrees(angle)
        if said is not None:
            chance = "" if said["chance"] is None else f", chance {words.chance(said['chance'])}"
            text += f": {words.amps(said['amps'])}{chance}"
        rows.append(Choice(f"{angle:g}", f"{text}, recommended" if angle == best else text))
    return [*rows, Choice("", "no insert: checks only")]


@router.post("/fans/{site}/{fan}/job")
async def open_job(
    request: Request,
    site: SiteName,
    fan: FanName,
    pitch: Annotated[str, Form(max_length=40)] = "",
    note: Annotated[str, Form(max_length=4 * job_sheet.NOTE_LETTERS)] = "",
    by: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Opens a job and goes to its sheet; where one is open already, to that one."""
    database, sites = database_of(request), sites_of(request)
    item, place = await run_in_threadpool(_fan, request, site, fan)
    wanted = number_of(pitch) if pitch.strip() else None
    said = clean(note, job_sheet.NOTE_LETTERS)
    try:
        if isinstance(wanted, str):
            raise ConfigError("there is no such insert on hand")
        _, number = await asked_jobs.open_job(
            database, sites, site, fan, None if wanted is None else float(wanted), said, asked.who(by), now_of(request)
        )
    except ConfigError:
        told = {"pitch": ("Expected one of the inserts on hand, or none.",)}
        return await run_in_threadpool(
            _preview, request, item, place, wanted, note=said, by=by, faults=told, status=422
        )
    except AlreadyOpen as exc:
        return RedirectResponse(f"{job_path(exc.job.number)}?note=already", 303)
    except Problem:  # somebody else's was carried out the moment before
        already = await run_in_threadpool(jobs.open_of_fan, database, sites, site, fan)
        if already is None:
            raise
        return RedirectResponse(f"{job_path(already.number)}?note=already", 303)
    return RedirectResponse(f"/jobs?site={site}#waits" if number is None else job_path(number), 303)


def _fan(request: Request, site: str, fan: str) -> tuple[dict[str, Any], Site]:
    database, sites = database_of(request), sites_of(request)
    item = look.fan(database, sites, site, fan)
    places = register.sites(database, only(sites, site))
    if item is None or not places:
        raise not_found(f"There is no fan {fan} at {site}. See the page Fans.")
    return item, places[0]


# --- one job ---------------------------------------------------------------------------------------------------

NOTES = {
    "already": "This fan has an open job already: this one. No second one was opened. Close it or drop it first.",
}


@router.get("/jobs/{number}")
def one_job(request: Request, number: Number, note: Annotated[str, Query(max_length=20)] = "") -> Response:
    """A job sheet; once it is closed what the work has brought."""
    return _page(request, _job(request, number), None, note=NOTES.get(note, ""))


def _job(request: Request, number: int) -> Job:
    job = jobs.one(database_of(request), sites_of(request), number)
    if job is None:
        raise not_found(f"There is no job {number}. See the page Jobs.")
    return job


def _page(
    request: Request, job: Job, typed: job_form.Typed | None, *, note: str = "", why: str = "", status: int = 200,
    why_fault: str = "",
) -> Response:  # fmt: skip
    database, now = database_of(request), now_of(request)
    sheet = job.sheet
    (place,) = register.sites(database, [job.site])
    zone = zone_of(place)
    plate = _registered(database, job)
    phases = job.sheet["phases"] if plate is None else plate.motor.phases
    result = None
    if job.state == jobs.DONE and job.found is not None:
        entries = service_record.entries_of_action(database, job.found["action"])
        result = result_of(job.found, entries, job.pitch_from, zone, place.units)
    return render(
        request, "job.html", status, job=job, number=job.number, site=place, note=note, result=result,
        waits=asked_jobs.waits(database, job.number) if job.state == jobs.OPEN else False,
        sheet=sheet_of(job.fan, sheet, job.pitch_from, job.pitch_to, job.inserts),
        opened=f"{dated(job.opened, zone)} {by_whom(job.opened_by)}",
        closed="" if job.closed is None else f"{dated(job.closed, zone)} {by_whom(job.closed_by or '')}",
        typed=typed or job_form.blank(now, zone, job.pitch_to), amps=job_form.amps_group(phases),
        volts=job_form.volts_group(phases), at_motor=job_form.volts_group(phases, "at_motor_"),
        at_service=job_form.volts_group(phases, "at_service_"), findings=FINDINGS, check_field=job_form.check_field,
        pitches=_pitches(job, plate), letters=NOTE_LETTERS, why=why, why_fault=why_fault,
        gone=plate is None, zone=zone.key.replace("_", " "),
    )  # fmt: skip


def _registered(database: Any, job: Job) -> Any:
    """The nameplate of the job's fan as it is registered now; None where it is removed."""
    with database.read() as connection:
        found = register.find_fan(connection, [job.site], job.site, job.fan)
    return None if found is None else found[1].nameplate


def _pitches(job: Job, plate: Any) -> list[Choice]:
    """Which pitch may be in after the work: left as it was, and every angle on hand."""
    if plate is None or plate.fan.blade_pitch_degrees is None:
        return [Choice(job_form.LEFT, "left as it was")]
    present = plate.fan.blade_pitch_degrees
    least = plate.fan.minimum_pitch_degrees
    angles = {*plate.fan.available_pitch_degrees, *(() if job.pitch_to is None else (job.pitch_to,))} - {present}
    angles = {one for one in angles if least is None or one >= least}
    rows = [Choice(f"{one:g}", f"now {words.degrees(one)}{' (planned)' if one == job.pitch_to else ''}")
            for one in sorted(angles, reverse=True)]  # fmt: skip
    return [Choice(job_form.LEFT, f"left as registered, at {words.degrees(present)}"), *rows]


@router.post("/jobs/{number}/close")
async def close(request: Request, number: Number) -> Response:
    """Closes a job with what was read after the work; with faults the form comes back, each at its field."""
    form = await request.form(max_fields=60, max_part_size=job_form.LONGEST)
    given = {name: value[: job_form.LONGEST] for name, value in form.items() if isinstance(value, str)}
    job = await run_in_threadpool(_job, request, number)
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    (place,) = await run_in_threadpool(register.sites, database, [job.site])
    plate = await run_in_threadpool(_registered, database, job)
    phases = job.sheet["phases"] if plate is None else plate.motor.phases
    table, typed = job_form.read(given, phases=phases, zone=zone_of(place), units=place.units, now=now)
    try:
        await run_in_threadpool(asked_jobs.look_at_closing, database, sites, number, table, now)
    except ConfigError as exc:
        typed = job_form.with_faults(typed, exc.faults, table, phases)
    if typed.faulty:
        return await run_in_threadpool(_page, request, job, typed, status=422)
    await asked_jobs.close_job(database, sites, number, table, asked.who(given.get("by")), now)
    return RedirectResponse(f"{job_path(number)}#found", 303)


@router.post("/jobs/{number}/drop")
async def drop(
    request: Request,
    number: Number,
    why: Annotated[str, Form(max_length=1200)] = "",
    by: Annotated[str, Form(max_length=200)] = "",
) -> Response:
    """Drops a job that is not to be done."""
    job = await run_in_threadpool(_job, request, number)
    try:
        await asked_jobs.drop_job(
            database_of(request), sites_of(request), number, asked.why(why), asked.who(by), now_of(request)
        )
    except ConfigError:
        told = "Expected a reason in a few words."
        return await run_in_threadpool(_page, request, job, None, why=why, why_fault=told, status=422)
    return RedirectResponse(job_path(number), 303)


# --- all of them -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class JobRow:
    """One job in a list."""

    number: int
    fan: str
    site: str
    path: str
    inserts: str
    why: str
    when: str
    by: str
    outcome: str


@router.get("/jobs")
def all_jobs(
    request: Request,
    site: Annotated[str | None, Query(max_length=64)] = None,
    after: Annotated[str | None, Query(max_length=400)] = None,
) -> Response:
    """Open jobs, and past ones, newest first."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    known = {one.site: one for one in register.sites(database, sites)}
    if site is not None and site not in known:
        raise not_found(f"There is no site {site}.")
    past = asked_jobs.past(database, sites, site, AT_ONCE, after)
    rows = [_row(jobs.item_of(job), known, now) for job in jobs.open_jobs(database, sites, site)]
    return render(
        request, "jobs.html", open=rows, past=[_row(one, known, now) for one in past["items"]], more=past["next"],
        site=site, sites=known, after=after, waits=asked_jobs.opening(database, sites, site),
    )  # fmt: skip


def _row(item: dict[str, Any], known: dict[str, Site], now: Any) -> JobRow:
    place = known[item["site"]]
    zone = zone_of(place)
    pitch_to, found = item["pitch_to"], item["found"] or {}
    chosen = "checks only" if pitch_to is None else (
        f"{words.degrees(pitch_to)}, count the blades" if item["inserts"] is None else
        f"{item['inserts']} of {words.degrees(pitch_to)}"
    )  # fmt: skip
    outcome = ""
    if item["state"] == jobs.DROPPED:
        outcome = f"dropped: {found.get('why', '')}"
    elif item["state"] == jobs.DONE:
        outcome = f"done: {(found.get('words') or [''])[0]}"
    over = item["closed"] is not None
    return JobRow(
        item["number"], item["fan"], place.name or place.site, job_path(item["number"]), chosen, item["why"],
        words.local(item["closed"] if over else item["opened"], zone, now),
        item["closed_by"] if over else item["opened_by"], outcome,
    )  # fmt: skip


__all__ = ["fan_path", "job_path", "router"]
