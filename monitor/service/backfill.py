"""Judges a gap in a fan's readings once it is filled: the same watch, from the state before the gap, as measured.

Only looks: neither the live state nor any alarm is altered. What is told is a trip, an overload, a lost phase or a lost
supply; all else that such readings show stands in a review.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import replace as with_
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from monitor.alarms.found_late import TOLD, Finding, FoundLate, gravest_first
from monitor.blades.cautions import for_notice
from monitor.records.database import Database
from monitor.records.gaps import Gap
from monitor.records.replay import JUDGED, MEASURED, Replayed, replay
from monitor.service import evidence
from monitor.service.gaps import Others
from monitor.service.plant import Plant, Point
from monitor.watch import ends, layout
from monitor.watch.advance import state_from_bytes
from monitor.watch.columns import Change, Ending
from monitor.watch.overrides import for_fan, turned_off
from monitor.watch.sisters import WAIT_SECONDS, Sister, stretches
from monitor.watch.table import higher

AFTERWARDS_MS = int(1000.0 * WAIT_SECONDS[1])
"""Readings so long after the gap say how a run that ended in it went on."""
SISTERS_MS = 600_000
"""So long before an end the other fans of its supply are looked at."""


def look(database: Database, plant: Plant, others: Others, point: Point, gap: Gap) -> tuple[int, tuple[Finding, ...]]:
    """What the readings in a gap show.

    Parameters
    ----------
    others : the other fans of a fan's supply, at a time

    Returns
    -------
    running number of the newest reading in the gap that was judged (0: none is stored yet), and what was found, the
    gravest first

    Raises
    ------
    LinkError : the database cannot be read
    """
    state = None if gap.state is None else state_from_bytes(zlib.decompress(gap.state), gap.format)
    if state is None:  # saved in another form
        state = replay(database, point.point_id, gap.from_ms, gap.from_ms, JUDGED).state
    again = replay(database, point.point_id, gap.from_ms, gap.to_ms + AFTERWARDS_MS, MEASURED, state=state)
    late = again.rows.number[again.rows.t_ms < gap.to_ms]
    return int(late.max(initial=0)), gravest_first(_Gap(database, plant, others, point, gap, again).findings())


def found_late(
    plant: Plant, point: Point, gap: Gap, findings: tuple[Finding, ...], now: datetime, page: str | None
) -> FoundLate:
    """What is told of it. It rings only while the fan stands still: what runs again can wait for the morning."""
    table = for_fan(plant.version_at(point, float(gap.to_ms)).nameplate.conditions)
    site, runs = plant.sites[point.site], float(plant.states[point.row][layout.RUNNING])
    priority = table[findings[0].condition].priority
    for one in findings[1:]:
        priority = higher(priority, table[one.condition].priority)
    return FoundLate(
        point.point_id, point.site, point.name, site.name or site.site, ZoneInfo(site.time_zone), _time(gap.from_ms),
        _time(gap.to_ms), now, findings, priority, runs != 1.0 and any(table[one.condition].rings for one in findings),
        None if math.isnan(runs) else runs == 1.0, page, for_notice(findings[0].condition),
    )  # fmt: skip


class _Gap:
    """One look at one gap."""

    def __init__(
        self, database: Database, plant: Plant, others: Others, point: Point, gap: Gap, again: Replayed
    ) -> None:
        self._database, self._plant, self._others, self._point = database, plant, others, point
        self._gap, self._again = gap, again

    def findings(self) -> list[Finding]:
        found: list[Finding] = []
        standing: dict[str, int] = {}
        for change in self._again.changes:
            if int(self._again.rows.t_ms[change.row]) > self._gap.to_ms:
                break  # what follows is told by the live watch
            condition = change.condition or ""
            if change.what == layout.RAISED and condition in TOLD:
                standing[condition] = self._raised(condition, change, found)
            elif change.what in (layout.CLEARED, layout.SUPERSEDED) and condition in standing:
                self._over(standing.pop(condition), change.at_ms, found)
            elif change.what == layout.RUN_ENDED and change.ending is not None:
                if "overload" in standing:  # it is over when the fan stops, not when the alarm would be
                    self._over(standing.pop("overload"), change.ending.stop_ms, found)
                found += self._ended(change, change.ending, found)
        return found

    def _raised(self, condition: str, change: Change, found: list[Finding]) -> int:
        """Adds a condition that was raised; its place among the findings."""
        raised = Finding(condition, _time(change.since_ms), peak=self._peak(change.since_ms, math.inf))
        for place, one in enumerate(found):
            apart = abs((one.since - raised.since).total_seconds())
            if one.condition == condition and one.end_cause is not None and apart <= WAIT_SECONDS[1]:
                found[place] = with_(one, since=raised.since, until=None)  # the verdict said so a moment before
                return place
        found.append(raised)
        return len(found) - 1

    def _over(self, place: int, at_ms: float, found: list[Finding]) -> None:
        since = found[place].since.timestamp() * 1000.0
        found[place] = with_(found[place], until=_time(at_ms), peak=self._peak(since, at_ms))

    def _peak(self, since_ms: float, until_ms: float) -> float | None:
        """Highest load ratio between two times, within the gap."""
        rows = self._again.rows
        here = (rows.t_ms >= since_ms) & (rows.t_ms <= min(until_ms, self._gap.to_ms))
        ratios = self._again.judged.ratio[here & ~np.isnan(self._again.judged.ratio)]
        return float(ratios.max()) if len(ratios) else None

    def _ended(self, change: Change, ending: Ending, before: Sequence[Finding]) -> list[Finding]:
        """What the end of a run adds to what was found."""
        if not ending.seen:
            return []
        plant, point = self._plant, self._point
        others = self._others(point, ending.stop_ms)
        due = evidence.due(plant, ending, others)
        sisters = [one for other in others if (one := self._sister(other, due)) is not None]
        own = evidence.own(
            plant, point, ending,
            volts_percent=evidence.volts_at_end(
                plant, point, ending, self._again.rows.t_ms, self._again.rows.volts, self._again.judged.flags
            ),
            run_seconds=(change.at_ms - change.since_ms) / 1000.0,
            restart_ms=self._restart_ms(ending.stop_ms, due.due_ms),
        )  # fmt: skip
        verdict = ends.judge(ending, own, sisters)
        conditions = plant.version_at(point, ending.stop_ms).nameplate.conditions
        said = {"end_cause": verdict.end_cause, "confidence": verdict.confidence, "evidence": verdict.evidence}
        if verdict.tripped and not turned_off(conditions, "tripped"):
            return [Finding("tripped", _time(ending.stop_ms), **said)]  # type: ignore[arg-type]
        lost = verdict.end_cause == ends.SUPPLY_LOST and verdict.confidence != ends.POSSIBLE
        told = any(one.condition == "supply-lost" and one.until is None for one in before)  # by its volts
        if lost and not told and not turned_off(conditions, "supply-lost"):
            restart = self._restart_ms(ending.stop_ms, self._gap.to_ms)
            until = None if restart is None else _time(restart)
            return [Finding("supply-lost", _time(ending.stop_ms), until, **said)]  # type: ignore[arg-type]
        return []

    def _restart_ms(self, stop_ms: float, until_ms: float) -> float | None:
        """When it ran again after an end, if by some time."""
        starts = (one.at_ms for one in self._again.changes if one.what == layout.RUN_STARTED)
        return next((at_ms for at_ms in starts if stop_ms < at_ms <= until_ms), None)

    def _sister(self, other: Point, due: evidence.Due) -> Sister | None:
        """Another fan of the supply at the time of an end; None when nothing was heard of it before."""
        stop_ms = due.ending.stop_ms
        begin = int(stop_ms) - SISTERS_MS
        again = replay(self._database, other.point_id, begin, int(due.due_ms), MEASURED, warm_up_ms=0)
        if not (again.rows.t_ms < stop_ms).any():
            return None
        runs = stretches(again.changes, again.state)
        return evidence.sister(self._plant, other, runs, due)


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)
