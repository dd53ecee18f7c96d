"""A night of the invented farm through the worker: nothing lost, nothing refused that should not be, and what
was stored tells the same story when it is judged again."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from monitor.records import register, tables
from monitor.records.replay import JUDGED, replay, told
from monitor.service.intake import LATE
from monitor.watch import layout
from monitor.watch.columns import Change, Ending
from monitor.watch.ends import OVERLOAD_TRIP
from simulated.farm import Farm
from simulated.scenario import load

START = datetime(2026, 10, 28, 22, 0, tzinfo=UTC)


def play(bench: Any, scenario: str, hours: float, kills: bool) -> tuple[Farm, list[Any]]:
    """Feeds a scenario by its own clock, a round every minute; killed every two hours if asked for.

    Other cuts: `test_any_cutting.py`.
    """
    farm = Farm(load(scenario), START, 7)
    bench.wall = START
    for key, site in farm.sites().items():
        register.put_site(
            bench.database,
            register.Site(key, site["name"], site["time_zone"], site["altitude_m"], site["units"], "17:00"),
            START,
        )
    for (site, fan), text in farm.nameplates().items():
        register.put_nameplate(
            bench.database, site, fan, text, valid_from=START - timedelta(days=1), by="someone", now=START
        )
    bench.begin().round()
    sent = []
    end = START + timedelta(hours=hours)
    rounds = 0
    while bench.wall < end:
        bench.wall += timedelta(seconds=60)
        bench.steady += 60.0
        for letter in farm.advance(bench.wall):
            bench.mid += 1
            received = letter.sent.timestamp() * 1000.0
            one = bench.make(letter.topic_tail, letter.payload, received, mid=bench.mid)
            sent.append(one)
            bench.link.inbox.put(one)
        bench.worker.round()
        rounds += 1
        if kills and rounds % 120 == 0:
            bench.link.inbox.put(sent[-1])  # it comes a second time
            bench.begin().round()
    bench.worker.stop()
    return farm, sent


# Told by a verdict that waits for the other fans, or by the clock; all else is told as the kernel says it.
NOT_DIRECT = ("stopped", "supply-lost", "tripped", "logger-overdue", "site-silent", "not-run")


def alarms_told(bench: Any) -> dict[str, list[tuple[str, str, float]]]:
    """Fan -> what the stored changes of its alarms say was raised and returned, and when, in order."""
    alarms = {row["number"]: row for row in bench.rows(tables.alarms)}
    told: dict[str, list[tuple[str, str, float]]] = {}
    for row in bench.rows(tables.alarm_changes):
        alarm = alarms[row["alarm_number"]]
        if alarm["value"] == layout.CLOCK_OFF and alarm["condition"] == "logger-suspect":
            continue  # by the clock as well
        if alarm["condition"] not in NOT_DIRECT and row["cause"] in ("raised", "returned"):
            told.setdefault(alarm["fan"], []).append((alarm["condition"], row["cause"], float(row["at_ms"])))
    return {fan: sorted(changes) for fan, changes in told.items()}


def alarms_of(changes: list[Change]) -> list[tuple[str, str, float]]:
    return sorted(one for one in told(changes) if one[0] not in NOT_DIRECT)


def runs_of(changes: list[Change]) -> list[tuple[Any, ...]]:
    """Start, whether it was seen, last running reading, whether the end was seen, peaks, gaps and what speaks for how
    it ended, of each run; the last one may be open."""
    runs: list[tuple[Any, ...]] = []
    for one in changes:
        if one.what == layout.RUN_STARTED:
            runs.append((one.at_ms, one.setpoint == 1.0, None, None, None, None, None, None))
        elif one.what == layout.RUN_ENDED and one.ending is not None:
            figures = (one.peak, one.value, one.gap_ms, known(asdict(one.ending)))
            runs[-1] = (*runs[-1][:2], one.at_ms, one.setpoint == 1.0, *figures)
    return runs


def known(ending: dict[str, Any]) -> dict[str, float]:
    return {name: float(value) for name, value in ending.items() if value == value}


def runs_stored(bench: Any, fan: str) -> list[tuple[Any, ...]]:
    names = ("start_ms", "start_seen", "end_ms", "end_seen", "peak_amps", "peak_ratio", "gap_ms")
    found = []
    for row in bench.rows(tables.runs):
        if row["point_id"] == bench.point_id(fan):
            kept = json.loads(row["ending"]) if row["ending"] else {}
            kept = {name: value for name, value in kept.items() if name in Ending.__dataclass_fields__}
            ending = known({name: value for name, value in kept.items() if value is not None})
            found.append((*(row[name] for name in names), None if row["end_ms"] is None else ending))
    return found


# So long that each scenario's last event is over, and supper and midnight are passed.
@pytest.mark.slow
@pytest.mark.parametrize(("scenario", "hours", "kills"), [("meadow", 10.0, True), ("troubles", 13.0, False)])
def test_a_night_of_the_farm(bench: Any, make_message: Any, scenario: str, hours: float, kills: bool) -> None:
    bench.make = make_message
    farm, sent = play(bench, scenario, hours, kills)
    assert {one.mid for one in bench.link.acked} == {one.mid for one in sent}
    # What is refused is refused rightly: NaN is no JSON, and a logger whose clock was put back met one time twice.
    refused = {"meadow": set(), "troubles": {("nan", "not JSON"), ("clock", "two messages for one time")}}[scenario]
    assert set(bench.reasons()) == refused

    stored = {}
    stored_alarms, runs = alarms_told(bench), bench.rows(tables.runs)
    for _, fan in farm.nameplates():
        columns = bench.stored(fan)
        stored[fan] = len(columns["t_ms"])
        assert len(set(columns["t_ms"].tolist())) == stored[fan], fan
        again = replay(bench.database, bench.point_id(fan), 0, 10**13, JUDGED)
        assert np.array_equal(np.round(again.judged.limit, 3), again.rows.limit_amps, equal_nan=True), fan
        for name, steps in (("unbalance", 100), ("motor_heat", 1000), ("device_heat", 1000)):
            found = np.rint(getattr(again.judged, name) * steps) / steps
            assert np.array_equal(found, getattr(again.rows, name), equal_nan=True), (fan, name)
        assert again.rows.running.tolist() == ((again.judged.flags & layout.IS_RUNNING) != 0).tolist(), fan
        assert again.version.tolist() == again.rows.version.tolist() and (again.rows.flags & LATE == 0).all()
        kept, found = stored_alarms.get(fan, []), alarms_of(again.changes)
        if any(row["point_id"] == bench.point_id(fan) and row["end_cause"] == OVERLOAD_TRIP for row in runs):
            # near the current at which its device opened it is told sooner than the watch does (`service/opened.py`)
            kept, found = ([one for one in some if one[0] != "device-margin"] for some in (kept, found))
        assert found == kept, fan
        assert runs_of(again.changes) == runs_stored(bench, fan), fan
    sent_readings = Counter(one.topic.split("/")[3] for one in sent)
    assert all(stored[fan] > 0.5 * sent_readings[fan] > 100 for fan in stored if fan not in ("gap-packed",)), stored
    assert stored_alarms, "a night in which nothing happens proves nothing"

    # runs: none open but those that run now, none over another
    for point in {row["point_id"] for row in bench.rows(tables.runs)}:
        spans = sorted((row["start_ms"], row["end_ms"]) for row in bench.rows(tables.runs) if row["point_id"] == point)
        assert all(run[1] is not None for run in spans[:-1])
        assert all(before[1] < after[0] for before, after in pairwise(spans))
