"""Invented farms on which runs end: what is planned for each fan, played by `simulated`, as columns of readings.

A farm has one to four fans on one supply, each with its own plan: a load that grows until the device opens (slowly or
at once), a stop by hand (also of a fan that is over its limit: somebody went to stop it), a phase lost, a locked rotor,
a logger that falls silent. Now and then the whole supply goes, sags, loses a leg, or one hand stops all fans.

How often each comes is invented (no source). It matters: a share of right verdicts is a share among these.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulated.farm import Farm
from simulated.scenario import Bin, Cycle, Event, Fan, Scenario, Sends, Site, Supply, Truth, Weather

Floats = NDArray[np.float64]
SITE, PANEL = "farm", "panel"
START = datetime(2026, 10, 20, 12, 0, tzinfo=UTC)
PLANS = {
    "ramp": 0.33, "step": 0.14, "stop": 0.23, "stop while over": 0.08, "open leg": 0.06, "locked": 0.04,
    "log ended": 0.05, "none": 0.07,
}  # fmt: skip
"""What happens to a fan, and how often."""
SITE_PLANS = {"outage": 0.20, "lost leg": 0.03, "deep sag": 0.03, "all stopped": 0.04, "none": 0.70}
"""What happens to its supply, or to all fans at once."""
LOG_ENDED = "log ended"
TRIPS_SCORED = 3
"""A device that is closed again under the same load opens again: so many trips of a fan count, then its log is cut."""


@dataclass
class TrueEnd:
    """How a run truly ended."""

    fan: int
    t_ms: float
    cause: str
    """As the monitor's words have it; "log ended" where its logger was silent then."""
    manner: str
    """What was planned for the fan."""


@dataclass
class Case:
    """One farm, played."""

    seed: int
    step_s: int
    """A reading each so many seconds."""
    plates: list[dict[str, Any]]
    """What the farmer wrote down, a fan: tables of the nameplate file."""
    columns: list[dict[str, Floats]]
    """Readings of each fan: t_ms, l1, l2, l3, v12, v23, v31, called."""
    gain: list[Floats]
    offset: list[Floats]
    """Errors of the clamps."""
    ends: list[TrueEnd] = field(default_factory=list)


def _choice(random: np.random.Generator, words: dict[str, float]) -> str:
    return str(random.choice(list(words), p=np.array(list(words.values())) / sum(words.values())))


def drawn_motor(random: np.random.Generator, phases: int) -> dict[str, Any]:
    """The motor of an invented fan."""
    hp = float(random.choice([5.0, 7.5, 10.0] if phases == 1 else [5.0, 7.5, 10.0, 15.0, 20.0, 30.0]))
    volts = 230.0 if phases == 1 else float(random.choice([230.0, 460.0, 460.0]))
    efficiency = random.uniform(0.81, 0.86) if phases == 1 else random.uniform(0.86, 0.91)
    factor = random.uniform(0.90, 0.96) if phases == 1 else random.uniform(0.80, 0.87)
    amps = hp * 745.7 / ((1.0 if phases == 1 else math.sqrt(3.0)) * volts * efficiency * factor)
    return {
        "rated_power_hp": hp, "rated_voltage": volts, "phases": phases, "full_load_amps": round(amps, 1),
        "service_factor": 1.0 if random.uniform() < 0.25 else 1.15, "power_factor": round(factor, 3),
    }  # fmt: skip


def _load_for(amps: float, motor: dict[str, Any]) -> float:
    """About the share of rated power at 20 degrees C that draws `amps` in the air of the season."""
    idle2 = 0.8 * (1.0 - motor["power_factor"] ** 2)
    return math.sqrt(max((amps / motor["full_load_amps"]) ** 2 - idle2, 0.05) / (1.0 - idle2)) / 1.05


