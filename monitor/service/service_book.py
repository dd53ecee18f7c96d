"""The service record as the worker knows it: takes entries, works out what follows, tells the estimate what counts."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.blades.belief import Belief
from monitor.errors import ConfigError, LinkError
from monitor.motor import clamps
from monitor.records import service_record
from monitor.records.actions import DONE, Action
from monitor.records.database import Database
from monitor.records.rows import to_ms
from monitor.records.service_entry import Clamps, Entered, Registered, against_the_record, read_entry
from monitor.records.service_record import (
    CLAMP_CORRECTION,
    HAND_READING,
    LEAD_ROTATION,
    RE_PITCH,
    WITHDRAW,
    Entry,
    Found,
    NewEntry,
    supply_put_right,
)
from monitor.records.taught import learned_from
from monitor.service import service_findings as findings
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point

log = logging.getLogger("monitor.worker")

KIND = "service"
"""Kind of the actions that ask for an entry; body {"fan": name, "entry": what was typed}."""
LOOK_SECONDS = 300.0
"""An entry that waits for readings is looked at so often."""
KEPT_MS = 3 * service_record.GOOD_FOR_MS
"""Checks and hand readings of so long are kept in memory: more than count, as a logger may be far behind."""


@dataclass(frozen=True)
class Known:
    """What the record says to an estimate."""

    checks_done: frozenset[str] = frozenset()
    unbalance: float | None = None
    """Voltage unbalance a technician measured [%]; None: nobody did in the last 30 days."""
    words: str = ""
    """What that reading is called."""
    belief: Belief | None = None
    """What a degree is worth, as its own re-pitches have taught; None: they have not."""


NOTHING = Known()

WORK_TOLD_MS = 3 * 86_400_000
"""After work on a supply, or on a fan's leads, the rotation is to be checked for so long (derived: no entry of the
record tells of that check)."""


@dataclass(frozen=True)
class Work:
    """After which the rotation of running fans is to be checked."""

    supplies: frozenset[str | None] = frozenset()
    """Supplies that were put right; None: that of the fans which name no supply point."""
    leads: frozenset[str] = frozenset()
    """Fans whose leads were moved."""


NO_WORK = Work()


def new_entry(
    point_id: int, entered: Entered, registered: Registered | Clamps | None, action: Action, now_ms: int
) -> NewEntry:
    """An entry as it is stored, with what follows from it at once.

    Parameters
    ----------
    registered : what it changes in the register
    now_ms : when it is entered, by the clock on the wall
    """
    body = dict(entered.body)
    found = findings.at_once(entered.kind, body)
    if registered is not None and entered.kind in (RE_PITCH, CLAMP_CORRECTION):
        before = registered.before
        found["registered"] = list(before) if isinstance(before, tuple) else before
    if isinstance(registered, Clamps) and entered.kind == CLAMP_CORRECTION:
        found["words"] = [f"before: {clamps.words(registered.before)}"]
    return NewEntry(
        point_id, entered.kind, to_ms(entered.done), now_ms, action.by, body, found,
        waits=findings.waits_for_readings(entered.kind),
        withdraws=body["number"] if entered.kind == WITHDRAW else None,
        action=action.number,
        pitch=(registered.pitch, to_ms(registered.since)) if isinstance(registered, Registered) else None,
        clamps=(registered.factors, to_ms(registered.since)) if isinstance(registered, Clamps) else None,
    )  # fmt: skip


class ServiceBook:
    """Owned by the worker. Reads the database at its start, after each entry and when readings are waited for."""

    def __init__(
        self,
        database: Database,
        plant: Plant,
        pending: Pending,
        *,
        now: Callable[[], datetime],
        steady: Callable[[], float],
        since_ms: float,
    ) -> None:
        """
        Parameters
        ----------
        since_ms : newest time the database knows of [ms]
        """
        self._database = database
        self._plant = plant
        self._pending = pending
        self._now = now
        self._steady = steady
        self._since_ms = since_ms
        self._kept: dict[int, list[Entry]] = {}
        self._work: dict[str, list[Entry]] = {}
        """Site -> entries of work after which the rotation is to be checked."""
        self._motor_since: dict[int, int | None] = {}
        self._beliefs: dict[int, Belief | None] = {}
        self._due: dict[int, float] = {}
        """Number of an entry that waits -> when to look again."""
        self._stale = True
        self.refresh()

    # --- what counts -------------------------------------------------------------------------------------------

    def known(self, point: Point) -> Known:
        """What the record says of a fan now: by the clock on the wall, as what is entered is newer than any reading."""
        kept = self._kept.get(point.point_id)
        if not kept:
            return NOTHING
        t_ms = to_ms(self._now())
        done = service_record.checks_done(kept, t_ms, self._motor_since[point.point_id])
        volts = service_record.technician_volts(kept, t_ms)
        words = ""
        if volts is not None:
            day = volts.done.astimezone(ZoneInfo(self._plant.sites[point.site].time_zone))
            words = f"a technician's reading of {day.day} {day:%B}"
        return Known(done, None if volts is None else volts.unbalance, words, self._beliefs.get(point.point_id))

    def work(self, site: str) -> Work:
        """What was worked on lately at a site, by the clock on the wall."""
        now = to_ms(self._now())
        lately = [one for one in self._work.get(site, ()) if now - WORK_TOLD_MS < to_ms(one.done) <= now]
        if not lately:
            return NO_WORK
        points = [(one, self._plant.by_id[one.point_id]) for one in lately]
        return Work(
            frozenset(point.nameplate.fan.supply for one, point in points if supply_put_right(one) and point.nameplate),
            frozenset(point.name for one, point in points if one.kind == LEAD_ROTATION),
        )

    def changed(self) -> None:
        """The record or the register was written: what is kept here is read anew before it is asked again."""
        self._stale = True

    def refresh(self) -> None:
        """Reads anew what counts, where it changed.

        Raises
        ------
        LinkError : the database cannot be read; what was known stands
        """
        if not self._stale:
            return
        newest = max(self._since_ms, to_ms(self._now()))
        kept = service_record.standing(self._database, int(newest - KEPT_MS))
        with self._database.read() as connection:
            since = {one: service_record.motor_since_ms(connection, one, 2**62) for one in kept}
        self._kept, self._motor_since, self._stale = kept, since, False
        self._beliefs = {point_id: self._belief(point_id) for point_id in kept}
        self._work = {}
        for point_id, some in kept.items():
            work = [one for one in some if supply_put_right(one) or one.kind == LEAD_ROTATION]
            if work and point_id in self._plant.by_id:
                self._work.setdefault(self._plant.by_id[point_id].site, []).extend(work)
        waiting = {one.number for some in kept.values() for one in some if one.waits}
        self._due = {number: self._due.get(number, 0.0) for number in waiting}

    def _belief(self, point_id: int) -> Belief | None:
        point = self._plant.by_id.get(point_id)
        re_pitches = self._re_pitches(point_id)
        if point is None or point.nameplate is None or not re_pitches:
            return None
        learned = learned_from(point.nameplate, re_pitches)
        return learned.belief if learned.used else None

    def _re_pitches(self, point_id: int) -> list[Entry]:
        """Those with the motor it has now."""
        since = self._motor_since.get(point_id) or -(2**62)
        return [one for one in self._kept.get(point_id, []) if one.kind == RE_PITCH and to_ms(one.done) >= since]

    # --- entries -----------------------------------------------------------------------------------------------

    def carry_out(self, action: Action) -> str | None:
        """Takes an entry into the next commit; returns "done", in words why not, or None: not before that commit.

        Raises
        ------
        LinkError : the database does not answer
        """
        if self._pending.service:  # what it says is judged by what was entered before it, which must be stored
            return None
        try:
            return self._take(action)
        except LinkError:
            raise
        except Exception:  # it would come back after every start: an entry must never cost the watch
            log.exception("action %d could not be entered in the service record", action.number)
            return "it met a fault of the monitor: please report its log"

    def _take(self, action: Action) -> str:
        fan = str(action.body.get("fan", ""))
        point = self._plant.by_name.get((action.site, fan))
        if point is None or point.kind != "fan" or point.removed or point.nameplate is None:
            return f"there is no fan {fan} at {action.site}"
        try:
            entered = read_entry(action.body.get("entry"), phases=point.nameplate.motor.phases, now=action.at)
        except ConfigError as exc:
            return "; ".join(str(fault) for fault in exc.faults)
        faults, registered = against_the_record(self._database, point.point_id, entered)
        if faults:
            return "; ".join(str(fault) for fault in faults)
        self._pending.service.append(new_entry(point.point_id, entered, registered, action, to_ms(self._now())))
        self._pending.urgent = True
        return DONE

    # --- what follows from them --------------------------------------------------------------------------------

    def look_again(self) -> None:
        """Looks at one entry that waits for readings, if one is due.

        Raises
        ------
        LinkError : the database does not answer; it is looked at again
        """
        now = self._steady()
        number = next((number for number, due in self._due.items() if due <= now), None)
        if number is None or self._stale or number in self._pending.service_found:
            return
        self._due[number] = now + LOOK_SECONDS
        entry = next(one for some in self._kept.values() for one in some if one.number == number)
        point = self._plant.by_id.get(entry.point_id)
        if point is None or point.nameplate is None:
            return
        try:
            later = self._found(point, entry)
        except LinkError:
            raise
        except Exception:
            # It would come back after every start: looking at the record must never cost the watch.
            log.exception("entry %d of the service record could not be worked: a fault of the monitor", number)
            later = Found({"words": ["not worked out, by a fault of the monitor: please report its log"]}, waits=False)
        if self._now() - max(entry.done, entry.entered) > findings.GIVE_UP:
            later = Found(later.found, waits=False)
        if later.waits != entry.waits or any(entry.found.get(key) != value for key, value in later.found.items()):
            self._pending.service_found[number] = later

    def _found(self, point: Point, entry: Entry) -> Found:
        nameplate = point.nameplate
        assert nameplate is not None
        newest = float(self._plant.newest_ms[point.row])
        kept = self._kept.get(point.point_id, [])
        if entry.kind == HAND_READING:
            return findings.hand_reading_found(self._database, nameplate, entry, kept, newest)
        name = nameplate.fan.plenum
        plenum = [
            one.point_id
            for one in self._plant.fans()
            if name is not None and one.site == point.site and one is not point
            and one.nameplate is not None and one.nameplate.fan.plenum == name
        ]  # fmt: skip
        re_pitches = self._re_pitches(point.point_id)
        return findings.re_pitch_found(self._database, nameplate, entry, re_pitches, plenum, newest)
