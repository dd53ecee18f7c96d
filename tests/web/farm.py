"""An invented farm, written through the real database rooms as the worker would write it."""

from __future__ import annotations

import atexit
import contextlib
import math
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from monitor.alarms.alarm import (
    About,
    Acknowledge,
    Alarm,
    AlarmChange,
    Raised,
    RemoveFromService,
    Returned,
    Shelve,
    SuppressByDesign,
    Unshelve,
    step,
)
from monitor.blades.estimate import estimate
from monitor.blades.window import WindowFigures
from monitor.motor.limit import adjusted_limit
from monitor.motor.unbalance import voltage_unbalance
from monitor.records import actions, job_sheet, jobs, look, register
from monitor.records.alarm_rows import alarm_of
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.fan_file import read_nameplate
from monitor.records.job_entry import read_closing
from monitor.records.jobs import JobEnd, NewJob
from monitor.records.out_of_service import REMOVED, RETURNED, ServiceChange
from monitor.records.planned_stops import ANNOUNCED, PlanChange
from monitor.records.rows import Done, FanNow, LoggerNow, Newcomer, ReadingRows, Rejected, Run, to_ms, to_ms_or_none
from monitor.records.scope import ALL
from monitor.records.service_record import NewEntry
from monitor.service.job_findings import compared
from monitor.watch.table import BY_ID
from tests.plates import TEN_HP

NAN = math.nan
THREE_PHASE = TEN_HP + 'blades = 6\nplenum = "bin 3"\n'
SINGLE_PHASE = """
[motor]
rated_voltage = 230
phases = 1
full_load_amps = 46
"""
BARE = """
[motor]
rated_voltage = 460
phases = 3
full_load_amps = 12.4
"""


