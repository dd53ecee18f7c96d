"""What is stored of a fan, reviewed: as judged it equals what happened, as measured it says where it differs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from monitor.errors import ConfigError
from monitor.records import tables
from monitor.records.database import open_database
from monitor.records.replay import JUDGED, MEASURED, replay
from monitor.review import alarms
from monitor.review.stored import stored
from monitor.review.summary import sections
from monitor.service import supplies
from tests.review.published import as_published
from tests.service.conftest import MS, NOW, Bench

PLATE = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 10.0
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 10.0
[fan]
control = "continuous"
blade_pitch_degrees = 21
available_pitch_degrees = [17, 19, 21]
[logger]
period_seconds = 30
"""
HOUR = 3600.0
FANS = ("north", "south", "west")


def amps_at(fan: str, second: float) -> float:
    """Invented: north trips by a load that rises, south stops by hand, all fall together when the supply is lost."""
    wobble = 0.01 * ((second // 30.0) % 5)
    if 3.0 * HOUR <= second < 3.2 * HOUR:
        return 0.0  # supply lost
    if fan == "north":
        if second < 1.0 * HOUR:
            return 9.0 + wobble
        if second < 1.5 * HOUR:
            return 9.0 + 4.0 * (second - HOUR) / (0.5 * HOUR) + wobble
        return 0.0 if second < 2.0 * HOUR else 9.2 + wobble
    if fan == "south":
        return 0.0 if 2.4 * HOUR <= second < 2.6 * HOUR else 8.0 + wobble
    return 7.5 + wobble


@pytest.fixture(scope="module")
def farm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Four hours of three fans through the service; west's logger was away for half an hour and filled it later."""
    path: Path = tmp_path_factory.mktemp("farm") / "monitor.db"
    database = open_database(f"sqlite:///{path}")
    bench = Bench(f"sqlite:///{path}", database)
    for fan in FANS:
        bench.register(fan, PLATE)
    bench.begin().round()
    for minute in range(0, 240, 2):
        bench.wall = NOW + timedelta(minutes=minute + 2)
        bench.steady += 120.0
        for fan in FANS:
            seconds = [60.0 * minute + 30.0 * number for number in range(4)]
            if fan == "west" and 100 <= minute < 130:
                continue
            if fan == "west" and minute == 150:  # what it kept: it tripped and ran again in between
                late = [6000.0 + 30.0 * number for number in range(60)]
                kept = [bench.reading(at, 0.0 if 6600.0 <= at < 7200.0 else amps_at(fan, at)) for at in late]
                bench.put(fan, kept)
            bench.put(fan, [bench.reading(at, amps_at(fan, at), ambient_c=5.0) for at in seconds])
        bench.worker.round()
    bench.pass_time(300.0, 30.0)
    bench.worker.stop()
    yield bench
    database.close()


def at(hours: float) -> datetime:
    return NOW + timedelta(hours=hours)


def runs_in(bench: Bench, fan: str) -> list[dict[str, Any]]:
    return [row for row in bench.rows(tables.runs, "start_ms") if row["point_id"] == bench.point_id(fan)]


@pytest.mark.parametrize("fan", FANS)
def test_as_judged_equals_what_was_stored(farm: Bench, fan: str) -> None:
    found = stored(farm.database, "home", fan, at(-1.0), at(5.0))
    as_published(found)
    again = replay(farm.database, farm.point_id(fan), 0, 10**14, JUDGED)
    assert found.log.t_ms.tolist() == again.rows.t_ms.tolist() and len(found.log) > 400
    for name in ("highest", "limit", "ratio", "device_heat", "seconds_to_trip", "flags"):
        assert np.array_equal(getattr(found.judged, name), getattr(again.judged, name), equal_nan=True), name
    assert np.array_equal(np.round(found.judged.limit, 3), again.rows.limit_amps)
    ended = [row for row in runs_in(farm, fan) if row["end_ms"] is not None]
    told = [
        (run.start_ms, run.end_ms, run.end_cause, run.confidence, list(run.evidence))
        for run in found.runs if run.end_cause != "log ended"
    ]  # fmt: skip
    assert told == [
        (row["start_ms"], row["end_ms"], row["end_cause"], row["confidence"], json.loads(row["evidence"]))
        for row in ended if row["end_cause"] != "log ended"
    ]  # fmt: skip
    assert len(told) >= 1
    raised = {
        (row["condition"], row["raised_ms"]) for row in farm.rows(tables.alarms)
        if row["fan"] == fan and row["count"] > 0
    }  # fmt: skip
    assert raised <= {(alarm.id, alarm.raised_ms) for alarm in found.alarms}


def test_the_three_ends_are_told_apart(farm: Bench) -> None:
    north, south = (stored(farm.database, "home", fan, at(-1.0), at(5.0)) for fan in ("north", "south"))
    assert [run.end_cause for run in north.runs] == ["overload trip", "supply lost", "log ended"]
    assert [run.end_cause for run in south.runs] == ["stopped", "supply lost", "log ended"]
    assert north.causes[0].cause == "lost supply" or north.causes[0].cause == "fan load"
    assert {"fan load", "lost supply"} == {cause.cause for cause in north.causes}
    assert any(alarm.id == "tripped" for alarm in north.alarms)
    assert any(alarm.id == "supply-lost" for alarm in north.alarms)


@pytest.mark.parametrize("fan", ["north", "south"])
def test_as_measured_comes_to_the_same_where_nothing_came_late(farm: Bench, fan: str) -> None:
    judged = stored(farm.database, "home", fan, at(-1.0), at(5.0), JUDGED)
    measured = stored(farm.database, "home", fan, at(-1.0), at(5.0), MEASURED)
    as_published(measured)
    assert measured.runs == judged.runs
    assert measured.log.how_read["differs"] == []
    for name in ("limit", "device_heat", "flags"):
        assert np.array_equal(getattr(judged.judged, name), getattr(measured.judged, name), equal_nan=True), name


def test_as_measured_says_where_it_differs(farm: Bench) -> None:
    judged = stored(farm.database, "home", "west", at(-1.0), at(5.0), JUDGED)
    measured = stored(farm.database, "home", "west", at(-1.0), at(5.0), MEASURED)
    assert len(measured.log) == len(judged.log) + 60
    assert len(judged.gaps) == 1 and measured.gaps == ()
    assert len(measured.runs) == len(judged.runs) + 1
    said = "\n".join(measured.log.how_read["differs"])
    assert "60 of" in said and "came late" in said
    assert "was not known when it happened" in said and "as judged" in said


def test_a_window_begins_in_the_middle(farm: Bench) -> None:
    whole = stored(farm.database, "home", "north", at(-1.0), at(5.0))
    part = stored(farm.database, "home", "north", at(1.2), at(1.4))
    first = int(np.searchsorted(whole.log.t_ms, part.log.t_ms[0]))
    rows = slice(first, first + len(part.log))
    assert part.log.t_ms[0] > at(1.2).timestamp() * 1000.0 and part.log.t_ms[-1] <= at(1.4).timestamp() * 1000.0
    assert np.array_equal(part.judged.device_heat, whole.judged.device_heat[rows])  # the state of then, not a new one
    (run,) = part.runs
    assert (run.start_ms, run.end_cause, run.end_ms) == (MS, "log ended", part.log.t_ms[-1])
    assert "Later" in run.evidence[1] and "overload trip" in run.evidence[1]
    as_published(part)


def test_what_cannot_be_reviewed_is_said(farm: Bench) -> None:
    with pytest.raises(ConfigError, match="home/east is not in the register"):
        stored(farm.database, "home", "east", at(0.0), at(1.0))
    with pytest.raises(ConfigError, match="ends after it begins"):
        stored(farm.database, "home", "north", at(1.0), at(1.0))
    with pytest.raises(ConfigError, match="judged or measured"):
        stored(farm.database, "home", "north", at(0.0), at(1.0), "seen")
    with pytest.raises(ConfigError, match="not in the register"):
        stored(farm.database, "home", "north", at(0.0), at(1.0), sites=["other"])
    nothing = stored(farm.database, "home", "north", datetime(2025, 1, 1, tzinfo=UTC), datetime(2025, 1, 2, tzinfo=UTC))
    assert len(nothing.log) == 0 and nothing.runs == ()
    as_published(nothing)


def test_a_lost_supply_weighs_as_much_as_live() -> None:
    assert alarms.INFERRED_PRIORITY == supplies.INFERRED_PRIORITY


def test_where_readings_are_no_longer_kept_it_says_so(farm: Bench) -> None:
    """And not that the logger was silent."""
    removed = tables.readings_removed
    row = {"point_id": farm.point_id("north"), "before_ms": int(MS) + 3_600_000, "readings": 120, "removed_ms": int(MS)}
    with farm.database.begin() as connection:
        connection.execute(sa.insert(removed), [row])
    try:
        with pytest.raises(ConfigError, match=r"north before 2026-10-03 21:00 are no longer kept: this time cannot be"):
            stored(farm.database, "home", "north", at(-1.0), at(1.0))
        found = stored(farm.database, "home", "north", at(0.5), at(2.0), MEASURED)
        _, parts = sections(found, None)
        assert parts[0][1][0] == (
            "Raw readings of home/north before 2026-10-03 21:00 are no longer kept, so this review begins there; "
            "the logger was not silent before."
        )
        whole = stored(farm.database, "home", "north", at(1.0), at(2.0))
        assert "no_longer_kept" not in whole.log.how_read
    finally:
        with farm.database.begin() as connection:
            connection.execute(sa.delete(removed))
