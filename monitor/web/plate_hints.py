"""What deserves a second look before a nameplate is entered: figures against each other and the code's tables, and
against what the logger reads at this moment. Shown, never a reason to refuse.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.motor.limit import adjusted_limit
from monitor.motor.nameplate import Nameplate
from monitor.motor.plausibility import hints
from monitor.motor.unbalance import voltage_unbalance
from monitor.records.fan_text import flat
from monitor.web import words
from monitor.web.plate_fields import BY_PLACE

VOLTS_REACH = 0.12
"""Volts this far off the rated voltage are of another connection sooner than of a bad supply (common practice)."""
LEAST_VOLTS = 80.0
"""Less than this is no supply."""
MOST_LOAD, LEAST_LOAD = 1.5, 0.35
"""A running fan outside these shares of its limit is another motor sooner than another load (common practice)."""
LEAST_AMPS = 0.5
"""Less than this is a fan that stands still."""
WARM_C = 15.0


@dataclass(frozen=True)
class Newest:
    """What the logger of a fan read last."""

    amps: tuple[float | None, ...]
    volts: tuple[float | None, ...]
    time: datetime | None
    """None: not known when."""
    running: bool | None = None

    @property
    def highest(self) -> float | None:
        """Highest leg [A]."""
        return max((one for one in self.amps if one is not None), default=None)

    @property
    def mean_volts(self) -> float | None:
        """Mean of the volts it read [V]; None without a supply."""
        known = [one for one in self.volts if one is not None]
        mean = sum(known) / len(known) if known else 0.0
        return mean if mean > LEAST_VOLTS else None

    @property
    def legs(self) -> int:
        """How many legs it sends."""
        return len(self.amps)


NOTHING_READ = Newest((), (), None)


@dataclass(frozen=True)
class Look:
    """One thing that deserves a second look."""

    fields: tuple[str, ...]
    """Inputs it is about."""
    words: str
    source: str = ""
    key: str = ""
    """What it is about in the plate, where its words also tell a reading, which is another the next moment."""

    @property
    def mark(self) -> str:
        """Tells by a few letters that somebody has seen it."""
        return hashlib.sha256((self.key or self.words).encode()).hexdigest()[:12]


def newest_of_item(item: Mapping[str, Any] | None) -> Newest:
    """Of a fan of the register, as `look.fan` has it."""
    if item is None or item["time"] is None:
        return NOTHING_READ
    return Newest(tuple(item["amps"]), tuple(item["volts"]), item["time"], item["running"])


def newest_of_newcomer(item: Mapping[str, Any] | None) -> Newest:
    """Of a name that is not in the register, as `look.newcomers` has it: whatever its payload holds."""
    if item is None:
        return NOTHING_READ
    amps, volts = (_figures(item["last_reading"].get(name)) for name in ("amps", "volts"))
    return Newest(amps, volts, item["last_heard"])


def _figures(value: Any) -> tuple[float | None, ...]:
    values = value if isinstance(value, list) else [] if value is None else [value]
    return tuple(
        float(one) if isinstance(one, int | float) and not isinstance(one, bool) and abs(one) < 1e6 else None
        for one in values[:3]
    )


def looks(text: str, plate: Nameplate, newest: Newest, before: str | None = None, *, motor_changed: bool = False,
          correction: bool = True) -> list[Look]:  # fmt: skip
    """Everything that deserves a second look, in the order of the form.

    Parameters
    ----------
    text : the file
    plate : the same, read
    newest : what its logger read last
    before : the file as it stands in the register, for a change
    correction : what stood there was wrong; False: something changed in the field
    """
    found = [Look(_inputs(hint.about), _sentence(hint.words), hint.source) for hint in hints(plate)]
    found += [one for one in (
        _no_service_factor(text), _other_voltage(plate, newest), _other_amps(plate, newest), _one_leg(plate, newest),
        _warm(plate), None if before is None or motor_changed or correction else _another_motor(before, text),
    ) if one is not None]  # fmt: skip
    return found


def _inputs(places: Sequence[str]) -> tuple[str, ...]:
    return tuple(BY_PLACE[place].name for place in places if place in BY_PLACE)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _no_service_factor(text: str) -> Look | None:
    if "motor.service_factor" in flat(text) or "motor.service_factor_amps" in flat(text):
        return None
    return Look(
        ("service_factor",),
        "No service factor was entered: 1.0 is taken, so the limit is the full-load amps themselves. Look for SF on "
        "the plate; enter 1 if it prints none.",
    )


def _other_voltage(plate: Nameplate, newest: Newest) -> Look | None:
    volts, rated = newest.mean_volts, plate.motor.rated_voltage
    if volts is None or abs(volts / rated - 1.0) <= VOLTS_REACH:
        return None
    return Look(
        ("rated_voltage", "full_load_amps"),
        f"Its logger reads {volts:.0f} V, and {rated:g} V was entered. Of a plate with two voltages enter the one it "
        "is connected for, and the amps that stand with it.",
        "its newest reading", f"volts {rated:g}",
    )  # fmt: skip


def _other_amps(plate: Nameplate, newest: Newest) -> Look | None:
    highest = newest.highest
    if highest is None or highest < LEAST_AMPS or newest.running is False:
        return None
    share = highest / adjusted_limit(plate.motor, math.nan).amps
    if LEAST_LOAD <= share <= MOST_LOAD:
        return None
    more = "more" if share > 1.0 else "less"
    return Look(
        ("full_load_amps",),
        f"Its logger reads {words.amps(highest)}, {words.share(share)} of the limit by this plate: far {more} than a "
        "fan draws. Are these the amps of this motor at the voltage it is connected for? Is the clamp on one wire?",
        "its newest reading", f"amps {plate.motor.full_load_amps:g} {plate.motor.service_factor:g} {more}",
    )  # fmt: skip


def _one_leg(plate: Nameplate, newest: Newest) -> Look | None:
    if plate.motor.phases != 3 or newest.legs != 1:
        return None
    return Look(
        ("phases",),
        "Its logger sends one leg, and three phases were entered: readings of a three-phase fan need all three legs, "
        "these would be refused.",
        "its newest reading",
    )


def _warm(plate: Nameplate) -> Look | None:
    coldest = plate.fan.coldest_expected_c
    if coldest is None or coldest <= WARM_C:
        return None
    both = f"{words.temperature(coldest, 'si')} ({words.temperature(coldest, 'us')})"
    return Look(("coldest_expected_c",), f"{both} is warm for the coldest air a fan is to run in. Is the unit right?")


_OF_THE_MOTOR = ("rated_power_hp", "rated_power_kw", "rated_voltage", "phases", "full_load_amps")


def _another_motor(before: str, text: str) -> Look | None:
    old, new = flat(before), flat(text)
    keys = [f"motor.{key}" for key in _OF_THE_MOTOR]
    changed = [key for key in keys if key in old and key in new and old[key] != new[key]]
    if not changed:
        return None
    return Look(
        _inputs(changed),
        "The motor's figures differ from what stood here. If another motor was put in, say so below: then heat, starts "
        "and learned figures begin anew. If the old figures were wrong, it is a correction.",
    )


# --- plate and readings side by side ------------------------------------------------------------------------------


def limit_words(plate: Nameplate) -> str:
    """The limit by the plate, with what it is made of."""
    limit = adjusted_limit(plate.motor, math.nan)
    motor = plate.motor
    if motor.service_factor_amps is not None:
        return f"{words.amps(limit.amps)}: the service-factor amps of the plate"
    return f"{words.amps(limit.amps)}: {motor.full_load_amps:g} A x service factor {motor.service_factor:g}"


def fits_words(plate: Nameplate, newest: Newest) -> str:
    """How the newest reading stands against the plate, in a sentence; empty where there is nothing to compare."""
    highest = newest.highest
    if highest is None:
        return ""
    if newest.running is False or highest < LEAST_AMPS:
        return "The fan stands still."
    three = [one for one in newest.volts if one is not None and newest.mean_volts is not None]
    unbalance = float(voltage_unbalance(*three)) if len(three) == 3 and plate.motor.phases == 3 else math.nan
    limit = adjusted_limit(plate.motor, unbalance)
    at = "" if math.isnan(unbalance) else f" at {words.percent(unbalance, 1)} voltage unbalance"
    legs = "its highest leg" if plate.motor.phases == 3 else "it draws"
    return (
        f"By this plate its limit is {words.amps(limit.amps)}{at}: {legs}, {words.amps(highest)}, is "
        f"{words.share(highest / limit.amps)} of it."
    )


def missing(plate: Nameplate) -> list[tuple[str, str]]:
    """What is not known yet, and what cannot be said without it."""
    motor, device, fan = plate.motor, plate.protection, plate.fan
    lacks = (
        (motor.rated_power_hp is None, "power", "the figures of the plate cannot be checked against each other"),
        (device.setting_amps is None and device.type not in ("built-in protector", "none"), "overload setting",
         "no time to trip, and trips are judged less surely"),
        (fan.control is None, "what starts and stops it", "no alarm when it stops"),
        (fan.blade_pitch_degrees is None or not fan.available_pitch_degrees, "blade pitch and inserts on hand",
         "not which insert would do"),
        (fan.coldest_expected_c is None, "coldest air it is to run in", "degrees are worked for the air of the day"),
    )  # fmt: skip
    return [(what, without) for lack, what, without in lacks if lack]
