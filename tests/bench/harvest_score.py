"""What a season's notices were worth: counted against what truly was.

A trip counts as announced where a ringing notice of overload, of a trip that is near or of the device's margin was made
before it and its alarm stood until it; as told earlier where the alarm stood, but its notice was made for an occurrence
of the hours before (the same alarm rings at most each four hours).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import sqlalchemy as sa

from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.readings import window
from monitor.records.scope import ALL
from monitor.watch.ends import OVERLOAD_TRIP
from simulated.truth import End
from tests.bench.endings import ANNOUNCING, BARE, LONG_MS, bare_before
from tests.bench.harvest_farm import KINDS, SITE, START, TROUBLED, Floats, Harvest

AFTER_A_TRIP = ("tripped", "stopped", "phase-lost", "supply-lost")
REPORTED_MS = 600_000.0
"""A trip is told in time within so long."""
HOUR_MS, FOUR_HOURS_MS = 3_600_000.0, 14_400_000.0
MONTH_MS, WEEK_MS = 30.0 * 86_400_000.0, 7.0 * 86_400_000.0
SHORT_RUN = timedelta(hours=2)
SPELL_MS = 600_000.0
"""An overload so long is a spell; told within half of that beyond its delay it is told in time."""


@dataclass(frozen=True)
class Told:
    """One notice of a route, whatever the number of its addresses."""

    at_ms: float
    kind: str
    rings: bool
    short: str
    about: tuple[tuple[str, str], ...]
    """(fan, condition) of each alarm it tells of; fan "" for the site or a supply."""


@dataclass
class Fan:
    """A fan's season as its logger and the truth have it."""

    name: str
    t_ms: Floats
    shown: Floats
    """Highest leg [A]."""
    true: Floats
    """The same without the clamps' errors."""
    limit: Floats
    setting: float
    full_load: float
    stands: dict[str, list[tuple[float, float]]]
    """Condition -> from and to [ms] of each time it stood."""

    @property
    def kind(self) -> str:
        return KINDS[self.name]


@dataclass
class Score:
    """Tally over seasons."""

    months: Counter[str] = field(default_factory=Counter)
    """Kind of fan -> fan months."""
    weeks: float = 0.0
    notices: Counter[tuple[str, str, str, bool]] = field(default_factory=Counter)
    """(Kind of fan or "site", condition, kind of notice, rings)."""
    not_so: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(Kind of fan, condition): ringing notices of what truly was not."""
    rings: int = 0
    """Ringing notices that tell of more than the troubled fans."""
    rings_forgotten: int = 0
    """Of these, of stops for work that nobody had announced."""
    rings_outside: int = 0
    """Of these, of a supply, a gateway or a logger that truly was away."""
    trips: Counter[str] = field(default_factory=Counter)
    leads: dict[str, list[float]] = field(default_factory=lambda: {"ours": [], "bare": []})
    """Minutes from the notice to the trip, of trips after ten minutes of overload; NaN: not announced."""
    restarted: list[float] = field(default_factory=list)
    """Of these, trips of a run of less than two hours: somebody had closed the device under the same load."""
    earlier: list[float] = field(default_factory=list)
    """Of these, minutes from the alarm to the trip where the notice was made for an occurrence before."""
    delays: list[float] = field(default_factory=list)
    """Minutes from the first reading that shows a trip to its notice."""
    spells: Counter[str] = field(default_factory=Counter)
    bare_rings: Counter[str] = field(default_factory=Counter)
    """Kind of fan -> rings of the bare threshold."""
    misses: list[str] = field(default_factory=list)


# --- what is stored --------------------------------------------------------------------------------------------------


def told(database: Database, route: str) -> list[Told]:
    """The notices of a route, by time."""
    notices, alarms, tellings = tables.notices, tables.alarms, tables.tellings
    with database.read() as connection:
        about = {
            number: (fan or "", condition)
            for number, fan, condition in connection.execute(
                sa.select(alarms.c.number, alarms.c.fan, alarms.c.condition)
            )
        }
        grouped: dict[str, list[int]] = {}
        for group, number in connection.execute(sa.select(tellings.c.group_id, tellings.c.alarm_number)):
            grouped.setdefault(group, []).append(number)
        mine = sa.select(notices).where(notices.c.route == route, notices.c.address_index == 0)
        rows = connection.execute(mine.order_by(notices.c.created_ms)).mappings().all()
    found = []
    for row in rows:
        numbers = grouped.get(row["group_id"] or "", [row["alarm_number"]])
        which = tuple(about.get(number, ("", row["kind"])) for number in dict.fromkeys(numbers))
        at_ms = float(max(row["created_ms"], row["due_ms"] if row["state"] == "waiting" and not row["tries"] else 0))
        found.append(Told(at_ms, row["kind"], bool(row["rings"]), row["short"], which))
    return found


def fans(season: Harvest, database: Database) -> list[Fan]:
    """The fans' readings and the times of their alarms."""
    ids = {key.name: key.point_id for key in register.points(database, ALL)}
    found = []
    for name, plan in season.scenario.sites[SITE].fans.items():
        columns = window(database, ids[name], 0, 10**14)
        legs = columns["amps"][:, : int(plan.motor["phases"])]
        gain, offset = np.array(plan.sends.gain), np.array(plan.sends.offset)
        found.append(
            Fan(
                name, columns["t_ms"].astype(float), np.fmax.reduce(legs, axis=1),
                np.fmax.reduce((legs - offset) / gain, axis=1), columns["limit_amps"],
                float(plan.protection["setting_amps"]), float(plan.motor["full_load_amps"]), _stands(database, name),
            )
        )  # fmt: skip
    return found


