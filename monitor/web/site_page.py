"""A site in the register: its form, for a new one and for one that is there."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from monitor.errors import ConfigError
from monitor.records import register
from monitor.records.actions import clean
from monitor.records.register import Site
from monitor.settings import NAME
from monitor.web import site_form
from monitor.web.api import database_of, now_of, only, sites_of
from monitor.web.pages import render
from monitor.web.problems import Problem, not_found
from monitor.web.register_page import Asked, Name, Sent, may_add_sites, register_path, site_facts
from monitor.web.site_form import SiteEntered

NOT_YOURS = (
    "Your account is for certain sites, so a new one would be out of its sight. Have somebody add it who looks after "
    "all sites."
)

router = APIRouter()


def _may_add(request: Request) -> None:
    if not may_add_sites(request):
        raise Problem(403, NOT_YOURS)


@router.get("/register/sites/new")
def new_site(request: Request, site: Asked = "", fan: Asked = "") -> Response:
    """The form of a new site; with the name of a fan it leads on to that fan's."""
    _may_add(request)
    others = register.sites(database_of(request), sites_of(request))
    zones = {one.time_zone for one in others}
    zone = zones.pop() if len(zones) == 1 else ""
    return _form(request, None, site_form.begun(None, name=clean(site, 64), zone=zone), fan=clean(fan, 64))


@router.post("/register/sites/new")
def enter_site(request: Request, sent: Sent) -> Response:
    """Enters a site; with faults the form comes back."""
    _may_add(request)
    database, fan = database_of(request), clean(sent.get("fan"), 64)
    entered, site = site_form.read(sent.values, None)
    there = register.sites(database, [entered.values["site"]])
    if there:
        said = f"There is a site {there[0].site} already, {there[0].name}."
        entered = SiteEntered(entered.values, {**entered.at_fields, "site": (said,)})
    if entered.faulty or site is None:
        return _form(request, None, entered, 422, fan=fan)
    register.put_site(database, site, now_of(request), replace=False)
    if fan and NAME.fullmatch(fan):
        return RedirectResponse(f"/register/fans/new?{urlencode({'site': site.site, 'fan': fan})}", 303)
    return RedirectResponse(f"{register_path(site.site)}?saved=1", 303)


def _place(request: Request, site: str) -> Site:
    places = register.sites(database_of(request), only(sites_of(request), site))
    if not places:
        raise not_found(f"There is no site {site}.")
    return places[0]


@router.get("/register/sites/{site}")
def one_site(request: Request, site: Name, saved: bool = False) -> Response:
    """What is known of a site, with the form that changes it."""
    place = _place(request, site)
    return _form(request, place, site_form.begun(place), saved=saved)


@router.post("/register/sites/{site}")
def change_site(request: Request, site: Name, sent: Sent) -> Response:
    """Changes what is known of a site."""
    place = _place(request, site)
    entered, changed = site_form.read(sent.values, place)
    if changed is None:
        return _form(request, place, entered, 422)
    try:
        register.put_site(database_of(request), changed, now_of(request))
    except ConfigError as exc:  # its own name, which nobody can change here
        raise Problem(422, exc.message) from exc
    return RedirectResponse(f"{register_path(site)}?saved=1", 303)


def _form(
    request: Request, place: Site | None, entered: SiteEntered, status: int = 200, *, saved: bool = False, fan: str = ""
) -> Response:
    others = register.sites(database_of(request), sites_of(request))
    likely, every = site_form.zones(others)
    chosen = entered.values["time_zone"]
    return render(
        request, "register_site.html", status, place=place, entered=entered, fan=fan, saved=saved, likely=likely,
        every=every, other_zone=chosen if chosen and chosen not in every and chosen not in likely else "",
        facts="" if place is None else site_facts(place, now_of(request)), register_path=register_path,
    )  # fmt: skip
