"""The description of the API: whole, true of real answers (tests/web/test_every_route.py asks each route), and with
examples that are what they say."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.errors import LinkError
from monitor.records import look
from monitor.records.database import open_database
from monitor.web.app import create_app
from monitor.web.openapi import PROBLEMS, operations
from monitor.web.problems import MEDIA_TYPE
from tests.web.described import closed, faults
from tests.web.farm import Farm, whole


@pytest.fixture(scope="module")
def described(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[dict[str, Any]]:
    place = tmp_path_factory.mktemp("described") / "monitor.db"
    place.write_bytes(empty_database.read_bytes())
    database = open_database(f"sqlite:///{place}")
    yield closed(create_app(database, now=lambda: datetime.now(UTC)).openapi())
    database.close()


def test_every_error_is_told_as_problem_details(described: dict[str, Any]) -> None:
    for method, path, operation in operations(described):
        for status, response in operation["responses"].items():
            if int(status) >= 400 and path.startswith("/api/"):
                (kind,) = response["content"]
                assert kind == MEDIA_TYPE, (method, path, status)
                assert response["description"] == PROBLEMS[int(status)]


def test_each_operation_tells_of_the_errors_that_follow_from_its_form(described: dict[str, Any]) -> None:
    def of(path: str, method: str) -> set[str]:
        return {status for status in described["paths"][f"/api/v1{path}"][method]["responses"] if status != "409"}

    usual = {"401", "403", "500", "503"}
    assert of("/fans", "get") == {"200", "304", "422"} | usual
    assert of("/routes", "get") == {"200", "304", "422"} | usual  # a parameter that it does not have
    assert of("/fans/{site}/{fan}", "get") == {"200", "304", "404", "422"} | usual
    assert of("/live", "get") == {"200", "422"} | usual
    assert of("/alarms/{number}/shelve", "post") == {"202", "400", "404", "413", "415", "422"} | usual


def test_operations_have_names_of_their_own(described: dict[str, Any]) -> None:
    names = [operation["operationId"] for _, _, operation in operations(described)]
    assert len(set(names)) == len(names)
    assert all(name.isidentifier() for name in names)


def test_examples_are_what_they_say(described: dict[str, Any]) -> None:
    wrong = []
    for method, path, operation in operations(described):
        bodies = [operation.get("requestBody", {}), *operation["responses"].values()]
        for media in (one for body in bodies for one in body.get("content", {}).values()):
            told = [media["example"]] if "example" in media else []
            told += [one["value"] for one in media.get("examples", {}).values()]
            for example in told:
                wrong += [f"{method} {path} {fault}" for fault in faults(described, media.get("schema", {}), example)]
    for name, model in described["components"]["schemas"].items():
        wrong += [
            f"{name} {fault}" for example in model.get("examples", ()) for fault in faults(described, model, example)
        ]
    assert wrong == []


@pytest.mark.parametrize(
    ("kind", "status"),
    [("text/plain", 415), ("application/x-www-form-urlencoded", 415), (None, 415), ("application/json", 202),
     ("Application/JSON; charset=utf-8", 202)],
)  # fmt: skip
def test_a_body_of_another_kind_is_refused_with_what_is_taken(
    farm: Farm, client: httpx.Client, kind: str | None, status: int
) -> None:
    whole(farm)
    headers = {} if kind is None else {"content-type": kind}
    answer = client.post("/api/v1/sites/meadow/tonight", content=b'{"low_c": 3}', headers=headers)
    assert answer.status_code == status
    if status == 415:
        assert answer.headers["content-type"] == MEDIA_TYPE
        assert answer.headers["accept"] == "application/json" and "application/json" in answer.json()["detail"]


def test_no_body_needs_no_kind(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    assert client.post("/api/v1/sites/meadow/return-to-service").status_code == 202


def test_a_method_that_an_address_does_not_take(client: httpx.Client) -> None:
    answer = client.delete("/api/v1/alarms/1/acknowledge")
    assert (answer.status_code, answer.headers["content-type"]) == (405, MEDIA_TYPE)
    assert answer.headers["allow"] == "POST"


def test_every_operation_shows_what_is_sent_and_what_is_answered(described: dict[str, Any]) -> None:
    def is_shown(media: dict[str, Any]) -> bool:
        schema = media.get("schema", {})
        refs = [one["$ref"] for one in (schema, *schema.get("anyOf", [])) if "$ref" in one]
        models = [described["components"]["schemas"][ref.rpartition("/")[2]] for ref in refs]
        return "example" in media or "examples" in media or any("examples" in model for model in models)

    for method, path, operation in operations(described):
        for body in (operation.get("requestBody"), *operation["responses"].values()):
            for kind, media in (body or {}).get("content", {}).items():
                assert is_shown(media), (method, path, kind)
        for parameter in operation.get("parameters", []):
            assert parameter["in"] != "path" or parameter["schema"].get("examples"), (method, path, parameter["name"])
        assert operation["tags"] and operation["summary"] and operation["description"], (method, path)


def test_a_fault_of_our_own_and_a_database_that_is_away_are_told_as_problems(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(error: Exception) -> httpx.Response:
        def read(*_: object, **__: object) -> None:
            raise error

        monkeypatch.setattr(look, "fans", read)
        return client.get("/api/v1/fans")

    for error, status in ((RuntimeError("a secret"), 500), (LinkError("the database is busy."), 503)):
        answer = broken(error)
        assert (answer.status_code, answer.headers["content-type"]) == (status, MEDIA_TYPE)
        assert answer.headers["cache-control"] == "no-store" and answer.json()["status"] == status
        assert "a secret" not in answer.text
    assert answer.headers["retry-after"] == "5"
