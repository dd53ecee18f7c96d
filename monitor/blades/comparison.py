"""What the running fans of one site say about each other.

    unbalanced                 every three-phase fan of a supply    points to the supply
                               one of them                          its own connections or windings
    more amps than usual       every fan of the site                air or voltage
                               every fan of one supply              that supply's voltage
                               every fan of one plenum              that bin's bed
                               one of them                          its bed, blades or bearings
    a plenum                   a neighbour stands still             it shifts load; it may spin backwards
    after supply work                                               check rotation: amps do not show it

Common practice, as shops that repair motors and handbooks have it (reference: order of work in T. Bishop, *Unbalanced
Current*, Electrical Construction & Maintenance, 2014, for the unbalance); the bounds are worked out for this project
(derived).
"""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from monitor.blades.air import both_scales
from monitor.blades.changed import Usual
from monitor.blades.window import WindowFigures
from monitor.motor.nameplate import Nameplate
from monitor.motor.unbalance import unbalance_of

UNBALANCED_LEGS = 10.0
"""Current unbalance from which legs count as unbalanced [%], as for the alarm of leg spread."""
UNBALANCED_LEGS_SMALL = 15.0
"""The same for small motors, where the clamps' own errors weigh more [%]."""
SMALL_BELOW_AMPS = 20.0
"""Mean leg under which a motor is small here [A]."""
UNBALANCED_VOLTS = 2.0
"""Voltage unbalance from which the supply of a fan counts as unbalanced [%] (derived: NEMA MG 1 asks for derating from
1 % on, loggers are good to some tenths)."""
UP_SHARE = 0.03
"""Amps so far above usual count as up where every fan shows it (derived: air 10 K colder makes some 2.7 %)."""
ALONE_SHARE = 0.06
"""Amps so far above what the others show point to the fan itself (derived: twice the other bound)."""
SHIFTED_SHARE = 0.02
"""A change of amps from which a neighbour's stop is said to have shifted load (derived)."""
NAMED = 5
"""At most so many fans are named with their figures; the rest are counted."""

SUPPLY = "supply"
CONNECTIONS = "own connections or windings"
AIR_OR_VOLTAGE = "air or voltage"
OWN_LOAD = "bed, blades or bearings"
PLENUM = "plenum"
ROTATION = "rotation"


@dataclass(frozen=True)
class Running:
    """A fan of the site that runs, over the last half hour."""

    name: str
    """As people call it."""
    phases: int
    """1 or 3."""
    supply: str | None
    """The supply point it names; those that name none are taken to share one."""
    plenum: str | None
    """The bin it blows into, where it is registered."""
    amps: float
    """Mean leg [A]."""
    usual_amps: float | None = None
    """Mean leg at the same hour yesterday, or the median of seven days [A]; None: not known."""
    volts: float | None = None
    """Mean voltage [V]; None: not measured."""
    usual_volts: float | None = None
    """The same at the time of `usual_amps` [V]."""
    ambient_c: float | None = None
    """Air temperature [degrees C]; None: not measured."""
    usual_ambient_c: float | None = None
    """The same at the time of `usual_amps` [degrees C]."""
    current_unbalance: float | None = None
    """Unbalance of the legs [%]; None: single-phase or not all measured."""
    voltage_unbalance: float | None = None
    """Unbalance of the voltages [%]; None: not measured."""

    @property
    def change(self) -> float | None:
        """Amps above usual, as a share of it; None: not known."""
        return self.amps / self.usual_amps - 1.0 if self.usual_amps else None

    @property
    def unbalanced(self) -> bool | None:
        """Legs or voltages are unbalanced; None: single-phase, or neither is known."""
        if self.phases != 3 or (self.current_unbalance is None and self.voltage_unbalance is None):
            return None
        bound = UNBALANCED_LEGS_SMALL if self.amps < SMALL_BELOW_AMPS else UNBALANCED_LEGS
        return (self.current_unbalance or 0.0) >= bound or (self.voltage_unbalance or 0.0) >= UNBALANCED_VOLTS


