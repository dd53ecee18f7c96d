"""The pages of alarms as people meet them: on a phone and on a desk, without colour, by hand and by keyboard."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest

from monitor.web.server import WebServer
from tests.browser.test_in_chromium import opened
from tests.web.farm import Farm, attended

pytestmark = pytest.mark.browser


def test_alarms_render_within_the_screen(chromium: Any, farm: Farm, server: WebServer, pictures: Path) -> None:
    attended(farm)
    number = farm.alarms[next(about for about in farm.alarms if about.condition == "low-margin")].number
    for name, path in (("alarms", "/alarms"), ("one-alarm", f"/alarms/{number}"), ("fans-out", "/")):
        with opened(chromium, server, path) as page:
            for width, scheme in ((390, "light"), (390, "dark"), (1280, "light")):
                page.set_viewport_size({"width": width, "height": 844})
                page.emulate_media(color_scheme=scheme)
                assert page.locator("main h1").is_visible()
                assert page.evaluate("document.documentElement.scrollWidth") <= width
                if "PICTURES" in os.environ:  # they take as long as all else
                    page.screenshot(path=pictures / f"{name}-{width}-{scheme}.png", full_page=True)
            for summary in page.locator("main summary").all()[:1]:
                summary.click()


def test_an_alarm_is_shelved_and_taken_off_with_a_thumb(chromium: Any, farm: Farm, server: WebServer) -> None:
    with opened(chromium, server, "/alarms", has_touch=True) as page:
        shelf = page.locator("article.alarm", has_text="north-3").first
        shelf.locator("summary").tap()
        box = shelf.locator("summary").bounding_box()
        assert box is not None and box["height"] >= 44
        shelf.get_by_label("For how long").select_option("morning")
        shelf.get_by_role("button", name="Shelve", exact=True).tap()
        assert page.url.endswith("/alarms"), "the browser asks for the reason before anything is sent"
        shelf.get_by_label("Why").fill("grain is damp")
        shelf.get_by_label("Your name").last.fill("Ann")
        shelf.get_by_role("button", name="Shelve", exact=True).tap()
        page.wait_for_url("**/alarms#held")
        held = page.locator("article.alarm", has_text="Shelved until")
        assert "(Ann): grain is damp" in held.inner_text()
        held.get_by_role("button").tap()
        page.wait_for_url("**/alarms#standing")
        assert "Nothing is held back." in page.locator("main").inner_text()


def test_a_site_is_taken_out_of_service_and_returned(chromium: Any, farm: Farm, server: WebServer) -> None:
    with opened(chromium, server, "/alarms", 1280) as page:
        page.get_by_text("Take a fan or a whole site out of service").click()
        page.get_by_label("What").select_option(label="all of Hill")
        page.get_by_label("Why").last.fill("season over")
        page.get_by_role("button", name="Take out of service").click()
        page.wait_for_url("**/alarms#service")
        told = "Out of service until somebody returns it (at this computer): season over."
        assert told in page.locator("main").inner_text()
        page.goto(server.address + "/fans/hill/barn")
        assert "season over" in page.locator("main").inner_text()
        page.goto(server.address + "/alarms")
        page.get_by_role("button", name="Return to service").click()
        page.wait_for_url("**/alarms#service")
        assert "All fans are in service." in page.locator("main").inner_text()


def test_a_name_is_asked_once_and_may_be_changed_or_given_up(chromium: Any, farm: Farm, server: WebServer) -> None:
    with opened(chromium, server, "/fans/meadow/north-3") as page:
        field, low = page.locator("#low-by"), page.get_by_label("Tonight's low by the forecast")
        for name in ("Ann", ""):
            field.fill(name)
            low.fill("30")
            page.get_by_role("button", name="Enter the low").click()
            page.wait_for_url("**/fans/meadow/north-3#tonight")
            page.goto(server.address + "/alarms")
            names = {one.input_value() for one in page.locator("input[name=by]").all()}
            assert names == {name}
            page.goto(server.address + "/fans/meadow/north-3")
            assert field.input_value() == name
            if name:  # parts of the page that are taken anew hold it too
                page.evaluate("""() => { const here = document.querySelector('[data-fold=alarms]');
                    here.innerHTML = '<input name="by">'; document.dispatchEvent(new Event("folded")); }""")
                assert page.locator("[data-fold=alarms] input").input_value() == name
