"""The description of the API (OpenAPI 3.1): what follows from the form of a route is added here, once for all.

What a route declares itself stands; errors are problem details (RFC 9457) everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal

from fastapi import FastAPI
from pydantic import BaseModel, ConfigDict, Field

from monitor.web import needs, problems
from monitor.web.api_router import JSON, PREFIX, restored
from monitor.web.reader import ATTEND, LOOK, MANAGE

PROBLEMS = {
    400: "The body cannot be read at all.",
    401: "An account is needed: a token (`Authorization: Bearer`), or the session of a browser.",
    403: "The account may not do this; or without accounts: another computer asked; or another site's page did.",
    404: "There is no such thing, or it is not the reader's.",
    409: "The service did not carry this out, and says why.",
    413: "The body is larger than may be sent.",
    415: "The body is of another kind than is taken here.",
    422: "What was sent cannot be understood or cannot be; `errors` names each fault with its place.",
    429: "This was asked for too often. Come again after `Retry-After` seconds.",
    500: "A fault of the service's own; its log tells more.",
    503: "The service cannot answer now. Come again after `Retry-After` seconds.",
}
"""Status -> what it means, the same on every route."""
STREAM = "text/event-stream"
MAY = {LOOK: "look", ATTEND: "attend to alarms and fans", MANAGE: "manage fans and people"}
SECURITY = {
    "token": {"type": "http", "scheme": "bearer", "description": "A token of an account, made on its page."},
    "session": {"type": "apiKey", "in": "cookie", "name": "fan-amp-session", "description": "A browser signed in."},
}
TAG_HEADER = {
    "ETag": {
        "description": "Send it as `If-None-Match` the next time: 304 where nothing has changed.",
        "required": True,
        "schema": {"type": "string"},
    }
}
ABOUT = (
    "Fans, alarms, readings, loggers and what is done with them. Times: RFC 3339 in UTC; what is not known is null, "
    "never left out. New keys may be added: leave alone what you do not know.\n\n"
    "Lists are `items` and `next`; `&next=TOKEN` gives the rest, null: this is all. What was there at the first "
    "part, and still is what was asked for, comes exactly once, whatever changes meanwhile; what came since may be in "
    "a later part or in none.\n\n"
    "A query parameter that a GET does not have is answered with 422, which names those there are.\n\n"
    "Answers to GET carry an `ETag`; polled with `If-None-Match` they are sent only when they have changed. Errors are "
    "problem details (RFC 9457). A POST that asks the service for something answers 202 with its `outcome`, null where "
    "the service has not come to it within a moment: it still will.\n\n"
    "Until the first account is made only the computer itself may ask, and needs no token."
)


class Fault(BaseModel):
    """One fault of what was sent."""

    place: str = Field(description="where, e.g. `body.hours`")
    expected: str
    found: str


class ProblemDetails(BaseModel):
    """An error (RFC 9457)."""

    type: str = Field(description="always `about:blank`: the status says all")
    title: str
    status: int
    detail: str = Field(description="what is wrong and what to do, for a person")
    errors: list[Fault] = Field([], description="every fault with its place, where there are several places")


class Health(BaseModel):
    """How the service is, for its supervisor; more keys tell more of it."""

    model_config = ConfigDict(extra="allow")
    status: Literal["ok", "late"]
    late: list[str] = Field(description="what is late and must be acted on")


class DescribedApp(FastAPI):
    """An app whose description is finished by `finish`."""

    def openapi(self) -> dict[str, Any]:
        """The description, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = finish(restored(super().openapi()))
        return self.openapi_schema


def operations(described: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Method, path and operation of each."""
    for path, methods in described["paths"].items():
        for method, operation in methods.items():
            yield method.upper(), path, operation


def finish(described: dict[str, Any]) -> dict[str, Any]:
    """Adds to each operation what follows from its form."""
    schemas = described.setdefault("components", {}).setdefault("schemas", {})
    problem = ProblemDetails.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas |= problem.pop("$defs") | {"ProblemDetails": problem}
    for left in ("HTTPValidationError", "ValidationError"):  # the framework's own form of a 422, which is not ours
        schemas.pop(left, None)
    described["components"]["securitySchemes"] = SECURITY
    for method, path, operation in operations(described):
        _finish(method, path, operation)
    return described


def _finish(method: str, path: str, operation: dict[str, Any]) -> None:
    responses = operation["responses"]
    if path.startswith(PREFIX):
        need = needs.NEEDS.get((method, path), MANAGE)
        operation["security"] = [{name: []} for name in SECURITY]
        operation["description"] = f"{operation.get('description', '')}\n\nFor accounts that may {MAY[need]}.".strip()
        _tagged(method, responses)
        if responses.get("422", {}).get("content", {}).get(JSON):  # as the framework describes it
            responses.pop("422")
    for status in _that_follow(method, path, operation):
        responses.setdefault(str(status), {})
    for status, response in responses.items():
        number = int(status)
        if number in PROBLEMS and not response.get("content"):
            response["description"] = PROBLEMS[number]
            response["content"] = {
                problems.MEDIA_TYPE: {
                    "schema": {"$ref": "#/components/schemas/ProblemDetails"},
                    "example": problems.body_of(number, PROBLEMS[number]),
                }
            }
    operation["responses"] = dict(sorted(responses.items()))


def _tagged(method: str, responses: dict[str, Any]) -> None:
    if method == "GET" and STREAM not in responses["200"].get("content", {}):
        responses["200"]["headers"] = TAG_HEADER
        responses["304"] = {
            "description": "What you hold (`If-None-Match`) still holds.",
            "headers": TAG_HEADER,
        }


def _that_follow(method: str, path: str, operation: dict[str, Any]) -> Iterator[int]:
    """Errors that follow from the form of an operation."""
    yield 403
    if not path.startswith(PREFIX):
        return
    yield from (401, 500, 503)
    if "{" in path:
        yield 404
    if "requestBody" in operation:
        yield from (400, 413, 415)
    if method == "GET" or "requestBody" in operation or operation.get("parameters"):
        yield 422  # of a GET also for a query parameter that it does not have
