"""What is asked for of job sheets: stored as actions, which the worker carries out; see `asked`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from starlette.concurrency import run_in_threadpool

from monitor.errors import ConfigError, Fault, ReadingError
from monitor.records import job_entry, job_sheet, jobs, register
from monitor.records.actions import DONE, undone
from monitor.records.database import Database
from monitor.records.jobs import Job
from monitor.records.pages import Page
from monitor.records.scope import Sites, allows
from monitor.records.service_entry import nameplate_at
from monitor.web import asked
from monitor.web.problems import Problem, not_found

KINDS = ("close-job", "drop-job")


class AlreadyOpen(Problem):
    """The fan has an open job: no second one is opened."""

    def __init__(self, job: Job) -> None:
        self.job = job
        super().__init__(409, f"Job {job.number} is open for {job.fan} already. Close it or drop it first.")


async def open_job(
    database: Database, sites: Sites, site: str, fan: str, pitch_to: float | None, note: str, by: str, now: datetime
) -> tuple[str, int | None]:
    """Opens a job for a fan, with what is seen of it now, and waits a moment for it.

    Returns
    -------
    "done" or "" while the worker has not come to it; the number of the job, None while there is none

    Raises
    ------
    ConfigError : there is no such insert on hand
    Problem : 404, the reader has no such fan; 409, it has an open job (`AlreadyOpen`), or the worker refused
    """
    await run_in_threadpool(_may_open, database, sites, site, fan, pitch_to)
    body = {"fan": fan, "pitch_to": pitch_to, "note": note}
    number, outcome = await asked.ask(database, "open-job", site, body, by, now)
    if outcome != DONE:
        return outcome, None
    return outcome, await run_in_threadpool(jobs.number_of_action, database, number)


def _may_open(database: Database, sites: Sites, site: str, fan: str, pitch_to: float | None) -> None:
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, fan)
    if found is None:
        raise not_found(f"There is no fan {fan} at {site}.")
    already = jobs.open_of_fan(database, sites, site, fan)
    if already is not None:
        raise AlreadyOpen(already)
    choices = job_sheet.choices(found[1].nameplate)
    if pitch_to is not None and pitch_to not in choices:
        known = ", ".join(f"{one:g}" for one in choices)
        expected = f"the angle of an insert on hand below the present pitch: {known}" if known else (
            "null: no insert on hand is registered below the present pitch"
        )  # fmt: skip
        raise ConfigError("there is no such insert on hand:", [Fault("pitch_to", expected, f"{pitch_to:g}")])


async def close_job(
    database: Database, sites: Sites, number: int, table: Mapping[str, Any], by: str, now: datetime
) -> str:
    """Closes a job with what was read after the work. Returns as `asked.acknowledge`.

    Raises
    ------
    ConfigError : it has faults, told all at once
    Problem : 404, the reader has no such job; 409, it has ended, or the worker refused
    """
    job = await run_in_threadpool(look_at_closing, database, sites, number, table, now)
    return (await asked.ask(database, "close-job", job.site, {"job": number, **table}, by, now))[1]


def look_at_closing(database: Database, sites: Sites, number: int, table: Mapping[str, Any], now: datetime) -> Job:
    """The open job, once what is entered to close it has no faults. Raises as `close_job`."""
    job = _open_one(database, sites, number)
    with database.read() as connection:
        found = register.find_fan(connection, sites, job.site, job.fan)
    if found is None:
        raise Problem(409, f"{job.fan} is not in the register any more. Drop the job.")
    plate = found[1].nameplate
    closing = job_entry.read_closing(
        table, phases=plate.motor.phases, registered=plate.fan.blade_pitch_degrees, inserts=plate.fan.blades, now=now
    )
    if closing.pitch is not None:
        at = closing.changed or closing.done
        before = nameplate_at(register.versions(database, found[0].point_id), at).fan.blade_pitch_degrees
        assert before is not None or plate.fan.blade_pitch_degrees is not None
        entry = job_entry.re_pitch_of(
            closing, before if before is not None else plate.fan.blade_pitch_degrees or 0.0, plate.fan.blades, at,
            phases=plate.motor.phases, now=now,
        )  # fmt: skip
        faults, _ = job_entry.against_the_register(database, found[0].point_id, entry)
        if faults:
            raise ConfigError("the register speaks against what was entered:", faults)
    return job


async def drop_job(database: Database, sites: Sites, number: int, why: str, by: str, now: datetime) -> str:
    """Drops a job that is not to be done. Returns as `asked.acknowledge`.

    Raises
    ------
    ConfigError : no reason is given
    Problem : 404, the reader has no such job; 409, it has ended, or the worker refused
    """
    job = await run_in_threadpool(_open_one, database, sites, number)
    if not why:
        raise ConfigError(
            "a job is not dropped without a reason:", [Fault("why", "a reason in a few words", "nothing")]
        )
    return (await asked.ask(database, "drop-job", job.site, {"job": number, "why": why}, by, now))[1]


def _open_one(database: Database, sites: Sites, number: int) -> Job:
    job = jobs.one(database, sites, number)
    if job is None:
        raise not_found(f"There is no job {number}.")
    if job.state != jobs.OPEN:
        raise Problem(409, f"Job {number} is {job.state} already.")
    return job


def waits(database: Database, number: int) -> bool:
    """Whether the end of a job is asked for and the worker has not come to it."""
    return any(one.kind in KINDS and one.body.get("job") == number for one in undone(database))


def opening(database: Database, sites: Sites, site: str | None) -> list[str]:
    """Fans for which a job is asked for and the worker has not come to it."""
    return [
        str(one.body.get("fan"))
        for one in undone(database)
        if one.kind == "open-job" and allows(sites, one.site) and site in (None, one.site)
    ]


def past(database: Database, sites: Sites, site: str | None, limit: int, after: str | None) -> Page:
    """Jobs that have ended, newest first.

    Raises
    ------
    Problem : 404, the token is not one of this list
    """
    try:
        return jobs.page_of(database, sites, site=site, state=jobs.PAST, limit=limit, after=after)
    except (ReadingError, OverflowError):
        raise not_found("There is no such part of the list. Begin at the page Jobs.") from None
