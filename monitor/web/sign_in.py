"""Signing in and out. A wrong name and a wrong password are answered alike, in words and in work."""

from __future__ import annotations

import time
from functools import partial
from typing import Annotated

import anyio
import anyio.to_thread
from fastapi import APIRouter, Form, Query, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.records import accounts, passwords, sessions
from monitor.records.accounts import key_of
from monitor.web.api import database_of, now_of
from monitor.web.door import cookie_name, shown_by
from monitor.web.guard import is_loopback
from monitor.web.problems import Problem
from monitor.web.reader import current
from monitor.web.throttle import Throttle

MOST_WAITING = 8
"""Passwords are worked out one after the other; so many may wait for it."""
WRONG = "The name or the password is wrong, or the account is disabled."
LONGEST_NEXT = 2_000

router = APIRouter()


class SignIns:
    """What the tries to sign in have in common."""

    def __init__(self) -> None:
        self.throttle = Throttle()
        self.one_at_a_time = anyio.CapacityLimiter(1)
        """In a thread of its own: whoever tries passwords holds up no page."""
        self.waiting = 0


class TooMany(Exception):
    """This name or address has had its tries for now."""

    def __init__(self, seconds: int) -> None:
        self.seconds = seconds
        super().__init__(seconds)

    @property
    def words(self) -> str:
        """What is told of it."""
        return f"Too many tries. Wait {self.seconds} s, then try once more."


async def account_for(request: Request, name: str, password: str) -> int | None:
    """The id of the account that a name and a password are of; None: of none.

    Raises
    ------
    TooMany : nothing was looked at
    """
    signing: SignIns = request.app.state.sign_ins
    tried = (key_of(name)[: accounts.NAME_LETTERS + 1], address_of(request))
    seconds = signing.throttle.take(*tried, time.monotonic())
    if seconds:
        raise TooMany(seconds)
    if signing.waiting >= MOST_WAITING:
        signing.throttle.give_back(*tried)
        raise TooMany(2)
    signing.waiting += 1
    try:
        look = partial(accounts.signs_in, database_of(request), name, password[: passwords.MOST + 1])
        found = await anyio.to_thread.run_sync(look, limiter=signing.one_at_a_time)
    finally:
        signing.waiting -= 1
    if found is not None:
        signing.throttle.give_back(*tried)
    return found


def address_of(request: Request) -> str:
    """Where whoever tries sits. A proxy on this computer tells it last in X-Forwarded-For; nobody else is believed."""
    peer = "" if request.client is None else request.client.host
    told = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
    return told if told and is_loopback(peer) else peer


def within(address: str) -> str:
    """An address of ours to go on to; "/" for any other.

    >>> within("/fans/a/b?x=1"), within("//evil.example/"), within("https://evil.example"), within("/\\\\evil.example")
    ('/fans/a/b?x=1', '/', '/', '/')
    """
    plain = address.isprintable() and len(address) <= LONGEST_NEXT and "\\" not in address
    return address if plain and address.startswith("/") and not address.startswith("//") else "/"


def start_session(request: Request, account_id: int, then: str) -> Response:
    """Begins a session, under a new id whatever the browser brought along, and goes on."""
    database, now = database_of(request), now_of(request)
    made = sessions.begin(database, account_id, now, instead_of=shown_by(request.scope).session)
    answer = RedirectResponse(then, 303)
    answer.set_cookie(
        cookie_name(request.scope), made, max_age=int(sessions.LONGEST.total_seconds()), path="/",
        secure=request.state.secure, httponly=True, samesite="lax",
    )  # fmt: skip
    return answer


@router.get("/sign-in")
def form(request: Request, next: Annotated[str, Query()] = "") -> Response:
    """Name and password; without any account, to where the first is made."""
    if not accounts.exist(database_of(request)):
        return RedirectResponse("/people", 303)
    return _page(request, within(next or "/"))


@router.post("/sign-in")
async def sign_in(
    request: Request, name: Annotated[str, Form()] = "", password: Annotated[str, Form()] = "",
    next: Annotated[str, Form()] = "",
) -> Response:  # fmt: skip
    """Begins a session."""
    then = within(next or "/")
    try:
        found = await account_for(request, name, password)
    except TooMany as exc:
        return _page(request, then, name, exc.words, 429, {"retry-after": str(exc.seconds)})
    if found is None:
        return _page(request, then, name, WRONG, 401)
    return await run_in_threadpool(start_session, request, found, then)


def _page(
    request: Request, then: str, name: str = "", wrong: str = "", status: int = 200,
    headers: dict[str, str] | None = None,
) -> Response:  # fmt: skip
    context = {"then": then, "name": name[: accounts.NAME_LETTERS], "wrong": wrong}
    page: Response = request.app.state.templates.TemplateResponse(
        request, "sign_in.html", context, status_code=status, headers=headers
    )
    return page


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """Ends this session."""
    shown = current().shown
    if shown is None:
        raise Problem(409, "Nobody is signed in: there are no accounts yet.")
    sessions.end(database_of(request), shown[1])
    return signed_out(request)


def signed_out(request: Request) -> Response:
    """To the page Sign in, without the cookie."""
    # What the browser kept for when there is no connection goes too, also where the service worker did not see this.
    answer = RedirectResponse("/sign-in", 303, headers={"clear-site-data": '"storage"'})
    answer.delete_cookie(
        cookie_name(request.scope), path="/", secure=request.state.secure, httponly=True, samesite="lax"
    )
    return answer
