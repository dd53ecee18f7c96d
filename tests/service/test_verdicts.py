"""How runs end, from readings to stored verdict and notice: the real worker on a real database."""

from __future__ import annotations

from typing import Any

from tests.service.verdict_farm import DARK, FED, Farm, heat_until_it_opens

# --- a trip ----------------------------------------------------------------------------------------------------


def test_a_trip_is_told_as_tripped_and_not_as_stopped_and_stands_until_acknowledged_and_running(farm: Farm) -> None:
    volts = FED
    heat_until_it_opens(farm, volts)
    stopped_at = farm.at + 10.0
    farm.go(60.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [(None, None)] and farm.alarms() == []  # it waits, and no `stopped` rings
    farm.go(20.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [("overload trip", "high")]
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]
    (alarm,) = farm.bench.raised("tripped")
    begin = round(farm.bench.reading(stopped_at)["t"] * 1000)
    assert (alarm["since_ms"], alarm["raised_ms"], alarm["priority"]) == (begin, begin + 65_000, "highest")
    (notice,) = farm.notices("tripped")
    said = farm.evidence("north")
    assert said[0].startswith("Very likely an overload trip: the device image was the highest of the last 24 h (1.")
    assert said[0] in notice["long"] and "volts stayed (100 % of rated)" in notice["long"]
    assert "It may restart without warning." in notice["long"] and "A trip is a finding" in notice["long"]

    farm.go(300.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]  # and still no `stopped`
    farm.acknowledge("tripped")
    assert farm.alarms() == [("north", "tripped", "ACKNOWLEDGED")]
    farm.go(20.0, north=(8.0, volts), south=(9.0, volts))
    assert farm.alarms() == [("north", "tripped", "NORMAL")]


def test_a_trip_after_which_it_runs_again_by_itself_stands_until_it_is_acknowledged(farm: Farm) -> None:
    heat_until_it_opens(farm, FED)
    volts = FED
    farm.go(90.0, north=(0.0, volts), south=(9.0, volts))
    farm.go(60.0, north=(8.0, volts), south=(9.0, volts))
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]
    farm.acknowledge("tripped")
    assert farm.alarms() == [("north", "tripped", "NORMAL")]
    assert [change[3] for change in farm.bench.changes() if change[0] == "tripped"] == [
        "raised", "returned, latched", "acknowledged, returned before",
    ]  # fmt: skip


