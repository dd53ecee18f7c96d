"""Figures and times in words, and every example in the docstrings of the room."""

from __future__ import annotations

import doctest
import importlib
import math
import pkgutil
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

import monitor.web
from monitor.web import words

MODULES = sorted(f"monitor.web.{module.name}" for module in pkgutil.iter_modules(monitor.web.__path__))


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_hold(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_some_examples_are_there() -> None:
    attempted = sum(doctest.testmod(importlib.import_module(name)).attempted for name in MODULES)
    assert attempted >= 25


@given(st.floats(0, 3))
def test_a_share_never_rounds_across_the_limit(ratio: float) -> None:
    told = float(words.share(ratio).removesuffix(" %"))
    assert (told > 100) == (100 * ratio > 100)
    assert (told < 100) == (100 * ratio < 100)
    assert abs(told - 100 * ratio) <= 0.5 + 1e-9


@given(st.floats() | st.none())
def test_every_number_can_be_told(value: float | None) -> None:
    for told in (
        words.amps(value),
        words.share(value),
        words.percent(value),
        words.chance(value),
        words.degrees(value),
    ):
        assert told and "nan" not in told and "inf" not in told and "-" not in told


@given(st.floats(0, 1))
def test_a_chance_is_never_told_as_certain(value: float) -> None:
    assert words.chance(value) not in ("100 %", "0 %")


def test_a_time_of_another_year_and_across_the_change_of_clocks() -> None:
    zone, now = ZoneInfo("America/Chicago"), datetime(2026, 11, 1, 12, 0, tzinfo=UTC)
    assert words.local(datetime(2026, 11, 1, 6, 30, tzinfo=UTC), zone, now) == "01:30 CDT"
    assert words.local(datetime(2026, 11, 1, 7, 30, tzinfo=UTC), zone, now) == "01:30 CST"
    assert words.local(datetime(2025, 12, 31, 18, 0, tzinfo=UTC), zone, now) == "Dec 31 2025, 12:00 CST"


@given(st.timedeltas(timedelta(days=-400), timedelta(days=4000)))
def test_ages_are_told_for_any_clock(age: timedelta) -> None:
    now = datetime(2026, 10, 4, tzinfo=UTC)
    told = words.ago(now - age, now)
    assert told.endswith("ago") or told == "just now" or (age.total_seconds() < -90 and "ahead" in told)


def test_not_a_number_is_not_told_as_one() -> None:
    assert words.amps(math.nan) == words.amps(None) == "–"
