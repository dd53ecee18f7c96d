"""Edits of the register while readings come: each reading is judged by the version in force at its own time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor.records import register, tables

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)


def larger(nameplate: str, amps: float = 12.0) -> str:
    return nameplate.replace("full_load_amps = 10.0", f"full_load_amps = {amps}")


def limits(bench: Any, name: str = "north") -> list[float]:
    return [round(float(limit), 3) for limit in bench.stored(name)["limit_amps"]]


def test_a_new_version_applies_to_readings_newer_than_those_judged(bench: Any, nameplate: str, replay: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 50)
    bench.register("north", larger(nameplate), since=NOW - timedelta(hours=5))  # true in the field for long
    bench.pass_time(1.0, 0.5)
    bench.send("north", 60, 100)
    assert limits(bench) == [10.0] * 6 + [12.0] * 5
    assert bench.stored("north")["version"].tolist() == [1] * 6 + [2] * 5
    second = register.versions(bench.database, bench.point_id("north"))[1]
    assert second.applies_from == NOW + timedelta(seconds=50)
    judged, _, stored = replay(bench, "north")
    assert judged.tolist() == stored.tolist()


def test_a_reading_sent_right_after_its_fan_was_entered_is_taken(bench: Any) -> None:
    """As people do who paste both commands at once: no time passes in which the register would be looked up."""
    bench.begin().round()
    bench.register("north")
    bench.put("north", bench.reading(0))
    bench.steady += 0.01
    bench.worker.round()
    bench.pass_time(1.5, 0.5)
    assert limits(bench) == [10.0]
    assert not bench.rows(tables.rejected) and not bench.rows(tables.newcomers)


@pytest.mark.parametrize("together", [False, True])
def test_a_version_takes_over_at_its_time_also_within_one_round(bench: Any, nameplate: str, together: bool) -> None:
    """The edit is made at second 35, readings of before and after it come in one round or in several."""
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 20)
    bench.wall = NOW + timedelta(seconds=35)
    bench.register("north", larger(nameplate), since=bench.wall)
    bench.pass_time(1.0, 0.5)
    for at in (30, 40, 50):
        bench.put("north", bench.reading(at))
        if not together:
            bench.pass_time(1.5, 0.5)
    bench.pass_time(1.5, 0.5)
    assert limits(bench) == [10.0] * 4 + [12.0] * 2


def test_a_version_is_never_for_readings_judged_but_not_stored_yet(bench: Any, nameplate: str, replay: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.put("north", [bench.reading(at) for at in range(0, 60, 10)])
    bench.steady += 0.01
    bench.worker.round()  # judged, not committed
    bench.register("north", larger(nameplate), since=NOW - timedelta(hours=1))
    bench.pass_time(1.5, 0.5)
    bench.put("north", bench.reading(60))
    bench.pass_time(1.5, 0.5)
    assert limits(bench) == [10.0] * 6 + [12.0]
    second = register.versions(bench.database, bench.point_id("north"))[1]
    assert second.applies_from == NOW + timedelta(seconds=50)
    again = bench.begin()  # and a worker that begins from what is stored knows the same
    assert again.plant.points[0].versions[1].applies_from_ms == second.applies_from.timestamp() * 1000
    judged, _, stored = replay(bench, "north")
    assert judged.tolist() == stored.tolist()


def test_of_two_edits_the_one_entered_last_holds_from_its_time_on(bench: Any, nameplate: str) -> None:
    """Entered second, true since earlier: it replaces the first from its own time, in every way of asking."""
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 10)
    bench.wall = NOW + timedelta(seconds=100)
    bench.register("north", larger(nameplate, 12.0), since=NOW + timedelta(seconds=80))
    bench.register("north", larger(nameplate, 13.0), since=NOW + timedelta(seconds=40))
    bench.pass_time(1.0, 0.5)
    for at in (20, 50, 70, 90, 100):
        bench.put("north", bench.reading(at))
        bench.pass_time(1.5, 0.5)
    assert limits(bench) == [10.0, 10.0, 10.0, 13.0, 13.0, 13.0, 13.0]
    row = bench.worker.plant.points[0].row
    assert bench.begin().plant.limits_of[row] == bench.worker.plant.limits_of[row] == 2


def test_a_changed_motor_begins_anew(bench: Any, nameplate: str, replay: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    assert [row["state"] for row in bench.raised("overload")] == ["UNACKNOWLEDGED"]
    bench.register("north", larger(nameplate, 11.5), motor_changed=True)
    bench.pass_time(1.0, 0.5)
    bench.send("north", 170, 200, 11.0)
    (overload,) = bench.raised("overload")
    assert overload["state"] == "NORMAL"
    runs = bench.rows(tables.runs)
    assert [(run["end_ms"] is None, run["end_seen"]) for run in runs] == [(False, False), (True, None)]
    judged, told, stored = replay(bench, "north")
    assert judged.tolist() == stored.tolist() and [what for what, _ in told] == ["overload raised", "overload returned"]


def test_a_removed_fan_is_silent_and_its_readings_are_rejected(bench: Any, nameplate: str) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    bench.remove("north")
    bench.pass_time(6.0, 1.0)
    assert bench.raised("overload")[0]["state"] == "NORMAL"  # else it is told again for ever
    assert bench.link.last("home/north/alarms") is None and bench.link.last("home/north/state") is None
    bench.put("north", bench.reading(170, 11.0))
    bench.put("north", b"offline", kind="status")
    bench.pass_time(2.0, 0.5)
    assert len(bench.stored("north")["t_ms"]) == 17
    assert bench.reasons() == {("north", "unknown fan"): 2}
    assert [new["name"] for new in bench.rows(tables.newcomers)] == ["north"]
    bench.pass_time(3600.0)
    assert bench.raised("logger-overdue") == []


def test_a_fan_removed_and_taken_on_again_is_watched_from_the_beginning(
    bench: Any, nameplate: str, replay: Any
) -> None:
    """Its alarm was ended when it was removed; still over its limit, it must be raised again."""
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    bench.remove("north")
    bench.pass_time(6.0, 1.0)
    bench.register("north", nameplate)
    bench.pass_time(1.0, 0.5)
    bench.send("north", 180, 340, 11.0)
    assert bench.changes() == [
        ("overload", "NORMAL", "UNACKNOWLEDGED", "raised"),
        ("overload", "UNACKNOWLEDGED", "NORMAL", "no longer watched"),
        ("overload", "NORMAL", "UNACKNOWLEDGED", "raised"),
    ]
    judged, _, stored = replay(bench, "north")
    assert judged.tolist() == stored.tolist()
    before = bench.worker.plant.states[0].tobytes()
    assert bench.begin().plant.states[0].tobytes() == before


def test_a_removed_fans_alarm_is_ended_also_when_the_worker_was_killed_meanwhile(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    bench.remove("north")
    bench.begin()
    bench.pass_time(6.0, 1.0)
    assert bench.raised("overload")[0]["state"] == "NORMAL"
    assert bench.link.last("home/north/alarms") is None


def test_other_legs_from_a_new_version_on(bench: Any, nameplate: str) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 20)
    bench.register("north", nameplate.replace("phases = 3", "phases = 1"))
    bench.pass_time(1.0, 0.5)
    bench.put("north", bench.reading(30))
    bench.put("north", bench.reading(40, [9.0]))
    bench.pass_time(2.0, 0.5)
    assert bench.reasons() == {("north", "wrong number of legs"): 1}
    assert np.isnan(bench.stored("north")["amps"][-1][1:]).all()


def test_a_fan_entered_while_the_service_runs_is_judged_at_once(bench: Any, fed_by_panel: str) -> None:
    bench.begin().round()
    bench.register("east", fed_by_panel)
    bench.pass_time(1.0, 0.5)
    bench.put("panel", bench.reading(0, None, volts=[460.0] * 3))
    bench.send("east", 2, 162, 11.0)
    assert len(bench.raised("overload")) == 1
    assert bench.stored("east")["flags"].tolist()[:3] == [2, 2, 2]


def test_a_period_no_longer_given_is_learned(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate.replace("period_seconds = 10", "period_seconds = 60"))
    bench.begin().round()
    bench.send("north", 0, 20)
    assert bench.logger("north")["period_seconds"] == 60.0
    bench.register("north", nameplate.replace("period_seconds = 10", ""))
    bench.pass_time(1.0, 0.5)
    bench.send("north", 30, 130)
    assert bench.logger("north")["period_seconds"] == 10.0


def test_an_alarm_has_the_priority_of_the_version_it_was_judged_by(bench: Any, nameplate: str) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100, 11.0)
    bench.register("north", nameplate + '[conditions.overload]\npriority = "low"\n', since=NOW + timedelta(seconds=300))
    bench.pass_time(1.0, 0.5)
    bench.send("north", 110, 160, 11.0)
    assert bench.raised("overload")[0]["priority"] == "high"
