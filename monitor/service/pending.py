"""What has been worked out and is not stored yet: grows with every round, becomes one transaction."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from monitor.alarms.alarm import Alarm, AlarmChange
from monitor.alarms.notice import Notice
from monitor.links.mqtt import Message
from monitor.records.commit import Batch
from monitor.records.gaps import Gap
from monitor.records.jobs import JobEnd, NewJob
from monitor.records.out_of_service import ServiceChange
from monitor.records.planned_stops import PlanChange
from monitor.records.rows import Done, FanNow, LoggerNow, Newcomer, ReadingRows, Rejected, Run
from monitor.records.service_record import Found, NewEntry
from monitor.records.tellings import Kept


@dataclass
class Pending:
    """The next commit in the making."""

    messages: list[Message] = field(default_factory=list)
    """To be acknowledged once it is stored."""
    readings: list[ReadingRows] = field(default_factory=list)
    hours: list[ReadingRows] = field(default_factory=list)
    """Of long past hours, one hour of one point each."""
    fan_now: dict[int, FanNow] = field(default_factory=dict)
    loggers: list[LoggerNow] = field(default_factory=list)
    newcomers: list[Newcomer] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    runs: dict[int, Run] = field(default_factory=dict)
    alarms: dict[int, Alarm] = field(default_factory=dict)
    changes: list[AlarmChange] = field(default_factory=list)
    tellings: dict[tuple[int, str], Kept] = field(default_factory=dict)
    """By change and route."""
    notices: list[Notice] = field(default_factory=list)
    links_used: dict[str, tuple[int, str]] = field(default_factory=dict)
    """Id of a notice -> when its link was used to acknowledge [wall time, ms], and by whom."""
    actions_done: list[Done] = field(default_factory=list)
    estimates: dict[int, tuple[int, Mapping[str, object]]] = field(default_factory=dict)
    cursors: dict[str, str] = field(default_factory=dict)
    """What is kept under a name: the last outlook of each site, which readings are counted."""
    applied: dict[tuple[int, int], int] = field(default_factory=dict)
    states: dict[int, tuple[int, int, bytes]] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    service: list[NewEntry] = field(default_factory=list)
    service_found: dict[int, Found] = field(default_factory=dict)
    """By the number of the entry."""
    out_of_service: list[ServiceChange] = field(default_factory=list)
    planned_stops: list[PlanChange] = field(default_factory=list)
    jobs: list[NewJob] = field(default_factory=list)
    jobs_ended: list[JobEnd] = field(default_factory=list)
    told: set[int] = field(default_factory=set)
    """Rows of points whose alarms changed: their retained messages are published once it is stored."""
    urgent: bool = False
    """Somebody waits for it: an alarm changed or an operator did something."""

    @property
    def empty(self) -> bool:
        """Nothing to store and nothing to acknowledge."""
        return not (
            self.messages or self.readings or self.hours or self.fan_now or self.loggers or self.runs or self.alarms
            or self.changes or self.actions_done or self.estimates or self.applied or self.states or self.rejected
            or self.newcomers or self.gaps or self.cursors or self.notices or self.tellings or self.service
            or self.service_found or self.out_of_service or self.planned_stops or self.jobs or self.jobs_ended
        )  # fmt: skip

    def emptied(self) -> Pending:
        """All of it, once it is stored: what comes from now on is the next commit."""
        whole = replace(self)
        self.__init__()  # type: ignore[misc]
        return whole

    def batch(self) -> Batch:
        """As the database takes it."""
        return Batch(
            readings=ReadingRows.together(self.readings),
            hours=self.hours,
            states=self.states,
            fan_now=list(self.fan_now.values()),
            loggers=self.loggers,
            newcomers=self.newcomers,
            rejected=self.rejected,
            runs=list(self.runs.values()),
            alarms=list(self.alarms.values()),
            changes=self.changes,
            tellings=list(self.tellings.values()),
            notices=self.notices,
            links_used=self.links_used,
            actions_done=self.actions_done,
            estimates=self.estimates,
            applied=self.applied,
            gaps=self.gaps,
            cursors=self.cursors,
            service=self.service,
            service_found=self.service_found,
            out_of_service=self.out_of_service,
            planned_stops=self.planned_stops,
            jobs=self.jobs,
            jobs_ended=self.jobs_ended,
        )
