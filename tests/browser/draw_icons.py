"""Draws the icons of the installed pages from static/mark.svg: `python -m tests.browser.draw_icons`, when that changed.

The maskable one fills the whole square, and keeps what is drawn within the circle that every mask leaves (W3C Web
Application Manifest, "Icon masks and safe zone": a radius of 40 %).
"""

from __future__ import annotations

import re
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.browser.conftest import CHROMIUM, QUIET

STATIC = Path(__file__).parents[2] / "monitor" / "web" / "static"
ICONS = {"any-192": (192, 1.0), "any-512": (512, 1.0), "maskable-512": (512, 0.75), "touch-180": (180, 0.85)}
"""Name -> (pixels a side, size of the drawing within it); those below 1 fill their corners."""


def main() -> None:
    mark = (STATIC / "mark.svg").read_text("utf-8")
    ground = re.search(r'rx="4" fill="(#[0-9a-f]{6})"', mark)
    assert ground is not None, "the mark has no ground any more"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        for name, (side, share) in ICONS.items():
            page = browser.new_page(viewport={"width": side, "height": side})
            colour = ground[1] if share < 1 else "transparent"
            page.set_content(
                f"<style>body {{ margin: 0; background: {colour}; display: grid; place-items: center; height: 100vh }}"
                f"svg {{ width: {100 * share:.0f}%; display: block }}</style>{mark}"
            )
            page.screenshot(path=STATIC / "icons" / f"{name}.png", omit_background=True)
        browser.close()


if __name__ == "__main__":
    main()
