"""The page behind the link in a notice: what it is about, and one button. For a phone, without account and script.

Opening it changes nothing: mail programs and their scanners open links by themselves. The link's signature is the
permission; it goes no further than the alarms of its notice, and what is shown here of them is what the notice told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Form, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from monitor.alarms.states import Cause
from monitor.blades import cautions
from monitor.errors import LinkError
from monitor.records import acknowledge_links, actions, look, register
from monitor.records.acknowledge_links import KIND, PATH, VALID_FOR, Linked
from monitor.records.actions import DONE
from monitor.records.register import Site
from monitor.watch.table import BY_ID
from monitor.web import asked, words
from monitor.web.api import database_of, now_of
from monitor.web.guard import host_of, is_loopback
from monitor.web.shown import zone_of

HEADERS = {"referrer-policy": "no-referrer", "cache-control": "no-store", "x-robots-tag": "noindex, nofollow"}
"""The address is a permission: it is kept by nobody on the way, and told to nobody."""
NAME_LETTERS = 40
_RAISED = (Cause.RAISED.value, Cause.RAISED_HIGHER.value, Cause.GROWN.value)
_ANEW = "It has become more since this page was opened. Read it again before you acknowledge it."

router = APIRouter()


@dataclass(frozen=True)
class AlarmShown:
    """One alarm of the notice as the page shows it."""

    title: str
    """E.g. "north-3: over its limit"."""
    where: str
    """Its site."""
    fan: str | None
    page: str
    """Address of the fan's page; empty where it is about no fan."""
    priority: str
    state: str
    since: str
    text: str
    cautions: tuple[str, ...]
    waits: bool
    """Whether it waits to be acknowledged."""


@dataclass(frozen=True)
class Told:
    """What a good link is about, as it stands now."""

    linked: Linked
    alarms: list[AlarmShown]
    missing: int
    """Alarms of the notice that are not stored any more."""
    seen: int
    """Number of the last change by which one of them was raised."""
    entered: bool
    """An acknowledgement by this link waits for the worker."""
    zone: ZoneInfo

    @property
    def waiting(self) -> int:
        """How many of the alarms wait to be acknowledged."""
        return sum(one.waits for one in self.alarms)


class Refused(Exception):
    """A link that leads to nothing: what is told of it, and how."""

    def __init__(self, status: int, title: str, detail: str) -> None:
        self.status, self.title, self.detail = status, title, detail
        super().__init__(title)


# --- the two ways in -------------------------------------------------------------------------------------------


@router.api_route(PATH + "{token:path}", methods=["GET", "HEAD"])  # a scanner's HEAD is no reason to call it dead
def opened(request: Request, token: str) -> Response:
    """What the notice is about now. Nothing is changed."""
    try:
        return _page(request, _look(request, token))
    except Refused as exc:
        return _words(request, exc.status, exc.title, exc.detail)
    except LinkError:
        detail = "The service is busy or its disk is full. Nothing was changed. Wait a little and open the link again."
        return _words(request, 503, "It cannot be shown just now", detail)


@router.post(PATH + "{token:path}")
async def confirmed(
    request: Request, token: str, by: Annotated[str, Form()] = "", seen: Annotated[str, Form()] = ""
) -> Response:
    """Acknowledges all alarms of the notice that wait for it."""
    try:
        told = await run_in_threadpool(_look, request, token)
        linked = told.linked
        if linked.used is not None or not told.waiting:
            return _page(request, told, 409)
        if seen.isdecimal() and len(seen) < 20 and int(seen) < told.seen:
            return _page(request, told, 409, note=_ANEW)
        if not told.entered:
            name, way = actions.clean(by, NAME_LETTERS), f"by link to {linked.route}"
            number = await run_in_threadpool(
                actions.put, database_of(request), KIND, linked.site, {"notice": linked.notice_id},
                f"{name}, {way}" if name else way, now_of(request),
            )  # fmt: skip
            outcome = await asked.wait_for(database_of(request), number)
            if outcome not in (DONE, ""):  # another was quicker
                return _page(request, await run_in_threadpool(_look, request, token), 409)
    except Refused as exc:
        return _words(request, exc.status, exc.title, exc.detail)
    except LinkError:
        detail = "The service is busy or its disk is full. Nothing was acknowledged. Wait a little and tap again."
        return _words(request, 503, "Not acknowledged", detail)
    return RedirectResponse(PATH + quote(token, safe=""), 303, headers=HEADERS)


# --- what it is about ------------------------------------------------------------------------------------------


