"""For the page This morning: loggers to visit, notices that reached nobody, and what nobody is told of on purpose."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.alarms.states import Suppression
from monitor.records import tables
from monitor.records.look_alarms import alarm_item
from monitor.records.morning_rows import Spell
from monitor.records.morning_stops import Fan
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import Sites, within

SITE, SILENT, NEVER, DOUBT, OFFLINE, OFTEN = "site", "silent", "never", "doubt", "offline", "often"
LOGGER_WHY = (SITE, SILENT, NEVER, DOUBT, OFFLINE, OFTEN)
"""Why a logger is in the list, worst first: none of the site or supply is heard; it is not heard; it never was; its
readings are in doubt; it says that it is off; it was silent again and again in the night."""
OFTEN_SILENT = 3
"""So many silences in a night that are over are a reason to look at a link or a battery (common practice)."""
TRIED_FOR = timedelta(minutes=15)
"""A notice that waits so long although it was tried does not arrive."""
MOST_NOTICES = 2000


@dataclass(frozen=True)
class LoggerVisit:
    """A logger, or all of a site or supply, to look at."""

    site: str
    name: str | None
    """Fan, supply or weather point; None: all loggers of the site."""
    whole: bool
    """Whether it is about all loggers of the site, or of the supply of this name."""
    why: str
    """One of LOGGER_WHY."""
    since: datetime | None
    last_reading: datetime | None
    times: int
    """Silences in the night."""
    text: str
    """The alarm's own line, where it says more."""


def loggers(
    fans: Sequence[Fan], alarms: Sequence[Mapping[str, Any]], spells: Mapping[int, Sequence[Spell]],
    known: Mapping[int, tuple[int | None, float | None, str | None]], points: Mapping[tuple[str, str], int],
    since: Mapping[str, datetime],
) -> list[LoggerVisit]:  # fmt: skip
    """By site; one that is out of service, or whose alarm somebody holds back, is not in it.

    Parameters
    ----------
    known : of `morning_rows.periods_of`
    points : (site, name) of every point -> its id
    """
    by_name = {(fan.key.site, fan.key.name): fan for fan in fans}
    in_use = set(by_name) | {(fan.key.site, fan.supply) for fan in fans if fan.supply}
    in_use |= {
        (fan.key.site, fan.registered.nameplate.fan.weather) for fan in fans if fan.registered.nameplate.fan.weather
    }
    whole, found = set(), {}
    silent: Counter[tuple[str, str]] = Counter()
    for alarm in alarms:
        if alarm["id"] == "logger-overdue":
            over = [
                one for one in spells[alarm["number"]] if one.until is not None and one.until > since[alarm["site"]]
            ]
            silent[alarm["site"], alarm["fan"] or alarm["supply"]] += len(over)

    def last(site: str, name: str | None) -> datetime | None:
        fan = by_name.get((site, name or ""))
        newest = known.get(points.get((site, name or ""), -1), (None, None, None))[0]
        times = [one for one in (fan.heard_at if fan else None, from_ms_or_none(newest)) if one is not None]
        return max(times, default=None)

    for alarm in alarms:
        site, name = alarm["site"], alarm["fan"] or alarm["supply"]
        if alarm["suppressed_by"] or not alarm["standing"]:
            continue
        if alarm["id"] == "site-silent":
            whole.add((site, name))
            found[site, name, True] = LoggerVisit(site, name, True, SITE, alarm["since"], None, 1, "")
        elif alarm["id"] in ("logger-overdue", "logger-suspect"):
            why = SILENT if alarm["id"] == "logger-overdue" else DOUBT
            text = alarm["text"] if why == DOUBT else ""
            before = found.get((site, name, False))
            if before is None or before.why == DOUBT:
                found[site, name, False] = LoggerVisit(
                    site, name, False, why, alarm["since"], last(site, name), 1, text
                )
    for site, name in sorted(in_use, key=lambda one: (one[0], one[1] or "")):
        if (site, name, False) in found:
            continue
        newest, status = last(site, name), known.get(points.get((site, name or ""), -1), (None, None, None))[2]
        why = NEVER if newest is None else OFFLINE if status == "offline" else ""
        silences = silent.get((site, name or ""), 0) if not why else 0
        if why or silences >= OFTEN_SILENT:
            found[site, name, False] = LoggerVisit(site, name, False, why or OFTEN, None, newest, silences, "")
    covered = [one for one in found.values() if one.whole or not _is_covered(one, whole, by_name)]
    seen = [one for one in covered if one.whole or not _out(one, by_name)]
    return sorted(seen, key=lambda one: (one.site, LOGGER_WHY.index(one.why), one.name or ""))


def _is_covered(one: LoggerVisit, whole: set[tuple[str, str | None]], fans: Mapping[tuple[str, str], Fan]) -> bool:
    """Whether the silence of its site or supply tells it."""
    fan = fans.get((one.site, one.name or ""))
    supply = fan.supply if fan is not None else one.name
    silent = one.why in (SILENT, OFFLINE)
    return silent and ((one.site, None) in whole or (supply is not None and (one.site, supply) in whole))


