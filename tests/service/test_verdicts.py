"""How runs end, from readings to stored verdict and notice: the real worker on a real database."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from monitor.records import tables
from monitor.records.database import open_database

HOUR = 3700.0
"""More than an hour of running, so that a new high has something to be compared with."""
VOLTS = [461.0, 459.0, 460.0]
FED: dict[str, Any] = {"volts": VOLTS}
DARK: dict[str, Any] = {"volts": [2.0, 1.0, 0.0]}
Legs = Sequence[float] | float


@pytest.fixture
def plate(nameplate: str) -> str:
    """A continuous fan of 10 A whose overload relay is registered."""
    relay = '[protection]\ntype = "overload relay"\ntrip_class = 10\nsetting_amps = 10.0\n[fan]'
    return nameplate.replace("[fan]", relay)


class Farm:
    """Fans that are heard each ten seconds, each reading as it is measured."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.at = 0.0

    def ran(self, *fans: str, seconds: float = HOUR, amps: float = 9.0, **more: Any) -> None:
        """Fans have run for a while; it is heard in one message each."""
        steps = int(seconds // 10)
        self.bench.wall += timedelta(seconds=10 * steps)
        for fan in fans:
            readings = [self.bench.reading(self.at + 10.0 * n, amps, **more) for n in range(1, steps + 1)]
            self.bench.put(fan, readings)
        self.bench.worker.round()
        self.at += 10.0 * steps
        self.bench.pass_time(2.0, 1.0)
        self.bench.wall -= timedelta(seconds=2)

    def go(self, seconds: float, **fans: tuple[Legs, Mapping[str, Any]] | Legs | None) -> None:
        """So many seconds pass; each fan sends its amps, or amps and other channels, or nothing."""
        end = self.at + seconds
        while self.at < end:
            self.at += 10.0
            for n, (fan, said) in enumerate(fans.items()):
                if said is not None:
                    amps, more = said if isinstance(said, tuple) else (said, {})
                    self.bench.put(fan, self.bench.reading(self.at + n, amps, **more))
            self.bench.pass_time(10.0, 5.0)
        self.bench.pass_time(1.0, 0.5)
        self.bench.wall -= timedelta(seconds=1)

    # --- what is stored ---

    def verdicts(self, fan: str) -> list[tuple[str | None, str | None]]:
        here = self.bench.point_id(fan)
        rows = [row for row in self.bench.rows(tables.runs) if row["point_id"] == here and row["end_ms"] is not None]
        return [(row["end_cause"], row["confidence"]) for row in rows]

    def evidence(self, fan: str) -> list[str]:
        here = self.bench.point_id(fan)
        rows = [row for row in self.bench.rows(tables.runs) if row["point_id"] == here and row["end_cause"]]
        return json.loads(rows[-1]["evidence"])  # type: ignore[no-any-return]

    def alarms(self, *conditions: str) -> list[tuple[str, str, str]]:
        """Whose, what and its state, of the conditions that tell how a run ended."""
        wanted = conditions or ("tripped", "stopped", "supply-lost")
        rows = [row for row in self.bench.rows(tables.alarms) if row["condition"] in wanted]
        return [(row["fan"] or row["supply"], row["condition"], row["state"]) for row in rows]

    def notices(self, condition: str) -> list[dict[str, Any]]:
        numbers = {row["number"] for row in self.bench.rows(tables.alarms) if row["condition"] == condition}
        found = self.bench.rows(tables.notices, "created_ms")
        return [row for row in found if row["alarm_number"] in numbers]

    def acknowledge(self, condition: str) -> None:
        (number,) = (row["number"] for row in self.bench.raised(condition))
        self.bench.act("acknowledge", alarm=number)
        self.bench.pass_time(1.0, 0.5)
        self.bench.wall -= timedelta(seconds=1)


@pytest.fixture
def farm(bench: Any, plate: str) -> Farm:
    """Two fans of one site, each with volts or without as they are sent."""
    bench.register("north", plate)
    bench.register("south", plate)
    bench.begin().round()
    return Farm(bench)


def heat_until_it_opens(farm: Farm, volts: Mapping[str, Any], seconds: float = 420.0) -> None:
    farm.ran("north", "south", **volts)
    farm.go(seconds, north=(13.0, volts), south=(9.0, volts))


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
    for stops in range(1, 6):
        farm.ran("north", "south", seconds=5000.0, **volts)
        farm.go(130.0, north=(0.0, volts), south=(9.0, volts))
        assert farm.verdicts("north") == [("stopped", "high")] * stops
        farm.go(70.0, north=(9.0, volts), south=(9.0, volts))
        (*_, number) = (row["number"] for row in farm.bench.raised("stopped"))
        farm.bench.act("acknowledge", alarm=number)
    alarms = farm.bench.raised("stopped")
    assert [(row["priority"], row["rings"]) for row in alarms] == [("medium", True)] * 3 + [("low", False)] * 2
    first, last = (row for row in farm.notices("stopped") if row["kind"] == "raised")  # the others within 4 h
    assert "times in a day" not in first["long"] and "It has stopped 4 times in a day" in last["long"]
    assert last["rings"] is False


# --- a lost supply ---------------------------------------------------------------------------------------------


@pytest.fixture
def panel(bench: Any, plate: str) -> Farm:
    """Two fans fed from one supply point."""
    text = plate.replace("[logger]", 'supply = "panel"\n[logger]')
    bench.register("north", text)
    bench.register("south", text)
    bench.begin().round()
    return Farm(bench)


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


# --- silence and restarts --------------------------------------------------------------------------------------


def test_sisters_that_stay_silent_are_waited_for_by_the_clock(farm: Farm) -> None:
    volts = FED
    farm.ran("north", "south", **volts)
    farm.go(80.0, north=(0.0, volts), south=None)
    assert farm.verdicts("north") == [(None, None)]
    farm.go(20.0, north=(0.0, volts), south=None)
    assert farm.verdicts("north") == [("stopped", "high")]


def test_while_the_broker_is_away_nobody_counts_as_silent(farm: Farm) -> None:
    volts = FED
    farm.ran("north", "south", **volts)
    farm.go(20.0, north=(0.0, volts), south=(9.0, volts))
    farm.bench.link.connected = False
    farm.bench.pass_time(600.0)
    assert farm.verdicts("north") == [(None, None)]
    farm.bench.link.connected = True
    farm.bench.pass_time(60.0)
    assert farm.verdicts("north") == [(None, None)]
    farm.bench.pass_time(60.0)
    assert farm.verdicts("north") == [("stopped", "high")]


@pytest.mark.parametrize("after", [10.0, 60.0])
def test_a_verdict_that_waits_survives_a_restart(farm: Farm, after: float) -> None:
    volts = FED
    heat_until_it_opens(farm, volts)
    farm.go(after, north=(0.0, volts), south=(9.0, volts))
    farm.bench.begin()
    farm.go(90.0 - after, north=(0.0, volts), south=(9.0, volts))
    assert farm.verdicts("north") == [("overload trip", "high")]
    assert farm.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]


