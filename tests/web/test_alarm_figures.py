"""Alarm figures and cures through the API, from rows as the worker stores them."""

from __future__ import annotations

import tomllib
from datetime import timedelta
from typing import Any

import httpx
import pytest

from monitor.alarms.alarm import Acknowledge, Raised, Returned, Shelve
from monitor.watch.table import BY_ID
from tests.web.farm import Farm

PATH = "/api/v1/alarms/figures"


def spell(farm: Farm, fan: str, condition: str, minutes: float, *, acted: bool = False) -> None:
    """An alarm from being raised to being gone, that long."""
    row = BY_ID[condition]
    raised = Raised(condition, farm.now, farm.now, 1.0, 1.0, 1.0, row.priority)
    farm.event(fan, condition, raised, text=f"{fan}: {row.words}")
    if acted:
        farm.event(fan, condition, Acknowledge("Ann"))
    farm.now += timedelta(minutes=minutes)
    farm.event(fan, condition, Returned(farm.now))


@pytest.fixture
def season(farm: Farm) -> Farm:
    """A fortnight of nights: legs apart each evening ten times, a trip every fourth night, a fan that cycles."""
    farm.site()
    farm.fan("north-3")
    farm.fan("north-4")  # registered as continuous
    farm.fan("north-5")
    end = farm.now
    with farm.together():
        for night in range(14):
            farm.now = end - timedelta(days=14 - night)
            for _ in range(10):
                spell(farm, "north-3", "leg-spread", 12.0)  # gone for 6 min between: off-delay 5, on-delay 5
                farm.now += timedelta(minutes=6)
            for _ in range(6):
                spell(farm, "north-4", "stopped", 20.0)
                farm.now += timedelta(minutes=40)
            if night % 4 == 0:
                spell(farm, "north-5", "tripped", 5.0, acted=True)
    farm.event("north-5", "low-margin", Shelve("Ann", end + timedelta(days=1), "known"))
    farm.event("north-5", "low-margin", Raised("low-margin", farm.now, farm.now, 0.96, 0.95, 0.96, "low"))
    farm.now = end
    return farm


def get(client: httpx.Client, **query: str) -> Any:
    answer = client.get(PATH, params=query)
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_the_figures_of_a_fortnight(season: Farm, client: httpx.Client) -> None:
    found = get(client, site="meadow")
    assert found["alarms"] == 140 + 84 + 4, "what was shelved when it was raised came to nobody"
    assert found["a_day"]["mean"] == pytest.approx(228 / 30)
    assert (found["ten_minutes"]["most"], found["ten_minutes"]["in_flood"]) == (1, 0)
    assert found["chattering"] == [] and found["fleeting"] == 0
    assert {one["fan"] for one in found["repeating_within_an_hour"]} == {"north-3"}
    assert [(one["fan"], one["id"], one["count"]) for one in found["most_frequent"]] == [
        ("north-3", "leg-spread", 140), ("north-4", "stopped", 84), ("north-5", "tripped", 4),
    ]  # fmt: skip
    assert found["priorities"]["medium"] == pytest.approx(224 / 228)
    told = {one["name"]: one["holds"] for one in found["targets"]}
    assert (told["alarms a day"], told["priorities"], told["the ten most frequent"]) == (True, False, False)


def test_the_noisiest_have_one_cure_each_that_a_file_may_hold(season: Farm, client: httpx.Client) -> None:
    first, second, third = get(client)["noisiest"]
    assert (first["id"], first["cure"]["kind"]) == ("leg-spread", "off-delay")
    # Gone an off-delay before it returned, back an on-delay before it was raised, both 5 min: 6 min between them.
    assert tomllib.loads("\n".join(first["cure"]["lines"]))["conditions"]["leg-spread"] == {"off_delay_seconds": 420}
    assert first["cure"]["spared"] == 9 * 14
    assert second["cure"]["lines"] == ["[fan]", 'control = "cycled"']
    assert (third["id"], third["cure"]["kind"], third["cure"]["lines"]) == ("tripped", "find the cause", [])


def test_only_the_span_and_the_site_that_are_asked_for(season: Farm, client: httpx.Client) -> None:
    assert get(client, site="nowhere")["alarms"] == 0
    found = get(client, **{"from": "2026-10-03T00:00:00Z", "to": "2026-10-04T00:00:00Z"})
    assert found["alarms"] == 16 and found["a_day"]["day_of_most"] is not None
    for query in ({"from": "2026-10-04T00:00:00Z", "to": "2026-10-03T00:00:00Z"}, {"from": "2020-01-01T00:00:00Z"}):
        assert client.get(PATH, params=query).status_code == 422


def test_what_stood_before_the_span_is_stale_in_it(farm: Farm, client: httpx.Client) -> None:
    farm.site()
    farm.fan("north-3")
    end = farm.now
    farm.now = end - timedelta(days=40)
    farm.raised("north-3", "voltage-low", "medium")
    farm.now = end
    found = get(client)
    assert (found["alarms"], found["stale"]) == (0, {"now": 1, "most": 1})
