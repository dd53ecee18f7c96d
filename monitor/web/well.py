"""Whether all is well, in one sentence above the list of fans: for a farmer at two in the morning.

It never says that something is well which nobody watches. A fan is well that is watched and neither over nor near its
limit, has not tripped, and does not stand still unplanned.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.records.fan_list import Seen
from monitor.records.look_alarms import Stands
from monitor.records.look_fans import (
    ABOUT_TO_TRIP,
    NEAR,
    NO_AMPS,
    NO_READINGS,
    NOT_HEARD,
    OVER,
    STOPPED,
    TRIPPED,
)
from monitor.web import words

MOST_NAMED = 2
"""So many fans of one kind are named; of more the number says enough, and they stand first in the list."""

EXPLAINS: Mapping[str, tuple[str, ...]] = {
    ABOUT_TO_TRIP: ("trip-near", "overload", "low-margin", "device-margin"),
    TRIPPED: ("tripped", "stopped", "supply-lost"),
    OVER: ("overload", "low-margin", "device-margin"),
    NEAR: ("low-margin", "device-margin"),
    STOPPED: ("stopped", "supply-lost"),
    NOT_HEARD: ("logger-overdue", "site-silent"),
}
"""State -> alarms that say the same as it does, the one whose time is told first; any other is another matter."""
OF_MANY = ("supply-lost", "site-silent")
"""Alarms of a supply or a site that the states of its fans tell already."""

AWAY = "not heard", "without readings yet", "without usable amps"
OUT = "out of service"


@dataclass(frozen=True)
class Well:
    """The sentence, and its tone as the states have one."""

    head: str
    """What matters most."""
    rest: str
    """What else there is; may be empty."""
    tone: str
    """"good" only where all is well; "over", "near", or "off" where something is not watched."""


@dataclass(frozen=True)
class _Kinds:
    needs: dict[str, list[tuple[Seen, str]]]
    """What is so -> fans, each with since when and who knows of it."""
    others: dict[str, list[Seen]]
    """The same of fans that need nobody at once: near their limit, not heard ..."""
    well: int
    still: int
    """Of those that are well: fans that stand still as they should."""
    beside: int
    """Alarms that stand beside all this."""


def not_watched(health: Mapping[str, Any]) -> str:
    """Why no fan is watched now, in words; empty while the watch works.

    Parameters
    ----------
    health : as `/healthz` tells it; empty where nothing is told of the service

    >>> not_watched({"late": ["worker: it has not gone round for 40 s"], "broker_connected": True})
    'the watch has not gone round for 40 s'
    """
    for late in health.get("late", ()):
        part, _, said = str(late).partition(": ")
        if part in _PARTS and said == "its thread has ended":
            return "a part of the service has ended"
        if part in _PARTS:
            return f"{_PARTS[part]} {said.removeprefix('it ')}".strip()
    if not health.get("broker_connected", True):
        return str(health.get("broker") or "the broker is away")
    return ""


_PARTS = {
    "clock": "the clock of this computer", "worker": "the watch", "commit": "", "broker": "the broker is",
    "readings": "", "database": "the database:", "mqtt": "",
}  # fmt: skip
"""Parts of `/healthz` without which nothing is watched -> how their words begin here."""


def in_one_sentence(
    fans: Sequence[Seen], beside: Sequence[Stands], zones: Mapping[str, ZoneInfo], names: Mapping[str, str],
    now: datetime, trouble: str = "",
) -> Well:  # fmt: skip
    """Whether all is well, told of all fans of a reader or of one site.

    Parameters
    ----------
    fans : all of them; at least one
    beside : alarms that stand and are of no fan: of supply points and whole sites
    zones : of each site
    names : of each site, where several are shown; empty where it goes without saying
    trouble : why nothing is watched now; empty while it is

    Raises
    ------
    ValueError : there is no fan (a bug of the caller: then there is nothing to say)
    """
    if not fans:
        raise ValueError("in_one_sentence: no fan")
    kinds = _sorted(fans, beside, zones, now)
    needs, alarms = _needs(kinds, names), _alarms(kinds.beside)
    if trouble:
        told = f"The fans are not watched now: {trouble.rstrip('.')}. What stands here is what was last heard."
        return Well(told, f"By that, {needs}." if needs else "", "over" if needs else "off")
    total = len(fans)
    if needs:
        rest = _rest(kinds, others=True)
        return Well(f"{needs}.", " ".join(one for one in (f"{rest}." if rest else "", alarms) if one), "over")
    if kinds.well == total:
        return Well(_all_well(fans, kinds), alarms, "near" if kinds.beside else "good")
    away = any(word in kinds.others for word in (*AWAY, OUT))
    tone = "off" if away else "near"
    if total == 1:
        (word,) = kinds.others
        return Well(f"The fan {fans[0].fan} is {_said(word, 1)}.", alarms, tone)
    if kinds.well == 0 and len(kinds.others) == 1:
        (word,) = kinds.others
        return Well(f"{_all(total)} are {_said(word, total)}.", alarms, tone)
    return Well(f"Of {total} fans {_rest(kinds, others=False)}.", alarms, tone)


def _sorted(fans: Sequence[Seen], beside: Sequence[Stands], zones: Mapping[str, ZoneInfo], now: datetime) -> _Kinds:
    needs: dict[str, list[tuple[Seen, str]]] = {}
    others: dict[str, list[Seen]] = {}
    well = still = 0
    more = sum(one.id not in OF_MANY and not one.held for one in beside)
    for fan in fans:
        if fan.out:
            others.setdefault(OUT, []).append(fan)
            continue
        explains = EXPLAINS.get(fan.state, ())
        more += sum(one.id not in explains and not one.held and not one.shared for one in fan.alarms)
        said = next((one for word in explains for one in fan.alarms if one.id == word), None)
        planned = said is not None and said.id == "stopped" and said.held
        what: str | None = fan.state
        if fan.state == STOPPED:  # a stop that is as it should be, or was announced, needs nobody
            what = said.id if said is not None and not planned else None
        if what is not None and what in _NEEDS:
            needs.setdefault(what, []).append((fan, _since(said, zones.get(fan.site), now)))
        elif fan.state in _OTHERS:
            others.setdefault(_OTHERS[fan.state], []).append(fan)
        else:
            well += 1
            still += fan.state == STOPPED
    return _Kinds(needs, others, well, still, more)


_NEEDS = {
    ABOUT_TO_TRIP: ("is about to trip", "are about to trip"),
    TRIPPED: ("has tripped", "have tripped"),
    OVER: ("is over its limit", "are over their limit"),
    "stopped": ("stands still unplanned", "stand still unplanned"),
    "supply-lost": ("is without supply", "are without supply"),
}
"""State, or of a fan that stands still what says why -> in words, of one and of several."""
_OTHERS = {NEAR: "near its limit", NOT_HEARD: AWAY[0], NO_READINGS: AWAY[1], NO_AMPS: AWAY[2]}


def _since(alarm: Stands | None, zone: ZoneInfo | None, now: datetime) -> str:
    if alarm is None:
        return ""
    since = datetime.fromtimestamp(alarm.since_ms / 1000.0, UTC)
    known = " (held back)" if alarm.held else " (acknowledged)" if alarm.acknowledged else ""
    return f" since {words.local(since, zone or ZoneInfo('UTC'), now)}{known}"


def _needs(kinds: _Kinds, names: Mapping[str, str]) -> str:
    """E.g. "1 fan needs you: north-3 is over its limit since 02:08 CDT"; empty where none does."""
    count = sum(len(found) for found in kinds.needs.values())
    if not count:
        return ""
    sites = {fan.site for found in kinds.needs.values() for fan, _ in found}
    at = ""
    if len(sites) == 1:  # told once
        (site,) = sites
        at, names = (f" at {names[site]}" if site in names else ""), {}
    told = []
    for what, found in kinds.needs.items():
        named = [_name(fan, names) for fan, _ in found[:MOST_NAMED]]
        left = len(found) - len(named)
        since = found[0][1] if count <= MOST_NAMED and len(found) == 1 else ""
        who = ", ".join(named) + f" and {left} more" if left else " and ".join(named)
        told.append(f"{who} {_NEEDS[what][len(found) > 1]}{since}")
    return f"{words.plural(count, 'fan')}{at} {'needs' if count == 1 else 'need'} you: {', '.join(told)}"


def _rest(kinds: _Kinds, *, others: bool) -> str:
    """The fans that need nobody at once: "10 others are well, 1 is not heard (north-7)"."""
    told = []
    if kinds.well:
        who = f"{kinds.well} {'other' if kinds.well == 1 else 'others'}" if others else f"{kinds.well}"
        told.append(f"{who} {'is' if kinds.well == 1 else 'are'} {_well_word(kinds)}")
    elsewhere = []
    for word, found in kinds.others.items():
        named = f" ({' and '.join(fan.fan for fan in found)})" if len(found) <= MOST_NAMED else ""
        elsewhere.append(f"{len(found)} {'is' if len(found) == 1 else 'are'} {_said(word, len(found))}{named}")
    # What is wrong stands first where nothing worse does.
    return ", ".join([*told, *elsewhere] if others else [*elsewhere, *told])


def _well_word(kinds: _Kinds) -> str:
    one = kinds.well == 1
    return f"not near {'its' if one else 'their'} limit" if kinds.beside else "well"


def _all_well(fans: Sequence[Seen], kinds: _Kinds) -> str:
    total = len(fans)
    if total == 1:
        told = f"The fan {fans[0].fan} is watched and " + ("stands still." if kinds.still else "is not near its limit.")
    elif kinds.still == total:
        told = f"{_all(total)} are watched and stand still."
    else:
        told = f"{_all(total)} are watched and none is over or near its limit"
        told += f"; {kinds.still} {'stands' if kinds.still == 1 else 'stand'} still." if kinds.still else "."
    return told


def _alarms(count: int) -> str:
    return f"{count} other {'alarm stands' if count == 1 else 'alarms stand'}." if count else ""


def _all(total: int) -> str:
    return "Both fans" if total == 2 else f"All {total} fans"


def _said(what: str, count: int) -> str:
    return what.replace("its", "their") if count > 1 else what


def _name(fan: Seen, names: Mapping[str, str]) -> str:
    return f"{fan.fan} at {names[fan.site]}" if fan.site in names else fan.fan