def _out(one: LoggerVisit, fans: Mapping[tuple[str, str], Fan]) -> bool:
    fan = fans.get((one.site, one.name or ""))
    return fan is not None and fan.out is not None


@dataclass(frozen=True)
class Failed:
    """Notices of one site by one route that did not arrive."""

    site: str
    """Empty: of the service itself."""
    route: str
    count: int
    """Given up in the night."""
    waiting: int
    """Still tried, in vain so far."""
    last: datetime
    """When the last of them was given up, or made."""
    subject: str
    """Of the most pressing of them, the newest of those."""
    nobody: int
    """Alarms of which nobody at all was told, by this route or another."""


def failed(connection: Connection, sites: Sites, since: Mapping[str, datetime], now: datetime) -> list[Failed]:
    """What was given up since `since`, or waits although it was tried long ago; those of which nobody knows first.

    Parameters
    ----------
    since : site -> when its night began; for those of the service itself the earliest counts
    """
    if not since:
        return []
    table, first = tables.notices, min(since.values())
    stuck = sa.and_(table.c.state == "waiting", table.c.tries > 0, table.c.created_ms < to_ms(now - TRIED_FOR))
    given_up = sa.and_(table.c.state == "failed", table.c.due_ms > to_ms(first))
    names = ("id", "site", "route", "state", "due_ms", "created_ms", "subject", "priority", "alarm_number", "group_id")
    query = (
        sa.select(*(table.c[name] for name in names))
        .where(within(table.c.site, sites), sa.or_(given_up, stuck))
        .order_by(table.c.due_ms.desc())
        .limit(MOST_NOTICES)
    )
    rows = [
        row for row in connection.execute(query).mappings()
        if row["state"] == "waiting" or from_ms(row["due_ms"]) > since.get(row["site"], first)
    ]  # fmt: skip
    told = _told(connection, rows)
    groups: dict[tuple[str, str], list[Mapping[Any, Any]]] = {}
    for row in rows:
        groups.setdefault((row["site"], row["route"]), []).append(row)
    found = [_failed(site, route, some, told) for (site, route), some in groups.items()]
    return sorted(found, key=lambda one: (-one.nobody, -one.count, one.site, one.route))


def _told(connection: Connection, rows: Sequence[Mapping[Any, Any]]) -> set[int]:
    """Numbers of the alarms of which some notice was delivered, alone or among several."""
    notices, tellings = tables.notices, tables.tellings
    numbers = sorted({row["alarm_number"] for row in rows if row["alarm_number"]})[:900]
    if not numbers:
        return set()
    alone = sa.select(notices.c.alarm_number).where(
        notices.c.partition == tables.PARTITION, notices.c.alarm_number.in_(numbers), notices.c.state == "delivered"
    )
    among = (
        sa.select(tellings.c.alarm_number)
        .join(notices, notices.c.group_id == tellings.c.group_id)
        .where(
            tellings.c.partition == tables.PARTITION, tellings.c.alarm_number.in_(numbers),
            notices.c.state == "delivered",
        )
    )  # fmt: skip
    return {*connection.execute(alone).scalars(), *connection.execute(among).scalars()}


_PRIORITY = ("low", "medium", "high", "highest")


def _failed(site: str, route: str, rows: Sequence[Mapping[Any, Any]], told: set[int]) -> Failed:
    worst = max(rows, key=lambda row: (_PRIORITY.index(row["priority"]), row["created_ms"]))
    untold = {row["alarm_number"] for row in rows if row["alarm_number"]} - told
    waiting = sum(row["state"] == "waiting" for row in rows)
    last = max(row["created_ms"] if row["state"] == "waiting" else row["due_ms"] for row in rows)
    return Failed(site, route, len(rows) - waiting, waiting, from_ms(last), worst["subject"], len(untold))


def held_back(connection: Connection, sites: Sites, now: datetime) -> list[dict[str, Any]]:
    """Alarms that somebody shelved and stops that somebody announced, as `look.alarms` gives them; not what is out of
    service, which is told by fan. By site."""
    table = tables.alarms
    newer = table.alias("newer")
    same = sa.and_(
        newer.c.site == table.c.site, newer.c.condition == table.c.condition, newer.c.number > table.c.number,
        newer.c.partition == table.c.partition, sa.func.coalesce(newer.c.fan, "") == sa.func.coalesce(table.c.fan, ""),
        sa.func.coalesce(newer.c.supply, "") == sa.func.coalesce(table.c.supply, ""),
    )  # fmt: skip
    kinds = (Suppression.SHELVED.value, Suppression.SUPPRESSED_BY_DESIGN.value)
    query = sa.select(table).where(
        within(table.c.site, sites), table.c.suppression.in_(kinds),
        table.c.suppressed_by.is_not(None),
        sa.or_(table.c.suppressed_until_ms.is_(None), table.c.suppressed_until_ms > to_ms(now)),
        ~sa.exists(sa.select(newer.c.number).where(same)),  # an earlier occurrence keeps what the next one took over
    )  # fmt: skip
    rows = connection.execute(query.order_by(table.c.site, table.c.number)).mappings()
    return [alarm_item(row) for row in rows]