@dataclass
class Farm:
    """Builders with good defaults; each call is one commit."""

    database: Database
    now: datetime
    number: int = 1
    alarm_number: int = 1
    change_number: int = 1
    run_number: int = 1
    alarms: dict[About, Alarm] = field(default_factory=dict)
    gathered: tuple[dict[int, Alarm], list[AlarmChange]] | None = None
    lock: threading.RLock = field(default_factory=threading.RLock)

    def site(
        self, site: str = "meadow", name: str = "Meadow farm", units: str = "us", zone: str = "America/Chicago"
    ) -> None:
        register.put_site(self.database, register.Site(site, name, zone, 250.0, units, "17:00"), self.now)

    def fan(self, fan: str, plate: str = THREE_PHASE, site: str = "meadow") -> int:
        register.put_nameplate(
            self.database, site, fan, plate, valid_from=self.now - timedelta(days=9), by="Ann", now=self.now
        )
        return self.point(fan, site)

    def point(self, name: str, site: str = "meadow") -> int:
        return next(key.point_id for key in register.points(self.database, ALL) if (key.site, key.name) == (site, name))

    def reading(
        self, fan: str, amps: Sequence[float] = (11.0, 10.8, 10.9), volts: Sequence[float] = (461.0, 458.0, 460.0), *,
        site: str = "meadow", at: datetime | None = None, heard: datetime | None = None, running: bool = True,
        since: datetime | None = None, ambient_c: float = 7.0, hours: float = 0.0, period: float = 10.0, flags: int = 0,
        heat: tuple[float, float, float] = (NAN, NAN, NAN), assumed: datetime | None = None,
    ) -> None:  # fmt: skip
        """The newest reading of a fan, with as many hours of readings before it as asked for; `heat` as of motor and
        device, and seconds to trip."""
        with self.lock:
            at = at or self.now
            point = self.point(fan, site)
            plate = register.nameplate(self.database, site, fan)
            legs, lines = (tuple((*values, NAN, NAN, NAN)[:3]) for values in (amps, volts))
            three = plate.motor.phases == 3 and not any(math.isnan(one) for one in lines)
            unbalance = float(voltage_unbalance(*lines)) if three else NAN
            limit = adjusted_limit(plate.motor, unbalance)
            highest = max((one for one in legs if not math.isnan(one)), default=NAN)
            n = 1 + round(hours * 3600 / period)
            back = np.arange(n - 1, -1, -1) * period
            rng = np.random.default_rng(point)
            swell = (1 - 0.09 * np.minimum(back / 7200, 1) + rng.normal(0, 0.004, n))[:, None]
            swell[-1] = 1.0
            rows = ReadingRows(
                self.number + np.arange(n), np.full(n, point), to_ms(at) - (1000 * back).astype(int),
                np.array(legs) * swell, np.array(lines) * (1 + rng.normal(0, 0.001, (n, 3))),
                np.full(n, ambient_c), np.full(n, NAN), np.full(n, limit.amps), np.ones(n), np.full(n, flags),
            )  # fmt: skip
            self.number += n
            now = FanNow(
                point, to_ms(at), to_ms(heard or at), legs, lines, ambient_c, limit.amps, highest / limit.amps,
                unbalance, limit.amps / limit.full_amps, running,
                to_ms(since or at - timedelta(hours=max(hours, 0.1))), flags, *heat, to_ms_or_none(assumed),
            )  # fmt: skip
            logger = LoggerNow(point, to_ms(at), to_ms(heard or at), period, readings=n)
            commit(self.database, Batch(readings=rows, fan_now=[now], loggers=[logger]))

    def run(self, fan: str, start: datetime, end: datetime | None = None, site: str = "meadow", **told: Any) -> None:
        run = Run(
            self.run_number,
            self.point(fan, site),
            to_ms(start),
            True,
            None if end is None else to_ms(end),
            end is not None,
            **told,
        )
        self.run_number += 1
        commit(self.database, Batch(runs=[run]))

    def event(
        self, fan: str | None, condition: str, event: Any, site: str = "meadow", text: str = "",
        supply: str | None = None,
    ) -> Alarm:  # fmt: skip
        """Something happens to an alarm, as the worker has it happen."""
        with self.lock:
            about = About(site, fan, supply, condition)
            alarm, change, _ = step(
                self.alarms.get(about),
                event,
                self.now,
                number=self.alarm_number,
                change_number=self.change_number,
                about=about,
            )
            assert alarm is not None
            if text:
                alarm = Alarm(**{**alarm.__dict__, "text": text})
            self.alarms[about] = alarm
            self.alarm_number = max(self.alarm_number, alarm.number + 1)
            self.change_number += change is not None
            if self.gathered is None:
                commit(self.database, Batch(alarms=[alarm], changes=[change] if change else []))
            else:
                self.gathered[0][alarm.number] = alarm
                self.gathered[1].extend([change] if change else [])
            return alarm

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """What happens to alarms within goes into one commit: a season of them takes no time."""
        self.gathered = ({}, [])
        yield
        alarms, changes = self.gathered
        self.gathered = None
        commit(self.database, Batch(alarms=list(alarms.values()), changes=changes))

    def raised(self, fan: str, condition: str = "overload", priority: str = "high", *, site: str = "meadow",
               ago: timedelta = timedelta(minutes=34), text: str = "") -> Alarm:  # fmt: skip
        since = self.now - ago
        raised = Raised(condition, since + timedelta(minutes=2), since, 1.02, 1.0, 1.03, priority)
        return self.event(fan, condition, raised, site, text or f"{fan}: 102 % of its limit")

    def raised_at_supply(self, supply: str, condition: str, site: str = "meadow") -> Alarm:
        """An alarm of a supply point."""
        raised = Raised(condition, self.now, self.now, 3.0, 50.0, 3.0, "high")
        return self.event(None, condition, raised, site, f"{supply}: no voltage", supply)

    def raised_at_site(self, condition: str, site: str = "meadow", text: str = "") -> Alarm:
        """An alarm of a whole site."""
        raised = Raised(condition, self.now, self.now, 71.0, 50.0, 71.0, "medium", rings=False)
        return self.event(None, condition, raised, site, text)

    def returned(self, fan: str, condition: str = "overload", site: str = "meadow") -> Alarm:
        return self.event(fan, condition, Returned(self.now), site)

    def estimate(self, fan: str, figures: WindowFigures | None, site: str = "meadow", plate: str = THREE_PHASE) -> None:
        said = estimate(read_nameplate(plate), figures, 250.0).as_json()
        commit(self.database, Batch(estimates={self.point(fan, site): (to_ms(self.now), said)}))

    def re_pitched(self, fan: str, site: str = "meadow") -> None:
        """A re-pitch by two degrees yesterday that taught some 8 % of shaft power a degree."""
        at_ms = to_ms(self.now - timedelta(days=1))
        sides = {
            side: {
                "from_ms": at_ms + 3_600_000 * hour, "to_ms": at_ms + 3_600_000 * (hour + 0.5), "seconds": 1800.0,
                "highest": amps, "mean": amps - 0.2, "v": 1.0, "ambient_c": 10.0, "power": power, "readings": 180,
            }
            for side, hour, amps, power in (("before", -1, 14.6, 12.0), ("after", 1, 12.9, 10.23))
        }  # fmt: skip
        entry = NewEntry(
            self.point(fan, site), "re-pitch", at_ms, at_ms, "Ann", {"from": 21.0, "to": 19.0},
            {**sides, "other_fan_of_plenum_changed": False},
        )  # fmt: skip
        commit(self.database, Batch(service=[entry]))

    def job(
        self, fan: str, pitch_to: float | None = 18.0, inserts: int | None = 6, *, site: str = "meadow",
        closing: dict[str, Any] | None = None, **sheet: Any,
    ) -> int:  # fmt: skip
        """A job opened with what is seen of a fan now; with `closing` (keys of `job_entry.CloseJob`) it is done. What
        else is given stands in its sheet instead."""
        item = look.fan(self.database, ALL, site, fan)
        (place,) = register.sites(self.database, [site])
        assert item is not None
        made = job_sheet.compose(item, place, pitch_to, "key at the office") | sheet
        seen, now_ms = job_sheet.in_a_line(item), to_ms(self.now)
        point = self.point(fan, site)
        opened = NewJob(point, now_ms, "Ann", item["pitch_degrees"], pitch_to, inserts, seen, made)
        commit(self.database, Batch(jobs=[opened]))
        job = jobs.of_fan(self.database, ALL, site, fan)[0]
        if closing is not None:
            plate = register.nameplate(self.database, site, fan)
            registered, blades = plate.fan.blade_pitch_degrees, plate.fan.blades
            read = read_closing(closing, phases=plate.motor.phases, registered=registered, inserts=blades, now=self.now)
            found = compared(self.database, plate, point, job, read) | {"action": 0, "checks": []}
            commit(self.database, Batch(jobs_ended=[JobEnd(job.number, jobs.DONE, now_ms, "Ben", found)]))
        return job.number

    def newcomer(self, name: str, last: dict[str, Any], site: str = "meadow") -> None:
        commit(self.database, Batch(newcomers=[Newcomer(site, name, to_ms(self.now), 12, last)]))

    def rejected(self, topic: str, reason: str, detail: str = "", excerpt: bytes = b"", site: str | None = None,
                 name: str | None = None, count: int = 1) -> None:  # fmt: skip
        commit(
            self.database,
            Batch(rejected=[Rejected(to_ms(self.now), topic, site, name, reason, detail, excerpt, count)]),
        )

    def carry_out(self) -> None:
        """What the worker does with operators' actions, as far as pages need it."""
        for action in actions.undone(self.database):
            outcome = "done"
            if action.kind == "acknowledge":
                alarm = next((one for one in self.alarms.values() if one.number == action.body["alarm"]), None)
                if alarm is None:
                    outcome = "alarm is over"
                else:
                    self.event(alarm.fan, alarm.condition, Acknowledge(action.by), alarm.site, "", alarm.supply)
            if action.kind in ("shelve", "unshelve"):
                alarm = next(one for one in self.alarms.values() if one.number == action.body["alarm"])
                event: Shelve | Unshelve = Unshelve(action.by)
                if action.kind == "shelve":
                    until = datetime.fromisoformat(action.body["until"])
                    event = Shelve(action.by, until, action.body["why"])
                self.event(alarm.fan, alarm.condition, event, alarm.site, "", alarm.supply)
            if action.kind == "planned-stop" and "from" in action.body:
                begins, over = (datetime.fromisoformat(action.body[key]) for key in ("from", "until"))
                plan = PlanChange(
                    action.site, action.body["fan"], ANNOUNCED, self.now, begins, over, action.by, action.body["why"],
                    action.number,
                )  # fmt: skip
                commit(self.database, Batch(planned_stops=[plan]))
            if action.kind in ("out-of-service", "return-to-service"):
                ends = action.body.get("until")
                what = REMOVED if action.kind == "out-of-service" else RETURNED
                change = ServiceChange(
                    action.site, action.body["fan"], what, self.now, datetime.fromisoformat(ends) if ends else None,
                    action.by, action.body.get("why", ""), action.number,
                )  # fmt: skip
                commit(self.database, Batch(out_of_service=[change]))
            commit(self.database, Batch(actions_done=[Done(action.number, to_ms(self.now), outcome)]))

    @contextlib.contextmanager
    def at_work(self) -> Iterator[None]:
        """Carries out actions in the background."""
        over = threading.Event()

        def work() -> None:
            while not over.wait(0.05):
                self.carry_out()

        thread = threading.Thread(target=work, daemon=True)
        thread.start()
        yield
        over.set()
        thread.join(5)


