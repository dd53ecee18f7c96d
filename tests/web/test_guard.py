"""Who is let in, what comes from another page, and the headers of every answer."""

from __future__ import annotations

import asyncio
from typing import Any

import httpx
import pytest

from monitor.records import accounts
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.conftest import NOW
from tests.web.farm import Farm, whole


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "192.168.1.20:8080", "", "a@127.0.0.1", "[::ffff:8.8.8.8]"]
)
@pytest.mark.parametrize("path", ["/", "/api/v1/fans", "/static/style.css", "/healthz"])
def test_a_foreign_name_that_points_here_is_refused(client: httpx.Client, path: str, host: str) -> None:
    answer = client.get(path, headers={"host": host})
    assert answer.status_code == 403
    assert "127.0.0.1" in answer.text


@pytest.mark.parametrize("header", ["x-forwarded-for", "forwarded", "via"])
def test_a_proxy_on_this_computer_lets_nobody_in_without_accounts(client: httpx.Client, header: str) -> None:
    """Not even one that gives itself for the name in the Host header."""
    for path in ("/", "/api/v1/fans", "/people"):
        answer = client.get(path, headers={header: "198.51.100.7"})
        assert answer.status_code == 403 and "accounts add" in answer.text


@pytest.mark.parametrize("host", ["localhost", "localhost:9", "127.0.0.1", "[::1]:8080", "127.1.2.3"])
def test_names_of_this_computer_are_let_in(client: httpx.Client, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 200


def ask(app: Any, peer: str | None, **headers: str) -> int:
    """The status a peer gets, without a network in between."""
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    scope = {
        "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http",
        "path": "/healthz", "raw_path": b"/healthz", "query_string": b"", "root_path": "", "server": ("127.0.0.1", 80),
        "headers": [(name.encode(), value.encode()) for name, value in ({"host": "127.0.0.1"} | headers).items()],
        "client": None if peer is None else (peer, 5000),
    }  # fmt: skip
    asyncio.run(app(scope, receive, send))
    return int(sent[0]["status"])


@pytest.mark.parametrize(
    ("peer", "status"),
    [
        ("127.0.0.1", 200),
        ("::1", 200),
        ("::ffff:127.0.0.1", 200),
        ("192.168.1.20", 403),
        ("2001:db8::1", 403),
        ("x", 403),
        (None, 403),
    ],
)
def test_only_this_computer_may_ask(database: Database, peer: str | None, status: int) -> None:
    app = create_app(database, now=lambda: NOW)
    assert ask(app, peer) == status
    assert ask(app, peer, **{"x-forwarded-for": "127.0.0.1"}) == status


def test_with_accounts_others_may_ask(database: Database) -> None:
    app = create_app(database, now=lambda: NOW)
    assert ask(app, "192.168.1.20", host="farm.example") == 403
    accounts.add(database, "Ann", "a sentence of hers", "look", ALL, by="test", now=NOW)
    assert ask(app, "192.168.1.20", host="farm.example") == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": "http://127.0.0.1:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
@pytest.mark.parametrize("path", ["/alarms/1/acknowledge", "/api/v1/alarms/1/acknowledge", "/loggers/take-on"])
def test_what_another_page_sends_is_not_carried_out(
    farm: Farm, client: httpx.Client, path: str, headers: dict[str, str]
) -> None:
    from monitor.records import actions

    whole(farm)
    assert client.post(path, headers=headers).status_code == 403
    assert actions.undone(farm.database) == []


def test_our_own_page_and_plain_commands_are_let_in(farm: Farm, client: httpx.Client, server: WebServer) -> None:
    whole(farm)
    with farm.at_work():
        for number, headers in ((1, {"origin": server.address, "sec-fetch-site": "same-origin"}), (2, {})):
            assert client.post(f"/api/v1/alarms/{number}/acknowledge", headers=headers).json()["outcome"] == "done"


@pytest.mark.parametrize(
    "path", ["/", "/fans/meadow/north-3", "/loggers", "/api/v1/fans", "/static/live.js", "/nothing", "/healthz"]
)  # fmt: skip
def test_every_answer_forbids_inline_scripts_and_frames(farm: Farm, client: httpx.Client, path: str) -> None:
    whole(farm)
    headers = client.get(path).headers
    policy = {part.split()[0]: part.split()[1:] for part in headers["content-security-policy"].split(";")}
    assert policy["default-src"] == ["'none'"]
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == ["'self'"]
    assert policy["frame-ancestors"] == policy["base-uri"] == ["'none'"]
    assert headers["x-content-type-options"] == "nosniff"
    kept = {"/static/live.js": "no-cache", "/api/v1/fans": "private, no-cache"}  # asked after each time, by entity tag
    assert headers["cache-control"] == kept.get(path, "no-store")
    assert "server" not in headers


def test_pages_bring_no_inline_script_or_style_and_nothing_from_elsewhere(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    for path in ("/", "/fans/meadow/north-3", "/loggers", "/loggers/take-on?site=meadow&fan=east-9"):
        text = client.get(path).text
        assert " style=" not in text and "<style" not in text and " onclick" not in text
        assert "<script>" not in text
        assert "http://" not in text and "https://" not in text


def test_health_is_told_to_supervisors(database: Database, client: httpx.Client) -> None:
    assert client.get("/healthz").json() == {"status": "ok", "late": []}
    words = "broker: away for 6 min"
    app = create_app(database, now=lambda: NOW, health=lambda: {"late": [words], "broker": "not connected"})
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    try:
        answer = httpx.get(f"{running.address}/healthz", trust_env=False)
        assert answer.status_code == 503
        assert answer.json() == {"status": "late", "late": [words], "broker": "not connected"}
    finally:
        running.stop()