def _fan(random: np.random.Generator, phases: int, step_s: int, healthy: bool) -> Fan:
    motor = drawn_motor(random, phases)
    full, service = motor["full_load_amps"], motor["service_factor"]
    setting = round(full * random.uniform(0.95, 1.10 if service == 1.0 else 1.20), 1)
    least = min(setting, full * service)
    if healthy:  # up to the very edge: errors of the clamps alone must not ring
        share, least = random.uniform(0.70, 1.00), min(1.05 * setting, full * service)
    else:  # one in five carries more than its setting, and its device bears it or not
        share = random.uniform(1.00, 1.08) if random.uniform() < 0.2 else random.uniform(0.75, 0.97)
    cycled = healthy and random.uniform() < 0.3
    reset = "nobody" if random.uniform() < 0.75 else str(random.choice(["itself", "farmer"]))
    return Fan(
        motor=motor,
        supply=PANEL,
        bin="",
        protection={
            "type": "overload relay", "trip_class": 10 if random.uniform() < 0.75 else 20, "setting_amps": setting,
        },
        fan={"control": "cycled" if cycled else "continuous"},
        logger={"period_seconds": step_s},
        truth=Truth(
            load=_load_for(share * least, motor), power_factor=motor["power_factor"], reset=reset, reset_hours=1.5,
            rise=0.8,
        ),
        sends=Sends(
            missing=0.001, called=bool(random.uniform() < 0.12),
            gain=(1.0 + random.uniform(-0.02, 0.02, phases)).tolist(),
            offset=random.uniform(-0.5, 0.5, phases).tolist(),
        ),
        cycle=Cycle(on_minutes=90.0, off_minutes=60.0) if cycled else Cycle(),
    )  # fmt: skip


def _span(seconds: float) -> str:
    return f"{max(seconds, 1.0):.0f}s"


def _plan(random: np.random.Generator, plan: str, name: str, hours: float) -> list[Event]:
    """The events of one fan's plan."""
    span = 3600.0 * hours
    at = span * random.uniform(0.35, 0.9)

    def event(what: str, when: float, **more: Any) -> Event:
        return Event(_span(when), SITE, name, what, **more)

    rate = math.exp(random.uniform(math.log(3.0), math.log(25.0)))  # % of rated power an hour
    ramp = event("drag", span * random.uniform(0.15, 0.5), by=90.0, over=_span(3600.0 * 90.0 / rate))
    if plan == "ramp":
        return [ramp]
    if plan == "step":
        return [event("drag", at, by=float(random.uniform(15.0, 110.0)))]
    off = event("off", at, lasts=_span(30.0 if random.uniform() < 0.08 else random.uniform(600.0, 18_000.0)))
    if plan == "stop":
        return [off]
    if plan == "stop while over":  # as the load has grown by a tenth to a third
        later = 3600.0 * random.uniform(10.0, 35.0) / rate
        begin = span * random.uniform(0.15, 0.5)
        return [
            event("drag", begin, by=90.0, over=_span(3600.0 * 90.0 / rate)),
            event("off", min(begin + later, 0.97 * span), lasts="6h"),
        ]
    if plan == "open leg":
        return [event("open leg", at, leg=int(random.integers(1, 4)))]
    if plan == "locked":
        return [event("locked", at)]
    if plan == LOG_ENDED:
        begin = at - random.uniform(240.0, 900.0)
        return [off, event("silent", begin, lasts=_span(at - begin + random.uniform(300.0, 3000.0)))]
    return []


def _site_plan(random: np.random.Generator, plan: str, names: list[str], hours: float) -> list[Event]:
    at = _span(3600.0 * hours * random.uniform(0.35, 0.9))
    if plan == "outage":
        return [Event(at, SITE, PANEL, "outage", lasts=_span(math.exp(random.uniform(math.log(40), math.log(5400)))))]
    if plan == "lost leg":
        return [Event(at, SITE, PANEL, "lost leg", lasts="20m", leg=int(random.integers(1, 4)))]
    if plan == "deep sag":
        return [Event(at, SITE, PANEL, "volts", by=-48.0, lasts=_span(random.uniform(2.0, 40.0)))]
    if plan == "all stopped":
        return [Event(at, SITE, name, "off", lasts="2h") for name in names]
    return []


