"""Corrections of clamps through the worker: before judgement and storage, each row tells by which version."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from monitor.motor import clamps
from monitor.records import register, service_record
from monitor.records.replay import JUDGED, MEASURED, applied, replay, resolved, told
from monitor.review.stored import stored as reviewed

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
KIND = "clamp correction"


@pytest.fixture
def farm(bench: Any, nameplate: str) -> Any:
    """A fan with a limit of 10 A."""
    bench.register("north", nameplate.replace("[fan]", "[fan]\nblade_pitch_degrees = 21"))
    bench.begin().round()
    return bench


def enter(farm: Any, **entry: Any) -> str:
    number = farm.act("service", fan="north", entry=entry)
    farm.pass_time(1.0, 0.25)
    outcome: str = farm.outcome(number)
    return outcome


def send(farm: Any, first: int, last: int, amps: Any = 9.5) -> None:
    """Readings of a span at once, taken in when it is over."""
    farm.wall = max(farm.wall, NOW + timedelta(seconds=last))
    farm.put("north", [farm.reading(second, amps) for second in range(first, last + 1, 10)])
    farm.pass_time(3.0, 1.0)


def at(seconds: float) -> str:
    return (NOW + timedelta(seconds=seconds)).isoformat()


def versions(farm: Any) -> list[register.Version]:
    return register.versions(farm.database, farm.point_id("north"))


def legs(farm: Any, first: int, last: int) -> list[tuple[float, ...]]:
    """The different amps stored from one second to another."""
    rows = farm.stored("north")
    seconds = (rows["t_ms"] - NOW.timestamp() * 1000.0) / 1000.0
    return sorted({tuple(one) for one in rows["amps"][(seconds >= first) & (seconds <= last)].tolist()})


def sent(farm: Any) -> np.ndarray:
    rows = farm.stored("north")
    return clamps.sent(rows["amps"], applied(resolved(versions(farm)), rows["version"]))


def overloads(farm: Any, how: str) -> list[tuple[str, float]]:
    again = replay(farm.database, farm.point_id("north"), 0, 10**13, how)
    began = NOW.timestamp() * 1000.0
    return [(what, (at_ms - began) / 1000.0) for name, what, at_ms in told(again.changes) if name == "overload"]


def test_amps_are_corrected_before_they_are_judged_and_stored_and_what_was_sent_can_be_had_back(
    farm: Any, replay: Any
) -> None:
    send(farm, 0, 600)
    assert enter(farm, kind=KIND, factors=[1.0, 1.1, 1.0], note="a hand meter says so") == "done"
    second = versions(farm)[-1]
    assert second.nameplate.logger.clamp_corrections == (1.0, 1.1, 1.0) and second.committed_by == "someone"
    assert "clamp_corrections = [1.0, 1.1, 1.0]" in second.text
    assert farm.raised("overload") == []
    send(farm, 610, 1600)
    assert legs(farm, 0, 600) == [(9.5, 9.5, 9.5)] and legs(farm, 610, 1600) == [(9.5, 10.45, 9.5)]
    (overload,) = farm.raised("overload")
    assert overload["text"].startswith("over its limit, 104 %")
    rows = farm.stored("north")
    assert set(rows["version"][rows["t_ms"] > NOW.timestamp() * 1000 + 605_000].tolist()) == {2}
    assert {tuple(one) for one in sent(farm).tolist()} == {(9.5, 9.5, 9.5)}
    limits, changes, kept = replay(farm, "north")  # as judged: rows stand alone
    assert np.array_equal(limits, np.round(kept, 3), equal_nan=True)
    began = next(at_ms for what, at_ms in changes if what == "overload raised")
    assert began == overload["raised_ms"]
    state = farm.worker.plant.states.copy()
    farm.begin().round()
    assert np.array_equal(farm.worker.plant.states, state, equal_nan=True)
    send(farm, 1610, 1700)  # also after a start
    assert legs(farm, 1610, 1700) == [(9.5, 10.45, 9.5)]


def test_a_late_reading_is_corrected_as_was_true_in_the_field_whenever_it_comes(farm: Any) -> None:
    """A correction entered at 1,000 s and true since 500 s; the second half comes after a kill."""
    send(farm, 0, 300)
    send(farm, 900, 1000)
    assert enter(farm, kind=KIND, factors=[1.1, 1.0, 1.0], done=at(500)) == "done"
    send(farm, 1010, 1100)
    state = farm.worker.plant.states.copy()
    farm.put("north", [farm.reading(second, 9.0) for second in (400, 410, 600, 610)])
    farm.pass_time(3.0, 1.0)
    assert np.array_equal(farm.worker.plant.states, state, equal_nan=True)
    farm.begin().round()
    farm.put("north", [farm.reading(second, 9.0) for second in (420, 620, 400, 600)])
    farm.pass_time(3.0, 1.0)
    assert legs(farm, 400, 420) == [(9.0, 9.0, 9.0)] and legs(farm, 600, 620) == [(9.9, 9.0, 9.0)]
    assert legs(farm, 900, 1000) == [(9.5, 9.5, 9.5)]  # judged before it was entered, and stays so
    assert farm.logger("north")["late"] == 6
    rows = farm.stored("north")
    assert rows["version"][rows["flags"] & 1 == 1].tolist() == [1, 1, 1, 2, 2, 2]
    assert sorted({one for row in sent(farm).tolist() for one in row}) == [9.0, 9.5]


def test_as_measured_reads_by_the_corrections_that_were_true_and_as_judged_by_those_of_then(farm: Any) -> None:
    send(farm, 0, 900)
    assert enter(farm, kind=KIND, factors=[1.0, 1.0, 1.12], done=at(0)) == "done"
    send(farm, 910, 1000, 8.0)
    assert overloads(farm, JUDGED) == [] and farm.raised("overload") == []
    (raised, *_) = overloads(farm, MEASURED)  # 10.64 A from the beginning
    assert raised == ("raised", 130.0)
    span = (NOW - timedelta(seconds=10), NOW + timedelta(seconds=1000))
    found = reviewed(farm.database, "home", "north", *span, MEASURED)
    assert found.log.amps[0].tolist() == [9.5, 9.5, 10.64] and found.log.amps[-1].tolist() == [8.0, 8.0, 8.96]
    assert reviewed(farm.database, "home", "north", *span, JUDGED).log.amps[0].tolist() == [9.5, 9.5, 9.5]
    assert enter(farm, kind="withdraw", number=1, why="the meter was wrong") == "done"
    assert versions(farm)[-1].nameplate.logger.clamp_corrections == ()
    assert overloads(farm, MEASURED) == []
    found = reviewed(farm.database, "home", "north", *span, MEASURED)
    assert found.log.amps[-1].tolist() == [8.0, 8.0, 8.0]  # stored as 8.96 A
    assert legs(farm, 910, 1000) == [(8.0, 8.0, 8.96)]


def test_a_hand_reading_after_a_correction_asks_for_no_other(farm: Any) -> None:
    send(farm, 0, 600, 9.0)
    for second in (100, 300):
        enter(farm, kind="hand reading", amps=[9.0, 9.9, 9.0], done=at(second))
        farm.pass_time(5.0)
    point = farm.point_id("north")
    kept = service_record.entries(farm.database, point, -(2**60), 2**60)
    (offer,) = kept[-1].found["offers"]
    assert (offer["leg"], offer["confidence"], offer["factor"]) == (2, "high", pytest.approx(1.1))
    assert enter(farm, kind=KIND, factors=[1.0, 1.1, 1.0]) == "done"
    send(farm, 620, 900, 9.0)
    enter(farm, kind="hand reading", amps=[9.0, 9.9, 9.0], done=at(800))
    farm.pass_time(5.0)
    last = service_record.entries(farm.database, point, -(2**60), 2**60)[-1]
    assert last.found["logger"]["amps"] == [9.0, pytest.approx(9.9), 9.0] and last.found["offers"] == []
    assert last.found["logger"]["sent"] == [9.0, 9.0, 9.0]
    assert last.found["differences_amps"] == pytest.approx([0.0, 0.0, 0.0])


def test_a_correction_and_a_re_pitch_may_be_entered_in_any_order(farm: Any) -> None:
    """Each from its own time on: the correction at 500 s, the re-pitch at 300 s, the next correction before both."""
    send(farm, 0, 900)
    assert enter(farm, kind=KIND, factors=[1.0, 1.0, 0.95], done=at(500)) == "done"
    assert enter(farm, kind="re-pitch", **{"from": 21, "to": 19}, done=at(300)) == "done"

    def true_at(second: float) -> tuple[Any, ...]:
        time = NOW + timedelta(seconds=second)
        plate = next(one for one in reversed(versions(farm)) if one.valid_from <= time).nameplate
        return plate.fan.blade_pitch_degrees, plate.logger.clamp_corrections

    assert [true_at(second) for second in (0, 300, 499, 500)] == [
        (21, ()), (19, ()), (19, ()), (19, (1.0, 1.0, 0.95)),
    ]  # fmt: skip
    outcome = enter(farm, kind=KIND, factors=[1.1, 1.0, 1.0], done=at(200))
    assert outcome.startswith("done: expected a time not before 2026-10-04T01:08Z: since then L3 x 0.95 for the clamps")
    assert enter(farm, kind="withdraw", number=1) == "done"
    assert [true_at(second) for second in (0, 300, 500)] == [(21, ()), (19, ()), (19, ())]
    assert enter(farm, kind=KIND, factors=[1.1, 1.0, 1.0], done=at(200)) == "done"
    assert [true_at(second) for second in (0, 200, 300, 900)] == [
        (21, ()), (21, (1.1, 1.0, 1.0)), (19, (1.1, 1.0, 1.0)), (19, (1.1, 1.0, 1.0)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("factors", "outcome"),
    [
        ([1.0, 1.3, 1.0], "factors.1: expected a list of the legs' factors in order, each from 0.8 to 1.25"),
        ([1.0, 0.79, 1.0], "factors.1"),
        ([1.1], "factors: expected 3 values in order"),
        ([1, 1, 1], "factors: expected others than those registered then, found as sent"),
    ],
)
def test_what_is_no_correction_is_refused(farm: Any, factors: Any, outcome: str) -> None:
    assert enter(farm, kind=KIND, factors=factors).startswith(outcome)
    assert len(versions(farm)) == 1


def test_a_re_pitch_is_learned_from_by_one_measure(farm: Any) -> None:
    """The clamps read 10 % low and are corrected between the two half hours: that is no pitch."""
    for first, amps in ((0, 9.0), (4200, 8.0)):
        send(farm, first, first + 2400, amps)
        send(farm, first + 2410, first + 2430, 0.0)
        if not first:
            assert enter(farm, kind=KIND, factors=[1.1, 1.1, 1.1], done=at(2420)) == "done"
    assert enter(farm, kind="re-pitch", **{"from": 21, "to": 19}, done=at(3000)) == "done"
    farm.pass_time(10.0)
    (entry,) = service_record.re_pitches(farm.database, farm.point_id("north"))
    assert entry.found["before"]["highest"] == pytest.approx(9.9) and entry.found["after"]["highest"] == pytest.approx(
        8.8
    )
