"""What changed since an open page last heard: fans with new readings, alarms with new states."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

import msgspec
import sqlalchemy as sa

from monitor.records import look, register, tables
from monitor.records.database import Database
from monitor.records.registered import Registered, known_in
from monitor.records.scope import Sites
from monitor.web.live import ALARM, FAN, Event, Look, Mark, News, Wanted
from monitor.web.shapes import alarm_shape, fan_shape
from monitor.web.shown import show
from monitor.web.times import rfc3339

MARK_LENGTH = 2
"""A mark holds the number of the newest rows of fans, and of the newest alarm change."""
_CHANGES_AT_ONCE = 200
_ALARM_OF_PAGES = ("number", "site", "fan", "supply", "id", "standing", "acknowledged", "text")


def look_for_news(database: Database, sites: Sites, now: Callable[[], datetime]) -> Look:
    """The look that `live.Live` takes, for the sites a reader may see."""

    def news(mark: Mark | None, wanted: Wanted) -> News:
        return _news(database, sites, now(), mark, wanted)

    return news


def _news(database: Database, sites: Sites, now: datetime, mark: Mark | None, wanted: Wanted) -> News:
    seq, change = newest(database)
    if mark is None:
        return News((seq, change), ())
    # A mark from before a database was put back may be ahead: then everything is news.
    after_seq, after_change = mark if mark[0] <= seq and mark[1] <= change else (0, change)
    if (after_seq, after_change) == (seq, change):
        return News((seq, change), ())
    alarms = _changed_alarms(database, sites, after_change)
    # The state of a fan may read otherwise without a new reading: of its own alarm, of its supply's or its site's.
    one = {(alarm["site"], alarm["fan"]) for alarm in alarms}
    whole = {alarm["site"] for alarm in alarms if alarm["fan"] is None}

    def also(fan: Registered) -> bool:
        return fan.key.site in whole or (fan.key.site, fan.key.name) in one

    def heard(fan: Registered) -> bool:
        return wanted.fan(fan.key.site, fan.key.name, fan.key.point_id)

    seq, items = look.changed_after(database, sites, after_seq, heard, also)
    known = {site.site: site for site in register.sites(database, sites)} if items else {}
    events = [
        _of_fan(item, point, show(item, known[item["site"]], now), rfc3339(now), wanted)
        for point, item in items.items()
        if item["site"] in known
    ]
    events += _of_alarms(database, alarms)
    return News((seq, max(change, after_change)), tuple(events))


def _json(value: dict[str, Any]) -> str:
    return msgspec.json.encode(value).decode()


def _of_fan(item: dict[str, Any], point: int, shown: Any, now: str, wanted: Wanted) -> Event:
    """Written once for all who listen: in full where a program does, with what a list shows where a page does."""
    site, fan, api, page = item["site"], item["fan"], "", ""
    if wanted.by_program(site, fan):
        api = _json(fan_shape(item) | {"shown": shown.as_dict(), "now": now})
    if point in wanted.points:
        time = None if item["time"] is None else rfc3339(item["time"])
        page = _json({"site": site, "fan": fan, "time": time, "now": now, "shown": shown.listed()})
    return Event(FAN, site, fan, fan, point, api=api, page=page)


def _of_alarms(database: Database, alarms: list[dict[str, Any]]) -> list[Event]:
    if not alarms:
        return []
    about = {(alarm["site"], alarm["fan"]) for alarm in alarms}
    with database.read() as connection:
        fans = ((fan.key.site, fan.key.name, fan.searched) for fan in known_in(connection).fans)
        searched = {(site, name): text for site, name, text in fans if (site, name) in about}
    told = []
    for alarm in alarms:
        shaped, where = alarm_shape(alarm), (alarm["site"], alarm["fan"])
        page = _json({name: shaped[name] for name in _ALARM_OF_PAGES})
        told.append(
            Event(ALARM, *where, str(alarm["number"]), searched=searched.get(where, ""), api=_json(shaped), page=page)
        )
    return told


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