def mild_overload() -> WindowFigures:
    """Half an hour a little over the limit on a low supply, cold."""
    return WindowFigures(15.5, 15.0333, (15.5, 15.0, 14.6), (450, 447, 443), 0.821, 446.67, 7.0, 0.1, 1800, 180, None)


_KEPT: dict[datetime, tuple[sqlite3.Connection, dict[str, int], dict[About, Alarm]]] = {}
"""What `whole` stores by a time, and how the farm goes on from there: copied where it is asked for again."""
_COUNTED = ("number", "alarm_number", "change_number", "run_number")


def whole(farm: Farm) -> None:
    """A farm with a fan in every state, and loggers with every trouble."""
    if farm.number > 1 or register.sites(farm.database):
        _whole(farm)  # beside what is there
        return
    with contextlib.closing(sqlite3.connect(farm.database.engine.url.database or "")) as stored:
        if farm.now not in _KEPT:
            _whole(farm)
            kept = sqlite3.connect(":memory:", check_same_thread=False)
            atexit.register(kept.close)
            stored.backup(kept)
            _KEPT[farm.now] = kept, {name: getattr(farm, name) for name in _COUNTED}, dict(farm.alarms)
            return
        kept, counted, alarms = _KEPT[farm.now]
        kept.backup(stored)
    for name, number in counted.items():
        setattr(farm, name, number)
    farm.alarms = dict(alarms)


