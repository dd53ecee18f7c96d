"""What a night showed of each supply, in figures that can be told to a utility: unbalance, low or high volts, and when
there was none."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.motor.unbalance import voltage_unbalance
from monitor.records import tables
from monitor.records.morning_rows import Spell
from monitor.records.morning_stops import Fan
from monitor.records.rows import from_ms

LOST, UNBALANCED, LOW, HIGH = "lost", "unbalanced", "low", "high"
KINDS = {
    "supply-lost": LOST,
    "voltage-unbalance-severe": UNBALANCED,
    "voltage-unbalance": UNBALANCED,
    "voltage-low": LOW,
    "voltage-high": HIGH,
}
"""Condition -> what it says of the supply."""
_ORDER = (LOST, UNBALANCED, LOW, HIGH)


@dataclass(frozen=True)
class SupplyFault:
    """One fault of one supply."""

    site: str
    supply: str | None
    """Its supply point; None: that of the fans that name none."""
    kind: str
    """LOST, UNBALANCED, LOW or HIGH."""
    since: datetime
    """When it began first."""
    until: datetime | None
    """When it was over last; None: it holds."""
    times: int
    """How often it came."""
    lasted: timedelta
    """How long it held, put together, until now where it holds."""
    worst: float | None
    """Unbalance [%]; of low and high volts their mean [% of rated], of a lost supply the greatest line; None: not
    measured."""
    rated_volts: float
    """What most of its fans are connected for [V]."""
    fans: tuple[str, ...]
    """Fans at which it showed."""
    not_at: tuple[str, ...]
    """Fans of the supply that measure their own volts, run, and do not show it: then it may be the others' own
    connections and no fault of the supply."""
    volts: tuple[float | None, float | None, float | None]
    """v12, v23, v31 now [V]."""
    unbalance: float | None
    """Now [%]."""
    measured: datetime | None
    """When that was."""
    measured_at: str | None
    """Where: a supply point or a fan."""
    priority: str

    @property
    def key(self) -> tuple[str, str | None]:
        """The supply."""
        return self.site, self.supply


def faults(
    fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]], spells: Mapping[int, Sequence[Spell]],
    now_rows: Mapping[int, Mapping[Any, Any]], since: Mapping[str, datetime], now: datetime,
) -> list[SupplyFault]:  # fmt: skip
    """By site and supply; what holds before what is over, and a lost supply first.

    Alarms that somebody shelved, announced or took out of service are left out: somebody knows.

    Parameters
    ----------
    alarms : of the night
    now_rows : point -> its row of `fan_now`, for the fans of all supplies concerned
    """
    groups: dict[tuple[str, str | None], list[Fan]] = {}
    supplies = {}
    for fan in fans:
        groups.setdefault((fan.key.site, fan.supply), []).append(fan)
        supplies[fan.key.site, fan.key.name] = fan.supply
    found: dict[tuple[str, str | None, str], list[Mapping[str, Any]]] = {}
    for alarm in alarms:
        place = alarm["site"], alarm["fan"]
        if alarm["id"] not in KINDS or alarm["suppressed_by"] or (alarm["fan"] and place not in supplies):
            continue
        supply = alarm["supply"] or supplies.get(place)
        found.setdefault((alarm["site"], supply, KINDS[alarm["id"]]), []).append(alarm)
    made = []
    for (site, supply, kind), told in found.items():
        held = _together([one for alarm in told for one in spells[alarm["number"]]], since[site])
        if held:
            made.append(_fault(site, supply, kind, told, held, groups.get((site, supply), []), now_rows, now))
    return sorted(made, key=lambda one: (one.until is not None, _ORDER.index(one.kind), one.site, one.supply or ""))


def supplies_of(fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]]) -> set[int]:
    """Points of all fans on the supplies of which some alarm tells."""
    places = {(fan.key.site, fan.key.name): fan.supply for fan in fans}
    told = {
        (one["site"], one["supply"] or places.get((one["site"], one["fan"]))) for one in alarms if one["id"] in KINDS
    }
    return {fan.key.point_id for fan in fans if (fan.key.site, fan.supply) in told}


def _together(spells: Sequence[Spell], since: datetime) -> list[Spell]:
    """Spells as times of the whole supply, those that overlap as one; only those that reach into the night."""
    out: list[Spell] = []
    for one in sorted(spells, key=lambda spell: spell.since):
        if one.until is not None and one.until <= since:
            continue
        if out and (out[-1].until is None or one.since <= out[-1].until):
            last = out[-1].until
            until = None if last is None or one.until is None else max(last, one.until)
            out[-1] = Spell(out[-1].since, until)
        else:
            out.append(one)
    return out


def _fault(
    site: str, supply: str | None, kind: str, told: Sequence[Mapping[str, Any]], held: Sequence[Spell],
    group: Sequence[Fan], now_rows: Mapping[int, Mapping[Any, Any]], now: datetime,
) -> SupplyFault:  # fmt: skip
    names = {one["fan"] for one in told if one["fan"]}
    if kind == LOST:
        names = {fan.key.name for fan in group}
    rated = Counter(fan.registered.nameplate.motor.rated_voltage for fan in group)
    volts, measured, at = _newest_volts(group, names, now_rows)
    known = [one for one in volts if one is not None]
    unbalance = float(voltage_unbalance(*known)) if len(known) == 3 else math.nan
    least = kind in (LOW, LOST)
    worst = [one[name] for one in told for name in ("value", "peak") if one[name] is not None]
    return SupplyFault(
        site, supply, kind, held[0].since, None if any(one.until is None for one in held) else held[-1].until,
        len(held), sum(((one.until or now) - one.since for one in held), timedelta()),
        (min if least else max)(worst, default=None), rated.most_common(1)[0][0] if rated else math.nan,
        tuple(sorted(names)), _not_at(group, names, now_rows, kind), volts,
        None if math.isnan(unbalance) else unbalance, measured, at, told[-1]["priority"],
    )  # fmt: skip


_LINES = ("v12", "v23", "v31")


def _newest_volts(
    group: Sequence[Fan], names: set[str], now_rows: Mapping[int, Mapping[Any, Any]]
) -> tuple[tuple[float | None, float | None, float | None], datetime | None, str | None]:
    """The newest volts of a fan that showed it, else of any fan of the supply; where they were measured."""
    best: tuple[bool, int] | None = None
    told: tuple[tuple[float | None, float | None, float | None], datetime | None, str | None]
    told = (None, None, None), None, None
    for fan in group:
        row = now_rows.get(fan.key.point_id)
        if row is None or all(row[name] is None for name in _LINES):
            continue
        rank = fan.key.name in names, row["t_ms"]
        if best is None or rank > best:
            best = rank
            where = fan.supply if row["flags"] & tables.FLAG_SUPPLY_VOLTS else fan.key.name
            told = (row["v12"], row["v23"], row["v31"]), from_ms(row["t_ms"]), where
    return told


def _not_at(
    group: Sequence[Fan], names: set[str], now_rows: Mapping[int, Mapping[Any, Any]], kind: str
) -> tuple[str, ...]:
    found = []
    needed = 3 if kind == UNBALANCED else 1
    for fan in group:
        row = now_rows.get(fan.key.point_id)
        if row is None or fan.key.name in names or not fan.running or not fan.heard:
            continue
        own = not row["flags"] & tables.FLAG_SUPPLY_VOLTS
        if own and sum(row[name] is not None for name in _LINES) >= needed:
            found.append(fan.key.name)
    return tuple(found)
