"""Fans that tripped or stopped in a night, and fans that have not run since their supply is back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from monitor.records.morning_rows import Spell
from monitor.records.register import PointKey
from monitor.records.registered import Registered
from monitor.records.rows import Run, from_ms, from_ms_or_none, to_ms
from monitor.watch.ends import OVERLOAD_TRIP, PHASE_LOST, SHORT_CIRCUIT, STOPPED, SURE

TRIP, NOT_BACK, STOP = "trip", "not back", "stop"
"""What a fan of the list is in it for: it tripped or lost a phase; it ran until its supply was lost, or until nothing
was heard of it, and does not since; it stopped and nothing says that it was planned."""
WHAT = (TRIP, NOT_BACK, STOP)
"""In the order of the list, within those that stand still."""
TRIPS = (OVERLOAD_TRIP, PHASE_LOST, SHORT_CIRCUIT)
"""Ends of runs that are told as a trip, however sure."""
TRIP_ALARMS, STOP_ALARMS, AWAY_ALARMS = ("tripped", "phase-lost"), ("stopped",), ("supply-lost", "site-silent")
SLACK = timedelta(minutes=2)
"""A run that ended so shortly before its supply was lost ended with it: the last reading before is a period old
(derived; of slow loggers one and a half periods)."""


@dataclass(frozen=True)
class Away:
    """A time without supply, or without any reading."""

    condition: str
    """"supply-lost" or "site-silent"."""
    supply: str | None
    """None: that of the fans that name none, or the whole site."""
    since: datetime
    until: datetime


@dataclass(frozen=True)
class Stop:
    """One fan of the list."""

    site: str
    fan: str
    what: str
    """One of WHAT."""
    at: datetime | None
    """Last running reading of the run that is told; None: no run is known."""
    end_cause: str | None
    """As of `runs`; None: not judged yet, or no run is known."""
    confidence: str | None
    evidence: tuple[str, ...]
    times: int
    """How often it ended like that since the evening, this one among them; 1 where it is told of one end only."""
    running: bool | None
    """Now; None: not known."""
    since: datetime | None
    """Since when it runs or stands."""
    heard: bool
    """Whether its logger is heard: else `running` is of its last reading."""
    control: str | None
    """As of the nameplate."""
    alarms: tuple[Mapping[str, Any], ...]
    """Its alarms that tell it, the newest first, as `look.alarms` gives them."""
    away: Away | None
    """With NOT_BACK: what took it."""
    out: Mapping[str, Any] | None
    """How it is out of service; None: it is in service."""

    @property
    def still(self) -> bool:
        """Whether it stands still now, as far as is known."""
        return self.running is not True

    @property
    def waits(self) -> bool:
        """Whether somebody has to see to it: nobody holds it back, and it stands still or nobody acknowledged it."""
        if self.out is not None or any(alarm["suppressed_by"] for alarm in self.alarms):
            return False
        return self.still or any(alarm["state"] != "NORMAL" for alarm in self.alarms)


@dataclass(frozen=True)
class Fan:
    """What is known of a fan of the register, to pick from."""

    registered: Registered
    running: bool | None
    since: datetime | None
    heard: bool
    heard_at: datetime | None
    """Time of its newest reading."""
    load_ratio: float | None
    period_seconds: float | None
    out: Mapping[str, Any] | None

    @property
    def key(self) -> PointKey:
        """Which it is."""
        return self.registered.key

    @property
    def supply(self) -> str | None:
        """The supply point it names."""
        return self.registered.nameplate.fan.supply


def concerned(fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]], aways: Sequence[tuple[str, Away]]) -> set[int]:
    """Points of the fans whose runs have to be read: those with such an alarm, and those that stand still after a time
    without supply.

    Parameters
    ----------
    aways : each with its site
    """
    told = {(one["site"], one["fan"]) for one in alarms if one["id"] in (*TRIP_ALARMS, *STOP_ALARMS)}
    return {
        fan.key.point_id
        for fan in fans
        if (fan.key.site, fan.key.name) in told
        or (fan.running is False and any(site == fan.key.site and of(away, fan) for site, away in aways))
    }


def of(away: Away, fan: Fan) -> bool:
    """Whether a time without supply, or without readings, was one of a fan of its site."""
    if away.condition == "site-silent" and away.supply is None:
        return True
    return away.supply == fan.supply


def aways_of(
    alarms: Sequence[Mapping[str, Any]], spells: Mapping[int, Sequence[Spell]], fans: Sequence[Fan],
    since: Mapping[str, datetime],
) -> list[tuple[str, Away]]:  # fmt: skip
    """Each time without supply or readings that ended in the night or that overlaps it, with its site."""
    supplies = {(fan.key.site, fan.key.name): fan.supply for fan in fans}
    return [
        (alarm["site"], Away(alarm["id"], alarm["supply"] or supplies.get((alarm["site"], alarm["fan"])),
                             spell.since, spell.until))
        for alarm in alarms
        if alarm["id"] in AWAY_ALARMS
        for spell in spells[alarm["number"]]
        if spell.until is not None and spell.until > since[alarm["site"]]
    ]  # fmt: skip


def stops(
    fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]], runs: Mapping[int, Sequence[Run]],
    aways: Sequence[tuple[str, Away]], since: Mapping[str, datetime],
) -> list[Stop]:  # fmt: skip
    """The list: what stands still before what runs, trips first, the longest first.

    Parameters
    ----------
    alarms : of the night, as `morning_rows.alarms_of` gives them
    runs : of the fans that `concerned` picks
    """
    own: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for alarm in alarms:
        if alarm["fan"] and alarm["id"] in (*TRIP_ALARMS, *STOP_ALARMS):
            own.setdefault((alarm["site"], alarm["fan"]), []).append(alarm)
    found = []
    for fan in fans:
        place = fan.key.site, fan.key.name
        one = _stop(fan, own.get(place, []), runs.get(fan.key.point_id, ()), aways, since[fan.key.site])
        if one is not None:
            found.append(one)
    return sorted(found, key=_order)


def _order(one: Stop) -> tuple[bool, bool, int, datetime | None, str, str]:
    return not one.waits, not one.still, WHAT.index(one.what), one.since, one.site, one.fan


def _stop(
    fan: Fan, alarms: Sequence[Mapping[str, Any]], runs: Sequence[Run], aways: Sequence[tuple[str, Away]],
    since: datetime,
) -> Stop | None:  # fmt: skip
    ended = [run for run in runs if run.end_ms is not None]
    tonight = [run for run in ended if run.end_ms is not None and run.end_ms > to_ms(since)]
    trips = [one for one in alarms if one["id"] in TRIP_ALARMS]
    standing = [one for one in alarms if one["id"] in STOP_ALARMS and one["standing"]]
    tripped = [run for run in tonight if run.end_cause in TRIPS]
    if trips or (alarms and tripped):
        run = tripped[0] if tripped else _run_before(ended, trips[-1]["since"])
        told = trips or [one for one in alarms if one["id"] in STOP_ALARMS]
        return _as_stop(fan, TRIP, run, told, max(1, len(tripped)))
    if fan.running is False and ended:
        away = next((one for site, one in aways if site == fan.key.site and _took(one, fan, ended[0])), None)
        if away is not None:
            return _as_stop(fan, NOT_BACK, ended[0], standing, 1, away)
    if standing:
        return _as_stop(fan, STOP, _run_before(ended, standing[-1]["since"]), standing, 1)
    return None


def _run_before(ended: Sequence[Run], when: datetime) -> Run | None:
    """The last run that had begun by then."""
    return next((run for run in ended if run.start_ms <= to_ms(when)), None)


def _took(away: Away, fan: Fan, run: Run) -> bool:
    """Whether a run ended with the supply, or while nothing was heard, and was meant to go on as far as is known."""
    slack = max(SLACK, timedelta(seconds=1.5 * (fan.period_seconds or 0.0)))
    assert run.end_ms is not None
    planned = run.end_cause == STOPPED and run.confidence == SURE
    return of(away, fan) and not planned and away.since - slack <= from_ms(run.end_ms) <= away.until


def _as_stop(
    fan: Fan, what: str, run: Run | None, alarms: Sequence[Mapping[str, Any]], times: int, away: Away | None = None
) -> Stop:
    return Stop(
        fan.key.site, fan.key.name, what, None if run is None else from_ms_or_none(run.end_ms),
        None if run is None else run.end_cause, None if run is None else run.confidence,
        () if run is None else run.evidence, times, fan.running, fan.since, fan.heard,
        fan.registered.nameplate.fan.control, tuple(reversed(alarms)), away, fan.out,
    )  # fmt: skip
