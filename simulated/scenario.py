"""Scenario files: small TOML files that describe invented farms. All faults of a file are told at once."""

from __future__ import annotations

import dataclasses
import re
import tomllib
import types
import typing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from simulated.bed import GRAINS

BLOCK_S = 1800
"""The farm is played in blocks of this length (s), so every period must divide it."""

HERE = Path(__file__).parent / "scenarios"


class ScenarioError(Exception):
    """A scenario file that cannot be used; the text names every fault with its place."""


@dataclass
class Weather:
    """The air of a site."""

    mean_c: float = 4.0
    """Mean of day and night, degrees C."""
    swing_c: float = 6.0
    """Half the usual difference of afternoon and dawn, K."""
    fronts_c: float = 3.0
    """Standard deviation of the days' means, K."""
    noise_c: float = 0.15
    """Small swings of minutes, K."""
    point: str | None = None
    """Name of the weather point that sends the temperature; none: nobody sends it."""
    period_seconds: int = 60


@dataclass
class Supply:
    """A source with impedance."""

    volts: float
    """Line to line without load, V."""
    phases: int = 3
    kva: float = 75.0
    drop_percent: float = 3.0
    """Fall of volts at `kva`, power factor some 0.85, %."""
    legs: list[float] = field(default_factory=lambda: [1.0, 1.0, 1.0])
    """Impedance of each leg over the common one; [0.6, 1.8, 0.6] stands for an open delta."""
    unbalance_percent: float = 0.4
    """Negative over positive sequence of the source, %."""
    unbalance_degrees: float | None = None
    """Angle of it; drawn if not given."""
    swing_percent: float = 1.0
    """Half the daily swing, lowest in the early evening, %."""
    noise_percent: float = 0.15
    sags_per_day: float = 0.0
    sag_percent: float = 15.0
    sag_seconds: float = 20.0
    outages_per_month: float = 0.0
    outage_minutes: float = 20.0
    point: bool = False
    """A supply point of this name sends the volts."""
    period_seconds: int = 10


@dataclass
class Bin:
    """A bin of grain."""

    diameter_ft: float = 30.0
    depth_ft: float = 14.0
    grain: str = "corn"
    packing: float = 1.5
    fills_per_month: float = 0.0
    """How often more grain comes for some days."""
    fill_feet: float = 4.0
    """How much then, on average."""


@dataclass
class Truth:
    """What nobody on the farm knows. What is not given is drawn from the seed."""

    load: float | list[float] = 1.0
    """Shaft power over rated at 20 degrees C, rated speed, registered pitch and depth; [low, high] is drawn."""
    slope: float | None = None
    """Of the logarithm of shaft power, per degree of pitch; drawn from 0.05 to 0.11."""
    amps_factor: float | None = None
    """True rated current over the nameplate's; drawn around 1 (standard deviation 0.01)."""
    power_factor: float | None = None
    """At rated load, where the nameplate gives none."""
    pickup_ratio: float | None = None
    """Ultimate trip current of the overload device over its setting; drawn from 1.05 to 1.20."""
    time_factor: float | None = None
    """Its class time over the greatest allowed; drawn from 0.4 to 1."""
    lost_phase_sensitive: bool = True
    reset: str = "farmer"
    """Who closes a tripped device: "farmer", "itself" or "nobody"."""
    reset_hours: float = 2.0
    """Usual time until then (farmer; a tenth of it where the device closes itself), h."""
    restart_minutes: float = 1.0
    """From the return of the supply to the start, min."""
    start_seconds: float = 3.0
    locked_ratio: float = 6.5
    rise: float = 0.5
    """Relative rise of shaft power per relative loss of flow."""
    contact_ohms: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    """Resistance of the fan's own leads beyond good ones, a leg, ohm."""


@dataclass
class Sends:
    """How its logger behaves."""

    amps: bool = True
    volts: bool = True
    ambient: bool = False
    called: bool = False
    gain: list[float] | None = None
    """True factors of the clamps; drawn within the accuracy if not given."""
    offset: list[float] | None = None
    """True offsets of the clamps, A."""
    noise_amps: float = 0.03
    missing: float = 0.0
    """Share of readings never sent."""
    repeats: float = 0.0
    """Share of messages sent twice."""
    nulls: float = 0.0
    """Share of single values missing."""
    null_as: str = "null"
    """"null", or "nan" for loggers that write NaN, which is no JSON."""
    gaps_per_day: float = 0.0
    gap_minutes: float = 12.0
    backlog: str = "in order"
    """What a logger does after a radio gap: "in order", "live first" or "lost"."""
    pack: int = 1
    """Readings in one message."""
    delay_seconds: float = 0.4