def _whole(farm: Farm) -> None:
    now = farm.now
    farm.site()
    farm.site("hill", "Hill", "si", "Europe/Berlin")
    farm.fan("north-3")
    farm.reading("north-3", (15.5, 15.0, 14.6), (450.0, 447.0, 443.0), hours=3, since=now - timedelta(hours=30),
                 heat=(0.93, 0.88, 700.0), assumed=now - timedelta(minutes=12))  # fmt: skip
    farm.estimate("north-3", mild_overload())
    said = ("The device image stood at 0.82 of setting squared and volts stayed.",)
    farm.run("north-3", now - timedelta(hours=80), now - timedelta(hours=31), peak_amps=15.1, peak_ratio=0.99,
             end_cause="stopped", confidence="high", evidence=said)  # fmt: skip
    farm.run("north-3", now - timedelta(hours=30), peak_amps=15.6, peak_ratio=1.03)
    farm.raised("north-3")
    farm.fan("north-4", THREE_PHASE.replace('"bin 3"', '"bin 4"'))
    farm.reading("north-4", (14.6, 14.4, 14.5), (461, 458, 460), hours=1, since=now - timedelta(hours=6))
    farm.raised("north-4", "low-margin", "low", text="north-4: 96 % of its limit")
    farm.fan("south-1", SINGLE_PHASE)
    farm.reading("south-1", (31.0,), (), hours=1, since=now - timedelta(days=2), heat=(0.41, NAN, NAN))
    farm.fan("south-2")
    farm.reading("south-2", (0.0, 0.0, 0.0), hours=0, running=False, since=now - timedelta(minutes=48))
    farm.raised("south-2", "stopped", "medium", text="south-2: stopped")
    farm.fan("south-3")
    farm.reading("south-3", at=now - timedelta(hours=3))
    farm.raised("south-3", "logger-overdue", "medium", text="south-3: no readings")
    farm.fan("west-1", BARE)
    farm.fan("barn", BARE, site="hill")
    farm.reading("barn", (9.5, 9.4, 9.6), (401, 402, 400), site="hill", at=now - timedelta(hours=5), heard=now)
    farm.newcomer(
        "east-9",
        {"t": "2026-10-04T01:12:30Z", "amps": [12.2, 12.9, 12.6], "volts": [461.0, 458.4, 460.2], "ambient_c": 3.5},
    )
    farm.newcomer("Ost Süd", {"amps": [3.0]})
    farm.newcomer("x", {"amps": None, "volts": [230.0]}, site="nowhere")
    farm.rejected("amps/v1/meadow/north-3/readings", "not JSON", "byte 3", b"amps=12.2;", "meadow", "north-3", 17)
    farm.rejected("amps/v1/meadow/east-9/readings", "unknown fan", "", b'{"amps": [12.2]}', "meadow", "east-9", 12)
    farm.rejected(
        "amps/v1/whatever", "unreadable topic", "expected amps/v1/SITE/FAN/readings", b"<b>hi</b>", None, None, 2
    )


