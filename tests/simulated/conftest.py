"""A start, and farms made of scenario text."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from simulated.farm import Farm
from simulated.scenario import Scenario, load


@pytest.fixture
def start() -> datetime:
    """18:00 local time of the invented farms, late harvest."""
    return datetime(2026, 11, 24, 0, 0, tzinfo=UTC)


@pytest.fixture
def scenario_of(tmp_path: Path) -> Callable[[str], Scenario]:
    """A scenario from TOML text."""

    def make(text: str) -> Scenario:
        path = tmp_path / "tried.toml"
        path.write_text(text, encoding="utf-8")
        return load(path)

    return make


@pytest.fixture
def farm_of(scenario_of: Callable[[str], Scenario], start: datetime) -> Callable[..., Farm]:
    """A farm of one site "s" with two bins and a supply "p", its fans and events given as TOML text."""

    def make(rest: str, *, supply: str = "", fan: str = "", fans: int = 1, seed: int = 0) -> Farm:
        text = f"""
name = "tried"
past_hours = 0.0
[sites.s]
name = "S"
weather = {{ swing_c = 0.0, fronts_c = 0.0, noise_c = 0.0, mean_c = 10.0 }}
[sites.s.supplies.p]
volts = 470.0
kva = 30.0
noise_percent = 0.0
swing_percent = 0.0
{supply or "unbalance_percent = 0.0"}
[sites.s.bins.b]
[sites.s.bins.c]
"""
        for n in range(fans):
            text += f"""
[sites.s.fans.f{n + 1}]
supply = "p"
bin = "{"bc"[n % 2]}"
motor = {{ rated_power_hp = 10.0, rated_voltage = 460.0, full_load_amps = 12.4, power_factor = 0.85 }}
protection = {{ type = "overload relay", trip_class = 10, setting_amps = 12.4 }}
fan = {{ blade_pitch_degrees = 19, control = "continuous" }}
{fan or "truth = { load = 0.9, amps_factor = 1.0, pickup_ratio = 1.15, time_factor = 0.8, slope = 0.08 }"}
"""
        return Farm(scenario_of(text + rest), start, seed)

    return make
