"""What changed since an open page last heard: fans with new readings, alarms with new states."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import sqlalchemy as sa

from monitor.records import look, register, tables
from monitor.records.database import Database
from monitor.records.scope import Sites
from monitor.web.live import Mark, News
from monitor.web.shapes import alarm_shape, fan_shape
from monitor.web.shown import show
from monitor.web.times import rfc3339

MARK_LENGTH = 2
"""A mark holds the number of the newest rows of fans, and of the newest alarm change."""
_IN_FULL = ("nameplate", "version", "valid_from", "estimate_time", "runs")
_CHANGES_AT_ONCE = 200


def look_for_news(database: Database, sites: Sites, now: Callable[[], datetime]) -> Callable[[Mark | None], News]:
    """The look that `live.Live` takes, for the sites a reader may see."""

    def news(mark: Mark | None) -> News:
        return _news(database, sites, now(), mark)

    return news


def _news(database: Database, sites: Sites, now: datetime, mark: Mark | None) -> News:
    seq, change = newest(database)
    if mark is None:
        return News((seq, change), ())
    # A mark from before a database was put back may be ahead: then everything is news.
    after_seq, after_change = mark if mark[0] <= seq and mark[1] <= change else (0, change)
    if (after_seq, after_change) == (seq, change):
        return News((seq, change), ())
    seq, items = look.changed_after(database, sites, after_seq)
    told = {(item["site"], item["fan"]) for item in items}
    alarms = _changed_alarms(database, sites, after_change)
    for alarm in alarms:
        key = (alarm["site"], alarm["fan"])
        if alarm["fan"] is not None and key not in told:  # its state may read otherwise without a new reading
            told.add(key)
            full = look.fan(database, sites, alarm["site"], alarm["fan"])
            if full is not None:
                items.append({name: value for name, value in full.items() if name not in _IN_FULL} | _summary(full))
    for site in {alarm["site"] for alarm in alarms if alarm["fan"] is None}:  # of a supply or of a whole site
        items += [item for item in look.fans(database, [site])["items"] if (site, item["fan"]) not in told]
    known = {site.site: site for site in register.sites(database, sites)}
    events: list[tuple[str, str, str, dict[str, Any]]] = [
        (
            "fan",
            item["site"],
            item["fan"],
            fan_shape(item) | {"shown": show(item, known[item["site"]], now).as_dict(), "now": rfc3339(now)},
        )
        for item in items
        if item["site"] in known
    ]
    events += [("alarm", alarm["site"], str(alarm["number"]), alarm_shape(alarm)) for alarm in alarms]
    return News((seq, max(change, after_change)), tuple(events))


def _summary(full: dict[str, Any]) -> dict[str, Any]:
    """The estimate as lists have it."""
    pitch = (full["estimate"] or {}).get("pitch") or {}
    names = ("as_is", "as_is_why", "supply_right", "supply_right_why", "provisional")
    return {"estimate": None if full["estimate"] is None else {name: pitch.get(name) for name in names}}


def newest(database: Database) -> tuple[int, int]:
    """The present mark."""
    changes = tables.alarm_changes
    with database.read() as connection:
        seq = connection.execute(sa.select(sa.func.max(tables.fan_now.c.seq))).scalar()
        here = changes.c.partition == tables.PARTITION
        change = connection.execute(sa.select(sa.func.max(changes.c.number)).where(here)).scalar()
    return seq or 0, change or 0


def _changed_alarms(database: Database, sites: Sites, after: int) -> list[dict[str, Any]]:
    changes = tables.alarm_changes
    query = sa.select(changes.c.alarm_number).where(changes.c.partition == tables.PARTITION, changes.c.number > after)
    with database.read() as connection:
        numbers = sorted(set(connection.execute(query.order_by(changes.c.number).limit(_CHANGES_AT_ONCE)).scalars()))
    found = (look.alarm(database, sites, number) for number in numbers)
    return [alarm for alarm in found if alarm is not None]
