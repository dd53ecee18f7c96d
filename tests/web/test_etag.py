"""What is polled: an answer that still holds is not sent again, and nobody is told that another's answer holds."""

from __future__ import annotations

import httpx
import pytest

from monitor.records import sessions
from monitor.records.database import Database
from monitor.web.server import WebServer
from tests.web.farm import Farm, whole
from tests.web.people import signed_in

POLLED = (
    "fans", "fans/meadow/north-3", "fans/meadow/north-3/readings", "fans/meadow/north-3/service", "alarms", "alarms/1",
    "alarms/1/notices", "loggers", "out-of-service", "routes", "notices",
)  # fmt: skip


def test_an_answer_that_still_holds_is_not_sent_again(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    for path in POLLED:
        first = client.get(f"/api/v1/{path}")
        tag = first.headers["etag"]
        again = client.get(f"/api/v1/{path}", headers={"if-none-match": f'"other", W/{tag}'})
        assert (again.status_code, again.content) == (304, b""), path
        for name in ("etag", "cache-control", "vary", "content-security-policy"):
            assert again.headers[name] == first.headers[name], (path, name)
        assert first.headers["cache-control"] == "private, no-cache"
        assert client.get(f"/api/v1/{path}", headers={"if-none-match": '"other"'}).content == first.content


def test_what_has_changed_is_sent(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    asked = ("fans", "fans/meadow/north-4", "loggers", "fans/meadow/north-4/readings")
    before = {path: client.get(f"/api/v1/{path}").headers["etag"] for path in asked}
    farm.reading("north-4", (14.7, 14.4, 14.5))
    for path, tag in before.items():
        answer = client.get(f"/api/v1/{path}", headers={"if-none-match": tag})
        assert answer.status_code == 200 and answer.headers["etag"] != tag, path


def test_nobody_is_told_that_the_answer_of_another_holds(
    people: dict[str, int], farm: Farm, database: Database, server: WebServer
) -> None:
    with (
        signed_in(server.address, database, people["meadow-look"], farm.now) as mine,
        signed_in(server.address, database, people["hill-look"], farm.now) as other,
    ):
        for path in ("fans", "alarms", "loggers", "fans/meadow/north-3"):
            answer = mine.get(f"/api/v1/{path}")
            assert answer.headers["vary"] == "Authorization, Cookie"
            assert answer.headers["cache-control"] == "no-store"  # a browser that others use too
            theirs = other.get(f"/api/v1/{path}", headers={"if-none-match": answer.headers["etag"]})
            assert theirs.status_code == (404 if "meadow" in path else 200)
            anything = other.get(f"/api/v1/{path}", headers={"if-none-match": "*"})
            assert anything.status_code == (404 if "meadow" in path else 304)
    token = sessions.make_token(database, people["meadow-look"], "panel", farm.now)
    with httpx.Client(base_url=server.address, trust_env=False) as nobody:
        program = nobody.get("/api/v1/fans", headers={"authorization": f"Bearer {token}"})
        assert program.headers["cache-control"] == "private, no-cache"
        answer = nobody.get("/api/v1/fans", headers={"if-none-match": "*"})
        assert (answer.status_code, answer.headers["cache-control"]) == (401, "no-store")
        assert "etag" not in answer.headers


@pytest.mark.parametrize("path", ["fans?limit=0", "alarms/99", "nothing"])
def test_errors_are_neither_tagged_nor_kept(farm: Farm, client: httpx.Client, path: str) -> None:
    whole(farm)
    answer = client.get(f"/api/v1/{path}", headers={"if-none-match": "*"})
    assert answer.status_code in (404, 422)
    assert "etag" not in answer.headers and answer.headers["cache-control"] == "no-store"


def test_what_was_done_is_not_kept(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post("/api/v1/alarms/99/acknowledge")
    done = client.post("/api/v1/sites/meadow/return-to-service")
    assert (answer.status_code, done.status_code) == (404, 202)
    assert {answer.headers["cache-control"], done.headers["cache-control"]} == {"no-store"}
