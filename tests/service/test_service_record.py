"""Entries of the service record through the worker: what they change of the estimate, the register and the belief."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.errors import LinkError
from monitor.records import register, service_record, tables
from monitor.records.service_record import Entry
from monitor.service.service_book import Work
from simulated.farm import Farm
from simulated.scenario import Event, load

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
plenum = "bin 3"
[logger]
period_seconds = 10
"""


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("north", PITCHED)
    bench.begin().round()
    return bench


def enter(farm: Any, fan: str = "north", **entry: Any) -> str:
    number = farm.act("service", fan=fan, entry=entry)
    farm.pass_time(1.0, 0.25)
    outcome: str = farm.outcome(number)
    return outcome


def entries(farm: Any, fan: str = "north") -> list[Entry]:
    return service_record.entries(farm.database, farm.point_id(fan), -(2**60), 2**60, withdrawn=True)


def estimate(farm: Any) -> dict[str, Any]:
    (row,) = (row for row in farm.rows(tables.estimates) if row["point_id"] == farm.point_id("north"))
    said: dict[str, Any] = json.loads(row["json"])
    return said


def done(farm: Any) -> dict[str, bool]:
    return {check["name"]: check["done"] for check in estimate(farm)["checks_first"]}


def send(farm: Any, first: int, last: int, amps: float, **more: Any) -> None:
    """Readings of a span at once, taken in when it is over."""
    farm.wall = max(farm.wall, NOW + timedelta(seconds=last))
    farm.put("north", [farm.reading(second, amps, **more) for second in range(first, last + 1, 10)])
    farm.pass_time(6.0, 1.0)


def at(seconds: float) -> str:
    return (NOW + timedelta(seconds=seconds)).isoformat()


# --- checks ------------------------------------------------------------------------------------------------------


def test_checks_make_the_estimate_firm_also_after_a_kill(farm: Any) -> None:
    send(farm, 0, 420, 15.0, volts=[461.0, 458.0, 460.0])
    assert not any(done(farm).values()) and estimate(farm)["pitch"]["provisional"]
    for name in ("supply voltage", "connections", "bearings"):
        assert enter(farm, kind="check", check=name, finding="good") == "done"
    send(farm, 430, 450, 15.0, volts=[461.0, 458.0, 460.0])
    assert all(done(farm).values()) and not estimate(farm)["pitch"]["provisional"]
    farm.begin().round()
    send(farm, 460, 800, 15.0, volts=[461.0, 458.0, 460.0])
    assert not estimate(farm)["pitch"]["provisional"]
    assert enter(farm, kind="withdraw", number=2) == "done"
    send(farm, 810, 830, 15.0, volts=[461.0, 458.0, 460.0])
    assert done(farm) == {"supply voltage": True, "connections": False, "bearings": True}


def test_a_check_of_more_than_thirty_days_ago_counts_no_more(farm: Any) -> None:
    enter(farm, kind="check", check="bearings", finding="good", done=at(-30 * 86_400 - 60))
    enter(farm, kind="check", check="connections", finding="good", done=at(-30 * 86_400 + 3600))
    send(farm, 0, 420, 15.0)
    assert done(farm) == {"supply voltage": False, "connections": True, "bearings": False}


def test_a_technicians_voltages_derate_the_estimates_limit_where_none_are_measured(farm: Any) -> None:
    enter(farm, kind="check", check="supply voltage", finding="good", volts=[460, 467, 450], done=at(-3 * 86_400))
    send(farm, 0, 420, 13.0)
    limit = estimate(farm)["limit"]
    assert limit["amps"] == pytest.approx(14.26 * 0.952, abs=0.01)  # 1.96 %, NEMA MG 1 14.36
    assert "a technician's reading of 30 September" in limit["factors"][-1]["source"]  # 20:00 in Chicago
    farm.steady += 300.0  # until the next estimate is due
    send(farm, 430, 800, 13.0, volts=[460.0, 460.0, 460.0])
    assert estimate(farm)["limit"]["amps"] == pytest.approx(14.26)


