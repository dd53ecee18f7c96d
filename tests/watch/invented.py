"""Invented streams of readings with all that goes wrong in the field."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from hypothesis import strategies as st

from monitor.motor.nameplate import Logger, Nameplate, Protection
from tests.conftest import NAN, Row, nameplate
from tests.watch.streams import Stream, Version

LOADS = (0.0, 0.0, 0.1, 0.2, 0.4, 0.7, 0.9, 0.93, 0.96, 0.98, 1.0, 1.03, 1.1, 1.2, 1.5, 5.5)
UNBALANCES = (0.0, 0.8, 1.7, 2.45, 2.7, 3.3, 4.6, 5.4, 7.0)
VOLTS = ("all", "all", "all", "all", "none", "one", "two", "lost", "one lost", "low", "high", "sag")
LEGS = ("all", "all", "all", "all", "none", "one missing", "phase lost", "clamp off", "impossible", "stuck", "frozen",
        "apart")  # fmt: skip
GAPS = (0, 0, 0, 0, 0, 1, 2, 2.5, 5, 10, 60, 200, 1500, 9000)
CONDITIONS: tuple[Mapping[str, Mapping[str, Any]], ...] = (
    {},
    {"overload": {"on_delay_seconds": 20, "off_delay_seconds": 0}, "low-margin": {"on_delay_seconds": 60},
     "leg-spread": {"on_delay_seconds": 10, "off_delay_seconds": 10}, "many-starts": {"setpoint": 2}},
    {"overload": {"setpoint": 0.9}, "low-margin": {"off": True}, "stopped": {"on_delay_seconds": 0},
     "device-margin": {"on_delay_seconds": 20, "off_delay_seconds": 60}, "no-load": {"on_delay_seconds": 0},
     "phase-lost": {"setpoint": 20}, "many-starts": {"setpoint": 3, "off_delay_seconds": 0}},
    {"overload": {"off": True}, "low-margin": {"on_delay_seconds": 0, "off_delay_seconds": 30},
     "trip-near": {"setpoint": 30, "on_delay_seconds": 0}, "supply-lost": {"on_delay_seconds": 0},
     "logger-suspect": {"off_delay_seconds": 60}},
    {"voltage-unbalance-severe": {"on_delay_seconds": 0}, "voltage-unbalance": {"setpoint": 2.0, "clears": 1.9},
     "voltage-low": {"on_delay_seconds": 0, "setpoint": 95}, "voltage-high": {"off_delay_seconds": 0},
     "no-load": {"setpoint": 60, "off_delay_seconds": 0}},
)  # fmt: skip
DEVICES = (
    Protection("overload relay", 10, 40.0), Protection("overload relay", None, 36.0, 1.05),
    Protection("overload relay", 30, 46.0), Protection("unknown", 5, 40.0, 1.25), Protection(),
    Protection("built-in protector", 20, 40.0), Protection("overload relay", 20, None),
)  # fmt: skip


@dataclass(frozen=True)
class Stretch:
    """Some readings of one kind."""

    readings: int
    load: float
    unbalance: float
    volts: str
    legs: str
    gap_periods: float
    version: int
    called: float = NAN
    inrush: int = 0
    """So many readings of 5.5 times full-load amps first."""


STRETCHES = st.builds(
    Stretch, readings=st.integers(1, 40), load=st.sampled_from(LOADS), unbalance=st.sampled_from(UNBALANCES),
    volts=st.sampled_from(VOLTS), legs=st.sampled_from(LEGS), gap_periods=st.sampled_from(GAPS),
    version=st.integers(0, 3), called=st.sampled_from((NAN, NAN, 0.0, 1.0)),
    inrush=st.sampled_from((0, 0, 0, 1, 3, 12)),
)  # fmt: skip


def _legs(kind: str, load: float, noise: Any, random: np.random.Generator) -> Any:
    legs = 40.0 * load * (1.0 + noise)
    one, other = random.permutation(3)[:2] if kind == "one missing" else (2, 1)
    if kind == "none":
        legs[:] = NAN
    elif kind == "one missing":
        legs[one] = NAN
    elif kind == "phase lost":
        legs *= 1.6
        legs[one] = 0.02 * load
    elif kind == "clamp off":
        legs[one] = 0.0
    elif kind == "impossible":
        legs[one] *= 3.0
    elif kind == "stuck":
        legs[one] = 37.3 * (load > 0)
        legs[other] *= 1 + 0.08 * random.random()
    elif kind == "apart":
        legs[one] *= 1.25
    return legs


def _lines(kind: str, unbalance: float, noise: Any, random: np.random.Generator) -> Any:
    x = 460.0 * unbalance / 200.0
    lines = np.array([460.0 + 2 * x, 460.0 - x, 460.0 - x]) + 0.5 * noise
    if kind in ("none", "one", "two"):
        lines[{"none": 0, "one": 1, "two": 2}[kind] :] = NAN
    if kind in ("lost", "one lost"):
        lines[slice(None) if kind == "lost" else random.integers(0, 3)] *= 0.3
    return lines * {"low": 0.85, "high": 1.12, "sag": 0.7}.get(kind, 1.0)


def play(
    stretches: Sequence[Stretch], phases: int, period: float, seed: int, fan: int, first_version: int
) -> list[Row]:
    """The readings of one fan; `period` [s]."""
    random = np.random.default_rng(seed)
    t, rows = 1.7e12 + float(random.integers(0, 1000)), []
    for stretch in stretches:
        t += 1000.0 * round(period * stretch.gap_periods)
        for number in range(stretch.readings + stretch.inrush):
            t += 1000.0 * period + float(random.integers(-40, 41)) * (random.random() < 0.5)
            moving = random.standard_normal((2, 3)) * (seed % 2) * (stretch.legs != "frozen")
            starting = number < stretch.inrush and stretch.load > 0
            legs = _legs(stretch.legs, 5.5 if starting else stretch.load, 0.01 * moving[0], random)
            lines = _lines(stretch.volts, stretch.unbalance, moving[1], random)
            if phases == 1:
                legs[1:] = lines[1:] = NAN
            version = first_version + stretch.version
            rows.append((fan, t, tuple(legs.tolist()), tuple(lines.tolist()), version, stretch.called))
            if random.random() < 0.02:  # heard twice, or late
                rows.append((fan, t - float(random.integers(0, 3)) * 5000.0, *rows[-1][2:]))
    return rows


def version(number: int, device: Protection, averaging: bool, **plate: Any) -> Version:
    """One of a fan's four files: the second has another setting or pitch, the last one is a new motor."""
    made: Nameplate = nameplate(**plate)
    logger = Logger(period_seconds=made.logger.period_seconds, averaging=averaging)
    return replace(made, protection=device, logger=logger), number // 3, number // 2


