"""Times to milliseconds and back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.records.rows import ReadingRows, from_ms, number_or_none, to_ms


@given(st.integers(-(10**13), 2 * 10**13))
def test_milliseconds_come_back_exactly(ms: int) -> None:
    assert to_ms(from_ms(ms)) == ms
    assert from_ms(ms).tzinfo is UTC


def test_a_time_of_another_zone_is_the_same_instant() -> None:
    assert to_ms(datetime(2026, 10, 3, 20, 0, tzinfo=timezone(timedelta(hours=-5)))) == to_ms(
        datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
    )


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        to_ms(datetime(2026, 10, 4))  # noqa: DTZ001


@pytest.mark.parametrize(("value", "stored"), [(None, None), (float("nan"), None), (0.0, 0.0), (3, 3.0)])
def test_a_missing_number_is_stored_as_none(value: float | None, stored: float | None) -> None:
    assert number_or_none(value) == stored


def test_nothing_together_is_nothing() -> None:
    assert len(ReadingRows.none()) == len(ReadingRows.together([])) == 0
    assert ReadingRows.together([ReadingRows.none(), ReadingRows.none()]).amps.shape == (0, 3)
