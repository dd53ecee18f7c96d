"""The plant of a farm made ready for the clockwork: one record a fan, with what was given and what was drawn."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simulated import bed, fan, motor, relay, stepping, weather
from simulated.control import Control
from simulated.course import Courses
from simulated.loggers import FanLogger, Path, clamp_errors
from simulated.scenario import Fan, Scenario, Site
from simulated.truth import drawn

FEET = 0.3048
RESET = {"farmer": stepping.BY_FARMER, "itself": stepping.BY_ITSELF, "nobody": stepping.NEVER}

Draws = Callable[..., np.random.Generator]


@dataclass
class Plant:
    """All fans of a scenario, in one order."""

    keys: list[tuple[str, str]]
    """(site, fan)."""
    fans: list[Fan]
    supplies: list[tuple[str, str]]
    """(site, supply)."""
    bins: list[tuple[str, str]]
    """(site, bin)."""
    step: float
    """Length of a step, s: fits all periods."""
    fixed: stepping.Records
    """(F,) stepping.FIXED."""
    states: stepping.Records
    """(F,) stepping.STATE."""
    slopes: dict[tuple[str, str], float]
    controls: list[Control]
    loggers: list[FanLogger]


def period(fan_: Fan) -> int:
    """Period of its logger (s)."""
    return int(fan_.logger.get("period_seconds", 10))


def lay_out(scenario: Scenario, draws: Draws, courses: Courses) -> Plant:
    """Make the plant. draws: a generator for names, the same for the same names."""
    keys = [(k, n) for k, site in scenario.sites.items() for n in site.fans]
    fans = [scenario.sites[k].fans[n] for k, n in keys]
    supplies = [(k, n) for k, site in scenario.sites.items() for n in site.supplies]
    bins = [(k, n) for k, site in scenario.sites.items() for n in site.bins]
    sites = list(scenario.sites)
    periods = [period(f) for f in fans]
    for site in scenario.sites.values():
        periods += [s.period_seconds for s in site.supplies.values() if s.point]
        periods += [site.weather.period_seconds] if site.weather.point is not None else []
    step = float(math.gcd(10, *periods))

    fixed = np.zeros(len(keys), stepping.FIXED)
    states = np.zeros(len(keys), stepping.STATE)
    plant = Plant(keys, fans, supplies, bins, step, fixed, states, {}, [], [])
    on_bin = [(k, f.bin) for (k, _), f in zip(keys, fans, strict=True)]
    for n, ((key, name), f) in enumerate(zip(keys, fans, strict=True)):
        site = scenario.sites[key]
        rng = draws(key, name, "fan")
        slope = _fill(fixed[n], f, site, 1.0 / on_bin.count((key, f.bin)), rng)
        fixed[n]["supply"] = supplies.index((key, f.supply))
        fixed[n]["bin"] = bins.index((key, f.bin))
        fixed[n]["site"] = sites.index(key)
        plant.slopes[key, name] = slope
        states[n]["started"] = -1e9
        states[n]["slip"] = fixed[n]["circuit"][motor.SLIP]
        states[n]["gap"] = fixed[n]["circuit"][motor.E_RATED]
        states[n]["flow"] = 1.0
        plant.controls.append(Control(f.cycle, key, name, courses, draws(key, name, "control")))

        phases = 3 if fixed[n]["feed"] == motor.THREE_LEGS else 1
        gain, offset = clamp_errors(f.sends, f.logger, phases, rng)
        averaging = bool(f.logger.get("averaging", False))
        at = step if averaging else float(rng.integers(1, round(step) + 1))
        fixed[n]["sample"] = at
        plant.loggers.append(
            FanLogger(
                Path(f.sends, key, name, courses, draws(key, name, "path")),
                phases=phases,
                gain=gain,
                offset=offset,
                every=round(periods[n] / step),
                at=at,
                averaging=averaging,
                courses=courses,
                site=key,
                fan=name,
                rng=draws(key, name, "logger"),
            )
        )
    return plant


def _fill(record: stepping.Records, f: Fan, site: Site, share: float, rng: np.random.Generator) -> float:
    """Fill one fan's record of what does not change; its true slope."""
    hidden = drawn(f, rng)
    circuit = hidden.circuit
    b = site.bins[f.bin]
    record["circuit"] = circuit.parameters
    record["blades"] = fan.fit(
        watts=hidden.load * circuit.rated_watts,
        density=float(weather.thickness(20.0, site.altitude_m)),
        slope=hidden.slope,
        pitch=base_pitch(f),
        area=math.pi / 4.0 * (b.diameter_ft * FEET) ** 2,
        depth=b.depth_ft * FEET,
        grain=bed.GRAINS[b.grain],
        packing=b.packing,
        rise=f.truth.rise,
        share=share,
    )
    record["feed"] = motor.THREE_LEGS if f.motor.get("phases", 3) == 3 else motor.ONE_PHASE
    record["run_up"] = motor.run_up(circuit.parameters, hidden.load * circuit.rated_watts, stepping.START_POINTS)
    record["start_s"] = f.truth.start_seconds
    record["restart_delay"] = 60.0 * f.truth.restart_minutes * rng.uniform(0.7, 1.5)
    record["warm_s"] = 600.0
    if hidden.setting > 0.0:
        record["pickup"] = hidden.pickup_ratio * hidden.setting
        record["warm_s"] = relay.heating_seconds(hidden.trip_class, hidden.pickup_ratio, hidden.time_factor)
    record["cool_s"] = 1.5 * record["warm_s"]
    record["sensitive"] = f.truth.lost_phase_sensitive and record["feed"] == motor.THREE_LEGS
    record["reset"] = RESET[f.truth.reset]
    usual = 3600.0 * f.truth.reset_hours * (1.0 if f.truth.reset == "farmer" else 0.1)
    record["reset_delay"] = usual * np.exp(0.4 * rng.standard_normal(stepping.DELAYS))
    return hidden.slope


def base_pitch(f: Fan) -> float:
    """Registered pitch (degrees)."""
    return float(f.fan.get("blade_pitch_degrees", 20.0))