def test_a_stop_that_was_held_survives_a_restart(farm: Farm) -> None:
    volts = FED
    farm.ran("north", "south", **volts)
    farm.go(70.0, north=(0.0, volts), south=None)  # `stopped` is raised and held; south was not heard yet
    assert farm.alarms() == []
    farm.bench.begin()
    farm.go(20.0, north=(0.0, volts), south=(9.0, volts))
    assert farm.alarms() == [("north", "stopped", "UNACKNOWLEDGED")]
    (alarm,) = farm.bench.raised("stopped")
    assert alarm["raised_ms"] - alarm["since_ms"] == 60_000


def test_a_verdict_is_never_worked_out_again(farm: Farm, monkeypatch: pytest.MonkeyPatch) -> None:
    farm.ran("north", "south")
    farm.go(90.0, north=0.0, south=9.0)
    before = farm.bench.rows(tables.runs)
    farm.bench.begin()
    monkeypatch.setattr("monitor.watch.ends.judge", None)
    farm.go(60.0, north=0.0, south=9.0)
    assert farm.bench.rows(tables.runs) == before


def test_a_lost_supply_goes_on_over_a_restart(panel: Farm) -> None:
    panel.ran("north", "south")
    panel.go(90.0, north=0.0, south=0.0)
    panel.bench.begin()
    panel.go(10.0, north=9.0, south=0.0)
    assert panel.alarms() == [("panel", "supply-lost", "RETURNED_UNACKNOWLEDGED")]
    volts, none = FED, DARK
    panel.go(90.0, north=(9.0, volts), south=(9.0, volts))
    panel.go(30.0, north=(0.0, none), south=(0.0, none))
    panel.bench.begin()
    panel.go(20.0, north=(0.0, none), south=(0.0, none))
    assert panel.alarms("supply-lost") == [("panel", "supply-lost", "UNACKNOWLEDGED")]
    panel.go(60.0, north=(9.0, volts), south=(9.0, volts))
    assert panel.alarms("supply-lost") == [("panel", "supply-lost", "RETURNED_UNACKNOWLEDGED")]


