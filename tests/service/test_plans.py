"""Planned stops that begin later: told as always until then, held back from the begin to the end."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from monitor.records import tables
from tests.service.conftest import NOW


@pytest.fixture
def north(bench: Any) -> Any:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 60)
    return bench


def at(minutes: float) -> str:
    return (NOW + timedelta(minutes=minutes)).isoformat()


def announce(bench: Any, begins: float, ends: float, why: str = "new bearings") -> None:
    number = bench.act("planned-stop", fan="north", until=at(ends), why=why, **{"from": at(begins)})
    bench.pass_time(1.0, 0.5)
    assert bench.outcome(number) == "done"


def told(bench: Any) -> list[str]:
    return [row["kind"] for row in bench.rows(tables.notices, "created_ms")]


def causes(bench: Any) -> list[str]:
    return [change[3] for change in bench.changes() if change[0] == "stopped"]


def rows(bench: Any) -> list[tuple[str, str | None]]:
    return [(row["what"], row["by"]) for row in bench.rows(tables.planned_stops)]


def test_a_stop_is_held_back_from_the_begin_to_the_end(north: Any) -> None:
    announce(north, 10, 40)
    assert (causes(north), rows(north)) == ([], [("announced", "someone")])
    north.send("north", 70, 660)
    north.send("north", 670, 2300, 0.0)
    assert told(north) == []
    (stopped,) = north.raised("stopped")
    assert (stopped["suppressed_by"], stopped["suppressed_why"]) == ("someone", "new bearings")
    north.send("north", 2310, 2500, 0.0)  # its end has passed
    assert told(north) == ["raised"]
    assert causes(north) == ["planned stop", "raised", "planned stop over"]
    assert rows(north) == [("announced", "someone"), ("begun", "someone")]


def test_a_stop_before_the_begin_is_told_and_comes_under_it_at_the_begin(north: Any) -> None:
    announce(north, 10, 400)
    north.send("north", 70, 300, 0.0)
    assert told(north) == ["raised"]
    north.send("north", 310, 700, 0.0)
    assert causes(north) == ["raised", "planned stop"]
    for hours in range(1, 6):  # it would be told again after 4 h
        north.wall += timedelta(minutes=55)
        north.send("north", 3600.0 * hours, 3600.0 * hours + 60, 0.0)
    assert [row["kind"] for row in north.rows(tables.notices) if row["alarm_number"] == 1] == ["raised"]


def test_what_is_raised_in_the_moment_of_the_begin_is_held_back_before_the_clock_looks(north: Any) -> None:
    """The worker looks at the clock each 5 s; between its looks the event itself asks."""
    announce(north, 10, 40)
    north.send("north", 70, 590, 9.0)
    north.worker._changes.plans.tick = lambda: None
    north.send("north", 600, 800, 0.0)
    assert (told(north), causes(north)) == ([], ["raised", "planned stop"])
    assert north.raised("stopped")[0]["last_notice_ms"] is None


def test_it_survives_a_kill_before_its_begin_and_one_after(north: Any) -> None:
    announce(north, 10, 40)
    north.begin().round()
    north.send("north", 70, 700)
    north.begin().round()
    north.send("north", 710, 2000, 0.0)
    assert told(north) == []
    assert causes(north) == ["planned stop", "raised"]
    assert rows(north) == [("announced", "someone"), ("begun", "someone")]


def test_one_that_passed_while_the_service_was_down_holds_nothing_back(north: Any) -> None:
    announce(north, 10, 20)
    north.wall += timedelta(minutes=30)
    north.begin().round()
    north.pass_time(10.0)
    assert (causes(north), rows(north)[1:]) == ([], [("dropped", "someone")])


def test_it_is_withdrawn_before_it_begins(north: Any) -> None:
    announce(north, 10, 40)
    north.act("withdraw-planned-stop", fan="north")
    north.send("north", 70, 660)
    north.send("north", 670, 900, 0.0)
    assert told(north) == ["raised"]
    assert rows(north) == [("announced", "someone"), ("withdrawn", "someone")]


def test_another_takes_its_place_and_one_that_counts_from_now_does_not(north: Any) -> None:
    announce(north, 10, 40)
    announce(north, 20, 30, "belts")
    north.act("planned-stop", fan="north", until=at(5), why="a look")
    north.send("north", 70, 100, 0.0)
    north.send("north", 110, 900)  # the first would hold from here
    north.send("north", 910, 1100, 0.0)
    assert told(north) == ["raised"]
    north.send("north", 1110, 1300, 0.0)
    assert [row["why"] for row in north.rows(tables.planned_stops)] == ["new bearings", "belts", "belts"]
    assert north.raised("stopped")[-1]["suppressed_why"] == "belts"


def test_what_holds_longer_is_left_as_it_is(north: Any) -> None:
    north.act("planned-stop", fan="north", until=at(60), why="the whole hour")
    announce(north, 10, 20)
    north.send("north", 70, 1500, 0.0)
    assert (told(north), rows(north)[1:]) == ([], [("dropped", "someone")])
    assert north.raised("stopped")[0]["suppressed_why"] == "the whole hour"


def test_a_fan_that_comes_back_into_service_comes_under_it_then_and_is_not_told_between(north: Any) -> None:
    north.act("out-of-service", fan="north", until=None, why="rewiring")
    announce(north, 5, 60)
    north.send("north", 70, 700, 0.0)
    assert rows(north) == [("announced", "someone")]
    north.act("return-to-service", fan="north")
    north.send("north", 710, 800, 0.0)
    assert told(north) == []
    assert causes(north) == ["raised", "removed from service", "returned to service", "planned stop"]


def test_that_of_a_fan_that_was_removed_is_given_up(north: Any) -> None:
    announce(north, 10, 40)
    north.remove("north")
    north.pass_time(700.0, 10.0)
    assert (causes(north), rows(north)[1:]) == ([], [("dropped", "someone")])


@pytest.mark.parametrize(
    ("times", "outcome"),
    [
        ({"from": "soon", "until": at(20)}, "from when is it to stand still?"),
        ({"from": at(20), "until": at(20)}, "the planned stop would be over before it begins"),
        ({"from": at(20)}, "until when is it to stand still?"),
    ],
)
def test_what_cannot_be_is_told_in_words(north: Any, times: dict[str, str], outcome: str) -> None:
    number = north.act("planned-stop", fan="north", **times)
    north.pass_time(1.0, 0.5)
    assert (north.outcome(number) or "").startswith(outcome)
    assert rows(north) == []


def test_a_begin_that_has_passed_when_the_worker_comes_to_it_counts_from_then(north: Any) -> None:
    number = north.act("planned-stop", fan="north", until=at(20), **{"from": at(0.5)})
    north.pass_time(1.0, 0.5)
    assert (north.outcome(number), causes(north), rows(north)) == ("done", ["planned stop"], [])
