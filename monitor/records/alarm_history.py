"""What happened to alarms, as stored, for their figures; and the noisiest with a cure each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import sqlalchemy as sa

from monitor.alarms.cures import Cure, cure
from monitor.alarms.facts import About
from monitor.alarms.performance import Figures, Frequent, Happened, spells
from monitor.alarms.states import Cause, State
from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.rows import from_ms, to_ms
from monitor.records.scope import Sites, within
from monitor.watch.overrides import for_fan
from monitor.watch.table import BY_ID

NOISIEST = 5
"""So many are looked at: what is done about these is felt, and the rest is left for the next month."""


@dataclass(frozen=True)
class Noisy:
    """One of the noisiest alarms, with what to do about it."""

    frequent: Frequent
    cure: Cure


def history(database: Database, sites: Sites, first: datetime, last: datetime) -> list[Happened]:
    """All changes of alarms that changed within a span or stood in it, also those before it, in their order.

    Raises
    ------
    LinkError : the database cannot be read
    """
    alarms, changes = tables.alarms, tables.alarm_changes
    changed = sa.select(changes.c.alarm_number).where(
        changes.c.partition == tables.PARTITION, changes.c.heard_ms > to_ms(first), changes.c.heard_ms <= to_ms(last)
    )
    # What stands, and what was held back, may have begun long before, and tells how the span began.
    concerned = sa.or_(
        alarms.c.number.in_(changed), alarms.c.state != State.NORMAL.value, alarms.c.suppression.is_not(None)
    )
    query = (
        sa.select(
            alarms.c.site, alarms.c.fan, alarms.c.supply, alarms.c.condition, alarms.c.priority, changes.c.alarm_number,
            changes.c.cause, changes.c.at_ms, changes.c.heard_ms,
        )
        .join_from(
            changes, alarms,
            sa.and_(changes.c.partition == alarms.c.partition, changes.c.alarm_number == alarms.c.number),
        )
        .where(
            changes.c.partition == tables.PARTITION, changes.c.heard_ms <= to_ms(last), within(alarms.c.site, sites),
            concerned,
        )
        .order_by(changes.c.number)
    )  # fmt: skip
    causes = {cause.value: cause for cause in Cause}
    abouts: dict[int, About] = {}
    found = []
    with database.read() as connection:
        for site, fan, supply, condition, priority, number, cause, at_ms, heard_ms in connection.execute(query):
            about = abouts.get(number)
            if about is None:
                about = abouts[number] = About(site, fan, supply, condition)
            found.append(Happened(about, number, priority, causes[cause], from_ms(at_ms), from_ms(heard_ms)))
    return found


def noisiest(database: Database, sites: Sites, changes: Sequence[Happened], found: Figures) -> list[Noisy]:
    """The five most frequent alarms of a span, each with one proposed cure.

    Parameters
    ----------
    changes : of `history` for the span
    found : the figures of it
    """
    most = [one for one in found.frequent[:NOISIEST] if one.count > 1 and one.about.condition in BY_ID]
    wanted = {one.about for one in most}
    told = [
        one
        for one in spells(change for change in changes if change.about in wanted)
        if one.told and found.first < one.heard <= found.last
    ]
    noisy = []
    with database.read() as connection:
        fans = {(key.site, key.name): version for key, version in register.fans_in(connection, sites)}
    for frequent in most:
        about = frequent.about
        version = fans.get((about.site, about.fan or ""))
        row = BY_ID[about.condition] if version is None else for_fan(version.in_force.conditions)[about.condition]
        control = None if version is None else version.nameplate.fan.control
        mine = [one for one in told if one.about == about]
        noisy.append(Noisy(frequent, cure(row, mine, control=control, of_a_fan=version is not None)))
    return noisy
