"""Pages of fans in danger: heat, time to trip, how runs ended, and the next step of each condition."""

from __future__ import annotations

import math
from datetime import timedelta

import httpx
import pytest

from monitor.records.commit import Batch, commit
from monitor.records.rows import to_ms
from monitor.records.service_record import NewEntry
from tests.web.farm import BARE, NAN, THREE_PHASE, Farm, in_danger, mild_overload, whole
from tests.web.page import page


def test_the_farm_of_these_tests_is_what_it_says(farm: Farm) -> None:
    whole(farm)
    assert mild_overload().highest == 15.5
    assert {alarm.condition for alarm in farm.alarms.values()} == {
        "overload",
        "low-margin",
        "stopped",
        "logger-overdue",
    }


def test_a_fan_about_to_trip_and_one_that_has_tripped_stand_first_and_say_so(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    said = page(client, "/").text
    assert said.index("north-5") < said.index("north-6") < said.index("north-3")
    assert "about to trip since 20:43 CDT, 3 min time to trip: at most 8 min" in said
    assert "Lighten its load now, or stop it in order: any heater off first" in said
    assert "tripped since 20:37 CDT, 9 min" in said
    assert "Leave it off and find the cause before anybody resets it; it may start by itself." in said
    assert said.count("time to trip") == 1, "one that is only over its limit does not"


def test_heat_and_time_to_trip_on_the_page_of_a_fan(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    said = page(client, "/fans/meadow/north-3").text
    assert "Heat of the motor 93 % of what its limit allows Overload device 88 % of its trip level" in said
    assert "how warm it was at 20:34 CDT is assumed Time to trip at most 12 min as it draws now" in said
    assert "62 % of its trip level, cooling Time to trip it stands still" in page(client, "/fans/meadow/north-6").text


@pytest.mark.parametrize(
    ("protection", "heat", "said"),
    [
        ('type = "overload relay"\nsetting_amps = 13.2', (0.5, 0.6, math.inf), "Time to trip not at this current"),
        ('type = "overload relay"\nsetting_amps = 13.2', (0.5, 1.0, 0.0), "Time to trip at its trip level now"),
        ('type = "built-in protector"', (0.5, NAN, NAN), "its trip point is not known (built-in protector)"),
        ('type = "none"', (0.5, NAN, NAN), "Overload device it has none"),
        ("", (0.5, NAN, NAN), "not watched: its setting is not registered"),
        ('type = "overload relay"\nsetting_amps = 13.2', (NAN, NAN, NAN), "Heat of the motor not known yet"),
    ],
)
def test_what_is_not_known_of_heat_is_said(
    farm: Farm, client: httpx.Client, protection: str, heat: tuple[float, float, float], said: str
) -> None:
    farm.site()
    farm.fan("north-3", f"{BARE}[protection]\n{protection}\n")
    farm.reading("north-3", heat=heat)
    assert said in page(client, "/fans/meadow/north-3").text


def test_how_a_run_ended_with_how_sure_that_is_and_the_evidence_on_a_tap(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    in_danger(farm)
    text = client.get("/fans/meadow/north-6").text
    assert "<details><summary>overload trip (likely)</summary><ul><li>The device image was the highest" in text
    said = page(client, "/fans/meadow/north-6").text
    assert "Likely an overload trip; not proven. The evidence Review the hours before it" in said
    assert text.count('href="/review?site=meadow&amp;fan=north-6&amp;ended=') == 2, "at the verdict, and at its run"
    assert "ended=" not in client.get("/fans/meadow/north-3").text, "it runs on"
    assert "A trip is a finding, not a nuisance" in said
    assert "call the fire service" in said


@pytest.mark.parametrize(
    ("stops", "cause", "control", "hinted"),
    [
        (4, "stopped", "continuous", True),
        (4, None, "continuous", True),
        (3, "stopped", "continuous", False),
        (4, "overload trip", "continuous", False),
        (4, "supply lost", "continuous", False),
        (4, "stopped", "cycled", False),
    ],
)
def test_a_continuous_fan_that_stops_four_times_a_day_is_asked_about(
    farm: Farm, client: httpx.Client, stops: int, cause: str | None, control: str, hinted: bool
) -> None:
    farm.site()
    farm.fan("north-3", THREE_PHASE.replace('"continuous"', f'"{control}"'))
    farm.reading("north-3")
    for hour in range(stops):
        end = farm.now - timedelta(hours=5 * hour + 1)
        farm.run("north-3", end - timedelta(hours=2), end, end_cause=cause, confidence="likely" if cause else None)
    said = page(client, "/fans/meadow/north-3").text
    assert (f"It has stopped {stops} times within 24 h" in said) is hinted


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        ("phase-lost", "Stop it now, any heater off first, and leave it off: one phase is lost."),
        ("slow-start", "If it hums or turns slowly, stop it"),
        ("device-margin", "its overload device may open at this current"),
        ("voltage-low", "Switch off what can wait on this supply"),
        ("many-starts", "it starts too often"),
        ("logger-suspect", "its figures are in doubt"),
    ],
)
def test_each_condition_has_its_next_step(farm: Farm, client: httpx.Client, condition: str, said: str) -> None:
    farm.site()
    farm.fan("north-3")
    farm.reading("north-3")
    farm.raised("north-3", condition, "medium")
    assert said in page(client, "/").text


def test_an_alarm_of_the_supply_tells_on_the_pages_of_its_fans(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3", THREE_PHASE + 'supply = "panel"\n')
    farm.fan("north-4")
    for fan in ("north-3", "north-4"):
        farm.reading(fan, (0.0, 0.0, 0.0), running=False)
    farm.raised_at_supply("panel", "supply-lost")
    said = page(client, "/").text
    assert said.count("Its supply is lost: any heater off, then see to utility, generator and fuses.") == 1
    assert "Panel: supply lost" in page(client, "/fans/meadow/north-3").text


def test_checks_that_are_still_to_do_are_named(farm: Farm, client: httpx.Client) -> None:
    whole(farm)
    at_ms = to_ms(farm.now - timedelta(days=1))
    body = {"check": "supply voltage", "finding": "good"}
    commit(farm.database, Batch(service=[NewEntry(farm.point("north-3"), "check", at_ms, at_ms, "Ann", body, {})]))
    text = page(client, "/fans/meadow/north-3").text
    assert "Not on this fan's service record yet: connections, bearings." in text