# --- work after which the rotation is to be checked --------------------------------------------------------------


def rotation(farm: Any) -> list[str]:
    return [one for one in estimate(farm)["words"] if "check rotation" in one]


def test_after_work_on_the_supply_the_rotation_is_to_be_checked_for_three_days(farm: Any) -> None:
    send(farm, 0, 420, 13.0)
    assert rotation(farm) == []
    assert enter(farm, kind="check", check="supply voltage", finding="good") == "done"
    assert enter(farm, kind="check", check="connections", finding="put right") == "done"
    send(farm, 430, 450, 13.0)
    assert rotation(farm) == []
    work = at(300.0)
    assert enter(farm, kind="check", check="supply voltage", finding="put right", done=work) == "done"
    send(farm, 460, 470, 13.0)  # within the minute for which a comparison stands
    (said,) = rotation(farm)
    assert said.startswith("after the work on the supply: check rotation of north. Two leads changed over")
    farm.begin().round()
    three_days = 3 * 86_400
    farm.steady += 600.0
    send(farm, three_days - 300, three_days + 290, 13.0)
    assert len(rotation(farm)) == 1
    farm.steady += 600.0
    send(farm, three_days + 300, three_days + 620, 13.0)
    assert rotation(farm) == []


def test_it_concerns_the_fans_of_that_supply_and_no_other_site(farm: Any) -> None:
    """A single-phase fan's check says it too: what is behind it may feed three-phase ones."""
    panel = PITCHED.replace('plenum = "bin 3"', 'supply = "panel"')
    single = panel.replace("phases = 3", "phases = 1").replace("rated_voltage = 460", "rated_voltage = 230")
    farm.register("south", single)
    farm.pass_time(1.0, 0.25)
    assert enter(farm, "south", kind="check", check="supply voltage", finding="put right") == "done"
    work = farm.worker._service.work("home")
    assert (work.supplies, work.leads) == ({"panel"}, frozenset())
    assert farm.worker._service.work("hill") == Work()
    send(farm, 0, 420, 13.0)
    assert rotation(farm) == []  # north names no supply point
    farm.register("north", panel)
    farm.steady += 600.0
    send(farm, 430, 800, 13.0)
    assert len(rotation(farm)) == 1 and "after the work on panel: " in rotation(farm)[0]


def test_after_a_fans_leads_were_moved_its_own_rotation_is_to_be_checked(farm: Any) -> None:
    send(farm, 0, 420, 13.0)
    amps = {"amps_before": [12.0, 11.0, 13.0], "amps_after": [12.1, 11.1, 13.1]}
    assert enter(farm, kind="lead rotation", way="forward", **amps) == "done"
    send(farm, 430, 450, 13.0)
    (said,) = rotation(farm)
    assert said.startswith("after its leads were moved: check rotation of north.")
    assert enter(farm, kind="withdraw", number=1) == "done"
    send(farm, 460, 480, 13.0)
    assert rotation(farm) == []


# --- orders ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fan", "entry", "outcome"),
    [
        ("nobody", {"kind": "note", "note": "x"}, "there is no fan nobody at home"),
        ("north", None, "kind: expected"),
        ("north", {"kind": "note"}, "note: expected 1 to 1000 letters, found nothing"),
        ("north", {"kind": "withdraw", "number": 4}, "number: expected the number of an entry of this fan"),
        ("north", {"kind": "re-pitch", "from": 19, "to": 17}, "from: expected 21, the pitch registered then"),
        ("north", {"kind": "re-pitch", "from": 19, "to": 12}, "from: expected 21"),
    ],
)
def test_what_cannot_be_entered_is_told_in_words_and_changes_nothing(
    farm: Any, fan: str, entry: Any, outcome: str
) -> None:
    number = farm.act("service", fan=fan, entry=entry)
    farm.pass_time(1.0, 0.25)
    assert farm.outcome(number).startswith(outcome)
    assert farm.rows(tables.service_records) == [] and len(farm.rows(tables.register_versions)) == 1


