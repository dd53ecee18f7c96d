"""A device that has opened once is known by the current at which it did."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.service.verdict_farm import FED, Farm

HOUR = 3600.0


def tripped_at(bench: Any, plate: str, *, hot: float = 0.0, last: float = 10.6) -> Farm:
    """A fan whose device, set to 10 A, has opened; heated at 14 A for so many seconds, then seen at `last` [A]."""
    bench.register("north", plate)
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north", amps=8.0 if hot else 9.0, **FED)
    farm.go(hot, north=(14.0, FED))
    farm.go(10.0 if hot else 200.0, north=(last, FED))
    farm.go(130.0, north=(0.0, FED))
    ((cause, confidence),) = farm.verdicts("north")
    assert cause == "overload trip" and confidence in ("likely", "high")
    return farm


@pytest.fixture
def opened(bench: Any, plate: str) -> Farm:
    """A fan whose device, set to 10 A, has opened at 10.6 A; it was told and acknowledged, and runs again at 9 A."""
    farm = tripped_at(bench, plate)
    farm.go(300.0, north=(9.0, FED))
    for alarm in bench.raised("tripped") + bench.raised("overload"):
        bench.act("acknowledge", alarm=alarm["number"])
    farm.steadily(4.5 * HOUR, north=9.0)
    return farm


def margin(farm: Farm) -> list[str]:
    return [state for _, _, state in farm.alarms("device-margin")]


def test_near_that_current_it_is_told_though_its_setting_allows_it(opened: Farm) -> None:
    opened.go(600.0, north=(10.2, FED))
    assert margin(opened) == []
    opened.go(360.0, north=(10.35, FED))
    assert margin(opened) == ["UNACKNOWLEDGED"]
    (notice,) = opened.notices("device-margin")
    assert notice["rings"] and "Its overload device has opened at 10.6 A before." in notice["long"]
    opened.go(120.0, north=(10.1, FED))
    assert margin(opened) == ["UNACKNOWLEDGED"]
    opened.go(360.0, north=(9.8, FED))
    assert margin(opened) == ["RETURNED_UNACKNOWLEDGED"]


@pytest.mark.parametrize(("last", "amps"), [(10.6, 10.35), (11.4, 10.55)], ids=["by the service", "by the watch"])
def test_its_margin_rings_again_though_it_was_acknowledged(bench: Any, plate: str, last: float, amps: float) -> None:
    farm = tripped_at(bench, plate, last=last)
    farm.go(300.0, north=(9.0, FED))
    for times in (1, 2, 3):
        farm.steadily(12.5 * HOUR, north=9.0)
        farm.go(600.0, north=(amps, FED))
        told = [bool(row["rings"]) for row in farm.notices("device-margin") if row["kind"] == "raised"]
        assert told == [True] * times
        for alarm in bench.raised("overload") + bench.raised("device-margin"):
            if alarm["state"] == "UNACKNOWLEDGED":
                bench.act("acknowledge", alarm=alarm["number"])
        bench.pass_time(1.0, 0.5)
        bench.wall -= timedelta(seconds=1)


def test_it_is_known_after_a_restart_and_over_when_the_fan_stops(opened: Farm) -> None:
    opened.bench.begin().round()
    opened.bench.pass_time(15.0, 1.0)
    opened.bench.wall -= timedelta(seconds=15)
    opened.go(400.0, north=(10.4, FED))
    assert margin(opened) == ["UNACKNOWLEDGED"]
    opened.go(20.0, north=(0.0, FED))
    assert margin(opened) == ["RETURNED_UNACKNOWLEDGED"]


def test_what_the_watch_tells_itself_is_told_once(opened: Farm) -> None:
    opened.go(400.0, north=(10.4, FED))
    opened.go(400.0, north=(10.8, FED))
    assert margin(opened) == ["UNACKNOWLEDGED"] and len(opened.notices("device-margin")) == 1
    opened.go(600.0, north=(9.0, FED))
    opened.go(600.0, north=(9.0, FED))
    assert margin(opened) == ["RETURNED_UNACKNOWLEDGED"]


def test_another_setting_is_another_device(opened: Farm, plate: str) -> None:
    opened.bench.register("north", plate.replace("setting_amps = 10.0", "setting_amps = 10.2"), since=opened.bench.wall)
    opened.bench.pass_time(2.0, 1.0)
    opened.bench.wall -= timedelta(seconds=2)
    opened.go(600.0, north=(10.4, FED))
    assert margin(opened) == []


def test_a_device_that_carries_it_for_half_an_hour_does_not_open_there(opened: Farm) -> None:
    opened.steadily(12.0 * HOUR, north=9.0)  # into another half day
    opened.steadily(HOUR, north=10.7)
    opened.steadily(HOUR, north=9.0)
    before = len(opened.notices("device-margin"))
    opened.go(600.0, north=(10.4, FED))
    assert len(opened.notices("device-margin")) == before and "UNACKNOWLEDGED" not in margin(opened)


def test_a_condition_that_is_off_stays_off(bench: Any, plate: str) -> None:
    farm = tripped_at(bench, plate + "[conditions.device-margin]\noff = true\n")
    farm.go(600.0, north=(10.4, FED))
    assert margin(farm) == []


def test_a_last_reading_below_its_setting_says_nothing(bench: Any, plate: str) -> None:
    """Heated at 14 A, seen at 9 A last: it has opened, but not at 9 A."""
    farm = tripped_at(bench, plate, hot=420.0, last=9.0)
    farm.bench.act("acknowledge", alarm=farm.bench.raised("tripped")[0]["number"])
    farm.go(900.0, north=(8.9, FED))
    assert margin(farm) in ([], ["RETURNED_UNACKNOWLEDGED"])


def test_one_that_is_shown_to_be_wrong_is_over_also_below_what_the_watch_tells(bench: Any, plate: str) -> None:
    """It opened hot, at 10.2 A last; half a day later it carries 10.3 A for an hour."""
    farm = tripped_at(bench, plate, hot=420.0, last=10.2)
    farm.steadily(13.0 * HOUR, north=9.0)
    farm.go(400.0, north=(9.95, FED))
    assert margin(farm)[-1] == "UNACKNOWLEDGED"
    farm.steadily(HOUR, north=10.3)
    farm.go(20.0, north=(10.3, FED))
    assert margin(farm)[-1] == "RETURNED_UNACKNOWLEDGED"
