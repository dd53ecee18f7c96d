"""The pages as people meet them: on a phone and on a desk, by keyboard, live, without colour, without JavaScript."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.web.server import WebServer
from tests.servers import until
from tests.web.farm import Farm

pytestmark = pytest.mark.browser

PAGES = {
    "fans": "/",
    "fan": "/fans/meadow/north-3",
    "about-to-trip": "/fans/meadow/north-5",
    "tripped": "/fans/meadow/north-6",
    "single-phase": "/fans/meadow/south-1",
    "no-readings": "/fans/meadow/west-1",
    "loggers": "/loggers",
    "take-on": "/loggers/take-on?site=meadow&fan=east-9",
    "missing": "/fans/meadow/nobody",
}


@contextmanager
def opened(chromium: Any, server: WebServer, path: str, width: int = 390, **options: Any) -> Iterator[Any]:
    """A page; anything its console complains of fails the test."""
    context = chromium.new_context(viewport={"width": width, "height": 844}, **options)
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda asked: complaints.append(asked.url) if not asked.url.startswith(server.address) else None)
    page.goto(server.address + path)
    yield page
    context.close()
    assert [one for one in complaints if "404 (Not Found)" not in one] == []


def test_figures_of_a_table_stay_whole_on_a_phone(chromium: Any, server: WebServer) -> None:
    """A time or an amp that breaks after each digit cannot be read."""
    with opened(chromium, server, PAGES["fan"], 390) as page:
        page.locator("summary", has_text="The last two hours as a table").click()
        rows = page.locator("table.unbroken tbody tr")
        assert rows.count() > 0
        assert max(rows.nth(at).bounding_box()["height"] for at in range(rows.count())) < 60
        assert page.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_bars_and_lines_have_contrast(chromium: Any, server: WebServer, scheme: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3 to 1 for what carries meaning."""
    script = """() => {
      const channel = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
      const luminance = (text) => { const [r, g, b] = text.match(/[\\d.]+/g).map(Number);
        return 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b); };
      const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p);
        return (x + 0.05) / (y + 0.05); };
      const probe = document.createElement("i"); document.body.append(probe);
      const colour = (name) => { probe.style.color = `var(--${name})`; return getComputedStyle(probe).color; };
      const pairs = [["load", "free"], ["over", "free"], ["near", "free"], ["ink", "free"], ["load", "paper"],
        ["l1", "paper"], ["l2", "paper"], ["l3", "paper"], ["limit", "paper"], ["highest", "paper"],
        ["strong-line", "sheet"], ["do", "paper"]];
      return pairs.map(([a, b]) => [a, b, ratio(colour(a), colour(b))]);
    }"""
    with opened(chromium, server, "/", color_scheme=scheme) as page:
        assert [one for one in page.evaluate(script) if one[2] < 3.0] == []


def test_states_are_told_in_words_without_colour(chromium: Any, server: WebServer, pictures: Path) -> None:
    with opened(chromium, server, "/", forced_colors="active") as page:
        rows = page.locator("tr[data-fan]")
        words = [rows.nth(at).locator("[data-live=state]").inner_text() for at in range(rows.count())]
        assert words == [
            "about to trip",
            "tripped",
            "over its limit",
            "near its limit",
            "running",
            "running",
            "stopped",
            "not heard",
            "no readings yet",
        ]
        page.screenshot(path=pictures / "fans-390-forced.png", full_page=True)


def test_a_live_value_changes_without_loading_again(chromium: Any, server: WebServer, farm: Farm) -> None:
    with opened(chromium, server, "/") as page:
        page.evaluate("window.here = true")
        row = page.locator("tr[data-fan='meadow/south-1']")
        assert row.locator("[data-live=load]").inner_text() == "67 %"
        page.wait_for_timeout(300)
        farm.now = datetime.now(UTC)
        farm.reading("south-1", (49.4,), ())
        until_page(page, lambda: row.locator("[data-live=load]").inner_text() == "107 %")
        assert row.locator("[data-live=state]").inner_text() == "over its limit"
        assert "over" in row.get_attribute("class")
        assert row.locator("[data-live=strip]").get_attribute("width") == "1074"
        assert page.locator("#news").inner_text() == "south-1: over its limit"
        assert row.locator("[data-live=heard]").inner_text().startswith("reading ")
        assert page.evaluate("window.here") is True


def until_page(page: Any, true: Any) -> None:
    """As `until`, with the page's own events going on."""

    def look() -> object:
        page.wait_for_timeout(30)
        return true()

    until(look)


