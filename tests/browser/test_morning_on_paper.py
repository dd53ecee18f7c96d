"""The page This morning goes into the truck: an invented night of four farms on two sheets, Letter and A4."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from monitor.records.database import open_database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.farm import Farm
from tests.web.night import SIX_THIRTY, a_night

pytestmark = pytest.mark.browser


def test_a_night_prints_on_two_sheets(chromium: Any, tmp_path: Path, empty_database: Path, pictures: Path) -> None:
    shutil.copy(empty_database, tmp_path / "monitor.db")
    database = open_database(f"sqlite:///{tmp_path / 'monitor.db'}")
    a_night(Farm(database, SIX_THIRTY))
    running = WebServer(create_app(database, now=lambda: SIX_THIRTY), "127.0.0.1", 0)
    running.start()
    page = chromium.new_page()
    page.goto(f"{running.address}/morning")
    for paper in ("Letter", "A4"):
        written = page.pdf(path=pictures / f"morning-{paper}.pdf", format=paper)
        assert len(re.findall(rb"/Type\s*/Page\b", written)) == 2, paper
    page.emulate_media(media="print")
    for gone in ("header.top", "form.choose", "main nav"):
        assert not page.locator(gone).is_visible(), gone
    page.close()
    running.stop()
    database.close()
