"""Loggers' clocks: what is off is told, what is only late is not."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.service.clocks import Clocks

START = 1_791_075_600.0


def told(readings: list[tuple[float, float]], row: int = 3) -> tuple[float | None, bool]:
    """What is said after readings (t, received), in seconds."""
    clocks = Clocks()
    for t, received in readings:
        clocks.heard(row, (START + t) * 1000.0, (START + received) * 1000.0)
    return clocks.off_seconds(row), clocks.suspect(row)


def live(count: int, off: float, period: float = 10.0, jitter: float = 0.0) -> list[tuple[float, float]]:
    return [(period * n - off, period * n + jitter * (n % 3)) for n in range(count)]


@pytest.mark.parametrize("period", [1.0, 5.0, 10.0, 60.0, 600.0])
@pytest.mark.parametrize(
    ("off", "suspect"), [(0.5, False), (59.0, False), (61.0, True), (3_600.0, True), (-59.0, False), (-61.0, True)]
)
def test_a_clock_that_is_off_is_suspect_after_nine_arrivals(period: float, off: float, suspect: bool) -> None:
    readings = live(60, off, period)
    assert told(readings) == (pytest.approx(off), suspect)
    nine = int(8 * max(period, 5.0) / period) + 1
    assert told(readings[: nine - 1]) == (None, False)
    assert told(readings[:nine]) == (pytest.approx(off), suspect)


def test_the_delays_of_a_link_make_no_clock_suspect_and_hide_none() -> None:
    assert told(live(20, 1.0, jitter=2.0)) == (pytest.approx(3.0), False)
    assert told(live(20, 70.0, jitter=2.0)) == (pytest.approx(72.0), True)
    assert told(live(20, 59.0, jitter=2.0)) == (pytest.approx(61.0), False)  # not each of the nine is


@pytest.mark.parametrize("pace", [0.0, 0.05, 0.3, 0.7])
@pytest.mark.parametrize("period", [1.0, 10.0, 60.0])
def test_a_backlog_is_no_clock(pace: float, period: float) -> None:
    """An hour was held back and comes at the given share of time's pace; live readings stand before and after it."""
    before = [(period * n, period * n + 0.3) for n in range(30)]
    t, held = before[-1][0], int(3600 / period)
    came = t + 3600.0
    backlog = [(t + period * n, came + max(pace * period, 0.001) * n) for n in range(1, held)]
    last = backlog[-1]
    after = []
    while len(after) < 60:
        n = len(after) + 1
        after.append((last[1] + period * n, last[1] + period * n + 0.3))
    clocks = Clocks()
    for one in [*before, *backlog, *after]:
        clocks.heard(0, 1000.0 * (START + one[0]), 1000.0 * (START + one[1]))
        assert not clocks.suspect(0)
    off = clocks.off_seconds(0)
    assert off is not None and abs(off) < 1.0


def test_a_clock_that_is_put_right_is_trusted_after_nine_arrivals() -> None:
    wrong = live(20, 300.0)
    right = [(t, t + 0.2) for t in (200.0 + 10.0 * n for n in range(9))]
    assert told(wrong)[1]
    assert told([*wrong, *right[:4]]) == (None, False)
    assert told([*wrong, *right]) == (pytest.approx(0.2), False)


def test_our_own_clock_put_back_voids_what_was_measured_by_it() -> None:
    clocks = Clocks()
    for t, received in live(20, 0.0):
        clocks.heard(0, 1000.0 * (START + t), 1000.0 * (START + received + 7200.0))
    assert clocks.suspect(0)
    clocks.heard(0, 1000.0 * (START + 200.0), 1000.0 * (START + 200.0))
    assert clocks.off_seconds(0) is None and not clocks.suspect(0)


@given(st.lists(st.tuples(st.floats(0, 1e4), st.floats(-1e4, 1e4)), max_size=40))
def test_suspect_only_on_nine_differences_of_more_than_a_minute(steps: list[tuple[float, float]]) -> None:
    clocks, received = Clocks(), 0.0
    for pause, off in steps:
        received += pause
        clocks.heard(0, 1000.0 * (received - off), 1000.0 * received)
    if clocks.suspect(0):
        off_now = clocks.off_seconds(0)
        assert off_now is not None and abs(off_now) > 60.0
        assert sum(abs(off) > 60.0 for _, off in steps) >= 9


# --- in the worker ---------------------------------------------------------------------------------------------


def send(bench: Any, off: float, count: int = 10) -> tuple[float | None, bool]:
    """Live readings each 10 s with a clock that is so far behind; what the worker then knows of it."""
    for _ in range(count):
        bench.pass_time(10.0)
        now = bench.wall.timestamp() - 1_791_075_600.0
        bench.put("north", [bench.reading(now - off - 5.0), bench.reading(now - off)])  # of a list its newest counts
        bench.worker.round()
    clocks = bench.worker._intake.clocks
    row = bench.worker.plant.by_name["home", "north"].row
    return clocks.off_seconds(row), clocks.suspect(row)


@pytest.fixture
def farm(bench: Any, nameplate: str) -> Any:
    bench.register("north", nameplate)
    bench.begin().round()
    return bench


@pytest.mark.parametrize(("off", "suspect"), [(0.0, False), (100.0, True), (-100.0, True), (-50.0, False)])
def test_the_worker_hears_of_clocks(farm: Any, off: float, suspect: bool) -> None:
    assert send(farm, off) == (pytest.approx(off, abs=0.01), suspect)
    assert farm.reasons() == {}


def test_what_has_no_time_or_comes_late_tells_nothing_of_a_clock(farm: Any) -> None:
    clocks = farm.worker._intake.clocks
    row = farm.worker.plant.by_name["home", "north"].row
    for _ in range(12):
        farm.pass_time(10.0)
        farm.put("north", farm.reading(0) | {"t": None})
        farm.worker.round()
    assert clocks.off_seconds(row) is None
    send(farm, 0.0)
    for n in range(12):
        farm.wall += timedelta(seconds=10)
        farm.put("north", farm.reading(-7200 + n))
        farm.pass_time(0.5, 0.5)
    assert not clocks.suspect(row) and clocks.off_seconds(row) == pytest.approx(0.0, abs=0.01)
