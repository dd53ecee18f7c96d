"""Fans and whole sites that are out of service: who took them out, until when, and what follows for their alarms.

It holds for all conditions of the fan (or of all fans of the site, those added later too): an alarm goes on changing
its state, each change stored, and tells nothing; back in service, what stands and was not told is told. It is kept here
and in a table of its own, and put on each alarm as it is raised, since an alarm of tomorrow has no row today.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from monitor.alarms.alarm import About, Alarm, Event, RemoveFromService, ReturnToService, Tick
from monitor.alarms.events import LONGEST_OUT_OF_SERVICE
from monitor.alarms.states import Suppression
from monitor.records.actions import DONE, Action
from monitor.records.out_of_service import REMOVED, RETURNED, TIME_UP, ServiceChange, longest
from monitor.service.book import AlarmBook
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point

OUT_OF_SERVICE, RETURN_TO_SERVICE = "out-of-service", "return-to-service"
"""Kinds of actions."""

Apply = Callable[[Point, About, Event], "Alarm | None"]


class Maintenance:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, pending: Pending, apply: Apply,
        fans_of: Callable[[About], tuple[str, ...]], stored: Iterable[ServiceChange], now: Callable[[], datetime],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        apply : takes an event to an alarm
        fans_of : names of the fans that an alarm of a lost supply is about
        stored : the newest change of each fan and site
        now : wall time
        """
        self._plant, self._book, self._pending, self._apply = plant, book, pending, apply
        self._fans_of, self._now = fans_of, now
        self._out: dict[tuple[str, str | None], ServiceChange] = {}
        self._back: dict[tuple[str, str | None], datetime] = {}
        """When what was out of service came back."""
        for change in stored:
            if change.what == REMOVED:
                self._out[change.key] = change
            else:
                self._back[change.key] = change.at

    # --- what is out of service --------------------------------------------------------------------------------

    def out(self, point: Point) -> ServiceChange | None:
        """How a fan, or a supply or weather point of a site, is out of service; None: it is in service."""
        if not self._out:
            return None
        return longest(self._out.get((point.site, point.name)), self._out.get((point.site, None)))

    def of_site(self, site: str) -> list[ServiceChange]:
        """What of a site is out of service: the site itself, or some of its fans."""
        return [change for (at, _), change in self._out.items() if at == site]

    def back_ms(self, point: Point) -> float:
        """When it last came back into service [ms]; 0 where it never was out of it."""
        found = [self._back.get((point.site, name)) for name in (point.name, None)]
        return max((one.timestamp() * 1000.0 for one in found if one is not None), default=0.0)

    def covers(self, about: About) -> ServiceChange | None:
        """Why nothing is told of an alarm; None: something out of service is not why."""
        if not self._out:
            return None
        site = self._out.get((about.site, None))
        if about.fan is None:
            return site
        fan = self._out.get((about.site, about.fan))
        if about.condition == "supply-lost":  # of all fans of the supply, whichever of them told it
            named = set(self._fans_of(about)) | {about.fan}
            if any((about.site, name) not in self._out for name in named):
                fan = None
        return longest(fan, site)

    def settle(self, point: Point, alarm: Alarm) -> None:
        """Takes an alarm out of service, or back, as its fan or site is."""
        out = self.covers(alarm.about)
        carries = alarm.suppression is Suppression.OUT_OF_SERVICE
        if out is not None:
            wanted = out.until, out.by or "", out.why or None
            told = alarm.suppressed_until, alarm.suppressed_by or "", alarm.suppressed_why
            if alarm.state.stands and not (carries and wanted == told):
                self._apply(point, alarm.about, RemoveFromService(out.by or "", out.until, out.why))
        elif carries:
            self._apply(point, alarm.about, ReturnToService(None))

    def tick(self) -> None:
        """The clock has moved on: what has reached its return date is in service again."""
        now = self._now()
        for key, change in list(self._out.items()):
            if change.until is not None and change.until <= now:
                del self._out[key]
                self._keep(ServiceChange(change.site, change.fan, TIME_UP, now, None, None, "", None))
                self._told(key, Tick())

    # --- what people ask for -----------------------------------------------------------------------------------

    def carry_out(self, action: Action) -> str:
        """Does what an operator asked for; returns "done" or in words why not.

        Kinds and their bodies: out-of-service {"fan": name, or null for the whole site, "until": RFC 3339 or null,
        "why": text}; return-to-service {"fan": name or null}.
        """
        fan = action.body.get("fan")
        fan = None if fan is None else str(fan)
        what = fan if fan is not None else f"the site {action.site}"
        if fan is not None:
            point = self._plant.by_name.get((action.site, fan))
            if point is None or point.kind != "fan" or point.removed:
                return f"there is no fan {fan} at {action.site}"
        elif action.site not in self._plant.sites:
            return f"there is no site {action.site}"
        key = action.site, fan
        if action.kind == RETURN_TO_SERVICE:
            if key not in self._out:
                with_site = fan is not None and (action.site, None) in self._out
                return f"{what} is out of service with its whole site" if with_site else f"{what} is not out of service"
            del self._out[key]
            self._keep(ServiceChange(*key, RETURNED, self._now(), None, action.by, "", action.number))
            self._told(key, ReturnToService(action.by))
            return DONE
        why = str(action.body.get("why") or "").strip()
        if not why:
            return f"why is {what} out of service? A reason is needed"
        until, now = None, self._now()
        if action.body.get("until") is not None:
            try:
                until = datetime.fromisoformat(str(action.body["until"]))
            except ValueError:
                return "until when is it out of service? Expected a time such as 2026-10-04T18:00:00Z, or null"
            until = until if until.tzinfo else until.replace(tzinfo=UTC)
            if not now < until <= now + LONGEST_OUT_OF_SERVICE:
                return "its return date must lie ahead, within two years"
        change = ServiceChange(*key, REMOVED, now, until, action.by, why, action.number)
        self._out[key] = change
        self._keep(change)
        for point, alarm in self._alarms(key):
            self.settle(point, alarm)
        return DONE

    # --- inside ------------------------------------------------------------------------------------------------

    def _keep(self, change: ServiceChange) -> None:
        self._pending.out_of_service.append(change)
        self._pending.urgent = True
        if change.what != REMOVED:
            self._back[change.key] = change.at

    def _alarms(self, key: tuple[str, str | None]) -> list[tuple[Point, Alarm]]:
        site, fan = key
        alarms = [one for one in self._book.all() if one.site == site and fan in (None, one.fan)]
        found = [(self._plant.point_about(one.site, one.fan or one.supply), one) for one in alarms]
        return [(point, alarm) for point, alarm in found if point is not None]

    def _told(self, key: tuple[str, str | None], event: Event) -> None:
        """Takes the alarms of what is back to what holds for them now."""
        for point, alarm in self._alarms(key):
            if alarm.suppression is Suppression.OUT_OF_SERVICE:
                if self.covers(alarm.about) is not None:  # by itself, or with its site, it still is
                    self.settle(point, alarm)
                else:
                    self._apply(point, alarm.about, event)
                    after = self._book.get(alarm.about)
                    if after is not None and after.suppression is Suppression.OUT_OF_SERVICE:
                        self.settle(point, after)  # its own end was another: by a clock that was put back
