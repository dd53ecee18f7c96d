"""A fan's service record: what is still to check, forms for what was read and done, and the whole record.

Forms are for a phone at a running fan: few fields, big, and what they led to stands on top afterwards.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Path, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.blades import cautions
from monitor.blades.checks import SUPPLY_VOLTAGE, checks_for
from monitor.errors import ConfigError, ReadingError
from monitor.motor import clamps
from monitor.motor.hand_reading import HIGH
from monitor.motor.nameplate import Nameplate
from monitor.records import actions, register, service_record
from monitor.records.actions import clean
from monitor.records.database import Database
from monitor.records.register import PointKey, Site
from monitor.records.rows import to_ms
from monitor.records.scope import Sites
from monitor.records.service_entry import NAME_LETTERS, NOTE_LETTERS
from monitor.records.service_record import CLAMP_CORRECTION, FAULT_FOUND, FINDINGS, HAND_READING, Entry
from monitor.web import asked, record_forms, words
from monitor.web.api import database_of, now_of, sites_of
from monitor.web.pages import fan_path, render
from monitor.web.problems import Problem, not_found
from monitor.web.record_forms import KIND_OF, Typed
from monitor.web.service_words import sentence, service_row, what_of
from monitor.web.shown import zone_of

AT_ONCE = 30
"""Entries on a page."""
COMPARE_SECONDS = 1.5
"""After a hand reading the page waits so long for the worker to put the logger beside it."""

router = APIRouter()
SiteName = Annotated[str, Path(max_length=64)]
FanName = Annotated[str, Path(max_length=64)]


@dataclass(frozen=True)
class CheckShown:
    """One check that comes before the blades."""

    name: str
    form: str
    how: str
    finding: str
    """What finding something would mean."""
    done: bool
    said: str
    """When it was done last and how it ended, or that it is not on the record."""
    until: str
    """Until when it counts; empty where it does not."""


@dataclass(frozen=True)
class Here:
    """The fan whose record is asked for."""

    key: PointKey
    plate: Nameplate
    site: Site

    @property
    def zone(self) -> ZoneInfo:
        return zone_of(self.site)


def here_of(database: Database, sites: Sites, site: str, fan: str) -> Here:
    """A fan that the reader may see.

    Raises
    ------
    Problem : 404, there is none
    """
    with database.read() as connection:
        found = register.find_fan(connection, sites, site, fan)
    places = register.sites(database, [site]) if found is not None else []
    if found is None or not places:
        raise not_found(f"There is no fan {fan} at {site}. See the page Fans.")
    return Here(found[0], found[1].nameplate, places[0])


def checks_shown(
    newest: Mapping[str, Entry], plate: Nameplate, zone: ZoneInfo, now: datetime
) -> tuple[CheckShown, ...]:
    """The checks of a motor, each with what the record says of it."""
    rows = []
    for check in checks_for(plate.motor.phases):
        entry = newest.get(check.name)
        done = entry is not None and entry.body["finding"] != FAULT_FOUND
        said, until = "not on the record of the last 30 days", ""
        if entry is not None:
            said = f"{entry.body['finding']}, {words.local(entry.done, zone, now)}, {entry.by}"
            ends = (entry.done + timedelta(milliseconds=service_record.GOOD_FOR_MS)).astimezone(zone)
            until = f"{words.MONTHS[ends.month - 1]} {ends.day}" if done else ""
        rows.append(CheckShown(check.name, f"check/{check.name}", check.how, check.finding, done, said, until))
    return tuple(rows)


@dataclass(frozen=True)
class ClampsShown:
    """How the clamps are corrected, and what hand readings speak for."""

    now: str
    """The corrections in force, in words."""
    fields: tuple[str, ...]
    """What stands in the form: what is offered, else what is in force."""
    offers: tuple[str, ...]
    """Sentences of hand readings that nobody has acted on yet."""
    offered: bool
    """Whether more than one hand reading speaks for it."""
    none_offered: str = ""
    """Why the newest hand reading led to no offer; empty where there is one, or no reading to go by."""


def clamps_shown(database: Database, here: Here, now: datetime) -> ClampsShown:
    """The corrections of a fan's clamps, and the offer of its newest hand reading."""
    at_ms, point = to_ms(now), here.key.point_id
    since = at_ms - 3 * service_record.GOOD_FOR_MS
    present = clamps.factors_of(here.plate.logger.clamp_corrections).tolist()
    fields, steady = list(present), False
    read = service_record.entries(database, point, since, at_ms, kind=HAND_READING)
    corrected = service_record.entries(database, point, since, at_ms, kind=CLAMP_CORRECTION)
    offers = read[-1].found.get("offers", ()) if read else ()
    none_offered = ""
    if read and read[-1].found.get("logger") and not offers:
        own = here.plate.logger
        none_offered = (
            "The newest hand reading speaks for no correction: no leg differs, each time alike, by more than both "
            f"meters may be off (this logger: {own.accuracy_percent:g} % and {own.accuracy_amps:g} A, by the register)."
        )
    if offers and corrected and max(one.entered for one in corrected) > read[-1].entered:
        offers = ()
    for one in offers:
        if one["confidence"] == HIGH and clamps.LEAST <= one["factor"] <= clamps.GREATEST:
            fields[one["leg"] - 1], steady = round(one["factor"], 3), True
    return ClampsShown(
        clamps.words(here.plate.logger.clamp_corrections), tuple(f"{one:g}" for one in fields),
        tuple(sentence(one["words"]) for one in offers), steady, none_offered,
    )  # fmt: skip


