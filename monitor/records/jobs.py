"""Job sheets: work on a fan's blades, from what was seen when it was asked for to what it brought.

A job keeps what was seen at its opening as a whole (`sheet`), so that its page stays as it was printed, whatever is
registered or worked out later. Opening and end come from the worker's commit, with all that the end enters in the
service record.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.pages import MOST, Page, key_of, page
from monitor.records.rows import from_ms, from_ms_or_none
from monitor.records.scope import Sites, within

OPEN, DONE, DROPPED = "open", "done", "dropped"
STATES = (OPEN, DONE, DROPPED)
PAST = "past"
"""To ask for those that have ended, whichever way."""

_TABLE = tables.jobs
_POINTS = tables.points


@dataclass(frozen=True)
class Job:
    """One job sheet."""

    number: int
    """Running number over all fans."""
    site: str
    fan: str
    state: str
    """One of STATES."""
    opened: datetime
    """Wall time, UTC."""
    opened_by: str
    pitch_from: float | None
    """Blade pitch registered at its opening [degrees]; None: it was not."""
    pitch_to: float | None
    """Angle of the inserts that were chosen [degrees]; None: checks only, no insert is chosen."""
    inserts: int | None
    """How many of that angle: one for each blade; None: the number of blades is not registered, or none is chosen."""
    why: str
    """What was seen, in one line."""
    sheet: Mapping[str, Any]
    """What was seen at its opening, with the figures that the work is compared with (`service.job_sheet`)."""
    closed: datetime | None = None
    """When it was ended (wall time); None: it is open."""
    closed_by: str | None = None
    found: Mapping[str, Any] | None = None
    """What the work brought, beside what was predicted; of one that was dropped {"why": words}."""


@dataclass(frozen=True)
class NewJob:
    """A job to be opened with the next commit."""

    point_id: int
    opened_ms: int
    opened_by: str
    pitch_from: float | None
    pitch_to: float | None
    inserts: int | None
    why: str
    sheet: Mapping[str, Any]
    action: int | None = None
    """Number of the operator action that asked for it."""


@dataclass(frozen=True)
class JobEnd:
    """The end of a job that is open."""

    number: int
    state: str
    """DONE or DROPPED."""
    closed_ms: int
    closed_by: str
    found: Mapping[str, Any]


# --- writing, within the worker's commit -----------------------------------------------------------------------


def write(connection: Connection, opened: Sequence[NewJob], ended: Sequence[JobEnd]) -> None:
    """Stores new jobs and the ends of open ones, within a transaction of the caller's. What has ended stays so."""
    for job in opened:
        connection.execute(
            sa.insert(_TABLE).values(
                point_id=job.point_id, state=OPEN, opened_ms=job.opened_ms, opened_by=job.opened_by,
                pitch_from=job.pitch_from, pitch_to=job.pitch_to, inserts=job.inserts, why=job.why,
                sheet=_text(job.sheet), action=job.action,
            )
        )  # fmt: skip
    for end in ended:
        connection.execute(
            sa.update(_TABLE)
            .where(_TABLE.c.number == end.number, _TABLE.c.state == OPEN)
            .values(state=end.state, closed_ms=end.closed_ms, closed_by=end.closed_by, found=_text(end.found))
        )


def _text(value: Mapping[str, Any]) -> str:
    return json.dumps(dict(value), ensure_ascii=False, allow_nan=False)


# --- reading ---------------------------------------------------------------------------------------------------


def open_jobs(database: Database, sites: Sites, site: str | None = None) -> list[Job]:
    """Open jobs of a reader, oldest first: of all its sites, or of one.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return open_in(connection, sites, site)


def open_in(connection: Connection, sites: Sites, site: str | None = None) -> list[Job]:
    """As `open_jobs`, within a transaction of the caller's."""
    query = _selected(sites).where(_TABLE.c.state == OPEN)
    if site is not None:
        query = query.where(_POINTS.c.site == site)
    return _jobs(connection, query.order_by(_TABLE.c.number))


