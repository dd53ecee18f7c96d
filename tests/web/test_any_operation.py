"""Every operation of the API, asked at random by its own description: nothing is a fault of ours, and every answer is
one that is described, in status, kind, headers and form.

Schemathesis makes the requests, good ones and bad ones, from the description, and holds the answers against it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from monitor.records import sessions
from monitor.records.commit import Batch, commit
from monitor.records.database import open_database
from monitor.records.out_of_service import REMOVED, ServiceChange
from monitor.web import asked, needs
from monitor.web.app import create_app
from monitor.web.routes_shown import RouteShown
from monitor.web.server import WebServer
from tests.web.described import closed
from tests.web.farm import BARE, Farm, in_danger, whole
from tests.web.notices import tell
from tests.web.people import cheap_passwords, everybody

NOW = datetime(2026, 10, 5, 1, 46, tzinfo=UTC)
"""A day after what the description shows: what was done then is no news to come."""
ENDLESS = ("GET", "/api/v1/live")
"""Streams until the reader goes; it has tests of its own."""
NOT_DESCRIBED = (("GET", "/api/v1/openapi.json"), ("GET", "/api/v1/review.schema.json"))
OPERATIONS = [
    route
    for route in needs.NEEDS
    if (route[1].startswith("/api/") or route[1] in ("/healthz", "/metrics")) and route not in (ENDLESS, *NOT_DESCRIBED)
]
NAMES = re.compile(r"{(\w+)}")
CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
    response_schema_conformance,
]  # fmt: skip
REAL: dict[tuple[str, ...], list[tuple[str | int, ...]]] = {
    ("site", "fan"): [("meadow", "north-3"), ("meadow", "south-1"), ("meadow", "west-1"), ("hill", "barn")],
    ("site",): [("meadow",), ("hill",)],
    ("number",): [(1,), (2,), (3,)],
    ("name",): [("farm",), ("second",)],
    (): [()],
}
"""What stands at the farm under the names in a path, so that not every answer is 404."""
TO_GO = [("hill", f"to-go-{n}") for n in range(12)]
"""What is taken away is not missed by the others."""


@schemathesis.serializer("application/toml")
def as_text(_: Any, value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode(errors="replace")


@dataclass
class Asked:
    """A living farm, and how its API is asked."""

    schema: Any
    address: str
    session: requests.Session
    nobody: requests.Session


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[Asked]:
    where = tmp_path_factory.mktemp("operations") / "monitor.db"
    where.write_bytes(empty_database.read_bytes())
    database = open_database(f"sqlite:///{where}")
    farm = Farm(database, NOW)
    whole(farm)
    in_danger(farm)
    farm.re_pitched("north-3")
    farm.job("north-3", closing={"pitch": 18.0, "amps": [12.6, 12.4, 12.3]})
    for fan in ("north-3", "north-4"):
        farm.job(fan)
    for site, fan in TO_GO:
        farm.fan(fan, BARE, site)
    for alarm in list(farm.alarms.values()):
        tell(farm, alarm)
    out = ServiceChange("meadow", "south-3", REMOVED, NOW, NOW + timedelta(days=9), "Ann", "new bearings", None)
    commit(database, Batch(out_of_service=[out]))
    routes = (RouteShown("farm", ("meadow",), ("high",), ("desk@farm.example",)), RouteShown("second"))
    with cheap_passwords(), pytest.MonkeyPatch.context() as patch, farm.at_work():
        patch.setattr(asked, "WAIT_SECONDS", 0.2)
        token = sessions.make_token(database, everybody(database, NOW)["boss"], "test", NOW)
        app = create_app(database, now=lambda: NOW, routes=routes, reviews=where.parent / "reviews")
        running = WebServer(app, "127.0.0.1", 0)
        running.start()
        with requests.Session() as session, requests.Session() as nobody:
            session.headers["authorization"] = f"Bearer {token}"
            for one in (session, nobody):
                one.trust_env = False
            schema = schemathesis.openapi.from_dict(closed(app.openapi()))
            schema.config.generation.with_security_parameters = False  # who asks is said by the sessions
            yield Asked(schema, running.address, session, nobody)
        running.stop()
    database.close()


def some(examples: int) -> settings:
    """Few and always the same: what is found today is found again tomorrow."""
    return settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip


def bodies_shown(api: Asked, method: str, path: str) -> list[tuple[str, Any]]:
    """Kind and value of each body that the description shows for an operation."""
    whole = api.schema.raw_schema
    content = whole["paths"][path][method.lower()].get("requestBody", {}).get("content", {})
    shown = []
    for kind, media in content.items():
        schemas = [media.get("schema", {}), *media.get("schema", {}).get("anyOf", ())]
        names = [one["$ref"].rpartition("/")[2] for one in schemas if "$ref" in one]
        values = [one["value"] for one in media.get("examples", {}).values()]
        values += [media["example"]] if "example" in media else []
        values += [value for name in names for value in whole["components"]["schemas"][name].get("examples", ())]
        shown += [(kind, value) for value in values]
    return shown


def cases(api: Asked, method: str, path: str) -> st.SearchStrategy[Any]:
    """Requests of an operation: of what there is, with a body that is shown or any that is described; good ones and bad
    ones of anything."""
    operation = api.schema[path][method]
    names = next(names for names in REAL if set(names) == set(NAMES.findall(path)))
    there = TO_GO if method == "DELETE" else REAL[names]
    real = st.sampled_from([dict(zip(names, values, strict=True)) for values in there])
    shown = bodies_shown(api, method, path)
    of_the_farm = [real.flatmap(lambda found: operation.as_strategy(path_parameters=found))]
    if shown:
        pairs = st.tuples(real, st.sampled_from(shown))
        of_the_farm.append(
            pairs.flatmap(
                lambda pair: operation.as_strategy(
                    path_parameters=pair[0], media_type=pair[1][0], body=pair[1][1], query={}
                )
            )
        )
    return st.one_of(*of_the_farm, *map(operation.as_strategy, GenerationMode))


def test_every_operation_is_asked(api: Asked) -> None:
    described = {
        (method.upper(), path) for path, methods in api.schema.raw_schema["paths"].items() for method in methods
    }
    assert described - {ENDLESS} == set(OPERATIONS)


@pytest.mark.parametrize("route", OPERATIONS, ids=" ".join)
def test_whoever_manages_gets_answers_as_described(route: tuple[str, str], api: Asked) -> None:
    method, path = route
    seen: dict[int, int] = {}

    @seed(1)
    @some(12)
    @given(case=cases(api, method, path))
    def asked_at_random(case: Any) -> None:
        answer = case.call_and_validate(base_url=api.address, session=api.session, checks=CHECKS)
        seen[answer.status_code] = seen.get(answer.status_code, 0) + 1

    asked_at_random()
    assert seen.keys() & {200, 201, 202}, f"never asked for what there is: {seen}"


@pytest.mark.parametrize("route", [one for one in OPERATIONS if needs.NEEDS[one] != needs.OPEN], ids=" ".join)
def test_whoever_shows_nothing_gets_the_same_refusal(route: tuple[str, str], api: Asked) -> None:
    method, path = route

    @seed(1)
    @some(3)
    @given(case=cases(api, method, path))
    def asked_at_random(case: Any) -> None:
        answer = case.call_and_validate(base_url=api.address, session=api.nobody, checks=CHECKS)
        assert answer.status_code == 401

    asked_at_random()
