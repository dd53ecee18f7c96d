"""The page People: accounts, their roles and sites. Whoever is bound to sites looks after the people of those only."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Request
from starlette.responses import RedirectResponse, Response

from monitor.errors import ConfigError, Fault
from monitor.records import accounts, passwords, register, sessions
from monitor.records.accounts import MANAGE, ROLES, Account, covers
from monitor.records.scope import ALL, Sites
from monitor.web.account_page import TokenNumber, faults_in_words, sites_words, time_words
from monitor.web.api import database_of, now_of
from monitor.web.pages import render
from monitor.web.problems import Problem, not_found
from monitor.web.reader import current
from monitor.web.sign_in import start_session

ROLE_WORDS = {
    "look": "look: see everything of its sites",
    "attend": "attend: also acknowledge alarms, plan stops, enter service, ask for reviews",
    "manage": "manage: also take on fans and look after people",
}
EVERY_SITE = "*"
"""Value of the box for all sites; no site can be called so."""

Number = Annotated[int, Path(ge=1, le=2**53)]
Chosen = Annotated[list[str] | None, Form()]

router = APIRouter()


def _choices(request: Request, chosen: Sites) -> dict[str, Any]:
    """What the boxes and the roles of a form show."""
    mine = current().sites
    every = chosen is ALL
    return {
        "roles": ROLE_WORDS, "places": register.sites(database_of(request), mine), "may_all": mine is ALL,
        "every": every, "chosen": () if chosen is ALL else tuple(chosen), "every_site": EVERY_SITE,
        "least": passwords.LEAST,
    }  # fmt: skip


def _asked(sites: list[str] | None) -> Sites:
    """The sites that somebody chose, no further than the reader's own.

    Raises
    ------
    ConfigError : one of them is not
    """
    asked: Sites = ALL if EVERY_SITE in (sites or ()) else frozenset(sites or ())
    if asked is not ALL and not asked:
        raise ConfigError("", [Fault("sites", "at least one site", "none")])
    if not covers(current().sites, asked):  # as if they were not there
        raise ConfigError("", [Fault("sites", "sites of yours", "others")])
    return asked


def _page(request: Request, status: int = 200, **more: Any) -> Response:
    database = database_of(request)
    entered = {"name": "", "role": "look"}
    context: dict[str, Any] = {"faults": (), "entered": entered, "made": None, **more}
    chosen = context.pop("sites", frozenset())
    if current().without_accounts:
        return render(request, "first_account.html", status, least=passwords.LEAST, **context)
    people = [(one, sites_words(request, one)) for one in accounts.listed(database, current().sites)]
    return render(
        request, "people.html", status, people=people, time=time_words(request), **_choices(request, chosen), **context
    )


@router.get("/people")
def people(request: Request) -> Response:
    """Who there is, and the form for one more; without accounts, the form for the first."""
    return _page(request)


@router.post("/people/first")
def first(request: Request, name: Annotated[str, Form()] = "", password: Annotated[str, Form()] = "") -> Response:
    """Makes the first account and signs in with it."""
    if not current().without_accounts:
        raise Problem(409, "There is an account already; further ones are made on the page People.")
    try:
        number = accounts.add(
            database_of(request), name, password, MANAGE, ALL, by="this computer", now=now_of(request), first=True
        )
    except ConfigError as exc:
        return _page(request, 422, faults=faults_in_words(exc), entered={"name": name[: accounts.NAME_LETTERS]})
    return start_session(request, number, "/people")


@router.post("/people")
def add(
    request: Request, name: Annotated[str, Form()] = "", role: Annotated[str, Form()] = "", sites: Chosen = None
) -> Response:
    """Makes an account with a password that is shown this once."""
    if current().without_accounts:
        raise Problem(409, "The first account is made with a form of its own, on the page People.")
    made = passwords.made_up()
    chosen: Sites = frozenset(sites or ())
    try:
        chosen = _asked(sites)
        number = accounts.add(database_of(request), name, made, role, chosen, by=current().name, now=now_of(request))
    except ConfigError as exc:
        entered = {"name": name[: accounts.NAME_LETTERS], "role": role if role in ROLES else "look"}
        return _page(request, 422, faults=faults_in_words(exc), entered=entered, sites=chosen)
    return _page(request, made=(_one(request, number).name, made))


def _one(request: Request, number: int) -> Account:
    """An account that the reader looks after.

    Raises
    ------
    Problem : 404, there is none, or it is not the reader's
    """
    found = accounts.one(database_of(request), current().sites, number)
    if found is None:
        raise not_found("There is no such account.")
    return found


def _another(request: Request, number: int) -> Account:
    """As `_one`, and not the reader's own: so there is always somebody left who manages.

    Raises
    ------
    Problem : 409
    """
    found = _one(request, number)
    if current().account is not None and found.id == current().number:
        raise Problem(409, "This is your own account. Your password is changed on your own page, the rest by others.")
    return found


def _person(request: Request, account: Account, status: int = 200, **more: Any) -> Response:
    database = database_of(request)
    context: dict[str, Any] = {"faults": (), "made": None, **more}
    return render(
        request, "person.html", status, account=account, sites=sites_words(request, account),
        tokens=sessions.tokens(database, account.id), count=sessions.count(database, account.id, now_of(request)),
        own=account.id == current().number, time=time_words(request), **_choices(request, account.sites), **context,
    )  # fmt: skip


@router.get("/people/{account}")
def person(request: Request, account: Number) -> Response:
    """One account."""
    return _person(request, _one(request, account))


@router.post("/people/{account}")
def change(request: Request, account: Number, role: Annotated[str, Form()] = "", sites: Chosen = None) -> Response:
    """Another role, other sites; they hold from the next request on."""
    found = _another(request, account)
    try:
        accounts.change(database_of(request), found.id, role, _asked(sites))
    except ConfigError as exc:
        return _person(request, found, 422, faults=faults_in_words(exc))
    return RedirectResponse(f"/people/{found.id}", 303)


@router.post("/people/{account}/reset")
def reset(request: Request, account: Number) -> Response:
    """Another password, shown this once; all its sessions and tokens end."""
    found, made = _another(request, account), passwords.made_up()
    accounts.set_password(database_of(request), found.id, made, tokens_too=True)
    return _person(request, found, made=made)


@router.post("/people/{account}/disable")
def disable(request: Request, account: Number) -> Response:
    """Lets nobody in with it."""
    found = _another(request, account)
    accounts.disable(database_of(request), found.id, now_of(request))
    return RedirectResponse(f"/people/{found.id}", 303)


@router.post("/people/{account}/enable")
def enable(request: Request, account: Number) -> Response:
    """Lets in again."""
    found = _another(request, account)
    accounts.enable(database_of(request), found.id)
    return RedirectResponse(f"/people/{found.id}", 303)


@router.post("/people/{account}/tokens/{token}/revoke")
def revoke(request: Request, account: Number, token: TokenNumber) -> Response:
    """Takes a token away."""
    found = _another(request, account)
    if not sessions.revoke(database_of(request), found.id, token):
        raise not_found("There is no such token.")
    return RedirectResponse(f"/people/{found.id}#tokens", 303)
