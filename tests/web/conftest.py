"""A real server on loopback over a real database."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest

from monitor.records.database import Database, open_database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.farm import Farm

NOW = datetime(2026, 10, 4, 1, 46, tzinfo=UTC)


@pytest.fixture
def database(tmp_path: Path, empty_database: Path) -> Iterator[Database]:
    shutil.copy(empty_database, tmp_path / "monitor.db")
    opened = open_database(f"sqlite:///{tmp_path / 'monitor.db'}")
    yield opened
    opened.close()


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
