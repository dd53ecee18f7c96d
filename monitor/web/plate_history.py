"""The versions of a fan in the register, in words: what changed, since when, from when on it is used, by whom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.records.fan_text import Difference, differences
from monitor.records.register import Site, Version
from monitor.web import words
from monitor.web.plate_fields import BY_PLACE, shown_values
from monitor.web.shown import zone_of

SHOWN = 20
"""So many versions unless all are asked for."""
_TOGETHER = timedelta(seconds=1)


@dataclass(frozen=True)
class Row:
    """One version."""

    number: int
    entered: str
    """When and by whom."""
    since: str
    """Since when it has been true in the field, and which readings are judged by it."""
    what: tuple[str, ...]
    """What changed, a line each."""
    removed: bool


def rows(versions: Sequence[Version], site: Site, now: datetime) -> list[Row]:
    """All versions, newest first.

    Parameters
    ----------
    versions : oldest first, without gaps
    """
    made = [_row(None if at == 0 else versions[at - 1], one, site, now) for at, one in enumerate(versions)]
    return made[::-1]


def _row(before: Version | None, one: Version, site: Site, now: datetime) -> Row:
    zone = zone_of(site)
    entered = f"{words.local(one.committed, zone, now)}, {one.committed_by}"
    return Row(one.version, entered, since_words(one, site, now), tuple(_what(before, one, site.units)), one.removed)


def since_words(one: Version, site: Site, now: datetime) -> str:
    """Since when a version has been true, and from when on readings are judged by it."""
    zone = zone_of(site)
    true = words.local(one.valid_from, zone, now)
    if one.applies_from - one.valid_from < _TOGETHER:
        return f"used since {true}"
    return f"true since {true}; used for readings after {words.local(one.applies_from, zone, now)}"


def _what(before: Version | None, one: Version, units: str) -> list[str]:
    if one.removed:
        return ["taken out of the register"]
    if before is None:
        return ["entered"]
    told = ["another motor"] if one.motor_changed else []
    if before.removed:
        told.append("entered again")
    told += [difference_words(found, units) for found in differences(before.text, one.text)]
    if before.site_text != one.site_text:
        told.append("the site's settings change other rows of the table of conditions")
    if not told:
        told.append("only comments or layout" if before.text != one.text else "nothing")
    return told


def difference_words(found: Difference, units: str) -> str:
    """One change in words.

    >>> difference_words(Difference("motor.full_load_amps", 12.4, 13.2), "us")
    'Full-load amps: 12.4 A → 13.2 A'
    >>> difference_words(Difference("fan.coldest_expected_c", None, -10), "us")
    'Coldest air it is to run in: 14 °F'
    >>> difference_words(Difference("conditions.low-margin.off", True, None), "us")
    'Condition low-margin, off: no longer said, was yes'
    """
    old, new = (_value(found.place, value, units) for value in (found.before, found.after))
    label = _label(found.place)
    if found.before is None:
        return f"{label}: {new}"
    if found.after is None:
        return f"{label}: no longer said, was {old}"
    return f"{label}: {old} → {new}"


_OTHERS = {"logger.clamp_corrections": "Corrections of the clamps"}


def _label(place: str) -> str:
    if place in BY_PLACE:
        return BY_PLACE[place].label
    table, _, rest = place.partition(".")
    if table == "conditions":
        condition, _, key = rest.rpartition(".")
        return f"Condition {condition}, {key.replace('_', ' ')}"
    return _OTHERS.get(place, place)


def _value(place: str, value: Any, units: str) -> str:
    one = BY_PLACE.get(place)
    if one is None:
        return {True: "yes", False: "no"}.get(value, str(value)) if isinstance(value, bool) else str(value)
    table, key = place.split(".")
    shown = shown_values({table: {key: value}}, units)[one.name]
    chosen = dict(one.choices).get(shown, shown)
    unit = {"rated_power_hp": "hp", "rated_power_kw": "kW"}.get(key, one.unit_in(units))
    return f"{chosen}{unit}" if unit == "°" else f"{chosen} {unit}".rstrip()


def facts(tables: Any, units: str) -> list[tuple[str, str]]:
    """What a file says, field by field, as a list of label and words; keys that have no field are left out."""
    return [
        (one.label, _value(place, tables[table][key], units))
        for place, one in BY_PLACE.items()
        for table, key in [place.split(".")]
        if key in tables.get(table, {})
    ]
