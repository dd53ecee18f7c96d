"""Debian's Chromium on the pages of a farm that lives now."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import uvicorn.server

from monitor.records.database import open_database
from monitor.web import asked, record_page
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.servers import PATIENCE_SECONDS, QuickSleep
from tests.web.farm import Farm, in_danger, whole

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
QUIET = [
    "--no-sandbox", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run",
    "--disable-default-apps",
]  # fmt: skip


@pytest.fixture(scope="session", autouse=True)
def quick_stops() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(uvicorn.server, "asyncio", QuickSleep())
        yield


@pytest.fixture(scope="session", autouse=True)
def patient_pages() -> Iterator[None]:
    """What is asked for here is carried out while the answer is waited for, however much else the machine does.

    Where nobody is at work a test says how short it waits.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(asked, "WAIT_SECONDS", PATIENCE_SECONDS)
        patch.setattr(record_page, "COMPARE_SECONDS", PATIENCE_SECONDS)
        yield


@pytest.fixture(scope="module")
def chromium() -> Iterator[object]:
    sync_api = pytest.importorskip("playwright.sync_api")
    if not Path(CHROMIUM).exists():
        pytest.skip("Chromium is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield browser
        browser.close()


@pytest.fixture
def farm(tmp_path: Path, empty_database: Path) -> Iterator[Farm]:
    shutil.copy(empty_database, tmp_path / "monitor.db")
    database = open_database(f"sqlite:///{tmp_path / 'monitor.db'}")
    living = Farm(database, datetime.now(UTC))
    whole(living)
    in_danger(living)
    yield living
    database.close()


@pytest.fixture
def server(farm: Farm) -> Iterator[WebServer]:
    running = WebServer(create_app(farm.database, now=lambda: datetime.now(UTC)), "127.0.0.1", 0)
    running.start()
    with farm.at_work():
        yield running
    running.stop()


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where screenshots go, to be looked at: $PICTURES, else a temporary directory."""
    place = Path(os.environ["PICTURES"]) if "PICTURES" in os.environ else tmp_path_factory.mktemp("pictures")
    place.mkdir(parents=True, exist_ok=True)
    return place
