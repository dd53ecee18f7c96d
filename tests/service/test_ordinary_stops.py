"""A stop that is known to be no trip: told at once, by day without ringing, and rung when nobody sees to it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.service.verdict_farm import FED, Farm

HOUR = 3600.0
TEN_IN_THE_MORNING, SIX_IN_THE_EVENING = 14 * HOUR, 22 * HOUR
"""After the bench's first moment, which is eight in the evening at the farm."""


def at_hour(farm: Farm, seconds: float) -> Farm:
    """The same farm, first heard so long after the bench's first moment."""
    farm.at = seconds
    farm.bench.wall += timedelta(seconds=seconds)
    farm.ran("north", "south", **FED)
    return farm


def stand(farm: Farm, seconds: float = 130.0) -> None:
    farm.go(seconds, north=(0.0, FED), south=(9.0, FED))


def waits(farm: Farm, seconds: float) -> None:
    """The worker goes round; the clock on the wall stays with the readings."""
    farm.bench.pass_time(seconds, 1.0)
    farm.bench.wall -= timedelta(seconds=seconds)


def rang(farm: Farm) -> list[tuple[str, bool]]:
    return [(row["kind"], bool(row["rings"])) for row in farm.notices("stopped")]


def goes_by(farm: Farm, hours: float) -> None:
    """Both go on as they were."""
    farm.steadily(3600.0 * hours, north=0.0, south=9.0)


def test_by_day_it_does_not_ring_until_the_work_should_be_done(farm: Farm) -> None:
    stand(at_hour(farm, TEN_IN_THE_MORNING))
    waits(farm, 70.0)
    (notice,) = farm.notices("stopped")
    assert (notice["kind"], bool(notice["rings"])) == ("raised", False)
    assert "Very likely an ordinary stop." in notice["short"]
    assert "Rings at 17:01 unless acknowledged or running." in notice["short"]  # it stopped at 11:01
    assert "It rings at 17:01 unless it runs then or is acknowledged." in notice["long"]
    goes_by(farm, 5.8)
    assert len(farm.notices("stopped")) == 1
    goes_by(farm, 0.3)
    assert rang(farm) == [("raised", False), ("told-again", True)]


def test_in_the_evening_it_rings_at_nightfall_also_after_a_restart_of_the_service(farm: Farm) -> None:
    stand(at_hour(farm, SIX_IN_THE_EVENING))
    waits(farm, 70.0)
    assert rang(farm) == [("raised", False)]
    farm.bench.begin().round()
    waits(farm, 20.0)
    goes_by(farm, 1.1)
    waits(farm, 10.0)
    assert [rings for _, rings in rang(farm)] == [False, True]


def test_one_that_runs_again_or_was_acknowledged_never_rings(farm: Farm) -> None:
    stand(at_hour(farm, TEN_IN_THE_MORNING))
    farm.go(120.0, north=(9.0, FED), south=(9.0, FED))
    stand(farm)
    farm.acknowledge("stopped")
    goes_by(farm, 7.0)
    assert not any(rings for _, rings in rang(farm))


def test_by_night_it_rings_at_once(farm: Farm) -> None:
    stand(at_hour(farm, 6 * HOUR))
    assert rang(farm) == [("raised", True)]


def test_whoever_wants_it_to_ring_by_day_says_so(bench: Any, plate: str) -> None:
    bench.register("north", plate + "[conditions.stopped]\nrings = true\n")
    bench.register("south", plate)
    bench.begin().round()
    farm = at_hour(Farm(bench), TEN_IN_THE_MORNING)
    stand(farm)
    assert rang(farm) == [("raised", True)]


@pytest.mark.parametrize("called", [1, None])
def test_a_fan_that_its_control_calls_for_rings_by_day(farm: Farm, called: int | None) -> None:
    said = FED if called is None else FED | {"called": called}
    farm = at_hour(farm, TEN_IN_THE_MORNING)
    farm.go(130.0, north=(0.0, said), south=(9.0, FED))
    waits(farm, 70.0)
    assert rang(farm) == [("raised", called == 1)]


def test_a_stop_that_may_have_been_a_trip_rings_by_day(farm: Farm) -> None:
    farm.at = TEN_IN_THE_MORNING
    farm.bench.wall += timedelta(seconds=TEN_IN_THE_MORNING)
    farm.ran("north")  # no volts, and no other fan of its supply to compare with
    farm.go(130.0, north=0.0)
    assert farm.verdicts("north") == [("cannot tell", "possible")]
    assert rang(farm) == [("raised", True)]
