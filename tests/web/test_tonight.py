"""The night on a fan's page and in the API, and the low that people enter."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.blades.estimate import estimate
from monitor.blades.tonight import entered_low, outlook
from monitor.records import actions
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.fan_file import read_nameplate
from monitor.records.rows import to_ms
from monitor.web import tonight
from monitor.web.problems import Problem
from tests.web.farm import THREE_PHASE, Farm, mild_overload, whole
from tests.web.test_pages import page

TONIGHT = {
    "low_c": (int, float), "low_deviation_k": (int, float), "low_source": str, "now_c": (int, float),
    "amps": (int, float), "low": (int, float), "high": (int, float), "limit_amps": (int, float),
    "chance_limit": float, "device_amps": (int, float), "chance_device": float, "chance": float,
    "passes_below_c": (int, float), "words": list, "at": str,
}  # fmt: skip


def with_a_night(farm: Farm, fan: str = "north-3", **more: Any) -> None:
    """An estimate as the service stores it, with an outlook of the night."""
    plate, seen = read_nameplate(THREE_PHASE), mild_overload()
    answer = estimate(plate, seen, 250.0)
    found, _ = outlook(plate, seen, answer, entered_low(-1.0, "Ada"), device_amps=16.2)
    assert found is not None
    night = {"tonight": {**found.as_json(), "at": "2026-10-04T07:10:00Z"}, "tonight_why": None,
             "rising_amps_an_hour": 0.42, "reaches_limit_at": "2026-10-04T05:15:00Z"}  # fmt: skip
    said = {**answer.as_json(), **night, **more}
    commit(farm.database, Batch(estimates={farm.point(fan): (to_ms(farm.now), said)}))


def get(client: httpx.Client, fan: str) -> dict[str, Any]:
    found: dict[str, Any] = client.get(f"/api/v1/fans/meadow/{fan}").json()
    return found


def test_the_api_tells_the_night(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    with_a_night(farm)
    found = get(client, "north-3")
    assert found["tonight"].keys() == TONIGHT.keys() and found["tonight_why"] is None
    for key, kind in TONIGHT.items():
        assert isinstance(found["tonight"][key], kind), key
    assert (found["reaches_limit_at"], found["rising_amps_an_hour"]) == ("2026-10-04T05:15:00Z", 0.42)


@pytest.mark.parametrize(
    ("fan", "why"),
    [("north-4", tonight.NOT_YET), ("south-2", "it does not run"), ("south-3", "it is not heard"),
     ("west-1", "it does not run")],
)  # fmt: skip
def test_no_night_and_why(farm: Farm, client: httpx.Client, fan: str, why: str) -> None:
    whole(farm)
    if fan != "north-4":
        with_a_night(farm, fan)  # of an hour ago, when it ran
    found = get(client, fan)
    assert (found["tonight"], found["tonight_why"], found["reaches_limit_at"]) == (None, why, None)
    assert f"No outlook: {why}." in page(client, f"/fans/meadow/{fan}").text


def test_the_page_tells_it_in_words(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    with_a_night(farm)
    said = page(client, "/fans/meadow/north-3").text
    assert "Over the last two hours it has risen by 0.42 A an hour; it is over its limit now." in said
    assert "Tonight's low is taken as 30 °F (entered by Ada). As it runs now it would then draw 15.9 A (15.0 to" in said
    assert "Chance that it passes its limit of 15.2 A: " in said
    assert "Chance that it passes 16.2 A, from where its overload device may open: " in said
    assert "It is past its limit already." in said
    assert "Tonight's low by the forecast, °F" in said
    night = get(client, "north-3")["tonight"]
    with_a_night(farm, tonight={**night, "passes_below_c": 3.0})
    said = page(client, "/fans/meadow/north-3").text
    assert "It passes its limit below 37 °F; if it cools as last night, at about 02:10 CDT." in said
    with_a_night(farm, tonight={**night, "passes_below_c": 3.0, "device_amps": 14.9})
    assert "It passes that trip point below 37 °F;" in page(client, "/fans/meadow/north-3").text
    with_a_night(farm, tonight=None, tonight_why="the air temperature at the fan is not known")
    assert "No outlook: the air temperature at the fan is not known." in page(client, "/fans/meadow/north-3").text


def test_a_limit_ahead_is_told_only_of_a_fan_that_is_below_it() -> None:
    said = {"rising_amps_an_hour": 0.42, "reaches_limit_at": "2026-10-04T05:15:00Z"}
    item = {"estimate": said, "running": True, "state": "near its limit", "load_ratio": 0.97}
    rises = "Over the last two hours it has risen by 0.42 A an hour"
    zone = ZoneInfo("America/Chicago")
    assert tonight.lines(item, "us", zone)[0] == f"{rises}: so it reaches its limit at about 00:20 CDT."
    assert tonight.lines(item | {"load_ratio": 1.06}, "us", zone)[0] == f"{rises}; it is over its limit now."


def test_a_low_is_entered_by_the_api(farm: Farm, client: httpx.Client, database: Database) -> None:
    whole(farm)
    with farm.at_work():
        answer = client.post("/api/v1/sites/meadow/tonight", json={"low_c": -2.5, "by": "Ada"})
        assert (answer.status_code, answer.json()["outcome"]) == (202, "done")
        assert client.post("/api/v1/sites/meadow/tonight", json={"low_c": None}).status_code == 202
    first, second = (actions.outcome(database, number) for number in (1, 2))
    assert first is not None and second is not None
    assert (first.kind, first.site, first.body, first.by) == ("tonight", "meadow", {"low_c": -2.5}, "Ada")
    assert second.body == {"low_c": None}
    assert client.post("/api/v1/sites/nowhere/tonight", json={"low_c": 1.0}).status_code == 404
    for wrong in ({}, {"low_c": 99}, {"low_c": "cold"}, {"low_c": 1.0, "low_f": 30}):
        assert client.post("/api/v1/sites/meadow/tonight", json=wrong).status_code == 422
    assert actions.outcome(database, 3) is None


def test_a_low_is_entered_on_the_page_in_the_site_s_units(farm: Farm, client: httpx.Client, database: Database) -> None:
    whole(farm)
    with farm.at_work():
        answer = client.post("/sites/meadow/tonight", data={"low": "23 °F", "fan": "north-3", "by": "Ada"})
        assert (answer.status_code, answer.headers["location"]) == (303, "/fans/meadow/north-3#tonight")
        client.post("/sites/hill/tonight", data={"low": "\N{MINUS SIGN}1,5", "fan": "barn"})
        client.post("/sites/hill/tonight", data={"low": ""})
    taken = [actions.outcome(database, number) for number in (1, 2, 3)]
    assert [one.body["low_c"] for one in taken if one is not None] == [-5.0, -1.5, None]
    refused = client.post("/sites/meadow/tonight", data={"low": "cold"})
    assert refused.status_code == 422 and "This is no low of a night." in refused.text
    assert client.post("/sites/nowhere/tonight", data={"low": "23"}).status_code == 404


def test_a_cold_night_stands_on_each_fan_s_page_and_is_acknowledged_there(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    alarm = farm.raised_at_site("cold-night", text="a cold night ahead, north-3 may pass its limit")
    said = page(client, "/fans/meadow/south-1").text
    assert "A cold night ahead" in said and "north-3 may pass its limit" in said
    assert get(client, "north-3")["state"] == "over its limit"  # it is about the night, not about now
    with farm.at_work():
        answer = client.post(f"/alarms/{alarm.number}/acknowledge", data={"by": "Ada"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/?site=meadow")


@pytest.mark.parametrize(("text", "units"), [("200", "us"), ("nan", "si"), ("-80", "si"), ("1e9", "us"), ("--3", "si")])
def test_what_is_no_low_is_refused_with_its_bounds(text: str, units: str) -> None:
    with pytest.raises(Problem) as refused:
        tonight.celsius(text, units)
    assert refused.value.status == 422 and "a number from" in refused.value.faults[0].expected
