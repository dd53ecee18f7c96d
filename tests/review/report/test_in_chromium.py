"""The page in Debian's Chromium: nothing to scroll sideways on a phone, the right plots for each width."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from monitor.review.report.page import page
from tests.review.report import examples

CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"

pytestmark = pytest.mark.browser


def test_it_reads_at_any_width(tmp_path: Path) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    if not Path(CHROMIUM).exists():
        pytest.skip("Chromium is not installed")
    file = tmp_path / "report.html"
    file.write_text(page(examples.report_of_trip(), "letter"), encoding="utf-8")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--no-first-run"])
        asked: list[str] = []
        view = browser.new_page()
        view.on("request", lambda request: asked.append(request.url))
        view.goto(file.as_uri())
        for width, shown in ((320, "narrow"), (390, "narrow"), (1280, "wide")):
            view.set_viewport_size({"width": width, "height": 800})
            assert view.evaluate("document.documentElement.scrollWidth") <= width
            assert view.locator(f"figure .{shown}").first.is_visible()
            other = "wide" if shown == "narrow" else "narrow"
            assert not view.locator(f"figure .{other}").first.is_visible()
        view.emulate_media(media="print")
        assert view.locator("figure .wide").first.is_visible() and not view.locator("nav").is_visible()
        assert asked == [file.as_uri()]
        browser.close()