@st.composite
def streams(draw: st.DrawFn, most_fans: int = 3) -> Stream:
    """Fans of all kinds, their rows mixed as they would arrive."""
    versions: list[Version] = []
    rows: list[tuple[float, int, Row]] = []
    for fan in range(draw(st.integers(1, most_fans))):
        phases, period = draw(st.sampled_from((3, 3, 1))), draw(st.sampled_from((1.0, 10.0, 60.0)))
        given, control = draw(st.booleans()), draw(st.sampled_from(("continuous", "continuous", "cycled", None)))
        averaging = draw(st.sampled_from((False, False, True)))
        first = len(versions)
        for number in range(4):
            versions.append(version(
                number, draw(st.sampled_from(DEVICES)), averaging ^ draw(st.sampled_from((False,) * 7 + (True,))),
                control=control, period_seconds=period if given else None, phases=phases,
                full_load_amps=draw(st.sampled_from((40.0, 40.0, 40.0, 19.0))),
                service_factor=draw(st.sampled_from((1.0, 1.15))),
                rated_power_hp=draw(st.sampled_from((None, 5.0, 30.0))), conditions=draw(st.sampled_from(CONDITIONS)),
            ))  # fmt: skip
        stretches = draw(st.lists(STRETCHES, min_size=1, max_size=10))
        of_fan = play(stretches, phases, period, draw(st.integers(0, 2**16)), fan, first)
        newest = -math.inf
        for place, row in enumerate(of_fan):
            newest = max(newest, row[1])  # a late row arrives late
            rows.append((newest, place, row))
    rows.sort(key=lambda entry: entry[:2])
    return Stream([row for *_, row in rows], versions)


def seeded(seed: int, phases: int = 3, period: float = 10.0, given: bool = True, stretches: int = 60) -> Stream:
    """A long stream of one fan."""
    random = np.random.default_rng(seed)

    def one_of(values: Sequence[Any]) -> Any:
        return values[int(random.integers(0, len(values)))]

    versions = [
        version(number, DEVICES[(seed + number) % 4], seed % 3 == 2, phases=phases,
                period_seconds=period if given else None, conditions=CONDITIONS[(seed + number) % 5])
        for number in range(4)
    ]  # fmt: skip
    course = [
        Stretch(int(random.integers(1, 200)), one_of(LOADS), one_of(UNBALANCES), one_of(VOLTS),
                one_of(("all",) * 6 + LEGS), one_of((0,) * 8 + (1, 5, 60, 90)),
                int(place > 0.8 * stretches) * 2 + one_of((0, 0, 0, 1)), one_of((NAN,) * 6 + (0.0, 1.0)),
                one_of((0, 0, 1, 12)))
        for place in range(stretches)
    ]  # fmt: skip
    return Stream(play(course, phases, period, seed, 0, 0), versions)


def season(seed: int, days: int = 5) -> Stream:
    """One fan that runs by day and, heavier, by night; it stops now and then. A reading a minute."""
    random = np.random.default_rng(seed)
    course = []
    for half_day in range(2 * days):
        load = float(random.uniform(0.98, 1.12) if half_day % 2 else random.uniform(0.85, 0.95))
        late = half_day > 1.6 * days  # then it has another pitch
        course += [
            Stretch(int(random.integers(550, 650)), load, 0.8, "all", "all", 0, 2 * late * (seed % 2)),
            Stretch(int(random.integers(1, 30)), 0.0, 0.8, "all", "all", float(random.integers(0, 9)), 0),
            Stretch(5, 0.9, 0.8, "all", "all", 0, 0, inrush=seed % 2),
            Stretch(2, 0.0, 0.8, "all", "all", 0, 0, called=float(half_day % 2)),
        ]
    versions = [
        version(number, DEVICES[0], seed % 3 == 0, period_seconds=60.0, service_factor=1.15, control="cycled",
                conditions={"many-starts": {"setpoint": 2}})
        for number in range(3)
    ]  # fmt: skip
    return Stream(play(course, 3, 60.0, 2 * seed + 1, 0, 0), versions)
