"""A day of the invented farm through the worker: nothing lost, nothing refused that should not be, and what
was stored tells the same story when it is judged again."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from monitor.records import register, tables
from simulated.farm import Farm
from simulated.scenario import load

START = datetime(2026, 10, 28, 22, 0, tzinfo=UTC)


def play(bench: Any, scenario: str, hours: float, kills: bool) -> tuple[Farm, list[Any]]:
    """Feeds a scenario by its own clock, a round every 30 s; killed every two hours if asked for."""
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
        bench.wall += timedelta(seconds=30)
        bench.steady += 30.0
        for letter in farm.advance(bench.wall):
            bench.mid += 1
            received = letter.sent.timestamp() * 1000.0
            one = bench.make(letter.topic_tail, letter.payload, received, mid=bench.mid)
            sent.append(one)
            bench.link.inbox.put(one)
        bench.worker.round()
        rounds += 1
        if kills and rounds % 240 == 0:
            bench.link.inbox.put(sent[-1])  # it comes a second time
            bench.begin().round()
    bench.worker.stop()
    return farm, sent


@pytest.mark.slow
@pytest.mark.parametrize(("scenario", "hours", "kills"), [("meadow", 24.0, True), ("troubles", 26.0, False)])
def test_a_day_of_the_farm(
    bench: Any, replay: Any, make_message: Any, scenario: str, hours: float, kills: bool
) -> None:
    bench.make = make_message
    farm, sent = play(bench, scenario, hours, kills)
    assert {one.mid for one in bench.link.acked} == {one.mid for one in sent}
    # What is refused is refused rightly: NaN is no JSON, and a logger whose clock was put back met one time twice.
    refused = {"meadow": set(), "troubles": {("nan", "not JSON"), ("clock", "two messages for one time")}}[scenario]
    assert set(bench.reasons()) == refused

    stored = {}
    alarms = {row["number"]: row for row in bench.rows(tables.alarms)}
    told: dict[str, list[tuple[str, float]]] = {}
    for row in bench.rows(tables.alarm_changes):
        alarm = alarms[row["alarm_number"]]
        if alarm["condition"] != "logger-overdue" and row["cause"] in ("raised", "returned"):
            told.setdefault(alarm["fan"], []).append((f"{alarm['condition']} {row['cause']}", float(row["at_ms"])))
    for _, fan in farm.nameplates():
        columns = bench.stored(fan)
        stored[fan] = len(columns["t_ms"])
        assert len(set(columns["t_ms"].tolist())) == stored[fan], fan
        limits, changes, kept = replay(bench, fan)
        assert np.array_equal(limits, kept, equal_nan=True), fan
        assert sorted(changes) == sorted(told.get(fan, [])), fan
    sent_readings = Counter(one.topic.split("/")[3] for one in sent)
    assert all(stored[fan] > 0.5 * sent_readings[fan] > 100 for fan in stored if fan not in ("gap-packed",)), stored
    assert told, "a day in which nothing happens proves nothing"

    # runs: none open but those that run now, none over another
    for point in {row["point_id"] for row in bench.rows(tables.runs)}:
        runs = sorted((row["start_ms"], row["end_ms"]) for row in bench.rows(tables.runs) if row["point_id"] == point)
        assert all(run[1] is not None for run in runs[:-1])
        assert all(before[1] < after[0] for before, after in pairwise(runs))
