"""From what is to be told to notices, in the commit of what they tell: who is told, when, and what goes together.

When and what is decided by `alarms/telling.py`; here the alarms, their stories and the stored rows come together. What
waits is stored as well, so a service that was killed goes on with it. A notice is made once, in one commit with the
tellings it tells: only what is stored is ever sent, so a receiver never sees one change under two ids.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.data import notice_data
from monitor.alarms.facts import About, Alarm, AlarmChange, Wanted
from monitor.alarms.notice import Notice, group_of, group_of_alarm, notice_id
from monitor.alarms.routes import Route, superseded, takes
from monitor.alarms.several import several
from monitor.alarms.states import State
from monitor.alarms.story import Story
from monitor.alarms.telling import (
    GATHER,
    STANDS_STILL,
    Telling,
    after_quiet,
    judge,
    latest_of_each,
    plan,
    ready,
    says_nothing_of_a_stopped_fan,
)
from monitor.alarms.texts import Texts
from monitor.alarms.wording import long, short, subject
from monitor.records.tables import PARTITION
from monitor.records.tellings import DROPPED, TOLD, Kept, Stored
from monitor.service.pending import Pending
from monitor.watch.table import PRIORITIES

log = logging.getLogger("monitor.worker")

NO_ROUTE = "there is no such route any more"
NOT_ITS_SITE = "its route does not take this site any more"

Part = tuple[Alarm, Story, Wanted]


class Tellings:
    """Kept by the worker, which looks before each commit."""

    def __init__(
        self, pending: Pending, routes: Sequence[Route], stored: Stored, *,
        alarm_of: Callable[[About], Alarm | None], story_of: Callable[[Alarm, datetime], Story | None],
        zone_of: Callable[[str], ZoneInfo], link: Callable[[str], str] | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        alarm_of : the alarm about something as it stands now, in whatever occurrence
        story_of : what can be told of an alarm now; None: its fan is not known any more
        zone_of : time zone of a site; of "", the whole service
        link : address by which a notice of an id is acknowledged; None: nobody could open it
        """
        self._pending = pending
        self._routes = {route.name: route for route in routes}
        self._alarm_of, self._story_of, self._zone_of, self._link = alarm_of, story_of, zone_of, link
        self._waiting: dict[tuple[str, str], list[Telling]] = {}
        """Route and site -> what it is still to be told."""
        for one in stored.waiting:
            self._waiting.setdefault((one.route, one.site), []).append(one)
        self._told = set(stored.told)
        """Route and number of the alarms that it was told of."""
        self._rang = dict(stored.rang)
        """Route and site -> when a notice that rings was last made."""

    # --- alarms ------------------------------------------------------------------------------------------------

    def want(self, alarm: Alarm, change: AlarmChange, wanted: Wanted, story: Story, now: datetime) -> None:
        """Something is to be told of an alarm: each route that takes it will be, `look` says when."""
        if wanted.kind == "cleared" and superseded(alarm, story):
            return
        for route in self._routes.values():
            waiting = self._waiting.get((route.name, alarm.site), [])
            telling = plan(route, alarm, change, wanted, now, self._zone_of(alarm.site), waiting)
            if telling is not None:
                self._waiting.setdefault((route.name, alarm.site), []).append(telling)
                self._keep(Kept(telling))

    def look(self, now: datetime) -> None:
        """Makes the notices of what is due; they and what they tell go into the next commit."""
        for (name, site), waiting in list(self._waiting.items()):
            route = self._routes.get(name)
            if route is None or (route.sites and site not in route.sites):  # by other settings than when it was wanted
                del self._waiting[name, site]
                self._hand_over(waiting, NO_ROUTE if route is None else NOT_ITS_SITE, now)
                continue
            due = ready(route, waiting, now, self._rang.get((name, site)))
            if due:
                left = [one for one in waiting if one not in due]
                self._waiting[name, site] = left
                if not left:
                    del self._waiting[name, site]
                self._tell(route, due, now)

    def _hand_over(self, waiting: list[Telling], why: str, now: datetime) -> None:
        """What a route was to be told and is not told any more: routes that take it now, and were not told of it and
        do not wait to be, are told in its place, each after its own time."""
        for one in waiting:
            self._keep(Kept(one, DROPPED, why))
        for one in latest_of_each(waiting):
            alarm = self._alarm_of(one.about)
            if alarm is None or alarm.state is not State.UNACKNOWLEDGED or one.wanted.kind == "cleared":
                continue
            for route in self._routes.values():
                key = route.name, one.site
                waits = any(same.about == one.about for same in self._waiting.get(key, ()))
                if waits or (route.name, alarm.number) in self._told or not takes(route, one.wanted, alarm):
                    continue
                due = max(one.wanted_at + route.after, now)
                if not one.wanted.rings:
                    due = after_quiet(route, due, self._zone_of(one.site))
                handed = replace(one, route=route.name, due=due)
                self._waiting.setdefault(key, []).append(handed)
                self._keep(Kept(handed))

    def _tell(self, route: Route, due: list[Telling], now: datetime) -> None:
        """One notice of all that is due for a route at a site, at each of its addresses."""
        told: list[tuple[Telling, Part]] = []
        for one in latest_of_each(due):
            alarm = self._alarm_of(one.about)
            before = alarm is not None and (route.name, alarm.number) in self._told
            wanted, why = judge(one, route, alarm, now, told=before)
            story = None if alarm is None or wanted is None else self._story_of(alarm, now)
            if alarm is not None and wanted is None and why is None:  # held back: once it is not, it is told
                again = [replace(same, due=now + GATHER) for same in due if same.about == one.about]
                self._waiting.setdefault((route.name, one.site), []).extend(again)
            elif alarm is None or wanted is None or story is None:
                self._drop(one, due, why or "its fan is not known any more")
            elif story.running is False and says_nothing_of_a_stopped_fan(alarm.condition, wanted.kind):
                self._drop(one, due, STANDS_STILL)
            else:
                told.append((replace(one, alarm_number=alarm.number), (alarm, story, wanted)))
        if not told:
            return
        told.sort(key=lambda both: _order(both[1]))
        first, (alarm, _, wanted) = told[0]
        group = group_of_alarm(PARTITION, first.alarm_number, first.change_number, route.name)
        parts = [self._escalated(route, one, part, now) for one, part in told]
        rings = any(wanted.rings for _, _, wanted in parts)
        standing = [alarm for alarm, _, wanted in parts if wanted.kind != "cleared"]
        link = self._link if any(alarm.state is State.UNACKNOWLEDGED for alarm in standing) else None
        kind = wanted.kind if len(parts) == 1 else "several"
        for index in range(len(route.to)):
            texts = self._texts(parts, now, None if link is None else link(notice_id(group, index)))
            made = Notice(
                notice_id(group, index), alarm.site, first.alarm_number, first.change_number, route.name, index,
                kind, alarm.priority, rings, texts.subject, texts.short, texts.long, texts.data, now,
            )  # fmt: skip
            self._pending.notices.append(made)
        for one, _ in told:
            self._told.add((route.name, one.alarm_number))
            for same in due:
                if same.about == one.about:
                    self._keep(Kept(replace(same, alarm_number=one.alarm_number), TOLD, None, group))
        if rings:
            self._rang[route.name, alarm.site] = now

    def _drop(self, telling: Telling, due: Iterable[Telling], why: str) -> None:
        for same in due:
            if same.about == telling.about:
                self._keep(Kept(same, DROPPED, why))

    def _keep(self, kept: Kept) -> None:
        one = kept.telling
        self._pending.tellings[one.change_number, one.route] = kept
        self._pending.urgent = True

    def _escalated(self, route: Route, telling: Telling, part: Part, now: datetime) -> Part:
        """A further step also tells who was told before, and for how long nobody has acknowledged it."""
        alarm, story, wanted = part
        if not route.after:
            return part
        earlier = [
            one.name for one in self._routes.values()
            if one.after < route.after and (one.name, alarm.number) in self._told
        ]  # fmt: skip
        minutes = (now - telling.wanted_at).total_seconds() / 60.0
        return alarm, replace(story, told_first=tuple(earlier), unacknowledged_minutes=minutes), wanted

    def _texts(self, parts: Sequence[Part], now: datetime, link: str | None) -> Texts:
        try:
            if len(parts) > 1:
                return several(parts, now, link)
            alarm, story, wanted = parts[0]
            story = replace(story, acknowledge_link=link)
            return Texts(
                subject(alarm, story, wanted), short(alarm, story, wanted), long(alarm, story, wanted),
                notice_data(alarm, story, wanted),
            )  # fmt: skip
        except Exception:  # words must never cost the notice
            log.exception("a notice could not be worded: a fault of the monitor")
            lines = [
                f"{alarm.site} {alarm.fan or alarm.supply or ''}: {alarm.condition}, {alarm.text}"
                for alarm, _, _ in parts
            ]
            return Texts(lines[0][:120], "; ".join(lines)[:300], "\n".join(lines), {"kind": parts[0][2].kind})

    # --- what is of no alarm -----------------------------------------------------------------------------------

    def send(
        self, kind: str, key: str, texts: Texts, now: datetime, *,
        site: str, priority: str, rings: bool, routes: Sequence[str] | None = None, wait: bool = True,
    ) -> None:  # fmt: skip
        """A notice that is of no alarm, in the next commit.

        Parameters
        ----------
        kind : one of `notice.KINDS`
        key : what is told once under it; with kind and route it makes the id
        site : of the register; "": of the whole service, every route is told
        routes : their names; None: first steps that take the site and the priority, or further ones where there is none
        wait : whether one that does not ring waits for the end of quiet hours; not if the route itself wished the hour
        """
        for route in self._routes.values() if routes is None else [self._routes[name] for name in routes]:
            if routes is None and not self._takes(route, site, priority):
                continue
            group = group_of(PARTITION, kind, key, route.name)
            due = None if rings or not wait else after_quiet(route, now, self._zone_of(site))
            for index in range(len(route.to)):
                made = Notice(
                    notice_id(group, index), site, 0, 0, route.name, index, kind, priority, rings,
                    texts.subject, texts.short, texts.long, texts.data, now, due,
                )  # fmt: skip
                self._pending.notices.append(made)
            self._pending.urgent = True

    def _takes(self, route: Route, site: str, priority: str) -> bool:
        def wants(one: Route) -> bool:
            at_site = not site or not one.sites or site in one.sites
            return at_site and (not one.priorities or priority in one.priorities)

        return wants(route) and (
            not route.after or not any(wants(one) for one in self._routes.values() if not one.after)
        )

    @property
    def routes(self) -> Mapping[str, Route]:
        """By name."""
        return self._routes


def _order(part: Part) -> tuple[Any, ...]:
    """The most pressing first."""
    alarm, _, wanted = part
    return wanted.kind == "cleared", -PRIORITIES.index(alarm.priority), not wanted.rings, alarm.raised, alarm.number