def _look(request: Request, token: str) -> Told:
    """What a link is about.

    Raises
    ------
    Refused : it is none of ours, too old, or of a notice that is not stored any more
    LinkError : the database cannot be read
    """
    key: bytes | None = request.app.state.link_key
    notice_id = None if key is None else acknowledge_links.notice_of(token, key)
    if notice_id is None:
        raise Refused(
            404, "This is no link of a notice",
            "It was not sent by this service, or was cut short on its way. "
            "Go back to the notice and open the whole link.",
        )  # fmt: skip
    database, now = database_of(request), now_of(request)
    linked = acknowledge_links.linked(database, notice_id)
    if linked is None:
        raise Refused(
            410, "This notice is not stored any more",
            "Nothing can be acknowledged by its link. See to what still stands on the fan's page.",
        )  # fmt: skip
    places = register.sites(database, [linked.site])
    site = places[0] if places else Site(linked.site, "", "UTC", 0.0, "us", "17:00")
    zone = zone_of(site)
    if linked.used is None and now - linked.created > VALID_FOR:
        raise Refused(
            410, "This link is too old",
            f"Its notice was made {words.local(linked.created, zone, now)}, and a link works for {VALID_FOR.days} "
            "days. Acknowledge what still stands by the link of a newer notice, or on the fan's page.",
        )  # fmt: skip
    found = [look.alarm(database, [linked.site], number) for number in linked.alarms]
    known = [one for one in found if one is not None]
    raised = [change["number"] for one in known for change in one["changes"] if change["cause"] in _RAISED]
    waiting = {one.body.get("notice") for one in actions.undone(database) if one.kind == KIND}
    return Told(
        linked, [_shown(one, site, zone, now) for one in known], len(found) - len(known), max(raised, default=0),
        notice_id in waiting, zone,
    )  # fmt: skip


def _shown(alarm: Mapping[str, Any], site: Site, zone: ZoneInfo, now: datetime) -> AlarmShown:
    condition = BY_ID.get(alarm["id"])
    what = condition.words if condition else alarm["id"].replace("-", " ")
    name = alarm["fan"] or alarm["supply"] or site.name or site.site
    fan = alarm["fan"]
    return AlarmShown(
        title=f"{name}: {what}",
        where=site.name or site.site,
        fan=fan,
        page=f"/fans/{quote(alarm['site'], safe='')}/{quote(fan, safe='')}" if fan else "",
        priority=alarm["priority"],
        state=_state(alarm, zone, now),
        since=f"Since {words.local(alarm['since'], zone, now)}, {words.ago(alarm['since'], now)}",
        text=alarm["text"],
        cautions=cautions.for_notice(alarm["id"]),
        waits=alarm["state"].endswith("UNACKNOWLEDGED"),
    )


def _state(alarm: Mapping[str, Any], zone: ZoneInfo, now: datetime) -> str:
    """How it stands, and who has acknowledged it."""
    over = "" if alarm["cleared"] is None else f"Over since {words.local(alarm['cleared'], zone, now)}"
    if alarm["standing"] and over:
        state = "Over, and stands until somebody acknowledges it"  # latched
    else:
        state = "Stands now" if alarm["standing"] else over or "Over"
    if alarm["acknowledged"] is not None:
        at = words.local(alarm["acknowledged"], zone, now)
        return f"{state}; acknowledged {at}: {alarm['acknowledged_by']}"
    return f"{state}; nobody has acknowledged it" if alarm["state"].endswith("UNACKNOWLEDGED") else state


# --- the page --------------------------------------------------------------------------------------------------


def _page(request: Request, told: Told, status: int = 200, note: str = "") -> Response:
    linked, now = told.linked, now_of(request)
    missing = "" if not told.missing else f"Not stored any more: {words.plural(told.missing, 'alarm')} of this notice."
    context: dict[str, Any] = {
        "alarms": told.alarms, "missing": missing, "seen": told.seen, "note": note, "long": linked.long,
        "sent": words.local(linked.created, told.zone, now), "here": _at_this_computer(request), "done": "",
        "cautions": list(dict.fromkeys(text for one in told.alarms for text in one.cautions)),
        "press": "Acknowledge" if told.waiting == 1 else f"Acknowledge all {told.waiting}",
    }  # fmt: skip
    if linked.used is not None:
        done = f"{linked.used_by}, {words.local(linked.used, told.zone, now)}."
        context |= {"view": "used", "title": "Acknowledged", "done": done[:1].upper() + done[1:]}
    elif told.entered:
        context |= {"view": "entered", "title": "Entered"}
    elif told.waiting:
        what = told.alarms[0].title if len(told.alarms) == 1 else f"{len(told.alarms)} alarms at {told.alarms[0].where}"
        context |= {"view": "stands", "title": what}
    else:
        context |= {"view": "nothing", "title": "Nothing to acknowledge"}
    return _render(request, status, context)


def _words(request: Request, status: int, title: str, detail: str) -> Response:
    context = {"view": "words", "title": title, "detail": detail}
    return _render(request, status, context, {"retry-after": "5"} if status == 503 else {})


def _render(request: Request, status: int, context: dict[str, Any], more: Mapping[str, str] | None = None) -> Response:
    page: Response = request.app.state.templates.TemplateResponse(
        request, "acknowledge.html", context, status_code=status, headers={**HEADERS, **(more or {})}
    )
    return page


def _at_this_computer(request: Request) -> bool:
    """Whether whoever asks can open the other pages too."""
    host = host_of(request.headers.get("host", ""))
    return host is not None and is_loopback(host)
