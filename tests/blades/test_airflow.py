"""What degrees cost in air and in drying time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.blades.airflow import airflow, cost_of
from monitor.blades.estimate import estimate
from tests.blades.test_estimate import PLATE, SEEN

DEGREES = st.floats(0.0, 15.0)


@given(st.floats(0.03, 0.15), DEGREES, DEGREES)
def test_less_pitch_is_less_air(slope: float, a: float, b: float) -> None:
    less, more = sorted((a, b))
    assert 0.0 < airflow(slope, more) <= airflow(slope, less) <= 1.0


def test_three_percent_of_air_a_degree_within_its_band() -> None:
    assert 1.0 - airflow(0.075, 1.0) == pytest.approx(0.03, abs=0.001)
    band = [1.0 - airflow(0.075, 1.0, exponent) for exponent in (1.3, 1.8)]
    assert all(0.025 <= loss <= 0.043 for loss in band)
    cost = cost_of(100.0 * airflow(0.075, 1.0))
    assert 100.0 - cost.airflow_high == pytest.approx(2.5, abs=0.05)
    assert 100.0 - cost.airflow_low == pytest.approx(4.3, abs=0.1)


@given(st.floats(20.0, 100.0))
def test_drying_takes_as_much_longer_as_there_is_less_air(left: float) -> None:
    cost = cost_of(left)
    assert cost.airflow_low <= cost.airflow_percent <= cost.airflow_high <= 100.0
    assert 0.0 <= cost.longer_low <= cost.longer_percent <= cost.longer_high
    # The same heap dried with the same air: airflow times time stays.
    assert cost.airflow_percent * (100.0 + cost.longer_percent) == pytest.approx(10_000.0)
    assert cost.airflow_low * (100.0 + cost.longer_high) == pytest.approx(10_000.0)


def test_the_cost_of_each_insert_is_at_hand() -> None:
    options = estimate(PLATE, SEEN).pitch.options
    assert options[0].cost.said() == ""
    assert options[2].cost.said() == "about 9 % less air (7 to 12) and so 9 % longer to dry (8 to 14), an estimate"
    assert [option.cost.airflow_percent for option in options] == [option.airflow_percent for option in options]
