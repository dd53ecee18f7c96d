"""A hand meter against the logger: what is offered as a clamp's correction, and what is not."""

from __future__ import annotations

import math

import numpy as np
import pytest

from monitor.motor.hand_reading import Compared, compare, offers
from monitor.motor.nameplate import Logger

LOGGER = Logger(accuracy_percent=2.0, accuracy_amps=0.5)


def seen(hand: tuple[float | None, ...], logger: tuple[float | None, ...], wander: float = 0.002) -> Compared:
    return Compared(hand, logger, 6, wander)


def test_differences_leg_by_leg_and_what_is_missing_stays_missing() -> None:
    rows = np.array([[10.0, math.nan, 12.0], [10.2, math.nan, 12.2], [math.nan, math.nan, math.nan]])
    found = compare((10.5, 11.0, None), rows)
    assert found is not None
    assert (found.logger[0], found.logger[1], found.readings) == (pytest.approx(10.1), None, 2)
    assert found.differences == (pytest.approx(0.4), None, None)
    assert found.wander == pytest.approx(0.1 / 10.1)
    assert compare((10.5,), np.full((3, 3), math.nan)) is None


def test_single_phase_looks_at_one_clamp() -> None:
    found = compare((31.0,), np.array([[30.0, math.nan, math.nan]]))
    assert found is not None and found.differences == (1.0,)


def test_a_difference_that_comes_back_is_offered_and_one_alone_with_low_confidence() -> None:
    first, again = seen((20.0, 22.0, 20.0), (20.0, 20.0, 20.0)), seen((15.0, 16.6, 15.1), (15.0, 15.0, 15.0))
    (offer,) = offers([first, again], LOGGER)
    assert (offer.leg, offer.readings, offer.confidence) == (2, 2, "high")
    assert offer.factor == pytest.approx((22 / 20 + 16.6 / 15) / 2)
    assert "L2 reads 9 % low" in offer.words
    (alone,) = offers([first], LOGGER)
    assert (alone.leg, alone.confidence) == (2, "low") and "take another" in alone.words


def test_a_clamp_that_reads_high() -> None:
    (offer,) = offers([seen((20.0, 20.0, 17.0), (20.0, 20.0, 20.0))] * 2, LOGGER)
    assert offer.leg == 3 and "L3 reads 18 % high" in offer.words


def test_readings_that_do_not_agree_offer_nothing() -> None:
    assert offers([seen((22.0,), (20.0,)), seen((25.0,), (20.0,))], LOGGER) == ()
    assert len(offers([seen((22.0,), (20.0,)), seen((25.0,), (20.0,), wander=0.1)], LOGGER)) == 0  # nor an unsteady one


def test_what_both_meters_may_be_off_is_no_difference() -> None:
    # hand meter 2 %, logger 2 % + 0.5 A at 20 A: hypot(0.02, 0.045) = 4.9 %
    assert offers([seen((20.9,), (20.0,))] * 2, LOGGER) == ()
    assert len(offers([seen((21.1,), (20.0,))] * 2, LOGGER)) == 1
    assert len(offers([seen((20.9,), (20.0,))] * 2, Logger(accuracy_percent=1.0, accuracy_amps=0.1))) == 1


def test_too_little_current_is_not_compared() -> None:
    assert offers([seen((0.9,), (0.4,))] * 2, LOGGER) == ()
