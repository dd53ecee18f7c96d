"""The page Review: drop a log or pick a window of a stored fan; its findings, and the report to take away."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from fastapi import APIRouter, File, Form, Query, Request, UploadFile
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from monitor.errors import ConfigError, Fault
from monitor.records import look, register
from monitor.records.actions import clean
from monitor.records.fan_file import read_nameplate
from monitor.records.register import Site
from monitor.records.rows import to_ms
from monitor.records.scope import allows
from monitor.review import child, command, published
from monitor.review.stored import no_longer_kept
from monitor.web.api import database_of, now_of, sites_of
from monitor.web.pages import render
from monitor.web.problems import not_found
from monitor.web.reader import current
from monitor.web.reviewing import DONE, FAILED, SECONDS, Busy, Job, Reviews
from monitor.web.shown import zone_of

LARGEST_LOG = 256 * 1024**2
"""Of a log that is dropped here [bytes]: 4 million readings. Larger ones: the command line."""
LARGEST_FORM = LARGEST_LOG + 1024**2
LONGEST_DAYS = 400
BEFORE, AFTER = timedelta(hours=12), timedelta(minutes=30)
"""What is offered around the end of a run: the night before it, and how volts and fan were afterwards."""
AS = {"judged": "as it was judged then", "measured": "as it was measured, late readings too"}
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'; sandbox"
"""The report carries its own styles; it runs nothing, and nothing in it may."""
OUTCOMES = {
    "report.html": (child.REPORT, "text/html; charset=utf-8"),
    "report.pdf": (child.PDF, "application/pdf"),
    "findings.json": (child.FINDINGS, "application/json"),
}

router = APIRouter()


def reviews_of(request: Request) -> Reviews:
    """What makes the reviews."""
    found: Reviews = request.app.state.reviews
    return found


@router.get("/review")
def ask(
    request: Request,
    site: Annotated[str | None, Query(max_length=64)] = None,
    fan: Annotated[str | None, Query(max_length=64)] = None,
    ended: Annotated[str | None, Query(max_length=40)] = None,
) -> Response:
    """The two forms; of a run that `ended` then with the hours before it, and half an hour of what came after."""
    return _form(request, {"fan": f"{site}/{fan}" if site and fan else "", **_hours_before(request, site, ended)}, ())


def _hours_before(request: Request, site: str | None, ended: str | None) -> dict[str, str]:
    """From and to as the form has them; empty where no time is asked for, or none can be read."""
    places = {one.site: one for one in register.sites(database_of(request), sites_of(request))}
    zone = _zone_for(site or "", places)
    try:
        end = _time(ended or "", zone).astimezone(UTC)
        times = {"from": end - BEFORE, "to": min(end + AFTER, now_of(request))}
        return {name: f"{time.astimezone(zone):%Y-%m-%dT%H:%M}" for name, time in times.items()}
    except (ValueError, OverflowError):
        return {}


def _form(request: Request, entered: Mapping[str, str], faults: tuple[str, ...], status: int = 200) -> Response:
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    places = {one.site: one for one in register.sites(database, sites)}
    fans = [f"{point.site}/{point.name}" for point, _ in register.fans(database, sites)]
    chosen = entered.get("fan") or (fans[0] if len(fans) == 1 else "")
    local = now.astimezone(_zone_for(chosen, places))
    usual = {"to": f"{local:%Y-%m-%dT%H:%M}", "from": f"{local - timedelta(hours=24):%Y-%m-%dT%H:%M}", "as": ""}
    usual |= dict.fromkeys(("nameplate", "zone", "columns"), "")
    return render(
        request, "review.html", status, fans=fans, entered={**usual, **entered, "fan": chosen}, faults=faults,
        window_first=bool(entered.get("fan")) and "columns" not in entered,
        ways=AS, largest=LARGEST_LOG // 1024**2, minutes=int(SECONDS / 60),
    )  # fmt: skip


def _zone_for(fan: str, places: Mapping[str, Site]) -> ZoneInfo:
    site = places.get(fan.partition("/")[0]) or next(iter(places.values()), None)
    return ZoneInfo("UTC") if site is None else zone_of(site)


@router.post("/review/window")
def of_window(
    request: Request,
    fan: Annotated[str, Form(max_length=140)] = "",
    since: Annotated[str, Form(alias="from", max_length=40)] = "",
    until: Annotated[str, Form(alias="to", max_length=40)] = "",
    how: Annotated[str, Form(alias="as", max_length=20)] = "judged",
) -> Response:
    """Has a window of a stored fan reviewed."""
    entered = {"fan": fan, "from": since, "to": until, "as": how}
    known = _known(request, fan)
    if known is None:
        return _form(request, entered, ("Choose a fan.",), 422)
    item, place = known
    times, faults = [], []
    for name, text in (("From", since), ("to", until)):
        try:
            times.append(_time(text, zone_of(place)))
        except ValueError:
            faults.append(f"{name}: expected a date and a time of day, found {text or 'nothing'}.")
    if how not in AS:
        faults.append(f"Reviewed as: expected one of {', '.join(AS)}.")
    if not faults and times[0] >= times[1]:
        faults.append("The window has to end after it begins.")
    elif not faults and times[1] - times[0] > timedelta(days=LONGEST_DAYS):
        faults.append(f"The window is longer than {LONGEST_DAYS} days.")
    if not faults:
        database, span = database_of(request), (to_ms(times[0]), to_ms(times[1]))
        key = next(one for one in register.points(database, [place.site]) if one.name == item["fan"])
        told = _faults_of(lambda: no_longer_kept(database, key, *span, place.time_zone))
        faults += [f"{one[:1].upper()}{one[1:]}" for one in told]
    if faults:
        return _form(request, entered, tuple(faults), 422)
    order = {
        "database": _address(request),
        "site": item["site"], "fan": item["fan"], "from": times[0].isoformat(), "to": times[1].isoformat(), "as": how,
        "zone": place.time_zone, "units": place.units,
    }  # fmt: skip
    return _submitted(request, None, order, fan, entered, item["site"])


def _time(text: str, zone: ZoneInfo) -> datetime:
    """A time as a form or a link has it; by the clock of the site where it names none."""
    time = datetime.fromisoformat(text)
    return time if time.tzinfo is not None else time.replace(tzinfo=zone)


def _known(request: Request, fan: str) -> tuple[dict[str, Any], Site] | None:
    """A fan that the reader may see, with its site."""
    site, _, name = fan.partition("/")
    item = look.fan(database_of(request), sites_of(request), site, name)
    places = {one.site: one for one in register.sites(database_of(request), sites_of(request))}
    return None if item is None or site not in places else (item, places[site])


@router.post("/review/log", max_body_size=LARGEST_FORM)
def of_log(
    request: Request,
    log: Annotated[UploadFile | None, File()] = None,
    fan: Annotated[str, Form(max_length=140)] = "",
    nameplate: Annotated[str, Form(max_length=60_000)] = "",
    zone: Annotated[str, Form(max_length=64)] = "",
    columns: Annotated[str, Form(max_length=2_000)] = "",
) -> Response:
    """Has a dropped log reviewed."""
    entered = {"fan": fan, "nameplate": nameplate, "zone": zone, "columns": columns}
    known = _known(request, fan) if fan else None
    faults: list[str] = []
    if log is None or not log.filename:
        faults.append("Choose the log file.")
    elif (log.size or 0) > LARGEST_LOG:
        faults.append(
            f"The log is larger than {LARGEST_LOG // 1024**2} MB: use amp-monitor review on the command line for it."
        )
    text = nameplate.strip() or (known[0]["nameplate"] if known else "")
    if not text:
        faults.append("Choose the fan, or paste its nameplate file: without the motor's figures nothing can be judged.")
    else:
        faults += _faults_of(lambda: read_nameplate(text, "file"))
    told: Mapping[str, str] = {}
    if columns.strip():
        lines = [line.strip() for line in columns.splitlines() if line.strip()]
        faults += _faults_of(lambda: command.columns(lines))
        told = {} if faults else command.columns(lines)
    if zone and not _is_zone(zone):
        faults.append(f"Time zone: expected a name such as America/Chicago, found {zone}.")
    if faults or log is None:
        return _form(request, entered, tuple(faults), 422)
    name = clean(Path(log.filename or "log").name, 80) or "log"
    place = known[1] if known else None
    try:
        directory = reviews_of(request).make_room()
    except Busy:
        return _busy(request, entered)
    # The ending of its name tells a packed log or a table from plain text; nothing else of the name is used.
    kept = directory / ("log" + "".join(Path(name).suffixes[-2:]).lower())
    with kept.open("wb") as file:
        shutil.copyfileobj(log.file, file, 1024**2)
    order = {
        "log": str(kept), "name": name if place is None else f"{fan}, {name}", "nameplate": text,
        "columns": dict(told), "log_zone": zone or (place.time_zone if place else None),
        "altitude_m": place.altitude_m if place else 0.0, "zone": zone or (place.time_zone if place else None),
        "units": place.units if place else "us",
    }  # fmt: skip
    if (
        known is not None and not nameplate.strip()
    ):  # by what was registered when it was written, and its service record
        order |= {"database": _address(request), "site": known[0]["site"], "fan": known[0]["fan"]}
    return _submitted(request, directory, order, name, entered, known[0]["site"] if known else None)


def _address(request: Request) -> str:
    return database_of(request).engine.url.render_as_string(hide_password=False)


def _faults_of(read: Any) -> list[str]:
    try:
        read()
    except ConfigError as exc:
        return [_said(one) for one in exc.faults] or [str(exc)]
    return []


def _said(fault: Fault) -> str:
    return f"{fault.place}: expected {fault.expected}, found {fault.found}."


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _submitted(
    request: Request, directory: Path | None, order: Mapping[str, Any], title: str, entered: Mapping[str, str],
    site: str | None,
) -> Response:  # fmt: skip
    reviews = reviews_of(request)
    try:
        job = reviews.submit(directory or reviews.make_room(), order, title, site=site, owner=current().number)
    except Busy:
        return _busy(request, entered)
    return RedirectResponse(f"/review/{job.token}", 303)


def _busy(request: Request, entered: Mapping[str, str]) -> Response:
    said = "Other reviews are being made. Try again in a minute."
    return _form(request, entered, (said,), 503)


@router.get("/review/{token}")
def outcome(request: Request, token: str) -> Response:
    """How far it is, what went wrong, or the findings."""
    job = _job(request, token)
    state = job.state  # once: it goes on while this is answered
    page = job.page() if state == DONE else None
    status = 422 if state == FAILED else 200
    percent = round(100 * job.progress())
    return render(request, "reviewed.html", status, job=job, state=state, page=page, percent=percent)


@router.get("/review/{token}/{name}")
def outcome_file(request: Request, token: str, name: str) -> Response:
    """The report, as a page or a PDF, or the findings as JSON."""
    job = _job(request, token)
    if name not in OUTCOMES or job.state != DONE:
        raise not_found("There is no such file of this review.")
    file, kind = OUTCOMES[name]
    download = None if name == "report.html" else f"review-{_plain(job.title)}.{name.rpartition('.')[2]}"
    headers = {"content-security-policy": REPORT_POLICY} if name == "report.html" else {}
    return FileResponse(job.directory / file, media_type=kind, filename=download, headers=headers)


def _plain(title: str) -> str:
    return "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in title).strip("-")[:60]


def _job(request: Request, token: str) -> Job:
    job = reviews_of(request).get(token)
    if job is None or not _is_readers(job):
        raise not_found("This review is no longer kept. Ask for it again on the page Review.")
    return job


def _is_readers(job: Job) -> bool:
    """Whether the reader sees the site that a review is of; of a log of no fan, whether it is the one who asked."""
    return job.owner == current().number if job.site is None else allows(current().sites, job.site)


@router.get("/api/v1/review.schema.json", include_in_schema=False)
def schema() -> Response:
    """The published form of the findings."""
    return JSONResponse(published.schema(), media_type="application/schema+json")
