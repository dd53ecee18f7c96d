"""All of a batch or nothing of it, whatever happens on the way."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.errors import LinkError
from monitor.records import actions, register, start, tables
from monitor.records import commit as module
from monitor.records.commit import Batch, commit, printable
from monitor.records.database import Database, open_database
from monitor.records.rows import LoggerNow, Newcomer, ReadingRows, Rejected
from monitor.records.scope import ALL
from tests.records.killed import Killed, done_before

Contents = Callable[[Database], dict[str, list[tuple[Any, ...]]]]


def test_a_whole_batch_is_stored_as_given(database: Database, make: Any, contents: Contents) -> None:
    point = make.farm(database, "north")["north"]
    actions.put(database, "acknowledge", "meadow", {"number": 1}, "someone", make.now)
    batch = make.whole_batch(point)
    batch.readings.limit_amps[:] = 14.26 / 1.07 * 1.07 + 4e-4  # worked out: kept to 1 mA, so that hours pack well
    commit(database, batch)
    stored = contents(database)
    assert len(stored["readings"]) == 20
    first = stored["readings"][0]
    assert first[:3] == (1, point, make.ms + 10_000)
    assert first[3:9] == (*batch.readings.amps[0], *batch.readings.volts[0])
    assert first[9:14] == (3.5, None, 14.26, 1, 0)  # `called` was missing
    for place, name in enumerate(("unbalance", "motor_heat", "device_heat", "running"), 14):
        kept = [math.nan if row[place] is None else float(row[place]) for row in stored["readings"]]
        assert np.array_equal(kept, getattr(batch.readings, name), equal_nan=True), name
    assert any(row[16] is None for row in stored["readings"]) and any(row[17] == 0 for row in stored["readings"])
    assert stored["watch_states"] == [(point, 20, 1, b"state 1")]
    assert [row[0:3] for row in stored["runs"]] == [(0, 1, point)]
    assert stored["alarms"][0][2:7] == (point, "meadow", "north", None, "overload")
    assert stored["alarm_changes"][0][:4] == (0, 1, 1, "NORMAL")
    assert stored["notices"][0][0] == "0-1-1-farm-0"
    assert stored["actions"][0][-2:] == (make.ms, "done")
    assert stored["loggers"] == [(point, make.ms, make.ms, 10.0, "online", make.ms, 20, 0, 1, 0)]
    assert stored["register_versions"][0][3] == make.ms + 1  # applies_from as the worker took it up
    assert stored["newcomers"][0][:5] == ("meadow", "new-one", make.ms, make.ms, 2)
    assert stored["cursors"] == [("influx", "1")]


def test_killed_at_every_statement_nothing_is_left_and_it_can_be_tried_again(
    database: Database, make: Any, contents: Contents
) -> None:
    point = make.farm(database, "north")["north"]
    actions.put(database, "acknowledge", "meadow", {"number": 1}, "someone", make.now)
    commit(database, make.whole_batch(point, 1))  # so that each table holds rows that could be spoilt
    before = contents(database)
    batch = make.whole_batch(point, 100)
    statements = 0
    # Before each statement, and after it: a statement that was executed and not yet committed counts as well.
    for when in ("before_cursor_execute", "after_cursor_execute"):
        for statement in range(1000):
            if done_before(statement, database, lambda batch=batch: commit(database, batch), when):
                break
            assert contents(database) == before, f"left behind by statement {statement}"
        statements = max(statements, statement)
        if when == "before_cursor_execute":
            done = contents(database)
            assert len(done["readings"]) == 40
            assert done["watch_states"] == [(point, 119, 1, b"state 100")]
            before, batch = done, make.whole_batch(point, 200)
    assert statements > 15
    assert len(contents(database)["readings"]) == 60


def test_tried_again_after_a_failure_it_is_as_if_nothing_had_happened(
    tmp_path: Path, make: Any, contents: Contents
) -> None:
    results = []
    for disturbed in (False, True):
        opened = open_database(f"sqlite:///{tmp_path / str(disturbed)}.db")
        point = make.farm(opened, "north")["north"]
        batch = make.whole_batch(point)
        if disturbed:

            @sa.event.listens_for(opened.engine, "commit", once=True)
            def fail(connection: object) -> None:
                raise Killed

            with pytest.raises(Killed):
                commit(opened, batch)
        commit(opened, batch)
        results.append(contents(opened))
        opened.close()
    assert results[0] == results[1]


def test_a_full_disk_is_told_and_the_same_batch_is_stored_once_there_is_room(
    database: Database, make: Any, contents: Contents
) -> None:
    point = make.farm(database, "north")["north"]
    before = contents(database)
    batch = make.whole_batch(point)
    batch.readings = make.rows(point, 1, 5_000)
    with database.read() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
    limit = pages + 5

    @sa.event.listens_for(database.engine, "checkout")
    def small(connection: Any, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count = {limit}").close()

    for _ in range(2):
        with pytest.raises(LinkError, match="the disk is full") as told:
            commit(database, batch)
        assert not told.value.permanent
        assert contents(database) == before
    limit = 1 << 30
    commit(database, batch)
    assert len(contents(database)["readings"]) == 5_000


WRITER = """
import sys
from datetime import UTC, datetime
sys.path.insert(0, {root!r})
sys.path.insert(0, {here!r})
import conftest
from monitor.records import start
from monitor.records.commit import commit
from monitor.records.database import open_database

