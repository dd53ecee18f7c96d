"""Invented logs for scoring the review: what happens is planned, played by `simulated` at 1 s, and kept beside each.

Kinds and how often they come are invented (no source); every kind comes equally often, so that a rare one weighs as
much as a common one. A log is what one logger wrote: its period, its gaps, with or without volts, averaging or not. The
truth is taken from the same second-by-second play: when each run ended and why, when the amps that the clamps saw were
over the limit, and what the planner did.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import tomli_w

from monitor.motor.nameplate import Nameplate
from monitor.records.fan_file import read_nameplate
from monitor.review.log import Floats, Log
from simulated.farm import Farm
from simulated.scenario import Bin, Cycle, Event, Fan, Scenario, Sends, Site, Supply, Truth, Weather
from tests.bench.endings_farms import drawn_motor

START = datetime(2026, 10, 20, 12, 0, tzinfo=UTC)
FARM, FAN, PANEL = "farm", "fan", "panel"
KINDS = (
    "healthy", "healthy, cycled", "healthy, cold night", "healthy, brief peaks", "planned stops", "over, no trip",
    "trip, slow", "trip, step", "cold", "low voltage", "unbalance", "connection", "phase lost", "outage", "locked",
    "log ends",
)  # fmt: skip
"""What the planner may do."""
HEALTHY = tuple(kind for kind in KINDS if kind.startswith(("healthy", "planned", "log ends")))
MAIN_CAUSE = {
    "over, no trip": "fan load", "trip, slow": "fan load", "trip, step": "fan load", "cold": "air density",
    "low voltage": "supply voltage", "unbalance": "supply unbalance", "connection": "leg connection",
    "phase lost": "lost phase", "outage": "lost supply", "locked": "fault",
}  # fmt: skip
"""What the planner did to the fan, in the words of the review; the others have no cause."""
THREE_PHASE_ONLY = ("unbalance", "connection", "phase lost")
NEEDS_VOLTS = ("cold", "low voltage", "unbalance", "connection", "outage")
"""Without volts nobody could tell these from a heavier load, a bad connection or a stop."""
PERIODS = (1, 2, 5, 10, 30, 60)
NOISE_AMPS = 0.03
LEAST_SPELL_S = 120
"""Shorter ones are peaks, not spells: the on-delay of the condition `overload`."""
BORDER = 0.006
"""Within so much of the limit noise decides: a border anywhere there is right (derived: three times the noise of
clamps on a small motor)."""


@dataclass(frozen=True)
class Spell:
    """A true spell over the limit, with the earliest and the latest its borders may lie at because of noise [ms]."""

    start: tuple[float, float]
    end: tuple[float, float]


@dataclass
class Case:
    """A log and the truth about it."""

    seed: int
    kind: str
    period_s: int
    volts: bool
    averaging: bool
    plate: Nameplate
    log: Log
    ends: list[tuple[float, str]] = field(default_factory=list)
    """(when [ms], how) each run truly ended that ended within the log."""
    spells: list[Spell] = field(default_factory=list)
    """True spells over the limit of two minutes and longer."""
    near: bool = False
    """The amps came so near the limit that noise may decide whether there was a spell at all."""

    @property
    def title(self) -> str:
        """Seed and kind, as the list of misses names it."""
        volts = "volts" if self.volts else "no volts"
        return f"seed {self.seed} ({self.kind}, {self.period_s} s, {volts}{', averaging' if self.averaging else ''})"


def _span(seconds: float) -> str:
    return f"{max(round(seconds), 1)}s"


def _load(ratio: float, motor: dict[str, Any], air_c: float) -> float:
    """About the share of rated power at 20 degrees C that draws `ratio` of the limit in air of `air_c`."""
    idle2 = 0.8 * (1.0 - motor["power_factor"] ** 2)
    share = ratio * motor["service_factor"]
    return math.sqrt(max(share**2 - idle2, 0.05) / (1.0 - idle2)) * (air_c + 273.15) / 293.15


def plan(kind: str, random: np.random.Generator, hours: float, motor: dict[str, Any]) -> tuple[float, list[Event]]:
    """Load ratio at the beginning, and what is done to the fan or its supply."""
    span = 3600.0 * hours
    at = span * random.uniform(0.6, 0.85)

    def event(what: str, when: float, on: str = FAN, **more: Any) -> Event:
        return Event(_span(when), FARM, on, what, **more)

    if kind == "healthy":
        return random.uniform(0.7, 0.92), []
    if kind in ("healthy, cycled", "healthy, cold night"):
        return random.uniform(0.7, 0.88), []
    if kind == "healthy, brief peaks":  # a ladder of chaff, a gate that sticks: under two minutes
        times = np.sort(random.uniform(0.1, 0.9, 4)) * span
        return random.uniform(0.75, 0.88), [
            event("drag", when, by=random.uniform(15.0, 30.0), lasts=_span(random.uniform(20.0, 70.0)))
            for when in times
        ]
    if kind == "planned stops":
        return random.uniform(0.7, 0.92), [
            event("off", span * share, lasts=_span(random.uniform(900.0, 2400.0))) for share in (0.3, 0.7)
        ]
    if kind == "log ends":
        return random.uniform(0.7, 0.92), []
    if kind == "over, no trip":
        first, second = span * random.uniform(0.2, 0.35), span * random.uniform(0.6, 0.7)
        return random.uniform(0.85, 0.91), [
            event("drag", when, by=random.uniform(24.0, 32.0), lasts=_span(random.uniform(300.0, 3600.0)))
            for when in (first, second)
        ]
    if kind == "trip, slow":
        rate = random.uniform(8.0, 25.0)  # % of rated power an hour
        return random.uniform(0.85, 0.95), [
            event("drag", span * random.uniform(0.15, 0.35), by=90.0, over=_span(3600.0 * 90.0 / rate))
        ]
    if kind == "trip, step":
        return random.uniform(0.8, 0.93), [event("drag", at, by=random.uniform(45.0, 70.0))]
    if kind == "cold":  # warm at first, then the night comes
        return random.uniform(0.965, 0.98), [
            event(
                "air", span * random.uniform(0.25, 0.35), FARM, by=-random.uniform(22.0, 28.0), over=_span(0.3 * span)
            )
        ]
    if kind == "low voltage":
        return random.uniform(0.94, 0.98), [event("volts", at, PANEL, by=-random.uniform(9.0, 12.0), over="10m")]
    if kind == "unbalance":
        return random.uniform(0.84, 0.92), [event("unbalance", at, PANEL, by=random.uniform(1.8, 3.0), over="5m")]
    if kind == "connection":
        ohms = random.uniform(0.05, 0.075) * motor["rated_voltage"] / math.sqrt(3.0) / motor["full_load_amps"]
        return random.uniform(0.90, 0.95), [
            event("contact", at - 1800.0, by=ohms, over="20m", leg=int(random.integers(1, 4)))
        ]
    if kind == "phase lost":
        return random.uniform(0.75, 0.92), [event("open leg", at, leg=int(random.integers(1, 4)))]
    if kind == "outage":
        return random.uniform(0.7, 0.92), [event("outage", at, PANEL, lasts=_span(random.uniform(120.0, 3000.0)))]
    if kind == "locked":
        return random.uniform(0.7, 0.92), [event("locked", at)]
    raise ValueError(kind)


def case(seed: int) -> Case:
    """The log of a seed; the kind is seed modulo the number of kinds."""
    random = np.random.default_rng([seed, 20_261_129])
    kind = KINDS[seed % len(KINDS)]
    phases = 3 if kind in THREE_PHASE_ONLY or random.uniform() < 0.85 else 1
    hours = float(random.uniform(4.0, 8.0))
    motor = drawn_motor(random, phases)
    air_c = float(random.uniform(16.0, 22.0) if kind == "cold" else random.uniform(-2.0, 14.0))
    ratio, events = plan(kind, random, hours, motor)
    full, service = motor["full_load_amps"], motor["service_factor"]
    # A device set so that it opens in the slow and the step kinds, and bears what the others bring (NEC 430.32: at most
    # 1.25 or 1.15 x full-load amps).
    most = 1.25 if service >= 1.15 else 1.15
    setting = round(full * (min(random.uniform(0.95, 1.05) * service, most) if kind.startswith("trip") else most), 1)
    period_s = int(random.choice(PERIODS))
    volts = kind in NEEDS_VOLTS or bool(random.uniform() < 0.75)
    averaging = bool(period_s >= 10 and random.uniform() < 0.15)
    trip_class = int(random.choice([5, 10, 10, 10, 20, 30]))
    cycled = kind == "healthy, cycled"
    pitch = float(random.integers(18, 24))
    fan = Fan(
        motor=motor, supply=PANEL, bin="bin",
        protection={"type": "overload relay", "trip_class": trip_class, "setting_amps": setting},
        fan={
            "control": "cycled" if cycled else "continuous", "blade_pitch_degrees": pitch,
            "available_pitch_degrees": [pitch - n for n in range(8)], "minimum_pitch_degrees": pitch - 7.0,
            "coldest_expected_c": round(air_c - (25.0 if kind == "cold" else 6.0), 1),
        },
        logger={"period_seconds": 1},
        truth=Truth(load=_load(ratio, motor, air_c), power_factor=motor["power_factor"], reset="nobody", rise=0.5),
        sends=Sends(
            ambient=True, noise_amps=0.0, gain=(1.0 + random.uniform(-0.02, 0.02, phases)).tolist(),
            offset=random.uniform(-0.3, 0.3, phases).tolist(),
        ),
        cycle=Cycle(on_minutes=40.0, off_minutes=35.0) if cycled else Cycle(),
    )  # fmt: skip
    site = Site(
        name="Farm",
        weather=Weather(mean_c=air_c, swing_c=4.0 if kind == "healthy, cold night" else 0.5, fronts_c=0.0, noise_c=0.1),
        supplies={
            PANEL: Supply(
                volts=motor["rated_voltage"] * random.uniform(1.01, 1.03), phases=phases,
                kva=4.0 * motor["rated_power_hp"], drop_percent=2.0, swing_percent=0.3, noise_percent=0.1,
                unbalance_percent=float(random.uniform(0.05, 0.5)),
            )
        },
        bins={"bin": Bin(depth_ft=13.0)},
        fans={FAN: fan},
    )  # fmt: skip
    played = Farm(Scenario(f"log {seed}", past_hours=0.0, sites={FARM: site}, events=events), START, seed)
    seen = played.columns(START + timedelta(hours=hours))[FARM, FAN]
    plate = read_nameplate(
        tomli_w.dumps(
            {
                "motor": motor, "protection": fan.protection, "fan": fan.fan,
                "logger": {"accuracy_percent": 2.0, "accuracy_amps": 0.5, "averaging": averaging},
            }
        )
    )  # fmt: skip
    true = _columns(seen)
    out = Case(seed, kind, period_s, volts, averaging, plate, _log(true, random, period_s, volts, averaging, kind))
    last = float(out.log.t_ms[-1])
    out.ends = [
        (end.t.timestamp() * 1000.0, end.cause) for end in played.truth.ends if end.t.timestamp() * 1000.0 < last
    ]
    out.spells, out.near = _spells(true, plate, last, volts)
    return out


def _columns(seen: dict[str, Floats]) -> dict[str, Floats]:
    nothing = np.full(len(seen["t"]), math.nan)
    legs = np.column_stack([seen.get(name, nothing) for name in ("l1_amps", "l2_amps", "l3_amps")])
    lines = np.column_stack([seen.get(name, nothing) for name in ("v12", "v23", "v31")])
    return {"t_ms": np.round(1000.0 * seen["t"]), "amps": legs, "volts": lines, "ambient_c": seen["ambient_c"]}


def _log(
    true: dict[str, Floats], random: np.random.Generator, period_s: int, volts: bool, averaging: bool, kind: str
) -> Log:
    """What the logger wrote: each `period_s`, noise, gaps, missing volts."""
    rows = len(true["t_ms"])
    amps, lines, air = true["amps"], true["volts"], true["ambient_c"]
    if averaging:  # the mean of the period that ends with the reading
        sums = np.cumsum(np.vstack([np.zeros((1, 3)), amps]), axis=0)
        begin = np.maximum(np.arange(rows) + 1 - period_s, 0)
        amps = (sums[1:] - sums[begin]) / (np.arange(rows) + 1 - begin)[:, None]
    keep = np.arange(int(random.integers(0, period_s)), rows, period_s)
    kept = np.ones(len(keep), bool)
    if random.uniform() < 0.3:  # the radio was away, in the first half: what happened is not hidden by it
        first = int(random.uniform(0.1, 0.4) * len(keep))
        kept[first : first + int(random.uniform(300.0, 1500.0) / period_s)] = False
    kept &= random.random(len(keep)) >= 0.001
    if kind == "log ends":
        kept[int(random.uniform(0.7, 0.95) * len(keep)) :] = False
    keep = keep[kept]
    shown = np.round(np.where(amps[keep] > 0.0, np.maximum(amps[keep] + _noise(random, len(keep)), 0.0), amps[keep]), 2)
    return Log(
        "log", true["t_ms"][keep].astype(np.int64), shown, lines[keep] if volts else lines[keep] * math.nan, air[keep],
        np.full(len(keep), math.nan),
    )  # fmt: skip


def _noise(random: np.random.Generator, rows: int) -> Floats:
    return NOISE_AMPS * random.standard_normal((rows, 3))


def _spells(true: dict[str, Floats], plate: Nameplate, last_ms: float, volts: bool) -> tuple[list[Spell], bool]:
    """True spells of two minutes and longer over the limit, by seconds, from what the clamps saw; plainly worked.

    A spell surely over (`BORDER` above the limit) lies within one that may be (`BORDER` below it): a border anywhere
    between the two is right.
    """
    ratio = _ratio(true, plate, volts)
    t_ms = true["t_ms"]
    ratio = np.where(t_ms <= last_ms, ratio, 0.0)
    loose, tight = _over(ratio, 1.0 - BORDER, 600), _over(ratio, 1.0 + BORDER, 120)
    found: list[Spell] = []
    for first, last in loose:
        inside = [one for one in tight if first <= one[0] and one[1] <= last]
        if inside and inside[-1][1] - inside[0][0] >= LEAST_SPELL_S:
            begin, end = inside[0][0], inside[-1][1]
            found.append(Spell((float(t_ms[first]), float(t_ms[begin])), (float(t_ms[end + 1]), float(t_ms[last + 1]))))
    sure = sum(last - first >= LEAST_SPELL_S for first, last in loose)
    return found, sure > len(found)


def _ratio(true: dict[str, Floats], plate: Nameplate, volts: bool) -> Floats:
    """Load ratio second by second; 0 while it stands and in the first ten seconds of a run."""
    motor = plate.motor
    highest = np.nanmax(np.nan_to_num(true["amps"]), axis=1)
    limit = np.full(len(highest), motor.full_load_amps * motor.service_factor)
    if motor.phases == 3 and volts:
        mean = np.maximum(true["volts"].mean(axis=1), 1.0)
        unbalance = 100.0 * np.abs(true["volts"] - mean[:, None]).max(axis=1) / mean
        limit *= np.interp(unbalance, [0, 1, 2, 3, 4, 5], [1, 1, 0.95, 0.88, 0.82, 0.75])
    running = highest > 0.15 * motor.full_load_amps
    row = np.arange(len(highest))
    since = row - np.maximum.accumulate(np.where(running, 0, row))
    return np.where(running & ((since > 10) | (since == row)), highest / limit, 0.0)


def _over(ratio: Floats, level: float, join_s: int) -> list[tuple[int, int]]:
    """First and last second of each stretch at or over a level; those no further apart than `join_s` are one, unless
    the ratio fell under 0.97 between them."""
    found: list[tuple[int, int]] = []
    for row in np.flatnonzero(ratio >= level).tolist():
        if found and row - found[-1][1] <= join_s and (ratio[found[-1][1] : row] >= 0.97 - BORDER).all():
            found[-1] = (found[-1][0], row)
        else:
            found.append((row, row))
    return [(first, min(last, len(ratio) - 2)) for first, last in found]
