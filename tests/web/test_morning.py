"""The page This morning and its API: an invented night of four farms, read as the service desk reads it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.alarms.alarm import Shelve
from monitor.records.database import Database, open_database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.web.farm import Farm
from tests.web.night import SIX_THIRTY, a_night, at, happens
from tests.web.page import Page, page
from tests.web.people import account, browser, signed_in


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Path:
    """The night in a database, which nobody writes to; who does takes a copy."""
    file = tmp_path_factory.mktemp("night") / "monitor.db"
    shutil.copy(empty_database, file)
    database = open_database(f"sqlite:///{file}")
    a_night(Farm(database, SIX_THIRTY))
    database.close()
    return file


@contextmanager
def served(file: Path) -> Iterator[tuple[Database, WebServer]]:
    database = open_database(f"sqlite:///{file}")
    running = WebServer(create_app(database, now=lambda: SIX_THIRTY), "127.0.0.1", 0)
    running.start()
    yield database, running
    running.stop()
    database.close()


@pytest.fixture(scope="module")
def desk(night: Path) -> Iterator[httpx.Client]:
    """A browser at this computer, on the night's pages."""
    with served(night) as (_, running), browser(running.address) as client:
        yield client


def in_order(text: str, expected: list[str]) -> None:
    places = []
    for one in expected:
        assert one in text, one
        places.append(text.index(one, places[-1] if places else 0))


def section(shown: Page, begins: str, ends: str) -> str:
    first = shown.text.index(begins)
    return shown.text[first : shown.text.index(ends, first)]


def test_the_page_stands_in_the_order_of_work(desk: httpx.Client) -> None:
    shown = page(desk, "/morning")
    assert [one for one in shown.headings if ":" in one or one.startswith(("Where", "Least", "Into"))] == [
        "Where to go first", "Tripped, or stands still: 3", "Least margin", "For the utility: 1", "Into the truck",
        "Loggers to visit: 3", "Also to look at: 1", "Notices that did not arrive: 1", "Silent on purpose: 2",
    ]  # fmt: skip
    in_order(
        section(shown, "Where to go first", "Tripped, or stands still: 3 Fans"),
        [
            "Meadow farm 3 of 7 fans run",
            "Drive: north-3 tripped at 02:10 CDT and stands still (very likely an overload trip)",
            "Phone the farm: north-6 ran before and has not run since the supply came back at 03:42 CDT",
            "Drive: north-4 runs at 103 % of its limit",
            "Phone the utility: yard is unbalanced since Oct 4, 20:12 CDT, at worst 3.8 %",
            "Drive: 1 open job sheet: north-4",
            "With the next visit: 1 logger to visit: south-1",
            "Ridge farm 3 of 3 fans run",
            "Phone the farm: nobody was told of “west-1 tripped”: no notice arrived",
            "Drive: west-1 tripped twice and runs again",
            "Drive: 2 open job sheets: west-2 and west-3",
            "With the next visit",
            "Brook 1 of 2 fans run",
            "1 logger to visit: creek-2",
            "Nothing to do at 1 farm: Hill.",
        ],
    )


def test_trips_and_stops_say_what_happened_what_is_and_what_to_do(desk: httpx.Client) -> None:
    told = section(page(desk, "/morning"), "Tripped, or stands still: 3 Fans", "Least margin Running")
    in_order(
        told,
        [
            "north-3 Meadow farm stands still since 02:10 CDT, 4 h 20 min",
            "Tripped at 02:10 CDT. Very likely an overload trip: the device image was the highest of this run (1.37 of",
            "Nobody has acknowledged it. Find the cause before anybody resets it.",
            "north-6 Meadow farm stands still since 03:05 CDT, 3 h 25 min",
            "Ran until 03:05 CDT, when its supply yard was lost; that is back since 03:42 CDT.",
            "west-1 Ridge farm runs again since 01:45 CDT, 4 h 45 min",
            "Tripped at 01:20 CDT, 2 times since the evening. Likely an overload trip. Not proven.",
            "Before anybody resets or starts one. Protectors that reset by themselves",
        ],
    )
    assert "The hours before it at north-3" in told and "The hours before it at north-6" not in told
    assert (
        "/review?site=meadow&amp;fan=north-3&amp;ended=2026-10-05T07%3A10%3A00%2B00%3A00#window"
        in desk.get("/morning").text
    )
    assert "north-7" not in told, "it stood still before the supply was lost"
    assert "north-5" not in told, "it runs again"
    assert "east-2" not in told, "it is out of service"


def test_the_utility_is_told_figures_since_when_and_the_worst(desk: httpx.Client) -> None:
    told = section(page(desk, "/morning"), "For the utility: 1 To be", "Into the truck Inserts")
    in_order(
        told,
        [
            "Meadow farm, supply yard",
            "Voltage unbalanced 2 times since Oct 4, 20:12 CDT, 3 h 8 min in all, and still now; at worst 3.8 %.",
            "No voltage from 03:05 CDT to 03:42 CDT, 37 min.",
            "Motors connected for 460 V: north-5, north-6 and north-7.",
            "Measured at yard at 06:30 CDT: 468 / 452 / 447 V between the lines, unbalance 2.7 %.",
        ],
    )


