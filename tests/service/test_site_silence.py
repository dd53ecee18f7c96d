"""All loggers of a site or a supply gone silent at once: one notice that rings, and not one for each; not-run."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.records import tables
from tests.service.conftest import NAMEPLATE, NOW

ON_NORTH = NAMEPLATE.replace("[fan]\n", '[fan]\nsupply = "panel"\n')


@pytest.fixture
def farm(bench: Any) -> Any:
    for fan in ("north", "south"):
        bench.register(fan)
    bench.begin().round()
    return bench


def both(farm: Any, first: float, last: float, amps: float = 9.0) -> None:
    at = first
    while at <= last:
        for fan in ("north", "south"):
            farm.put(fan, farm.reading(at, amps))
        farm.pass_time(10.0)
        at += 10.0


def test_a_silent_site_is_one_notice_and_its_loggers_none(farm: Any) -> None:
    both(farm, 0, 60)
    farm.pass_time(310.0)
    assert farm.raised("site-silent") == []
    farm.pass_time(25.0)  # three periods and five minutes
    (alarm,) = farm.raised("site-silent")
    assert (alarm["fan"], alarm["supply"], alarm["priority"], alarm["rings"]) == (None, None, "high", True)
    farm.pass_time(1200.0)
    assert farm.raised("logger-overdue") == []
    (notice,) = farm.rows(tables.notices)
    assert "North" in notice["long"] or "north" in notice["long"], notice["long"]
    assert "Whole site" in notice["subject"]


def test_any_reading_ends_it_and_who_stays_silent_is_overdue_alone(farm: Any) -> None:
    both(farm, 0, 60)
    farm.pass_time(400.0)
    farm.put("north", farm.reading(460, 9.0))
    farm.pass_time(10.0)
    (alarm,) = farm.raised("site-silent")
    assert alarm["cleared_ms"] is not None
    for _ in range(30):
        farm.put("north", farm.reading((farm.wall - NOW).total_seconds(), 9.0))
        farm.pass_time(10.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["fan"] == "south"


def test_acknowledging_a_whole_site(farm: Any) -> None:
    both(farm, 0, 60)
    farm.pass_time(400.0)
    done = farm.act("acknowledge", alarm=farm.raised("site-silent")[0]["number"])
    farm.pass_time(1.0, 0.5)
    assert farm.outcome(done) == "done"
    assert farm.raised("site-silent")[0]["state"] == "ACKNOWLEDGED"


def test_a_site_that_stood_still_misses_nothing_at_once(farm: Any) -> None:
    both(farm, 0, 60, amps=0.0)
    farm.pass_time(900.0)
    assert farm.raised("site-silent") == []
    assert {alarm["fan"] for alarm in farm.raised("logger-overdue")} == {"north", "south"}


def test_radio_gaps_of_five_minutes_are_no_silence(farm: Any) -> None:
    both(farm, 0, 60)
    farm.pass_time(300.0)
    both(farm, 360, 380)
    assert farm.rows(tables.alarms) == []


def test_a_restart_of_the_service_counts_no_silence_before_it(farm: Any) -> None:
    both(farm, 0, 60)
    farm.pass_time(200.0)
    farm.begin().round()
    farm.pass_time(200.0)
    assert farm.raised("site-silent") == []
    farm.pass_time(200.0)
    assert len(farm.raised("site-silent")) == 1


def test_the_loggers_of_one_supply(bench: Any) -> None:
    for fan in ("north", "south"):
        bench.register(fan, ON_NORTH)
    bench.register("west")
    bench.begin().round()
    both(bench, 0, 60)
    for at in range(70, 480, 10):
        bench.put("west", bench.reading(at, 9.0))
        bench.pass_time(10.0)
    (alarm,) = bench.raised("site-silent")
    assert alarm["supply"] == "panel"


def silent_site_with_a_slow_logger(bench: Any, slow_seconds: int) -> Any:
    """Two fans on a supply, each 10 s, and one without, each `slow_seconds`; all are silent from the last minute on."""
    for fan in ("north", "south"):
        bench.register(fan, ON_NORTH)
    slow = NAMEPLATE.replace("period_seconds = 10", f"period_seconds = {slow_seconds}")
    assert slow != NAMEPLATE or slow_seconds == 10
    bench.register("west", slow)
    bench.begin().round()
    bench.put("west", bench.reading(0, 9.0))
    both(bench, 0, 60)
    return bench


def test_a_site_that_goes_silent_is_not_told_first_as_one_supply_of_it(bench: Any) -> None:
    farm = silent_site_with_a_slow_logger(bench, 60)
    farm.pass_time(350.0)  # the supply's own loggers have missed theirs and five minutes; the site's slowest has not
    assert farm.raised("site-silent") == []
    farm.pass_time(80.0)
    (alarm,) = farm.raised("site-silent")
    assert alarm["supply"] is None


def test_a_supply_waits_no_longer_for_a_site_with_a_very_slow_logger(bench: Any) -> None:
    farm = silent_site_with_a_slow_logger(bench, 1800)
    farm.pass_time(560.0)
    assert farm.raised("site-silent") == []
    farm.pass_time(90.0)
    (alarm,) = farm.raised("site-silent")
    assert alarm["supply"] == "panel"


def test_a_single_logger_of_a_site_is_overdue_and_no_silent_site(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 60)
    bench.pass_time(700.0)
    assert [alarm["condition"] for alarm in bench.rows(tables.alarms)] == ["logger-overdue"]


def test_not_run_is_told_where_the_file_asks_for_it(bench: Any) -> None:
    cycled = NAMEPLATE.replace('control = "continuous"', 'control = "cycled"')
    assert cycled != NAMEPLATE
    bench.register("north", cycled + "\n[conditions.not-run]\nsetpoint = 2\n")
    bench.register("south", cycled)
    bench.begin().round()
    both(bench, 0, 60)
    at = 70
    while at < 2 * 3600 + 200:
        for fan in ("north", "south"):
            bench.put(fan, bench.reading(at, 0.0))
        bench.pass_time(60.0, 30.0)
        at += 60
        if at < 7200:
            assert bench.raised("not-run") == []
    (alarm,) = bench.raised("not-run")
    assert (alarm["fan"], alarm["priority"], alarm["cleared_ms"]) == ("north", "low", None)
    both(bench, at, at + 30)
    assert bench.raised("not-run")[0]["cleared_ms"] is not None