@dataclass
class Cycle:
    """When the control of a fan wants it to run; without any of these always."""

    on_minutes: float | None = None
    off_minutes: float | None = None
    below_c: float | None = None
    """Runs while the air is colder, with 1.5 K between on and off."""
    from_hour: float | None = None
    to_hour: float | None = None
    """Local hours between which it may run."""
    runs_at_start: bool = True
    """False: stands until an event starts it."""


@dataclass
class Fan:
    """A fan with its motor, device and logger. The first four tables are what the farm knows (nameplate file)."""

    motor: dict[str, Any]
    supply: str
    bin: str
    protection: dict[str, Any] = field(default_factory=dict)
    fan: dict[str, Any] = field(default_factory=dict)
    logger: dict[str, Any] = field(default_factory=dict)
    conditions: dict[str, Any] = field(default_factory=dict)
    truth: Truth = field(default_factory=Truth)
    sends: Sends = field(default_factory=Sends)
    cycle: Cycle = field(default_factory=Cycle)
    names_supply: bool = True
    """False: the farmer did not write down where its volts could be had."""


@dataclass
class Site:
    """A farm."""

    name: str
    time_zone: str = "America/Chicago"
    altitude_m: float = 250.0
    units: str = "us"
    weather: Weather = field(default_factory=Weather)
    supplies: dict[str, Supply] = field(default_factory=dict)
    bins: dict[str, Bin] = field(default_factory=dict)
    fans: dict[str, Fan] = field(default_factory=dict)


@dataclass
class Event:
    """Something that happens at a time."""

    at: str
    """Against the start of the live part, e.g. "-4h30m" or "60s"."""
    site: str
    on: str
    """Name of the fan, supply, bin, point; of the site itself for its air."""
    what: str
    by: float = 0.0
    """How much, unit as in EVENTS."""
    over: str = "0s"
    """Time in which it comes (and goes)."""
    lasts: str | None = None
    """How long it stays; missing: for ever (a broken thing: until it is repaired at the next reset)."""
    leg: int | None = None
    """1, 2 or 3."""


@dataclass
class Many:
    """Copies of a template site and its fans."""

    fans: int
    fans_a_site: int = 12


@dataclass
class Scenario:
    """A farm to be played."""

    name: str
    about: str = ""
    past_hours: float = 6.0
    """Hours before the live part."""
    sites: dict[str, Site] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    many: Many | None = None


# what: (kind of thing it happens to, meaning of `by`)
EVENTS: dict[str, tuple[str, str]] = {
    "depth": ("bin", "feet of grain"),
    "air": ("site", "K"),
    "volts": ("supply", "% of its volts"),
    "unbalance": ("supply", "% negative sequence"),
    "outage": ("supply", ""),
    "lost leg": ("supply", ""),
    "open leg": ("fan", ""),
    "contact": ("fan", "ohm"),
    "drag": ("fan", "% of rated power"),
    "locked": ("fan", ""),
    "pitch": ("fan", "degrees"),
    "off": ("fan", ""),
    "on": ("fan", ""),
    "silent": ("logger", ""),
    "radio gap": ("logger", ""),
    "no channel": ("logger", ""),
    "clamp off": ("logger", ""),
    "frozen": ("logger", ""),
    "clock": ("logger", "s"),
}

_SPAN = re.compile(r"^([+-]?)(?:(\d+(?:\.\d+)?)d)?(?:(\d+(?:\.\d+)?)h)?(?:(\d+(?:\.\d+)?)m)?(?:(\d+(?:\.\d+)?)s)?$")


def seconds(span: str) -> float:
    """A span of time such as "-4h30m", "90s", "2d" in seconds. Raises ValueError."""
    match = _SPAN.match(span.strip())
    if match is None or not any(match.groups()[1:]):
        raise ValueError(span)
    sign, *parts = match.groups()
    size = sum(float(part or 0) * unit for part, unit in zip(parts, (86400, 3600, 60, 1), strict=True))
    return -size if sign == "-" else size


def names() -> list[str]:
    """Names of the scenarios that come along."""
    return sorted(path.stem for path in HERE.glob("*.toml"))