def test_inserts_are_added_up_by_angle_and_blades_that_nobody_knows_are_asked_for(
    desk: httpx.Client,
) -> None:
    told = section(page(desk, "/morning"), "Into the truck Inserts", "Loggers to visit: 3 Loggers")
    in_order(
        told,
        [
            "18° 12 and more north-4, Meadow farm: 6; west-2, Ridge farm: 6; west-3, Ridge farm: ask how many blades",
            "Job sheet 1 to 18°, 6 inserts 103 % of its limit in three nights. Opened Oct 4, 16:30 CDT, Ann.",
            "Job sheet 3 to 18°, blades: ask how many",
        ],
    )


def test_loggers_notices_and_what_is_silent_on_purpose(desk: httpx.Client) -> None:
    shown = page(desk, "/morning")
    for text in (
        "creek-2 Brook its wiring, its topic No reading has ever come.",
        "south-1 Meadow farm its power, its link Not heard, last reading 00:40 CDT.",
        "west-2 Ridge farm its link or its battery Was silent 3 times in the night, is heard now.",
        "west-3 Ridge farm legs far apart west-3: current unbalance 12 % Since 05:00 CDT.",
        "Ridge farm, by desk: 1 notice given up, the last 01:21 CDT: “west-1 tripped”. Of 1 alarm nobody was told",
        "east-2, Hill. Out of service until Oct 9, 14:00 CEST (Ben): new bearings.",
        "south-2, Meadow farm: started too often. Shelved until Oct 6, 02:30 CDT (Ann): humidistat is on order.",
    ):
        assert text in shown.text, text


def test_an_account_of_two_farms_sees_nothing_of_the_others(night: Path, tmp_path: Path, cheap: None) -> None:
    shutil.copy(night, tmp_path / "monitor.db")
    with served(tmp_path / "monitor.db") as (database, running):
        number = account(database, "desk", "look", ["meadow", "ridge"], SIX_THIRTY)
        with signed_in(running.address, database, number, SIX_THIRTY) as mine:
            shown, told = page(mine, "/morning"), mine.get("/api/v1/morning").json()
            assert {one["site"] for one in told["sites"]} == {"meadow", "ridge"}
            assert mine.get("/morning?site=hill").status_code == 404
            assert mine.get("/api/v1/morning?site=hill").status_code == 404
            only = page(mine, "/morning?site=ridge").text
    assert "2 farms, 10 fans: 6 run, 3 stand still, 1 is not heard" in shown.text
    for foreign in ("Hill", "east-1", "east-2", "Brook", "creek"):
        assert foreign not in shown.text
        assert foreign.lower() not in str(told).lower()
    assert "west-1 tripped twice" in only and "north-3" not in only


def test_the_answer_for_programs_says_the_same(desk: httpx.Client) -> None:
    told = desk.get("/api/v1/morning").json()
    assert [one["site"] for one in told["sites"]] == ["meadow", "ridge", "brook", "hill"]
    assert [one["rank"] for one in told["sites"][0]["reasons"]] == sorted(
        one["rank"] for one in told["sites"][0]["reasons"]
    )
    assert [(one["fan"], one["what"], one["running"]) for one in told["stops"]] == [
        ("north-3", "trip", False), ("north-6", "not back", False), ("west-1", "trip", True), ("east-2", "stop", False),
    ]  # fmt: skip
    assert [one["waits"] for one in told["stops"]] == [True, True, True, False]
    worst = told["supply_faults"][0]
    assert (worst["supply"], worst["kind"], worst["worst"], worst["times"], worst["until"]) == (
        "yard", "unbalanced", 3.8, 2, None,
    )  # fmt: skip
    assert worst["lasted_seconds"] == (108 + 80) * 60
    assert told["inserts"] == [
        {"pitch": 18.0, "count": 12, "ask": ["ridge/west-3"],
         "fans": [{"fan": "meadow/north-4", "count": 6}, {"fan": "ridge/west-2", "count": 6}]}
    ]  # fmt: skip
    assert told["not_delivered"][0]["nobody"] == 1
    assert told["sites"][3]["since"] == "2026-10-04T15:00:00Z", "17:00 in Berlin"


@pytest.mark.parametrize("since", ["2026-10-05T08:00:00Z", "2026-10-05"])
def test_a_night_may_begin_later(desk: httpx.Client, since: str) -> None:
    """08:00 UTC is 03:00 CDT; 17:00 of today is still to come, so of the night nothing is left but what stands."""
    told = desk.get("/api/v1/morning", params={"since": since}).json()
    lost = [one for one in told["supply_faults"] if one["kind"] == "lost"]
    assert len(lost) == (1 if "T" in since else 0)
    (unbalanced,) = (one for one in told["supply_faults"] if one["kind"] == "unbalanced")
    assert (unbalanced["times"], unbalanced["since"]) == (1, "2026-10-05T10:10:00Z")
    assert "north-3" in [one["fan"] for one in told["stops"]], "it stands whenever it tripped"


