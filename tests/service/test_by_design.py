"""Suppression by design in each order of events: what explains an alarm came first, or the alarm did."""

from __future__ import annotations

from datetime import UTC, datetime, time
from typing import Any

import pytest

from monitor.alarms.routes import Route
from monitor.records import tables
from tests.service.verdict_farm import DARK, FED, Farm


def causes(bench: Any, condition: str) -> list[str]:
    return [cause for one, _, _, cause in bench.changes() if one == condition]


def the(bench: Any, condition: str) -> dict[str, Any]:
    (alarm,) = bench.raised(condition)
    return dict(alarm)


@pytest.fixture
def plate(plate: str) -> str:
    return plate + "[conditions.many-starts]\nsetpoint = 3\n"


@pytest.fixture
def started_often(farm: Farm) -> Farm:
    """Two fans; north has started so often that its alarm stands, and nothing in the kernel ends it with the supply."""
    for _ in range(4):
        farm.go(30, north=(9.0, FED), south=(9.0, FED))
        farm.go(20, north=(0.0, FED), south=(9.0, FED))
    farm.go(60, north=(9.0, FED), south=(9.0, FED))
    assert the(farm.bench, "many-starts")["state"] == "UNACKNOWLEDGED"
    return farm


def test_alarm_first_then_its_supply_is_lost(started_often: Farm) -> None:
    bench = started_often.bench
    told = the(bench, "many-starts")["last_notice_ms"]
    assert told is not None
    started_often.go(40, north=(0.0, DARK), south=(0.0, DARK))
    alarm, lost = the(bench, "many-starts"), the(bench, "supply-lost")
    assert (alarm["suppression"], alarm["suppressed_by"], alarm["suppressed_until_ms"]) == (
        "SUPPRESSED_BY_DESIGN", None, None,
    )  # fmt: skip
    why = f"while supply-lost of {lost['fan']} stands (alarm {lost['number']})"
    assert alarm["suppressed_why"] == why and lost["last_notice_ms"] is not None and lost["suppression"] is None
    (change,) = (row for row in bench.rows(tables.alarm_changes) if row["cause"] == "suppressed by design"
                 and row["alarm_number"] == alarm["number"])  # fmt: skip
    assert (change["by"], change["why"], change["from_state"]) == (None, why, "UNACKNOWLEDGED")
    started_often.go(60, north=(9.0, FED), south=(9.0, FED))
    alarm = the(bench, "many-starts")
    assert (alarm["suppression"], alarm["last_notice_ms"]) == (None, told), "told before: not told again"
    assert causes(bench, "many-starts")[-2:] == ["suppressed by design", "reason over"]


def test_a_reason_goes_on_over_a_restart_and_ends_after_it(started_often: Farm) -> None:
    bench = started_often.bench
    started_often.go(40, north=(0.0, DARK), south=(0.0, DARK))
    bench.begin().round()
    bench.pass_time(6.0)
    assert the(bench, "many-starts")["suppression"] == "SUPPRESSED_BY_DESIGN"
    started_often.at += 10
    started_often.go(60, north=(9.0, FED), south=(9.0, FED))
    assert the(bench, "many-starts")["suppression"] is None
    assert causes(bench, "many-starts").count("suppressed by design") == 1


def test_supply_first_then_an_alarm_it_explains_is_stored_and_told_when_the_supply_is_back(farm: Farm) -> None:
    bench = farm.bench
    for _ in range(2):
        farm.go(30, north=(9.0, FED), south=(9.0, FED))
        farm.go(20, north=(0.0, FED), south=(9.0, FED))
    assert bench.raised("many-starts") == []
    farm.go(40, north=(0.0, DARK), south=(0.0, DARK))
    farm.go(10, north=(9.0, DARK), south=(0.0, DARK))  # it comes and goes, and north starts with it
    farm.go(10, north=(0.0, DARK), south=(0.0, DARK))
    farm.go(10, north=(9.0, DARK), south=(0.0, DARK))
    alarm = the(bench, "many-starts")
    assert causes(bench, "many-starts") == ["raised", "suppressed by design"]
    assert alarm["last_notice_ms"] is None and alarm["untold"] == 1
    farm.go(60, north=(9.0, FED), south=(9.0, FED))
    alarm = the(bench, "many-starts")
    assert (alarm["suppression"], alarm["untold"]) == (None, 0) and alarm["last_notice_ms"] is not None


def test_a_trip_is_told_though_its_supply_is_lost_before_it_is_judged(farm: Farm) -> None:
    bench = farm.bench
    farm.ran("north", "south", **FED)
    farm.go(420, north=(13.0, FED), south=(9.0, FED))
    farm.go(20, north=(0.0, FED), south=(9.0, FED))
    farm.go(120, north=(0.0, DARK), south=(0.0, DARK))
    trip = the(bench, "tripped")
    assert the(bench, "supply-lost")["raised_ms"] < trip["heard_ms"], "the supply was lost when the trip was found"
    assert (trip["suppression"], trip["untold"]) == (None, 0) and trip["last_notice_ms"] is not None


