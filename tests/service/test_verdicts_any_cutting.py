"""However the messages are cut into rounds, and wherever the service is killed: the same verdicts."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from monitor.records import tables
from monitor.records.database import open_database
from tests.service.verdict_farm import DARK, FED, HOUR, VOLTS, Legs

STATES: dict[str, tuple[Legs, Mapping[str, Any]]] = {
    "runs": (9.0, FED), "hot": (16.0, FED), "off": (0.0, FED),
    "dark": (0.0, DARK), "runs, no volts": (9.0, {}), "hot, no volts": (16.0, {}),
    "off, no volts": (0.0, {}), "two legs": ((16.0, 0.1, 15.9), {}), "not wanted": (0.0, {"called": 0}),
}  # fmt: skip
FANS = ("north", "south", "east")
COURSE = st.lists(st.tuples(st.sampled_from(sorted(STATES)), st.integers(1, 14)), min_size=2, max_size=5)


@pytest.fixture
def three_fans(tmp_path: Path, bench_of: Any) -> Path:
    """A database with a plant in it, to be copied."""
    path = tmp_path / "three.db"
    database = open_database(f"sqlite:///{path}")
    made = bench_of("", database)
    for name, control, supply in (("north", "continuous", "panel"), ("south", "continuous", "panel"),
                                  ("east", "cycled", "panel")):  # fmt: skip
        made.register(name, PLATE.format(control=control, supply=supply))
    database.close()
    return path


PLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
service_factor = 1.0
[protection]
type = "overload relay"
trip_class = 5
setting_amps = 10.0
[fan]
control = "{control}"
supply = "{supply}"
[logger]
period_seconds = 10
"""


def told(
    bench: Any, courses: Sequence[Sequence[tuple[str, int]]], lags: Sequence[int], cuts: Sequence[int],
    kills: Sequence[int],
) -> Any:  # fmt: skip
    """What is stored when the messages of all fans are taken so many at a time, and the service is killed there.

    lags : by how many seconds each fan's messages come later than those of the others
    """
    messages: list[tuple[float, int, Any]] = []
    for n, course in enumerate(courses):
        at = 0.0
        for state, steps in course:
            amps, more = STATES[state]
            for _ in range(steps):
                at += 10.0
                messages.append((at + n + lags[n], n, bench.reading(HOUR + at + n, amps, **more)))
        for _ in range(14):  # until every verdict is due
            at += 10.0
            messages.append((at + n + lags[n], n, bench.reading(HOUR + at + n, 0.0)))
        messages.append((1000.0 + n, n, bench.reading(HOUR + 1000.0 + n, 0.0)))
    messages.sort(key=lambda one: one[0])
    bench.begin().round()
    bench.wall += timedelta(seconds=HOUR)
    for n, fan in enumerate(FANS):
        bench.put(fan, [bench.reading(10.0 * step + n, 9.0, volts=VOLTS) for step in range(int(HOUR // 10))])
    bench.steady += 1.01
    bench.worker.round()
    bench.wall += timedelta(seconds=1010)
    begin, turn = 0, 0
    while begin < len(messages):
        size = cuts[turn % len(cuts)]
        for _, n, payload in messages[begin : begin + size]:
            bench.put(FANS[n], payload)
        bench.steady += 1.01
        bench.worker.round()
        begin, turn = begin + size, turn + 1
        if turn in kills:
            bench.begin()
    bench.worker.store()
    runs = [
        tuple(row[name] for name in ("point_id", "start_ms", "end_ms", "end_cause", "confidence", "evidence", "ending"))
        for row in bench.rows(tables.runs, "point_id", "start_ms")
    ]
    alarms = {row["number"]: (row["condition"], row["fan"] or row["supply"]) for row in bench.rows(tables.alarms)}
    changes: dict[Any, list[Any]] = {}
    for row in bench.rows(tables.alarm_changes):
        whose = alarms[row["alarm_number"]]
        if whose[0] in ("tripped", "stopped", "supply-lost"):
            changes.setdefault(whose, []).append((row["from_state"], row["to_state"], row["cause"], row["at_ms"]))
    return runs, changes


@settings(max_examples=5, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    courses=st.tuples(COURSE, COURSE, COURSE),
    lags=st.just((0, 0, 0)) | st.tuples(st.just(0), st.integers(0, 90), st.integers(0, 90)),
    cuts=st.lists(st.integers(1, 60), min_size=1, max_size=6),
    kills=st.lists(st.integers(0, 30), max_size=4),
)
@example(  # a trip, restarted, and tripped again while the others run on
    courses=([("hot", 12), ("off", 8), ("hot", 14), ("off", 3)], [("runs", 40)], [("runs", 40)]),
    lags=(0, 0, 0), cuts=[200], kills=[],
)  # fmt: skip
@example(  # all fall without volts; one runs again
    courses=([("runs, no volts", 12), ("off, no volts", 10), ("runs, no volts", 12)],
             [("runs, no volts", 12), ("off, no volts", 30)], [("runs, no volts", 5), ("off, no volts", 5)]),
    lags=(0, 0, 0), cuts=[1, 50], kills=[9],
)  # fmt: skip
@example(  # what stood since an earlier end clears while the next one waits
    courses=([("dark", 24)], [("hot", 3), ("off", 9), ("runs", 3), ("off", 7), ("not wanted", 4)], [("dark", 18)]),
    lags=(0, 0, 0), cuts=[59, 27], kills=[],
)  # fmt: skip
@example(  # what stood since an earlier end is told by a lost phase while the next one waits
    courses=([("dark", 19), ("runs, no volts", 4), ("off, no volts", 9), ("two legs", 5)], [("dark", 25)],
             [("dark", 22)]),
    lags=(0, 0, 0), cuts=[1, 60], kills=[],
)  # fmt: skip
@example(  # the supply goes and comes back
    courses=([("hot", 12), ("dark", 10), ("runs", 12)], [("runs", 12), ("dark", 4), ("off", 20)], [("dark", 30)]),
    lags=(0, 0, 25), cuts=[7, 31], kills=[2, 3],
)  # fmt: skip
def test_any_cutting_and_any_kill_gives_the_same_verdicts(
    three_fans: Path, bench_of: Any, courses: Any, lags: Any, cuts: Any, kills: Any
) -> None:
    outcomes = []
    for sizes, kill in (([1], []), (cuts, kills)):
        with tempfile.TemporaryDirectory() as place:
            shutil.copy(three_fans, Path(place) / "monitor.db")
            url = f"sqlite:///{place}/monitor.db"
            database = open_database(url)
            try:
                outcomes.append(told(bench_of(url, database), courses, lags, sizes, kill))
            finally:
                database.close()
    if any(lags):
        # One alarm of several fans goes by what is heard first; in which order lagging fans are heard is a matter of
        # the cutting. Verdicts, and what is told by them alone, are not.
        for _, changes in outcomes:
            for whose in [whose for whose in changes if whose[0] != "tripped"]:
                del changes[whose]
    assert outcomes[0] == outcomes[1]
    runs, changes = outcomes[0]
    assert all(cause is not None for *_, end_ms, cause, _, _, _ in runs if end_ms is not None)
    for *_, cause, confidence, _, _ in runs:
        event(f"{cause}, {confidence}")
    for condition, _ in changes:
        event(condition)
