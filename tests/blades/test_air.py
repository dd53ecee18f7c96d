"""Air: the ratios that the estimate goes by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.air import density, power_at_reference, power_ratio, site_pressure, site_words

AIR = st.floats(-40.0, 50.0)


@given(AIR, AIR, st.floats(0.0, 3000.0))
def test_power_goes_with_the_density_at_any_altitude(t_c: float, colder_c: float, altitude: float) -> None:
    pressure = site_pressure(altitude)
    assert power_ratio(t_c, colder_c) == pytest.approx(density(colder_c, pressure) / density(t_c, pressure))
    assert power_at_reference(t_c) == pytest.approx(density(20.0, pressure) / density(t_c, pressure))
    assert power_ratio(t_c, colder_c) * power_ratio(colder_c, t_c) == pytest.approx(1.0)


@given(AIR)
def test_damp_air_is_lighter_but_not_by_much(t_c: float) -> None:
    dry, damp = density(t_c), density(t_c, relative_humidity=1.0)
    assert damp < dry
    if t_c <= 20.0:
        assert damp > 0.99 * dry


def test_altitude_is_told_where_ratings_end() -> None:
    assert site_words(0.0) is None
    assert site_words(1000.0) is None
    words = site_words(1500.0)
    assert words is not None
    assert "1500 m, where air is 17 % thinner" in words