def _stands(database: Database, fan: str) -> dict[str, list[tuple[float, float]]]:
    alarms, changes = tables.alarms, tables.alarm_changes
    query = (
        sa.select(alarms.c.condition, changes.c.from_state, changes.c.to_state, changes.c.at_ms, changes.c.alarm_number)
        .join(alarms, alarms.c.number == changes.c.alarm_number)
        .where(alarms.c.fan == fan)
        .order_by(changes.c.number)
    )
    standing = ("UNACKNOWLEDGED", "ACKNOWLEDGED")
    found: dict[str, list[tuple[float, float]]] = {}
    with database.read() as connection:
        for condition, before, after, at, _ in connection.execute(query):
            spans = found.setdefault(condition, [])
            if after in standing and before not in standing:
                spans.append((float(at), math.inf))
            elif after not in standing and before in standing and spans:
                spans[-1] = (spans[-1][0], float(at))
    return found


# --- scoring ---------------------------------------------------------------------------------------------------------


def score(
    season: Harvest, ends: list[End], starts: list[End], database: Database, tally: Score, route: str = "farm"
) -> None:
    """Adds a season: how its runs truly ended and began, and what is stored of it."""
    notices, plants = told(database, route), fans(season, database)
    span = (season.until - START).total_seconds() * 1000.0
    tally.weeks += span / WEEK_MS
    for fan in plants:
        tally.months[fan.kind] += span / MONTH_MS
        for end in ends:
            if end.fan == fan.name and end.cause in (OVERLOAD_TRIP, "phase lost"):
                mine = [one.t for one in starts if one.fan == fan.name]
                began = max((t for t in mine if t < end.t), default=START)
                next_start = min((t for t in mine if t > end.t), default=season.until)
                _trip(season, fan, end, (end.t - began) < SHORT_RUN, notices, tally)
                when = f"seed {season.seed}: {end.t:%m-%d %H:%M}Z {fan.name} ({fan.kind})"
                _reported(fan, ms(end.t), ms(next_start), when, notices, tally)
        _spells(season, fan, notices, tally)
        _bare(fan, tally)
    by_name = {fan.name: fan for fan in plants}
    for notice in notices:
        _count(season, notice, by_name, ends, tally)


def _count(season: Harvest, notice: Told, plants: dict[str, Fan], ends: list[End], tally: Score) -> None:
    kinds = [KINDS.get(fan, "site") for fan, _ in notice.about]
    for (_, condition), kind in zip(notice.about, kinds, strict=True):
        tally.notices[kind, condition, notice.kind, notice.rings] += 1
    if not notice.rings or all(kind in TROUBLED for kind in kinds):
        return
    tally.rings += 1
    beside = [pair for pair, kind in zip(notice.about, kinds, strict=True) if kind not in TROUBLED]
    if all(condition == "stopped" and _by_hand(season, fan, notice.at_ms) for fan, condition in beside):
        tally.rings_forgotten += 1
    elif all(condition in ("supply-lost", "site-silent", "logger-overdue", "broker-away") for _, condition in beside):
        tally.rings_outside += 1
    for fan, condition in beside:
        if fan and not _was_so(season, plants[fan], condition, notice.at_ms, ends):
            tally.not_so[KINDS[fan], condition] += 1
            tally.misses.append(f"seed {season.seed}: not so ({condition} of {fan}): {notice.short}")


