"""The invented farm of `harvest`: twelve fans from September to November, drawn from a seed.

Six steady fans, two that a thermostat cycles and that reach their limit on the coldest nights, two that carry their
device's setting each night and are borne by it, and two troubled ones: a bin filled up in spells, and a supply or a
connection that goes bad in spells. Fronts come through, the supply sags in the evening, fans are stopped for work,
loggers drop out, once each a supply, the gateway and the broker are away.

How often each comes is invented (no source); what the notices of a season are is a count among these.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulated.farm import Farm
from simulated.scenario import Bin, Cycle, Event, Fan, Scenario, Sends, Site, Supply, Truth, Weather

Floats = NDArray[np.float64]
SITE, ZONE = "farm", ZoneInfo("America/Chicago")
START = datetime(2026, 9, 25, 5, 0, tzinfo=UTC)
"""Midnight of the farm."""
STEADY, CYCLED, NEAR, LOADED, UNEVEN = "steady", "cycled", "near its setting", "loaded", "uneven"
TROUBLED = (LOADED, UNEVEN)
KINDS = {
    "bin-1": STEADY, "bin-2": STEADY, "bin-3": STEADY, "bin-4": STEADY, "bin-5": STEADY, "bin-6": STEADY,
    "bin-7": CYCLED, "bin-8": CYCLED, "bin-9": NEAR, "bin-10": NEAR, "bin-11": LOADED, "bin-12": UNEVEN,
}  # fmt: skip
SUPPLY_OF = {
    "bin-1": "north", "bin-2": "north", "bin-3": "north", "bin-4": "south", "bin-5": "line", "bin-6": "line",
    "bin-7": "south", "bin-8": "south", "bin-9": "south", "bin-10": "north", "bin-11": "north", "bin-12": "annex",
}  # fmt: skip
"""Three supplies of three phases and a single-phase line; the uneven fan is alone on its own."""
MEAN_C, FALL_C = 9.0, 11.0
"""Mean of the air at the start of the season, and how much it falls in sixty days."""
USUAL_NIGHT_C, COLDEST_C = -1.0, -9.0
"""The nights for which loads are drawn."""
STOPS_APART_DAYS = 10.0
"""A fan is stopped for work about so often."""
FORGOTTEN = 0.15
"""Share of these stops that nobody announced."""


@dataclass(frozen=True)
class PlannedWork:
    """A stop for work."""

    fan: str
    begin: datetime
    end: datetime
    announced: bool
    """Whether somebody entered it beforehand as a planned stop."""


@dataclass
class Harvest:
    """A season, ready to be played."""

    seed: int
    scenario: Scenario
    until: datetime
    work: list[PlannedWork]
    broker_away: tuple[datetime, datetime]

    def fan(self, name: str) -> Fan:
        return self.scenario.sites[SITE].fans[name]

    def begin(self) -> Farm:
        """The farm at its first moment."""
        return Farm(self.scenario, START, self.seed)


def harvest(seed: int, days: float = 60.0, period_s: int = 10, names: Sequence[str] = tuple(KINDS)) -> Harvest:
    """Draws a season.

    Parameters
    ----------
    days : its length; what comes in spells comes once even in a short one
    period_s : a reading each so many seconds (10, 30 or 60)
    names : which of the fans there are
    """
    random = np.random.default_rng([seed, 60])
    fans = {name: _fan(random, name, KINDS[name], period_s) for name in names}
    supplies = {
        name: Supply(
            volts=(240.0 if name == "line" else 460.0 * random.uniform(1.01, 1.04)), phases=1 if name == "line" else 3,
            kva=1.7 * sum(fan.motor["rated_power_hp"] for fan in fans.values() if fan.supply == name),
            drop_percent=2.5, unbalance_percent=random.uniform(0.1, 0.6), swing_percent=random.uniform(0.8, 1.6),
            sags_per_day=0.5, outages_per_month=0.15, outage_minutes=15.0, point=name == "north",
        )
        for name in dict.fromkeys(fan.supply for fan in fans.values())
    }  # fmt: skip
    site = Site(
        name="Ridge Farm",
        weather=Weather(mean_c=MEAN_C, swing_c=6.0, fronts_c=2.5, point="yard"),
        supplies=supplies,
        bins={name: Bin(depth_ft=13.0, fills_per_month=1.0, fill_feet=1.0) for name in names},
        fans=fans,
    )
    scenario = Scenario(f"harvest {seed}", past_hours=0.0, sites={SITE: site})
    _settle(scenario, random, seed)
    made = Harvest(seed, scenario, START + timedelta(days=days), [], (START, START))
    scenario.events = [*_weather(random, days), *_troubles(random, made, days), *_loggers(random, made, days)]
    made.work = _work(random, made, days)
    scenario.events += [
        Event(_at(stop.begin), SITE, stop.fan, "off", lasts=_span((stop.end - stop.begin).total_seconds()))
        for stop in made.work
    ]
    away = _local(days * random.uniform(0.55, 0.7), 20.3)
    made.broker_away = (away, away + timedelta(minutes=25))
    return made


# --- fans ----------------------------------------------------------------------------------------------------------


def _fan(random: np.random.Generator, name: str, kind: str, period_s: int) -> Fan:
    phases = 1 if SUPPLY_OF[name] == "line" else 3
    hp = float(random.choice([5.0, 7.5, 10.0] if phases == 1 else [7.5, 10.0, 15.0, 20.0, 30.0]))
    volts = 230.0 if phases == 1 else 460.0
    efficiency = random.uniform(0.81, 0.86) if phases == 1 else random.uniform(0.87, 0.91)
    factor = random.uniform(0.90, 0.96) if phases == 1 else random.uniform(0.80, 0.87)
    amps = round(hp * 745.7 / ((1.0 if phases == 1 else math.sqrt(3.0)) * volts * efficiency * factor), 1)
    share = {
        STEADY: random.uniform(1.05, 1.15), CYCLED: random.uniform(1.10, 1.15), NEAR: random.uniform(0.95, 1.02),
        LOADED: random.uniform(1.00, 1.08), UNEVEN: random.uniform(1.00, 1.05),
    }[kind]  # fmt: skip
    # Devices as they are drawn for all farms, but that those of fans which carry their setting, or their limit, on cold
    # nights bear it, sags and all: they would be troubled fans otherwise.
    pickup = float(random.uniform(1.05, 1.20))
    if kind in (NEAR, CYCLED):
        pickup = float(random.uniform(*((1.12, 1.20) if kind == NEAR else (1.15, 1.20))))
    return Fan(
        motor={
            "rated_power_hp": hp, "rated_voltage": volts, "phases": phases, "full_load_amps": amps,
            "service_factor": 1.15, "power_factor": round(factor, 3),
        },
        supply=SUPPLY_OF[name],
        bin=name,
        protection={
            "type": "overload relay", "trip_class": 10 if random.uniform() < 0.75 else 20,
            "setting_amps": round(share * amps, 1),
        },
        fan={
            "blade_pitch_degrees": 19, "available_pitch_degrees": [13, 15, 17, 18, 19, 21],
            "minimum_pitch_degrees": 13, "coldest_expected_c": -12,
            "control": "cycled" if kind == CYCLED else "continuous",
        },
        logger={"period_seconds": period_s},
        truth=Truth(
            load=0.9, power_factor=round(factor, 3), reset="nobody", pickup_ratio=pickup,
            rise=1.2 if kind == LOADED else 0.5,
        ),
        sends=Sends(
            volts=SUPPLY_OF[name] != "north", called=kind == CYCLED and name == "bin-8",
            gain=(1.0 + random.uniform(-0.01, 0.01, phases)).tolist(),
            offset=random.uniform(-0.15, 0.15, phases).tolist(),
            missing=0.002, gaps_per_day=0.1, gap_minutes=5.0,
            backlog={"bin-3": "live first", "bin-6": "lost"}.get(name, "in order"),
            pack=60 // period_s,
        ),
        cycle=Cycle(below_c=None, on_minutes=70.0, off_minutes=110.0) if kind == CYCLED else Cycle(),
    )  # fmt: skip


def target(fan: Fan, kind: str, random: np.random.Generator) -> tuple[float, float]:
    """The highest leg [A] that a fan truly carries, and the air [degrees C] in which it does."""
    limit = fan.motor["full_load_amps"] * fan.motor["service_factor"]
    setting = fan.protection["setting_amps"]
    if kind == NEAR:
        return setting * float(random.uniform(1.015, 1.035)), USUAL_NIGHT_C
    if kind == CYCLED:
        return limit * float(random.uniform(1.005, 1.02)), COLDEST_C
    if kind == LOADED:
        return min(limit, setting) * float(random.uniform(0.92, 0.95)), USUAL_NIGHT_C
    if kind == UNEVEN:
        return min(limit, setting) * float(random.uniform(0.90, 0.94)), USUAL_NIGHT_C
    return min(limit, 1.05 * setting) * float(random.uniform(0.75, 0.92)), USUAL_NIGHT_C


def _settle(scenario: Scenario, random: np.random.Generator, seed: int) -> None:
    """Sets each fan's load so that it carries what is drawn for it, by trying it out."""
    site = scenario.sites[SITE]
    wanted = {name: target(fan, KINDS[name], random) for name, fan in site.fans.items()}
    for name in site.fans:
        slope = Truth().slope or float(random.uniform(0.05, 0.11))
        site.fans[name].truth.slope = slope
        site.fans[name].truth.amps_factor = 1.0 + 0.01 * float(np.clip(random.standard_normal(), -2.0, 2.0))
        site.fans[name].truth.time_factor = float(random.uniform(0.4, 1.0))
    for _ in range(4):
        for air in (USUAL_NIGHT_C, COLDEST_C):
            seen = carried(scenario, air, seed)
            for name, (amps, at_c) in wanted.items():
                if at_c == air:
                    load = site.fans[name].truth.load
                    assert isinstance(load, float)
                    site.fans[name].truth.load = load * (amps / seen[name]) ** 1.2


