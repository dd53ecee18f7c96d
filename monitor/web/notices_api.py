"""/api/v1: routes, the notices they were sent, a test of one."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Annotated, Any, Literal

from fastapi import Path, Query, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.notice import group_of
from monitor.records import actions, look, look_notices, outbox
from monitor.records.acknowledge_links import without_links
from monitor.records.actions import DONE
from monitor.records.database import Database
from monitor.records.look_notices import TEST_KIND
from monitor.records.scope import ALL, Sites
from monitor.records.tables import PARTITION
from monitor.web import asked, examples, promised
from monitor.web.api import AlarmNumber, Next, SiteFilter, database_of, listed, now_of, only, sites_of
from monitor.web.api_router import Json, answers, api_router, shown
from monitor.web.problems import Problem, not_found
from monitor.web.routes_shown import RouteShown, route_shape, visible
from monitor.web.shapes import plain

TEST_EVERY = timedelta(seconds=30)
"""A route is tested no more often: an SMS costs money, and a finger that slips sends ten."""

router = api_router("notices")

NoticeState = Literal["waiting", "delivered", "failed"]
RouteName = Annotated[str, Path(max_length=64, examples=["farm"])]


class TestBody(BaseModel):
    __test__ = False
    model_config = shown({"by": "ann"})
    by: str | None = Field(None, max_length=200, description="who; stands in the test's text")


def routes_of(request: Request) -> list[RouteShown]:
    """The routes that the reader may see."""
    routes: list[RouteShown] = list(request.app.state.routes)
    return visible(routes, sites_of(request))


def notice_shape(item: Mapping[str, Any], routes: Mapping[str, RouteShown]) -> dict[str, Any]:
    """One notice of /api/v1/notices. The links in its texts are left out: each is a permission of its receiver's."""
    shown = routes[item["route"]].addresses if item["route"] in routes else ()
    place = item["address"] - 1
    shaped: dict[str, Any] = plain(
        {
            **item,
            "to": shown[place] if place < len(shown) else None,
            **{name: without_links(item[name]) for name in ("subject", "short", "long")},
        }
    )
    return shaped


@router.get("/routes", response_model=promised.Listed[promised.Route], responses=answers(examples.ROUTES))
def routes(request: Request) -> Json:
    """Who is told of what, and how each address stands."""
    states = look_notices.addresses(database_of(request), sites_of(request), now_of(request))
    return Json({"items": [route_shape(one, states) for one in routes_of(request)], "next": None})


@router.get("/notices", response_model=promised.Listed[promised.Notice], responses=answers(examples.NOTICES))
def notices(
    request: Request,
    route: Annotated[str | None, Query(max_length=64, description="only of this route")] = None,
    state: NoticeState | None = None,
    site: SiteFilter = None,
    next: Next = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Json:
    """All notices with what became of them and every try, the newest first."""
    database, sites = database_of(request), only(sites_of(request), site)
    names = {one.name: one for one in routes_of(request)}
    return listed(
        lambda: outbox.recent(database, sites, route=route, state=state, limit=limit, after=next),
        lambda item: notice_shape(item, names),
    )


@router.get(
    "/alarms/{number}/notices", response_model=promised.NoticesOfAlarm, responses=answers(examples.NOTICES_OF_ALARM)
)
def of_alarm(request: Request, number: AlarmNumber) -> Json:
    """Who was told of an alarm, oldest first; who is still to be, and who was not and why."""
    database, sites = database_of(request), sites_of(request)
    if look.alarm(database, sites, number) is None:
        raise not_found(f"There is no alarm {number}.")
    names = {one.name: one for one in routes_of(request)}
    told = [notice_shape(one, names) for one in look_notices.of_alarm(database, sites, number)]
    return Json({"items": told, "next": None, "untold": plain(look_notices.untold(database, sites, number))})


@router.post(
    "/routes/{name}/test", status_code=202, response_model=promised.TestAsked,
    responses=answers(examples.TESTED, 409, 429, status=202),
)  # fmt: skip
async def test_route(request: Request, name: RouteName, body: TestBody | None = None) -> Json:
    """Sends a test to every address of a route, and to nobody else. How it goes on: /notices?route=NAME."""
    number, outcome = await ask_for_test(request, name, body.by if body else None)
    made = await run_in_threadpool(of_test, database_of(request), sites_of(request), name, number)
    names = {one.name: one for one in routes_of(request)}
    told = [notice_shape(one, names) for one in made]
    return Json({"number": number, "outcome": outcome or None, "notices": told}, 202)


test_route.__test__ = False  # type: ignore[attr-defined]


async def ask_for_test(request: Request, name: str, by: str | None) -> tuple[int, str]:
    """Asks for a test of a route and waits a moment for the worker to take it up.

    A test is of the whole service, so it is for those who see all sites.

    Returns
    -------
    number of the action; "done", or "" while the worker has not come to it

    Raises
    ------
    Problem : 404, the reader has no such route; 409, the worker refused, in its words; 429, the last test was just now
    """
    database, now = database_of(request), now_of(request)
    if sites_of(request) is not ALL or name not in {one.name for one in routes_of(request)}:
        raise not_found(f"There is no route {name}.")
    if await run_in_threadpool(look_notices.tested_since, database, name, now - TEST_EVERY):
        seconds = int(TEST_EVERY.total_seconds())
        raise Problem(
            429, f"A test of {name} was sent just now. See what became of it, and send another after {seconds} s.",
            headers={"retry-after": str(seconds)},
        )  # fmt: skip
    number = await run_in_threadpool(_put, database, name, asked.who(by, ""), now)
    outcome = await asked.wait_for(database, number)
    if outcome not in (DONE, ""):
        raise Problem(409, f"This was not carried out: {outcome}.")
    return number, outcome


def _put(database: Database, name: str, by: str, now: datetime) -> int:
    return actions.put(database, TEST_KIND, "", {"route": name}, by, now)


def of_test(database: Database, sites: Sites, name: str, number: int) -> list[dict[str, Any]]:
    """The notices of a test, an address each."""
    return look_notices.of_group(database, sites, group_of(PARTITION, "test", str(number), name))