def _by_hand(season: Harvest, fan: str, at_ms: float) -> bool:
    return any(
        one.fan == fan and not one.announced and 0.0 <= at_ms - ms(one.begin) <= 8 * HOUR_MS for one in season.work
    )


def _was_so(season: Harvest, fan: Fan, condition: str, at_ms: float, ends: list[End]) -> bool:
    """Whether what is told of a fan truly was, within 1 % of its figure."""
    recent = (fan.t_ms > at_ms - 900_000.0) & (fan.t_ms <= at_ms)
    if condition in ("overload", "trip-near", "device-margin", "low-margin"):
        if not recent.any():
            return False
        most = float(np.quantile(fan.true[recent], 0.9))
        limit = float(np.nanmin(fan.limit[recent]))
        least = {"overload": limit, "low-margin": 0.95 * limit}.get(condition, 1.05 * fan.setting)
        return most >= 0.99 * min(least, limit if condition == "trip-near" else math.inf)
    if condition == "supply-lost":
        plans = season.scenario.sites[SITE].fans
        if plans[fan.name].sends.volts:
            return True  # measured; a supply may be out while its fans stand
        mine = [one for one in ends if plans[one.fan].supply == plans[fan.name].supply]
        return any(one.cause == "supply lost" and 0.0 <= at_ms - ms(one.t) <= 12 * HOUR_MS for one in mine)
    if condition in AFTER_A_TRIP:
        causes = {"tripped": (OVERLOAD_TRIP, "phase lost"), "phase-lost": ("phase lost",)}
        wanted = causes.get(condition)
        times = [ms(one.t) for one in ends if one.fan == fan.name and (wanted is None or one.cause in wanted)]
        return any(0.0 <= at_ms - t <= 12 * HOUR_MS for t in times)
    return True


def _trip(season: Harvest, fan: Fan, end: End, again: bool, notices: list[Told], tally: Score) -> None:
    trip = ms(end.t)
    tally.trips["all"] += 1
    last = (fan.t_ms > trip - LONG_MS) & (fan.t_ms < trip)
    over = fan.true >= np.minimum(fan.limit, fan.setting)
    long = bool(last.any()) and float(over[last].mean()) >= 0.97
    stood = [
        (since, condition)
        for condition in ANNOUNCING
        for since, until in fan.stands.get(condition, [])
        if since <= trip <= until
    ]
    rang = [
        one.at_ms
        for one in notices
        if one.rings and one.at_ms <= trip and any((fan.name, condition) in one.about for _, condition in stood)
    ]
    first = min((since for since, _ in stood), default=math.inf)
    anew = [at for at in rang if at >= first - 60_000.0]
    before = [at for at in rang if first - FOUR_HOURS_MS <= at < first - 60_000.0]
    lead = (trip - min(anew)) / 60_000.0 if anew else (trip - first) / 60_000.0 if before else math.nan
    bare = bare_before(fan.t_ms, fan.shown > BARE * fan.full_load, trip)
    when = f"seed {season.seed}: {end.t:%m-%d %H:%M}Z {fan.name} ({fan.kind})"
    if long:
        tally.leads["ours"].append(lead)
        tally.leads["bare"].append((trip - bare) / 60_000.0)
        if again:
            tally.restarted.append(lead)
        if not anew and before:
            tally.earlier.append(lead)
        if math.isnan(lead):
            quiet = any(since <= trip <= until for since, until in fan.stands.get("low-margin", []))
            tally.trips["not announced, but low-margin stood"] += int(quiet)
            true, shown, margin = (
                float(np.nanmax(column[last]))
                for column in (fan.true / fan.setting, fan.shown / fan.setting, fan.shown / fan.limit)
            )
            tally.misses.append(
                f"{when}: not announced{', soon after a restart' if again else ''}; in its last 10 min truly "
                f"{true:.3f} x its setting at most, shown {shown:.3f} (and {margin:.3f} of the limit); stood: "
                f"{', '.join(condition for _, condition in stood) or 'nothing that rings'}"
            )
    else:
        tally.trips["sudden"] += 1
        tally.trips["sudden, announced"] += int(not math.isnan(lead))
        tally.trips["sudden, announced by the bare threshold"] += int(not math.isnan(bare))


