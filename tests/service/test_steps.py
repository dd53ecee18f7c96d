"""Steps of the wall clock, told from time that passed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.service.steps import LEAST_SECONDS, MOST_KEPT, Steps

DAY, YEAR = 86_400.0, 365 * 86_400.0


class Clocks:
    def __init__(self) -> None:
        self.wall, self.steady = 1e9, 50.0
        self.steps = Steps(lambda: self.wall, lambda: self.steady)

    def go(self, passes: float = 0.0, step: float = 0.0) -> None:
        self.wall += passes + step
        self.steady += passes
        self.steps.look()


def test_time_that_passes_is_no_step() -> None:
    clocks = Clocks()
    for _ in range(100):
        clocks.go(3600.0, 0.2)  # a clock that is kept right is moved a little each hour
    assert clocks.steps.back == 0.0
    assert clocks.steps.skipped_since(1e9) == 0.0


@pytest.mark.parametrize("step", [LEAST_SECONDS + 1, DAY, YEAR])
def test_a_step_forward_is_skipped_by_what_was_before_it(step: float) -> None:
    clocks = Clocks()
    clocks.go(100.0)
    clocks.go(0.0, step)
    assert clocks.steps.skipped_since(1e9) == pytest.approx(step)
    assert clocks.steps.skipped_since(1e9 + 100.0) == pytest.approx(step)
    assert clocks.steps.skipped_since(1e9 + 100.0 + step) == 0.0
    assert clocks.steps.back == 0.0


def test_a_step_back_is_there_until_it_was_dealt_with() -> None:
    clocks = Clocks()
    clocks.go(0.0, -DAY)
    clocks.go(5.0, -100.0)
    assert clocks.steps.back == pytest.approx(DAY + 100.0)
    clocks.steps.dealt_with(DAY)
    assert clocks.steps.back == pytest.approx(100.0)
    assert clocks.steps.skipped_since(0.0) == 0.0


def test_a_step_that_is_undone_was_none() -> None:
    clocks = Clocks()
    clocks.go(0.0, YEAR)
    clocks.go(600.0, -YEAR)
    assert clocks.steps.skipped_since(1e9) == pytest.approx(600.0)  # no more than the clock now says has passed
    clocks.go(3600.0)
    assert clocks.steps.skipped_since(1e9) == pytest.approx(600.0)
    clocks.go(0.0, YEAR)
    clocks.go(0.0, -YEAR - DAY)
    assert clocks.steps.skipped_since(1e9 - 1.0) == 0.0


@given(st.lists(st.tuples(st.floats(0, 5_000), st.sampled_from([0.0, 0.0, DAY, -DAY, YEAR, -YEAR, 40.0, -3600.0]))))
def test_never_more_is_skipped_than_the_clock_says_has_passed(moves: list[tuple[float, float]]) -> None:
    clocks = Clocks()
    times = [clocks.wall]
    for passes, step in moves:
        clocks.go(passes, step)
        for time in times:
            assert clocks.steps.skipped_since(time) <= max(0.0, clocks.wall - time) + 1e-3
        times.append(clocks.wall)


def test_a_clock_that_jumps_about_for_months_is_not_remembered_for_ever() -> None:
    clocks = Clocks()
    for _ in range(1000):
        clocks.go(60.0, 60.0)
    assert len(clocks.steps._forward) == MOST_KEPT
