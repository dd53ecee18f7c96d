"""One alarm and what happens to it: `step` is the only place where an alarm changes.

    step(alarm | None, event, now) -> (alarm, change to store | None, notices wanted)

No clock and no numbers of its own: the caller gives `now` and the next running numbers. Conditions (`Raised`,
`Returned`) come with the time of the reading, operators' actions and `Tick` with the time of the clock. What an alarm
is made of stands in `facts`, what may happen to it in `events`; both are given on here.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from typing import TypeAlias

from monitor.alarms.events import (
    Acknowledge,
    Event,
    PlannedStop,
    Raised,
    ReasonOver,
    RemoveFromService,
    Returned,
    ReturnToService,
    Shelve,
    SuppressByDesign,
    Tick,
    Unshelve,
    WithdrawPlannedStop,
)
from monitor.alarms.facts import About, Alarm, AlarmChange, Wanted
from monitor.alarms.states import LATCHED, SUPPRESSIONS, TRANSITIONS, Cause, State, Suppression
from monitor.watch.table import BELOW, BY_ID, PRIORITIES

__all__ = [
    "CLOCK_STEP",
    "GROWS",
    "About",
    "Acknowledge",
    "Alarm",
    "AlarmChange",
    "Event",
    "PlannedStop",
    "Raised",
    "ReasonOver",
    "RemoveFromService",
    "ReturnToService",
    "Returned",
    "Shelve",
    "SuppressByDesign",
    "Tick",
    "Unshelve",
    "Wanted",
    "WithdrawPlannedStop",
    "has_grown",
    "may_open_again",
    "next_due",
    "stands_known",
    "step",
    "suppressed",
    "worse_has_come",
]

QUIET = timedelta(hours=4)
"""Raised again within so long of its first notice, at no higher priority: no further notice (common practice)."""
COMES_AND_GOES = frozenset(
    {
        "overload", "device-margin", "low-margin", "voltage-unbalance", "voltage-unbalance-severe", "voltage-low",
        "voltage-high", "leg-spread", "no-load", "many-starts", "logger-suspect", "cold-night",
    }
)  # fmt: skip
"""Conditions that a fan or its supply may live with, at their border, for weeks; others are news each time."""
QUIET_GROWS, QUIET_LONGEST = 4, timedelta(days=30)
"""Of these, after each further notice QUIET is so many times as long, at most this: 4 h, 16 h, nearly three days ...
Whoever is rung each night for what does no harm stops listening. What makes it worse rings by itself: a hotter motor by
its priority, a device about to trip, a trip, after which it is news again."""
QUIET_NIGHT = timedelta(hours=12)
"""Of LOADS QUIET begins with a night: 12 h, two days, eight days, a month. (Derived: on simulated harvests 4 h alone
rang six times a site and week for two cycled fans, growing from 4 h three times, `tests/bench/harvest.py`.)"""
LOADS = frozenset({"overload", "low-margin", "device-margin"})
"""Of these, QUIET begins with a night, and what somebody has acknowledged is known. A fault of the supply or of a
connection does not stand here: one that comes back was not put right."""
KNOWN = 5
"""A load that somebody has acknowledged counts as told so often (`Alarm.told`): whoever is told again, after the
longest quiet, is reminded and not rung, until worse has come."""
GROWS = {"overload": 0.03, "device-margin": 0.02}
"""Of these, what is known rings again once it is so much of the limit, or of the device's setting, worse (derived: a
clamp that stays where it is repeats itself within 1 %; a device may open anywhere from 1.05 to 1.20 of its setting).
Compared with what somebody knows of and not with the time before: else it could grow by a little each night unheard."""
FORGOTTEN = timedelta(days=60)
"""Not told for so long, it is news again."""
QUIET_LOW = FORGOTTEN
"""Of these, what is low and does not ring is told so seldom: it stands on the page, the daily line counts it."""
QUIET_HIGHEST = timedelta(minutes=30)
"""The same for the highest priority, for SOON_AGAIN, and for what has grown."""
SOON_AGAIN = frozenset({"stopped"})
"""Conditions that are another matter each time: the fan has run in between, so somebody had seen to it, and
grain that gets no air for hours must not wait for the four of QUIET (the fourth ordinary stop of a day is of low
priority)."""
CLOCK_STEP = timedelta(minutes=2)
"""A last notice that lies further ahead than this was stamped by a wrong clock and holds nothing back."""

Stepped: TypeAlias = tuple[Alarm | None, AlarmChange | None, list[Wanted]]


def step(
    alarm: Alarm | None,
    event: Event,
    now: datetime,
    *,
    number: int,
    change_number: int,
    about: About | None = None,
    held: bool = False,
) -> Stepped:
    """What an event makes of an alarm.

    Parameters
    ----------
    alarm : the last alarm of this site, fan and condition, whatever its state; None if there never was one
    event : what happened
    now : wall time, aware UTC, never going back
    number : the next running number of an alarm; used (look at the alarm's own) when none stood before
    change_number : the next running number of a change; used when a change is returned
    about : what the alarm is about; needed only where `alarm` is None
    held : a reason to suppress it holds (`by_design`, or its fan is out of service) that it may not carry yet: nothing
        is told, and the caller's next event puts the suppression on it

    Returns
    -------
    The alarm after it (None only if there was none and nothing began), the change to store, the notices wanted (at most
    one). One event makes one change at most; after a `Tick` call again until it returns no change.

    Raises
    ------
    ValueError : `now` is not aware, or `about` is missing where it is needed (a bug of the caller).
    """
    if now.tzinfo is None:
        raise ValueError("step: `now` must be an aware UTC time")
    if alarm is None:
        begins = isinstance(event, Raised | Shelve | PlannedStop | RemoveFromService)
        if not begins:
            return None, None, []
        if about is None:
            raise ValueError(f"step: `about` is needed for {event!r}, as no alarm is given")
        alarm = _fresh(about, number, event, now)
    if isinstance(event, Raised):
        return _raised(alarm, event, now, number, change_number, held)
    if isinstance(event, Returned):
        return _returned(alarm, event, now, change_number, held)
    if isinstance(event, Acknowledge):
        after = replace(alarm, acknowledged=now, acknowledged_by=event.by)
        if alarm.told and alarm.condition in LOADS:  # not one whose fan has tripped of it since
            after = replace(after, told=max(alarm.told, KNOWN))
        after = replace(after, known_peak=_worse(alarm.condition, alarm.known_peak, alarm.peak))
        cause = Cause.ACKNOWLEDGED_RETURNED if alarm.latched else Cause.ACKNOWLEDGED
        return _moved(alarm, after, cause, now, now, change_number, by=event.by)
    if isinstance(event, Tick):
        return _tick(alarm, now, change_number, held)
    return _suppressing(alarm, event, now, change_number, held)


def next_due(alarm: Alarm) -> datetime | None:
    """When a `Tick` would do something to it [wall time, aware UTC]; None: never, as it stands."""
    ends = alarm.suppressed_until if alarm.suppression is not None else None
    again = _told_again_due(alarm) if alarm.suppression is None else None
    return ends if again is None else again


def suppressed(alarm: Alarm, now: datetime) -> bool:
    """Whether its notices are held back now; a suppression whose time is up holds nothing back, ticked or not."""
    return alarm.suppression is not None and (alarm.suppressed_until is None or now < alarm.suppressed_until)


def worse_has_come(alarm: Alarm) -> Alarm:
    """The alarm after its fan has tripped: raised again it is news, however often it went without harm before."""
    return replace(alarm, told=0)


def may_open_again(alarm: Alarm) -> Alarm:
    """The margin of a device that has opened before: whoever has acknowledged it does not know it to be harmless, so
    raised again it rings; told once already, as a load that comes and goes."""
    return replace(alarm, told=min(alarm.told, 1))


def has_grown(alarm: Alarm, measure: float | None, now: datetime) -> bool:
    """Whether an alarm that stands and is known is by now so much worse than what somebody knows of that it is told.

    Parameters
    ----------
    measure : as it is now, in the unit of the condition
    now : wall time, aware UTC
    """
    known = alarm.known_peak
    if not alarm.state.stands or alarm.condition not in GROWS or known is None or measure is None:
        return False
    told = alarm.last_notice
    soon = told is not None and _last_notice_counts(alarm, now) and now - told < QUIET_HIGHEST
    return not soon and _known(alarm, alarm.priority) and measure >= known + GROWS[alarm.condition]


def stands_known(alarm: Alarm | None) -> bool:
    """Whether it is a load that stands and that somebody knows of: it rings again only once it has grown."""
    return alarm is not None and alarm.state.stands and _known(alarm, alarm.priority)


def _fresh(about: About, number: int, event: Event, now: datetime) -> Alarm:
    priority = event.priority if isinstance(event, Raised) else PRIORITIES[0]
    return Alarm(
        number=number, site=about.site, fan=about.fan, supply=about.supply, condition=about.condition,
        priority=priority, state=State.NORMAL,
        suppression=None, suppressed_until=None, suppressed_by=None, suppressed_why=None,
        since=now, raised=now, cleared=None, heard=now, acknowledged=None, acknowledged_by=None, count=0,
        value=None, setpoint=None, peak=None, last_notice=None, text="",
    )  # fmt: skip


def _raised(alarm: Alarm, event: Raised, now: datetime, number: int, change_number: int, held: bool) -> Stepped:
    if _is_worse(alarm, event):
        alarm = worse_has_come(alarm)
    if alarm.state.stands and not alarm.latched:
        peak = _worse(alarm.condition, alarm.peak, event.peak, event.value)
        higher, grown = _is_higher(event.priority, alarm.priority), has_grown(alarm, event.peak, now)
        if not higher and not grown:
            return replace(alarm, peak=peak), None, []
        if grown:
            alarm = worse_has_come(alarm)
        after = replace(
            alarm, priority=event.priority if higher else alarm.priority, rings=event.rings,
            rings_from=event.rings_from, peak=peak, value=event.value, setpoint=event.setpoint, acknowledged=None,
            acknowledged_by=None,
        )  # fmt: skip
        cause = Cause.RAISED_HIGHER if higher else Cause.GROWN
    else:
        # Returned but unacknowledged (a latched one stands meanwhile): the same occurrence goes on. Normal: a new one,
        # which keeps what was told before; only one that carries nothing but a suppression has its number to give yet.
        goes_on = alarm.state is not State.NORMAL or alarm.count == 0
        peak = _worse(alarm.condition, event.peak, event.value)
        after = replace(
            alarm, number=alarm.number if goes_on else number, count=alarm.count + 1 if goes_on else 1,
            priority=event.priority, rings=event.rings, rings_from=event.rings_from, since=event.since,
            raised=event.at, cleared=None, heard=now,
            acknowledged=None, acknowledged_by=None, value=event.value, setpoint=event.setpoint,
            peak=_worse(alarm.condition, alarm.peak, peak) if goes_on else peak, untold=alarm.untold + 1,
        )  # fmt: skip
        cause = Cause.RAISED
    may = cause is Cause.GROWN or _may_tell(alarm, event.priority, event.rings, now)
    tell = may and not held and not suppressed(alarm, now)
    return _moved(alarm, after, cause, event.at, now, change_number, kind="raised" if tell else None)


def _returned(alarm: Alarm, event: Returned, now: datetime, change_number: int, held: bool) -> Stepped:
    after = replace(alarm, cleared=event.at, peak=_worse(alarm.condition, alarm.peak, event.peak))
    if not event.watched:  # what is raised after it is another matter (another motor), and is told whatever was told
        after = replace(after, last_notice=None, last_notice_priority=None, untold=0, told=0, known_peak=None)
        return _moved(alarm, after, Cause.NO_LONGER_WATCHED, event.at, now, change_number)
    if alarm.condition in LATCHED and alarm.state is State.UNACKNOWLEDGED:
        if alarm.latched:
            return alarm, None, []
        return _moved(alarm, after, Cause.RETURNED_LATCHED, event.at, now, change_number)
    # What was not told as standing is not told as cleared either.
    tell = alarm.untold == 0 and not held and not suppressed(alarm, now)
    return _moved(alarm, after, Cause.RETURNED, event.at, now, change_number, kind="cleared" if tell else None)


def _tick(alarm: Alarm, now: datetime, change_number: int, held: bool) -> Stepped:
    if alarm.suppression is not None:
        by_design = alarm.suppression is Suppression.SUPPRESSED_BY_DESIGN
        # That a plan was not kept is news, so it waits until it may be told.
        if suppressed(alarm, now) or (by_design and held):
            return alarm, None, []
        cause = Cause.PLAN_OVER if by_design else Cause.TIME_UP
        return _suppression(alarm, cause, now, change_number, held, by=None)
    due = _told_again_due(alarm)
    if due is None or held or (now < due and _last_notice_counts(alarm, now)):
        return alarm, None, []
    kind = "raised" if alarm.last_notice is None else "told-again"
    after = alarm
    if alarm.rings_from is not None and alarm.rings_from <= now:
        after = replace(alarm, rings=True, rings_from=None)
    return _moved(alarm, after, Cause.TOLD_AGAIN, now, now, change_number, kind=kind)


def _suppressing(
    alarm: Alarm,
    event: Shelve | Unshelve | PlannedStop | WithdrawPlannedStop | SuppressByDesign | ReasonOver | RemoveFromService
    | ReturnToService,
    now: datetime,
    change_number: int,
    held: bool,
) -> Stepped:  # fmt: skip
    causes = {
        Shelve: Cause.SHELVED,
        Unshelve: Cause.UNSHELVED,
        PlannedStop: Cause.PLANNED_STOP,
        WithdrawPlannedStop: Cause.PLAN_WITHDRAWN,
        SuppressByDesign: Cause.SUPPRESSED,
        ReasonOver: Cause.REASON_OVER,
        RemoveFromService: Cause.REMOVED_FROM_SERVICE,
        ReturnToService: Cause.RETURNED_TO_SERVICE,
    }
    by_design = alarm.suppression is Suppression.SUPPRESSED_BY_DESIGN
    if by_design and not alarm.by_rule and isinstance(event, SuppressByDesign | ReasonOver):
        return alarm, None, []  # what somebody announced is ended by them, or by its time
    if alarm.by_rule and isinstance(event, WithdrawPlannedStop):
        return alarm, None, []
    until, why = getattr(event, "until", None), getattr(event, "why", None)
    by = getattr(event, "by", None)
    return _suppression(alarm, causes[type(event)], now, change_number, held, by=by, until=until, why=why)


def _suppression(
    alarm: Alarm,
    cause: Cause,
    now: datetime,
    change_number: int,
    held: bool,
    *,
    by: str | None,
    until: datetime | None = None,
    why: str | None = None,
) -> Stepped:
    """One way of SUPPRESSIONS; what then stands and was not told is told now."""
    ways = SUPPRESSIONS[alarm.suppression]
    if cause not in ways:
        return alarm, None, []
    to = ways[cause]
    if to is not None:
        after = replace(alarm, suppression=to, suppressed_until=until, suppressed_by=by, suppressed_why=why or None)
        moved, change, wanted = _moved(alarm, after, cause, now, now, change_number, by=by)
        return moved, change and replace(change, why=why or None, until=until), wanted
    after = replace(alarm, suppression=None, suppressed_until=None, suppressed_by=None, suppressed_why=None)
    if cause in (Cause.PLAN_OVER, Cause.PLAN_WITHDRAWN):
        # A plan that was not kept is news, told or acknowledged before or not.
        tell = alarm.state.stands
        after = replace(after, acknowledged=None, acknowledged_by=None) if tell else after
    else:
        rose = _is_higher(alarm.priority, alarm.last_notice_priority or alarm.priority)
        unseen = alarm.state is State.UNACKNOWLEDGED and (alarm.untold > 0 or rose)
        tell = unseen and _may_tell(alarm, alarm.priority, alarm.rings, now)
    tell = tell and not held
    return _moved(alarm, after, cause, now, now, change_number, by=by, kind="raised" if tell else None)


def _moved(
    before: Alarm,
    after: Alarm,
    cause: Cause,
    at: datetime,
    now: datetime,
    change_number: int,
    *,
    by: str | None = None,
    kind: str | None = None,
) -> Stepped:
    """The way of TRANSITIONS that a cause takes; without one a change of suppression is left, or nothing at all."""
    to_state = TRANSITIONS[before.state].get(cause)
    if to_state is None:
        if cause not in SUPPRESSIONS[before.suppression]:
            return before, None, []
        to_state = before.state
    after = replace(after, state=to_state)
    change = AlarmChange(after.number, change_number, before.state, to_state, cause.value, at, now, by)
    if kind is None:
        return after, change, []
    reminds = _known(before, after.priority) and not _is_higher(after.priority, before.last_notice_priority or "low")
    wanted = Wanted(
        kind, after.rings and kind != "cleared" and not reminds, after.untold, before.last_notice, cause.value
    )
    if kind != "cleared":
        long_ago = before.last_notice is not None and now - before.last_notice >= FORGOTTEN
        told = (0 if long_ago else after.told) + (1 if after.untold else 0)
        after = replace(
            after, last_notice=now, last_notice_priority=after.priority, untold=0, told=told,
            known_peak=_worse(after.condition, None if long_ago else after.known_peak, after.peak),
        )  # fmt: skip
    return after, change, [wanted]


def _may_tell(alarm: Alarm, priority: str, rings: bool, now: datetime) -> bool:
    """Whether a raised alarm may be told now, by what was told before."""
    if alarm.last_notice is None or not _last_notice_counts(alarm, now):
        return True
    elapsed = now - alarm.last_notice
    if _is_higher(priority, alarm.last_notice_priority or alarm.priority):
        return True
    return elapsed >= _quiet(alarm, priority, rings)


def _quiet(alarm: Alarm, priority: str, rings: bool) -> timedelta:
    """How long an alarm that is raised again is not told again."""
    if priority == PRIORITIES[-1] or (priority != PRIORITIES[0] and alarm.condition in SOON_AGAIN):
        return QUIET_HIGHEST
    if alarm.condition not in COMES_AND_GOES:
        return QUIET
    if priority == PRIORITIES[0] and not rings:
        return QUIET_LOW
    if alarm.told == 0:
        return QUIET
    first = QUIET_NIGHT if alarm.condition in LOADS else QUIET
    grown: timedelta = first * QUIET_GROWS ** min(alarm.told - 1, 8)
    return min(grown, QUIET_LONGEST)


def _told_again_due(alarm: Alarm) -> datetime | None:
    """When an unacknowledged alarm is to be told again. What does not ring is not repeated: it stands on the page, or
    rings later."""
    if alarm.state is not State.UNACKNOWLEDGED:
        return None
    if alarm.last_notice is None:
        return alarm.heard
    if not alarm.rings:
        return alarm.rings_from
    # What stands is told again each QUIET, also one that was raised again and not told then.
    stands = max(alarm.last_notice, alarm.heard) + QUIET
    again = alarm.last_notice + _quiet(alarm, alarm.priority, alarm.rings)
    if _known(alarm, alarm.priority):
        return again
    if alarm.untold == 0:
        return stands
    return min(again, stands)


def _known(alarm: Alarm, priority: str) -> bool:
    """Whether it is known by now: whoever is told again is reminded, and not rung."""
    return alarm.condition in LOADS and alarm.told >= KNOWN and priority != PRIORITIES[-1]


def _is_worse(alarm: Alarm, event: Raised) -> bool:
    """Whether it begins so much worse than what somebody knows of that it is news."""
    known = alarm.peak if alarm.known_peak is None else alarm.known_peak
    if alarm.condition not in GROWS or known is None or event.peak is None:
        return False
    return not alarm.state.stands and event.peak >= known + GROWS[alarm.condition]


def _last_notice_counts(alarm: Alarm, now: datetime) -> bool:
    return alarm.last_notice is None or alarm.last_notice - now <= CLOCK_STEP


def _is_higher(priority: str, than: str) -> bool:
    return PRIORITIES.index(priority) > PRIORITIES.index(than)


def _worse(condition: str, *measures: float | None) -> float | None:
    """The worst of what is known of a measure: the greatest, or of a condition raised from below the least."""
    known = [one for one in measures if one is not None]
    below = BY_ID[condition].direction == BELOW if condition in BY_ID else False
    return (min(known) if below else max(known)) if known else None
