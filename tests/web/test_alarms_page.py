"""The page Alarms and one alarm's life: what stands first, who did what, and what is asked for by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest

from monitor.records import actions
from monitor.web import asked
from monitor.web.alarms_page import stop_from, stop_until
from monitor.web.held import plan_words
from tests.web.farm import Farm, attended, in_danger, whole
from tests.web.page import page


@pytest.fixture
def meadow(farm: Farm) -> Farm:
    whole(farm)
    in_danger(farm)
    attended(farm)
    return farm


def asked_for(farm: Farm) -> list[tuple[str, str, dict[str, Any], str]]:
    return [(one.kind, one.site, dict(one.body), one.by) for one in actions.undone(farm.database)]


def test_the_worst_stands_first_and_what_is_held_back_apart(meadow: Farm, client: httpx.Client) -> None:
    shown = page(client, "/alarms")
    told = shown.text
    expected = [
        "Standing, or not acknowledged: 3", "north-6: tripped", "north-5: about to trip", "north-3: over its limit",
        "Held back: 3", "south-1: started too often", "south-3: no readings", "north-4: near its limit",
    ]  # fmt: skip
    places = [told.index(text, told.index("Standing, or")) for text in expected]
    assert places == sorted(places)
    for text in (
        "Suppressed by design while supply-lost of south-1 stands (alarm 9).",
        "Shelved until Oct 4, 00:46 CDT (Ann): grain is damp, it will be better.",
        "Out of service until Oct 12, 20:46 CDT (Ann): new bearings.",
        "How well the alarms work", "270 alarms, without what was held back",
    ):  # fmt: skip
        assert text in shown.text, text


def test_past_alarms_come_in_parts_and_for_one_site(meadow: Farm, client: httpx.Client) -> None:
    shown = page(client, "/alarms")
    (older,) = (attrs["href"] for tag, attrs in shown.tags if tag == "a" and "next=" in (attrs.get("href") or ""))
    assert older is not None
    second = page(client, older)
    assert "Past, older ones" in second.headings and "Held back" not in second.text
    first_links, second_links = (
        {attrs.get("href") for tag, attrs in one.tags if tag == "a"} for one in (shown, second)
    )
    lives = {link for link in first_links & second_links if link and link.startswith("/alarms/")}
    assert lives == set()
    assert "None yet." in page(client, "/alarms?site=hill").text
    assert page(client, "/alarms?site=nowhere", 404)
    assert page(client, "/alarms?next=x", 422)


def test_the_life_of_one_alarm(meadow: Farm, client: httpx.Client) -> None:
    (number,) = (one.number for about, one in meadow.alarms.items() if about.condition == "low-margin")
    shown = page(client, f"/alarms/{number}")
    assert "Raised" in shown.text and "Shelved" in shown.text
    assert "Ann: grain is damp, it will be better. Until Oct 4, 00:46 CDT." in shown.text
    assert "No route has been told of it." in shown.text
    assert page(client, "/alarms/9999", 404)


def test_a_shelf_asked_for_by_hand(meadow: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.1)
    answer = client.post("/alarms/1/shelve", data={"until": "morning", "why": "grain is damp", "by": "Ann"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms#held")
    client.post("/alarms/1/unshelve", data={"by": "Ben"})
    assert asked_for(meadow) == [
        ("shelve", "meadow", {"alarm": 1, "until": "2026-10-04T07:00:00-05:00", "why": "grain is damp"}, "Ann"),
        ("unshelve", "meadow", {"alarm": 1}, "Ben"),
    ]
    assert client.post("/alarms/1/shelve", data={"until": "4h", "why": " "}).status_code == 422
    assert client.post("/alarms/1/shelve", data={"until": "9999h", "why": "x"}).status_code == 422
    assert client.post("/alarms/9999/shelve", data={"why": "x"}).status_code == 404
    assert len(asked_for(meadow)) == 2


def test_out_of_service_asked_for_by_hand(
    meadow: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.1)
    sent = {"what": "meadow/north-3", "until": "2026-10-09", "why": "bearings", "by": "Ann"}
    answer = client.post("/out-of-service", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms#service")
    client.post("/out-of-service", data={"what": "hill", "until": "", "why": "season over"})
    client.post("/return-to-service", data={"what": "meadow/south-3", "by": "Ben"})
    here = "at this computer"
    assert asked_for(meadow) == [
        ("out-of-service", "meadow",
         {"fan": "north-3", "until": "2026-10-09T07:00:00-05:00", "why": "bearings"}, "Ann"),
        ("out-of-service", "hill", {"fan": None, "until": None, "why": "season over"}, here),
        ("return-to-service", "meadow", {"fan": "south-3"}, "Ben"),
    ]  # fmt: skip
    for wrong in ({"until": "soon"}, {"until": "2026-10-03"}, {"why": ""}):
        assert client.post("/out-of-service", data=sent | wrong).status_code == 422
    for wrong in ({"what": "nowhere"}, {"what": "meadow/nobody"}, {"what": ""}):
        assert client.post("/out-of-service", data=sent | wrong).status_code == 404
    assert len(asked_for(meadow)) == 3


def test_acknowledging_on_the_page_goes_back_to_it(meadow: Farm, client: httpx.Client) -> None:
    with meadow.at_work():
        answer = client.post("/alarms/1/acknowledge", data={"by": "Ann", "back": "alarms"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/alarms#standing")
    assert "acknowledged 20:46 CDT, Ann" in page(client, "/alarms").text


def test_fans_say_that_they_are_out_of_service(meadow: Farm, client: httpx.Client) -> None:
    fans = page(client, "/").text
    assert fans.count("Out of service") == 2
    assert "Out of service until Oct 12, 20:46 CDT (Ann): new bearings." in page(client, "/fans/meadow/south-3").text
    assert "Out of service with its whole site until" in page(client, "/fans/hill/barn").text
    assert "Out of service" not in page(client, "/fans/meadow/north-3").text


def test_a_farm_without_alarms_has_a_page_too(farm: Farm, client: httpx.Client) -> None:
    shown = page(client, "/alarms")
    for text in ("Nothing is held back.", "All fans are in service.", "None yet.", "0 alarms"):
        assert text in shown.text
    farm.site()
    farm.fan("north-3")
    farm.now += timedelta(days=1)
    assert "too few to say" in page(client, "/alarms").text


def test_a_stop_is_announced_and_taken_back_on_the_fans_page(
    meadow: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.1)
    address = "/fans/meadow/north-3/planned-stop"
    answer = client.post(address, data={"until": "2026-10-04T12:00", "why": "new bearings", "by": "Ann"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/fans/meadow/north-3#stop")
    client.post(address, data={"take_back": "1", "by": "Ben"})
    assert asked_for(meadow) == [
        ("planned-stop", "meadow",
         {"fan": "north-3", "until": "2026-10-04T12:00:00-05:00", "why": "new bearings"}, "Ann"),
        ("withdraw-planned-stop", "meadow", {"fan": "north-3"}, "Ben"),
    ]  # fmt: skip
    for wrong in ("", "soon", "2026-10-03T12:00", "2031-01-01T00:00", "9999-12-31T23:59"):
        assert client.post(address, data={"until": wrong}).status_code == 422, wrong
    assert "None is announced." in page(client, "/fans/meadow/north-3").text


def test_a_stop_that_begins_tomorrow_is_announced_and_shown(
    meadow: Farm, client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    monkeypatch.setattr(asked, "WAIT_SECONDS", 0.1)
    address = "/fans/meadow/north-3/planned-stop"
    for hour, instead in (("09", ""), ("10", " (it took the place of the one tomorrow 09:00 to 12:00 CDT)")):
        times = {"from": f"2026-10-04T{hour}:00", "until": "2026-10-04T12:00"}
        assert client.post(address, data=times | {"why": "new bearings", "by": "Ann"}).status_code == 303
        assert asked_for(meadow)[0][2] == {
            "fan": "north-3", "from": f"2026-10-04T{hour}:00:00-05:00", "until": "2026-10-04T12:00:00-05:00",
            "why": "new bearings",
        }  # fmt: skip
        meadow.carry_out()
        told = f"Planned stop tomorrow {hour}:00 to 12:00 CDT, by Ann: new bearings{instead}."
        fan, alarms = page(client, "/fans/meadow/north-3").text, page(client, "/alarms").text
        assert told in fan and "Until it begins, a stop is told as always." in fan and "Take it back" in fan
        assert told in alarms and "Planned stops to come: 1" in alarms
    assert "Planned stop" not in page(client, "/fans/meadow/north-4").text
    for wrong in (
        {"from": "soon", "until": "2026-10-04T12:00"}, {"from": "2031-01-01T00:00", "until": "2031-01-01T09:00"},
        {"from": "2026-10-04T09:00", "until": "2026-10-04T09:00"}, {"from": "2026-10-04T09:00", "until": ""},
    ):  # fmt: skip
        assert client.post(address, data=wrong).status_code == 422, wrong


def test_hours_of_a_planned_stop_over_a_change_of_the_clocks() -> None:
    farm, now = ZoneInfo("America/Chicago"), datetime(2026, 10, 31, 15, 0, tzinfo=UTC)
    begins = stop_from("2026-11-01T00:30", farm, now)
    assert begins is not None
    ends = stop_until("2026-11-01T09:00", farm, now, begins)
    assert ends.timestamp() - begins.timestamp() == 9.5 * 3600.0  # an hour more than the hands show
    plan = {"from": begins, "until": ends, "by": "Ann", "why": "", "instead_of": None}
    assert plan_words(plan, farm, now) == "planned stop tomorrow 00:30 CDT to 09:00 CST, by Ann"
    # Both are half past one: by the hands the end would not lie after the begin.
    again = stop_until("2026-11-01T01:30-06:00", farm, now, stop_from("2026-11-01T01:30", farm, now))
    assert again.timestamp() == datetime(2026, 11, 1, 7, 30, tzinfo=UTC).timestamp()