@pytest.mark.parametrize("since", ["yesterday", "2026-10-07", "2026-08-01", "2026-10-05T08:00:00"])
def test_what_is_no_evening_is_refused(desk: httpx.Client, since: str) -> None:
    assert page(desk, f"/morning?since={since}", 422)
    answer = desk.get("/api/v1/morning", params={"since": since})
    assert answer.status_code == 422 and answer.json()["errors"][0]["place"] == "since"


def test_a_farm_without_trouble_and_no_farm_at_all(farm: Farm, client: httpx.Client) -> None:
    assert "No farm is in the register yet." in page(client, "/morning").text
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    shown = page(client, "/morning").text
    for text in (
        "What to do first Nowhere.", "No fan tripped, and none stands still that nothing explains.",
        "72 % of limit: 11.0 A of 15.2 A", "no voltage was lost, unbalanced, low or high", "No job sheet is open",
        "All loggers are heard", "Nothing is shelved or out of service.",
    ):  # fmt: skip
        assert text in shown, text


@pytest.fixture
def danger(farm: Farm) -> Iterator[Farm]:
    farm.now = SIX_THIRTY
    farm.site()
    farm.site("ridge", "Ridge farm")
    farm.site("far", "Far farm")
    for site, fan in (("meadow", "a-1"), ("ridge", "b-1"), ("far", "c-1"), ("far", "c-2")):
        farm.fan(fan, site=site)
        farm.reading(fan, site=site)
    yield farm


def first_of(client: httpx.Client) -> list[tuple[str, Any]]:
    told = client.get("/api/v1/morning").json()
    return [(one["site"], one["reasons"][0]["text"]) for one in told["sites"] if one["reasons"]]


def test_what_a_call_can_still_save_comes_before_what_stands_already(danger: Farm, client: httpx.Client) -> None:
    happens(danger, "b-1", "tripped", at("02:00"), site="ridge")
    danger.reading("b-1", (0.0, 0.0, 0.0), site="ridge", running=False, since=at("02:00"))
    happens(danger, "a-1", "trip-near", at("06:25"))
    assert first_of(client) == [
        ("meadow", "a-1 is about to trip: lighten or stop it in order, now"),
        ("ridge", "b-1 tripped and stands still"),
    ]
    happens(danger, "c-1", "site-silent", at("06:00"), site="far")
    danger.event("b-1", "tripped", Shelve("Ann", danger.now + timedelta(hours=9), "seen to"), "ridge")
    assert [one for one, _ in first_of(client)] == ["meadow", "far"], "what somebody holds back calls nobody"


def test_of_two_farms_with_the_same_trouble_the_one_with_more_of_it_comes_first(
    danger: Farm, client: httpx.Client
) -> None:
    for site, fan in (("meadow", "a-1"), ("far", "c-1"), ("far", "c-2")):
        happens(danger, fan, "tripped", at("02:00"), site=site)
        danger.reading(fan, (0.0, 0.0, 0.0), site=site, running=False, since=at("02:00"))
    assert first_of(client) == [
        ("far", "c-1 and c-2 tripped and stand still"), ("meadow", "a-1 tripped and stands still"),
    ]  # fmt: skip


def test_what_is_near_its_limit_waits_and_what_is_over_it_by_now_does_not(danger: Farm, client: httpx.Client) -> None:
    for site, fan, amps in (("meadow", "a-1", 14.6), ("ridge", "b-1", 15.4)):
        happens(danger, fan, "low-margin", at("05:00"), site=site)
        danger.reading(fan, (amps, amps, amps), site=site)
    told = client.get("/api/v1/morning").json()
    assert [(one["site"], one["reasons"][0]["do"], one["reasons"][0]["text"]) for one in told["sites"][:2]] == [
        ("ridge", "Drive", "b-1 runs at 101 % of its limit"),
        ("meadow", "With the next visit", "a-1 runs at 96 % of its limit"),
    ]


def test_what_was_over_its_limit_says_so_where_it_is_not_now(danger: Farm, client: httpx.Client) -> None:
    happens(danger, "b-1", "overload", at("05:00"), site="ridge")
    danger.reading("b-1", (12.3, 12.3, 12.3), site="ridge")
    first = client.get("/api/v1/morning").json()["sites"][0]
    assert first["reasons"][0]["text"] == "b-1 was over its limit and runs at 81 % of it now"
    refused = client.post("/api/v1/fans/ridge/b-1/jobs", json={"pitch": 18}).json()
    assert refused["errors"][0]["place"] == "body.pitch"
    assert refused["errors"][0]["expected"] == "no key of this name; see /api/v1/openapi.json"
