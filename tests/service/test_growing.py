"""A load that somebody has acknowledged rings again once it has grown while it stood."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.verdict_farm import FED, Farm


@pytest.fixture
def known(bench: Any, plate: str) -> Farm:
    """A fan over its limit of 10 A and over 1.05 of its setting, all of it acknowledged."""
    bench.register("north", plate)
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north", amps=9.0, **FED)
    farm.go(400.0, north=(10.6, FED))
    for alarm in bench.raised("overload") + bench.raised("device-margin"):
        bench.act("acknowledge", alarm=alarm["number"])
    bench.pass_time(1.0, 0.5)
    return farm


def rings(farm: Farm, condition: str) -> int:
    return sum(bool(row["rings"]) for row in farm.notices(condition))


def test_it_rings_once_it_has_grown_by_three_percent_and_can_be_acknowledged_anew(known: Farm) -> None:
    before = rings(known, "overload")
    known.go(400.0, north=(10.95, FED))  # not within half an hour of the notice before
    known.go(1500.0, north=(10.8, FED))
    assert rings(known, "overload") == before
    known.go(360.0, north=(10.95, FED))
    assert rings(known, "overload") == before + 1
    *_, notice = known.notices("overload")
    assert "worse than what was acknowledged" in notice["long"].lower()
    (alarm,) = known.bench.raised("overload")
    assert alarm["state"] == "UNACKNOWLEDGED" and alarm["known_peak"] >= 1.09


def test_a_gust_is_no_growth(known: Farm) -> None:
    before = rings(known, "overload") + rings(known, "device-margin")
    for _ in range(6):
        known.go(120.0, north=(10.6, FED))
        known.go(20.0, north=(11.3, FED))
    known.go(300.0, north=(10.6, FED))
    assert rings(known, "overload") + rings(known, "device-margin") == before


def test_a_margin_that_goes_with_a_load_somebody_knows_of_is_told_without_ringing(bench: Any, plate: str) -> None:
    bench.register("north", plate)
    bench.begin().round()
    farm = Farm(bench)
    farm.ran("north", amps=9.0, **FED)
    farm.go(200.0, north=(10.4, FED))
    (over,) = bench.raised("overload")
    bench.act("acknowledge", alarm=over["number"])
    bench.pass_time(1.0, 0.5)
    farm.go(400.0, north=(10.55, FED))
    farm.go(120.0, north=(10.55, FED))
    told = farm.notices("device-margin")
    assert [(row["kind"], bool(row["rings"])) for row in told] == [("raised", False)]
    assert rings(farm, "overload") == 1