def test_a_run_whose_end_nobody_saw_is_told_so(farm: Farm) -> None:
    farm.ran("north", "south")
    farm.go(600.0, north=None, south=9.0)
    farm.go(10.0, north=0.0, south=9.0)
    assert farm.verdicts("north") == [("log ended", "sure")]


# --- any cutting -----------------------------------------------------------------------------------------------

STATES: dict[str, tuple[Legs, Mapping[str, Any]]] = {
    "runs": (9.0, FED), "hot": (16.0, FED), "off": (0.0, FED),
    "dark": (0.0, DARK), "runs, no volts": (9.0, {}), "hot, no volts": (16.0, {}),
    "off, no volts": (0.0, {}), "two legs": ((16.0, 0.1, 15.9), {}), "not wanted": (0.0, {"called": 0}),
}  # fmt: skip
FANS = ("north", "south", "east")
COURSE = st.lists(st.tuples(st.sampled_from(sorted(STATES)), st.integers(1, 14)), min_size=2, max_size=5)


@pytest.fixture
def three_fans(tmp_path: Path, bench_of: Any) -> Path:
    """A database with a plant in it, to be copied."""
    path = tmp_path / "three.db"
    database = open_database(f"sqlite:///{path}")
    made = bench_of("", database)
    for name, control, supply in (("north", "continuous", "panel"), ("south", "continuous", "panel"),
                                  ("east", "cycled", "panel")):  # fmt: skip
        made.register(name, PLATE.format(control=control, supply=supply))
    database.close()
    return path


PLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
service_factor = 1.0
[protection]
type = "overload relay"
trip_class = 5
setting_amps = 10.0
[fan]
control = "{control}"
supply = "{supply}"
[logger]
period_seconds = 10
"""


def told(
    bench: Any, courses: Sequence[Sequence[tuple[str, int]]], lags: Sequence[int], cuts: Sequence[int],
    kills: Sequence[int],
) -> Any:  # fmt: skip
    """What is stored when the messages of all fans are taken so many at a time, and the service is killed there.

    lags : by how many seconds each fan's messages come later than those of the others
    """
    messages: list[tuple[float, int, Any]] = []
    for n, course in enumerate(courses):
        at = 0.0
        for state, steps in course:
            amps, more = STATES[state]
            for _ in range(steps):
                at += 10.0
                messages.append((at + n + lags[n], n, bench.reading(HOUR + at + n, amps, **more)))
        for _ in range(14):  # until every verdict is due
            at += 10.0
            messages.append((at + n + lags[n], n, bench.reading(HOUR + at + n, 0.0)))
        messages.append((1000.0 + n, n, bench.reading(HOUR + 1000.0 + n, 0.0)))
    messages.sort(key=lambda one: one[0])
    bench.begin().round()
    bench.wall += timedelta(seconds=HOUR)
    for n, fan in enumerate(FANS):
        bench.put(fan, [bench.reading(10.0 * step + n, 9.0, volts=VOLTS) for step in range(int(HOUR // 10))])
    bench.steady += 1.01
    bench.worker.round()
    bench.wall += timedelta(seconds=1010)
    begin, turn = 0, 0
    while begin < len(messages):
        size = cuts[turn % len(cuts)]
        for _, n, payload in messages[begin : begin + size]:
            bench.put(FANS[n], payload)
        bench.steady += 1.01
        bench.worker.round()
        begin, turn = begin + size, turn + 1
        if turn in kills:
            bench.begin()
    bench.worker.store()
    runs = [
        tuple(row[name] for name in ("point_id", "start_ms", "end_ms", "end_cause", "confidence", "evidence", "ending"))
        for row in bench.rows(tables.runs, "point_id", "start_ms")
    ]
    alarms = {row["number"]: (row["condition"], row["fan"] or row["supply"]) for row in bench.rows(tables.alarms)}
    changes: dict[Any, list[Any]] = {}
    for row in bench.rows(tables.alarm_changes):
        whose = alarms[row["alarm_number"]]
        if whose[0] in ("tripped", "stopped", "supply-lost"):
            changes.setdefault(whose, []).append((row["from_state"], row["to_state"], row["cause"], row["at_ms"]))
    return runs, changes


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    courses=st.tuples(COURSE, COURSE, COURSE),
    lags=st.just((0, 0, 0)) | st.tuples(st.just(0), st.integers(0, 90), st.integers(0, 90)),
    cuts=st.lists(st.integers(1, 60), min_size=1, max_size=6),
    kills=st.lists(st.integers(0, 30), max_size=4),
)
@example(  # a trip, restarted, and tripped again while the others run on
    courses=([("hot", 12), ("off", 8), ("hot", 14), ("off", 3)], [("runs", 40)], [("runs", 40)]),
    lags=(0, 0, 0), cuts=[200], kills=[],
)  # fmt: skip
@example(  # all fall without volts; one runs again
    courses=([("runs, no volts", 12), ("off, no volts", 10), ("runs, no volts", 12)],
             [("runs, no volts", 12), ("off, no volts", 30)], [("runs, no volts", 5), ("off, no volts", 5)]),
    lags=(0, 0, 0), cuts=[1, 50], kills=[9],
)  # fmt: skip
@example(  # what stood since an earlier end clears while the next one waits
    courses=([("dark", 24)], [("hot", 3), ("off", 9), ("runs", 3), ("off", 7), ("not wanted", 4)], [("dark", 18)]),
    lags=(0, 0, 0), cuts=[59, 27], kills=[],
)  # fmt: skip
@example(  # what stood since an earlier end is told by a lost phase while the next one waits
    courses=([("dark", 19), ("runs, no volts", 4), ("off, no volts", 9), ("two legs", 5)], [("dark", 25)],
             [("dark", 22)]),
    lags=(0, 0, 0), cuts=[1, 60], kills=[],
)  # fmt: skip
@example(  # the supply goes and comes back
    courses=([("hot", 12), ("dark", 10), ("runs", 12)], [("runs", 12), ("dark", 4), ("off", 20)], [("dark", 30)]),
    lags=(0, 0, 25), cuts=[7, 31], kills=[2, 3],
)  # fmt: skip
def test_any_cutting_and_any_kill_gives_the_same_verdicts(
    three_fans: Path, bench_of: Any, courses: Any, lags: Any, cuts: Any, kills: Any
) -> None:
    outcomes = []
    for sizes, kill in (([1], []), (cuts, kills)):
        with tempfile.TemporaryDirectory() as place:
            shutil.copy(three_fans, Path(place) / "monitor.db")
            url = f"sqlite:///{place}/monitor.db"
            database = open_database(url)
            try:
                outcomes.append(told(bench_of(url, database), courses, lags, sizes, kill))
            finally:
                database.close()
    if any(lags):
        # One alarm of several fans goes by what is heard first; in which order lagging fans are heard is a matter of
        # the cutting. Verdicts, and what is told by them alone, are not.
        for _, changes in outcomes:
            for whose in [whose for whose in changes if whose[0] != "tripped"]:
                del changes[whose]
    assert outcomes[0] == outcomes[1]
    runs, changes = outcomes[0]
    assert all(cause is not None for *_, end_ms, cause, _, _, _ in runs if end_ms is not None)
    for *_, cause, confidence, _, _ in runs:
        event(f"{cause}, {confidence}")
    for condition, _ in changes:
        event(condition)