def carried(scenario: Scenario, air_c: float, seed: int, events: list[Event] | None = None) -> dict[str, float]:
    """The highest leg [A] that each fan truly carries in still air of a temperature, all of them running."""
    tried = copy.deepcopy(scenario)
    tried.events = events or []
    site = tried.sites[SITE]
    site.weather = Weather(mean_c=air_c, swing_c=0.0, fronts_c=0.0, noise_c=0.0)
    for supply in site.supplies.values():
        supply.sags_per_day, supply.outages_per_month, supply.noise_percent = 0.0, 0.0, 0.0
    for one in site.bins.values():
        one.fills_per_month = 0.0
    for fan in site.fans.values():
        fan.cycle, fan.protection, fan.logger = Cycle(), {"type": "none"}, {"period_seconds": 60}
        fan.sends = Sends(gain=[1.0], offset=[0.0], noise_amps=0.0)
    columns = Farm(tried, START, seed).columns(START + timedelta(hours=1))
    return {name: float(np.median(highest(columns[SITE, name])[-20:])) for name in site.fans}


def highest(columns: dict[str, Floats]) -> Floats:
    """Highest leg [A] of columns as a logger gives them."""
    legs = [columns[name] for name in ("l1_amps", "l2_amps", "l3_amps") if name in columns]
    return np.asarray(np.fmax.reduce(legs, axis=0), np.float64)