def load(name_or_path: str | Path, *, fans: int | None = None) -> Scenario:
    """Read a scenario by name or path; `fans` sets the number of copies in a scenario that makes them.

    Raises ScenarioError with all faults of the file.
    """
    path = Path(name_or_path)
    if path.suffix != ".toml":
        path = HERE / f"{name_or_path}.toml"
        if not path.is_file():
            raise ScenarioError(
                f"no scenario named {name_or_path}: give the path of a .toml file or one of: {', '.join(names())}"
            )
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise ScenarioError(f"{path}: cannot be read ({exc.strerror})") from exc
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise ScenarioError(f"{path}: not TOML: {exc}") from exc
    faults: list[str] = []
    scenario: Scenario = _build(Scenario, table, "", faults)
    if not faults:
        _check(scenario, faults)
    if fans is not None and not faults:
        if scenario.many is None:
            faults.append("many: expected a table [many] because a number of fans was asked for, found nothing")
        else:
            scenario.many.fans = fans
    if faults:
        raise ScenarioError("\n".join([f"{path}: cannot be used", *(f"  {fault}" for fault in faults)]))
    if scenario.many is not None:
        _multiply(scenario, scenario.many)
    return scenario


def _build(kind: Any, table: Any, place: str, faults: list[str]) -> Any:
    """Fill a data class from a table; unknown, missing and wrongly typed keys go to faults."""
    if not isinstance(table, dict):
        faults.append(f"{place}: expected a table, found {table!r}")
        return None
    hints = typing.get_type_hints(kind)
    known = {f.name: f for f in dataclasses.fields(kind)}
    values: dict[str, Any] = {}
    for key, value in table.items():
        at = f"{place}.{key}" if place else key
        if key not in known:
            faults.append(f"{at}: unknown key; known here: {', '.join(known)}")
        else:
            values[key] = _value(hints[key], value, at, faults)
    for key, f in known.items():
        needed = f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
        if needed and key not in table:
            faults.append(f"{place + '.' if place else ''}{key}: expected a value, found nothing")
            values[key] = None
    return kind(**values)


def _value(kind: Any, value: Any, place: str, faults: list[str]) -> Any:
    origin, args = typing.get_origin(kind), typing.get_args(kind)
    if origin in (typing.Union, types.UnionType):
        choices = [a for a in args if a is not types.NoneType]
        if len(choices) == 1:
            return _value(choices[0], value, place, faults)
        return _value(choices[1] if isinstance(value, list) else choices[0], value, place, faults)
    if dataclasses.is_dataclass(kind):
        return _build(kind, value, place, faults)
    if origin is list:
        if not isinstance(value, list):
            faults.append(f"{place}: expected a list, found {value!r}")
            return []
        return [_value(args[0], item, f"{place}[{n}]", faults) for n, item in enumerate(value)]
    if origin is dict:
        if not isinstance(value, dict):
            faults.append(f"{place}: expected a table, found {value!r}")
            return {}
        if args[1] is Any:
            return dict(value)
        return {key: _value(args[1], item, f"{place}.{key}", faults) for key, item in value.items()}
    if kind is float and isinstance(value, (int, float)) and not isinstance(value, bool):
        return float(value)
    if kind in (int, str, bool) and type(value) is kind:
        return value
    wanted = {float: "a number", int: "a whole number", str: "a text", bool: "true or false"}[kind]
    faults.append(f"{place}: expected {wanted}, found {value!r}")
    return None


