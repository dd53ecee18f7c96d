"""What stands beside an estimate: near-stall signs, a changed load, and what the neighbours show."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np

from monitor.records import tables

VOLTS = [461.0, 460.0, 459.0]


def words(bench: Any, fan: str) -> list[str]:
    """The words of the fan's estimate as stored."""
    rows = [row for row in bench.rows(tables.estimates) if row["point_id"] == bench.point_id(fan)]
    return list(json.loads(rows[-1]["json"])["words"]) if rows else []


def an_hour(bench: Any, number: int, **amps: Any) -> None:
    """An hour of readings of each fan, sent at its end in one message."""
    bench.wall += timedelta(minutes=59)
    bench.steady += 3540.0
    for fan, drawn in amps.items():
        each = np.broadcast_to(np.asarray(drawn, float), (360,))
        bench.put(
            fan,
            [bench.reading(3600.0 * number + 10.0 * k, float(one), volts=VOLTS) for k, one in enumerate(each)],
        )
    bench.worker.round()
    bench.pass_time(60.0, 10.0)


def test_a_load_that_has_changed_against_its_own_week(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    for hour in range(13):
        an_hour(bench, hour, north=9.0)
    assert words(bench, "north") and not any("changed since" in one for one in words(bench, "north"))
    an_hour(bench, 13, north=10.8)
    (said,) = [one for one in words(bench, "north") if "changed since" in one]
    assert "more than its own median of the last 7 days, at like volts" in said  # no air is measured
    # With other blades the week begins anew.
    blades = 'blade_pitch_degrees = 19\ncontrol = "continuous"'
    bench.register("north", bench_text().replace('control = "continuous"', blades), since=bench.wall)
    bench.pass_time(1.0, 0.5)
    an_hour(bench, 14, north=10.8)
    assert words(bench, "north") and not any("changed since" in one for one in words(bench, "north"))


def bench_text() -> str:
    return """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
service_factor = 1.0
[fan]
control = "continuous"
plenum = "bin 3"
[logger]
period_seconds = 10
"""


def test_amps_that_swing_at_high_load(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    swings = 9.5 * (1.0 + 0.04 * np.random.default_rng(1).normal(size=360))
    an_hour(bench, 0, north=swings)
    assert any("in stall or near it" in one for one in words(bench, "north"))
    an_hour(bench, 1, north=np.full(360, 9.53))
    assert not any("in stall or near it" in one for one in words(bench, "north"))


def test_what_the_neighbours_show(bench: Any) -> None:
    for name in ("north", "south"):
        bench.register(name, bench_text())
    bench.begin().round()
    an_hour(bench, 0, north=9.0, south=np.where(np.arange(360) < 180, 9.0, 0.0))
    (said,) = [one for one in words(bench, "north") if "same bin" in one]
    assert said.startswith("south stands still (for 30 min) while north blows into the same bin, bin 3")
    an_hour(bench, 1, north=9.0, south=9.0)
    assert not any("same bin" in one for one in words(bench, "north"))
