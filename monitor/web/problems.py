"""Errors as answers: problem details (RFC 9457) for programs, a plain page for people."""

from __future__ import annotations

import html
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import Scope

from monitor.errors import ConfigError, Fault, LinkError
from monitor.records.acknowledge_links import PATH as LINKS

MEDIA_TYPE = "application/problem+json"


class Problem(Exception):
    """Something a request cannot have, told in words to whoever asked."""

    def __init__(
        self, status: int, detail: str, *, faults: tuple[Fault, ...] = (), headers: dict[str, str] | None = None
    ) -> None:
        self.status = status
        self.detail = detail
        self.faults = faults
        self.headers = headers
        super().__init__(detail)


def not_found(detail: str) -> Problem:
    """There is no such thing, or it is not the reader's: the same answer for both."""
    return Problem(404, detail)


def body_of(status: int, detail: str, faults: tuple[Fault, ...] = ()) -> dict[str, Any]:
    """The members of RFC 9457, and every fault with its place."""
    body: dict[str, Any] = {"type": "about:blank", "title": _title(status), "status": status, "detail": detail}
    if faults:
        body["errors"] = [{"place": one.place, "expected": one.expected, "found": one.found} for one in faults]
    return body


def _title(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def is_api(path: str) -> bool:
    """Whether a program asks, to whom errors are told as JSON."""
    return path.startswith("/api/") or path == "/healthz"


def answer(request: Request, problem: Problem) -> Response:
    """The problem in the form the asker reads."""
    if is_api(request.url.path):
        body = body_of(problem.status, problem.detail, problem.faults)
        return JSONResponse(body, problem.status, headers=problem.headers, media_type=MEDIA_TYPE)
    templates = request.app.state.templates
    page: Response = templates.TemplateResponse(
        request,
        "problem.html",
        {
            "title": _title(problem.status),
            "detail": problem.detail,
            "faults": problem.faults,
            "frame": "bare.html" if request.url.path.startswith(LINKS) else "base.html",
        },
        status_code=problem.status,
        headers=problem.headers,
    )
    return page


def refusal(scope: Scope, detail: str) -> Response:
    """403, told before anything else is looked at, so without templates."""
    if is_api(scope["path"]):
        return JSONResponse(body_of(403, detail), 403, media_type=MEDIA_TYPE)
    text = (
        f"<!doctype html><html lang=en><title>Not open here</title><h1>Not open here</h1><p>{html.escape(detail)}</p>"
    )
    return HTMLResponse(text, 403)


def install(app: FastAPI) -> None:
    """Has every error of the app answered this way."""

    @app.exception_handler(Problem)
    def told(request: Request, exc: Exception) -> Response:
        assert isinstance(exc, Problem)
        return answer(request, exc)

    @app.exception_handler(HTTPException)
    def http(request: Request, exc: Exception) -> Response:
        assert isinstance(exc, HTTPException)
        words = {
            404: "There is nothing at this address. Begin at the page Fans.",
            405: "This address does not take that kind of request.",
            413: "This is more than may be sent at once.",
        }
        headers = dict(exc.headers) if exc.headers else None
        return answer(request, Problem(exc.status_code, words.get(exc.status_code, str(exc.detail)), headers=headers))

    @app.exception_handler(RequestValidationError)
    def malformed(request: Request, exc: Exception) -> Response:
        assert isinstance(exc, RequestValidationError)
        faults = tuple(
            Fault(
                ".".join(str(part) for part in one["loc"]),
                "no key of this name; see /api/v1/openapi.json" if one["type"] == "extra_forbidden" else one["msg"],
                repr(one.get("input"))[:60],
            )
            for one in exc.errors()
        )
        return answer(request, Problem(422, "The request cannot be understood; see its faults.", faults=faults))

    @app.exception_handler(ConfigError)
    def config(request: Request, exc: Exception) -> Response:
        assert isinstance(exc, ConfigError)
        return answer(request, Problem(422, exc.message, faults=exc.faults))

    @app.exception_handler(LinkError)
    def database(request: Request, exc: Exception) -> Response:
        assert isinstance(exc, LinkError)
        return answer(request, Problem(503, f"{exc} The service itself may run on.", headers={"retry-after": "5"}))

    @app.exception_handler(Exception)
    def bug(request: Request, exc: Exception) -> Response:
        detail = "The page met a fault of its own; the service's log tells more. The watch runs on."
        # Nothing of ours stands around this answer: it says itself that it is not to be kept. And the server ends the
        # connection after it: whoever asks next on the same one would hear nothing.
        return answer(request, Problem(500, detail, headers={"cache-control": "no-store", "connection": "close"}))