def farm(seed: int, step_s: int, hours: float, *, fans: int | None = None, healthy: bool = False) -> Case:
    """Draws a farm and plays it.

    Parameters
    ----------
    step_s : a reading each so many seconds, 1 or 10
    fans : how many; else one to four
    healthy : no plans, loads from 0.7 up to the limit or 1.05 of the setting, whichever is less; some are cycled
    """
    random = np.random.default_rng([seed, step_s, 4])
    count = fans or (1 if random.uniform() < 0.25 else int(random.integers(2, 5)))
    phases = 1 if random.uniform() < 0.15 else 3
    names = [f"fan-{number}" for number in range(count)]
    drawn = [_fan(random, phases, step_s, healthy) for _ in names]
    for one in drawn:  # one panel, one voltage
        volts, first = drawn[0].motor["rated_voltage"], one.motor["rated_voltage"]
        for tables, key in ((one.motor, "full_load_amps"), (one.protection, "setting_amps")):
            tables[key] = round(tables[key] * first / volts, 1)
        one.motor["rated_voltage"] = volts
    plans = [
        "none" if healthy else _choice(random, {k: v for k, v in PLANS.items() if phases == 3 or k != "open leg"})
        for _ in names
    ]
    events = [event for name, plan in zip(names, plans, strict=True) for event in _plan(random, plan, name, hours)]
    site_plan = "none"
    if not healthy:
        site_plan = _choice(random, {k: v for k, v in SITE_PLANS.items() if phases == 3 or k != "lost leg"})
        events += _site_plan(random, site_plan, names, hours)
    kva = 1.4 * sum(one.motor["rated_power_hp"] for one in drawn)
    for name, one in zip(names, drawn, strict=True):
        one.bin = name
    site = Site(
        name="Farm",
        weather=Weather(mean_c=4.0, swing_c=6.0, fronts_c=3.0),
        supplies={
            PANEL: Supply(
                volts=drawn[0].motor["rated_voltage"] * random.uniform(1.0, 1.05), phases=phases, kva=kva,
                unbalance_percent=float(random.uniform(0.1, 1.0)), sags_per_day=0.4,
                outages_per_month=1.0 if healthy else 0.0,
            )
        },
        bins={name: Bin(depth_ft=13.0, fills_per_month=4.0, fill_feet=2.0 if healthy else 3.0) for name in names},
        fans=dict(zip(names, drawn, strict=True)),
    )  # fmt: skip
    played = Farm(Scenario(f"seed {seed}", past_hours=0.0, sites={SITE: site}, events=events), START, seed)
    until = START + timedelta(hours=hours)
    seen = played.columns(until)
    silent = {event.on: (float(event.at[:-1]), float(event.at[:-1]) + float(str(event.lasts)[:-1]))
              for event in events if event.what == "silent"}  # fmt: skip
    case = Case(
        seed, step_s,
        [{"motor": one.motor, "protection": dict(one.protection), "fan": one.fan} for one in drawn],
        [_columns(seen[SITE, name]) for name in names],
        [np.array(one.sends.gain) for one in drawn],
        [np.array(one.sends.offset) for one in drawn],
    )  # fmt: skip
    for end in played.truth.ends:
        number = names.index(end.fan)
        since = (end.t - START).total_seconds()
        begin, over = silent.get(end.fan, (math.inf, math.inf))
        cause = LOG_ENDED if begin < since < over else end.cause
        manner = plans[number] if site_plan == "none" or plans[number] != "none" else site_plan
        case.ends.append(TrueEnd(number, end.t.timestamp() * 1000.0, cause, manner))
    for number, columns in enumerate(case.columns):
        trips = [end.t_ms for end in case.ends if end.fan == number and end.cause == "overload trip"]
        if len(trips) > TRIPS_SCORED:
            last = trips[TRIPS_SCORED - 1]
            case.ends = [end for end in case.ends if end.fan != number or end.t_ms <= last]
            kept = columns["t_ms"] < min(last + 1_200_000.0, trips[TRIPS_SCORED])
            case.columns[number] = {name: column[kept] for name, column in columns.items()}
    return case


def _columns(seen: dict[str, Floats]) -> dict[str, Floats]:
    """All channels; NaN in those that the fan has not."""
    nothing = np.full(len(seen["t"]), np.nan)
    out = {"t_ms": np.round(1000.0 * seen["t"])}
    for name, shown in (("l1", "l1_amps"), ("l2", "l2_amps"), ("l3", "l3_amps")):
        out[name] = seen.get(shown, nothing)
    for name in ("v12", "v23", "v31", "called"):
        out[name] = seen.get(name, nothing)
    return out