def running(name: str, nameplate: Nameplate, figures: WindowFigures, usual: Usual | None) -> Running:
    """A running fan as its half hour and its last seven days show it.

    Parameters
    ----------
    name : as people call it
    nameplate : as registered
    figures : of the last half hour
    usual : of the last seven days (`changed.Loads`); None: not known

    Examples
    --------
    >>> from monitor.motor.nameplate import Motor
    >>> seen = WindowFigures(
    ...     12.0, 11.5, (12.0, 11.5, 11.0), (460, 459, 458), 0.2, 459.0, 7.0, 0.1, 1800, 180, None
    ... )
    >>> fan = running("north-1", Nameplate(Motor(460, 3, 12.4)), seen, Usual(9.0, 10.0, 461.0, 15.0))
    >>> round(fan.change, 3), round(fan.current_unbalance, 2), fan.usual_volts
    (0.15, 4.35, 461.0)
    """
    unbalance = None
    if nameplate.motor.phases == 3 and None not in figures.legs:
        l1, l2, l3 = (leg or 0.0 for leg in figures.legs)
        unbalance = unbalance_of(l1, l2, l3)
    return Running(
        name=name,
        phases=nameplate.motor.phases,
        supply=nameplate.fan.supply,
        plenum=nameplate.fan.plenum,
        amps=figures.mean,
        usual_amps=None if usual is None else usual.amps,
        volts=figures.mean_volts,
        usual_volts=None if usual is None else usual.volts,
        ambient_c=figures.ambient_c,
        usual_ambient_c=None if usual is None else usual.ambient_c,
        current_unbalance=unbalance,
        voltage_unbalance=figures.unbalance,
    )


@dataclass(frozen=True)
class Idle:
    """A fan of the site that stands still."""

    name: str
    """As people call it."""
    plenum: str | None
    """The bin it blows into."""
    hours: float | None = None
    """Since so many hours; None: not known."""


@dataclass(frozen=True)
class Finding:
    """What the comparison shows."""

    points_to: str
    """supply, own connections or windings, air or voltage, bed, blades or bearings, plenum, rotation."""
    fans: tuple[str, ...]
    """The fans it is about: their pages show it."""
    words: str
    """A sentence with figures."""


def compare(
    fans: Sequence[Running],
    idle: Sequence[Idle] = (),
    *,
    supply_work: Collection[str | None] = (),
    leads_moved: Collection[str] = (),
) -> tuple[Finding, ...]:
    """What the fans of one site show about each other, unbalance first; nothing where there is nothing to compare.

    Parameters
    ----------
    fans : those that ran over the last half hour
    idle : those that stand still
    supply_work : supplies on which work stands on the service record and whose rotation was not checked since; None
        for that of the fans which name no supply point
    leads_moved : fans whose own leads were moved

    Examples
    --------
    >>> one = Running("north-1", 3, None, None, 30.0, current_unbalance=14.0, voltage_unbalance=2.4)
    >>> two = Running("north-2", 3, None, None, 28.0, current_unbalance=12.0, voltage_unbalance=2.3)
    >>> [finding.words for finding in compare([one, two])]
    ['both three-phase fans are unbalanced (north-1 legs 14.0 %, volts 2.4 %; north-2 legs 12.0 %, volts 2.3 %): that \
points to the supply']
    """
    shifted = {fan.plenum for fan in idle if fan.plenum is not None}
    return (*_unbalance(fans), *_amps(fans, shifted), *_plena(fans, idle), *_rotation(fans, supply_work, leads_moved))


def about(name: str, findings: Sequence[Finding]) -> tuple[str, ...]:
    """The sentences that concern one fan.

    Examples
    --------
    >>> about("north-1", [Finding(SUPPLY, ("north-1", "north-2"), "a"), Finding(OWN_LOAD, ("north-2",), "b")])
    ('a',)
    """
    return tuple(finding.words for finding in findings if name in finding.fans)


def _supplies(fans: Sequence[Running]) -> list[tuple[str | None, list[Running]]]:
    """The fans by the supply they share, in the order of their first fan."""
    groups: dict[str | None, list[Running]] = {}
    for fan in fans:
        groups.setdefault(fan.supply, []).append(fan)
    return list(groups.items())


