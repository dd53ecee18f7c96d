"""Whatever is asked, the answer is never a fault of ours."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.records.database import open_database
from monitor.web.app import create_app
from monitor.web.plate_fields import INPUTS
from monitor.web.server import WebServer
from tests.web.farm import Farm, whole

NOW = datetime(2026, 10, 4, 1, 46, tzinfo=UTC)
FEW = settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

anything = st.text(st.characters(exclude_categories=["Cs"]), max_size=70)
numbers = st.one_of(st.integers(), st.floats(), st.integers(-(10**30), 10**30)).map(str)
times = st.one_of(
    st.datetimes(timezones=st.timezones()).map(datetime.isoformat),
    st.datetimes().map(datetime.isoformat),
    st.sampled_from(["0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "1e400", "-0", "2026-10-04"]),
)
value = st.one_of(anything, numbers, times)
query = st.dictionaries(
    st.sampled_from(
        [
            "from",
            "to",
            "every",
            "next",
            "limit",
            "site",
            "standing",
            "asked",
            "route",
            "state",
            "test",
            "words",
            "part",
            "like",
            "entered",
            "all",
        ]
    ),
    value,
    max_size=5,
)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[httpx.Client]:
    place: Path = tmp_path_factory.mktemp("any")
    database = open_database(f"sqlite:///{place / 'monitor.db'}")
    whole(Farm(database, NOW))
    running = WebServer(create_app(database, now=lambda: NOW), "127.0.0.1", 0)
    running.start()
    with httpx.Client(base_url=running.address, timeout=20, trust_env=False) as opened:
        yield opened
    running.stop()
    database.close()


def fine(answer: httpx.Response) -> None:
    assert answer.status_code < 500, answer.text
    if answer.status_code >= 400 and answer.request.url.path.startswith("/api/"):
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == answer.status_code


@pytest.mark.parametrize(
    "path",
    [
        "/", "/loggers", "/fans/meadow/north-3", "/api/v1/fans", "/api/v1/alarms", "/api/v1/loggers",
        "/api/v1/alarms/figures", "/api/v1/fans/meadow/north-3/readings", "/api/v1/fans/meadow/north-3/service",
        "/loggers/take-on", "/register", "/register/fans/new", "/register/fans/meadow/north-3",
        "/notices", "/api/v1/notices", "/api/v1/routes", "/a/0-1-1-farm-0.x",
    ],
)  # fmt: skip
@FEW
@given(query=query)
def test_any_query(client: httpx.Client, path: str, query: dict[str, str]) -> None:
    fine(client.get(path, params=query))


@FEW
@given(site=anything, fan=anything, tail=st.sampled_from(["", "/readings"]))
def test_any_name_in_a_path(client: httpx.Client, site: str, fan: str, tail: str) -> None:
    from urllib.parse import quote

    fine(client.get(f"/api/v1/fans/{quote(site, safe='')}/{quote(fan, safe='')}{tail}"))
    fine(client.get(f"/fans/{quote(site, safe='')}/{quote(fan, safe='')}"))
    fine(client.get(f"/a/{quote(site, safe='')}.{quote(fan, safe='')}"))
    fine(client.post(f"/api/v1/routes/{quote(fan, safe='')}/test"))


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
stop_body = st.fixed_dictionaries(
    {},
    optional={
        "until": value | json_values,
        "hours": json_values,
        "days": json_values,
        "why": json_values,
        "by": json_values,
    },
)


@settings(FEW, max_examples=15)
@given(body=json_values | stop_body)
def test_any_body(client: httpx.Client, body: Any) -> None:
    fine(client.post("/api/v1/fans/meadow/nobody/planned-stop", json=body))
    for path in (
        "alarms/77/acknowledge",
        "alarms/77/shelve",
        "alarms/77/unshelve",
        "fans/meadow/nobody/out-of-service",
    ):
        fine(client.post(f"/api/v1/{path}", json=body))


kinds = st.sampled_from(["check", "hand reading", "re-pitch", "lead rotation", "note", "withdraw"])
service_body = st.fixed_dictionaries(
    {"kind": kinds | json_values},
    optional=dict.fromkeys(
        ["done", "by", "note", "check", "finding", "volts", "volts_at_service", "amps", "from", "to", "inserts",
         "correct", "way", "amps_before", "amps_after", "number", "why", "other"],
        value | json_values | st.lists(st.floats(), min_size=3, max_size=3),
    ),
)  # fmt: skip


@settings(FEW, max_examples=60)
@given(body=json_values | service_body)
def test_any_service_entry(client: httpx.Client, body: Any) -> None:
    try:
        answer = client.post("/api/v1/fans/meadow/north-3/service", json=body)
    except ValueError:  # NaN and infinities are no JSON
        return
    fine(answer)
    if answer.status_code == 422:
        assert answer.json()["errors"]


@FEW
@given(
    content=st.binary(max_size=60), kind=st.sampled_from(["application/json", "text/plain", "multipart/form-data", ""])
)
def test_any_bytes_as_a_body(client: httpx.Client, content: bytes, kind: str) -> None:
    headers = {"content-type": kind} if kind else {}
    fine(client.post("/api/v1/alarms/77/acknowledge", content=content, headers=headers))
    fine(client.post("/loggers/take-on", content=content, headers=headers))


form = st.fixed_dictionaries(
    {"site": st.just("meadow") | anything, "fan": st.just("east-9") | anything},
    optional=dict.fromkeys([*INPUTS, "file", "by", "seen", "like", "what", "since", "base"], value),
)  # fmt: skip


@FEW
@given(filled=form)
def test_any_filled_form(client: httpx.Client, filled: dict[str, str]) -> None:
    fine(client.post("/loggers/take-on", data=filled))
    fine(client.post("/register/fans/meadow/north-3", data=filled))


@FEW
@given(filled=st.dictionaries(
    st.sampled_from(["site", "name", "time_zone", "units", "altitude", "altitude_unit", "supper", "fan"]), value
))  # fmt: skip
def test_any_site(client: httpx.Client, filled: dict[str, str]) -> None:
    fine(client.post("/register/sites/new", data=filled))
    fine(client.post("/register/sites/hill", data=filled))


def test_a_lone_surrogate_in_a_name_is_no_trouble(client: httpx.Client) -> None:
    body = b'{"by": "Ann \\ud800", "hours": 3}'
    fine(
        client.post(
            "/api/v1/fans/meadow/north-3/planned-stop", content=body, headers={"content-type": "application/json"}
        )
    )


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "HEAD", "OPTIONS"])
@pytest.mark.parametrize("path", ["/", "/api/v1/fans", "/api/v1/alarms/1/acknowledge"])
def test_any_method(client: httpx.Client, method: str, path: str) -> None:
    assert client.request(method, path).status_code < 500
