"""When each route is told of a change of an alarm, what is told together, and what need not be told any more.

    wanted -> plan: one `Telling` for each route that takes it, with the time when it is due
    waiting tellings of one route and site, now -> ready: those to be told together now
    one of them, its alarm as it stands by then -> judge: told as it was wanted, told as over, or dropped and why

What rings goes at once. What follows at the same site within a minute goes in one further notice when that minute is
over, and so on: whoever was woken is not rung for each fan of a supply. What does not ring is gathered for a minute,
and waits for the end of the route's quiet hours. A further step (`Route.after`) is told only what stands and what
nobody has acknowledged by then.

An alarm that was over before its route was told is told as over if it would have rung, else not at all: nobody can act
on it, and it stands on the page. No clock here: the caller gives the time on the wall.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import CLOCK_STEP, suppressed
from monitor.alarms.facts import About, Alarm, AlarmChange, Wanted
from monitor.alarms.routes import Route, takes
from monitor.alarms.states import State

GATHER = timedelta(seconds=60)
"""What does not ring is gathered for so long, and what follows a ring."""

NOT_KNOWN = "the alarm is not known any more"
OVER = "over before it was told"
STANDS_AGAIN = "it stands again"
BEGINNING_NOT_TOLD = "its beginning was not told to this route"
ACKNOWLEDGED = "acknowledged before it was told"
HELD_BACK = "it is shelved, suppressed or out of service"
STANDS_STILL = "its fan stood still before it was told"
OF_A_LOAD = frozenset({"overload", "device-margin", "low-margin", "trip-near"})
"""What is measured of how a fan is loaded, ..."""
GATHERED = frozenset({"low-margin"})
"""... and of that what does not ring."""


@dataclass(frozen=True)
class Telling:
    """That one route is to be told of one change of an alarm."""

    change_number: int
    """Number of the change; with the route the key of a telling."""
    route: str
    """Name of the route."""
    about: About
    """What the alarm is about: told is how it stands when the telling is due."""
    alarm_number: int
    """Number of the alarm."""
    wanted: Wanted
    """As `alarm.step` returned it."""
    wanted_at: datetime
    """When [wall time, aware UTC]."""
    due: datetime
    """When it is to be told at the earliest [wall time]; a clock that is put back makes it due at once."""

    @property
    def site(self) -> str:
        """Site of the register."""
        return self.about.site

    def is_due(self, now: datetime) -> bool:
        """Whether its time has come."""
        return self.due <= now or now < self.wanted_at - CLOCK_STEP


def plan(
    route: Route, alarm: Alarm, change: AlarmChange, wanted: Wanted, now: datetime, zone: ZoneInfo,
    waiting: Iterable[Telling] = (),
) -> Telling | None:  # fmt: skip
    """When a route is to be told; None: it does not take it.

    Parameters
    ----------
    alarm, change, wanted : as `alarm.step` returned them
    now : wall time, aware UTC
    zone : the site's, for the route's quiet hours
    waiting : what the same route is to be told of the same site already
    """
    if not takes(route, wanted, alarm):
        return None
    due = now + route.after
    if not wanted.rings:
        if not route.after:  # it goes along with what is gathered already
            due = min([one.due for one in waiting if not one.wanted.rings and one.due >= now] + [now + GATHER])
        due = after_quiet(route, due, zone)
    return Telling(change.number, route.name, alarm.about, alarm.number, wanted, now, due)


def ready(route: Route, waiting: Sequence[Telling], now: datetime, last_rang: datetime | None) -> list[Telling]:
    """What one route is to be told of one site now, all in one notice; empty: nothing yet.

    Parameters
    ----------
    waiting : all that waits for this route and site
    last_rang : when it was last told something of this site that rings [wall time]
    """
    if last_rang is not None and timedelta(0) <= now - last_rang < GATHER:
        return []
    if not any(one.is_due(now) for one in waiting):
        return []
    # What would follow within the minute comes along; a further step gives its time to acknowledge to the full.
    until = now if route.after else now + GATHER
    return [one for one in waiting if one.is_due(until) or one.is_due(now)]


def says_nothing_of_a_stopped_fan(condition: str, kind: str) -> bool:
    """Whether a notice of it would read "near its limit, 0 A": gathered or told again of a fan that has stopped.

    What rings of a load is told all the same when it begins, though the fan may have tripped of it already.
    """
    return condition in (OF_A_LOAD if kind == "told-again" else GATHERED) and kind != "cleared"


def latest_of_each(tellings: Iterable[Telling]) -> list[Telling]:
    """Of each alarm the last change only: it tells how it stands. In the order of the changes."""
    latest = {one.about: one for one in sorted(tellings, key=lambda one: one.change_number)}
    return sorted(latest.values(), key=lambda one: one.change_number)


def judge(
    telling: Telling, route: Route, alarm: Alarm | None, now: datetime, *, told: bool
) -> tuple[Wanted | None, str | None]:
    """What is told of an alarm now that its telling is due.

    Parameters
    ----------
    alarm : of the same `about`, as it stands now, in whatever occurrence
    told : this route was told of this alarm before

    Returns
    -------
    What is told, or None and why it is not; both None: not yet, it is held back (shelved, by design, out of service)
    """
    wanted = telling.wanted
    if alarm is None:
        return None, NOT_KNOWN
    if wanted.kind == "cleared":
        if suppressed(alarm, now):
            return None, HELD_BACK
        if alarm.state.stands:
            return None, STANDS_AGAIN
        return (wanted, None) if told else (None, BEGINNING_NOT_TOLD)
    if not alarm.state.stands:
        if told or route.after or not wanted.rings:
            return None, OVER
        return replace(wanted, kind="cleared", rings=False), None
    if alarm.state is State.ACKNOWLEDGED:
        return None, ACKNOWLEDGED
    return (None, None) if suppressed(alarm, now) else (wanted, None)


def after_quiet(route: Route, at: datetime, zone: ZoneInfo) -> datetime:
    """The same moment, or the end of the route's quiet hours where it lies in them [UTC].

    >>> from datetime import time
    >>> night = Route("farm", (), (), (), quiet=(time(21, 0), time(6, 0)))
    >>> after_quiet(night, datetime(2026, 10, 5, 7, 10, tzinfo=ZoneInfo("UTC")), ZoneInfo("America/Chicago"))
    datetime.datetime(2026, 10, 5, 11, 0, tzinfo=zoneinfo.ZoneInfo(key='UTC'))
    """
    if route.quiet is None:
        return at
    begin, end = route.quiet
    here = at.astimezone(zone)
    clock = here.time()
    over_midnight = end <= begin
    quiet = clock >= begin or clock < end if over_midnight else begin <= clock < end
    if not quiet:
        return at
    day = here.date() + timedelta(days=1 if over_midnight and clock >= begin else 0)
    # Through the local clock and back: an hour that is left out or comes twice ends where the wall shows it.
    return max(datetime.combine(day, end, zone).astimezone(at.tzinfo), at)
