"""A fan that its control starts and stops: its ends are no trips, and one that may be is told when it is missed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.service.pauses import AT_LEAST_MS, LONGER, longest_ms, missed_ms
from tests.service.verdict_farm import FED, Farm


@pytest.fixture
def cycled(bench: Any, plate: str) -> Farm:
    bench.register("north", plate.replace("continuous", "cycled"))
    bench.register("south", plate)
    bench.begin().round()
    return Farm(bench)


def runs(farm: Farm, amps: float, seconds: float) -> None:
    """A run of north, beside south."""
    farm.steadily(seconds, north=amps, south=9.0)


def stands(farm: Farm, minutes: float) -> None:
    runs(farm, 0.0, 60.0 * minutes - 130.0)
    farm.go(130.0, north=(0.0, FED), south=(9.0, FED))


def test_runs_at_its_setting_end_by_plan(cycled: Farm) -> None:
    for amps, seconds in ((10.6, 4000.0), (10.6, 4000.0), (12.0, 900.0), (12.0, 840.0)):
        runs(cycled, amps, seconds)
        stands(cycled, 30.0)
    assert cycled.verdicts("north") == [
        ("stopped", "likely"), ("stopped", "likely"),
        ("overload trip", "possible"), ("stopped", "likely"),  # hotter than before; then as hot as before
    ]  # fmt: skip
    assert cycled.alarms() == []
    assert "each of its runs is ended by its control or by hand" in cycled.evidence("north")[1]


def test_a_run_that_may_have_tripped_is_told_once_it_is_missed_also_over_a_restart(cycled: Farm) -> None:
    runs(cycled, 9.0, 4000.0)
    stands(cycled, 30.0)
    runs(cycled, 12.0, 900.0)
    stands(cycled, 40.0)
    assert cycled.verdicts("north")[-1] == ("overload trip", "possible") and cycled.alarms() == []
    cycled.bench.begin().round()
    cycled.bench.pass_time(15.0, 1.0)
    stands(cycled, 10.0)  # 50 min by now, of 30 before
    assert cycled.alarms() == [("north", "stopped", "UNACKNOWLEDGED")]
    (notice,) = cycled.notices("stopped")
    assert notice["rings"] and "Possibly an overload trip" in notice["short"]
    assert "In the day before it ran again after 30 min at most; this pause is longer." in notice["long"]
    runs(cycled, 9.0, 60.0)
    assert cycled.alarms() == [("north", "stopped", "RETURNED_UNACKNOWLEDGED")]
    stands(cycled, 90.0)  # an end that is no trip is not missed
    assert cycled.alarms() == [("north", "stopped", "RETURNED_UNACKNOWLEDGED")]


def test_one_that_runs_again_in_time_is_not_missed(cycled: Farm) -> None:
    runs(cycled, 9.0, 4000.0)
    stands(cycled, 30.0)
    runs(cycled, 12.0, 900.0)
    stands(cycled, 40.0)
    assert cycled.verdicts("north")[-1] == ("overload trip", "possible")
    runs(cycled, 9.0, 7200.0)
    stands(cycled, 20.0)
    assert cycled.alarms() == []


def test_a_hot_device_is_a_trip_whoever_starts_the_fan(cycled: Farm) -> None:
    for _ in range(2):
        runs(cycled, 9.0, 3700.0)
        stands(cycled, 30.0)
    runs(cycled, 13.0, 600.0)
    stands(cycled, 5.0)
    assert cycled.verdicts("north")[-1] == ("overload trip", "likely")
    assert cycled.alarms() == [("north", "tripped", "UNACKNOWLEDGED")]


# --- how long it is waited for -----------------------------------------------------------------------------------

PAUSES = st.lists(st.tuples(st.floats(0.0, 1e8), st.none() | st.floats(0.0, 1e8)), max_size=6)


@given(PAUSES, st.floats(0.0, 1e8))
def test_only_pauses_that_are_over_count(ends: list[tuple[float, float | None]], before: float) -> None:
    over = [again - stop for stop, again in ends if again is not None and again <= before and stop < before]
    longest = longest_ms(ends, before)
    assert longest == (max(over) if over else None)


@given(st.floats(0.0, 1e8))
def test_a_run_is_never_missed_in_a_pause_as_long_as_before(longest: float) -> None:
    assert missed_ms(longest) >= max(AT_LEAST_MS, LONGER * longest)
