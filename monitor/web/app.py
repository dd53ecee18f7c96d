"""The web app: pages, API and live stream over one database.

It reads what commits wrote and writes only action and register rows; it never touches the watch.
"""

from __future__ import annotations

import secrets
import tempfile
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import anyio.to_thread
import jinja2
from fastapi import FastAPI, Request
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web import (
    account_page,
    acknowledge_page,
    alarms_api,
    alarms_page,
    api,
    fans_page,
    installed,
    job_page,
    jobs_api,
    morning_api,
    morning_page,
    notices_api,
    notices_page,
    pages,
    people_page,
    problems,
    record_page,
    register_api,
    register_page,
    review_page,
    sign_in,
    site_page,
    words,
)
from monitor.web.api_router import answers
from monitor.web.door import Door, still_in
from monitor.web.guard import Guard
from monitor.web.live import Live
from monitor.web.news import look_for_news
from monitor.web.openapi import ABOUT, DescribedApp, Health
from monitor.web.reader import current
from monitor.web.reviewing import Reviews
from monitor.web.routes_shown import RouteShown
from monitor.web.sign_in import SignIns
from monitor.web.times import rfc3339

HERE = Path(__file__).parent
THREADS = 4
"""Requests in work at a time: pages must not take the worker's turn."""
METRICS_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
LARGEST_BODY = 262_144
"""A nameplate file is a few hundred bytes; nothing that is sent here is larger than this."""


def create_app(
    database: Database,
    *,
    now: Callable[[], datetime],
    health: Callable[[], Mapping[str, Any]] | None = None,
    metrics: Callable[[], bytes] = lambda: b"# EOF\n",
    reviews: Path | None = None,
    public_url: str | None = None,
    link_key: bytes | None = None,
    routes: Sequence[RouteShown] = (),
) -> FastAPI:
    """Makes the app.

    Parameters
    ----------
    database : open; it stays open, closing it is the caller's
    now : wall time, aware
    health : what the service says of itself for /healthz, at once and without waiting; anything in its `"late"` makes
        the answer 503. With `"broker_connected": False` the Loggers page tells what `"broker"` says
    metrics : the service's own figures as OpenMetrics text
    public_url : under whose name the links in notices are opened; None: there are none
    link_key : of `acknowledge_links.key`, with `public_url`
    routes : of the settings, or the one that there is without any
    reviews : directory for the reviews asked for on the pages, emptied at the first; None: a temporary one
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
        yield
        app.state.live.stop()
        app.state.reviews.stop()

    app = DescribedApp(
        title="Fan amp monitor",
        version="1",
        description=ABOUT,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,  # its page would load scripts from the internet
        redoc_url=None,
        lifespan=lifespan,
        redirect_slashes=False,
        max_body_size=LARGEST_BODY,
    )
    app.state.database = database
    app.state.now = now
    app.state.sites = ALL
    app.state.health = health if health is not None else dict
    app.state.public_url, app.state.link_key = public_url, link_key
    app.state.routes = tuple(routes)
    app.state.live = Live(look_for_news(database, ALL, now), still=still_in(database, now, ALL), now=now)
    app.state.sign_ins = SignIns()
    app.state.reviews = Reviews(reviews or Path(tempfile.gettempdir()) / f"fan-amp-reviews-{secrets.token_hex(8)}")
    app.state.templates = _templates(now)
    problems.install(app)
    app.include_router(api.router)
    app.include_router(alarms_api.router)
    app.include_router(register_api.router)
    app.include_router(fans_page.router, include_in_schema=False)
    app.include_router(morning_api.router)
    app.include_router(pages.router, include_in_schema=False)
    app.include_router(alarms_page.router, include_in_schema=False)
    app.include_router(morning_page.router, include_in_schema=False)
    app.include_router(jobs_api.router)
    app.include_router(job_page.router, include_in_schema=False)
    app.include_router(notices_api.router)
    app.include_router(notices_page.router, include_in_schema=False)
    app.include_router(acknowledge_page.router, include_in_schema=False)
    app.include_router(review_page.router, include_in_schema=False)
    app.include_router(record_page.router, include_in_schema=False)
    # Sites first: the page of a site called "new" would hide the form.
    for one in (sign_in, account_page, people_page, site_page, register_page, installed):
        app.include_router(one.router, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    app.add_middleware(Door, public_url=public_url)
    app.add_middleware(Guard)  # added last, asked first

    @app.get(
        "/healthz", tags=["service"], response_model=Health, operation_id="healthz",
        responses=answers({"status": "ok", "late": []})
        | {503: {"model": Health, **answers({"status": "late", "late": ["outbox"]}, status=503)[503]}},
    )  # fmt: skip
    async def healthz(request: Request) -> JSONResponse:
        """For supervisors: 200 while nothing is late that must be acted on. Waits for no database and no thread."""
        said = {"late": [], **request.app.state.health()}
        late = bool(said["late"])
        return JSONResponse({"status": "late" if late else "ok", **said}, 503 if late else 200)

    @app.get(
        "/metrics", tags=["service"], response_class=Response, operation_id="metrics",
        responses={200: {"content": {METRICS_TYPE: {"schema": {"type": "string"}, "example": "# EOF\n"}}}},
    )  # fmt: skip
    def read_metrics() -> Response:
        """The service's own figures, OpenMetrics 1.0."""
        return Response(metrics(), media_type=METRICS_TYPE)

    return app


def _templates(now: Callable[[], datetime]) -> Jinja2Templates:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals["words"] = words
    environment.globals["reader"] = current
    environment.globals["clock"] = lambda: rfc3339(now())  # a page says what time it is of
    return Jinja2Templates(env=environment)
