"""However a stream of messages is cut into rounds, and wherever the service is killed: the same is found and stored."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from monitor.records import tables
from monitor.records.database import open_database

AMPS = {"stopped": 0.0, "light": 6.0, "near": 9.7, "over": 11.0}
PANEL = {
    "even": (460.0, 460.0, 460.0),
    "uneven": (480.0, 460.0, 440.0),
    "bad": (500.0, 460.0, 400.0),
    "lost": (460.0, 10.0, 460.0),
    "silent": None,
}
SEGMENT = st.tuples(
    st.sampled_from(sorted(AMPS)),
    st.sampled_from(sorted(PANEL)),
    st.integers(1, 8),
    st.sampled_from((0, 0, 0, 45, 400)),
)
DISTURBANCE = st.sampled_from(("take", "take", "commit", "kill", "stored, kill"))


def stream(bench: Any, segments: list[tuple[str, str, int, int]]) -> list[tuple[float, str, dict[str, Any]]]:
    """Messages as (seconds, point, payload) in order of arrival; within each point in order of time."""
    messages: list[tuple[float, str, dict[str, Any]]] = []
    at = 0.0
    for amps, panel, steps, gap in segments:
        at += gap
        for step in range(steps):
            at += 10.0
            volts = PANEL[panel]
            if volts is not None:
                messages.append((at, "panel", bench.reading(at - 4.0, None, volts=list(volts))))
            if step % 3 == 0:
                messages.append((at, "yard", bench.reading(at - 6.0, None, ambient_c=3.0 + step)))
            legs = [AMPS[amps], AMPS[amps] * 1.01, None if step == 4 else AMPS[amps] * 0.99]
            messages.append((at, "north", bench.reading(at, legs)))
            own = list(volts) if volts is not None else [460.0, None, 460.0]
            messages.append((at, "south", bench.reading(at + 1.0, 9.0 if amps == "light" else AMPS[amps], volts=own)))
            if volts is not None and step % 2:
                # newer than the fan's reading: must not be joined to it, however it is cut
                messages.append((at, "panel", bench.reading(at + 2.0, None, volts=[one + 2.0 for one in volts])))
    return messages


def outcome(bench: Any) -> dict[str, Any]:
    """All that must be the same."""
    found: dict[str, Any] = {}
    for name in ("north", "south", "panel", "yard"):
        columns = bench.stored(name)
        order = np.argsort(columns["number"])
        found[name] = {
            key: [repr(value) for value in columns[key][order].tolist()] for key in columns if key != "number"
        }
    alarms = {row["number"]: (row["fan"], row["condition"]) for row in bench.rows(tables.alarms)}
    changes: dict[Any, list[Any]] = {}
    for row in bench.rows(tables.alarm_changes):
        change = (row["from_state"], row["to_state"], row["cause"], row["at_ms"])
        changes.setdefault(alarms[row["alarm_number"]], []).append(change)
    found["changes"] = changes
    found["runs"] = sorted(
        tuple(row[key] for key in ("point_id", "start_ms", "start_seen", "end_ms", "end_seen", "peak_amps", "gap_ms"))
        for row in bench.rows(tables.runs)
    )
    found["states"] = [bench.worker.plant.states[bench.worker.plant.by_name["home", one].row].tobytes() for one in
                       ("north", "south")]  # fmt: skip
    # What is told to whom; what of it goes together in one notice hangs on the clock.
    found["tellings"] = sorted((row["route"], json.loads(row["wanted"])["kind"]) for row in bench.rows(tables.tellings))
    return found


@contextmanager
def fresh(template: Path, make: Any) -> Iterator[Any]:
    with tempfile.TemporaryDirectory() as place:
        shutil.copy(template, Path(place) / "monitor.db")
        url = f"sqlite:///{place}/monitor.db"
        database = open_database(url)
        try:
            yield make(url, database)
        finally:
            database.close()


def play(bench: Any, messages: list[tuple[float, str, dict[str, Any]]], actions: list[tuple[int, str, int]]) -> None:
    """Sends the messages; after message n does what stands for n: (n, what, how many come twice)."""
    start = bench.wall
    bench.begin().round()
    todo = {n % len(messages): (what, twice) for n, what, twice in actions}
    sent: list[Any] = []
    for number, (at, name, payload) in enumerate(messages):
        bench.wall = start + timedelta(seconds=at)
        one = bench.message(name, payload)
        sent.append(one)
        bench.link.inbox.put(one)
        what, twice = todo.get(number, ("", 0))
        if what in ("take", "commit", "stored, kill"):
            bench.steady += 0.01 if what == "take" else 1.01
            bench.worker.round()
        if what.endswith("kill"):
            acked = {one.mid for one in bench.link.acked}
            unacked = [one for one in sent if one.mid not in acked]
            bench.link.inbox.take(10**6)
            again = [one for one in sent if one.mid in acked][-twice:] if twice else []
            bench.begin()
            for one in (*again, *unacked):
                bench.link.inbox.put(one)
    bench.steady += 1.01
    bench.worker.round()
    bench.worker.store()
    assert {one.mid for one in bench.link.acked} == {one.mid for one in sent}


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    segments=st.lists(SEGMENT, min_size=2, max_size=7),
    disturbances=st.lists(st.tuples(st.integers(0, 250), DISTURBANCE, st.integers(0, 12)), max_size=25),
)
@example(
    segments=[("light", "even", 8, 0), ("over", "uneven", 8, 0), ("stopped", "bad", 8, 400), ("near", "silent", 8, 0)],
    disturbances=[(7, "take", 0), (20, "commit", 0), (33, "kill", 5), (60, "commit", 0), (61, "kill", 12)],
)
@example(  # killed once the supply point's period is known: other intervals later must not teach another one
    segments=[
        ("light", "bad", 7, 0), ("light", "bad", 1, 0), ("light", "bad", 2, 0), ("light", "bad", 2, 0),
        ("light", "bad", 5, 0), ("light", "silent", 2, 0), ("light", "bad", 5, 0),
    ],
    disturbances=[(26, "stored, kill", 11)],
)  # fmt: skip
@example(  # stored, killed, and the supply point is silent afterwards: its last readings must still stand
    segments=[("light", "uneven", 4, 0), ("light", "silent", 4, 0)], disturbances=[(15, "stored, kill", 0)]
)
def test_any_cutting_and_any_kill_finds_and_stores_the_same(
    template: Path, bench_of: Any, segments: Any, disturbances: Any
) -> None:
    with fresh(template, bench_of) as calm, fresh(template, bench_of) as rough:
        messages = stream(calm, segments)
        play(calm, messages, [(n, "commit" if n % 4 == 0 else "take", 0) for n in range(len(messages))])
        play(rough, messages, disturbances)
        expected = outcome(calm)
        assert outcome(rough) == expected
        for condition in {condition for _, condition in expected["changes"]}:
            event(condition)
        event(f"{min(len(expected['runs']), 3)} runs")


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    segments=st.lists(SEGMENT, min_size=2, max_size=5),
    again=st.lists(st.tuples(st.integers(0, 250), st.integers(1, 40)), max_size=8),
    late=st.lists(st.tuples(st.integers(0, 250), st.integers(1, 400), st.sampled_from((0.0, 9.0, 30.0))), max_size=12),
)
@example(
    segments=[("over", "even", 8, 0), ("light", "even", 8, 400), ("over", "even", 8, 0)],
    again=[(20, 20)], late=[(25, 7, 30.0), (40, 333, 30.0), (44, 340, 0.0)],
)  # fmt: skip
def test_doubled_and_late_readings_change_nothing_live(
    template: Path, bench_of: Any, segments: Any, again: Any, late: Any
) -> None:
    with fresh(template, bench_of) as calm, fresh(template, bench_of) as rough:
        messages = stream(calm, segments)
        quiet = [(n, "commit" if n % 4 == 0 else "take", 0) for n in range(len(messages))]
        play(calm, messages, quiet)
        expected = outcome(calm)
        told = {(row["change_number"], row["route"]) for row in calm.rows(tables.tellings)}
        more: dict[int, list[tuple[str, dict[str, Any]]]] = {}
        for place, count in again:
            place %= len(messages)
            sent = [(name, payload) for _, name, payload in messages[: place + 1] if name in ("north", "south")]
            more.setdefault(place, []).extend(sent[-count:])
        for place, back, amps in late:  # older than the newest, and at no time that a reading has
            place %= len(messages)
            before = [payload["t"] for _, name, payload in messages[: place + 1] if name == "north"]
            if before:
                one = {**rough.reading(0, amps), "t": before[-1] - back - 0.5}
                more.setdefault(place, []).append(("north", one))
        fed = [name for _, name, _ in messages].count("north")
        mixed: list[tuple[float, str, dict[str, Any]]] = []
        for number, message in enumerate(messages):
            mixed += [message, *((message[0], *extra) for extra in more.get(number, []))]
        play(rough, mixed, [(n, "commit" if n % 3 == 0 else "take", 0) for n in range(len(mixed))])
        found = outcome(rough)
        for key in ("changes", "runs", "states", "tellings", "panel", "yard", "south"):
            assert found[key] == expected[key], key
        rows = rough.stored("north")
        live = np.argsort(rows["number"])[(rows["flags"][np.argsort(rows["number"])] & 1) == 0]
        for key in ("t_ms", "amps", "volts", "limit_amps", "version"):
            assert [repr(one) for one in rows[key][live].tolist()] == expected["north"][key], key
        assert len(live) == fed
        assert {(row["change_number"], row["route"]) for row in rough.rows(tables.tellings)} == told
        event(f"late {int((rows['flags'] & 1).sum())}, repeats {min(rough.logger('north')['repeats'], 1)}")


def test_the_stream_shows_every_condition_of_the_table(template: Path, bench_of: Any) -> None:
    """Else the property above would hold for want of anything happening."""
    segments = [
        ("light", "even", 8, 0), ("over", "even", 8, 0), ("near", "even", 8, 0), ("light", "uneven", 8, 0),
        ("light", "bad", 12, 0), ("stopped", "even", 8, 400), ("light", "silent", 8, 0),
    ]  # fmt: skip
    with fresh(template, bench_of) as calm:
        messages = stream(calm, segments)
        play(calm, messages, [(n, "commit" if n % 4 == 0 else "take", 0) for n in range(len(messages))])
        found = outcome(calm)
        seen = {condition for _, condition in found["changes"]}
        assert seen == {"overload", "low-margin", "voltage-unbalance", "voltage-unbalance-severe", "stopped"}
        assert any(change[2] == "returned" for change in found["changes"]["north", "overload"])
        assert len(found["runs"]) >= 4 and found["north"]["flags"].count("10") > 20
        assert calm.logger("north")["repeats"] == 0 and calm.reasons() == {}