def _unbalance(fans: Sequence[Running]) -> list[Finding]:
    found = []
    for supply, group in _supplies(fans):
        known = [fan for fan in group if fan.unbalanced is not None]
        those = [fan for fan in known if fan.unbalanced]
        if len(known) < 2 or not those:
            continue
        of_supply = "" if supply is None else f" of {supply}"
        if len(those) == len(known):
            figures = _listed([f"{fan.name} {_unbalances(fan)}" for fan in those])
            words = (
                f"{_all(len(known))} three-phase fans{of_supply} are unbalanced ({figures}): that points to the supply"
            )
            found.append(Finding(SUPPLY, tuple(fan.name for fan in those), words))
        elif len(those) == 1:
            fan = those[0]
            rest = _listed([f"{other.name} {_unbalances(other)}" for other in known if other is not fan])
            words = (
                f"of the three-phase fans{of_supply} {fan.name} alone is unbalanced ({_unbalances(fan)}; {rest}): that "
                "points to its own connections or windings"
            )
            found.append(Finding(CONNECTIONS, (fan.name,), words))
    return found


def _unbalances(fan: Running) -> str:
    legs = "" if fan.current_unbalance is None else f"legs {fan.current_unbalance:.1f} %"
    volts = "" if fan.voltage_unbalance is None else f"volts {fan.voltage_unbalance:.1f} %"
    return ", ".join(part for part in (legs, volts) if part)


def _amps(fans: Sequence[Running], shifted: Collection[str | None]) -> list[Finding]:
    known = [(fan, fan.change) for fan in fans if fan.change is not None]
    if len(known) < 2:
        return []
    found = []
    if all(change >= UP_SHARE for _, change in known):
        figures = _listed([f"{fan.name} {_percent(change)}" for fan, change in known])
        words = f"{_all(len(known))} fans draw more than usual ({figures}): that points to the air or the voltage"
        found.append(Finding(AIR_OR_VOLTAGE, tuple(fan.name for fan, _ in known), words + _conditions(known[0][0])))
    else:
        for supply, group in _supplies([fan for fan, _ in known]):
            changes = [fan.change or 0.0 for fan in group]
            rest = [change for fan, change in known if fan.supply != supply]
            if len(group) < 2 or not rest or min(changes) < UP_SHARE or max(rest) >= UP_SHARE:
                continue
            figures = _listed([f"{fan.name} {_percent(fan.change or 0.0)}" for fan in group])
            name = "those that name no supply point" if supply is None else f"those of {supply}"
            words = f"only {name} draw more than usual ({figures}): that points to the voltage of their supply"
            found.append(Finding(SUPPLY, tuple(fan.name for fan in group), words + _conditions(group[0])))
    return found + _alone(known, shifted)


