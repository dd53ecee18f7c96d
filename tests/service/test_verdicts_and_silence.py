"""Verdicts that wait: for sisters that stay silent, and over restarts of the service."""

from __future__ import annotations

import pytest

from monitor.records import tables
from tests.service.verdict_farm import DARK, FED, Farm, heat_until_it_opens


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