def _check(scenario: Scenario, faults: list[str]) -> None:
    """What the types cannot say: references, ranges, words."""
    for key, site in scenario.sites.items():
        at = f"sites.{key}"
        try:
            ZoneInfo(site.time_zone)
        except (KeyError, ValueError, OSError):
            faults.append(f"{at}.time_zone: expected a zone such as America/Chicago, found {site.time_zone!r}")
        _check_period(site.weather.period_seconds, f"{at}.weather.period_seconds", faults)
        for name, b in site.bins.items():
            if b.grain not in GRAINS:
                faults.append(f"{at}.bins.{name}.grain: expected one of {', '.join(GRAINS)}, found {b.grain!r}")
        for name, supply in site.supplies.items():
            if supply.phases not in (1, 3):
                faults.append(f"{at}.supplies.{name}.phases: expected 1 or 3, found {supply.phases}")
            _check_period(supply.period_seconds, f"{at}.supplies.{name}.period_seconds", faults)
            if len(supply.legs) != 3:
                faults.append(f"{at}.supplies.{name}.legs: expected three numbers, found {supply.legs}")
        for name, fan in site.fans.items():
            here = f"{at}.fans.{name}"
            for word, known in (("supply", site.supplies), ("bin", site.bins)):
                if getattr(fan, word) not in known:
                    faults.append(
                        f"{here}.{word}: expected one of {', '.join(known) or 'none'}, found {getattr(fan, word)!r}"
                    )
            for word in ("rated_voltage", "full_load_amps"):
                if not isinstance(fan.motor.get(word), (int, float)):
                    faults.append(f"{here}.motor.{word}: expected a number, found {fan.motor.get(word)!r}")
            if "rated_power_hp" not in fan.motor and "rated_power_kw" not in fan.motor:
                faults.append(f"{here}.motor.rated_power_hp: expected a number, found nothing")
            if (
                fan.motor.get("phases", 3) == 3
                and fan.supply in site.supplies
                and site.supplies[fan.supply].phases == 1
            ):
                faults.append(f"{here}.motor.phases: expected 1 on the single-phase supply {fan.supply}, found 3")
            if fan.sends.backlog not in ("in order", "live first", "lost"):
                faults.append(
                    f"{here}.sends.backlog: expected in order, live first or lost, found {fan.sends.backlog!r}"
                )
            if fan.sends.null_as not in ("null", "nan"):
                faults.append(f"{here}.sends.null_as: expected null or nan, found {fan.sends.null_as!r}")
            if fan.truth.reset not in ("farmer", "itself", "nobody"):
                faults.append(f"{here}.truth.reset: expected farmer, itself or nobody, found {fan.truth.reset!r}")
            period = fan.logger.get("period_seconds", 10)
            _check_period(period, f"{here}.logger.period_seconds", faults)
    for n, event in enumerate(scenario.events):
        at = f"events[{n}]"
        for word in ("at", "over", "lasts"):
            text = getattr(event, word)
            try:
                if text is not None:
                    seconds(text)
            except ValueError:
                faults.append(f"{at}.{word}: expected a span of time such as -4h30m or 90s, found {text!r}")
        if event.what not in EVENTS:
            faults.append(f"{at}.what: expected one of {', '.join(EVENTS)}, found {event.what!r}")
            continue
        if event.site not in scenario.sites:
            faults.append(f"{at}.site: expected one of {', '.join(scenario.sites)}, found {event.site!r}")
            continue
        place = scenario.sites[event.site]
        things = {
            "bin": list(place.bins),
            "fan": list(place.fans),
            "supply": list(place.supplies),
            "site": [event.site],
            "logger": [*place.fans, *place.supplies, *([place.weather.point] if place.weather.point else [])],
        }[EVENTS[event.what][0]]
        if event.on not in things:
            faults.append(f"{at}.on: expected one of {', '.join(things)}, found {event.on!r}")
        if event.what in ("lost leg", "open leg", "contact", "clamp off") and event.leg not in (1, 2, 3):
            faults.append(f"{at}.leg: expected 1, 2 or 3, found {event.leg!r}")


def _check_period(period: object, place: str, faults: list[str]) -> None:
    if not isinstance(period, int) or not 1 <= period <= BLOCK_S or BLOCK_S % period:
        faults.append(f"{place}: expected whole seconds that divide {BLOCK_S}, such as 10, 30, 60, found {period!r}")


def _multiply(scenario: Scenario, many: Many) -> None:
    """Replace the one template site and its fans by copies: farm-1/fan-1, farm-1/fan-2 ..."""
    (key, site), *_ = scenario.sites.items()
    sites: dict[str, Site] = {}
    made = 0
    while made < many.fans:
        count = min(many.fans_a_site, many.fans - made)
        number = len(sites) + 1
        supply_name, supply = next(iter(site.supplies.items()))
        grown = dataclasses.replace(supply, kva=supply.kva * count)  # the template's kva is for one fan
        templates = list(site.fans.items())
        fans: dict[str, Fan] = {}
        bins: dict[str, Bin] = {}
        for n in range(count):
            name, fan = templates[n % len(templates)]
            bins[f"bin-{n + 1}"] = dataclasses.replace(site.bins[fan.bin])
            fans[f"{name}-{n + 1}"] = dataclasses.replace(fan, bin=f"bin-{n + 1}")
        sites[f"{key}-{number}"] = dataclasses.replace(
            site, name=f"{site.name} {number}", supplies={**site.supplies, supply_name: grown}, bins=bins, fans=fans
        )
        made += count
    scenario.sites = sites
