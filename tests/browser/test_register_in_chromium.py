"""A technician takes on a fan with a phone: what only a browser shows of it."""

from __future__ import annotations

from typing import Any

import pytest
from playwright import sync_api

from monitor.records import register
from monitor.web.server import WebServer
from tests.web.farm import Farm

pytestmark = pytest.mark.browser


def test_a_slip_is_seen_and_entered_with_one_press_more(chromium: Any, server: WebServer, farm: Farm) -> None:
    page = chromium.new_page(viewport={"width": 390, "height": 844})
    page.goto(f"{server.address}/loggers")
    page.click("text=Take on east-9")
    page.fill("#rated_voltage", "460")
    page.fill("#full_load_amps", "12.4")
    page.click("text=Blades and inserts")
    page.fill("#blade_pitch_degrees", "21")
    page.click("button:text-is('Take on')")
    assert "No service factor was entered" in page.inner_text("#second-look")
    assert page.input_value("#blade_pitch_degrees") == "21"
    page.click("text=To the field")
    page.wait_for_function("location.hash === '#service_factor'")
    page.click("text=Take on as it is")
    sync_api.expect(page.locator("#entered")).to_contain_text("Version 1 is in the register", timeout=60_000)
    plate = register.nameplate(farm.database, "meadow", "east-9")
    assert (plate.motor.full_load_amps, plate.fan.blade_pitch_degrees) == (12.4, 21)
    page.click("text=Change it as text")
    page.fill("#file", "# mine\n" + register.export_text(farm.database, "meadow", "east-9"))
    page.click("text=Enter the file")
    sync_api.expect(page.locator("#entered")).to_contain_text("Version 2 is in the register", timeout=60_000)
    assert register.export_text(farm.database, "meadow", "east-9").startswith("# mine\n[motor]\n")
    page.close()
