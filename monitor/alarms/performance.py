"""How well the alarms work, in figures: how many, in floods or not, which come and go, which stand and which are rare.

From stored changes alone. Measures and targets follow ANSI/ISA-18.2-2016 (clause on monitoring and assessment), IEC
62682:2014 and EEMUA publication 191. Those texts were not read here: the figures are those that a second text prints,
and the editions differ (a day: 144 by the wording of IEC 62682, about 150 by ISA-18.2-2009 and EEMUA 191, and since
2016 ISA-18.2 gives only the hour and ten minutes). They are for one operator's position; a farm has one.

An alarm counts when it is raised and nothing holds it back: what was shelved, out of service or suppressed by design
came to nobody. Loads are counted when the service learned of it, lengths by when it happened.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta, tzinfo

from monitor.alarms.facts import About
from monitor.alarms.states import SUPPRESSIONS, Cause
from monitor.watch.table import PRIORITIES

SLOT = timedelta(minutes=10)
"""Load is looked at in slots of so long, one after the other."""
FLOOD = 10
"""More alarms than this in a slot are a flood (ISA-18.2, IEC 62682; EEMUA 191 has the same figure)."""
ACCEPTABLE_A_DAY, MOST_A_DAY = 150.0, 300.0
"""Very likely acceptable, and the most that can be managed (EEMUA 191, ISA-18.2-2009; 144 and 288 by IEC 62682)."""
CHATTERING, CHATTERING_WITHIN = 3, timedelta(minutes=1)
"""Raised so often within so long it chatters (the usual test; ISA-18.2 names no figure, so far as we know)."""
REPEATING_WITHIN = timedelta(hours=1)
"""Our delays are minutes, so that hardly anything can chatter: raised as often within this it repeats (our measure)."""
FLEETING_WITHIN = timedelta(seconds=60)
"""Gone again within so long, before anybody acted, it was fleeting (the standards say "seconds"; ours is a minute)."""
STALE_AFTER = timedelta(hours=24)
"""Standing for longer it is stale (ISA-18.2, IEC 62682)."""
FEWER_STALE_THAN = 5
"""... of which there shall be fewer than this on any day."""
TOP = 10
TOP_SHARE = 0.05
"""The ten most frequent shall be no more than this share of all (ISA-18.2: 1 to 5 %)."""
PRIORITY_SHARES = {"low": 0.80, "medium": 0.15, "high": 0.05, "highest": 0.01}
"""Recommended: about 80, 15 and 5 %, and less than 1 % of a fourth (ISA-18.2, EEMUA 191)."""

_ENDS = (Cause.RETURNED, Cause.RETURNED_LATCHED, Cause.NO_LONGER_WATCHED)
_ACTED = (Cause.ACKNOWLEDGED, Cause.ACKNOWLEDGED_RETURNED, Cause.SHELVED)
_AFTER = {cause: to for ways in SUPPRESSIONS.values() for cause, to in ways.items()}
"""What a cause leaves of a suppression, wherever it began: each has one answer."""


@dataclass(frozen=True)
class Happened:
    """One stored change of an alarm. Times are aware."""

    about: About
    number: int
    """Number of the alarm."""
    priority: str
    """Of the alarm, as high as it came."""
    cause: Cause
    at: datetime
    """When it happened."""
    heard: datetime
    """When the service learned of it."""


@dataclass(frozen=True)
class Spell:
    """An alarm from being raised to being gone."""

    about: About
    number: int
    priority: str
    raised: datetime
    """When it happened ..."""
    heard: datetime
    """... and when it was heard."""
    ended: datetime | None
    """None: it stands."""
    acted: datetime | None
    """When somebody first acknowledged or shelved it, if that was before it ended."""
    told: bool
    """Nothing held it back when it was raised."""


@dataclass(frozen=True)
class Frequent:
    """One alarm that came often."""

    about: About
    count: int
    share: float
    """Of all."""


@dataclass(frozen=True)
class Figures:
    """What a span shows."""

    first: datetime
    last: datetime
    days: float
    """Length of the span."""
    alarms: int
    a_day_mean: float
    a_day_most: int
    """On the day (local) that had the most ..."""
    day_of_most: date | None
    """... and which that was."""
    a_slot_mean: float
    a_slot_most: int
    """In ten minutes."""
    slots: int
    slots_in_flood: int
    flood_share: float
    chattering: tuple[Frequent, ...]
    """With how often each was raised in the span."""
    repeating: tuple[Frequent, ...]
    fleeting: int
    stale_now: int
    """Standing at the end of the span for more than 24 h."""
    stale_most: int
    """The most at any time."""
    frequent: tuple[Frequent, ...]
    """The ten most frequent."""
    frequent_share: float
    priorities: dict[str, float]
    """Priority -> share; all 0 where there were no alarms."""


@dataclass(frozen=True)
class Target:
    """One figure beside what is recommended."""

    name: str
    found: str
    wanted: str
    holds: bool | None
    """None: not enough alarms to say."""


def spells(changes: Iterable[Happened]) -> list[Spell]:
    """Alarms from being raised to being gone, in the order in which they were raised.

    Parameters
    ----------
    changes : in the order in which they were stored; may begin in the middle of an alarm's life
    """
    open_: dict[About, int] = {}
    held: dict[About, bool] = {}
    found: list[Spell] = []
    for one in changes:
        place = open_.get(one.about)
        if one.cause is Cause.RAISED:
            if place is not None and found[place].ended is None:  # a latched one that tripped anew
                found[place] = _ended(found[place], one.at)
            open_[one.about] = len(found)
            told = not held.get(one.about, False)
            found.append(Spell(one.about, one.number, one.priority, one.at, one.heard, None, None, told))
        elif place is not None and one.cause in _ENDS:
            found[place] = _ended(found[place], one.at)
        elif place is not None and one.cause in _ACTED and found[place].ended is None:
            spell = found[place]
            found[place] = replace(spell, acted=spell.acted or one.heard)
        if one.cause in _AFTER:
            held[one.about] = _AFTER[one.cause] is not None
            # A rule or maintenance that holds is put on an alarm as it is raised, with the same commit.
            at_once = place is not None and found[place].heard == one.heard and found[place].acted is None
            if held[one.about] and at_once and one.cause in (Cause.SUPPRESSED, Cause.REMOVED_FROM_SERVICE):
                assert place is not None
                found[place] = replace(found[place], told=False)
    return found


def _ended(spell: Spell, at: datetime) -> Spell:
    return spell if spell.ended is not None else replace(spell, ended=at)


def figures(changes: Iterable[Happened], first: datetime, last: datetime, zone: tzinfo = UTC) -> Figures:
    """The figures of a span, open on the left and closed on the right.

    Parameters
    ----------
    changes : in the order in which they were stored; those before the span tell what stood at its beginning
    first, last : of the span, aware
    zone : of the farm, for its days

    Raises
    ------
    ValueError : the span is empty
    """
    if not first < last:
        raise ValueError("figures: the span must have a length")
    all_of_them = [one for one in spells(changes) if one.heard <= last]
    mine = [one for one in all_of_them if one.heard > first and one.told]
    days = (last - first) / timedelta(days=1)
    by_day = Counter(one.heard.astimezone(zone).date() for one in mine)
    most_day = max(by_day, key=lambda day: (by_day[day], -day.toordinal()), default=None)
    slots = max(1, -(-(last - first) // SLOT))
    # Open on the left: what was heard at the very end of a slot is of it.
    by_slot = Counter(-((first - one.heard) // SLOT) - 1 for one in mine)
    floods = sum(count > FLOOD for count in by_slot.values())
    counts = Counter(one.about for one in mine)
    frequent = tuple(_frequent(about, counts) for about, _ in _most(counts)[:TOP])
    return Figures(
        first=first,
        last=last,
        days=days,
        alarms=len(mine),
        a_day_mean=len(mine) / days,
        a_day_most=max(by_day.values(), default=0),
        day_of_most=most_day,
        a_slot_mean=len(mine) / slots,
        a_slot_most=max(by_slot.values(), default=0),
        slots=slots,
        slots_in_flood=floods,
        flood_share=floods / slots,
        chattering=_within(mine, counts, CHATTERING_WITHIN),
        repeating=_within(mine, counts, REPEATING_WITHIN),
        fleeting=sum(_fleeting(one, last) for one in mine),
        stale_now=sum(_stands(one, last) and last - one.raised > STALE_AFTER for one in all_of_them if one.told),
        stale_most=_stale_most([one for one in all_of_them if one.told], first, last),
        frequent=frequent,
        frequent_share=sum(one.count for one in frequent) / len(mine) if mine else 0.0,
        priorities={
            name: (sum(one.priority == name for one in mine) / len(mine) if mine else 0.0) for name in PRIORITIES
        },
    )


def _most(counts: Counter[About]) -> list[tuple[About, int]]:
    def order(one: tuple[About, int]) -> tuple[int, str, str, str]:
        about, count = one
        return -count, about.site, about.fan or about.supply or "", about.condition

    return sorted(counts.items(), key=order)


def _frequent(about: About, counts: Counter[About]) -> Frequent:
    return Frequent(about, counts[about], counts[about] / sum(counts.values()))


def _within(mine: Sequence[Spell], counts: Counter[About], span: timedelta) -> tuple[Frequent, ...]:
    """Those that were raised `CHATTERING` times within a span, the most frequent first."""
    times: dict[About, list[datetime]] = {}
    for one in mine:
        times.setdefault(one.about, []).append(one.raised)
    found = []
    for about, _ in _most(counts):
        raised = sorted(times[about])
        if any(raised[n + CHATTERING - 1] - raised[n] <= span for n in range(len(raised) - CHATTERING + 1)):
            found.append(_frequent(about, counts))
    return tuple(found)


def _fleeting(one: Spell, last: datetime) -> bool:
    return one.ended is not None and one.ended <= last and one.ended - one.raised <= FLEETING_WITHIN and not one.acted


def _stands(one: Spell, at: datetime) -> bool:
    return one.raised <= at and (one.ended is None or one.ended > at)


def _stale_most(all_of_them: Sequence[Spell], first: datetime, last: datetime) -> int:
    """The most that were stale at one time within the span."""
    steps: list[tuple[datetime, int]] = []
    for one in all_of_them:
        since = max(one.raised + STALE_AFTER, first)
        until = last if one.ended is None else min(one.ended, last)
        if since < until:
            steps += [(since, 1), (until, -1)]
    standing = most = 0
    for _, step in sorted(steps):  # one that ends at the very moment another becomes stale makes room first
        standing += step
        most = max(most, standing)
    return most


def targets(found: Figures) -> list[Target]:
    """The figures beside what is recommended for one operator's position, in words.

    Fewer than twenty alarms say nothing of shares (ours: one more would move a share by five percent).
    """
    enough = found.alarms >= 20
    shares = [f"{100 * found.priorities[name]:.0f} % {name}" for name in PRIORITIES]
    fits = all(
        found.priorities[name] <= limit * 1.5 for name, limit in PRIORITY_SHARES.items() if name != "low"
    )  # half as much again, since "about" is all that is said
    return [
        Target(
            "alarms a day", f"{found.a_day_mean:.1f} on average, {found.a_day_most} at most",
            f"up to {ACCEPTABLE_A_DAY:g} on average, {MOST_A_DAY:g} at most",
            found.a_day_mean <= ACCEPTABLE_A_DAY and found.a_day_most <= MOST_A_DAY,
        ),
        Target(
            "in ten minutes", f"{found.a_slot_mean:.2f} on average, {found.a_slot_most} at most",
            f"up to 1 on average, {FLOOD} at most", found.a_slot_mean <= 1.0 and found.a_slot_most <= FLOOD,
        ),
        Target(
            "time in flood", f"{100 * found.flood_share:.2f} %", "under 1 %", found.flood_share < 0.01,
        ),
        Target("chattering", f"{len(found.chattering)}", "none", not found.chattering),
        Target("repeating within an hour", f"{len(found.repeating)}", "none (our own measure)", not found.repeating),
        Target("fleeting", f"{found.fleeting}", "none", found.fleeting == 0),
        Target(
            "stale", f"{found.stale_now} now, {found.stale_most} at most", f"fewer than {FEWER_STALE_THAN} on any day",
            found.stale_most < FEWER_STALE_THAN,
        ),
        Target(
            "the ten most frequent", f"{100 * found.frequent_share:.0f} % of all",
            f"up to {100 * TOP_SHARE:g} % of all",
            found.frequent_share <= TOP_SHARE if enough else None,
        ),
        Target(
            "priorities", ", ".join(shares), "about 80 % low, 15 % medium, 5 % high, under 1 % highest",
            fits if enough else None,
        ),
    ]  # fmt: skip
