"""What the worker is given when it starts is what was stored when it stopped."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np

from monitor.alarms.states import State, Suppression
from monitor.records import actions, register, start, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import READY_AFTER_MS, HourPacker
from monitor.records.packing import HOUR_MS
from monitor.records.rows import LoggerNow, Run
from monitor.records.scope import ALL


def test_an_empty_database_begins_at_one(database: Database) -> None:
    began = start.load(database)
    assert (began.next_reading, began.next_run, began.next_alarm, began.next_change) == (1, 1, 1, 1)
    assert began.mark == 0
    assert began.newest_row_ms is None
    nothing = (
        began.sites,
        began.points,
        began.versions,
        began.states,
        began.unfed,
        began.recent,
        began.alarms,
        began.open_runs,
        began.ended_runs,
    )
    assert not any(nothing)


def test_it_finds_everything_again(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    text = make.nameplate + 'supply = "panel"\n'
    register.put_nameplate(database, "meadow", "north", text, valid_from=make.now, by="x", now=make.now)
    batch = make.whole_batch(points["north"])
    batch.runs = [
        Run(1, points["north"], make.ms, True, make.ms + 9, True, 13.0, 0.9, 0.0, "stopped", "sure", ("a",)),
        Run(2, points["north"], make.ms + 50, False),
    ]
    batch.loggers = [LoggerNow(points["north"], make.ms + 200_000, make.ms + 7, 10.0)]
    commit(database, batch)
    number = actions.put(database, "acknowledge", "meadow", {}, "x", make.now)
    began = start.load(database)
    assert [site.site for site in began.sites] == ["meadow"]
    assert [(key.name, key.kind) for key in began.points] == [("north", "fan"), ("south", "fan"), ("panel", "supply")]
    assert [version.version for version in began.versions[points["north"]]] == [1, 2]
    assert began.versions[points["north"]][0].applies_from == make.now + timedelta(milliseconds=1)
    assert began.newest_ms == {points["north"]: make.ms + 200_000}
    assert began.heard_ms == {points["north"]: make.ms + 7}
    assert began.newest_row_ms == make.ms + 7
    assert began.periods == {points["north"]: 10.0}
    assert began.states == {points["north"]: start.State(20, 1, b"state 1")}
    assert began.unfed == {}
    assert began.recent[points["north"]].amps.tobytes() == batch.readings.amps.tobytes()
    assert began.open_runs == [batch.runs[1]]
    assert began.ended_runs == [batch.runs[0]]
    assert began.alarms == batch.alarms
    assert (began.next_reading, began.next_run, began.next_alarm, began.next_change) == (21, 3, 2, 2)
    assert [action.number for action in began.undone] == [number]
    assert began.cursors == {"influx": "1"}
    assert not register.changed_since(database, began.mark)


def test_readings_after_the_saved_state_are_fed_again_in_their_order(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south", "west")
    north = make.rows(points["north"], 1, 30)
    north.flags[[22, 25]] = tables.FLAG_LATE
    commit(database, Batch(readings=north, states={points["north"]: (20, 1, b"x")}))
    commit(database, Batch(readings=make.rows(points["south"], 31, 5)))  # no state was ever saved
    commit(database, Batch(readings=make.rows(points["west"], 36, 5), states={points["west"]: (40, 1, b"x")}))
    for _ in range(2):
        unfed = start.load(database).unfed
        assert {point: rows.number.tolist() for point, rows in unfed.items()} == {
            points["north"]: [21, 22, 24, 25, 27, 28, 29, 30],
            points["south"]: [31, 32, 33, 34, 35],
        }
        HourPacker(database).work(make.ms + 10 * HOUR_MS, math.inf)
    assert start.load(database).next_reading == 41  # also when all are packed


def test_a_supply_points_readings_are_not_fed(database: Database, make: Any) -> None:
    make.farm(database)
    text = make.nameplate + 'supply = "panel"\n'
    register.put_nameplate(database, "meadow", "north", text, valid_from=make.now, by="x", now=make.now)
    panel = next(key.point_id for key in register.points(database, ALL) if key.name == "panel")
    rows = make.rows(panel, 1, 5, amps=np.full((5, 3), math.nan))
    commit(database, Batch(readings=rows, loggers=[LoggerNow(panel, int(rows.t_ms[-1]))]))
    began = start.load(database)
    assert began.unfed == {}
    assert list(began.recent) == [panel]


def test_the_last_while_reaches_over_packed_hours(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 720)
    commit(database, Batch(readings=rows, loggers=[LoggerNow(point, int(rows.t_ms[370]))]))
    HourPacker(database).work(make.ms + HOUR_MS + READY_AFTER_MS, math.inf)
    recent = start.load(database).recent[point]
    window = int(start.WINDOW.total_seconds() * 1000)
    expected = rows.t_ms[(rows.t_ms > rows.t_ms[370] - window)]
    assert recent.t_ms.tolist() == expected.tolist()


def test_of_each_matter_the_last_alarm_comes_back_whole(database: Database, make: Any) -> None:
    make.farm(database, "north", "south")
    told = make.alarm(
        4, state=State.ACKNOWLEDGED, suppression=Suppression.SHELVED, suppressed_until=make.now + timedelta(hours=1),
        suppressed_by="a", suppressed_why="b", cleared=make.now, acknowledged=make.now, acknowledged_by="c", count=3,
        peak=None, value=None, setpoint=None, rings=False, last_notice_priority="highest", untold=2, text="words",
    )  # fmt: skip
    others = [
        make.alarm(2, fan="south"),
        make.alarm(3, condition="low-margin", state=State.NORMAL),
        make.alarm(5, fan=None, supply="panel"),
    ]
    commit(database, Batch(alarms=[make.alarm(1, state=State.NORMAL), told, *others]))
    assert start.load(database).alarms == [others[0], others[1], told, others[2]]
    commit(database, Batch(alarms=[replace(told, state=State.NORMAL, suppression=None)]))
    assert start.load(database).alarms[2] == replace(told, state=State.NORMAL, suppression=None)


def test_runs_of_a_day_are_looked_back_at_and_what_waits_to_be_judged_or_was_the_last(
    database: Database, make: Any
) -> None:
    points = make.farm(database, "north", "south")
    day = 25 * 3_600_000

    def run(number: int, fan: str, before: int, **keys: Any) -> Run:
        ended = make.ms - before
        return Run(number, points[fan], ended - 1000, True, ended, True, 13.0, 0.9, 0.0, **keys)

    waits = {"ending": {"stop_ms": 1.0, "h1": None}}
    runs = [
        run(1, "south", 9 * day, end_cause="stopped", confidence="sure"),
        run(2, "south", 8 * day, end_cause="stopped", confidence="sure"),
        run(3, "north", 7 * day, **waits),
        run(4, "north", day, **waits, end_cause="stopped", confidence="high"),
        run(5, "north", day - 1, **waits, end_cause="stopped", confidence="high", evidence=("a", "b")),
        run(6, "north", 0),
    ]
    commit(database, Batch(runs=[*runs, Run(7, points["north"], make.ms, False)]))
    assert start.load(database).ended_runs == [runs[1], runs[2], runs[4], runs[5]]