def of_fan(database: Database, sites: Sites, site: str, fan: str) -> list[Job]:
    """All jobs of a fan, newest first; none where the reader has no such fan.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        query = _selected(sites).where(_POINTS.c.site == site, _POINTS.c.name == fan)
        return _jobs(connection, query.order_by(_TABLE.c.number.desc()))


def open_of_fan(database: Database, sites: Sites, site: str, fan: str) -> Job | None:
    """The open job of a fan; None where there is none."""
    with database.read() as connection:
        query = _selected(sites).where(_POINTS.c.site == site, _POINTS.c.name == fan, _TABLE.c.state == OPEN)
        return next(iter(_jobs(connection, query.order_by(_TABLE.c.number))), None)


def one(database: Database, sites: Sites, number: int) -> Job | None:
    """One job by its number; None when the reader has none of that number.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return next(iter(_jobs(connection, _selected(sites).where(_TABLE.c.number == number))), None)


def page_of(
    database: Database, sites: Sites, *, site: str | None = None, state: str | None = None, limit: int = 100,
    after: str | None = None,
) -> Page:  # fmt: skip
    """Jobs for pages and API, newest first.

    Parameters
    ----------
    site : of one site only
    state : one of STATES, or PAST; None: all

    Raises
    ------
    ReadingError : `after` is not a token of this list
    LinkError : the database cannot be read
    """
    most = min(max(limit, 1), MOST)
    query = _selected(sites)
    if site is not None:
        query = query.where(_POINTS.c.site == site)
    if state == PAST:
        query = query.where(_TABLE.c.state != OPEN)
    elif state is not None:
        query = query.where(_TABLE.c.state == state)
    if after is not None:
        (number,) = key_of(after, int)
        query = query.where(_TABLE.c.number < number)
    with database.read() as connection:
        kept = _jobs(connection, query.order_by(_TABLE.c.number.desc()).limit(most + 1))
    return page([item_of(job) for job in kept], [[job.number] for job in kept], most)


def number_of_action(database: Database, action: int) -> int | None:
    """The job that an operator action has opened; None when it has not (yet)."""
    with database.read() as connection:
        found: int | None = connection.execute(sa.select(_TABLE.c.number).where(_TABLE.c.action == action)).scalar()
        return found


def item_of(job: Job) -> dict[str, Any]:
    """One job as a plain dictionary."""
    return {
        "number": job.number,
        "site": job.site,
        "fan": job.fan,
        "state": job.state,
        "opened": job.opened,
        "opened_by": job.opened_by,
        "pitch_from": job.pitch_from,
        "pitch_to": job.pitch_to,
        "inserts": job.inserts,
        "why": job.why,
        "sheet": dict(job.sheet),
        "closed": job.closed,
        "closed_by": job.closed_by,
        "found": None if job.found is None else dict(job.found),
    }


def _selected(sites: Sites) -> sa.Select[Any]:
    joined = _TABLE.join(_POINTS, _POINTS.c.id == _TABLE.c.point_id)
    query = sa.select(_TABLE, _POINTS.c.site, _POINTS.c.name).select_from(joined)
    return query.where(within(_POINTS.c.site, sites))


def _jobs(connection: Connection, query: sa.Select[Any]) -> list[Job]:
    return [_job(row) for row in connection.execute(query).mappings()]


def _job(row: Mapping[Any, Any]) -> Job:
    return Job(
        row["number"], row["site"], row["name"], row["state"], from_ms(row["opened_ms"]), row["opened_by"],
        row["pitch_from"], row["pitch_to"], row["inserts"], row["why"], msgspec.json.decode(row["sheet"]),
        from_ms_or_none(row["closed_ms"]), row["closed_by"],
        None if row["found"] is None else msgspec.json.decode(row["found"]),
    )  # fmt: skip