# --- what happens --------------------------------------------------------------------------------------------------


def _span(seconds: float) -> str:
    return f"{max(seconds, 1.0):.0f}s"


def _local(day: float, hour: float) -> datetime:
    """An hour of the farm's clock on a day of the season."""
    midnight = datetime.combine((START.astimezone(ZONE) + timedelta(days=int(day))).date(), datetime.min.time(), ZONE)
    return (midnight + timedelta(hours=hour)).astimezone(UTC)


def _at(when: datetime) -> str:
    return _span((when - START).total_seconds())


def _spells(random: np.random.Generator, days: float, apart_days: float) -> list[float]:
    """Days on which something that comes about so often begins, the first after a few days."""
    first, found = min(4.0, 0.15 * days), []
    apart_days = min(apart_days, 0.45 * days)
    day = first + random.uniform(0.0, 0.3 * apart_days)
    while day < days - min(1.0, 0.5 * days):
        found.append(day)
        day += apart_days * random.uniform(0.7, 1.3)
    return found


def _weather(random: np.random.Generator, days: float) -> list[Event]:
    fall = Event("0s", SITE, SITE, "air", by=-FALL_C, over="60d")
    fronts = [
        Event(
            _at(_local(day, random.uniform(6.0, 20.0))), SITE, SITE, "air", by=float(random.uniform(-9.0, -4.0)),
            over=_span(3600.0 * random.uniform(6.0, 14.0)), lasts=_span(86400.0 * random.uniform(1.5, 3.5)),
        )
        for day in _spells(random, days, 9.0)
    ]  # fmt: skip
    return [fall, *fronts]


