"""The Loggers page without a browser, and taking on a fan from it."""

from __future__ import annotations

import httpx
import pytest

from monitor.records import register
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.conftest import NOW
from tests.web.farm import THREE_PHASE, Farm, whole
from tests.web.page import Page, page

GOOD = {"site": "meadow", "fan": "east-9", "rated_voltage": "460", "phases": "3", "full_load_amps": "12,4"}


def test_a_newcomer_is_taken_on_with_a_few_fields(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    form = page(client, "/loggers/take-on?site=meadow&fan=east-9")
    assert ("option", {"value": "3", "selected": None}) in form.tags
    filled = GOOD | {"service_factor": "1.15", "rated_power_hp": "10", "setting_amps": "12.4", "by": "Ann"}
    answer = client.post("/loggers/take-on", data=filled)
    assert (answer.status_code, answer.headers["location"]) == (303, "/fans/meadow/east-9")
    plate = register.nameplate(farm.database, "meadow", "east-9")
    assert (plate.motor.full_load_amps, plate.motor.phases, plate.motor.service_factor) == (12.4, 3, 1.15)
    assert plate.protection.setting_amps == 12.4
    version = {key.name: found for key, found in register.fans(farm.database, ALL)}["east-9"]
    assert version.committed_by == "Ann"
    assert "east-9" not in page(client, "/loggers").text.split("Health")[0]
    assert client.post("/loggers/take-on", data=filled).status_code == 409


def test_a_newcomer_is_taken_on_with_a_pasted_file(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": THREE_PHASE.replace("\n", "\r\n")}
    )
    assert answer.status_code == 303
    assert register.nameplate(farm.database, "meadow", "east-9").fan.plenum == "bin 3"


def test_faults_of_the_form_stand_at_their_fields(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on",
        data=GOOD | {"rated_voltage": "12A", "phases": "2", "full_load_amps": "", "service_factor": "9"},
    )
    assert answer.status_code == 422
    found = Page(answer.text)
    marked = [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")]
    assert marked == ["rated_voltage", "phases", "full_load_amps", "service_factor"]
    for name in marked:
        assert f"{name}-fault" in found.ids
    assert 'found "12A"' in found.text
    values = {attrs["name"]: attrs.get("value") for tag, attrs in found.tags if tag == "input"}
    assert values["rated_voltage"] == "12A"


def test_one_phase_is_refused_for_a_logger_that_sends_three_legs(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post("/loggers/take-on", data=GOOD | {"phases": "1"})
    found = Page(answer.text)
    assert answer.status_code == 422 and "its newest reading has three legs" in found.text
    assert [attrs["name"] for _, attrs in found.tags if attrs.get("aria-invalid")] == ["phases"]
    pasted = {"site": "meadow", "fan": "east-9", "file": "[motor]\nrated_voltage = 230\nphases = 1\nfull_load_amps = 9"}
    assert client.post("/loggers/take-on", data=pasted).status_code == 422
    assert "east-9" not in {key.name for key, _ in register.fans(farm.database, ALL)}


def test_faults_of_a_pasted_file_are_all_told(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    answer = client.post(
        "/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": "[motor]\nphases = 7\nvolts = 3"}
    )
    assert answer.status_code == 422
    said = Page(answer.text).text
    assert "motor.phases" in said and "motor.rated_voltage" in said and "motor.volts" in said
    assert "phases = 7" in said
    broken = client.post("/loggers/take-on", data={"site": "meadow", "fan": "east-9", "file": "[motor"})
    assert broken.status_code == 422 and "not valid TOML" in broken.text


@pytest.mark.parametrize(("site", "fan"), [("nowhere", "x"), ("meadow", "Ost Süd"), ("meadow", ""), ("../x", "y")])
def test_names_that_cannot_be_taken_on_are_told(farm: Farm, client: httpx.Client, site: str, fan: str) -> None:
    whole(farm)
    assert client.get("/loggers/take-on", params={"site": site, "fan": fan}).status_code == 200
    assert client.post("/loggers/take-on", data=GOOD | {"site": site, "fan": fan}).status_code == 422


def test_loggers_tell_health_rejected_and_newcomers(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    said = page(client, "/loggers").text
    for words in (
        "Its site is not in the register. Enter it in the settings under [sites.nowhere]",
        "It cannot be taken on under this name",
        "overdue", "every 10 s", "not JSON: 17 from meadow/north-3, last 20:46 CDT", "amps=12.2;",
        "topics that name no fan",
        "came in just now",
    ):  # fmt: skip
        assert words in said, words


def test_loggers_tell_that_no_reading_can_come_in(database: Database) -> None:
    said = {"broker": "no broker answers at 127.0.0.1:1883: Connection refused", "broker_connected": False}
    running = WebServer(create_app(database, now=lambda: NOW, health=lambda: said), "127.0.0.1", 0)
    running.start()
    try:
        with httpx.Client(base_url=running.address, trust_env=False) as client:
            told = "No reading can come in. No broker answers at 127.0.0.1:1883: Connection refused."
            assert told in page(client, "/loggers").text
            said["broker_connected"] = True
            assert "No reading can come in" not in page(client, "/loggers").text
    finally:
        running.stop()
