"""Readings that come late for a gap: judged from the state before it, told once, and nothing live is altered."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import LinkError
from monitor.records import gaps, tables
from monitor.service import backfill
from monitor.service import worker as worker_module
from monitor.watch import layout

WITH_DEVICE = """
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 10.0
"""
VOLTS = [460.0, 461.0, 459.0]


@pytest.fixture
def farm(bench: Any, nameplate: str) -> Any:
    """Two fans of one supply with volts of their own; north is heard until second 600, then again from 4,200 on."""
    for fan in ("north", "south"):
        bench.register(fan, nameplate + WITH_DEVICE)
    bench.begin().round()
    bench.send("north", 0, 600, 9.0, volts=VOLTS)
    bench.wall += timedelta(seconds=3590)
    return bench


def heard_again(bench: Any, amps: float = 9.0) -> None:
    bench.send("north", 4200, 4230, amps, volts=VOLTS)


def late(
    bench: Any, amps: Any, first: float = 610, last: float = 4190, step: float = 10.0, name: str = "north"
) -> None:
    """Readings of the gap, a thousand in a payload; `amps` of the second."""
    times = [first + step * n for n in range(int((last - first) // step) + 1)]
    readings = [bench.reading(at, amps(at), volts=VOLTS) for at in times]
    for start in range(0, len(readings), 1_000):
        bench.put(name, readings[start : start + 1_000])
    bench.pass_time(1.5, 0.5)


def notices(bench: Any) -> list[dict[str, Any]]:
    return [row for row in bench.rows(tables.notices) if row["kind"] == "found-late"]


def steady(at: float) -> float:
    return 9.0


def over_for_a_while(at: float) -> float:
    return 11.2 if 1_200 <= at < 1_800 else 9.0


def tripped(at: float) -> float:
    """Over its setting until the device opens at second 2,000, stands for 20 min, is reset."""
    return 0.0 if 2_000 <= at < 3_200 else 12.5 if 1_000 <= at < 2_000 else 9.0


def live(bench: Any) -> tuple[bytes, Any, Any]:
    return bench.worker.plant.states.tobytes(), bench.changes(), bench.rows(tables.runs)


def test_an_overload_in_a_gap_is_told_once_and_nothing_live_is_altered(farm: Any) -> None:
    heard_again(farm)
    before = live(farm)
    late(farm, over_for_a_while)
    farm.pass_time(50.0)
    assert notices(farm) == []  # it may not be all yet
    farm.pass_time(20.0)
    (told,) = notices(farm)
    (found,) = json.loads(told["data"])["findings"]
    assert (found["condition"], found["since"], found["until"]) == (
        "overload", "2026-10-04T01:20:00Z", "2026-10-04T01:32:00Z",
    )  # fmt: skip
    assert found["peak"] == pytest.approx(1.12)
    assert "FOUND LATE: over its limit from" in told["short"] and "112 % at worst (heard" in told["short"]
    assert (told["alarm_number"], told["priority"], told["rings"]) == (0, "high", False)  # it runs
    assert live(farm) == before
    late(farm, over_for_a_while)  # sent once more: repeats
    farm.pass_time(200.0)
    assert len(notices(farm)) == 1


def test_a_trip_in_a_gap_is_told_with_its_verdict_and_the_sister_that_ran_on(farm: Any) -> None:
    heard_again(farm)
    late(farm, steady, 0, 4200, name="south")
    late(farm, tripped)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    trip, over = json.loads(told["data"])["findings"]
    assert (trip["condition"], trip["since"], trip["end_cause"]) == ("tripped", "2026-10-04T01:33:20Z", "overload trip")
    assert trip["confidence"] in ("high", "likely") and any("volts stayed" in one for one in trip["evidence"])
    assert over["condition"] == "overload" and over["until"] == "2026-10-04T01:33:20Z"
    assert told["priority"] == "highest" and farm.raised("tripped") == [] and farm.raised("overload") == []
    assert "tripped at 20:33 (heard" in told["short"] and len(told["short"]) <= 300


def test_a_trip_sooner_than_its_class_is_judged_in_a_gap_as_it_is_live(farm: Any) -> None:
    heard_again(farm)
    late(farm, steady, 0, 4200, name="south")
    late(farm, lambda at: 0.0 if 1_050 <= at < 2_300 else 11.5 if 1_000 <= at < 1_050 else 9.0)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    (trip,) = json.loads(told["data"])["findings"]
    assert (trip["condition"], trip["end_cause"], trip["confidence"]) == ("tripped", "overload trip", "likely")


def test_it_rings_while_the_fan_stands(farm: Any) -> None:
    heard_again(farm, 0.0)
    late(farm, lambda at: 12.5 if at < 2_000 else 0.0)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    assert told["rings"] and "It stands still now." in told["short"]


@pytest.mark.parametrize(
    ("channels", "condition"),
    [
        (lambda at: {"amps": [0.1, 14.0, 14.0] if 2_000 <= at < 2_030 else [9.0] * 3, "volts": VOLTS}, "phase-lost"),
        (
            lambda at: {
                "amps": [0.0 if 2_000 <= at < 2_300 else 9.0] * 3,
                "volts": [5.0] * 3 if 2_000 <= at < 2_300 else VOLTS,
            },
            "supply-lost",
        ),
    ],
)
def test_a_lost_phase_and_a_lost_supply_are_told(farm: Any, channels: Any, condition: str) -> None:
    heard_again(farm)
    for at in range(610, 4200, 10):
        farm.put("north", {**farm.reading(at, None), **channels(at)})
    farm.pass_time(70.0)
    (told,) = notices(farm)
    assert [one["condition"] for one in json.loads(told["data"])["findings"]] == [condition]


def test_what_is_well_is_not_told_and_what_was_told_live_is_not_told_again(farm: Any) -> None:
    heard_again(farm)
    late(farm, steady)
    farm.pass_time(100.0)
    assert notices(farm) == []
    (gap,) = gaps.stored(farm.database)
    assert gap.looked_number == gap.late_number > 0 and not gap.told


def test_an_overload_that_stood_before_the_gap_is_no_news(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate)
    bench.begin().round()
    bench.send("north", 0, 300, 11.0, volts=VOLTS)
    bench.wall += timedelta(seconds=900)
    bench.send("north", 1200, 1220, 11.0, volts=VOLTS)
    late(bench, lambda at: 11.0, 310, 1190)
    bench.pass_time(100.0)
    assert notices(bench) == [] and len(bench.raised("overload")) == 1


def test_the_state_before_the_gap_is_what_counts(farm: Any) -> None:
    """The on-delay of two minutes began before the gap: it ends in it, though the gap holds only one of them."""
    farm.wall -= timedelta(seconds=3590)
    farm.send("north", 610, 680, 11.0, volts=VOLTS)
    farm.wall += timedelta(seconds=3500)
    heard_again(farm)
    late(farm, lambda at: 11.0 if at < 750 else 9.0, 690, 4190)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    assert json.loads(told["data"])["findings"][0]["since"] == "2026-10-04T01:10:10Z"


def test_it_is_judged_as_measured_by_the_version_true_in_the_field(farm: Any, nameplate: str) -> None:
    """Entered after the gap, true since before it: by the smaller motor what was well is an overload."""
    heard_again(farm)
    smaller = (nameplate + WITH_DEVICE).replace("full_load_amps = 10.0", "full_load_amps = 8.8")
    farm.register("north", smaller, since=farm.wall - timedelta(hours=1, minutes=30))
    farm.pass_time(1.0, 0.5)
    late(farm, steady)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    assert json.loads(told["data"])["findings"][0]["condition"] == "overload"


def test_backfill_in_two_parts_is_told_once(farm: Any) -> None:
    heard_again(farm)
    late(farm, over_for_a_while, 610, 2000)
    farm.pass_time(90.0)
    late(farm, tripped, 2010, 4190)
    farm.pass_time(90.0)
    assert len(notices(farm)) == 1
    (gap,) = gaps.stored(farm.database)
    assert gap.told and gap.looked_number == gap.late_number


# --- the other fans of its supply -------------------------------------------------------------------------------


@pytest.fixture
def dark(bench: Any, nameplate: str) -> Any:
    """Three fans without volts, all silent at the same time."""
    fans = ("north", "south", "west")
    for fan in fans:
        bench.register(fan, nameplate + WITH_DEVICE)
    bench.begin().round()
    for fan in fans:
        bench.put(fan, [bench.reading(10.0 * n) for n in range(60)])
    bench.wall += timedelta(seconds=4200)
    for fan in fans:
        bench.put(fan, bench.reading(4200))
    bench.pass_time(1.5, 0.5)
    return bench


def fell(bench: Any, name: str, first: float = 600) -> None:
    times = range(int(first), 4200, 10)
    bench.put(name, [bench.reading(at, 0.0 if 2_000 <= at < 2_600 else 9.0) for at in times])
    bench.pass_time(1.5, 0.5)


def test_a_verdict_waits_for_what_comes_late_for_the_other_fans(dark: Any) -> None:
    fell(dark, "north")
    dark.pass_time(50.0)
    fell(dark, "south")
    fell(dark, "west")
    dark.pass_time(30.0)
    assert notices(dark) == []  # north has been quiet for long enough, the others have not
    dark.pass_time(50.0)
    told = [json.loads(row["data"]) for row in notices(dark)]
    assert sorted(one["fan"] for one in told) == ["north", "south", "west"]
    for one in told:
        (found,) = one["findings"]
        assert (found["condition"], found["confidence"]) == ("supply-lost", "likely")
        assert (found["since"], found["until"]) == ("2026-10-04T01:33:20Z", "2026-10-04T01:43:20Z")
        assert "2 other fans" in found["evidence"][0]


def test_another_fan_that_never_ends_is_not_waited_for_longer_than_ten_minutes(dark: Any) -> None:
    late_rows = [dark.reading(600 + 10 * n, 12.5 if n < 100 else 9.0) for n in range(360)]
    dark.put("north", late_rows)
    for n in range(30):
        dark.put("south", dark.reading(600 + 10 * n))
        dark.pass_time(20.0)
        assert notices(dark) == []
    dark.put("south", dark.reading(1_000))
    dark.pass_time(20.0)
    assert [row["site"] for row in notices(dark)] == ["home"]


# --- restarts, kills, a database that is away -------------------------------------------------------------------


@pytest.mark.parametrize("when", ["before the late ones", "while they are quiet", "after it was told"])
def test_a_kill_neither_loses_nor_doubles_it(farm: Any, when: str) -> None:
    heard_again(farm)
    if when == "before the late ones":
        farm.begin().round()
    late(farm, over_for_a_while)
    farm.pass_time(30.0)
    if when == "while they are quiet":
        farm.begin().round()
        assert notices(farm) == []
    farm.pass_time(70.0)
    if when == "after it was told":
        farm.begin().round()
        farm.pass_time(200.0)
    assert len(notices(farm)) == 1


def test_a_commit_that_fails_tells_it_once_later(farm: Any, monkeypatch: Any) -> None:
    heard_again(farm)
    late(farm, over_for_a_while)
    farm.pass_time(50.0)
    tried = []

    def busy(*args: Any) -> None:
        tried.append(1)
        raise LinkError("the database is busy.")

    with monkeypatch.context() as patched:
        patched.setattr(worker_module, "commit", busy)
        farm.pass_time(20.0)
        assert tried and notices(farm) == []
    farm.pass_time(100.0)
    assert len(notices(farm)) == 1


def test_a_database_that_does_not_answer_is_asked_again(farm: Any, monkeypatch: Any) -> None:
    heard_again(farm)
    late(farm, over_for_a_while)
    asked = []

    def away(*args: Any) -> Any:
        asked.append(1)
        raise LinkError("the database is busy.")

    with monkeypatch.context() as patched:
        patched.setattr(backfill, "look", away)
        farm.pass_time(70.0)
    assert asked == [1] and notices(farm) == []
    farm.pass_time(70.0)
    assert len(notices(farm)) == 1


def test_a_state_of_another_form_is_made_anew_from_stored_rows(farm: Any, monkeypatch: Any) -> None:
    heard_again(farm)
    with farm.database.begin() as connection:
        connection.exec_driver_sql("UPDATE gaps SET format = 0")
    farm.begin().round()
    late(farm, over_for_a_while)
    farm.pass_time(70.0)
    (told,) = notices(farm)
    assert json.loads(told["data"])["findings"][0]["until"] == "2026-10-04T01:32:00Z"


def test_looking_back_never_costs_the_watch(farm: Any, monkeypatch: Any, caplog: Any) -> None:
    def broken(*args: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(backfill, "look", broken)
    heard_again(farm)
    late(farm, over_for_a_while)
    farm.pass_time(100.0)
    assert "a fault of the monitor" in caplog.text and notices(farm) == []
    farm.send("north", 4400, 4430, 9.0)
    assert farm.worker.trouble is None


# --- which gaps are kept ----------------------------------------------------------------------------------------


def test_the_state_before_a_gap_is_the_same_however_readings_are_cut(new_bench: Any, nameplate: str) -> None:
    """Several gaps within one batch, and one reading at a time."""
    times = [*range(0, 100, 10), *range(200, 300, 10), *range(400, 480, 10), *range(700, 760, 10)]
    kept = []
    for together in (True, False):
        bench = new_bench()
        bench.register("north", nameplate)
        bench.begin().round()
        bench.wall += timedelta(seconds=800)
        for at in times:
            bench.put("north", bench.reading(at, 9.0 + at % 70 / 100, volts=VOLTS))
            if not together:
                bench.worker.round()
                bench.steady += 0.01
        bench.pass_time(1.5, 0.5)
        kept.append(sorted((gap.from_ms, gap.to_ms, gap.state, gap.format) for gap in gaps.stored(bench.database)))
    assert kept[0] == kept[1] and len(kept[0]) == 3
    assert [(to - first) / 1000 for first, to, _, _ in kept[0]] == [110, 110, 230]
    assert kept[0][0][3] == layout.STATE_FORMAT


def test_three_gaps_a_fan_and_a_long_one_outlives_short_ones(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate)
    bench.begin().round()
    bench.wall += timedelta(hours=3)
    ends = [0, 10, 3_700, 3_710]  # an hour, then six short ones
    for n in range(6):
        ends += [3_800 + 100 * n, 3_810 + 100 * n]
    for at in ends:
        bench.put("north", bench.reading(at))
        bench.pass_time(1.5, 0.5)
    stored = gaps.stored(bench.database)
    assert len(stored) == 3
    assert max(gap.to_ms - gap.from_ms for gap in stored) == 3_690_000
    assert sorted(gap.to_ms for gap in stored)[-1] == int(bench.reading(4_300)["t"] * 1000)  # and the newest is there
    assert bench.begin()._gaps.of(bench.worker.plant.points[0]) == sorted(stored, key=lambda gap: gap.from_ms)


def test_after_a_day_it_is_too_late(farm: Any) -> None:
    heard_again(farm)
    farm.wall += timedelta(hours=25)
    farm.put("north", farm.reading(25 * 3600 + 4300))
    farm.pass_time(1.5, 0.5)
    late(farm, over_for_a_while)
    farm.pass_time(100.0)
    assert notices(farm) == [] and farm.logger("north")["late"] == 359


def test_late_readings_outside_every_gap_are_stored_and_no_more(farm: Any) -> None:
    late(farm, lambda at: 30.0, 5, 595)
    farm.pass_time(100.0)
    assert notices(farm) == [] and gaps.stored(farm.database) == [] and farm.logger("north")["late"] == 60


def test_late_readings_from_before_a_gap_do_not_fill_it(farm: Any) -> None:
    heard_again(farm)
    late(farm, lambda at: 30.0, 5, 595)
    farm.pass_time(100.0)
    (gap,) = gaps.stored(farm.database)
    assert notices(farm) == [] and gap.late_number == 0


def test_what_begins_after_the_gap_is_told_by_the_live_watch_alone(farm: Any) -> None:
    farm.send("north", 4200, 4330, 11.0, volts=VOLTS)
    late(farm, steady)
    farm.pass_time(100.0)
    assert notices(farm) == [] and len(farm.raised("overload")) == 1


def test_a_removed_fan_is_not_told_of(farm: Any) -> None:
    heard_again(farm)
    late(farm, over_for_a_while)
    farm.remove("north")
    farm.pass_time(100.0)
    assert notices(farm) == []