def _troubles(random: np.random.Generator, made: Harvest, days: float) -> list[Event]:
    """Spells of the two troubled fans: more grain, and a supply (even seeds) or a connection (odd ones) gone bad."""
    return [*_loads(random, made, days), *_bad_supplies(random, made, days)]


def _named(made: Harvest, kind: str) -> list[str]:
    return [name for name in made.scenario.sites[SITE].fans if KINDS[name] == kind]


def _loads(random: np.random.Generator, made: Harvest, days: float) -> list[Event]:
    events = []
    for name in _named(made, LOADED):
        fan = made.fan(name)
        least = min(fan.motor["full_load_amps"] * fan.motor["service_factor"], fan.protection["setting_amps"])
        for day in _spells(random, days, 8.0):
            feet = _feet_for(made, name, least * random.uniform(1.05, 1.30))
            events.append(
                Event(
                    _at(_local(day, random.uniform(12.0, 20.0))), SITE, name, "depth", by=feet,
                    over=_span(3600.0 * random.uniform(3.0, 12.0)), lasts=_span(86400.0 * random.uniform(1.0, 2.6)),
                )
            )  # fmt: skip
    return events


def _bad_supplies(random: np.random.Generator, made: Harvest, days: float) -> list[Event]:
    events = []
    for name in _named(made, UNEVEN):
        for day in _spells(random, days, 10.0):
            when, over = _at(_local(day, random.uniform(14.0, 23.0))), _span(3600.0 * random.uniform(0.5, 8.0))
            lasts = _span(3600.0 * random.uniform(8.0, 30.0))
            if made.seed % 2 == 0:
                by = float(random.uniform(2.0, 4.5))
                events.append(Event(when, SITE, SUPPLY_OF[name], "unbalance", by=by, over=over, lasts=lasts))
            else:  # ohms that take some 1.5 to 4 % of the phase's volts
                ohms = random.uniform(0.015, 0.04) * 265.0 / made.fan(name).motor["full_load_amps"]
                events.append(Event(when, SITE, name, "contact", by=float(ohms), over=over, lasts=lasts, leg=2))
    return events


def _feet_for(made: Harvest, name: str, amps: float) -> float:
    """Feet of grain more with which a fan carries so much on a usual night; at most 25."""
    low, high = 0.0, 25.0
    for _ in range(7):
        feet = 0.5 * (low + high)
        more = [Event("0s", SITE, name, "depth", by=feet)]
        if carried(made.scenario, USUAL_NIGHT_C, made.seed, more)[name] < amps:
            low = feet
        else:
            high = feet
    return high


def _loggers(random: np.random.Generator, made: Harvest, days: float) -> list[Event]:
    """Once a season: a supply is out, the gateway is away, a logger stands still."""
    site = made.scenario.sites[SITE]
    out = _local(days * random.uniform(0.3, 0.5), random.uniform(0.0, 24.0))
    gap = _local(days * random.uniform(0.7, 0.8), random.uniform(0.0, 24.0))
    dead = _local(days * random.uniform(0.2, 0.9), random.uniform(0.0, 24.0))
    points = [name for name, one in site.supplies.items() if one.point]
    other = [name for name, fan in site.fans.items() if fan.supply != "south"]
    return [
        *([Event(_at(out), SITE, "south", "outage", lasts="50m")] if "south" in site.supplies else []),
        *(Event(_at(gap), SITE, name, "radio gap", lasts="40m") for name in [*site.fans, *points, "yard"]),
        Event(_at(dead), SITE, str(random.choice(other)), "silent", lasts="9h"),
    ]


def _work(random: np.random.Generator, made: Harvest, days: float) -> list[PlannedWork]:
    """Stops for work, by day; a cycled fan is stopped by its thermostat anyway."""
    stops = []
    for name in made.scenario.sites[SITE].fans:
        if KINDS[name] == CYCLED:
            continue
        for day in _spells(random, days, STOPS_APART_DAYS):
            begin = _local(day, random.uniform(7.0, 15.0))
            end = begin + timedelta(minutes=float(random.uniform(20.0, 300.0)))
            stops.append(PlannedWork(name, begin, end, bool(random.uniform() >= FORGOTTEN)))
    return stops