def test_a_lost_phase_found_first_was_told_and_comes_back_with_the_supply(farm: Farm) -> None:
    bench = farm.bench
    farm.ran("north", "south", seconds=600, **FED)
    farm.go(30, north=([15.0, 15.5, 0.0], FED), south=(9.0, FED))
    told = the(bench, "phase-lost")["last_notice_ms"]
    assert told is not None
    farm.go(30, north=(0.0, DARK), south=(0.0, DARK))
    assert the(bench, "phase-lost")["state"] == "RETURNED_UNACKNOWLEDGED"
    farm.go(60, north=(0.0, FED), south=(9.0, FED))
    assert the(bench, "phase-lost")["suppression"] is None
    assert "suppressed by design" in causes(bench, "phase-lost")


def test_a_fan_that_its_supply_left_alone_is_under_no_rule(farm: Farm) -> None:
    bench = farm.bench
    farm.ran("north", "south", seconds=600, **FED)
    farm.go(40, north=(0.0, DARK), south=(9.0, FED))
    farm.go(160, north=(0.0, DARK), south=(11.0, FED))
    alarm = the(bench, "overload")
    assert (alarm["fan"], alarm["suppression"]) == ("south", None) and alarm["last_notice_ms"] is not None


def test_what_says_nothing_of_a_fan_that_stands_still(farm: Farm) -> None:
    bench = farm.bench
    apart = [9.0, 9.0, 6.0]
    farm.go(400, north=(apart, FED), south=(9.0, FED))
    assert the(bench, "leg-spread")["state"] == "UNACKNOWLEDGED"
    farm.go(20, north=(0.0, FED), south=(9.0, FED))
    alarm = the(bench, "leg-spread")
    assert (alarm["suppression"], alarm["suppressed_why"]) == ("SUPPRESSED_BY_DESIGN", "while north stands still")
    farm.go(30, north=(apart, FED), south=(9.0, FED))
    assert the(bench, "leg-spread")["suppression"] is None
    assert causes(bench, "leg-spread") == ["raised", "suppressed by design", "reason over"]


def test_a_shelf_is_not_disturbed_and_what_it_held_waits_for_the_supply(started_often: Farm) -> None:
    bench = started_often.bench
    number = the(bench, "many-starts")["number"]
    until = bench.wall.timestamp() + 120
    bench.act("shelve", alarm=number, until=datetime.fromtimestamp(until, UTC).isoformat(), why="known")
    bench.pass_time(1.0, 0.5)
    started_often.at += 10
    started_often.go(40, north=(0.0, DARK), south=(0.0, DARK))
    assert the(bench, "many-starts")["suppression"] == "SHELVED"
    started_often.go(120, north=(0.0, DARK), south=(0.0, DARK))
    assert the(bench, "many-starts")["suppression"] == "SUPPRESSED_BY_DESIGN"
    assert causes(bench, "many-starts") == ["raised", "shelved", "time up", "suppressed by design"]


def test_what_somebody_announced_is_not_ended_by_a_rule(farm: Farm) -> None:
    bench = farm.bench
    farm.go(60, north=(9.0, FED), south=(9.0, FED))
    bench.act("planned-stop", fan="north", until="2026-10-04T05:00:00Z", why="unloading")
    bench.pass_time(1.0, 0.5)
    farm.at += 10
    farm.go(100, north=(0.0, FED), south=(9.0, FED))
    farm.go(40, north=(0.0, DARK), south=(0.0, DARK))
    farm.go(60, north=(0.0, FED), south=(9.0, FED))
    alarm = the(bench, "stopped")
    assert (alarm["suppression"], alarm["suppressed_by"]) == ("SUPPRESSED_BY_DESIGN", "someone")


def test_an_overdue_logger_while_no_reading_can_come_in(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.link.inbox.quiet_for = lambda: 100.0
    bench.send("north", 0, 30)
    bench.pass_time(700.0)
    told = the(bench, "logger-overdue")["last_notice_ms"]
    bench.link.connected = False
    bench.pass_time(50.0)
    assert the(bench, "logger-overdue")["suppression"] is None, "a short break explains nothing"
    bench.pass_time(30.0)
    alarm = the(bench, "logger-overdue")
    assert (alarm["suppression"], alarm["suppressed_why"]) == (
        "SUPPRESSED_BY_DESIGN", "while no reading can come in: the broker is not reached",
    )  # fmt: skip
    bench.pass_time(5 * 3600.0, 60.0)
    assert the(bench, "logger-overdue")["last_notice_ms"] == told, "not told again meanwhile"
    bench.link.connected, bench.link.generation = True, 1
    bench.pass_time(60.0)
    assert the(bench, "logger-overdue")["suppression"] == "SUPPRESSED_BY_DESIGN", "they first send what they kept"
    bench.pass_time(120.0)
    assert the(bench, "logger-overdue")["suppression"] is None


def test_what_another_alarm_explains_is_no_planned_stop_in_the_days_line(started_often: Farm) -> None:
    bench = started_often.bench
    started_often.go(40, north=(0.0, DARK), south=(0.0, DARK))
    assert the(bench, "many-starts")["suppression"] == "SUPPRESSED_BY_DESIGN"
    bench.begin(routes=(Route("farm", (), ("high",), ("sms:1",), all_is_well=time(7)),)).round()
    bench.wall = datetime(2026, 10, 4, 11, 59, 55, tzinfo=UTC)  # 06:59:55 in Chicago
    bench.pass_time(10)
    (line,) = [row for row in bench.rows(tables.notices) if row["kind"] == "all-is-well"]
    assert "supply lost" in line["long"] and "planned" not in line["long"] + line["short"]
