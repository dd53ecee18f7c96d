"""Tonight's outlook: a hand-worked example, what must hold for any fan, and air density from another source."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.air import site_pressure
from monitor.blades.estimate import estimate
from monitor.blades.tonight import (
    LEAST_DEVIATION_K,
    NO_AIR,
    NO_LOW,
    Low,
    Outlook,
    crossing,
    device_opens_from,
    measured_low,
    outlook,
)
from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Motor, Nameplate

PLATE = Nameplate(Motor(460, 3, 13.2, 1.15, power_factor=0.83))
COLD = Low(-2.0, 2.0, "entered by Ada")
SEEN = WindowFigures(15.0, 14.6, (15.0, 14.5, 14.3), (461.0, 460.0, 459.0), 0.22, 460.0, 12.0, 0.0, 1800, 180, None)


def night(seen: WindowFigures = SEEN, low: Low | None = COLD, **keys: float) -> Outlook:
    found, why = outlook(PLATE, seen, estimate(PLATE, seen), low, **keys)
    assert found is not None, why
    return found


def test_worked_by_hand() -> None:
    """With a pocket calculator, from the formulas of the page on the science.

    Imr = 0.85 x 13.2 x sqrt(1 - 0.83^2) = 6.2581; Ia = sqrt(14.6^2 - 6.2581^2) = 13.1908;
    g = 285.15/271.15 = 1.051632; i0 = 13.8719; amps = sqrt(13.8719^2 + 6.2581^2) + 0.4 = 15.618;
    iT = sqrt((15.18 - 0.4)^2 - 6.2581^2) = 13.3898; sI = sqrt((0.8/sqrt 3)^2 + 0.15^2) = 0.48563;
    sig = 0.48563 x 14.6/173.997 = 0.040749; with 2/271.15: 0.041411; z = ln(13.3898/13.8719)/0.041411 = -0.8542;
    Phi(-0.8542) = 0.1965. For the device: iT = sqrt((13.86 - 0.4)^2 - 6.2581^2) = 11.9167 and
    285.15 x 13.1908/11.9167 = 315.64 K.
    """
    found = night(device_amps=13.86)
    assert found.amps == pytest.approx(15.618, abs=0.001)
    assert (found.limit_amps, found.chance_limit) == (pytest.approx(15.18), pytest.approx(0.8035, abs=0.0005))
    assert found.passes_below_c == pytest.approx(42.49, abs=0.01)  # past the device already
    assert found.chance == found.chance_device and found.passes_device_first
    # 1.645 x 0.041411: sqrt((13.8719 x 1.07050)^2 + 6.2581^2) + 0.4
    assert found.most == pytest.approx(16.515, abs=0.005)


@given(st.floats(-30.0, 25.0), st.floats(-30.0, 25.0))
def test_colder_is_never_less(a: float, b: float) -> None:
    colder, warmer = (night(low=Low(c, 2.0, "any"), device_amps=14.5) for c in sorted((a, b)))
    assert colder.amps >= warmer.amps
    assert colder.least <= colder.amps <= colder.most
    assert colder.now_c >= colder.low.c
    if warmer.amps >= warmer.limit_amps:  # past the limit a colder night is surer, but a wider band is less so
        assert colder.chance_limit >= 0.5


@given(st.floats(12.5, 15.1), st.floats(0.0, 6.0), st.floats(0.0, 0.5))
def test_an_even_chance_where_the_mean_meets_the_limit(highest: float, deviation: float, spread: float) -> None:
    seen = replace(SEEN, highest=highest, mean=highest - 0.3, ambient_c=15.0, spread=spread)
    meets = night(seen, Low(15.0, deviation, "any")).passes_below_c
    assert meets is not None
    if meets > 15.0:
        return
    found = night(seen, Low(meets, deviation, "any"))
    assert found.amps == pytest.approx(found.limit_amps, rel=1e-9)
    assert found.chance_limit == pytest.approx(0.5, abs=1e-6)


@given(st.floats(-25.0, 20.0), st.floats(0.0, 2000.0))
def test_the_load_of_the_air_goes_with_its_density(low_c: float, altitude_m: float) -> None:
    """Dry air of CoolProp, a real gas: the active amps go with its density."""
    from CoolProp.HumidAirProp import HAPropsSI  # a second and more, and each process collects this file

    pressure = site_pressure(altitude_m)
    volume, reference = (HAPropsSI("Vda", "T", t_c + 273.15, "P", pressure, "R", 0.0) for t_c in (low_c, 20.0))
    ratio = reference / volume
    seen = replace(SEEN, ambient_c=20.0)
    found = night(seen, Low(low_c, 2.0, "any"))
    magnetising = 0.85 * 13.2 * math.sqrt(1.0 - 0.83**2)
    active, now = math.sqrt((found.amps - 0.4) ** 2 - magnetising**2), math.sqrt(14.6**2 - magnetising**2)
    assert active / now == pytest.approx(ratio, rel=1e-3)


def test_what_is_not_known_widens_and_never_moves_the_amps() -> None:
    sure, unsure = night(low=Low(5.0, 0.0, "any")), night(low=Low(5.0, 6.0, "any"))
    assert sure.amps == unsure.amps
    assert unsure.most > sure.most and unsure.least < sure.least


def test_a_device_that_has_carried_more_is_compared_with_that() -> None:
    assert device_opens_from(13.2, None) == pytest.approx(13.86)
    assert device_opens_from(13.2, 16.0) == 16.0
    assert device_opens_from(None, 16.0) is None
    found = night(device_amps=16.0)
    assert found.chance == found.chance_limit > (found.chance_device or 1.0)
    assert not found.passes_device_first


def test_a_front_that_is_here_already() -> None:
    found = night(low=Low(14.0, 2.0, "mean of the last 3 nights"))
    assert found.low.c == found.now_c == 12.0
    assert found.amps == pytest.approx(15.0)
    assert "colder already" in found.words[0]


@pytest.mark.parametrize(
    ("seen", "low", "why"),
    [
        (SEEN, None, NO_LOW),
        (replace(SEEN, ambient_c=None), Low(0.0, 2.0, "any"), NO_AIR),
        (replace(SEEN, unbalance=5.4, volts=(480.0, 455.0, 440.0)), Low(0.0, 2.0, "any"), "supply first"),
        (replace(SEEN, highest=6.5, mean=6.4), Low(0.0, 2.0, "any"), "too lightly loaded to say"),
    ],
)
def test_no_outlook_and_why(seen: WindowFigures, low: Low | None, why: str) -> None:
    assert outlook(PLATE, seen, estimate(PLATE, seen), low) == (None, why)


def test_the_weather_point_stands_in_for_the_fan_s_own_air() -> None:
    seen = replace(SEEN, ambient_c=None)
    assert night(seen, weather_c=12.0).amps == pytest.approx(15.618, abs=0.001)


def test_the_low_from_nights_before() -> None:
    assert measured_low([]) is None
    assert measured_low([9.0, 9.0, 3.0, 2.0, 1.0]) == Low(2.0, LEAST_DEVIATION_K, "mean of the last 3 nights")
    wide = measured_low([8.0, -4.0])
    assert wide is not None and (wide.c, wide.deviation) == (2.0, pytest.approx(8.485, abs=0.001))
    one = measured_low([3.0])
    assert one is not None and one.deviation > LEAST_DEVIATION_K


HOURS = np.arange(12.0, 33.5, 0.5)
FALLING = 10.0 - 10.0 * np.minimum(np.maximum(HOURS - 18.0, 0.0), 12.0) / 12.0
"""Ten degrees until 18:00, then down to nought at 06:00."""


def at(now: float, now_c: float, low_c: float, below_c: float, hours: np.ndarray = HOURS) -> float | None:
    found = crossing(hours * 3600, FALLING[: len(hours)], now=(24 + now) * 3600, now_c=now_c, low_c=low_c,
                     passes_below_c=below_c)  # fmt: skip
    return None if found is None else found / 3600 - 24


def test_the_hour_of_last_night() -> None:
    assert at(18, 10, 0, 5) == pytest.approx(24)
    assert at(18, 10, 0, 5.1) == pytest.approx(24 - 0.12)
    assert at(18, 20, 0, 10) == pytest.approx(24)  # warmer now: it falls twice as fast
    assert at(18, 4, 0, 5) == 18  # colder already
    assert at(18, 10, 6, 5) is None  # not so cold tonight
    assert at(18, 10, 0, 0) == pytest.approx(30)
    assert at(22, 10, -2, 4) == pytest.approx(26)


def test_no_hour_where_last_night_is_not_known_from_here_on() -> None:
    assert at(9.5, 12, 0, 5) is None  # begins at noon only
    assert at(18, 10, 0, 5, HOURS[:5]) is None  # ended at two in the afternoon
    assert at(18, 10, 0, 5, HOURS[:1]) is None


@given(st.floats(12.0, 32.0), st.floats(-5.0, 25.0), st.floats(-20.0, 25.0), st.floats(-25.0, 25.0))
def test_an_hour_is_given_just_where_it_gets_so_cold(now: float, now_c: float, low_c: float, below: float) -> None:
    found = at(now, now_c, min(low_c, now_c), below)
    assert (found is not None) == (below >= min(low_c, now_c))
    if found is not None:
        assert now - 1e-6 <= found <= HOURS[-1] + 1e-6
