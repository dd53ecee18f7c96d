"""Job sheets through the worker: opened with what is seen, ended in one commit with what they enter in the record."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.errors import LinkError
from monitor.records import jobs, register, service_record
from monitor.records.jobs import Job
from monitor.records.scope import ALL

NOW = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
PITCHED = """
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 12.4
service_factor = 1.15
power_factor = 0.84
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
minimum_pitch_degrees = 13
coldest_expected_c = -5
control = "continuous"
blades = 6
[logger]
period_seconds = 10
"""
IM = 0.85 * 12.4 * math.sqrt(1 - 0.84**2)
"""5.719 A at rated voltage (science 6.2)."""


@pytest.fixture
def farm(bench: Any) -> Any:
    """A fan that ran for 40 min at 15 A, 460 V and 5 degrees C, and stands still since then."""
    bench.register("north", PITCHED)
    bench.begin().round()
    bench.wall = NOW + timedelta(seconds=2_450)
    bench.put("north", [bench.reading(at, 15.0, **STEADY) for at in range(0, 2400, 10)])
    bench.pass_time(6.0, 1.0)
    return bench


STEADY = {"volts": [460.0] * 3, "ambient_c": 5.0}


def ask(farm: Any, kind: str, **body: Any) -> str:
    number = farm.act(kind, **body)
    farm.pass_time(1.0, 0.25)
    outcome: str = farm.outcome(number)
    return outcome


def job(farm: Any, number: int = 1) -> Job:
    found = jobs.one(farm.database, ALL, number)
    assert found is not None
    return found


def at(seconds: float) -> str:
    return (NOW + timedelta(seconds=seconds)).isoformat()


def stops_and_runs_again(farm: Any, amps: float, first: int = 6000, **more: Any) -> None:
    """It stands still for an hour, runs for two minutes, stands for five and runs on at other amps."""
    farm.wall = NOW + timedelta(seconds=first + 1_000)
    steps = [(2400, 0.0), (first, amps), (first + 120, 0.0), (first + 420, amps)]
    for (start, drawn), end in zip(steps, [first, first + 120, first + 420, first + 900], strict=True):
        span = range(start, min(end, start + 60) if drawn == 0.0 else end, 10)
        farm.put("north", [farm.reading(second, drawn, **(STEADY | more)) for second in span])
    farm.pass_time(6.0, 1.0)


def test_a_job_keeps_what_was_seen_and_what_is_expected(farm: Any) -> None:
    assert ask(farm, "open-job", fan="north", pitch_to=18.0, note="key at\nthe office") == "done"
    found = job(farm)
    assert (found.state, found.pitch_from, found.pitch_to, found.inserts) == ("open", 21, 18, 6)
    assert found.why == "over its limit: 15.0 A of 14.3 A (105 %)" and found.opened_by == "someone"
    sheet = found.sheet
    assert (sheet["note"], sheet["zone"], sheet["seen"]["amps"]) == ("key at the office", "America/Chicago", [15.0] * 3)
    assert sheet["chosen"]["pitch"] == 18 and sheet["nameplate"].count("[fan]") == 1
    active = math.sqrt(15.0**2 - IM**2) * math.exp(-0.075 * 3)
    assert sheet["after_work"]["amps"] == pytest.approx(math.hypot(active, IM), abs=1e-6)
    assert sheet["after_work"]["volts"] == pytest.approx(460) and sheet["after_work"]["ambient_c"] == pytest.approx(5)
    assert "overload" in [one["id"] for one in sheet["alarms"]]
    farm.begin().round()
    assert job(farm) == found


@pytest.mark.parametrize(
    ("body", "outcome"),
    [
        ({"fan": "nobody"}, "there is no fan nobody at home"),
        ({"fan": "north", "pitch_to": 16.0}, "16.0 is not the angle of an insert on hand below the present pitch"),
        ({"fan": "north", "pitch_to": 21.0}, "21.0 is not"),
        ({"fan": "north", "pitch_to": "18"}, "18 is not"),
    ],
)
def test_what_cannot_be_opened_is_told_in_words(farm: Any, body: dict[str, Any], outcome: str) -> None:
    assert ask(farm, "open-job", **body).startswith(outcome)
    assert jobs.open_jobs(farm.database, ALL) == []


def test_a_fan_has_one_open_job_also_when_two_are_asked_for_at_once(farm: Any) -> None:
    first = farm.act("open-job", fan="north", pitch_to=18.0)
    second = farm.act("open-job", fan="north", pitch_to=19.0)
    farm.pass_time(3.0, 0.25)
    assert farm.outcome(first) == "done"
    assert farm.outcome(second) == "job 1 is open for north already: close or drop it first"
    assert ask(farm, "drop-job", job=1, why=" ") == "why is job 1 to be dropped? A reason is needed"
    assert ask(farm, "drop-job", job=1, why="the supply\nwas it") == "done"
    assert (job(farm).state, job(farm).found) == ("dropped", {"why": "the supply was it"})
    assert ask(farm, "drop-job", job=1, why="again") == "job 1 is dropped already"
    assert ask(farm, "close-job", job=1, amps=[9, 9, 9]) == "job 1 is dropped already"
    assert ask(farm, "drop-job", job=7, why="x") == "there is no job 7 at home"
    assert ask(farm, "open-job", fan="north", pitch_to=None) == "done"
    assert (job(farm, 2).pitch_to, job(farm, 2).inserts, job(farm, 2).sheet["after_work"]) == (None, None, None)


def test_closing_compares_at_the_volts_and_air_of_then_and_makes_the_entries(farm: Any) -> None:
    """The logger lacks air and volts after the work, so those entered count: 450 V, v 0.978, and 15 degrees C."""
    ask(farm, "open-job", fan="north", pitch_to=18.0)
    stops_and_runs_again(farm, 13.3, volts=[None] * 3, ambient_c=None)
    checks = [{"check": "bearings", "finding": "good"}, {"check": "connections", "finding": "put right", "note": "L2"}]
    outcome = ask(
        farm, "close-job", job=1, done=at(6_700), pitch=18.0, amps=[13.4, 13.1, 13.2], volts=[450, 449, 451],
        ambient_c=15.0, checks=checks, note="tips clear",
    )  # fmt: skip
    assert outcome == "done"
    found = job(farm).found
    assert found is not None and job(farm).state == "done"
    v, spread = 450 / 460, 13.4 - 13.2333
    active = math.sqrt(15.0**2 - IM**2) * (278.15 / 288.15) / v * math.exp(-0.225)
    assert found["expected"]["amps"] == pytest.approx(math.hypot(active, IM * v) + spread, abs=1e-3)
    assert found["hand"]["highest"] == 13.4 and found["hand"]["verdict"] == "as expected"
    assert found["logger"]["amps"] == pytest.approx([13.3] * 3) and found["logger"]["verdict"] == "as expected"
    assert (found["volts_from"], found["air_from"], found["pitch"]) == ("hand meter", "entered", 18)
    low, high = found["expected"]["low"], found["expected"]["high"]
    told = f"expected {found['expected']['amps']:.1f} A ({low:.1f} to {high:.1f}), found 13.4 A by hand meter: "
    assert found["words"][0] == told + "as expected"
    assert found["coldest"]["ambient_c"] == -5 and found["coldest"]["amps"] > 13.4
    assert found["coldest"]["limit_amps"] == pytest.approx(14.26, abs=0.01)
    entries = service_record.entries(farm.database, farm.point_id("north"), 0, 2**60)
    kinds = {one.kind: one for one in entries}
    assert sorted(one.kind for one in entries) == ["check", "check", "hand reading", "note", "re-pitch"]
    # The fan stood still from 2400 to 6000 s, then ran briefly: the blades were changed within the long stop.
    assert kinds["re-pitch"].done == NOW + timedelta(seconds=5_999)
    assert kinds["re-pitch"].body == {"from": 21, "to": 18, "inserts": 6}
    assert kinds["hand reading"].done == NOW + timedelta(seconds=6_700) and kinds["note"].body["note"] == "tips clear"
    assert found["changed"] == "2026-10-04T02:39:59Z"
    assert register.nameplate(farm.database, "home", "north").fan.blade_pitch_degrees == 18
    farm.pass_time(10.0)
    lesson = next(one for one in service_record.re_pitches(farm.database, farm.point_id("north")))
    assert lesson.found["why_not"] == "only 8 min of running since; 30 min are needed"


def test_more_than_expected_is_told_and_nothing_is_expected_of_what_was_not_predicted(farm: Any) -> None:
    ask(farm, "open-job", fan="north", pitch_to=18.0)
    stops_and_runs_again(farm, 14.9)
    assert ask(farm, "close-job", job=1, done=at(6_700), pitch=18.0, changed=at(4_000)) == "done"
    found = job(farm).found
    assert found is not None and found["hand"] is None and found["logger"]["verdict"] == "more than expected"
    assert found["changed"] == "2026-10-04T02:06:40Z"
    farm.register("south", PITCHED)
    farm.pass_time(1.0, 0.25)
    ask(farm, "open-job", fan="south", pitch_to=15.0)
    assert ask(farm, "close-job", job=2, amps=[9.0, 9.1, 9.2], pitch=15.0) == "done"
    found = job(farm, 2).found
    assert found is not None and found["expected"] is None and found["hand"]["verdict"] is None
    assert found["words"][0].startswith("nothing was predicted: when the job was opened there was too little running")
    assert found["words"][1] == "found 9.2 A by hand meter"


def test_a_re_pitch_entered_before_in_the_record_counts(farm: Any) -> None:
    """15 A at 21 degrees make 13.0 A at 18: the job compares with that, not with what it was before the work."""
    ask(farm, "open-job", fan="north", pitch_to=18.0)
    stops_and_runs_again(farm, 13.0)
    ask(farm, "service", fan="north", entry={"kind": "re-pitch", "from": 21, "to": 18, "done": at(5_000)})
    assert ask(farm, "close-job", job=1, done=at(6_700), pitch=18.0, amps=[13.0, 13.0, 13.0]) == "done"
    found = job(farm).found
    assert found is not None and found["hand"]["verdict"] == "as expected" and found["pitch"] == 18
    assert len(register.versions(farm.database, farm.point_id("north"))) == 2


def test_faults_of_a_closing_are_told_all_at_once_and_nothing_is_entered(farm: Any) -> None:
    ask(farm, "open-job", fan="north", pitch_to=18.0)
    told = ask(
        farm, "close-job", job=1, done=at(9_999), pitch=99, amps=[9], volts="x", ambient_c=99,
        checks=[{"check": "belt", "finding": "good"}],
    )  # fmt: skip
    for place in ("done: ", "pitch: ", "amps: ", "volts: ", "ambient_c: ", "checks.0.check: "):
        assert f"; {place}" in f"; {told}", (place, told)
    assert ask(farm, "close-job", job=1) == (
        "amps: expected the readings after the work, or what else was done, found nothing"
    )
    assert ask(farm, "close-job", job=1, amps=[9, 9, 9], changed=at(2_500), done=at(2_440)).startswith("changed: ")
    assert job(farm).state == "open"
    assert service_record.entries(farm.database, farm.point_id("north"), 0, 2**60) == []


def test_end_and_entries_are_stored_together_once_also_when_the_commit_fails_at_first(
    farm: Any, monkeypatch: Any
) -> None:
    from monitor.service import worker as worker_module

    ask(farm, "open-job", fan="north", pitch_to=18.0)
    commit = worker_module.commit

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    number = farm.act("close-job", job=1, amps=[13.0, 13.0, 13.0], pitch=18.0)
    farm.pass_time(5.0, 0.5)
    assert farm.outcome(number) is None and job(farm).state == "open"
    monkeypatch.setattr(worker_module, "commit", commit)
    farm.pass_time(3.0, 0.5)
    assert farm.outcome(number) == "done" and job(farm).state == "done"
    assert len(service_record.entries(farm.database, farm.point_id("north"), 0, 2**60)) == 2