def test_one_fan_lives_on_its_page(chromium: Any, server: WebServer, farm: Farm) -> None:
    with opened(chromium, server, PAGES["fan"], 1280) as page:
        until_page(page, lambda: page.locator(".chart canvas").count() == 2)
        farm.now = datetime.now(UTC)
        farm.reading("north-3", (11.0, 10.8, 10.9), (461.0, 458.0, 460.0))
        farm.returned("north-3")
        until_page(page, lambda: page.locator(".answer [data-live=state]").inner_text() == "running")
        assert "good" in page.locator(".answer").get_attribute("class")
        assert page.locator(".answer [data-live=heard]").inner_text().startswith("Reading ")
        until_page(page, lambda: "Ended, but nobody acknowledged it" in page.locator("[data-fold=alarms]").inner_text())


def test_acknowledging_by_keyboard_alone(chromium: Any, server: WebServer, farm: Farm) -> None:
    with opened(chromium, server, PAGES["fan"]) as page:
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "To the page itself"
        for _ in range(60):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.id") == "by-1":
                break
        page.keyboard.type("Ann")
        page.keyboard.press("Tab")
        focus = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert focus == "solid"
        page.keyboard.press("Enter")
        page.wait_for_url("**/fans/meadow/north-3#alarms")
        assert ", Ann." in page.locator("[data-fold=alarms]").inner_text()
        assert page.locator("[data-fold=alarms] form").count() == 0
    assert next(one for one in farm.alarms.values() if one.number == 1).acknowledged_by == "Ann"


def test_typing_is_not_disturbed_by_news(chromium: Any, server: WebServer, farm: Farm) -> None:
    with opened(chromium, server, PAGES["fan"]) as page:
        page.evaluate("document.addEventListener('folded', () => { window.taken = true; })")
        page.locator("#by-1").fill("Ann of the d")
        farm.now = datetime.now(UTC)
        farm.raised("north-3", "voltage-unbalance", "medium", text="north-3: supply voltage unbalanced")
        until_page(page, lambda: page.evaluate("window.taken"))  # all that had to be taken anew was
        assert page.locator("#by-1").input_value() == "Ann of the d"
        assert page.evaluate("document.activeElement.id") == "by-1"


def test_a_newcomer_is_taken_on_in_the_browser(chromium: Any, server: WebServer) -> None:
    with opened(chromium, server, "/loggers") as page:
        page.get_by_role("link", name="Take on east-9").click()
        page.get_by_label("Voltage").first.fill("460")
        page.get_by_label("Full-load amps").fill("12.4")
        page.get_by_label("Service factor", exact=False).first.fill("1.15")
        page.get_by_role("button", name="Take on").click()
        page.wait_for_url("**/fans/meadow/east-9**")
        assert page.locator("h1").inner_text().startswith("east-9")


def test_pages_are_whole_without_javascript(chromium: Any, server: WebServer, pictures: Path) -> None:
    with opened(chromium, server, PAGES["fan"], java_script_enabled=False) as page:
        assert page.locator("text=The charts need JavaScript").is_visible()
        assert not page.locator("#charts").is_visible()
        page.locator("summary", has_text="The last two hours as a table").click()
        assert page.locator("text=Means of ten minutes").is_visible()
        page.screenshot(path=pictures / "fan-390-no-script.png", full_page=True)
        page.get_by_role("button", name="Acknowledge alarm 1").click()
        page.wait_for_url("**/fans/meadow/north-3#alarms")
        assert "at this computer" in page.locator("[data-fold=alarms]").inner_text()


@pytest.mark.parametrize("name", ["fans", "fan"])
def test_nothing_moves_while_a_page_comes_up(chromium: Any, server: WebServer, name: str) -> None:
    """Cumulative layout shift, W3C Layout Instability."""
    with opened(chromium, server, PAGES[name]) as page:
        page.wait_for_timeout(800)
        moved = page.evaluate("""() => new Promise((done) => {
          let sum = 0;
          new PerformanceObserver((list) => { for (const one of list.getEntries()) sum += one.value; done(sum); })
            .observe({ type: "layout-shift", buffered: true });
          setTimeout(() => done(sum), 300);
        })""")
        assert moved < 0.02


def test_a_screen_reader_finds_its_way(chromium: Any, server: WebServer) -> None:
    with opened(chromium, server, PAGES["fan"]) as page:
        for role in ("banner", "navigation", "main", "contentinfo"):
            assert page.get_by_role(role).count() >= 1, role
        tree = page.locator("main").aria_snapshot()
        assert 'heading "The supply or the blades?" [level=2]' in tree
        assert 'columnheader "Chance as it is"' in tree or page.get_by_role("columnheader").count() > 0
        assert page.get_by_role("button", name="Acknowledge alarm 1, over its limit").count() == 1
        assert page.get_by_role("rowheader", name="18° 3° less").count() == 1
    with opened(chromium, server, "/") as page:
        assert page.get_by_role("rowheader").count() == 9
        assert page.get_by_role("columnheader").count() == 5
