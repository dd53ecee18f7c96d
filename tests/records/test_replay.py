"""The watch over stored rows again: of any span, from hot rows and packed hours, as judged and as measured."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.records import register, replay, tables
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.hours import HourPacker
from monitor.records.replay import JUDGED, MEASURED
from monitor.records.rows import ReadingRows
from monitor.records.scope import ALL
from monitor.watch import layout

HOUR_MS = 3_600_000


@pytest.fixture
def stored(database: Database, make: Any) -> int:
    """Three hours of a fan each 10 s, over its limit in the second; every 60th reading came late."""
    point_id = make.farm(database, "north")["north"]
    rows = make.rows(point_id, 1, 1_080, version=np.ones(1_080, np.int64), flags=np.zeros(1_080, np.int64))
    rows.amps[360:720] *= 1.3
    rows.flags[30::60] = tables.FLAG_LATE
    rows.version[30::60] = 0
    commit(database, Batch(readings=rows))
    return int(point_id)


def whole(database: Database, point_id: int, how: str = JUDGED) -> replay.Replayed:
    return replay.replay(database, point_id, 0, 10**13, how)


def same(one: replay.Replayed, other: replay.Replayed, rows: slice = slice(None)) -> None:
    """Rows, judged columns and state of two replays; `rows` picks those of the first."""
    assert one.rows.t_ms[rows].tolist() == other.rows.t_ms.tolist() and len(other.rows)
    for name in ("limit", "ratio", "motor_heat", "device_heat", "flags"):
        assert np.array_equal(getattr(one.judged, name)[rows], getattr(other.judged, name), equal_nan=True), name
    assert one.state.tobytes() == other.state.tobytes()


def test_as_judged_leaves_out_what_came_late_and_as_measured_takes_all(database: Database, stored: int) -> None:
    judged, measured = whole(database, stored), whole(database, stored, MEASURED)
    assert (len(judged.rows), len(measured.rows)) == (1_062, 1_080)
    assert not (judged.rows.flags & tables.FLAG_LATE).any() and (measured.rows.flags & tables.FLAG_LATE).sum() == 18
    assert (np.diff(measured.rows.t_ms) == 10_000).all()
    assert [one[:2] for one in replay.told(judged.changes)] == [("overload", "raised"), ("overload", "returned")]
    assert [one.what for one in judged.changes if one.condition is None] == [layout.RUN_STARTED]


def test_packed_hours_give_the_same(database: Database, make: Any, stored: int) -> None:
    before = whole(database, stored), whole(database, stored, MEASURED)
    while HourPacker(database).work(make.ms + 2 * HOUR_MS + 600_000, 60.0):
        pass
    with database.read() as connection:
        assert connection.execute(sa.select(sa.func.count()).select_from(tables.reading_hours)).scalar() == 2
    same(before[0], whole(database, stored))
    same(before[1], whole(database, stored, MEASURED))


@pytest.mark.parametrize("at_once", [HOUR_MS, 977_000])
def test_read_in_parts_it_is_the_same(
    database: Database, stored: int, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    once = whole(database, stored)
    monkeypatch.setattr(replay, "AT_ONCE_MS", at_once)
    parts = whole(database, stored)
    same(once, parts)
    assert [(one.row, one.what, one.at_ms) for one in once.changes] == [
        (one.row, one.what, one.at_ms) for one in parts.changes
    ]
    raised = next(one for one in parts.changes if one.what == layout.RAISED)
    assert parts.rows.t_ms[raised.row] == raised.at_ms


def test_a_span_begins_from_the_state_of_then(database: Database, make: Any, stored: int) -> None:
    """From the beginning, or from a state that is known: the same, exactly. From a while before: the same limits."""
    once, middle, end = whole(database, stored), make.ms + 4_500_000, make.ms + 3 * HOUR_MS
    rows = slice(int((once.rows.t_ms <= middle).sum()), None)
    same(once, replay.replay(database, stored, middle, end, JUDGED), rows)
    state = replay.replay(database, stored, 0, middle, JUDGED).state
    kept = state.copy()
    same(once, replay.replay(database, stored, middle, end, JUDGED, state=state), rows)
    assert state.tobytes() == kept.tobytes()  # a state that is handed in is not changed
    warm = replay.replay(database, stored, middle, end, JUDGED, warm_up_ms=HOUR_MS)
    assert np.array_equal(warm.judged.limit, once.judged.limit[rows])
    assert replay.told(warm.changes) == [one for one in replay.told(once.changes) if one[2] > middle] != []
    assert warm.state.tobytes() != once.state.tobytes()  # how hot it was before that nobody knows


def test_a_span_is_open_on_the_left_and_closed_on_the_right(database: Database, make: Any, stored: int) -> None:
    span = replay.replay(database, stored, make.ms, make.ms + 20_000, MEASURED)
    assert span.rows.t_ms.tolist() == [make.ms + 10_000, make.ms + 20_000]
    nothing = replay.replay(database, stored, make.ms + 10 * HOUR_MS, make.ms + 11 * HOUR_MS, JUDGED)
    assert len(nothing.rows) == 0 and nothing.changes == []
    assert nothing.state.tobytes() == whole(database, stored).state.tobytes()


def test_versions_as_judged_by_their_number_and_as_measured_by_their_time(
    database: Database, make: Any, stored: int
) -> None:
    """The second is of another motor, true in the field since the middle, entered after all was judged."""
    middle = make.now + timedelta(minutes=90)
    other = make.nameplate.replace("full_load_amps = 12.4", "full_load_amps = 20.0")
    register.put_nameplate(
        database, "meadow", "north", other, valid_from=middle, by="someone", now=make.now + timedelta(hours=4),
        motor_changed=True,
    )  # fmt: skip
    judged, measured = whole(database, stored), whole(database, stored, MEASURED)
    assert set(judged.version.tolist()) == {1} and sorted(set(measured.version.tolist())) == [1, 2]
    assert measured.rows.t_ms[measured.version == 2].min() == make.ms + 90 * 60_000
    ended = [one.at_ms for one in measured.changes if one.what == layout.RUN_ENDED]
    assert ended == [make.ms + 90 * 60_000 - 10_000]  # another motor begins anew
    assert not any(one.what == layout.RUN_ENDED for one in judged.changes)


def test_what_cannot_be_replayed_is_told(database: Database, make: Any) -> None:
    points = make.farm(database, "north")
    with pytest.raises(ValueError, match="expected judged or measured, found 'fed'"):
        replay.replay(database, points["north"], 0, 1, "fed")
    with pytest.raises(ValueError, match="expected the id of a fan, found 99"):
        replay.replay(database, 99, 0, 1, JUDGED)
    assert len(whole(database, points["north"]).rows) == 0  # a fan that was never heard
    assert register.fans(database, ALL)


def test_rows_at_hand_may_stand_in_any_order(database: Database, stored: int) -> None:
    once = whole(database, stored)
    key = register.versions(database, stored)
    mixed = once.rows.take(np.random.default_rng(5).permutation(len(once.rows)))
    same(once, replay.feed(mixed, JUDGED, replay.resolved(key)))
    assert len(replay.feed(ReadingRows.none(), MEASURED, replay.resolved(key)).rows) == 0