def test_entries_of_one_moment_are_taken_one_after_the_other(farm: Any) -> None:
    """The second re-pitch is judged by the register as the first one leaves it."""
    first = farm.act("service", fan="north", entry={"kind": "re-pitch", "from": 21, "to": 19, "done": at(-7200)})
    second = farm.act("service", fan="north", entry={"kind": "re-pitch", "from": 19, "to": 17, "done": at(-3600)})
    third = farm.act("service", fan="north", entry={"kind": "re-pitch", "from": 19, "to": 18, "done": at(-1800)})
    farm.pass_time(3.0, 0.25)
    assert [farm.outcome(one)[:17] for one in (first, second, third)] == ["done", "done", "from: expected 17"]
    assert [one.nameplate.fan.blade_pitch_degrees for one in register.versions(farm.database, 1)] == [21, 19, 17]


def test_an_entry_is_made_once_also_when_the_commit_fails_at_first(farm: Any, monkeypatch: Any) -> None:
    from monitor.service import worker as worker_module

    commit = worker_module.commit

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    number = farm.act("service", fan="north", entry={"kind": "re-pitch", "from": 21, "to": 19})
    farm.pass_time(5.0, 0.5)
    assert farm.outcome(number) is None and entries(farm) == []
    monkeypatch.setattr(worker_module, "commit", commit)
    farm.pass_time(3.0, 0.5)
    assert farm.outcome(number) == "done" and len(entries(farm)) == 1
    assert len(register.versions(farm.database, 1)) == 2


# --- hand readings -----------------------------------------------------------------------------------------------


def test_a_hand_reading_is_compared_with_that_minute_and_a_steady_difference_is_offered(farm: Any) -> None:
    send(farm, 0, 300, 12.0)
    enter(farm, kind="hand reading", amps=[12.1, 13.8, 12.0], done=at(100))
    farm.pass_time(10.0)
    (first,) = entries(farm)
    assert first.found["logger"]["amps"] == [12.0, 12.0, 12.0] and first.found["logger"]["readings"] == 13
    assert first.found["differences_amps"] == pytest.approx([0.1, 1.8, 0.0])
    assert [(one["leg"], one["confidence"]) for one in first.found["offers"]] == [(2, "low")] and not first.waits
    send(farm, 310, 600, 11.0)
    enter(farm, kind="hand reading", amps=[11.0, 12.6, 11.1], volts=[460, 459, 461], done=at(500))
    farm.pass_time(10.0)
    second = entries(farm)[1]
    assert [(one["leg"], one["readings"], one["confidence"]) for one in second.found["offers"]] == [(2, 2, "high")]
    assert second.found["offers"][0]["factor"] == pytest.approx((13.8 / 12 + 12.6 / 11) / 2)
    assert "hand meter less logger: +0.0 A, +1.6 A, +0.1 A" in second.found["words"][0]


def test_a_hand_reading_waits_for_a_logger_that_is_behind(farm: Any) -> None:
    send(farm, 0, 60, 12.0)
    enter(farm, kind="hand reading", amps=[12.0, 12.0, 12.0], done=at(-3600))
    farm.pass_time(10.0)
    (entry,) = entries(farm)
    assert entry.waits and "nothing within a minute" in entry.found["words"][0]
    farm.begin().round()  # what waits is known after a kill
    farm.put("north", [farm.reading(second, 11.0) for second in range(-3660, -3540, 10)])
    farm.pass_time(320.0)
    (entry,) = entries(farm)
    assert not entry.waits and entry.found["differences_amps"] == pytest.approx([1.0, 1.0, 1.0])


# --- re-pitches --------------------------------------------------------------------------------------------------


def run_re_pitched(farm: Any, before: float, after: float) -> None:
    """40 min of running at each pitch, half an hour apart; the entry is made an hour later."""
    for first, amps in ((0, before), (4200, after)):
        farm.wall = max(farm.wall, NOW + timedelta(seconds=first + 2500))
        steps = [farm.reading(first + second, amps, volts=[460.0] * 3, ambient_c=5.0) for second in range(0, 2400, 10)]
        farm.put("north", steps)
        farm.put("north", [farm.reading(first + 2400 + second, 0.0, volts=[460.0] * 3) for second in (0, 10, 20)])
        farm.pass_time(5.0, 0.5)