make = conftest.Make()
database = open_database({url!r}, create=False)
first = start.load(database).next_reading
print("from", first, flush=True)
while True:
    commit(database, make.whole_batch({point}, first))
    print(first, flush=True)
    first += 20
"""


@pytest.mark.slow
def test_kill_minus_nine_leaves_whole_batches_and_all_that_were_confirmed(
    url: str, make: Any, contents: Contents, tmp_path: Path
) -> None:
    opened = open_database(url)
    point = make.farm(opened, "north")["north"]
    opened.close()
    here = Path(__file__).parent
    script = WRITER.format(root=str(here.parents[1]), here=str(here), url=url, point=point)
    confirmed: set[int] = set()
    seeded = np.random.default_rng(9)
    for _ in range(6):
        writer = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
        assert writer.stdout is not None
        assert writer.stdout.readline().startswith("from ")
        heard = [writer.stdout.readline() for _ in range(seeded.integers(1, 12))]
        time.sleep(seeded.uniform(0.0, 0.02))  # a commit takes some milliseconds: at any moment of one
        os.kill(writer.pid, signal.SIGKILL)
        confirmed |= {int(line) for line in (*heard, *writer.stdout.read().split("\n")) if line.strip()}
        writer.stdout.close()
        writer.wait()
        opened = open_database(url, create=False)
        stored = contents(opened)
        began = start.load(opened)
        opened.close()
        firsts = {row[1] for row in stored["alarms"]}
        assert confirmed <= firsts
        assert {row[0] for row in stored["readings"]} == {first + more for first in firsts for more in range(20)}
        assert {row[1] for row in stored["runs"]} == {row[1] for row in stored["alarm_changes"]} == firsts
        assert {row[3] for row in stored["notices"]} == firsts
        newest = max(firsts, default=-19)
        assert began.next_reading == newest + 20
        assert stored["loggers"][0][6] == 20 * len(firsts)
    assert len(confirmed) > 5


def test_an_empty_batch_opens_no_transaction(database: Database) -> None:
    begun: list[object] = []
    sa.event.listen(database.engine, "begin", begun.append)
    commit(database, Batch())
    assert begun == []
    commit(database, Batch(cursors={"a": "1"}))
    assert len(begun) == 1


def test_a_running_number_is_given_once(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(readings=make.rows(point, 1, 5)))
    with pytest.raises(sa.exc.IntegrityError):
        commit(database, Batch(readings=make.rows(point, 5, 5)))


def test_columns_of_other_shapes_are_refused_at_the_door(make: Any) -> None:
    with pytest.raises(ValueError, match=r"amps: expected a column of shape \(3, 3\), found \(3, 1\)"):
        make.rows(1, 1, 3, amps=np.ones((3, 1)))


def test_the_columns_of_the_worker_may_be_of_any_number_type(database: Database, make: Any, contents: Contents) -> None:
    point = make.farm(database, "north")["north"]
    rows = make.rows(point, 1, 3, flags=np.ones(3, np.int16), version=np.ones(3, np.int32))
    rows = ReadingRows(**(rows.columns() | {"t_ms": np.arange(3.0), "point_id": np.full(3, point, np.int32)}))
    commit(database, Batch(readings=rows))
    assert [row[2] for row in contents(database)["readings"]] == [0, 1, 2]


# --- loggers, newcomers, rejected ------------------------------------------------------------------------------


def test_counts_of_a_logger_add_up_and_what_is_not_told_stays(
    database: Database, make: Any, contents: Contents
) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(loggers=[LoggerNow(point, 5, 6, 10.0, "online", 7, 1, 2, 3, 4)]))
    commit(database, Batch(loggers=[LoggerNow(point, readings=10, late=10, repeats=10, unknown_keys=10)]))
    assert contents(database)["loggers"] == [(point, 5, 6, 10.0, "online", 7, 11, 12, 13, 14)]


def test_newcomers_are_counted_and_bounded(
    database: Database, contents: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_NEWCOMERS", 3)
    commit(database, Batch(newcomers=[Newcomer("s", "a", 10, 1, {"n": 1}), Newcomer("s", "a", 11, 2, {"n": 2})]))
    commit(database, Batch(newcomers=[Newcomer("s", "a", 12, 4, {"n": 3})]))
    assert contents(database)["newcomers"] == [("s", "a", 10, 12, 7, '{"n": 3}')]
    commit(
        database,
        Batch(newcomers=[Newcomer("s", name, at, 1, {}) for name, at in zip("bcde", (20, 5, 21, 22), strict=True)]),
    )
    assert [row[1] for row in contents(database)["newcomers"]] == ["b", "d", "e"]


def _rejected(n: int, topic: str = "t", reason: str = "not JSON", at: int = 0, **more: Any) -> list[Rejected]:
    return [Rejected(at + i, topic, "s", "n", reason, str(i), b"x", **more) for i in range(n)]


def test_of_the_same_the_newest_are_kept_and_all_are_counted(database: Database, contents: Contents) -> None:
    commit(database, Batch(rejected=_rejected(50)))
    commit(database, Batch(rejected=_rejected(5, at=100)))
    commit(database, Batch(rejected=_rejected(3, reason="too large", at=200, count=7)))
    stored = contents(database)
    alike = [row for row in stored["rejected"] if row[5] == "not JSON"]
    assert [row[1] for row in alike] == [*range(35, 50), *range(100, 105)]
    assert stored["reject_counts"] == [("s", "n", "not JSON", 55, 0, 104), ("s", "n", "too large", 21, 200, 202)]


def test_rejected_messages_are_bounded_in_all(
    database: Database, contents: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_REJECTED", 30)
    for i in range(10):
        commit(database, Batch(rejected=_rejected(7, topic=f"topic {i}", at=10 * i)))
    kept = contents(database)["rejected"]
    assert len(kept) == 30
    assert min(row[1] for row in kept) == 55  # the last two of topic 5, and all of 6 to 9


def test_invented_names_cannot_fill_the_counts(
    database: Database, contents: Contents, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "MOST_REJECT_COUNTS", 4)
    known = Rejected(1, "t", "s", "known", "r", "", b"")
    commit(database, Batch(rejected=[known]))
    invented = [Rejected(2, f"t{i}", "s", f"n{i}", "r", "", b"") for i in range(10)]
    commit(database, Batch(rejected=[*invented, known]))
    stored = contents(database)["reject_counts"]
    assert [(row[1], row[3]) for row in stored] == [(module.OTHERS, 10), ("known", 2)]


def test_a_topic_of_no_site_is_kept_too(database: Database, contents: Contents) -> None:
    commit(
        database, Batch(rejected=[Rejected(1, "x" * 5000, None, None, "no such topic", "", b"\xff\x00\n" + b"a" * 500)])
    )
    row = contents(database)["rejected"][0]
    assert row[2] == "x" * module.TOPIC_LETTERS
    assert row[7] == "\ufffd\ufffd\ufffd" + "a" * 297


def test_an_excerpt_can_be_shown_anywhere() -> None:
    for byte in range(256):
        assert printable(bytes([byte])).isprintable()


# --- numbers for the live stream and for versions --------------------------------------------------------------


def test_the_number_of_news_only_grows(database: Database, make: Any, contents: Contents) -> None:
    points = make.farm(database, "north", "south")
    for turn, names in enumerate((("north", "south"), ("north",), ("south",)), start=1):
        commit(database, Batch(fan_now=[make.fan_now(points[name]) for name in names]))
        stored = {row[0]: row[1] for row in contents(database)["fan_now"]}
        assert [stored[points[name]] for name in names] == [turn] * len(names)


def test_a_version_taken_up_later_is_moved_on_and_never_back(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    for at, expected in ((make.ms + 500, 500), (make.ms + 200, 500)):
        commit(database, Batch(applied={(point, 1): at}))
        stored = register.versions(database, point)[0]
        assert (stored.applies_from - make.now).total_seconds() * 1000 == expected


def test_nothing_but_the_named_point_is_touched(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    commit(database, make.whole_batch(points["north"]))
    began = start.load(database)
    assert set(began.states) == set(began.recent) == {points["north"]}
    assert not len(ReadingRows.together([began.unfed.get(points["south"], ReadingRows.none())]))
    assert [key.name for key, _ in register.fans(database, ALL)] == ["north", "south"]
    with database.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(tables.fan_now)).scalar() == 1
