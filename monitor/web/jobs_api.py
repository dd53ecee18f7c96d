"""/api/v1: job sheets, opened with what is seen of a fan, closed with what was read after the work."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import Path, Query, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from monitor.records import job_sheet, jobs
from monitor.records.actions import clean
from monitor.records.job_entry import CloseJob
from monitor.web import asked, asked_jobs
from monitor.web.api import FanName, Next, SiteFilter, SiteName, database_of, listed, now_of, only, sites_of
from monitor.web.api_router import Json, answers, api_router, shown
from monitor.web.problems import not_found
from monitor.web.promised import Listed
from monitor.web.shapes import plain

router = api_router("jobs")

JobNumber = Annotated[int, Path(ge=1, le=2**53, examples=[7])]


class JobInShort(BaseModel):
    """A job as lists have it."""

    number: int
    site: str
    fan: str
    state: Literal["open", "done", "dropped"]
    opened: datetime
    opened_by: str
    pitch_from: float | None = Field(description="blade pitch registered at its opening, degrees")
    pitch_to: float | None = Field(description="angle of the inserts chosen, degrees; null: checks only")
    inserts: int | None = Field(description="how many of that angle; null: count the blades, or none is chosen")
    why: str = Field(description="what was seen, in one line")
    closed: datetime | None = None
    closed_by: str | None = None
    found: dict[str, Any] | None = Field(
        None,
        description='what the work brought: `expected` {"amps", "low", "high"} at `volts` and `ambient_c` of then, '
        "`hand` and `logger` with `highest` and `verdict`, `coldest`, `checks`, `words`; of a dropped one `why`",
    )


class Job(JobInShort):
    """A job with its sheet."""

    sheet: dict[str, Any] = Field(
        description="everything seen at its opening: `seen`, `alarms`, `estimate`, `checked`, `chosen` (the option of "
        "the insert table), `after_work` (expected at the volts and in the air of `seen`), `nameplate`, `note`"
    )


class JobAsked(BaseModel):
    """What became of what was asked for."""

    outcome: str | None = Field(description='"done", or null while the service has not come to it')
    job: Job | None = Field(description="as it is now; null while there is none")


class OpenJob(BaseModel):
    """A job to be opened."""

    model_config = shown({"pitch_to": 18, "note": "key at the office", "by": "Ann"}, {"pitch_to": None})
    pitch_to: float | None = Field(
        None, allow_inf_nan=False, description="angle of an insert on hand below the present pitch; null: checks only"
    )
    note: str | None = Field(None, max_length=1200, description="for the sheet; at most 300 letters are kept")
    by: str | None = Field(None, max_length=200, description="who; beside the name of the account, if there is one")


class DropJob(BaseModel):
    """A job that is not to be done."""

    model_config = shown({"why": "it was the supply", "by": "Ann"})
    why: str = Field(max_length=1200, description="the reason; needed")
    by: str | None = Field(None, max_length=200)


EXAMPLE: dict[str, Any] = {
    "number": 7, "site": "home", "fan": "north-3", "state": "done", "opened": "2026-10-04T01:46:00Z",
    "opened_by": "Ann", "pitch_from": 21.0, "pitch_to": 18.0, "inserts": 6,
    "why": "over its limit: 15.5 A of 15.2 A (102 %)", "closed": "2026-10-04T20:10:00Z", "closed_by": "Ben",
    "found": {
        "done": "2026-10-04T20:05:00Z", "changed": "2026-10-04T19:31:09Z", "pitch": 18.0,
        "volts": [450.0, 449.0, 451.0], "volts_from": "hand meter", "ambient_c": 15.0, "air_from": "entered",
        "expected": {"amps": 12.4, "low": 11.6, "high": 13.4}, "expected_why": None,
        "hand": {"amps": [12.6, 12.4, 12.3], "highest": 12.6, "verdict": "as expected"},
        "logger": {"amps": [12.5, 12.4, 12.3], "highest": 12.5, "verdict": "as expected"},
        "coldest": {"ambient_c": -5.0, "amps": 13.4, "limit_amps": 15.18, "target_amps": 14.42},
        "checks": [{"check": "bearings", "finding": "good"}], "note": "", "action": 31,
        "words": ["expected 12.4 A (11.6 to 13.4), found 12.6 A by hand meter: as expected"],
    },
}  # fmt: skip
SHEET: dict[str, Any] = {
    "seen": {"state": "over its limit", "time": "2026-10-04T01:46:00Z", "amps": [15.5, 15.0, 14.6]},
    "chosen": {"pitch": 18.0, "amps": 13.5, "low": 12.5, "high": 14.5, "chance": 0.94},
    "after_work": {"amps": 13.0, "low": 12.1, "high": 14.0, "volts": 446.7, "ambient_c": 7.0},
    "note": "key at the office",
}
WHOLE = {**EXAMPLE, "sheet": SHEET}
OPENED = {**WHOLE, "state": "open", "closed": None, "closed_by": None, "found": None}


def job_shape(item: Mapping[str, Any]) -> dict[str, Any]:
    """One job with its sheet."""
    shaped: dict[str, Any] = plain(item)
    return shaped


def in_short(item: Mapping[str, Any]) -> dict[str, Any]:
    """One job of a list."""
    return job_shape({key: value for key, value in item.items() if key != "sheet"})


@router.get("/jobs", response_model=Listed[JobInShort], responses=answers({"items": [EXAMPLE], "next": "Wzdd"}))
def read_jobs(
    request: Request,
    site: SiteFilter = None,
    open: Annotated[bool | None, Query(description="true: open ones; false: past ones; without it: all")] = None,
    next: Next = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    """Jobs, newest first, without their sheets."""
    database, sites = database_of(request), only(sites_of(request), site)
    state = None if open is None else jobs.OPEN if open else jobs.PAST
    return listed(lambda: jobs.page_of(database, sites, state=state, limit=limit, after=next), in_short)


@router.get("/jobs/{number}", response_model=Job, responses=answers(WHOLE))
def read_job(request: Request, number: JobNumber) -> Response:
    """One job with its sheet."""
    job = jobs.one(database_of(request), sites_of(request), number)
    if job is None:
        raise not_found(f"There is no job {number}.")
    return Json(job_shape(jobs.item_of(job)))


@router.post(
    "/fans/{site}/{fan}/jobs", status_code=202, response_model=JobAsked,
    responses=answers({"outcome": "done", "job": OPENED}, 409, status=202),
)  # fmt: skip
async def open_job(request: Request, site: SiteName, fan: FanName, body: OpenJob) -> Response:
    """Opens a job for a fan, with all that is seen of it now. A fan has one open job at a time: 409 names it."""
    database, sites = database_of(request), sites_of(request)
    note, by = clean(body.note, job_sheet.NOTE_LETTERS), asked.who(body.by)
    outcome, number = await asked_jobs.open_job(database, sites, site, fan, body.pitch_to, note, by, now_of(request))
    return await _asked(request, outcome, number)


@router.post(
    "/jobs/{number}/close", status_code=202, response_model=JobAsked,
    responses=answers({"outcome": "done", "job": WHOLE}, 409, status=202),
)  # fmt: skip
async def close_job(request: Request, number: JobNumber, body: CloseJob) -> Response:
    """Closes a job with what was read after the work: compares it with what was predicted, at the volts and in the air
    of then, and makes the entries of the service record (checks, re-pitch, hand reading, note)."""
    table = {key: value for key, value in body.model_dump(exclude={"by"}).items() if value is not None}
    database, sites, by = database_of(request), sites_of(request), asked.who(body.by)
    outcome = await asked_jobs.close_job(database, sites, number, table, by, now_of(request))
    return await _asked(request, outcome, number)


@router.post(
    "/jobs/{number}/drop", status_code=202, response_model=JobAsked,
    responses=answers({"outcome": "done", "job": {**OPENED, "state": "dropped", "closed": "2026-10-04T20:10:00Z",
                                                  "closed_by": "Ann", "found": {"why": "it was the supply"}}},
                      409, status=202),
)  # fmt: skip
async def drop_job(request: Request, number: JobNumber, body: DropJob) -> Response:
    """Drops a job that is not to be done."""
    database, sites, by = database_of(request), sites_of(request), asked.who(body.by)
    outcome = await asked_jobs.drop_job(database, sites, number, asked.why(body.why), by, now_of(request))
    return await _asked(request, outcome, number)


async def _asked(request: Request, outcome: str, number: int | None) -> Response:
    job = None
    if number is not None:
        job = await run_in_threadpool(jobs.one, database_of(request), sites_of(request), number)
    return Json({"outcome": outcome or None, "job": None if job is None else job_shape(jobs.item_of(job))}, 202)