def test_a_re_pitch_makes_a_version_and_teaches_once_both_half_hours_are_there(farm: Any) -> None:
    run_re_pitched(farm, 14.0, 12.6)
    assert enter(farm, kind="re-pitch", **{"from": 21, "to": 19}, inserts=6, done=at(3000)) == "done"
    second = register.versions(farm.database, farm.point_id("north"))[1]
    assert (second.valid_from, second.nameplate.fan.blade_pitch_degrees) == (NOW + timedelta(seconds=3000), 19)
    farm.pass_time(10.0)
    (entry,) = entries(farm)
    assert not entry.waits and entry.found["version"] == 2 and entry.found["registered"] == 21
    assert entry.found["before"]["seconds"] >= 1800 and entry.found["after"]["seconds"] >= 1800
    assert entry.found["before"]["to_ms"] < entry.found["after"]["from_ms"]
    # p = Ia at like volts and air; Im = 0.85 x 12.4 x sqrt(1 - 0.84^2) = 5.719 A
    share = math.log((14.0**2 - 5.719**2) / (12.6**2 - 5.719**2)) / 2 / 2
    assert entry.found["share_a_degree"] == pytest.approx(share, rel=1e-3)
    assert entry.found["learned"] and "A expected" in entry.found["words"][0]
    worth = 1 / (1 / 0.015**2 + 1 / 0.015**2) * (0.075 / 0.015**2 + share / 0.015**2)
    send(farm, 9000, 9420, 12.6, volts=[460.0] * 3, ambient_c=5.0)
    farm.steady += 300.0  # until the next estimate is due
    send(farm, 9430, 9440, 12.6, volts=[460.0] * 3, ambient_c=5.0)
    told = estimate(farm)["pitch"]["amps_per_degree"]
    assert told["source"] == "learned from 1 re-pitch of this fan"
    assert told["mean"] == pytest.approx(worth * (14.26**2 - 5.719**2) / 14.26, rel=1e-3)
    farm.begin().round()  # kept, not worked again
    farm.steady += 300.0
    send(farm, 9450, 9500, 12.6, volts=[460.0] * 3, ambient_c=5.0)
    assert estimate(farm)["pitch"]["amps_per_degree"] == told
    enter(farm, kind="withdraw", number=entry.number, why="it was south")
    send(farm, 9510, 9900, 12.6, volts=[460.0] * 3, ambient_c=5.0)
    farm.steady += 300.0
    send(farm, 9910, 9920, 12.6, volts=[460.0] * 3, ambient_c=5.0)
    assert estimate(farm)["pitch"]["amps_per_degree"]["source"] == "usual for axial fans, an estimate"
    assert register.nameplate(farm.database, "home", "north").fan.blade_pitch_degrees == 21


def test_a_re_pitch_waits_until_half_an_hour_has_been_run(farm: Any) -> None:
    steady = {"volts": [460.0] * 3, "ambient_c": 5.0}
    farm.wall = NOW + timedelta(seconds=2500)
    farm.put("north", [farm.reading(second, 14.0, **steady) for second in range(0, 2400, 10)])
    farm.put("north", [farm.reading(2400 + second, 0.0, **steady) for second in (0, 10, 20)])
    farm.pass_time(5.0, 0.5)
    enter(farm, kind="re-pitch", **{"from": 21, "to": 19}, done=at(2450))
    farm.pass_time(10.0)
    (entry,) = entries(farm)
    assert entry.waits and entry.found["why_not"] == "the fan has not run since, or not within two days"
    send(farm, 4200, 4800, 12.6, **steady)
    farm.pass_time(301.0, 50.0)
    (entry,) = entries(farm)
    assert entry.waits and "min of running since; 30 min are needed" in entry.found["why_not"]
    farm.begin().round()
    send(farm, 4810, 6700, 12.6, **steady)
    farm.pass_time(301.0, 50.0)
    (entry,) = entries(farm)
    assert not entry.waits and entry.found["learned"]


