"""The alarms of a log: as the watch raises them, with those that follow from a verdict, as live tells them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from monitor.review.findings import AlarmSpell
from monitor.review.runs import Ran
from monitor.review.watching import Plates, Watched
from monitor.watch import ends, layout
from monitor.watch.overrides import for_fan, turned_off
from monitor.watch.table import Condition

INFERRED_PRIORITY = "medium"
"""Of a lost supply that only shows in fans that fell together, as live has it: it may be a common control."""


def alarms_of(plates: Plates, watched: Watched, ran: Sequence[Ran]) -> tuple[AlarmSpell, ...]:
    """Every alarm of the log, by the time it was raised.

    A `stopped` that a trip, a lost supply or a plan explains is none, as live; a trip stands until the fan runs again
    (live also until somebody has acknowledged it, which a log does not know).
    """
    tables: dict[int, Mapping[str, Condition]] = {}
    found: list[AlarmSpell] = []
    standing: dict[str, int] = {}
    for one in watched.changes:
        condition = one.condition
        if condition is None:
            continue
        if one.what == layout.RAISED:
            if condition == "stopped" and _told_otherwise(ran, one.since_ms):
                continue
            version = plates.of_row(one.row)
            if version not in tables:
                tables[version] = for_fan(plates.nameplates[version].conditions)
            standing[condition] = len(found)
            found.append(AlarmSpell(condition, one.at_ms, None, tables[version][condition].priority))
        elif condition in standing:
            before = found[standing[condition]]
            if one.what == layout.HOTTER:
                found[standing[condition]] = AlarmSpell(condition, before.raised_ms, None, "highest")
            else:
                found[standing.pop(condition)] = AlarmSpell(condition, before.raised_ms, one.at_ms, before.priority)
    found += [_tripped(plates, one) for one in ran if _trip(plates, one)]
    found += [
        AlarmSpell("supply-lost", one.due_ms, one.restart_ms, INFERRED_PRIORITY)
        for one in ran
        if one.together and not turned_off(plates.at(one.last).conditions, "supply-lost")
    ]
    return tuple(sorted(found, key=lambda alarm: (alarm.raised_ms, alarm.id)))


def _trip(plates: Plates, one: Ran) -> bool:
    tripped = ends.is_trip(one.run.end_cause, one.run.confidence)
    return tripped and not turned_off(plates.at(one.last).conditions, "tripped")


def _tripped(plates: Plates, one: Ran) -> AlarmSpell:
    priority = for_fan(plates.at(one.last).conditions)["tripped"].priority
    again = None if one.restart_ms is None else max(one.due_ms, one.restart_ms)
    return AlarmSpell("tripped", one.due_ms, again, priority)


def _told_otherwise(ran: Sequence[Ran], since_ms: float) -> bool:
    """Whether the run before a stop ended in a way that tells it already."""
    before = [one for one in ran if one.ending is not None and one.ending.stop_ms <= since_ms]
    if not before:
        return False
    run = before[-1].run
    planned = (run.end_cause, run.confidence) == (ends.STOPPED, ends.SURE)
    return ends.is_trip(run.end_cause, run.confidence) or run.end_cause == ends.SUPPLY_LOST or planned
