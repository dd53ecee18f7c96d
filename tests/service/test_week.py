"""The last seven days of each fan, read again after a start, in slices."""

from __future__ import annotations

import math
from datetime import timedelta
from itertools import count
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.errors import LinkError
from monitor.records import readings, tables
from monitor.records.hours import HourPacker
from monitor.service.week import Week
from tests.service.conftest import NOW
from tests.service.test_beside_the_estimate import an_hour, bench_text, words


def said(bench: Any, fan: str = "north") -> bool:
    assert words(bench, fan)
    return any("changed since" in one for one in words(bench, fan))


def hours(bench: Any, first: int, last: int, **amps: Any) -> None:
    for hour in range(first, last + 1):
        an_hour(bench, hour, **amps)


def pack(bench: Any) -> None:
    """Past hours are packed, as the service does in idle time."""
    assert HourPacker(bench.database).work(int(bench.wall.timestamp() * 1000), math.inf) is False


@pytest.mark.parametrize("packed", [False, True])
def test_a_restart_keeps_the_line(bench: Any, packed: bool) -> None:
    bench.register("north")
    bench.begin().round()
    hours(bench, 0, 12, north=9.0)
    if packed:
        pack(bench)
    before = bench.worker.figures._loads.usual(0, (bench.wall.timestamp() + 3600.0) * 1000.0)
    bench.begin().round()  # as after a kill
    assert bench.worker.week.work(math.inf) is False
    after = bench.worker.figures._loads.usual(0, (bench.wall.timestamp() + 3600.0) * 1000.0)
    assert before is not None and after is not None
    assert (after.load, after.amps, after.volts) == pytest.approx((before.load, before.amps, before.volts), rel=1e-6)
    an_hour(bench, 13, north=10.8)
    assert said(bench)


def test_the_service_does_not_wait_for_it(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    hours(bench, 0, 12, north=9.0)
    bench.begin().round()
    an_hour(bench, 13, north=10.8)  # judged, though nothing of the week is read yet
    assert not said(bench)
    assert bench.worker.week.work(math.inf) is False
    an_hour(bench, 14, north=10.8)
    assert said(bench)


def test_in_slices_it_comes_to_the_same(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for fan in ("north", "south"):
        bench.register(fan)
    bench.begin().round()
    hours(bench, 0, 6, north=9.0, south=8.0)
    pack(bench)
    hours(bench, 7, 12, north=9.0, south=8.0)
    bench.begin().round()
    monkeypatch.setattr("monitor.service.week.ROWS_A_STEP", 700)
    steps = count()
    week = Week(bench.database, bench.worker.plant, bench.worker.figures, clock=lambda: float(next(steps)))
    turns = 1
    while week.work(0.5):  # the clock says that each step takes longer than that
        turns += 1
    assert turns > 12 and week.work(0.5) is False
    an_hour(bench, 13, north=10.8, south=8.0)
    assert said(bench, "north") and not said(bench, "south")


def test_an_hour_that_the_running_service_has_a_figure_of_is_not_written_over(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    hours(bench, 0, 12, north=9.0)
    bench.begin().round()
    an_hour(bench, 13, north=np.where(np.arange(360) < 185, 7.0, 9.0))
    loads = bench.worker.figures._loads
    known = loads._figures[0][loads._hour[0] >= 0].copy()
    assert len(known) == 1 and known[0, 1] > 8.9  # the last half hour; the median of the hour is 7.0
    assert bench.worker.week.work(math.inf) is False
    hour = loads._hour[0].max()
    assert np.array_equal(loads._figures[0][loads._hour[0] == hour], known, equal_nan=True)
    assert (loads._hour[0] >= 0).sum() == 14


@pytest.mark.parametrize("packed", [False, True])
def test_hours_with_other_blades_are_left_out(bench: Any, packed: bool) -> None:
    def pitched(degrees: int) -> str:
        return bench_text().replace(
            'control = "continuous"', f'blade_pitch_degrees = {degrees}\ncontrol = "continuous"'
        )

    bench.register("north", pitched(21))
    bench.begin().round()
    hours(bench, 0, 12, north=9.0)
    for hour, degrees in ((13, 19), (14, 21)):  # the pitch is as it was, the blades were out
        bench.register("north", pitched(degrees), since=bench.wall)
        bench.pass_time(1.0, 0.5)
        an_hour(bench, hour, north=7.0)
    if packed:
        pack(bench)
    bench.begin().round()
    assert bench.worker.week.work(math.inf) is False
    assert (bench.worker.figures._loads._hour[0] >= 0).sum() == 1
    hours(bench, 15, 15, north=9.0)
    assert not said(bench)


def test_what_came_late_is_left_out_as_live_and_costs_no_other_hour(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    hours(bench, 0, 5, north=9.0)
    bench.wall += timedelta(hours=1)
    hours(bench, 7, 12, north=9.0)
    bench.put("north", [bench.reading(3600.0 * 6 + 60.0 * k, 9.0) for k in range(60)])
    bench.worker.round()
    bench.pass_time(60.0, 10.0)
    assert bench.logger("north")["late"] == 60
    bench.begin().round()
    assert bench.worker.week.work(math.inf) is False
    kept = bench.worker.figures._loads._hour[0]
    assert sorted(kept[kept >= 0] - int(NOW.timestamp()) // 3600) == [*range(6), *range(7, 13)]


def test_a_database_that_does_not_answer_is_asked_again(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.register("north")
    bench.begin().round()
    hours(bench, 0, 12, north=9.0)
    pack(bench)
    bench.begin().round()

    def busy(*_: Any) -> Any:
        raise LinkError("busy")

    with monkeypatch.context() as broken:
        broken.setattr(readings, "packed_before", busy)
        with pytest.raises(LinkError):
            bench.worker.week.work(math.inf)
    assert bench.worker.week.work(math.inf) is False
    an_hour(bench, 13, north=10.8)
    assert said(bench)


def test_a_damaged_hour_costs_its_fan_the_line_and_nothing_else(bench: Any, caplog: pytest.LogCaptureFixture) -> None:
    for fan in ("north", "south"):
        bench.register(fan)
    bench.begin().round()
    hours(bench, 0, 12, north=9.0, south=9.0)
    pack(bench)
    of_north = tables.reading_hours.c.point_id == bench.point_id("north")
    damaged = sa.update(tables.reading_hours).where(of_north, tables.reading_hours.c.hour == NOW.timestamp() // 3600)
    bench.begin().round()
    with bench.database.begin() as connection:
        connection.execute(damaged.values(columns=b"\x01damaged"))
    assert bench.worker.week.work(math.inf) is False
    assert "home/north could not be read again: a packed hour of point" in caplog.text
    an_hour(bench, 13, north=10.8, south=10.8)
    assert said(bench, "south") and words(bench, "north")
