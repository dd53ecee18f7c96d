"""What holds for every page: it fits the screen, can be read and pressed, and tells a screen reader what it shows."""

from __future__ import annotations

import os
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from tests.browser.places import PLACES, Furnished, Kept, Place, furnished

pytestmark = pytest.mark.browser

WIDTHS, SCHEMES = {390: 43.9, 1280: 23.9}, ("light", "dark")
"""Widths of a phone and of a desk, each with the least height of what is pressed: by a gloved thumb, or by a mouse
(WCAG 2.2, 2.5.8)."""

CONTRASTS = """() => {
  const channel = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
  const parse = (text) => text.match(/[\\d.]+/g).map(Number);
  const luminance = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
  const ground = (one) => {
    for (let at = one; at; at = at.parentElement) {
      const colour = parse(getComputedStyle(at).backgroundColor);
      if (colour.length === 3 || colour[3] === 1) return colour.slice(0, 3);
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const one of document.querySelectorAll("body *")) {
    const own = [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
    if (!own || !one.checkVisibility()) continue;
    const style = getComputedStyle(one);
    const a = luminance(parse(style.color).slice(0, 3)), b = luminance(ground(one));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    found.push([ratio, one.textContent.trim().slice(0, 40)]);
  }
  return found;
}"""
"""Each text with its contrast."""
PRESSED = """() => [...document.querySelectorAll("a, button, summary, input:not([type=hidden]), select, textarea")]
  .filter((one) => !one.closest("p, li, td") || one.matches("button, .jump, .button, nav a, .crumb a, summary"))
  .filter((one) => one.checkVisibility() && !one.matches(".to-main"))
  .filter((one) => !["checkbox", "radio"].includes(one.type) || one.closest("label") === null)
  .map((one) => [one.textContent.trim() || one.name, one.getBoundingClientRect().height])"""
"""Each thing to press that does not stand within a sentence, with its height in CSS pixels."""
AXE = """async (tags) => (await axe.run(document, { runOnly: { type: "tag", values: tags } })).violations
  .filter((one) => ["serious", "critical"].includes(one.impact))
  .map((one) => [one.id, one.impact, one.help, one.nodes.slice(0, 4).map((node) => node.html.slice(0, 160))])"""
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[Furnished]:
    with furnished(tmp_path_factory.mktemp("places"), empty_database) as found:
        yield found


@pytest.fixture(scope="module")
def kept(chromium: Any, world: Furnished) -> Iterator[Kept]:
    pages = Kept(chromium, world)
    yield pages
    pages.close()


@pytest.fixture(scope="module")
def axe() -> str:
    """The rules of axe-core, as the wheel carries them."""
    pytest.importorskip("axe_playwright_python")
    return (files("axe_playwright_python") / "axe.min.js").read_text("utf-8")


@pytest.mark.parametrize("place", PLACES, ids=lambda one: one.name)
def test_a_page_fits_can_be_read_pressed_and_heard(kept: Kept, pictures: Path, axe: str, place: Place) -> None:
    """On a phone and at a desk, by day and by night. Contrast: WCAG 2.2, 1.4.3, 4.5 to 1 for large text too."""
    faults: list[Any] = []
    with kept.at(place) as page:
        assert page.locator("main h1").is_visible()
        for width, least in WIDTHS.items():
            page.set_viewport_size({"width": width, "height": 844})
            needed = page.evaluate("document.documentElement.scrollWidth")
            faults += [(width, "is too narrow: needs", needed)] * (needed > width)
            faults += [(width, "small to press", one) for one in page.evaluate(PRESSED) if one[1] < least]
            for scheme in SCHEMES:
                page.emulate_media(color_scheme=scheme)
                if width == 390:
                    found = page.evaluate(CONTRASTS)
                    assert len(found) > 3
                    faults += [(scheme, "contrast", one) for one in found if one[0] < 4.5]
                if "PICTURES" in os.environ:  # they take as long as all else
                    page.wait_for_timeout(400)
                    page.screenshot(path=pictures / f"{place.name}-{width}-{scheme}.png", full_page=True)
        assert page.evaluate("document.getAnimations().length") == 0  # nothing moves, so nobody has to ask for less
        page.evaluate("() => { for (const one of document.querySelectorAll('details')) one.open = true; }")
        page.evaluate(axe)
        faults += page.evaluate(AXE, TAGS)
    assert faults == []
