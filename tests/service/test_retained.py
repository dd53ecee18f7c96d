"""The retained messages for a panel or PLC: words and JSON that hold together, stale readings called so."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from monitor.alarms.alarm import Alarm
from monitor.alarms.states import State, Suppression
from monitor.errors import LinkError
from monitor.service import worker as worker_module
from monitor.service.retained import worst
from tests.service.conftest import NOW

KEYS = {
    "site", "fan", "t", "stale", "running", "highest_leg_amps", "limit_amps", "load_ratio", "margin", "seconds_to_trip",
    "priority", "alarms",
}  # fmt: skip


def an_alarm(priority: str, suppression: Suppression | None = None) -> Alarm:
    return Alarm(
        1, "home", "north", None, "overload", priority, State.UNACKNOWLEDGED, suppression, None, None, None, NOW, NOW,
        None, NOW, None, None, 1, None, None, None, None, "",
    )  # fmt: skip


def test_the_word_is_the_highest_priority_that_may_be_heard() -> None:
    assert worst([]) == "none"
    assert worst([an_alarm("low"), an_alarm("highest"), an_alarm("high")]) == "highest"
    assert worst([an_alarm("low"), an_alarm("high", Suppression.SHELVED)]) == "low"
    assert worst([an_alarm("high", Suppression.OUT_OF_SERVICE)]) == "none"


def test_word_and_state_follow_the_alarm(bench: Any) -> None:
    bench.register("north")
    bench.register("south")
    bench.begin().round()
    assert bench.link.last("home/north/alarm") == bench.link.last("home/alarm") == "none"
    assert "home/north/state" not in bench.link.published  # never heard: nothing is known of it
    bench.send("north", 0, 160, 11.0)
    assert bench.link.published["home/north/alarm"] == ["none", "high"]
    assert bench.link.published["home/alarm"] == ["none", "high"]
    assert bench.link.published["home/south/alarm"] == ["none"]
    state = bench.link.last("home/north/state")
    assert state.keys() == KEYS
    assert (state["priority"], state["alarms"], state["stale"]) == ("high", ["overload"], False)
    assert state["margin"] == pytest.approx(-0.1) and state["load_ratio"] == pytest.approx(1.1)
    bench.send("north", 170, 1000, 8.0)
    assert bench.link.published["home/north/alarm"] == ["none", "high", "none"]
    assert bench.link.published["home/alarm"] == ["none", "high", "none"]


def test_a_silent_logger_makes_the_state_stale_until_it_is_heard(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100)
    assert bench.link.last("home/north/state")["stale"] is False
    bench.pass_time(590.0)
    assert bench.link.last("home/north/state")["stale"] is False
    bench.pass_time(20.0)
    state = bench.link.last("home/north/state")
    assert (state["stale"], state["alarms"], state["t"]) == (True, ["logger-overdue"], "2026-10-04T01:01:40.000Z")
    bench.send("north", 720, 720)
    assert bench.link.last("home/north/state")["stale"] is False
    bench.pass_time(10.0)
    assert bench.link.last("home/north/state")["alarms"] == []


def test_a_state_is_stale_also_where_nobody_is_told_of_a_silent_logger(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate + "[conditions.logger-overdue]\noff = true\n")
    bench.begin().round()
    bench.send("north", 0, 100)
    bench.pass_time(610.0)
    state = bench.link.last("home/north/state")
    assert (state["stale"], state["alarms"]) == (True, [])


def test_what_was_heard_before_a_long_stop_is_stale_at_once(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100)
    for minutes, stale in ((5, False), (60, True)):
        bench.wall = NOW + timedelta(minutes=minutes)
        bench.link.published.clear()
        bench.begin().round()
        assert bench.link.last("home/north/state")["stale"] is stale
        assert bench.link.last("home/north/alarm") == "none"


def test_what_is_about_the_whole_site_is_told_under_the_site(bench: Any) -> None:
    bench.register("north")
    bench.register("south")
    bench.begin().round()
    bench.send("north", 0, 100)
    bench.send("south", 110, 200)
    assert bench.link.last("home/alarms") == {"site": "home", "alarms": []}
    bench.pass_time(1200.0)
    (told,) = bench.link.last("home/alarms")["alarms"]
    assert told["id"] == "site-silent" and told["suppression"] is None
    assert bench.link.last("home/alarm") == told["priority"]
    assert bench.link.last("home/north/alarms")["alarms"] == []
    assert bench.link.last("home/north/state")["stale"] and bench.link.last("home/south/state")["stale"]


def test_nothing_is_told_while_it_cannot_be_stored(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100)
    bench.pass_time(590.0)

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    real = worker_module.commit
    monkeypatch.setattr(worker_module, "commit", refuse)
    before = {topic: len(said) for topic, said in bench.link.published.items()}
    bench.pass_time(60.0)  # overdue, and not stored
    assert bench.worker.trouble
    assert {topic: len(said) for topic, said in bench.link.published.items()} == before
    monkeypatch.setattr(worker_module, "commit", real)
    bench.pass_time(10.0)
    assert bench.link.last("home/north/state")["stale"] is True
    assert bench.link.last("home/north/alarm") != "none"


def test_of_a_removed_fan_nothing_stays(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100)
    bench.remove("north")
    bench.pass_time(2.0, 0.5)
    bench.begin().round()
    bench.pass_time(700.0)
    assert [bench.link.last(f"home/north/{what}") for what in ("state", "alarms", "alarm")] == [None, None, ""]
