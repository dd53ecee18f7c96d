"""Bed, fan and air against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulated import bed, fan, weather
from simulated.scenario import Weather

FT, INCH_WATER, CFM = 0.3048, 249.089, 0.3048**3 / 60.0
CORN = bed.GRAINS["corn"]

# University of Nebraska-Lincoln CropWatch, T. Dorn, "Selecting the Right Aeration Fan for Your Bin", 3 Oct 2008,
# table 1: static pressure (in. w.g.) through shelled corn; depth in ft, columns in cfm/bu. Some rows of it.
AIRFLOWS = (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
NEBRASKA = {
    8: (0.2, 0.3, 0.5, 0.6, 0.8, 1.2),
    12: (0.5, 0.8, 1.2, 1.6, 2.1, 3.2),
    14: (0.7, 1.2, 1.7, 2.3, 3.0, 4.6),
    16: (0.9, 1.6, 2.4, 3.2, 4.2, 6.4),
    20: (1.6, 2.7, 4.0, 5.6, 7.3, 11.3),
}
BUSHEL_FT3 = 1.2445


@pytest.mark.parametrize("depth", NEBRASKA)
@pytest.mark.parametrize("column", range(6))
def test_packed_corn_as_the_nebraska_table(depth, column):
    feet_a_minute = AIRFLOWS[column] * depth / BUSHEL_FT3
    pressure = bed.drop(*CORN, 1.5, depth * FT, feet_a_minute * FT / 60.0) / INCH_WATER
    assert pressure == pytest.approx(NEBRASKA[depth][column], abs=0.08)


@pytest.mark.parametrize(("feet_a_minute", "printed"), [(20.0, 0.18), (40.0, 0.525)])
def test_loose_corn_as_the_missouri_lecture(feet_a_minute, printed):
    # University of Missouri, grain drying course, Lecture 14: 0.18 and 0.525 in. w.g. per ft.
    pressure = bed.drop(*CORN, 1.0, FT, feet_a_minute * FT / 60.0) / INCH_WATER
    assert pressure == pytest.approx(printed, abs=0.01)


def test_a_bin_of_58000_bushels():
    # Northern Plains Electric Cooperative: 48 ft bin, 58,000 bu; with 0.2 cfm/bu: 2.34 in., 7.1 hp at 60 %.
    depth = 58_000 * BUSHEL_FT3 / (math.pi / 4.0 * 48.0**2)
    flow = 0.2 * 58_000 * CFM
    pressure = bed.drop(*CORN, 1.5, depth * FT, flow / (math.pi / 4.0 * (48.0 * FT) ** 2))
    assert pressure / INCH_WATER == pytest.approx(2.336, rel=0.02)
    assert flow * pressure / 0.60 / 745.7 == pytest.approx(7.116, rel=0.03)


def test_no_grain_or_no_air_no_resistance():
    assert bed.drop(*CORN, 1.5, 0.0, 0.1) == 0.0
    assert bed.drop(*CORN, 1.5, 4.0, 0.0) == 0.0


def drying_fan(**changes: float) -> np.ndarray:
    figures = {"watts": 9000.0, "density": 1.2, "slope": 0.08, "pitch": 19.0, "area": 65.0, "depth": 4.0} | changes
    return fan.fit(grain=CORN, **figures)


def test_the_fan_takes_what_it_was_fitted_to():
    q, watts = fan.working_point(drying_fan(), 4.0, 1.2, 19.0, 1.0, 1.0, 0.7)
    assert (q, watts) == (pytest.approx(1.0, abs=1e-6), pytest.approx(9000.0))


def test_warmer_air_takes_less_power_at_the_same_flow():
    # Stoecker and Jones, "Refrigeration and Air Conditioning", ch. 6: 2.4 m3/s, 340 Pa, 1.8 kW at 20 C, now 40 C at the
    # same speed: flow the same, 318.3 Pa, 1.685 kW. The system's pressure falls with density too.
    thin = 293.15 / 313.15
    p = drying_fan(watts=1800.0)
    p[fan.PACKING] *= thin
    q, watts = fan.working_point(p, 4.0, 1.2 * thin, 19.0, 1.0, 1.0, 1.0)
    assert 2.4 * q == pytest.approx(2.4, rel=1e-6)
    assert watts == pytest.approx(1685.0, rel=5e-4)


def test_ten_percent_slower_as_the_cooperative_says():
    # Northern Plains Electric Cooperative: 18,500 cfm, 5 in., 20 hp; 10 % slower: 16,650 cfm, 4.05 in., 14.58 hp.
    p = drying_fan(watts=20.0)
    speed = p[fan.FLOW] / p[fan.AREA]
    p[fan.PACKING] *= 0.81 * bed.drop(*CORN, 1.5, 4.0, speed) / bed.drop(*CORN, 1.5, 4.0, 0.9 * speed)
    q, hp = fan.working_point(p, 4.0, 1.2, 19.0, 0.9, 1.0, 1.0)
    assert 18_500 * 0.9 * q == pytest.approx(16_650, rel=1e-4)
    assert hp == pytest.approx(14.58, rel=1e-3)


def test_a_fuller_bin_means_less_air_and_more_power():
    # Axial fans: shaft power rises toward shut-off (US DOE/AMCA, "Improving Fan System Performance", from memory).
    points = [fan.working_point(drying_fan(), depth, 1.2, 19.0, 1.0, 1.0, 1.0) for depth in (1.0, 3.0, 4.0, 5.0, 8.0)]
    flows, watts = zip(*points, strict=True)
    assert list(flows) == sorted(flows, reverse=True)
    assert list(watts) == sorted(watts)


@pytest.mark.parametrize("slope", [0.05, 0.08, 0.11])
@pytest.mark.parametrize("depth", [2.5, 4.0, 6.0])
def test_a_degree_is_worth_its_slope_on_the_bed(slope, depth):
    p = drying_fan(slope=slope)
    before = fan.working_point(p, depth, 1.25, 19.0, 1.0, 1.0, 1.0)
    after = fan.working_point(p, depth, 1.25, 16.0, 1.0, 1.0, 1.0)
    assert math.log(before[1] / after[1]) / 3.0 == pytest.approx(slope, rel=0.03)


def test_cold_air_raises_power_nearly_with_density():
    watts = [fan.working_point(drying_fan(), 4.0, rho, 19.0, 1.0, 1.0, 1.0)[1] for rho in (1.2, 1.29)]
    assert 0.8 < math.log(watts[1] / watts[0]) / math.log(1.29 / 1.2) < 1.0


def test_a_neighbour_that_stops_eases_the_other():
    p = drying_fan(share=0.5)
    both, alone = (fan.working_point(p, 4.0, 1.2, 19.0, 1.0, share, 1.0)[1] for share in (0.5, 1.0))
    assert alone < both


# ISO 2533 / US standard atmosphere 1976 (from memory): altitude in m, pressure in Pa.
@pytest.mark.parametrize(("altitude", "pascal"), [(0, 101_325), (500, 95_461), (1000, 89_876), (1500, 84_560)])
def test_standard_atmosphere(altitude, pascal):
    assert weather.pressure(altitude) == pytest.approx(pascal, rel=5e-4)


@pytest.mark.parametrize("air_c", [-20.0, 0.0, 20.0, 35.0])
def test_density_as_coolprop_says(air_c):
    import CoolProp.CoolProp as coolprop  # a second and more, and each process collects this file

    dry = coolprop.PropsSI("D", "T", air_c + 273.15, "P", weather.pressure(300.0), "Air")
    assert float(weather.thickness(air_c, 300.0)) == pytest.approx(dry, rel=1.5e-3)


def test_nights_are_colder_than_afternoons_and_stretches_agree():
    air = weather.Air(Weather(mean_c=3.0, swing_c=5.0, fronts_c=3.0, noise_c=0.1), 7, 1)
    local = 1.79e9 + 600.0 * np.arange(144 * 40)
    whole = air.temperature(local)
    hour = local % 86400.0 // 3600.0
    assert whole[hour == 15].mean() - whole[hour == 5].mean() == pytest.approx(2 * 5.0 * 0.925, abs=1.5)
    assert whole.mean() == pytest.approx(3.0, abs=2.0)
    assert np.abs(np.diff(whole)).max() < 2.0
    np.testing.assert_array_equal(air.temperature(local[1000:2000]), whole[1000:2000])
    again = weather.Air(Weather(mean_c=3.0, swing_c=5.0, fronts_c=3.0, noise_c=0.1), 8, 1)
    assert np.abs(again.temperature(local) - whole).max() > 1.0