def ms(when: datetime) -> float:
    """Milliseconds since 1970."""
    return when.timestamp() * 1000.0


def _reported(fan: Fan, trip: float, next_start: float, when: str, notices: list[Told], tally: Score) -> None:
    """Whether and when people were told that it stands still, counted from the first reading that shows it."""
    shows = fan.t_ms[(fan.t_ms > trip) & (fan.t_ms < next_start)]
    if not len(shows):
        tally.trips["no reading shows it"] += 1
        return
    heard = float(shows[0])
    about = {(fan.name, condition) for condition in AFTER_A_TRIP}
    after = [one.at_ms for one in notices if trip <= one.at_ms <= next_start + HOUR_MS and about & set(one.about)]
    stood = [
        max(since, trip)
        for condition in AFTER_A_TRIP
        for since, until in fan.stands.get(condition, [])
        if since <= heard + REPORTED_MS and until > trip
    ]
    if after:
        delay = (after[0] - heard) / 60_000.0
        tally.delays.append(delay)
        tally.trips["told" if delay <= REPORTED_MS / 60_000.0 else "told later"] += 1
        if delay > REPORTED_MS / 60_000.0:
            tally.misses.append(f"{when}: told {delay:.0f} min after it could be seen")
    elif stood:
        tally.trips["on the page"] += 1
        tally.misses.append(f"{when}: on the Alarms page only")
    else:
        tally.trips["unreported"] += 1
        tally.misses.append(f"{when}: not reported")


def runs_of(true: np.ndarray, times: Floats, apart_ms: float) -> Iterable[tuple[float, float]]:
    """From and to [ms] of the stretches in which something holds, those closer than `apart_ms` joined."""
    at = times[true]
    if not len(at):
        return
    cuts = np.flatnonzero(np.diff(at) > apart_ms)
    for first, last in zip([0, *(cuts + 1).tolist()], [*cuts.tolist(), len(at) - 1], strict=True):
        yield float(at[first]), float(at[last])


def _spells(season: Harvest, fan: Fan, notices: list[Told], tally: Score) -> None:
    """Overloads of ten minutes and more, and how soon they were told."""
    for begin, end in runs_of(fan.true >= fan.limit, fan.t_ms, 120_000.0):
        if end - begin < SPELL_MS:
            continue
        tally.spells["all"] += 1
        rang = [
            one.at_ms for one in notices
            if one.rings and begin - FOUR_HOURS_MS <= one.at_ms <= end
            and any((fan.name, condition) in one.about for condition in ANNOUNCING)
        ]  # fmt: skip
        if not rang:
            tally.spells["never told"] += 1
            mine = (fan.t_ms >= begin) & (fan.t_ms <= end)
            true, shown = (np.median(amps[mine] / fan.limit[mine]) for amps in (fan.true, fan.shown))
            tally.spells["never told, shown below the limit"] += int(shown < 1.0)
            at = datetime.fromtimestamp(begin / 1000.0, UTC)
            tally.misses.append(
                f"seed {season.seed}: {at:%m-%d %H:%M}Z {fan.name} ({fan.kind}): overload of "
                f"{(end - begin) / 60_000.0:.0f} min never told: truly {true:.3f} of its limit, shown {shown:.3f}"
            )
        elif min(rang) < begin + 120_000.0:
            tally.spells["told before it, or in the four hours before"] += 1
        elif min(rang) <= begin + 120_000.0 + SPELL_MS / 2.0:
            tally.spells["told in time"] += 1
        else:
            tally.spells["told late"] += 1


def _bare(fan: Fan, tally: Score) -> None:
    rung = -math.inf
    for at in fan.t_ms[fan.shown > BARE * fan.full_load].tolist():
        if at - rung >= FOUR_HOURS_MS:
            tally.bare_rings[fan.kind] += 1
            rung = at
