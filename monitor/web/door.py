"""The door: finds out who asks, and lets in whoever may.

Without accounts: this computer only (the peer is on loopback, and the Host header names loopback: a foreign name made
to point at 127.0.0.1 is refused), and it may do everything. With accounts: whoever shows a session or a token. What is
open to all needs no look into the database: /healthz answers while it is locked.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.errors import LinkError
from monitor.records import accounts, sessions
from monitor.records.acknowledge_links import PATH as LINKS
from monitor.records.database import Database
from monitor.records.scope import Sites
from monitor.web import needs
from monitor.web.guard import host_of, is_loopback
from monitor.web.problems import Problem, answer, is_api, refusal
from monitor.web.reader import MANAGE, NOBODY, Reader, at_this_computer, let_in, reader_of

OPEN_BY_LINK = (LINKS, "/static/")
"""Where these begin, the public name may ask as well, as long as there are no accounts."""
COOKIE, SECURE_COOKIE = "fan-amp-session", "__Host-fan-amp-session"
"""The second where the browser came by https: no page of another name, and none by plain http, can set it."""
BEARER = "bearer "


@dataclass(frozen=True)
class Shown:
    """What a request shows of who it is."""

    session: str | None
    token: str | None


class Door:
    """Lets in whoever may, and says who it is."""

    def __init__(self, app: ASGIApp, *, public_url: str | None = None) -> None:
        """
        Parameters
        ----------
        public_url : under whose name the links in notices are opened; None: there are no such links
        """
        self.app = app
        self.public_url = public_url
        self.public_host = None if public_url is None else urlsplit(public_url).hostname
        self._accounts = False
        """There were accounts at the last look."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        scope.setdefault("state", {})["secure"] = comes_by_https(scope, self.public_url)
        let_in(NOBODY)
        try:
            refused = await self._look(scope)
        except LinkError as exc:
            detail = f"{exc} The service itself may run on."
            refused = answer(Request(scope), Problem(503, detail, headers={"retry-after": "5"}))
        await (self.app if refused is None else refused)(scope, receive, send)

    async def _look(self, scope: Scope) -> Response | None:
        """Lets in (None), or the answer to whoever is not."""
        need = needs.need_of(scope["method"], scope["path"])
        if need == needs.OPEN:
            elsewhere = self._why_not_here(scope)
            if elsewhere is None or self._accounts or await self._are_there_accounts(scope):
                return None
            return refusal(scope, elsewhere)
        reader = await self._reader(scope)
        if isinstance(reader, Response):
            return reader
        let_in(reader)
        if reader.may(need or MANAGE):
            return None
        if need is None:
            return answer(Request(scope), Problem(404, "There is nothing at this address. Begin at the page Fans."))
        detail = (
            f"Your account may {_may(reader.role)}. This needs one that may {_may(need)}; ask who looks after people."
        )
        return answer(Request(scope), Problem(403, detail))

    async def _are_there_accounts(self, scope: Scope) -> bool:
        self._accounts = await run_in_threadpool(accounts.exist, scope["app"].state.database)
        return self._accounts

    async def _reader(self, scope: Scope) -> Reader | Response:
        state = scope["app"].state
        shown = shown_by(scope)
        self._accounts, found = await run_in_threadpool(
            sessions.find, state.database, state.now(), session=shown.session, token=shown.token
        )
        if not self._accounts:
            elsewhere = self._why_not_here(scope) or _came_by_proxy(scope)
            return at_this_computer(state.sites) if elsewhere is None else refusal(scope, elsewhere)
        if found is None:
            return sign_in_first(scope)
        if found.unmarked:
            with contextlib.suppress(LinkError):  # written down at the next request
                await run_in_threadpool(sessions.mark_used, state.database, state.now(), found)
        return reader_of(found)

    def _why_not_here(self, scope: Scope) -> str | None:
        """Why it is not this computer that asks; None: it is, or it follows a link."""
        peer = scope.get("client")
        if peer is None or not is_loopback(peer[0]):
            return "These pages are open to the computer they run on only. Open them there, at its 127.0.0.1 address."
        host = host_of(Headers(scope=scope).get("host", ""))
        if host is None or not (is_loopback(host) or self._by_link(host, scope["path"])):
            return "These pages answer only to the names 127.0.0.1, localhost and [::1]. Open them under one of those."
        return None

    def _by_link(self, host: str, path: str) -> bool:
        """Whether the public name is asked for what is open under it."""
        return host == self.public_host and path.startswith(OPEN_BY_LINK)


def _came_by_proxy(scope: Scope) -> str | None:
    """Why a request that another program of this computer passed on is not this computer's own; None: it is none."""
    headers = Headers(scope=scope)
    if not any(name in headers for name in ("x-forwarded-for", "x-forwarded-host", "forwarded", "via")):
        return None
    return (
        "This came through a proxy, and without accounts the pages are open to the computer they run on only. Make the "
        "first account there: on the page People, or with amp-monitor accounts add NAME --role manage --all-sites"
    )


def shown_by(scope: Scope) -> Shown:
    """The session or token that a request shows. A token is for programs: it opens the API and no page."""
    request = Request(scope)
    given = request.headers.get("authorization")
    if given is not None and is_api(scope["path"]):  # shown on purpose: a wrong one is not helped out by a cookie
        return Shown(None, given[len(BEARER) :].strip() if given[: len(BEARER)].lower() == BEARER else "")
    return Shown(request.cookies.get(cookie_name(scope)), None)


def comes_by_https(scope: Scope, public_url: str | None) -> bool:
    """Whether the browser came by https: to us, or to the proxy of the public name, which passes the name on."""
    if scope["scheme"] == "https":
        return True
    parts = urlsplit(public_url or "")
    return parts.scheme == "https" and parts.netloc.lower() == Headers(scope=scope).get("host", "").lower()


def cookie_name(scope: Scope) -> str:
    """The name of the session's cookie."""
    return SECURE_COOKIE if scope["state"]["secure"] else COOKIE


def sign_in_first(scope: Scope) -> Response:
    """To whoever shows nothing, or what holds no longer."""
    if is_api(scope["path"]):
        detail = "This needs an account: send a token with Authorization: Bearer, or sign in on the pages."
        return answer(Request(scope), Problem(401, detail, headers={"www-authenticate": "Bearer"}))
    if scope["method"] not in ("GET", "HEAD"):
        return RedirectResponse("/sign-in", 303)
    query = scope.get("query_string", b"").decode("latin-1")
    whole = quote(scope["path"]) + (f"?{query}" if query else "")
    return RedirectResponse("/sign-in" if whole == "/" else f"/sign-in?next={quote(whole, safe='')}", 303)


def _may(role: str | None) -> str:
    return {"look": "look only", "attend": "attend to alarms and fans", "manage": "manage fans and people"}.get(
        role or "", "do nothing"
    )


def still_in(
    database: Database, now: Callable[[], datetime], sites: Sites
) -> Callable[[frozenset[Reader]], frozenset[Reader]]:
    """Of readers that were let in once: who would be let in now, to the same.

    Parameters
    ----------
    sites : of this computer, as long as there are no accounts
    """

    def still(readers: frozenset[Reader]) -> frozenset[Reader]:
        here = None if accounts.exist(database) else at_this_computer(sites)
        return frozenset(one for one in readers if (again := _again(one, here)) is not None and again.sees_as(one))

    def _again(reader: Reader, here: Reader | None) -> Reader | None:
        found = None if reader.shown is None else sessions.find_again(database, now(), *reader.shown)
        return here if found is None else reader_of(found)

    return still
