"""The page Fans as it stays open while the farm goes on."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from monitor.web import fans_page
from monitor.web.server import WebServer
from tests.browser.test_in_chromium import opened, until_page
from tests.web.farm import Farm

pytestmark = pytest.mark.browser


def test_a_fan_that_trips_on_another_part_comes_to_the_first_and_lives_there(
    chromium: Any, server: WebServer, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fans_page, "FANS_AT_ONCE", 3)
    with opened(chromium, server, "/") as page:
        page.evaluate("window.here = true")
        rows = page.locator("tr[data-fan]")
        assert "meadow/south-1" not in rows.evaluate_all("rows => rows.map((row) => row.dataset.fan)")
        page.wait_for_timeout(300)
        farm.now = datetime.now(UTC)
        farm.reading("south-1", (0.0,), (), running=False)
        farm.raised("south-1", "tripped", "highest", text="south-1: tripped")
        row = page.locator("tr[data-fan='meadow/south-1']")
        until_page(page, lambda: row.count() == 1)
        assert row.locator("[data-live=state]").inner_text() == "tripped"
        assert "2 tripped" in page.locator("[data-fold=counts]").inner_text()
        # The stream is another one now: it tells of this fan too.
        farm.now = datetime.now(UTC)
        farm.reading("south-1", (49.4,), ())
        until_page(page, lambda: row.locator("[data-live=load]").inner_text() == "107 %")
        assert page.evaluate("window.here") is True


def test_where_no_fan_fits_one_that_comes_to_fit_is_shown(chromium: Any, server: WebServer, farm: Farm) -> None:
    with opened(chromium, server, "/?words=barn&state=over+its+limit") as page:
        assert "No fan matches" in page.locator("main").inner_text()
        page.wait_for_timeout(300)
        farm.now = datetime.now(UTC)
        farm.reading("barn", (16.0, 16.0, 16.0), (401, 402, 400), site="hill")
        farm.raised("barn", site="hill")
        until_page(page, lambda: page.locator("tr[data-fan='hill/barn']").count() == 1)