def _alone(known: Sequence[tuple[Running, float]], shifted: Collection[str | None]) -> list[Finding]:
    """A fan, or the fans of one plenum, that draw more than usual while the rest do not."""
    ordered = sorted(change for _, change in known)
    together = Counter(fan.plenum for fan, _ in known)
    alone = []
    for fan, change in known:
        # The median of the rest lies no lower than this: most fans of a large site need no look at all the others.
        least = ordered[max(len(ordered) // 2 - (together[fan.plenum] if fan.plenum else 1) - 1, 0)]
        if change < UP_SHARE or change - least < ALONE_SHARE:
            continue
        rest = [
            other for sister, other in known if sister is not fan and (not fan.plenum or sister.plenum != fan.plenum)
        ]
        if rest and change - statistics.median(rest) >= ALONE_SHARE:
            alone.append((fan, change, statistics.median(rest), len(rest)))
    # What a neighbour's stop has shifted says nothing about the fan itself. Where several stand out that share no
    # plenum none of them is alone: what they share is told above, or is not known.
    if not alone or any(fan.plenum in shifted for fan, *_ in alone):
        return []
    fan, change, others, count = alone[0]
    against = f"the others {_than_usual(others)} (median of {count})"
    if len(alone) == 1:
        words = f"{fan.name} draws {_than_usual(change)}, {against}: that points to its bed, blades or bearings"
        return [Finding(OWN_LOAD, (fan.name,), words)]
    if fan.plenum is None or any(other.plenum != fan.plenum for other, *_ in alone):
        return []
    figures = _listed([f"{other.name} {_percent(change)}" for other, change, *_ in alone])
    words = f"the fans of {fan.plenum} alone draw more than usual ({figures}), {against}: that points to its bed"
    return [Finding(OWN_LOAD, tuple(other.name for other, *_ in alone), words)]


def _conditions(fan: Running) -> str:
    """What air and voltage did, where both times are known."""
    parts = []
    if fan.ambient_c is not None and fan.usual_ambient_c is not None:
        parts.append(f"air of {both_scales(fan.usual_ambient_c)} then, of {both_scales(fan.ambient_c)} now")
    if fan.volts is not None and fan.usual_volts is not None:
        parts.append(f"{fan.usual_volts:.0f} V then, {fan.volts:.0f} V now")
    return f" ({'; '.join(parts)})" if parts else ""


def _plena(fans: Sequence[Running], idle: Sequence[Idle]) -> list[Finding]:
    """Neighbours that blow into one bin."""
    found = []
    for still in idle:
        neighbours = [fan for fan in fans if fan.plenum is not None and fan.plenum == still.plenum]
        if not neighbours:
            continue
        since = "" if still.hours is None else f" (for {_hours(still.hours)})"
        shifted = [
            f"{fan.name} {_percent(fan.change)}"
            for fan in neighbours
            if fan.change is not None and abs(fan.change) >= SHIFTED_SHARE
        ]
        figures = f", and it did: {_listed(shifted)} against their usual" if shifted else ""
        verb = "blows" if len(neighbours) == 1 else "blow"
        words = (
            f"{still.name} stands still{since} while {_listed([fan.name for fan in neighbours])} {verb} into the same "
            f"bin, {still.plenum}: that shifts load between them{figures}. Air from the bin may spin the idle fan "
            "backwards, so it may start slowly"
        )
        found.append(Finding(PLENUM, (still.name, *(fan.name for fan in neighbours)), words))
    return found


def _rotation(
    fans: Sequence[Running], supply_work: Collection[str | None], leads_moved: Collection[str]
) -> list[Finding]:
    found = []
    for supply, group in _supplies([fan for fan in fans if fan.phases == 3]):
        if supply in supply_work:
            names = tuple(fan.name for fan in group)
            work = f"the work on {'the supply' if supply is None else supply}"
            found.append(Finding(ROTATION, names, _check_rotation(work, names)))
            continue
        for fan in group:
            if fan.name in leads_moved:
                found.append(Finding(ROTATION, (fan.name,), _check_rotation("its leads were moved", [fan.name])))
    return found


def _check_rotation(after: str, names: Sequence[str]) -> str:
    return (
        f"after {after}: check rotation of {_listed(names)}. Two leads changed over turn a three-phase fan backwards, "
        "and its amps do not show it"
    )


def _listed(parts: Sequence[str]) -> str:
    more = len(parts) - NAMED
    shown = list(parts[:NAMED]) + ([f"and {more} more"] if more > 0 else [])
    return "; ".join(shown)


def _all(count: int) -> str:
    return "both" if count == 2 else f"all {count}"


def _than_usual(change: float) -> str:
    said = _percent(change)
    return f"{said} as usual" if said == "as much" else f"{said} than usual"


def _percent(change: float) -> str:
    """
    >>> _percent(0.084), _percent(-0.031), _percent(0.001)
    ('8 % more', '3 % less', 'as much')
    """
    percent = round(100.0 * abs(change))
    return "as much" if percent == 0 else f"{percent} % {'more' if change > 0.0 else 'less'}"


def _hours(hours: float) -> str:
    return (
        f"{round(60.0 * hours)} min" if hours < 1.5 else f"{hours:.0f} h" if hours < 48.0 else f"{hours / 24:.0f} days"
    )
