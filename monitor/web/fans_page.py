"""The page Fans: least margin first, by site, free words and state; the address says all of it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Depends, Header, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent
from starlette.responses import RedirectResponse, Response

from monitor.motor.limit import SERVICE_FACTOR_HOLDS
from monitor.records import look, register
from monitor.records.register import Site
from monitor.records.registered import words_of
from monitor.records.scope import allows
from monitor.web import fan_page
from monitor.web.api import database_of, now_of, only, room_to_listen, sites_of
from monitor.web.lighter import lighter
from monitor.web.live import PAGE_SECONDS, Live, PageOfFans, mark_of, mark_text
from monitor.web.news import MARK_LENGTH, newest
from monitor.web.pages import render
from monitor.web.problems import not_found
from monitor.web.reader import current
from monitor.web.shown import show, zone_of
from monitor.web.well import in_one_sentence, not_watched
from monitor.web.words import in_units, local

FANS_AT_ONCE = 100
"""Nobody reads on a phone what stands far behind those; words and states find the rest."""
LONGEST_WORDS = 100
LONGEST_FANS = 16 * FANS_AT_ONCE

router = APIRouter()


@dataclass(frozen=True)
class Chosen:
    """What the address of the page says."""

    site: str = ""
    words: str = ""
    """As typed, without spaces at its ends."""
    state: str = ""
    part: int = 1

    @property
    def path(self) -> str:
        """The address, with nothing in it that goes without saying.

        >>> Chosen().path, Chosen(words="bin 3", part=2).path
        ('/', '/?words=bin+3&part=2')
        """
        told = {"site": self.site, "words": self.words, "state": self.state, "part": self.part if self.part > 1 else ""}
        query = urlencode({name: value for name, value in told.items() if value})
        return f"/?{query}" if query else "/"

    def but(self, **other: str | int) -> str:
        """The address with something else, from the first part on unless a part is given."""
        return replace(self, **{"part": 1, **other}).path  # type: ignore[arg-type]

    @property
    def filtered(self) -> bool:
        """Whether anything is asked for but a site."""
        return bool(self.words or self.state)


@router.get("/")
def fans(
    request: Request,
    site: Annotated[str, Query(max_length=64)] = "",
    words: Annotated[str, Query(max_length=LONGEST_WORDS)] = "",
    state: Annotated[str, Query(max_length=40)] = "",
    part: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Response:
    """Least margin first, so many at a time."""
    chosen = Chosen(site, " ".join(words.split()), state, part)
    database, sites, now = database_of(request), sites_of(request), now_of(request)
    mark = newest(database)  # before the rows: what changes in between is told again, never missed
    known = {one.site: one for one in register.sites(database, sites)}
    if site and site not in known:
        raise not_found(f"There is no site {site}.")
    if state and state not in look.STATES:
        raise not_found(f'No fan is ever said to be "{state}". The states are: {", ".join(look.STATES)}.')
    asked = look.Asked(words_of(words), state or None)
    found = look.part_of(database, only(sites, site or None), asked, part, FANS_AT_ONCE)
    if found.part != part:  # the list has grown shorter: to its end, for whoever was there
        return RedirectResponse(replace(chosen, part=found.part).path)
    rows = [(item, show(item, known[item["site"]], now)) for item in found.items if item["site"] in known]
    shown_sites = {item["site"]: known[item["site"]] for item, _ in rows}
    units = "si" if {one.units for one in shown_sites.values()} == {"si"} else "us"  # of those shown, if they agree
    zones = {one.site: zone_of(one) for one in known.values()}
    names = {one.site: one.name or one.site for one in known.values()} if len(known) > 1 and not site else {}
    trouble = not_watched(request.app.state.health())
    well = in_one_sentence(found.seen, found.beside, zones, names, now, trouble) if found.seen else None
    first = next(iter(shown_sites or known), None)  # by whose clock
    page = render(
        request, "fans.html", well=well, as_of=local(now, zones[first], now) if first else "", rows=rows, sites=known,
        chosen=chosen, found=found, first=(part - 1) * FANS_AT_ONCE + 1,
        states=_states(found.counts, chosen), longest_words=LONGEST_WORDS,
        stream=_stream(chosen, found.points, mark_text(mark)),
        newcomers=[] if found.registered else _newcomers(request, site), zones=_zones(shown_sites.values(), now),
        nothing="" if found.total else _nothing(chosen, known),
        service_factor_note=fan_page.sentence(in_units(SERVICE_FACTOR_HOLDS, units)),
    )  # fmt: skip
    return lighter(request, page)


@router.get("/live", response_class=EventSourceResponse, dependencies=[Depends(room_to_listen)])
async def live(
    request: Request,
    fans: Annotated[str, Query(max_length=LONGEST_FANS, pattern=r"^(\d{1,15}(,\d{1,15})*)?$")] = "",
    site: Annotated[str, Query(max_length=64)] = "",
    words: Annotated[str, Query(max_length=LONGEST_WORDS)] = "",
    after: Annotated[str, Query(max_length=40)] = "",
    last_event_id: Annotated[str | None, Header(max_length=40)] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Server-sent events for this page: `fans`, those it shows that changed, with the texts that change; `alarms`,
    those of the site and words asked for, by which it sees that the list reads otherwise now."""
    told: Live = request.app.state.live
    if site and not allows(sites_of(request), site):
        return
    points = frozenset(int(point) for point in fans.split(",") if point)
    asked = PageOfFans(points, site or None, words_of(words))
    async for event in told.stream(mark_of(last_event_id or after, MARK_LENGTH), current(), asked, PAGE_SECONDS):
        yield event


def _states(counts: Mapping[str, int], chosen: Chosen) -> list[tuple[str, int, str, bool]]:
    """Each state that some fan is in, or that was asked for: word, how many, its address, whether it is shown now."""
    return [
        (state, counts.get(state, 0), chosen.but(state=state), state == chosen.state)
        for state in look.STATES
        if state in counts or state == chosen.state
    ]


def _stream(chosen: Chosen, points: Iterable[int], mark: str) -> str:
    """Address of the news of what the page shows."""
    fans = ",".join(str(point) for point in sorted(points))
    told = {"fans": fans, "site": chosen.site, "words": chosen.words, "after": mark}
    return f"/live?{urlencode({name: value for name, value in told.items() if value}, safe=',', quote_via=quote)}"


def _nothing(chosen: Chosen, known: Mapping[str, Site]) -> str:
    """That nothing fits, with all that was asked for."""
    at = f" at {known[chosen.site].name or chosen.site}" if chosen.site else ""
    fits = f" matches “{chosen.words}”{at}" if chosen.words else at
    if not chosen.state:
        return f"No fan{fits}."
    return f"No fan{fits}{' and' if chosen.words else ''} is in the state “{chosen.state}” now."


def _newcomers(request: Request, site: str) -> list[object]:
    return list(look.newcomers(database_of(request), only(sites_of(request), site or None))["items"])


def _zones(sites: Iterable[Site], now: datetime) -> str:
    return ", ".join(sorted({now.astimezone(zone_of(site)).tzname() or site.time_zone for site in sites}))
