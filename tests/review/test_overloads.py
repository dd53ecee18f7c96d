"""Spells over the limit: borders within one period and 5 s of the truth; noise is no overload, a short trip is."""

from __future__ import annotations

import pytest

from monitor.review.engine import review
from monitor.review.findings import Overload
from tests.review.logs import clock, plate, told


def spells(text: str, period: int, **more: float) -> tuple[Overload, ...]:
    return review(told(text, period, **more), plate(period=float(period), setting=46.0)).overloads  # type: ignore[arg-type]


def about(ms: float, time: str, period: int) -> bool:
    hours, minutes, seconds = (int(word) for word in time.split(":"))
    own = clock(ms).split(":")
    found = 3600 * int(own[0]) + 60 * int(own[1]) + int(own[2])
    return abs(found - (3600 * hours + 60 * minutes + seconds)) <= period + 5


@pytest.mark.parametrize("period", [1, 10, 60])
def test_a_step_up_and_down(period: int) -> None:
    text = "00:00:00  36 | 460\n01:00:07  44 | 460\n01:30:13  36 | 460\n02:00:00  end"
    (one,) = spells(text, period, noise=0.005)
    assert about(one.start_ms, "01:00:07", period) and about(one.end_ms, "01:30:13", period)
    assert one.seconds == pytest.approx((one.end_ms - one.start_ms) / 1000.0)
    assert 110.0 < one.peak_percent_of_limit < 113.5


@pytest.mark.parametrize("period", [1, 10, 30])
def test_unbalance_that_comes_and_goes_at_once(period: int) -> None:
    """The watch smooths volts over a minute; the borders are where the readings' own volts put them."""
    text = "00:00:00  37 | 460\n01:00:00  37 | 480 450 450\n01:30:00  37 | 460\n02:00:00  end"
    (one,) = spells(text, period, noise=0.002)
    assert about(one.start_ms, "01:00:00", period) and about(one.end_ms, "01:30:00", period)


def test_noise_at_the_limit_is_one_spell() -> None:
    text = "00:00:00  36 | 460\n01:00:00  40.1 | 460\n02:00:00  36 | 460\n03:00:00  end"
    (one,) = spells(text, 1, noise=0.006)
    assert about(one.start_ms, "01:00:00", 1) and about(one.end_ms, "02:00:00", 1)
    assert one.seconds < 0.99 * (one.end_ms - one.start_ms) / 1000.0  # what lay under it does not count


def test_two_spells_stay_two() -> None:
    text = "00:00:00  44 | 460\n00:20:00  38 | 460\n00:20:30  44 | 460\n00:40:00  36 | 460\n01:00:00  end"
    first, second = spells(text, 10, noise=0.001)
    assert (clock(first.start_ms), clock(first.end_ms)) == ("00:00:00", "00:20:00")
    assert (clock(second.start_ms), clock(second.end_ms)) == ("00:20:30", "00:40:00")
    text = text.replace("38 | 460", "39.5 | 460")  # within the deadband, for less than its off-delay
    assert len(spells(text, 10, noise=0.001)) == 1


def test_what_is_no_overload() -> None:
    gust = "00:00:00  36 | 460\n00:30:00  44 | 460\n00:31:30  36 | 460\n01:00:00  end"  # under two minutes
    start = "00:00:00  0 | 460\n00:10:00  200 | 440\n00:10:08  36 | 460\n01:00:00  end"
    for text in (gust, start):
        assert spells(text, 1, noise=0.002) == ()


def test_a_short_one_that_tripped_is_told() -> None:
    text = "00:00:00  36 | 460\n02:00:00  80 | 460\n02:00:40  0 | 460\n02:30:00  end"
    (one,) = spells(text, 1, noise=0.002)
    assert about(one.start_ms, "02:00:00", 1) and about(one.end_ms, "02:00:40", 1)


def test_a_gap_in_it_and_the_end_of_the_log() -> None:
    text = "00:00:00  44 | 460\n00:30:00  silent\n01:00:00  44 | 460\n01:30:00  end"
    first, second = spells(text, 10, noise=0.001)
    assert clock(first.end_ms) == "00:30:20"  # a reading stands for three periods
    assert (clock(second.start_ms), clock(second.end_ms)) == ("01:00:00", "01:29:50")
