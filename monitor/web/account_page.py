"""One's own account: the password, sessions on other devices, tokens for programs."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Path, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.errors import ConfigError
from monitor.records import accounts, passwords, register, sessions
from monitor.records.accounts import Account
from monitor.records.scope import ALL
from monitor.web import words
from monitor.web.api import database_of, now_of
from monitor.web.notices_page import next_zone
from monitor.web.pages import render
from monitor.web.problems import Problem, not_found
from monitor.web.reader import current
from monitor.web.shown import zone_of
from monitor.web.sign_in import TooMany, account_for, signed_out, start_session

TokenNumber = Annotated[int, Path(ge=1, le=2**53)]

router = APIRouter()


def own(request: Request) -> Account:
    """The account of whoever asks.

    Raises
    ------
    Problem : 409, there are no accounts yet
    """
    account = current().account
    if account is None:
        raise Problem(409, "There are no accounts yet. The first one is made on the page People.")
    return account


def time_words(request: Request) -> Any:
    """How times are told on pages about people: by the clock of their sites, if it is one."""
    places = register.sites(database_of(request), current().sites)
    zone, now = next_zone({one.site: zone_of(one) for one in places}), now_of(request)
    return lambda time: words.local(time, zone, now)


def sites_words(request: Request, account: Account) -> str:
    """The sites of an account as people call them."""
    if account.sites is ALL:
        return "all sites"
    places = {one.site: one.name for one in register.sites(database_of(request), account.sites)}
    return ", ".join(sorted(name or site for site, name in places.items())) or "no site"


def faults_in_words(exc: ConfigError) -> tuple[str, ...]:
    """What is wrong, a sentence each."""
    said = tuple(f"{one.place[:1].upper()}{one.place[1:]}: expected {one.expected}, found {one.found}."
                 for one in exc.faults)  # fmt: skip
    return said or (exc.message,)


def _page(request: Request, status: int = 200, **more: Any) -> Response:
    account, database = own(request), database_of(request)
    context: dict[str, Any] = {"faults": (), "where": "", "made": "", **more}
    return render(
        request, "account.html", status, account=account, sites=sites_words(request, account),
        count=sessions.count(database, account.id, now_of(request)), tokens=sessions.tokens(database, account.id),
        time=time_words(request), least=passwords.LEAST, letters=sessions.LABEL_LETTERS, **context,
    )  # fmt: skip


@router.get("/account")
def account(request: Request) -> Response:
    """What there is to see and to change; without accounts, to where the first is made."""
    if current().account is None:
        return RedirectResponse("/people", 303)
    return _page(request)


@router.post("/account/password")
async def password(
    request: Request, present: Annotated[str, Form()] = "", new: Annotated[str, Form()] = ""
) -> Response:
    """Another password; every other session ends."""
    account = own(request)
    try:
        right = await account_for(request, account.name, present) == account.id
        if not right:
            return await run_in_threadpool(
                _page, request, 422, where="password", faults=("The present password is wrong.",)
            )
        await run_in_threadpool(accounts.set_password, database_of(request), account.id, new, tokens_too=False)
    except TooMany as exc:
        return await run_in_threadpool(_page, request, 429, where="password", faults=(exc.words,))
    except ConfigError as exc:
        return await run_in_threadpool(_page, request, 422, where="password", faults=faults_in_words(exc))
    return await run_in_threadpool(start_session, request, account.id, "/account")


@router.post("/account/sign-out-everywhere")
def sign_out_everywhere(request: Request) -> Response:
    """Ends all sessions of the account, this one too. Tokens are no sessions: they are revoked one by one."""
    sessions.end_all(database_of(request), own(request).id)
    return signed_out(request)


@router.post("/account/tokens")
def make_token(request: Request, label: Annotated[str, Form()] = "") -> Response:
    """A token that may do what the account may; shown this once."""
    try:
        made = sessions.make_token(database_of(request), own(request).id, label, now_of(request))
    except ConfigError as exc:
        return _page(request, 422, where="tokens", faults=faults_in_words(exc))
    return _page(request, where="tokens", made=made)


@router.post("/account/tokens/{token}/revoke")
def revoke(request: Request, token: TokenNumber) -> Response:
    """Takes a token away."""
    if not sessions.revoke(database_of(request), own(request).id, token):
        raise not_found("You have no such token.")
    return RedirectResponse("/account#tokens", 303)
