"""The register for programs: files in and out letter by letter, sites, and who may not."""

from __future__ import annotations

from typing import Any

import httpx
import pytest

from monitor.records import register
from tests.web.farm import Farm
from tests.web.people import cheap_passwords, everybody, signed_in

FILE = "# the east one\n[motor]\nrated_voltage = 460   # high\nphases = 3\nfull_load_amps = 12.40\n"
TABLES = {"motor": {"rated_voltage": 460, "phases": 3, "full_load_amps": 12.4}, "fan": {"supply": None, "blades": 6}}
EAST = "/api/v1/fans/meadow/east-9/nameplate"
TEXT = {"content-type": "text/plain"}


@pytest.fixture
def meadow(farm: Farm) -> Farm:
    farm.site()
    farm.site("hill", "Hill", "si", "Europe/Berlin")
    return farm


def test_a_file_goes_in_and_comes_out_letter_by_letter(meadow: Farm, client: httpx.Client) -> None:
    entered = client.put(EAST, content=FILE.replace("\n", "\r\n"), headers=TEXT, params={"by": "Ann"})
    assert entered.status_code == 200
    told = entered.json()
    assert (told["version"], told["by"], told["nameplate"]["motor"]["phases"]) == (1, "Ann", 3)
    assert client.get(EAST, headers={"accept": "text/plain"}).text == FILE.replace("\n", "\r\n")
    assert client.get(EAST).json() == told
    odd = client.put(EAST, content=FILE + "[protection]\nsetting_amps = 40\n", headers=TEXT).json()
    assert odd["version"] == 2 and "that the code allows" in odd["hints"][0]["words"]
    older = client.get(EAST, params={"version": 1}, headers={"accept": "application/toml"})
    assert older.text == FILE.replace("\n", "\r\n") and older.headers["content-type"].startswith("text/plain")
    assert client.get(EAST, params={"version": 3}).status_code == 404


def test_tables_as_json_make_the_same(meadow: Farm, client: httpx.Client) -> None:
    params: dict[str, Any] = {"from": "2026-10-01T00:00:00Z", "motor_changed": True, "based_on": 0}
    assert client.put(EAST, json=TABLES, params=params).status_code == 200
    version = register.versions(meadow.database, meadow.point("east-9"))[-1]
    assert (version.motor_changed, version.valid_from.isoformat()) == (True, "2026-10-01T00:00:00+00:00")
    assert version.nameplate.fan.blades == 6 and version.nameplate.fan.supply is None
    late = client.put(EAST, json=TABLES, params=params)
    assert late.status_code == 409 and "newest version of meadow/east-9 is 1, not 0" in late.json()["detail"]


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"content": FILE.replace("3", "2"), "headers": TEXT}, "motor.phases"),
        ({"content": b"\xff", "headers": TEXT}, "not text in UTF-8"),
        ({"json": [1]}, "no nameplate"),
        ({"content": b"{", "headers": {"content-type": "application/json"}}, "not JSON"),
        ({"json": {"motor": {}}}, "motor.rated_voltage"),
        ({"json": TABLES, "params": {"from": "2036-10-01T00:00:00Z"}}, "still to come"),
    ],
)
def test_what_is_no_nameplate_is_told(meadow: Farm, client: httpx.Client, sent: dict[str, Any], said: str) -> None:
    answer = client.put(EAST, **sent)
    assert answer.status_code == 422 and said in answer.text and answer.json()["errors"]
    assert client.get(EAST).status_code == 404


def test_a_fan_is_taken_out_once(meadow: Farm, client: httpx.Client) -> None:
    client.put(EAST, json=TABLES)
    gone = client.delete("/api/v1/fans/meadow/east-9", params={"by": "Bo"})
    assert gone.json() == {"site": "meadow", "fan": "east-9", "version": 2}
    assert client.get(EAST).status_code == client.delete("/api/v1/fans/meadow/east-9").status_code == 404
    assert client.put(EAST, json=TABLES).json()["version"] == 3


def test_sites_are_listed_in_parts_added_and_changed(meadow: Farm, client: httpx.Client) -> None:
    first = client.get("/api/v1/sites", params={"limit": 1}).json()
    assert [one["site"] for one in first["items"]] == ["hill"] and first["next"]
    rest = client.get("/api/v1/sites", params={"next": first["next"]}).json()
    assert ([one["site"] for one in rest["items"]], rest["next"]) == (["meadow"], None)
    ridge = {"site": "ridge", "name": "Ridge", "time_zone": "America/Denver", "altitude_m": 1300.0, "units": "us",
             "supper": "17:00"}  # fmt: skip
    assert client.post("/api/v1/sites", json=ridge).json() == client.get("/api/v1/sites/ridge").json() == ridge
    assert client.post("/api/v1/sites", json=ridge).status_code == 409
    changed = client.put("/api/v1/sites/ridge", json={"supper": "18:00"}).json()
    assert changed == ridge | {"supper": "18:00"} == client.get("/api/v1/sites/ridge").json()
    wrong = client.put("/api/v1/sites/ridge", json={"supper": "6 pm", "time_zone": "Denver"})
    assert [one["place"] for one in wrong.json()["errors"]] == ["time_zone", "supper"]
    for body in ({"site": "New Farm", "time_zone": "UTC"}, {"site": "b"}, {"site": "new", "time_zone": "UTC"}):
        assert client.post("/api/v1/sites", json=body).status_code == 422


def test_an_account_of_one_site_adds_none_and_hears_of_no_other(meadow: Farm, server: Any) -> None:
    with cheap_passwords():
        people = everybody(meadow.database, meadow.now)
    with signed_in(server.address, meadow.database, people["hill-manage"], meadow.now) as hill:
        assert hill.post("/api/v1/sites", json={"site": "b", "time_zone": "UTC"}).status_code == 403
        missing = hill.put("/api/v1/fans/elsewhere/x/nameplate", json=TABLES)
        assert missing.status_code == 404 and "meadow" not in missing.text
        assert hill.put(EAST, json=TABLES).json()["detail"] == "There is no site meadow."