def in_danger(farm: Farm) -> None:
    """On the same farm: a fan about to trip, and one that has tripped."""
    now = farm.now
    farm.fan("north-5")
    farm.reading("north-5", (17.0, 16.6, 16.7), (461, 458, 460), hours=1, since=now - timedelta(hours=2),
                 heat=(1.02, 0.81, 452.0))  # fmt: skip
    farm.raised("north-5", "trip-near", "highest", ago=timedelta(minutes=3), text="about to trip, at most 8 min")
    farm.fan("north-6")
    off = now - timedelta(minutes=9)
    farm.reading("north-6", (0.0, 0.0, 0.0), running=False, since=off, heat=(0.97, 0.62, math.inf))
    proof = ("The device image was the highest of this run (1.24 of setting squared).", "Volts stayed at 459 V.")
    farm.run("north-6", now - timedelta(hours=20), off, peak_amps=17.4, peak_ratio=1.15, end_cause="overload trip",
             confidence="likely", evidence=proof)  # fmt: skip
    farm.raised("north-6", "tripped", "highest", ago=timedelta(minutes=9), text="tripped, off since 20:37")


def attended(farm: Farm) -> None:
    """On the same farm: alarms of every kind of suppression, what is out of service, and a fortnight of noise."""
    end = farm.now
    noise = (("north-3", "leg-spread", 10, 12.0, 6.0), ("south-2", "stopped", 5, 20.0, 40.0),
             ("north-4", "voltage-unbalance", 4, 8.0, 240.0))  # fmt: skip
    with farm.together():
        for night in range(14, 0, -1):
            for fan, condition, times, lasts, pause in noise:
                farm.now = end - timedelta(days=night)
                for _ in range(times):
                    row = BY_ID[condition]
                    raised = Raised(condition, farm.now, farm.now, 1.0, 1.0, 1.0, row.priority)
                    farm.event(fan, condition, raised, text=f"{fan}: {row.words}")
                    farm.now += timedelta(minutes=lasts)
                    farm.event(fan, condition, Acknowledge("Ben"))
                    farm.event(fan, condition, Returned(farm.now))
                    farm.now += timedelta(minutes=pause)
    farm.now = end
    farm.event("north-4", "low-margin", Shelve("Ann", end + timedelta(hours=4), "grain is damp, it will be better"))
    farm.raised("south-1", "many-starts", "medium", text="south-1: 8 starts in the last hour")
    farm.event("south-1", "many-starts", SuppressByDesign("while supply-lost of south-1 stands (alarm 9)"))
    out = [
        ServiceChange("meadow", "south-3", REMOVED, end, end + timedelta(days=9), "Ann", "new bearings", None),
        ServiceChange("hill", None, REMOVED, end, end + timedelta(days=240), "Ben", "season over", None),
    ]
    commit(farm.database, Batch(out_of_service=out))
    farm.event("south-3", "logger-overdue", RemoveFromService("Ann", end + timedelta(days=9), "new bearings"))