def test_a_quick_restart_lowers_the_confidence_by_a_word_and_the_trip_is_told_with_it(farm: Farm) -> None:
    volts = FED
    heat_until_it_opens(farm, volts)
    farm.go(40.0, north=(0.0, volts), south=(9.0, volts))
    farm.go(60.0, north=(8.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [("overload trip", "likely")]
    assert "It ran again after 40 s: sooner than an overload device usually allows." in farm.evidence("north")
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]
    (alarm,) = farm.bench.raised("tripped")
    assert alarm["cleared_ms"] == alarm["raised_ms"]  # it ran before the verdict was given


def test_repeated_restarts_after_some_minutes_suggest_an_automatic_reset(farm: Farm) -> None:
    volts = FED
    heat_until_it_opens(farm, volts)
    for _ in range(3):
        farm.go(400.0, north=(0.0, volts), south=(9.0, volts))
        farm.go(500.0, north=(14.5, volts), south=(9.0, volts))
    farm.go(90.0, north=(0.0, volts), south=(9.0, volts))
    causes = farm.verdicts("north")
    assert len(causes) == 4 and {cause for cause, _ in causes} == {"overload trip"}
    assert "After 3 such ends in a day it ran again within 3 to 30 min" in farm.evidence("north")[-1]


def test_a_possible_trip_is_told_in_the_notice_of_the_stop(farm: Farm) -> None:
    volts = FED
    farm.ran("north", "south", amps=11.0, **volts)
    farm.go(130.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [("overload trip", "possible")]
    assert ("north", "stopped", "UNACKNOWLEDGED") in farm.alarms() and farm.bench.raised("tripped") == []
    (notice,) = farm.notices("stopped")
    assert "Possibly an overload trip" in notice["long"] and "Possibly an overload trip" in notice["short"]


def test_a_lost_phase_stands_as_tripped(farm: Farm) -> None:
    farm.ran("north", "south")
    farm.go(30.0, north=[13.5, 0.1, 13.4], south=9.0)
    farm.go(90.0, north=0.0, south=9.0)
    assert farm.verdicts("north") == [("phase lost", "high")]
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]
    farm.go(60.0, north=0.0, south=9.0)  # the lost phase rang: what follows goes in one further notice
    (notice,) = farm.notices("tripped")
    assert "one phase was lost" in notice["long"]


# --- ordinary stops --------------------------------------------------------------------------------------------


def test_a_stop_by_hand_is_told_once_it_is_known_to_be_one(farm: Farm) -> None:
    volts = FED
    farm.ran("north", "south", **volts)
    farm.go(60.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.alarms() == []
    farm.go(20.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [("stopped", "high")]
    assert farm.alarms() == [("north", "stopped", "UNACKNOWLEDGED")]
    (alarm,) = farm.bench.raised("stopped")
    assert alarm["raised_ms"] - alarm["since_ms"] == 60_000  # as the kernel has it
    assert len(farm.notices("stopped")) == 1
    farm.go(120.0, north=(9.0, volts), south=(9.0, volts))
    assert farm.alarms() == [("north", "stopped", "RETURNED_UNACKNOWLEDGED")]


def test_without_volts_a_sister_that_runs_on_is_the_evidence(farm: Farm) -> None:
    farm.ran("north", "south")
    farm.go(90.0, north=0.0, south=9.0)
    assert farm.verdicts("north") == [("stopped", "likely")]
    assert "1 other fan (south) of its supply ran on" in farm.evidence("north")[0]


def test_a_stop_that_its_control_wanted_is_no_alarm(farm: Farm) -> None:
    farm.ran("north", "south", called=1)
    farm.go(300.0, north=(0.0, {"called": 0}), south=9.0)
    assert farm.verdicts("north") == [("stopped", "sure")]
    assert farm.alarms() == []
    farm.go(90.0, north=(0.0, {"called": 1}), south=9.0)  # now it is wanted and stands
    assert farm.alarms() == [("north", "stopped", "UNACKNOWLEDGED")]


def test_a_stop_that_is_over_before_its_verdict_is_no_alarm(bench: Any, plate: str) -> None:
    quick = plate + "[conditions.stopped]\non_delay_seconds = 10\noff_delay_seconds = 10\n"
    bench.register("north", quick)
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north")
    farm.go(20.0, north=0.0)
    farm.go(100.0, north=9.0)
    assert farm.verdicts("north") == [("cannot tell", "possible")] and farm.alarms() == []


def test_the_fourth_ordinary_stop_of_a_day_brings_a_hint_and_does_not_ring(farm: Farm) -> None:
    volts = FED
    for stops in range(1, 7):
        farm.ran("north", "south", seconds=5000.0, **volts)
        farm.go(130.0, north=(0.0, volts), south=(9.0, volts))
        assert farm.verdicts("north") == [("stopped", "high")] * stops
        farm.go(70.0, north=(9.0, volts), south=(9.0, volts))
        (*_, number) = (row["number"] for row in farm.bench.raised("stopped"))
        farm.bench.act("acknowledge", alarm=number)
    alarms = farm.bench.raised("stopped")
    assert [(row["priority"], row["rings"]) for row in alarms] == [("medium", True)] * 3 + [("low", False)] * 3
    *told, last = (row for row in farm.notices("stopped") if row["kind"] == "raised")  # two within 4 h are not told
    assert [row["rings"] for row in told] == [True] * 3 and last["rings"] is False
    assert not any("times in a day" in row["long"] for row in told) and "It has stopped 6 times" in last["long"]


# --- a lost supply ---------------------------------------------------------------------------------------------


def test_a_supply_that_is_lost_with_volts_is_one_alarm_until_all_are_back(panel: Farm) -> None:
    volts, none = FED, DARK
    panel.ran("north", "south", **volts)
    panel.go(90.0, north=(0.0, none), south=(0.0, none))
    assert panel.verdicts("north") == panel.verdicts("south") == [("supply lost", "sure")]
    assert panel.alarms() == [("panel", "supply-lost", "UNACKNOWLEDGED")]
    (alarm,) = panel.bench.raised("supply-lost")
    assert (alarm["priority"], alarm["fan"], round(alarm["value"], 1)) == ("high", None, 0.4)
    assert "With it fell 1 other fan (south) of its supply." in panel.evidence("north")
    panel.go(60.0, north=(9.0, volts), south=(0.0, none))
    assert panel.alarms() == [("panel", "supply-lost", "UNACKNOWLEDGED")]
    panel.go(60.0, north=(9.0, volts), south=(9.0, volts))
    assert panel.alarms() == [("panel", "supply-lost", "RETURNED_UNACKNOWLEDGED")]


def test_a_fan_that_stays_off_when_the_supply_is_back_is_told_then(panel: Farm) -> None:
    volts, none = FED, DARK
    panel.ran("north", "south", **volts)
    panel.go(120.0, north=(0.0, none), south=(0.0, none))
    panel.go(200.0, north=(9.0, volts), south=(0.0, volts))
    assert ("south", "stopped", "UNACKNOWLEDGED") in panel.alarms() and len(panel.alarms()) == 2


def test_without_volts_fans_that_fall_together_are_told_as_one(panel: Farm) -> None:
    panel.ran("north", "south")
    panel.go(90.0, north=0.0, south=0.0)
    assert panel.verdicts("north") == panel.verdicts("south") == [("supply lost", "likely")]
    assert panel.alarms() == [("panel", "supply-lost", "UNACKNOWLEDGED")]
    (alarm,) = panel.bench.raised("supply-lost")
    assert (alarm["priority"], alarm["value"]) == ("medium", None)
    (notice,) = panel.notices("supply-lost")
    assert "north" in notice["long"] and "cannot tell" in notice["short"]
    panel.go(10.0, north=9.0, south=0.0)
    assert panel.alarms() == [("panel", "supply-lost", "RETURNED_UNACKNOWLEDGED")]
    panel.go(40.0, north=9.0, south=0.0)
    assert len(panel.alarms()) == 1
    panel.go(30.0, north=9.0, south=0.0)  # a minute after the supply is back south stands still
    assert panel.alarms()[1:] == [("south", "stopped", "UNACKNOWLEDGED")]


def test_a_fan_of_another_supply_is_no_sister(bench: Any, plate: str) -> None:
    for name, supply in (("north", "panel"), ("south", "panel"), ("east", "shed")):
        bench.register(name, plate.replace("[logger]", f'supply = "{supply}"\n[logger]'))
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north", "south", "east")
    farm.go(90.0, north=0.0, south=0.0, east=9.0)
    assert farm.verdicts("north") == farm.verdicts("south") == [("supply lost", "likely")]
    farm.go(90.0, north=0.0, south=0.0, east=0.0)
    assert farm.verdicts("east") == [("cannot tell", "possible")]


def test_fans_of_no_supply_point_that_fall_together_are_told_at_one_of_them(farm: Farm) -> None:
    farm.ran("north", "south")
    farm.go(90.0, north=0.0, south=0.0)
    assert farm.alarms() == [("north", "supply-lost", "UNACKNOWLEDGED")]
    assert farm.verdicts("south") == [("supply lost", "likely")]


def test_cycled_fans_that_stop_together_are_no_alarm(bench: Any, plate: str) -> None:
    for name in ("north", "south"):
        bench.register(name, plate.replace("continuous", "cycled"))
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north", "south")
    farm.go(120.0, north=0.0, south=0.0)
    assert farm.verdicts("north") == [("supply lost", "likely")] and farm.alarms() == []


def test_a_lost_supply_tells_a_fan_that_was_over_its_limit_as_well(panel: Farm) -> None:
    volts, none = FED, DARK
    panel.ran("north", "south", amps=10.4, **volts)
    panel.go(60.0, north=(0.0, none), south=(0.0, none))
    causes = {change[0]: change[3] for change in panel.bench.changes() if change[0] == "overload"}
    assert causes == {"overload": "returned"}  # not "no longer watched"
    assert [row for row in panel.notices("overload") if row["kind"] == "cleared"] == []


def test_a_trip_makes_its_overload_news_again_an_ordinary_stop_does_not(panel: Farm) -> None:
    panel.ran("north", "south", **FED)
    panel.go(160.0, north=(11.0, FED), south=(9.0, FED))
    panel.go(160.0, north=(9.0, FED), south=(9.0, FED))
    panel.go(160.0, north=(0.0, FED), south=(9.0, FED))
    assert panel.verdicts("north") == [("stopped", "high")] and panel.notices("stopped")
    assert [row["told"] for row in panel.bench.raised("overload")] == [1]
    panel.go(420.0, north=(13.0, FED), south=(9.0, FED))
    panel.go(160.0, north=(0.0, FED), south=(9.0, FED))
    assert panel.verdicts("north")[1][0] == "overload trip"
    assert panel.bench.raised("overload")[-1]["told"] == 0
