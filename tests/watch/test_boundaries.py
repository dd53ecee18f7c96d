"""At the very figure: which side of a threshold a reading on it belongs to."""

from __future__ import annotations

import math

import pytest

from monitor.watch import layout
from monitor.watch.advance import advance, new_states
from monitor.watch.limits import resolve, stack
from tests.conftest import BALANCED, columns, nameplate


@pytest.mark.parametrize(("amps", "runs"), [(6.0, False), (math.nextafter(6.0, 7.0), True)])
def test_running_is_more_than_15_percent_of_full_load_amps(amps: float, runs: bool) -> None:
    plate = nameplate()  # 40 A
    _, judged = advance(new_states(1), columns([(0, 0.0, (amps,) * 3, BALANCED, 0)]), stack([resolve(plate)]))
    assert bool(judged.flags[0] & layout.IS_RUNNING) is runs


@pytest.mark.parametrize(("volts", "lost"), [(230.0, False), (math.nextafter(230.0, 0.0), True)])
def test_a_line_is_lost_under_half_of_rated_voltage(volts: float, lost: bool) -> None:
    states = new_states(1)
    advance(states, columns([(0, 0.0, (20.0,) * 3, (volts, 460.0, 460.0), 0)]), stack([resolve(nameplate())]))
    assert math.isnan(states[0, layout.V12]) is lost
