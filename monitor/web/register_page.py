"""The page Register: sites with their fans, and one fan with its form, its file and its history.

A change is a new version of the fan's nameplate file, which the worker finds; pages never call it. Everybody who may
look sees all of it, who manages changes it.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Path, Query, Request
from starlette.responses import RedirectResponse, Response

from monitor.errors import ConfigError
from monitor.records import look, register
from monitor.records.actions import clean
from monitor.records.register import PointKey, Site, Version
from monitor.records.registered import known_in, words_of
from monitor.records.scope import ALL, allows
from monitor.settings import NAME
from monitor.web import asked, plate_form, plate_hints, plate_history, words
from monitor.web.api import database_of, now_of, only, sites_of
from monitor.web.pages import legs_of, render
from monitor.web.plate_fields import GROUPS, UNIT_OF_POWER, shown_values, tables_of
from monitor.web.plate_form import Entered, Judged
from monitor.web.plate_hints import Newest
from monitor.web.problems import Problem, not_found
from monitor.web.register_forms import Typed, local_input, read_local, typed
from monitor.web.shown import zone_of

FANS_AT_ONCE = 200
CORRECT, SINCE, MOTOR = "correct", "since", "motor"
"""What a change is: what stood there was wrong; something changed in the field; another motor."""

Name = Annotated[str, Path(max_length=64)]
Asked = Annotated[str, Query(max_length=64)]
Sent = Annotated[Typed, Depends(typed)]

router = APIRouter()


def register_path(site: str, fan: str | None = None) -> str:
    """Address of a site or a fan in the register."""
    if fan is None:
        return f"/register/sites/{quote(site, safe='')}"
    return f"/register/fans/{quote(site, safe='')}/{quote(fan, safe='')}"


def may_add_sites(request: Request) -> bool:
    """Whether the reader may enter a new site: it would be out of sight of whoever is bound to some."""
    return sites_of(request) is ALL


# --- the list ----------------------------------------------------------------------------------------------------


@router.get("/register")
def the_register(
    request: Request,
    site: Annotated[str | None, Query(max_length=64)] = None,
    said: Annotated[str, Query(alias="words", max_length=200)] = "",
    part: Annotated[int, Query(ge=1, le=1000)] = 1,
) -> Response:
    """Sites and their fans, so many at a time."""
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    with database.read() as connection:
        kept = known_in(connection)
    known = {name: one for name, one in kept.sites.items() if allows(sites, name)}
    if site is not None and site not in known:
        raise not_found(f"There is no site {site}.")
    wanted = words_of(clean(said, 200))
    every = list(kept.of(only(sites, site)))
    found = [one for one in every if one.fits(wanted)]
    parts = max(1, -(-len(found) // FANS_AT_ONCE))
    if part > parts:
        raise not_found("There are not so many fans.")
    here = found[(part - 1) * FANS_AT_ONCE : part * FANS_AT_ONCE]
    counts = Counter(fan.key.site for fan in every)
    there = {fan.key.site for fan in here}
    empty = set() if wanted or part < parts else known.keys() - counts.keys()  # sites without fans come last
    shown = [known[site]] if site else [one for name, one in known.items() if name in there or name in empty]
    fans: dict[str, list[dict[str, Any]]] = {one.site: [] for one in shown}
    for fan in here:
        fans[fan.key.site].append(_line(fan.key, fan.version))
    newcomers = [one for one in look.newcomers(database, sites)["items"] if site is None or one["site"] == site]
    return render(
        request, "register.html", sites=shown, every_site=known, site=site, said=clean(said, 200), fans=fans,
        counts=counts, total=len(found), part=part, parts=parts, newcomers=newcomers,
        facts={one.site: site_facts(one, now) for one in shown}, may_add=may_add_sites(request),
        register_path=register_path, name_fits=lambda name: bool(NAME.fullmatch(name)), legs_of=legs_of,
    )  # fmt: skip


def _line(key: PointKey, version: Version) -> dict[str, Any]:
    plate = version.nameplate
    lacks = [what for what, _ in plate_hints.missing(plate)]
    return {"name": key.name, "motor": motor_words(version), "lacks": lacks, "version": version.version}


def motor_words(version: Version) -> str:
    """A motor in a line, with its power as the plate has it."""
    tables = tables_of(version.text)
    shown = shown_values(tables, "us")
    power = f"{shown['rated_power']} {shown[UNIT_OF_POWER]}, " if shown["rated_power"] else ""
    motor = version.nameplate.motor
    return (
        f"{power}{motor.rated_voltage:g} V, {motor.phases}-phase, {motor.full_load_amps:g} A, "
        f"SF {motor.service_factor:g}"
    )


def site_facts(site: Site, now: datetime) -> str:
    """What is known of a site, in a line: with its clock, by which a wrong zone is seen at once."""
    height = f"{site.altitude_m:.0f} m" if site.units == "si" else f"{site.altitude_m / 0.3048:.0f} ft"
    return (
        f"{site.time_zone}, where it is {words.local(now, zone_of(site), now)} now; {height} above the sea; "
        f"{'SI' if site.units == 'si' else 'US'} units; outlook for the night at {site.supper}"
    )


# --- a new fan ---------------------------------------------------------------------------------------------------


@router.get("/register/fans/new")
def new_fan(request: Request, site: Asked = "", fan: Asked = "", like: Asked = "") -> Response:
    """The form of a new fan, empty or begun like another of its site."""
    return _new_form(request, site, fan, None, like=like)


@router.get("/loggers/take-on")
def take_on_form(request: Request, site: Asked, fan: Asked, like: Asked = "") -> Response:
    """The same form, for a name that sends readings."""
    return _new_form(request, site, fan, None, like=like)


@router.post("/register/fans/new")
@router.post("/loggers/take-on")
def enter_new_fan(request: Request, sent: Sent) -> Response:
    """Enters a fan; with faults, or hints that nobody has seen yet, the form comes back."""
    site, fan = clean(sent.get("site"), 64), clean(sent.get("fan"), 64)
    place = _place(request, site) if site else None
    database, now = database_of(request), now_of(request)
    if place is not None and any(key.name == fan for key, _ in register.fans(database, [site])):
        raise Problem(409, f"{site}/{fan} is in the register already. Change it there: {register_path(site, fan)}")
    base = _sister(request, site, sent.get("like"))
    newest = _newest(request, site, fan)
    judged = plate_form.judge(sent.values, sent.file, base, _units(place), newest)
    entered = _with_names(judged.entered, sent, place, fan)
    if entered.faulty or place is None or plate_form.unseen(entered.looks, sent.get("seen")):
        return _new_form(request, site, fan, entered, 422 if entered.faulty else 200, like=sent.get("like"))
    try:
        number = register.put_nameplate(
            database, site, fan, judged.text, valid_from=now, by=asked.who(sent.get("by")), now=now
        )
    except ConfigError as exc:
        return _new_form(request, site, fan, entered.with_other(_told(exc)), 422, like=sent.get("like"))
    return _entered(site, fan, number)


def _with_names(entered: Entered, sent: Typed, place: Site | None, fan: str) -> Entered:
    entered = replace(entered, values={**entered.values, "by": clean(sent.get("by"), asked.NAME_LETTERS)})
    if sent.fault:
        entered = entered.with_other(sent.fault)
    if place is None:
        entered = entered.with_fault("site", "Choose a site that is in the register, or add it first.")
    if not NAME.fullmatch(fan):
        entered = entered.with_fault("fan", name_fault(fan))
    return entered


def name_fault(name: str) -> str:
    """What is wrong with a name that cannot stand in a topic, with one that can."""
    usable = re.sub("[^a-z0-9_.]+", "-", name.lower()).strip("-_.")
    rather = f", e.g. {usable}" if NAME.fullmatch(usable) else ""
    return f"Expected small letters, digits, dashes and dots, beginning with a letter or digit{rather}."


def _told(exc: ConfigError) -> str:
    return "; ".join([exc.message, *(str(fault) for fault in exc.faults)])


def _entered(site: str, fan: str, number: int) -> Response:
    return RedirectResponse(f"{register_path(site, fan)}?entered={number}#entered", 303)


def _place(request: Request, site: str) -> Site | None:
    """A site of the reader's; None where it is not in the register.

    Raises
    ------
    Problem : 404, it is not the reader's
    """
    if not allows(sites_of(request), site):
        raise not_found(f"There is no site {site}.")
    places = register.sites(database_of(request), [site])
    return places[0] if places else None


def _units(place: Site | None) -> str:
    return "us" if place is None else place.units


def _sister(request: Request, site: str, fan: str) -> str:
    """The file of a fan of the site to begin with; empty where none is named."""
    if not fan:
        return ""
    found = register.history(database_of(request), only(sites_of(request), site), site, fan)
    return "" if found is None or found[1][-1].removed else plate_form.like(found[1][-1].text)


def newcomer_of(request: Request, site: str, fan: str) -> dict[str, Any] | None:
    """A name that sends readings and is not in the register."""
    if not site:
        return None
    items = look.newcomers(database_of(request), only(sites_of(request), site))["items"]
    return next((one for one in items if one["site"] == site and one["name"] == fan), None)


def _newest(request: Request, site: str, fan: str) -> Newest:
    item = look.fan(database_of(request), sites_of(request), site, fan)
    if item is not None:
        return plate_hints.newest_of_item(item)
    return plate_hints.newest_of_newcomer(newcomer_of(request, site, fan))


def _new_form(
    request: Request, site: str, fan: str, entered: Entered | None, status: int = 200, *, like: str = ""
) -> Response:
    place = _place(request, site) if site else None
    database, sites = database_of(request), sites_of(request)
    places = register.sites(database, sites)
    if place is None and not site and len(places) == 1:
        place = places[0]
    newest = _newest(request, site, fan)
    if entered is None:
        entered = plate_form.begun(_sister(request, site, like), _units(place))
        if not like and newest.legs in (1, 3):
            entered = replace(entered, values={**entered.values, "phases": str(newest.legs)})
    sisters = [key.name for key, _ in register.fans(database, [place.site])] if place is not None else []
    here = [one for one in look.newcomers(database, only(sites, site or None))["items"] if NAME.fullmatch(one["name"])]
    return render(
        request, "register_fan_new.html", status, site=site, fan=fan, like=like if like in sisters else "",
        sisters=sisters, places=places, known_site=place is not None, fits=bool(NAME.fullmatch(fan)),
        newcomers=here if not fan else [], address=request.url.path, **_form_context(request, place, entered, newest),
    )  # fmt: skip


def _form_context(request: Request, place: Site | None, entered: Entered, newest: Newest) -> dict[str, Any]:
    """What the fields of both forms need."""
    database, now = database_of(request), now_of(request)
    points = register.points(database, [place.site]) if place is not None else []
    sent = look.newcomers(database, [place.site])["items"] if place is not None else []
    names = {kind: sorted(key.name for key in points if key.kind == kind) for kind in ("supply", "weather")}
    names["supply"] += sorted(
        one["name"] for one in sent if NAME.fullmatch(one["name"]) and one["last_reading"].get("amps") is None
    )
    fans = register.fans(database, [place.site]) if place is not None else []
    names["plenum"] = sorted({one.nameplate.fan.plenum for _, one in fans if one.nameplate.fan.plenum})
    return {
        "entered": entered, "groups": GROUPS, "units": _units(place), "names": names, "newest": newest,
        "reads": reading_words(newest, now), "seen": " ".join(sorted(one.mark for one in entered.looks)),
        "fits_words": "" if entered.plate is None else plate_hints.fits_words(entered.plate, newest),
        "register_path": register_path, "may_add": may_add_sites(request),
    }  # fmt: skip


def reading_words(newest: Newest, now: datetime) -> str:
    """The newest reading in words; empty where there is none."""
    told = [
        words.with_unit(text, unit)
        for values, text, unit in (
            (newest.amps, words.legs(newest.amps), "A"), (newest.volts, words.volts(newest.volts), "V"),
        )
        if any(one is not None for one in values)
    ]  # fmt: skip
    if not told:
        return ""
    return f"{', '.join(told)}, {words.ago(newest.time, now)}" if newest.time is not None else ", ".join(told)


# --- one fan -----------------------------------------------------------------------------------------------------


def history_of(request: Request, site: str, fan: str) -> tuple[Site, PointKey, list[Version]]:
    """A fan that is or was in the register, with its site.

    Raises
    ------
    Problem : 404, there is none, or it is not the reader's
    """
    found = register.history(database_of(request), sites_of(request), site, fan)
    places = register.sites(database_of(request), only(sites_of(request), site))
    if found is None or not places:
        raise not_found(f"There is no fan {fan} at {site} in the register.")
    return places[0], *found


@router.get("/register/fans/{site}/{fan}")
def one_fan(
    request: Request, site: Name, fan: Name,
    entered: Annotated[int | None, Query(ge=0, le=10**9)] = None,
    every: Annotated[bool, Query(alias="all")] = False,
) -> Response:  # fmt: skip
    """What is registered of a fan, with the form that changes it."""
    return _fan_page(request, site, fan, told=entered, every=every)


def _fan_page(
    request: Request, site: str, fan: str, sent: Typed | None = None, entered: Entered | None = None,
    status: int = 200, *, told: int | None = None, every: bool = False, meanwhile: tuple[str, ...] = (),
) -> Response:  # fmt: skip
    place, key, versions = history_of(request, site, fan)
    now, newest_version = now_of(request), versions[-1]
    newest = _newest(request, site, fan)
    begun = plate_form.begun(newest_version.text, place.units)
    plate = newest_version.nameplate
    rows = plate_history.rows(versions, place, now)
    context = _form_context(request, place, entered or begun, newest)
    if entered is None:
        context["fits_words"] = plate_hints.fits_words(plate, newest)
    judged_to = register.newest_reading(database_of(request), key.point_id)
    return render(
        request, "register_fan.html", status, site=place, fan=fan, version=newest_version, rows=rows,
        shown_rows=rows if every else rows[: plate_history.SHOWN], every=every, plate=plate,
        told=next((row for row in rows if row.number == told), None), nothing_changed=told == 0,
        sent=entered is not None, meanwhile=meanwhile,
        since_words=plate_history.since_words(newest_version, place, now),
        limit=plate_hints.limit_words(plate), missing=plate_hints.missing(plate), zone=zone_of(place), now=now,
        odd=plate_hints.looks(newest_version.text, plate, newest) if entered is None else [],
        facts=plate_history.facts(tables_of(newest_version.text), place.units),
        what=(sent.get("what") if sent else "") or CORRECT,
        since=(sent.get("since") if sent else "") or local_input(now, zone_of(place)),
        judged_to="" if judged_to is None else words.local(judged_to, zone_of(place), now),
        file=entered.file if entered is not None and entered.file else newest_version.text,
        **context,
    )  # fmt: skip


@router.post("/register/fans/{site}/{fan}")
def change_fan(request: Request, site: Name, fan: Name, sent: Sent) -> Response:
    """Enters a new version by the form; fields that nobody touched and keys that it does not show stay as typed."""
    place, _, versions = history_of(request, site, fan)
    newest = versions[-1]
    base = next((one for one in versions if str(one.version) == sent.get("base")), newest)
    values = sent.values
    if base is not newest:
        older, newer = (shown_values(tables_of(one.text), place.units) for one in (base, newest))
        values = values | plate_form.merged(older, newer, values)
        meanwhile = _meanwhile(base, newest, place, now_of(request))
        if meanwhile:
            merged = Entered(values)
            return _fan_page(request, site, fan, sent, merged, 409, meanwhile=meanwhile)
    return _enter(request, place, fan, versions, replace(sent, values=values, file=""))


def _meanwhile(base: Version, newest: Version, place: Site, now: datetime) -> tuple[str, ...]:
    """What somebody else changed since the form was opened."""
    return next(
        (row.what for row in plate_history.rows([base, newest], place, now) if row.what not in (("nothing",), ())), ()
    )


@router.post("/register/fans/{site}/{fan}/file")
def import_file(request: Request, site: Name, fan: Name, sent: Sent) -> Response:
    """Enters a whole nameplate file, pasted or uploaded, as it is."""
    place, _, versions = history_of(request, site, fan)
    if not sent.file.strip():
        said = sent.fault or "Paste a nameplate file or choose one."
        begun = plate_form.begun(versions[-1].text, place.units)
        return _fan_page(request, site, fan, sent, begun.with_other(said), 422)
    return _enter(request, place, fan, versions, sent)


def _enter(request: Request, place: Site, fan: str, versions: list[Version], sent: Typed) -> Response:
    database, now = database_of(request), now_of(request)
    before, what = versions[-1], sent.get("what")
    judged = plate_form.judge(
        sent.values, sent.file, before.text, place.units, _newest(request, place.site, fan),
        before=None if before.removed else before.text, motor_changed=what == MOTOR, correction=what == CORRECT,
    )  # fmt: skip
    entered, valid_from = judged.entered, now
    entered = replace(entered, values={**entered.values, "by": clean(sent.get("by"), asked.NAME_LETTERS)})
    if what not in (CORRECT, SINCE, MOTOR):
        entered = entered.with_fault("what", "Choose what this is.")
    elif what == CORRECT and not before.removed:
        valid_from = before.valid_from
    else:
        try:
            valid_from = read_local(sent.get("since"), zone_of(place), now)
        except ValueError as exc:
            entered = entered.with_fault("since", str(exc))
    if entered.faulty:
        return _fan_page(request, place.site, fan, sent, entered, 422)
    if not _changed(judged, sent, before):
        return _entered(place.site, fan, 0)
    if plate_form.unseen(entered.looks, sent.get("seen")):
        return _fan_page(request, place.site, fan, sent, entered)
    try:
        number = register.put_nameplate(
            database, place.site, fan, judged.text, valid_from=valid_from, by=asked.who(sent.get("by")),
            motor_changed=what == MOTOR, now=now,
        )  # fmt: skip
    except ConfigError as exc:
        return _fan_page(request, place.site, fan, sent, entered.with_other(_told(exc)), 422)
    return _entered(place.site, fan, number)


def _changed(judged: Judged, sent: Typed, before: Version) -> bool:
    return before.removed or judged.text != before.text or sent.get("what") == MOTOR


@router.get("/register/fans/{site}/{fan}/file")
def export_file(
    request: Request, site: Name, fan: Name, version: Annotated[int | None, Query(ge=1, le=10**9)] = None
) -> Response:
    """A version's nameplate file as it was typed; the newest where none is named."""
    _, _, versions = history_of(request, site, fan)
    found = versions[-1] if version is None else next((one for one in versions if one.version == version), None)
    if found is None:
        raise not_found(f"{site}/{fan} has no version {version}.")
    headers = {"content-disposition": f'attachment; filename="{site}-{fan}.toml"'}
    return Response(found.text.encode(), media_type="application/toml", headers=headers)


@router.post("/register/fans/{site}/{fan}/remove")
def remove_fan(request: Request, site: Name, fan: Name, sent: Sent) -> Response:
    """Takes a fan out of the register; what is stored of it stays, and it can be entered again."""
    _, _, versions = history_of(request, site, fan)
    if not versions[-1].removed:
        by = asked.who(sent.get("by"))
        register.remove(database_of(request), site, fan, by=by, now=now_of(request))
    return RedirectResponse(f"/register?{urlencode({'site': site})}", 303)
