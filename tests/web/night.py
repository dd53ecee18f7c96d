"""An invented night of four farms, as a service desk finds it at 06:30: written through the real database rooms."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import sqlalchemy as sa

from monitor.alarms.alarm import Acknowledge, Alarm, Raised, Returned, Shelve
from monitor.records import jobs, tables
from monitor.records.commit import Batch, commit
from monitor.records.jobs import NewJob
from monitor.records.out_of_service import REMOVED, ServiceChange
from monitor.records.rows import LoggerNow, to_ms
from monitor.watch.table import BY_ID
from tests.plates import TEN_HP
from tests.web.farm import NAN, SINGLE_PHASE, THREE_PHASE, Farm, mild_overload
from tests.web.notices import tell

SIX_THIRTY = datetime(2026, 10, 5, 11, 30, tzinfo=UTC)
"""06:30 CDT of a Monday."""
ON_YARD = THREE_PHASE + 'supply = "yard"\n'
NO_BLADES = TEN_HP
SUPPLY_VOLTS = 2
OVERLOADED = (
    "Very likely an overload trip: the device image was the highest of this run (1.37 of setting squared) and volts "
    "stayed."
)


def at(clock: str, day: int = 5) -> datetime:
    """A local time of the night in Chicago, of October 5 or another day."""
    hour, minute = map(int, clock.split(":"))
    return datetime(2026, 10, day, hour, minute, tzinfo=UTC) + timedelta(hours=5)


def happens(
    farm: Farm, fan: str | None, condition: str, begins: datetime, ends: datetime | None = None, *,
    site: str = "meadow", supply: str | None = None, value: float | None = 1.0, peak: float | None = None,
    text: str = "",
) -> Alarm:  # fmt: skip
    """An alarm that is raised, and is over where an end is given."""
    row = BY_ID[condition]
    farm.now = begins
    raised = Raised(condition, begins, begins, value, row.setpoint, peak if peak is not None else value, row.priority,
                    row.rings)  # fmt: skip
    alarm = farm.event(fan, condition, raised, site, text or f"{fan or supply or site}: {row.words}", supply)
    if ends is not None:
        farm.now = ends
        alarm = farm.event(fan, condition, Returned(ends), site, supply=supply)
    farm.now = SIX_THIRTY
    return alarm


def still(farm: Farm, fan: str, since: datetime, site: str = "meadow", flags: int = 0) -> None:
    """A fan that stands still since then."""
    farm.reading(fan, (0.0, 0.0, 0.0), site=site, running=False, since=since, flags=flags)


def job(farm: Farm, fan: str, pitch_to: float | None, inserts: int | None, why: str, site: str = "meadow") -> None:
    """An open job sheet."""
    new = NewJob(farm.point(fan, site), to_ms(farm.now - timedelta(hours=14)), "Ann", 21.0, pitch_to, inserts, why, {})
    with farm.database.begin() as connection:
        jobs.write(connection, [new], [])


def fails(farm: Farm, alarm: Alarm, route: str = "desk", made: datetime | None = None) -> None:
    """A notice of an alarm that was given up."""
    (notice,) = tell(farm, alarm, route=route, at=made or alarm.raised)
    table = tables.notices
    with farm.database.begin() as connection:
        connection.execute(sa.update(table).where(table.c.id == notice.id).values(state="failed", tries=9))


def a_night(farm: Farm) -> dict[str, Any]:
    """Meadow farm has a trip, a lost and unbalanced supply, a fan over its limit; Ridge a fan that trips again and
    again and a link that is down; Hill is well, one fan of it out of service; Brook has a new logger. Returns alarms
    by name."""
    farm.now = SIX_THIRTY
    farm.site()
    farm.site("ridge", "Ridge farm")
    farm.site("hill", "Hill", "si", "Europe/Berlin")
    farm.site("brook", "Brook")
    return {**_meadow(farm), **_ridge(farm), **_the_others(farm)}


def _meadow(farm: Farm) -> dict[str, Any]:
    made = {}
    for fan, plate in (("north-3", THREE_PHASE), ("north-4", THREE_PHASE), ("north-5", ON_YARD), ("north-6", ON_YARD),
                       ("north-7", ON_YARD), ("south-1", SINGLE_PHASE), ("south-2", THREE_PHASE)):  # fmt: skip
        farm.fan(fan, plate)
    farm.run("north-3", at("18:20", 3), at("02:10"), peak_amps=16.4, peak_ratio=1.08, end_cause="overload trip",
             confidence="high", evidence=(OVERLOADED,))  # fmt: skip
    still(farm, "north-3", at("02:10"))
    made["north-3"] = happens(farm, "north-3", "tripped", at("02:11"), text="north-3 tripped at 02:10")
    farm.reading("north-4", (15.6, 15.1, 14.9), (452.0, 449.0, 447.0), since=at("18:00", 3), heat=(0.97, 0.92, 1500.0))
    farm.estimate("north-4", mild_overload())
    made["north-4"] = happens(farm, "north-4", "overload", at("04:50"), value=1.02, peak=1.04)
    job(farm, "north-4", 18.0, 6, "103 % of its limit in three nights")
    commit(farm.database, Batch(loggers=[LoggerNow(farm.point("yard"), to_ms(farm.now), period_seconds=10.0)]))
    # The yard's supply was away; north-7 had stood before.
    made["yard"] = happens(farm, None, "supply-lost", at("03:05"), at("03:42"), supply="yard", value=2.0)
    farm.event(None, "supply-lost", Acknowledge("Ben"), supply="yard")
    for fan in ("north-5", "north-6"):
        farm.run(fan, at("06:00", 3), at("03:05"), end_cause="supply lost", confidence="sure")
    farm.run("north-5", at("03:44"))
    farm.reading("north-5", (12.4, 11.2, 11.9), (468.0, 452.0, 447.0), since=at("03:44"), flags=SUPPLY_VOLTS)
    still(farm, "north-6", at("03:05"), flags=SUPPLY_VOLTS)
    farm.run("north-7", at("06:00", 3), at("21:00", 4), end_cause="stopped", confidence="high")
    still(farm, "north-7", at("21:00", 4), flags=SUPPLY_VOLTS)
    happens(farm, "north-5", "voltage-unbalance", at("20:12", 4), at("22:00", 4), value=3.2, peak=3.4)
    made["north-5"] = happens(farm, "north-5", "voltage-unbalance", at("05:10"), value=3.1, peak=3.8)
    farm.reading("south-1", (31.0,), (229.0,), at=at("00:40"))
    made["south-1"] = happens(farm, "south-1", "logger-overdue", at("00:50"))
    farm.reading("south-2", (10.1, 10.0, 10.3))
    farm.event("south-2", "many-starts", Raised("many-starts", farm.now, farm.now, 8.0, 7.0, 8.0, "medium"))
    farm.event("south-2", "many-starts", Shelve("Ann", farm.now + timedelta(hours=20), "humidistat is on order"))
    return made


def _ridge(farm: Farm) -> dict[str, Any]:
    made = {}
    for fan, plate in (("west-1", THREE_PHASE), ("west-2", THREE_PHASE), ("west-3", NO_BLADES)):
        farm.fan(fan, plate, "ridge")
    for begins, ends in (("20:00", "23:15"), ("23:40", "01:20")):
        day = 4 if begins < "24" and begins != "01:20" else 5
        farm.run("west-1", at(begins, day), at(ends, 4 if ends > "12" else 5), site="ridge", end_cause="overload trip",
                 confidence="likely", evidence=("Likely an overload trip. Not proven.",))  # fmt: skip
    made["west-1"] = happens(farm, "west-1", "tripped", at("01:21"), at("01:45"), site="ridge", text="west-1 tripped")
    farm.run("west-1", at("01:45"), site="ridge")
    farm.reading("west-1", (13.0, 12.8, 13.1), site="ridge", since=at("01:45"))
    fails(farm, made["west-1"])
    farm.reading("west-2", (12.0, 11.8, 12.1), site="ridge")
    farm.reading("west-3", (11.0, 10.8, 11.1), site="ridge")
    job(farm, "west-2", 18.0, 6, "trips on cold nights", "ridge")
    job(farm, "west-3", 18.0, None, "near its limit", "ridge")
    made["west-3"] = happens(farm, "west-3", "leg-spread", at("05:00"), site="ridge", value=12.0,
                             text="west-3: current unbalance 12 %")  # fmt: skip
    for hour in ("20:00", "21:30", "23:00"):
        began = at(hour, 4)
        happens(farm, "west-2", "logger-overdue", began, began + timedelta(minutes=12), site="ridge")
    return made


def _the_others(farm: Farm) -> dict[str, Any]:
    farm.fan("east-1", site="hill")
    farm.reading("east-1", (9.0, 9.1, 9.0), site="hill")
    farm.fan("east-2", site="hill")
    still(farm, "east-2", at("12:00", 1), "hill")
    made = {"east-2": happens(farm, "east-2", "stopped", at("12:01", 1), site="hill")}
    out = ServiceChange("hill", "east-2", REMOVED, at("12:30", 1), at("07:00", 9), "Ben", "new bearings", None)
    commit(farm.database, Batch(out_of_service=[out]))
    farm.fan("creek-1", site="brook")
    farm.reading("creek-1", (8.0, 8.1, 8.0), site="brook")
    farm.fan("creek-2", site="brook")
    commit(farm.database, Batch(loggers=[LoggerNow(farm.point("creek-2", "brook"), status="offline")]))
    return made


__all__ = ["NAN", "SIX_THIRTY", "a_night", "at", "fails", "happens", "job", "still"]
