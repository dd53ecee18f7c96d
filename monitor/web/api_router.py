"""What every route of the API has in common, so that a new one only says what is its own.

`api_router()` gives a router whose routes refuse a body of another kind with 415 and a GET with a query parameter
that they do not have with 422, and answer a GET with an entity tag (`web.etag`). What follows from a route's form
(401, 403, 404 of a path with names in it, 422, ...) is described by `web.openapi` for all of them; a route says what
else there is, and shows an example:

    router = api_router("jobs")

    @router.get("/jobs", response_model=Listed[Job], responses=answers(examples.JOBS))
    def jobs(request: Request, next: Next = None) -> Response:
        return listed(lambda: records.jobs.page_of(...), job_shape)

    @router.post("/jobs/{number}/close", status_code=202, response_model=JobAsked,
                 responses=answers(examples.JOB_CLOSED, 409, status=202))
    async def close(request: Request, number: JobNumber, body: Closing) -> Response:
        return Json({...}, 202)

    class Closing(BaseModel):
        model_config = shown({"done": "2026-10-04T14:00:00Z", "pitch": 18})
        ...

Plain data are encoded as they are: what a route declares is held by a test that asks every route
(tests/web/test_every_route.py), not worked through again at each answer.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Coroutine, Iterator
from typing import Any

import msgspec
from fastapi import APIRouter
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from pydantic import ConfigDict, JsonValue
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from monitor.errors import Fault
from monitor.web.etag import conditional
from monitor.web.problems import Problem

JSON = "application/json"
PREFIX = "/api/v1"


class Json(JSONResponse):
    """Plain data as an answer; NaN and infinities become null."""

    def render(self, content: Any) -> bytes:
        return msgspec.json.encode(content)


def answers(example: Any, *problems: int, status: int = 200) -> dict[int | str, dict[str, Any]]:
    """What a route answers, for its `responses`.

    Parameters
    ----------
    example : an answer as it may be, as plain data; a test holds it against the schema
    problems : of `openapi.PROBLEMS`, those that do not follow from the route's form, e.g. 409
    status : of the example
    """
    told: dict[int | str, dict[str, Any]] = {status: {"content": {JSON: {"example": kept(example)}}}}
    return told | {problem: {} for problem in problems}


NULL = "\0null"


def kept(example: Any) -> Any:
    """An example with its nulls, which the framework leaves out of descriptions; `restored` brings them back.

    >>> restored(kept({"until": None, "days": [1, None]}))
    {'until': None, 'days': [1, None]}
    """
    return _changed(example, None, NULL)


def restored(described: Any) -> Any:
    """A description with the nulls of its examples."""
    return _changed(described, NULL, None)


def _changed(value: Any, old: str | None, new: str | None) -> Any:
    if isinstance(value, dict):
        return {key: _changed(one, old, new) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_changed(one, old, new) for one in value]
    return new if value == old else value


def shown(*bodies: dict[str, JsonValue]) -> ConfigDict:
    """For the model of a body: no key but its own is taken, and these are examples of it."""
    return ConfigDict(extra="forbid", json_schema_extra={"examples": [kept(body) for body in bodies]})


class ApiRoute(APIRoute):
    """A route of the API."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        inner = super().get_route_handler()
        described = (self.openapi_extra or {}).get("requestBody", {}).get("content", {})
        takes = tuple(described) or ((JSON,) if self.body_field is not None else ())
        queried = frozenset(_queried(self.dependant))

        async def handle(request: Request) -> Response:
            if request.method in ("GET", "HEAD"):
                refuse_unknown(request, queried)
            if takes:
                _refuse_other_kinds(request, takes)
            return conditional(request, await inner(request))

        return handle


def _queried(dependant: Dependant) -> Iterator[str]:
    """Names of the query parameters of a route and of what it depends on."""
    yield from (field.alias for field in dependant.query_params)
    for inner in dependant.dependencies:
        yield from _queried(inner)


MOST_NAMED = 20
"""Unknown parameters beyond these are not named each."""


def refuse_unknown(request: Request, known: Collection[str]) -> None:
    """A parameter that is not known would be left out of what is answered: whoever asks `?sitee=home` would take the
    fans of all sites for those of one.

    Parameters
    ----------
    known : the names there are

    Raises
    ------
    Problem : 422, the query has a parameter of another name
    """
    unknown = [name for name in dict.fromkeys(request.query_params) if name not in known]
    if not unknown:
        return
    there = ", ".join(sorted(known))
    expected = f"one of: {there}" if known else "no query parameter"
    faults = tuple(
        Fault(f"query.{name[:60]}", expected, repr(request.query_params[name])[:60]) for name in unknown[:MOST_NAMED]
    )
    names = ", ".join(f'"{name[:60]}"' for name in unknown[:MOST_NAMED])
    what = "There is no query parameter" if len(unknown) == 1 else "There are no query parameters"
    ways = f"Those there are: {there}." if known else "Nothing can be asked for here but the whole."
    raise Problem(422, f"{what} {names} here. {ways}", faults=faults)


def _refuse_other_kinds(request: Request, takes: tuple[str, ...]) -> None:
    """
    Raises
    ------
    Problem : 415, there is a body, and it is none of what the route takes
    """
    if request.headers.get("content-length", "0") == "0" and "transfer-encoding" not in request.headers:
        return
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in takes:
        wanted = " or ".join(takes)
        said = f"It came as {kind[:60]}." if kind else "It came without."
        raise Problem(415, f"Send the body with Content-Type: {wanted}. {said}", headers={"accept": ", ".join(takes)})


def api_router(subject: str) -> APIRouter:
    """A router for a part of the API.

    Parameters
    ----------
    subject : under which the description of the API lists its routes
    """
    return APIRouter(
        prefix=PREFIX,
        tags=[subject],
        route_class=ApiRoute,
        default_response_class=Json,
        generate_unique_id_function=lambda route: route.name,
    )