def waiting(database: Database, here: Here) -> list[str]:
    """What was entered for a fan and has not been carried out yet, in words."""
    found = []
    for one in actions.undone(database):
        if one.kind == "service" and one.site == here.key.site and one.body.get("fan") == here.key.name:
            entry = one.body["entry"]
            found.append("an entry is withdrawn" if entry["kind"] == "withdraw" else what_of(entry["kind"], entry))
    return found


def page_of(
    request: Request, here: Here, typed: Typed, status: int = 200, entry: int | None = None, after: str | None = None
) -> Response:
    """The page: with faults the form that has them comes back as it was typed."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    try:
        listed = service_record.page_of(database, sites, here.key.site, here.key.name, limit=AT_ONCE, after=after)
    except (ReadingError, OverflowError):
        raise Problem(422, "This address of older entries is not whole. Go back to the service record.") from None
    assert listed is not None
    newest = service_record.newest_checks_at(database, here.key.point_id, to_ms(now))
    checks = checks_shown(newest, here.plate, here.zone, now)
    entered = None if entry is None else service_record.one(database, entry)
    if entered is not None and (entered.point_id != here.key.point_id or entered.kind == "withdraw"):
        entered = None
    rows = [service_row(item, here.zone, now) for item in listed["items"]]
    return render(
        request, "record.html", status, fan=here.key.name, site=here.site, plate=here.plate,
        three=here.plate.motor.phases == 3,
        checks=checks, missing=[one.name for one in checks if not one.done], typed=typed, rows=rows,
        next=listed["next"], after=after, zone=here.site.time_zone.replace("_", " "),
        entered=None if entered is None else service_row(service_record.item_of(entered), here.zone, now),
        looks_again=entered is not None and entered.kind == HAND_READING and not entered.found.get("logger"),
        waits=waiting(database, here), cautions=cautions.for_work(), findings=FINDINGS,
        clamps=clamps_shown(database, here, now), clamp_caution=cautions.text("clamp-correction"),
        supply=SUPPLY_VOLTAGE.name, note_letters=NOTE_LETTERS, lists=record_forms.LISTS,
    )  # fmt: skip


@router.get("/fans/{site}/{fan}/service")
def record(
    request: Request,
    site: SiteName,
    fan: FanName,
    entry: Annotated[int | None, Query(ge=1, le=2**53)] = None,
    next: Annotated[str | None, Query(max_length=400)] = None,
) -> Response:
    """What is still to check, the forms, and the record, newest first; `entry`: the one that was entered just now."""
    here = here_of(database_of(request), sites_of(request), site, fan)
    return page_of(request, here, Typed(), entry=entry, after=next)


@router.post("/fans/{site}/{fan}/service/{form}")
async def enter(request: Request, site: SiteName, fan: FanName, form: Annotated[str, Path(max_length=20)]) -> Response:
    """Enters what one form says, and shows what became of it."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    here = await run_in_threadpool(here_of, database, sites, site, fan)
    if form not in KIND_OF:
        raise not_found("There is no such form. Go back to the service record.")
    values = {name: str(value)[: 4 * NOTE_LETTERS] for name, value in (await request.form()).items()}
    by = clean(values.get("by"), NAME_LETTERS) or None
    wanted = record_forms.entry_of(form, values, here.plate.motor.phases, here.zone)
    try:
        outcome, number = await asked.service(database, sites, site, fan, wanted, by, now)
    except ConfigError as exc:
        typed = record_forms.refused(form, values, exc.faults, exc.message, here.plate.motor.phases)
        return await run_in_threadpool(page_of, request, here, typed, 422)
    page = f"{fan_path(site, fan)}/service"
    if not outcome or number is None:
        return RedirectResponse(f"{page}#waits", 303)
    if form == "hand-reading":
        await _compared(database, number)
    return RedirectResponse(f"{page}#record" if form == "withdraw" else f"{page}?entry={number}#entered", 303)


async def _compared(database: Database, number: int) -> None:
    """Waits a moment until the logger has been put beside a hand reading."""
    until = time.monotonic() + COMPARE_SECONDS
    while time.monotonic() < until:
        entry: Any = await run_in_threadpool(service_record.one, database, number)
        if entry is None or entry.found:
            return
        await asyncio.sleep(0.1)