def recorded(farm: Farm) -> None:
    """On the same farm: a service record with an entry of each kind, one of them withdrawn."""
    point, now_ms = farm.point("north-3"), to_ms(farm.now)
    hour = 3_600_000
    volts = {"volts": [450.0, 447.0, 443.0], "volts_at_service": [470.0, 471.0, 470.0]}
    lost = ("at the motor 447 V, 0.8 % unbalance", "at the service 470 V, 0.1 % unbalance",
            "5.1 % are lost on the way: a connection, a contact, a fuse clip or a long run")  # fmt: skip
    legs = {
        "logger": {"amps": [15.5, 15.0, 14.6], "volts": [450.0, 447.0, 443.0], "readings": 12}, "wander": 0.004,
        "differences_amps": [-0.1, 2.2, 0.1], "offers": [],
        "words": ["hand meter less logger: −0.1 A, +2.2 A, +0.1 A",
                  ("the clamp of L2 reads 13 % low (its amps x 1.147 would be right); one hand reading says so: take "
                  "another to be sure. Look first whether it is closed and around one conductor only")],
    }  # fmt: skip
    worth = {
        "predicted_amps": 15.2, "predicted_low_amps": 14.5, "predicted_high_amps": 15.9, "found_amps": 15.0,
        "share_a_degree": 0.081, "learned": True, "why_not": None,
        "words": ["from 23 to 21 degrees (2 less): 15.2 A expected (14.5 to 15.9), 15.0 A found"],
    }  # fmt: skip
    stays = ("it stays with the line, so it is the supply: utility, transformer, connections up to the motor: "
             "3.0 A stay with the line, 0.2 A move with the lead")  # fmt: skip
    entries = [
        ("check", 26, {"check": "supply voltage", "finding": "put right", "note": "fuse clip", **volts},
         {"words": list(lost)}),
        ("check", 25, {"check": "connections", "finding": "fault found", "note": "L2 lug at the starter is brown"}, {}),
        ("hand reading", 0, {"amps": [15.4, 17.2, 14.7], "volts": [451.0, 447.0, 440.0]}, legs),
        ("re-pitch", 90, {"from": 23.0, "to": 21.0, "inserts": 6}, worth),
        ("lead rotation", 24, {"way": "forward", "amps_before": [30.0, 33.0, 36.0], "amps_after": [30.2, 33.1, 35.7]},
         {"words": [stays]}),
        ("note", 23, {"note": "guard oiled"}, {}),
        ("withdraw", 22, {"number": 6, "why": "that was north-4"}, {}),
    ]  # fmt: skip
    made = [
        NewEntry(point, kind, now_ms - ago * hour, now_ms - ago * hour, "Ann", body, found,
                 withdraws=body.get("number"))
        for kind, ago, body, found in entries
    ]  # fmt: skip
    commit(farm.database, Batch(service=made))


__all__ = [
    "BARE",
    "SINGLE_PHASE",
    "THREE_PHASE",
    "Farm",
    "alarm_of",
    "attended",
    "in_danger",
    "mild_overload",
    "recorded",
    "whole",
]
