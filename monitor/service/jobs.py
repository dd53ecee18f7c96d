"""Job sheets as the worker knows them: opens, closes and drops them.

Kinds and bodies of the actions: open-job {"fan": name, "pitch_to": degrees or null, "note": text}; close-job {"job":
number, and the keys of `job_entry.CloseJob`}; drop-job {"job": number, "why": text}. A job's end and all that it enters
in the service record come in one commit.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime
from typing import Any

from monitor.errors import ConfigError, LinkError
from monitor.records import job_entry, job_sheet, jobs, look, register
from monitor.records.actions import DONE, Action, clean
from monitor.records.database import Database
from monitor.records.jobs import DONE as WORK_DONE
from monitor.records.jobs import DROPPED, Job, JobEnd, NewJob
from monitor.records.rows import to_ms
from monitor.records.scope import ALL
from monitor.records.service_entry import Entered, nameplate_at
from monitor.service import job_findings
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point
from monitor.service.service_book import new_entry

log = logging.getLogger("monitor.worker")

OPEN_JOB, CLOSE_JOB, DROP_JOB = "open-job", "close-job", "drop-job"
KINDS = (OPEN_JOB, CLOSE_JOB, DROP_JOB)
WHY_LETTERS = 300


class Jobs:
    """Owned by the worker."""

    def __init__(self, database: Database, plant: Plant, pending: Pending, now: Callable[[], datetime]) -> None:
        """
        Parameters
        ----------
        now : wall time
        """
        self._database, self._plant, self._pending, self._now = database, plant, pending, now

    def carry_out(self, action: Action) -> str | None:
        """Takes what was asked for into the next commit; returns "done", in words why not, or None: not before that
        commit.

        Raises
        ------
        LinkError : the database does not answer
        """
        pending = self._pending
        if pending.service or pending.jobs or pending.jobs_ended:  # what is open and entered is asked of the database
            return None
        try:
            outcome = {OPEN_JOB: self._open, CLOSE_JOB: self._close, DROP_JOB: self._drop}[action.kind](action)
        except LinkError:
            raise
        except Exception:  # it would come back after every start: a job must never cost the watch
            log.exception("action %d, %s, could not be carried out", action.number, action.kind)
            return "it met a fault of the monitor: please report its log"
        if outcome == DONE:
            pending.urgent = True
        return outcome

    def _open(self, action: Action) -> str:
        fan = str(action.body.get("fan", ""))
        point = self._point(action.site, fan)
        item = None if point is None else look.fan(self._database, ALL, action.site, fan)
        site = next(iter(register.sites(self._database, [action.site])), None)
        if point is None or point.nameplate is None or item is None or site is None:
            return f"there is no fan {fan} at {action.site}"
        already = jobs.open_of_fan(self._database, ALL, action.site, fan)
        if already is not None:
            return f"job {already.number} is open for {fan} already: close or drop it first"
        plate, pitch_to = point.nameplate.fan, action.body.get("pitch_to")
        if pitch_to is not None and pitch_to not in job_sheet.choices(point.nameplate):
            return f"{pitch_to} is not the angle of an insert on hand below the present pitch"
        note = clean(str(action.body.get("note") or ""), job_sheet.NOTE_LETTERS)
        self._pending.jobs.append(
            NewJob(
                point.point_id, to_ms(self._now()), action.by, plate.blade_pitch_degrees, pitch_to,
                None if pitch_to is None else plate.blades, job_sheet.in_a_line(item),
                job_sheet.compose(item, site, pitch_to, note), action.number,
            )
        )  # fmt: skip
        return DONE

    def _close(self, action: Action) -> str:
        job = self._open_one(action)
        if isinstance(job, str):
            return job
        point = self._point(job.site, job.fan)
        if point is None:
            return f"{job.fan} is not in the register any more: drop the job"
        versions = register.versions(self._database, point.point_id)
        try:
            closing, re_pitch, phases = self._read(action, versions)
            changes = []
            if re_pitch:
                at = job_findings.when_changed(self._database, point.point_id, job, closing)
                before = nameplate_at(versions, at).fan
                assert before.blade_pitch_degrees is not None and closing.pitch is not None
                entry = job_entry.re_pitch_of(
                    closing, before.blade_pitch_degrees, before.blades, at, phases=phases, now=action.at
                )
                faults, registered = job_entry.against_the_register(self._database, point.point_id, entry)
                if faults:
                    return "; ".join(str(fault) for fault in faults)
                changes.append((entry, registered))
        except ConfigError as exc:
            return "; ".join(str(fault) for fault in exc.faults)
        plate = nameplate_at(versions, closing.done)
        found = job_findings.compared(self._database, plate, point.point_id, job, closing)
        found |= {"action": action.number, "checks": [_check(one) for one in closing.entries if one.kind == "check"]}
        if changes:
            found["changed"] = job_findings.text_of(changes[0][0].done)
        now_ms = to_ms(self._now())
        for entry, registered in (*((one, None) for one in closing.entries), *changes):
            self._pending.service.append(new_entry(point.point_id, entry, registered, action, now_ms))
        self._pending.jobs_ended.append(JobEnd(job.number, WORK_DONE, now_ms, action.by, job_sheet.plain(found)))
        return DONE

    def _read(self, action: Action, versions: list[register.Version]) -> tuple[job_entry.Closing, bool, int]:
        """The closing, whether it changes the pitch, and the motor's phases.

        Raises
        ------
        ConfigError : it has faults
        """
        plate = versions[-1].nameplate
        body = {key: value for key, value in action.body.items() if key != "job"}
        closing = job_entry.read_closing(
            body, phases=plate.motor.phases, registered=plate.fan.blade_pitch_degrees, inserts=plate.fan.blades,
            now=action.at,
        )  # fmt: skip
        return closing, closing.pitch is not None, plate.motor.phases

    def _drop(self, action: Action) -> str:
        job = self._open_one(action)
        if isinstance(job, str):
            return job
        why = clean(str(action.body.get("why") or ""), WHY_LETTERS)
        if not why:
            return f"why is job {job.number} to be dropped? A reason is needed"
        self._pending.jobs_ended.append(JobEnd(job.number, DROPPED, to_ms(self._now()), action.by, {"why": why}))
        return DONE

    def _open_one(self, action: Action) -> Job | str:
        """The open job an action is about; in words why there is none."""
        number = action.body.get("job")
        job = jobs.one(self._database, [action.site], number) if isinstance(number, int) else None
        if job is None:
            return f"there is no job {number} at {action.site}"
        if job.state != jobs.OPEN:
            return f"job {number} is {job.state} already"
        return job

    def _point(self, site: str, fan: str) -> Point | None:
        point = self._plant.by_name.get((site, fan))
        return None if point is None or point.kind != "fan" or point.removed else point


def _check(entry: Entered) -> dict[str, Any]:
    return {"check": entry.body["check"], "finding": entry.body["finding"]}