@pytest.mark.parametrize("what", ["re-pitched", "started", "another plenum"])
def test_another_fan_of_the_plenum_that_was_changed_meanwhile(farm: Any, what: str) -> None:
    plate = PITCHED.replace('"bin 3"', '"bin 4"') if what == "another plenum" else PITCHED
    farm.register("south", plate)
    farm.pass_time(1.0, 0.25)
    if what == "started":
        farm.wall = NOW + timedelta(seconds=6600)
        farm.put("south", [farm.reading(second, 0.0 if second < 3000 else 12.0) for second in range(0, 6600, 30)])
        farm.pass_time(2.0, 0.5)
    run_re_pitched(farm, 14.0, 12.6)
    if what != "started":
        enter(farm, "south", kind="re-pitch", **{"from": 21, "to": 19}, done=at(3100))
    enter(farm, kind="re-pitch", **{"from": 21, "to": 19}, done=at(3000))
    farm.pass_time(15.0)
    (entry,) = entries(farm)
    assert entry.found["other_fan_of_plenum_changed"] is (what != "another plenum")
    assert entry.found["learned"] is (what == "another plenum")


def test_a_fault_in_looking_back_costs_neither_the_watch_nor_the_entry(farm: Any, monkeypatch: Any) -> None:
    from monitor.service import service_findings

    def break_down(*_: Any) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(service_findings, "hand_reading_found", break_down)
    enter(farm, kind="hand reading", amps=[12.1, 13.8, 12.0], done=at(-100))
    farm.pass_time(10.0)
    (entry,) = entries(farm)
    assert not entry.waits and "a fault of the monitor" in entry.found["words"][0]
    farm.send("north", 0, 60, 12.0)
    assert len(farm.stored("north")["t_ms"]) == 7


# --- on the invented farm ----------------------------------------------------------------------------------------


def test_what_a_true_re_pitch_teaches_on_the_invented_farm(bench: Any, make_message: Any) -> None:
    """Its physics are its own, with noise, gusts, a moving supply and clamps that are off; its true slope is known."""
    scenario = load("quiet")
    scenario.past_hours = 0.0
    scenario.events = [
        Event("45m", "brook", "bin-1", "off", lasts="30m"),
        Event("1h", "brook", "bin-1", "pitch", by=-2.0),
    ]
    farm = Farm(scenario, NOW, 5)
    site = farm.sites()["brook"]
    place = register.Site("brook", site["name"], site["time_zone"], site["altitude_m"], site["units"], "17:00")
    register.put_site(bench.database, place, NOW)
    text = farm.nameplates()["brook", "bin-1"]
    before = NOW - timedelta(days=1)
    register.put_nameplate(bench.database, "brook", "bin-1", text, valid_from=before, by="someone", now=NOW)
    bench.begin().round()
    for minute in range(5, 126, 5):
        bench.wall = NOW + timedelta(minutes=minute)
        bench.steady += 300.0
        for letter in farm.advance(bench.wall):
            if "bin-2" not in letter.topic_tail:
                bench.mid += 1
                sent = letter.sent.timestamp() * 1000.0
                bench.link.inbox.put(make_message(letter.topic_tail, letter.payload, sent, mid=bench.mid))
        bench.worker.round()
        if minute == 80:
            entry = {"kind": "re-pitch", "from": 19, "to": 17, "done": (NOW + timedelta(hours=1)).isoformat()}
            number = bench.act("service", "brook", fan="bin-1", entry=entry)
    assert bench.outcome(number) == "done"
    (seen,) = service_record.re_pitches(bench.database, bench.point_id("bin-1"))
    assert not seen.waits and seen.found["learned"], seen.found
    true = farm.truth.slopes["brook", "bin-1"]
    assert seen.found["share_a_degree"] == pytest.approx(true, abs=2 * 0.03 / 2)
    assert seen.found["predicted_low_amps"] < seen.found["found_amps"] < seen.found["predicted_high_amps"]
