"""The service record through the API and on the page: what is entered is told back, faults all at once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest

from monitor.records import register
from monitor.records.actions import undone
from monitor.records.database import Database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.farm import SINGLE_PHASE, Farm
from tests.web.record_at_work import keeping_the_record

PATH = "/api/v1/fans/meadow/north-3/service"


@pytest.fixture
def at_work(database: Database, farm: Farm) -> Iterator[None]:
    """The part of the worker that keeps the record, going round as the worker does."""
    farm.site()
    farm.fan("north-3")
    farm.fan("south-1", SINGLE_PHASE)
    farm.reading("north-3", (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), hours=1)
    with keeping_the_record(database, farm):
        yield


def enter(client: httpx.Client, path: str = PATH, **entry: Any) -> dict[str, Any]:
    answer = client.post(path, json=entry)
    assert answer.status_code == 202, answer.text
    told: dict[str, Any] = answer.json()
    assert told["outcome"] == "done", told
    return dict(told["entry"])


def refused(client: httpx.Client, entry: object, path: str = PATH) -> dict[str, str]:
    """Place -> what was expected."""
    answer = client.post(path, json=entry)
    assert answer.status_code == 422, answer.text
    return {one["place"]: one["expected"] for one in answer.json()["errors"]}


@pytest.mark.usefixtures("at_work")
def test_each_kind_is_entered_and_told_back(farm: Farm, client: httpx.Client) -> None:
    check = enter(
        client, kind="check", check="supply voltage", finding="put right", volts=[450, 447, 443],
        volts_at_service=[470.5, 471, 470], note="fuse\nclip", by="Ann", done="2026-10-03T15:00:00-05:00",
    )  # fmt: skip
    assert check.keys() == {"number", "kind", "done", "entered", "by", "body", "found", "waits", "withdrawn"}
    assert (check["kind"], check["done"], check["entered"]) == ("check", "2026-10-03T20:00:00Z", "2026-10-04T01:46:00Z")
    assert (check["by"], check["withdrawn"]) == ("Ann", None)
    assert check["body"] == {
        "check": "supply voltage", "finding": "put right", "volts": [450, 447, 443],
        "volts_at_service": [470.5, 471, 470], "note": "fuse clip",
    }  # fmt: skip
    assert check["found"]["unbalance_percent"] == pytest.approx(0.821, abs=0.001)
    assert check["found"]["lost_percent"] == pytest.approx(100 * (1 - 446.667 / 470.5), abs=0.01)
    assert "5.1 % are lost on the way" in check["found"]["words"][-1]
    turned = enter(client, kind="lead rotation", way="forward", amps_before=[30, 33, 36], amps_after=[30.2, 33.1, 35.7])
    assert turned["found"]["stays_with"] == "line" and "supply" in turned["found"]["words"][0]
    assert turned["by"] == "at this computer"
    hand = enter(client, kind="hand reading", amps=[15.4, 17.2, 14.7])
    assert hand["found"] == {}  # the worker looks at the logger's minute later
    note = enter(client, kind="note", note="guard oiled")
    pitched = enter(client, kind="re-pitch", **{"from": 21, "to": 19}, inserts=6, done="2026-10-04T01:00:00Z")
    assert pitched["found"] == {"registered": 21, "version": 2}
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 19
    listed = client.get(PATH).json()
    assert [one["number"] for one in listed["items"]] == [
        note["number"], hand["number"], turned["number"], pitched["number"], check["number"]
    ]  # fmt: skip
    assert listed["next"] is None and listed["items"][-1] == check
    full = client.get("/api/v1/fans/meadow/north-3").json()
    assert full["service"] == listed["items"] and full["pitch_degrees"] == 19


@pytest.mark.usefixtures("at_work")
def test_a_withdrawn_re_pitch_gives_the_register_its_pitch_back(farm: Farm, client: httpx.Client) -> None:
    first = enter(client, kind="re-pitch", **{"from": 21, "to": 19}, done="2026-10-03T18:00:00Z")
    second = enter(client, kind="re-pitch", **{"from": 19, "to": 17}, done="2026-10-03T20:00:00Z")
    assert refused(client, {"kind": "withdraw", "number": first["number"]})["number"].endswith(
        "since then a pitch of 17 is registered; withdraw what is later first"
    )
    enter(client, kind="withdraw", number=second["number"], why="it was north-4", by="Bo")
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 19
    items = client.get(PATH).json()["items"]
    assert [one["withdrawn"] for one in items if one["number"] != second["number"]] == [None]
    (gone,) = [one["withdrawn"] for one in items if one["number"] == second["number"]]
    assert (gone["by"], gone["why"], gone["entered"]) == ("Bo", "it was north-4", "2026-10-04T01:46:00Z")
    enter(client, kind="withdraw", number=first["number"])
    newest = register.versions(farm.database, farm.point("north-3"))[-1]
    assert newest.nameplate.fan.blade_pitch_degrees == 21
    assert (newest.version, newest.valid_from) == (5, farm.now.replace(day=3, hour=18, minute=0))
    assert "which entry" in client.post(PATH, json={"kind": "withdraw", "number": first["number"]}).text


@pytest.mark.usefixtures("at_work")
def test_all_faults_at_once_each_with_its_place(client: httpx.Client) -> None:
    assert refused(client, {"kind": "check", "check": "tyres", "finding": "fine", "volts": [1, 2, "3"], "colour": 1,
                            "done": "yesterday"}) == {
        "done": "a time such as 2026-10-04T18:00:00Z (RFC 3339)",
        "check": '"supply voltage" or "connections" or "bearings"',
        "finding": '"good", "fault found" or "put right"',
        "volts.2": "a list of the line voltages v12, v23, v31, each above 0, at most 1000: three, or one for a "
        "single-phase motor; at the motor, running, as left",
        "colour": "a known key: done, by, note, kind, check, finding, volts, volts_at_service",
        "volts": 'nothing: voltages belong to the check "supply voltage"',
    }  # fmt: skip
    assert list(refused(client, {"kind": "paint"})) == list(refused(client, {})) == ["kind"]
    late = {"kind": "re-pitch", "from": 21, "to": 21, "done": "2026-10-04T02:00:00Z"}
    assert refused(client, late).keys() == {"done", "to"}
    assert refused(client, {"kind": "hand reading", "amps": [12.0]}) == {"amps": "3 values in order"}
    assert refused(client, {"kind": "hand reading", "amps": [12.0, True, 1e9]}).keys() == {"amps.1", "amps.2"}
    assert refused(client, {"kind": "note", "note": " \n "}) == {"note": "1 to 1000 letters"}
    single = "/api/v1/fans/meadow/south-1/service"
    turned = {"kind": "lead rotation", "way": "up", "amps_before": [0], "amps_after": [1, 2, 3]}
    assert refused(client, turned, single).keys() == {"way", "amps_after", "kind", "amps_before"}
    assert enter(client, single, kind="check", check="start switch and capacitors", finding="good")["number"] == 1


@pytest.mark.usefixtures("at_work")
def test_the_register_speaks_against_a_re_pitch(farm: Farm, client: httpx.Client) -> None:
    wrong = {"kind": "re-pitch", "from": 19, "to": 11, "done": "2026-10-04T01:00:00Z"}
    assert refused(client, wrong) == {
        "from": '21, the pitch registered then; or "correct": true beside it, if the register was wrong',
        "to": "at least minimum_pitch_degrees, 13",
    }
    right = enter(client, **wrong | {"to": 17, "correct": True})
    assert right["found"] == {"registered": 21, "version": 2}
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 17
    earlier = {"kind": "re-pitch", "from": 21, "to": 19, "done": "2026-10-03T00:00:00Z"}
    assert refused(client, earlier) == {
        "done": "a time not before 2026-10-04T01:00Z: since then a pitch of 17 is registered"
    }
    enter(client, kind="withdraw", number=right["number"])
    assert register.nameplate(farm.database, "meadow", "north-3").fan.blade_pitch_degrees == 21


@pytest.mark.usefixtures("at_work")
@pytest.mark.parametrize("number", [99, 0, "1"])
def test_only_an_entry_of_this_fan_can_be_withdrawn(farm: Farm, client: httpx.Client, number: object) -> None:
    assert refused(client, {"kind": "withdraw", "number": number}).keys() == {"number"}
    other = enter(client, "/api/v1/fans/meadow/south-1/service", kind="note", note="x")
    assert refused(client, {"kind": "withdraw", "number": other["number"]}).keys() == {"number"}


def test_a_fan_that_is_not_the_readers_is_not_found(database: Database, farm: Farm) -> None:
    farm.site()
    farm.site("hill", "Hill")
    farm.fan("north-3")
    app = create_app(database, now=lambda: farm.now)
    app.state.sites = ["hill"]
    running = WebServer(app, "127.0.0.1", 0)
    running.start()
    try:
        with httpx.Client(base_url=running.address, timeout=20, trust_env=False) as client:
            for answer in (
                client.get(PATH),
                client.post(PATH, json={"kind": "note", "note": "x"}),
                client.post(PATH, json={}),
            ):
                assert answer.status_code == 404 and "north-3" in answer.json()["detail"]
    finally:
        running.stop()
    assert undone(database) == []


def test_while_the_service_does_not_answer_the_outcome_is_open(
    farm: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.web import asked

    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.1)
    farm.site()
    farm.fan("north-3")
    answer = client.post(PATH, json={"kind": "note", "note": "x"})
    assert (answer.status_code, answer.json()) == (202, {"outcome": None, "entry": None})
    assert [one.body for one in undone(farm.database)] == [
        {"fan": "north-3", "entry": {"kind": "note", "done": "2026-10-04T01:46:00+00:00", "note": "x"}}
    ]


@pytest.mark.usefixtures("at_work")
def test_the_list_comes_in_parts(client: httpx.Client) -> None:
    for text in "abc":
        enter(client, kind="note", note=text)
    first = client.get(PATH, params={"limit": 2}).json()
    rest = client.get(PATH, params={"limit": 2, "next": first["next"]}).json()
    assert [one["body"]["note"] for one in first["items"] + rest["items"]] == ["c", "b", "a"] and rest["next"] is None
    assert client.get(PATH, params={"next": "xx"}).status_code == 422


@pytest.mark.usefixtures("at_work")
def test_checks_on_the_record_show_at_once_and_the_page_lists_them(farm: Farm, client: httpx.Client) -> None:
    from tests.web.farm import mild_overload

    farm.estimate("north-3", mild_overload())
    for name in ("supply voltage", "connections"):
        enter(client, kind="check", check=name, finding="good", by="Ann")
    full = client.get("/api/v1/fans/meadow/north-3").json()
    assert [one["done"] for one in full["checks_first"]] == [True, True, False] and full["pitch"]["provisional"]
    last = enter(client, kind="check", check="bearings", finding="good", note="<b>dry</b>")
    full = client.get("/api/v1/fans/meadow/north-3").json()
    assert not full["pitch"]["provisional"]
    page = client.get("/fans/meadow/north-3").text
    assert (
        "Bearings checked: good" in page
        and "&lt;b&gt;dry&lt;/b&gt;" in page
        and "20:46 CDT, at this computer, entry 3" in page
    )
    enter(client, kind="withdraw", number=last["number"], why="wrong fan")
    full = client.get("/api/v1/fans/meadow/north-3").json()
    assert full["pitch"]["provisional"]
    assert "by at this computer: wrong fan" in client.get("/fans/meadow/north-3").text


@pytest.mark.usefixtures("at_work")
def test_a_technicians_unbalance_is_told_beside_the_limit_where_no_voltage_is_measured(
    farm: Farm, client: httpx.Client
) -> None:
    farm.fan("dark")
    farm.reading("dark", (12.0, 12.0, 12.0), (float("nan"),) * 3)
    enter(
        client, "/api/v1/fans/meadow/dark/service", kind="check", check="supply voltage", finding="good",
        volts=[460, 467, 450], done=(farm.now - timedelta(days=29)).isoformat(),
    )  # fmt: skip
    notes = client.get("/api/v1/fans/meadow/dark").json()["limit"]["notes"]
    assert any("2.0 % voltage unbalance (entry 1 of the service record)" in note for note in notes)
    enter(client, kind="check", check="supply voltage", finding="good", volts=[460, 467, 450])
    assert not any("technician" in one for one in client.get("/api/v1/fans/meadow/north-3").json()["limit"]["notes"])


def test_the_description_has_a_form_for_each_kind(client: httpx.Client) -> None:
    described = client.get("/api/v1/openapi.json").json()
    body = described["paths"]["/api/v1/fans/{site}/{fan}/service"]["post"]["requestBody"]
    forms = {one["properties"]["kind"]["const"]: one for one in body["content"]["application/json"]["schema"]["oneOf"]}
    assert set(forms) == {"check", "hand reading", "re-pitch", "lead rotation", "clamp correction", "note", "withdraw"}
    assert set(forms["re-pitch"]["required"]) == {"kind", "from", "to"} and "$ref" not in str(forms)
    assert all(one["additionalProperties"] is False for one in forms.values())
