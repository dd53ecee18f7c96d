"""Nights by a site's own clock, also in the weeks when clocks change; and which low counts."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.records.actions import Action
from monitor.service.nights import NINE, Nights, last_at, next_at
from monitor.service.plant import Plant, Site

CHICAGO = Site("home", "Home Farm", "America/Chicago")
SUPPER = time(17)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("now", "supper", "nine"),
    [
        (utc(2026, 10, 4, 21, 59), utc(2026, 10, 3, 22), utc(2026, 10, 5, 14)),
        (utc(2026, 10, 4, 22), utc(2026, 10, 4, 22), utc(2026, 10, 5, 14)),
        # Clocks go back on 1 November 2026 at 02:00: the night before has 17 hours, supper stays at 17:00.
        (utc(2026, 10, 31, 22), utc(2026, 10, 31, 22), utc(2026, 11, 1, 15)),
        (utc(2026, 11, 1, 22, 59), utc(2026, 10, 31, 22), utc(2026, 11, 2, 15)),
        (utc(2026, 11, 1, 23), utc(2026, 11, 1, 23), utc(2026, 11, 2, 15)),
        # They go forward on 8 March: 15 hours.
        (utc(2026, 3, 7, 23), utc(2026, 3, 7, 23), utc(2026, 3, 8, 14)),
        (utc(2026, 3, 8, 22), utc(2026, 3, 8, 22), utc(2026, 3, 9, 14)),
    ],
)
def test_supper_and_nine_o_clock(now: datetime, supper: datetime, nine: datetime) -> None:
    assert last_at(CHICAGO, now, SUPPER) == supper
    assert next_at(CHICAGO, now, NINE) == nine


@given(st.integers(0, 2 * 365 * 86_400), st.times(), st.sampled_from(
    ("America/Chicago", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")))  # fmt: skip
def test_an_hour_comes_once_a_day(seconds: int, at: time, zone: str) -> None:
    site, now = Site("home", "", zone), utc(2026, 1, 1) + timedelta(seconds=seconds)
    last, following = last_at(site, now, at), next_at(site, now, at)
    assert last <= now < following
    assert timedelta(hours=22) <= following - last <= timedelta(hours=26)


@pytest.fixture
def nights(database: Any) -> Nights:
    plant = Plant()
    plant.sites["home"] = CHICAGO
    return Nights(plant, database, utc(2026, 10, 4, 12))


def entered(nights: Nights, low: object, at: datetime) -> str | None:
    return nights.enter(Action(1, "tonight", "home", {"low_c": low}, "Ada", at))


@pytest.mark.parametrize(
    ("at", "counts", "no_more"),
    [  # local times behind them
        (utc(2026, 10, 4, 20), utc(2026, 10, 4, 22), utc(2026, 10, 5, 14)),  # at three in the afternoon
        (utc(2026, 10, 4, 12), utc(2026, 10, 5, 13, 59), utc(2026, 10, 5, 14)),  # at breakfast, for the night to come
        (utc(2026, 10, 5, 6), utc(2026, 10, 5, 7), utc(2026, 10, 5, 14)),  # at one at night, for this night
    ],
)
def test_a_low_holds_for_one_night(nights: Nights, at: datetime, counts: datetime, no_more: datetime) -> None:
    assert entered(nights, -1.5, at) is None
    low = nights.low(CHICAGO, counts)
    assert low is not None and (low.c, low.source) == (-1.5, "entered by Ada")
    assert nights.low(CHICAGO, no_more) is None


def test_a_low_that_was_entered_is_taken_back_and_wrong_ones_are_refused(nights: Nights) -> None:
    at = utc(2026, 10, 4, 20)
    for wrong in (float("nan"), True, "cold", -61, 51):
        assert "no number from -60 to 50" in str(entered(nights, wrong, at))
    assert nights.low(CHICAGO, at) is None
    entered(nights, 2, at)
    assert entered(nights, None, at) is None
    assert nights.low(CHICAGO, at) is None
    assert nights.enter(Action(1, "tonight", "hill", {"low_c": 1.0}, "Ada", at)) == "there is no site hill"
