"""A real server on loopback over a real database."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import httpx
import pytest
import uvicorn.server

from monitor.records.database import Database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.servers import QuickSleep
from tests.web.farm import Farm, whole
from tests.web.people import cheap_passwords, everybody

NOW = datetime(2026, 10, 4, 1, 46, tzinfo=UTC)


@pytest.fixture(scope="session", autouse=True)
def quick_stops() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(uvicorn.server, "asyncio", QuickSleep())
        yield


@pytest.fixture
def farm(database: Database) -> Farm:
    return Farm(database, NOW)


@pytest.fixture
def server(database: Database, farm: Farm) -> Iterator[WebServer]:
    running = WebServer(create_app(database, now=lambda: farm.now), "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def client(server: WebServer) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.address, timeout=60, trust_env=False) as opened:
        yield opened


@pytest.fixture
def cheap() -> Iterator[None]:
    """Passwords that cost nothing to work out."""
    with cheap_passwords():
        yield


@pytest.fixture
def people(farm: Farm, database: Database) -> dict[str, int]:
    """A whole farm with an account of each kind: name -> id."""
    whole(farm)
    with cheap_passwords():
        return everybody(database, farm.now)
