"""What becomes of each kind of message: fed, late, a repeat, a newcomer, or rejected. Nothing vanishes."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from monitor.records import tables
from monitor.service import intake as intake_module
from monitor.service import worker as worker_module
from monitor.service.intake import LATE, TIME_OF_RECEIPT
from monitor.service.joining import AIR_FROM_POINT, VOLTS_FROM_SUPPLY


@pytest.fixture
def farm(bench: Any, nameplate: str, fed_by_panel: str) -> Any:
    """north has volts of its own or none; east is fed by the panel; south is single-phase."""
    bench.register("north")
    bench.register("east", fed_by_panel)
    bench.register("south", nameplate.replace("phases = 3", "phases = 1"))
    bench.begin().round()
    return bench


def backlog(bench: Any, name: str, readings: list[Any]) -> None:
    """Many readings in payloads of a thousand."""
    for first in range(0, len(readings), 1_000):
        bench.put(name, readings[first : first + 1_000])


def settle(bench: Any) -> None:
    bench.pass_time(1.5, 0.5)


def test_an_unknown_fan_is_a_newcomer_and_is_counted_by_readings(farm: Any) -> None:
    farm.put("new-one", farm.reading(0, [5.0, None, 5.2], volts=[460.0, 461.0, 462.0]))
    farm.put("new-one", [farm.reading(10, [5.1, 5.2, 5.3]), farm.reading(20, [6.1, 6.2, 6.3], ambient_c=4.5)])
    settle(farm)
    (new,) = farm.rows(tables.newcomers)
    assert (new["site"], new["name"], new["readings"]) == ("home", "new-one", 3)
    last = json.loads(new["last_reading"])
    assert last == {"t_ms": 1791075620000.0, "amps": [6.1, 6.2, 6.3], "volts": [], "ambient_c": 4.5}
    assert farm.reasons() == {("new-one", "unknown fan"): 3}
    assert len(farm.link.acked) == 2


def test_taking_on_a_newcomer(farm: Any) -> None:
    farm.put("new-one", farm.reading(0))
    settle(farm)
    farm.register("new-one")
    assert farm.rows(tables.newcomers) == []
    farm.pass_time(1.0, 0.5)
    farm.put("new-one", farm.reading(10))
    settle(farm)
    assert farm.stored("new-one")["t_ms"].tolist() == [1791075610000]
    assert farm.stored("new-one")["version"].tolist() == [1]
    assert farm.rows(tables.newcomers) == []


@pytest.mark.parametrize(
    ("name", "body", "reason", "says"),
    [
        ("north", {"amps": [9.0]}, "wrong number of legs", "3 leg(s), 1 came"),
        ("south", {"amps": [9.0, 9.0, 9.0]}, "wrong number of legs", "1 leg(s), 3 came"),
        ("north", {"volts": [460.0, 460.0, 460.0]}, "no amps for a fan", "registered as a fan"),
        ("panel", {"amps": [9.0, 9.0, 9.0]}, "amps for a point that is not a fan", "supply"),
        ("yard", {"amps": [9.0]}, "amps for a point that is not a fan", "weather"),
        ("north", {"amps": [9.0, 9.0]}, "wrong number of legs", "found 2"),
        ("north", {"amps": [9.0, 9.0, 9000.0]}, "amps out of range", "2000"),
        ("north", b"{", "not JSON", ""),
        ("north", b" " * 1_048_576, "too large", "262144"),
        ("south", [{"amps": [9]}] * 10_001, "too many readings", "10001"),
    ],
)
def test_rejected_with_reason_topic_and_excerpt(farm: Any, name: str, body: Any, reason: str, says: str) -> None:
    payload = body if isinstance(body, bytes | list) else {"t": 1791075600.0, **body}
    farm.put(name, payload)
    settle(farm)
    (kept,) = farm.rows(tables.rejected)
    assert (kept["site"], kept["name"], kept["reason"]) == ("home", name, reason)
    assert says in kept["detail"] and kept["topic"] == f"amps/v1/home/{name}/readings"
    assert len(kept["excerpt"]) <= 300
    assert farm.rows(tables.readings) == [] and len(farm.link.acked) == 1


@pytest.mark.parametrize(
    ("topic", "reason"),
    [
        ("amps/v1/home/Bin 3/readings", "unusable name"),
        ("amps/v1///readings", "unusable name"),
        ("amps/v1/home/" + "x" * 60_000 + "/readings", "unusable name"),
        ("amps/v1/home/bin\u00e93/status", "unusable name"),
        ("readings", "unusable name"),
        ("a/b", "unusable name"),
        ("amps/v1/elsewhere/north/readings", "unknown fan"),
        ("amps/v1/home/nobody/status", "unknown fan"),
        ("amps/v1/home/north/status", "wrong status"),
    ],
)
def test_odd_topics_are_refused_and_end_nothing(farm: Any, topic: str, reason: str) -> None:
    one = farm.message("north", farm.reading(0))
    farm.link.inbox.put(type(one)(one.generation, 99, topic, one.payload, False, one.received_ms))
    farm.put("north", farm.reading(0))
    settle(farm)
    assert [key[1] for key in farm.reasons()] == [reason]
    assert len(farm.stored("north")["t_ms"]) == 1 and len(farm.link.acked) == 2
    assert len(farm.rows(tables.newcomers)) == (topic.endswith("north/readings") and "elsewhere" in topic)


def test_status_of_a_logger(farm: Any) -> None:
    farm.put("north", b"offline", retain=True, kind="status")
    settle(farm)
    assert (farm.logger("north")["status"], farm.logger("north")["readings"]) == ("offline", 0)


def test_ten_thousand_readings_in_one_payload_beside_bad_ones(farm: Any) -> None:
    farm.wall += timedelta(days=2)
    many = ["{}"] * 500 + [f'{{"t":{1791075600 + 10 * n},"amps":9}}' for n in range(9_500)]  # 256 KiB hold no more
    farm.put("south", f"[{','.join(many)}]".encode())
    settle(farm)
    assert len(farm.stored("south")["t_ms"]) == 9_500
    assert farm.reasons() == {("south", "wrong type"): 500}
    assert len(farm.rows(tables.rejected)) == 20


# --- SenML packs -------------------------------------------------------------------------------------------------


def test_a_senml_pack_is_stored_as_its_joined_readings(farm: Any) -> None:
    pack = [{"bn": "urn:dev:x:", "bt": 1791075600, "bu": "A"}]
    for t in (0, 10):
        pack += [{"n": leg, "t": t, "v": 9.0 + t / 100} for leg in ("l1", "l2", "l3")]  # type: ignore[misc]
    farm.put("north", [*pack, {"n": "v12", "u": "V", "v": 460}, {"n": "battery", "v": 3.6}, {"n": "ambient", "u": "V"}])
    settle(farm)
    stored = farm.stored("north")
    assert stored["t_ms"].tolist() == [1791075600000, 1791075610000] and stored["amps"][:, 2].tolist() == [9.0, 9.1]
    assert stored["volts"][0, 0] == 460.0 and stored["flags"].tolist() == [0, 0]
    assert farm.logger("north")["unknown_keys"] == 1
    assert farm.reasons() == {("north", "wrong unit"): 1}


def test_times_counted_from_receipt_are_marked_and_in_a_heap_they_are_lost(farm: Any) -> None:
    pack = [{"n": leg, "u": "A", "t": t, "v": 9} for t in (-20, -10, 0) for leg in ("l1", "l2", "l3")]
    farm.put("north", pack)
    farm.put("north", pack)  # held back somewhere, and sent with the one after it: when it was cannot be known
    settle(farm)
    ms = farm.stored("north")["t_ms"].tolist()
    assert ms == [1791075580000, 1791075590000, 1791075600000]
    assert farm.stored("north")["flags"].tolist() == [TIME_OF_RECEIPT] * 3
    assert farm.reasons() == {("north", "no time, in a heap"): 3}
    farm.pass_time(30)
    farm.put("north", pack)
    settle(farm)
    assert len(farm.stored("north")["t_ms"]) == 6
    farm.put("north", [{**one, "t": one["t"] - 5} for one in pack], retain=True)
    settle(farm)
    assert farm.reasons()["north", "retained, no time"] == 3


# --- again, late, at the same time -----------------------------------------------------------------------------


def test_what_comes_again_is_counted_and_stored_once(farm: Any) -> None:
    body = [farm.reading(0), farm.reading(10)]
    farm.put("north", body)
    farm.put("north", body)  # in the same round
    settle(farm)
    farm.put("north", body)  # in a later one
    settle(farm)
    farm.begin().round()
    farm.put("north", body)  # and to another worker
    settle(farm)
    assert len(farm.stored("north")["t_ms"]) == 2
    assert farm.logger("north")["repeats"] == 6 and farm.logger("north")["readings"] == 2
    assert farm.reasons() == {}


def test_late_readings_are_stored_with_their_flag_and_not_judged(farm: Any) -> None:
    farm.send("north", 0, 100, 9.0)
    state = farm.worker.plant.states[0].tobytes()
    farm.put("north", [farm.reading(10.0 * n + 5, 30.0) for n in range(9)])
    settle(farm)
    stored = farm.stored("north")
    late = stored["flags"] == LATE
    assert late.sum() == 9 and np.isnan(stored["limit_amps"][late]).all() and (stored["version"][late] == 1).all()
    assert farm.worker.plant.states[0].tobytes() == state and farm.changes() == []
    assert farm.logger("north")["late"] == 9
    assert farm.logger("north")["newest_ms"] == 1791075700000
    farm.put("north", [farm.reading(10.0 * n + 5, 30.0) for n in range(9)])
    settle(farm)
    assert farm.logger("north")["repeats"] == 9 and len(farm.stored("north")["t_ms"]) == 20


def test_a_very_late_reading_does_not_hide_what_is_stored_beside_it(farm: Any) -> None:
    """A time far back, once stored, must not make the stored ones after it look new."""
    farm.wall += timedelta(days=1)
    farm.put("north", [farm.reading(10.0 * n) for n in range(600)])
    settle(farm)
    farm.put("north", farm.reading(86_000))
    settle(farm)
    farm.begin().round()  # remembers the last while only
    farm.put("north", farm.reading(-86_400))
    settle(farm)
    farm.put("north", [farm.reading(10.0 * n) for n in range(600)])
    settle(farm)
    assert len(farm.stored("north")["t_ms"]) == 602
    assert farm.logger("north")["repeats"] == 600 and farm.logger("north")["late"] == 1


def test_memory_of_times_is_bounded_and_older_repeats_are_known_all_the_same(
    farm: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(intake_module, "TIMES_KEPT", 50)
    asked: list[int] = []
    known = worker_module.readings.known

    def counted(database: Any, point_id: int, times: Any) -> Any:
        asked.append(len(times))
        return known(database, point_id, times)

    monkeypatch.setattr(worker_module.readings, "known", counted)
    farm.wall += timedelta(hours=3)
    body = [farm.reading(10.0 * n) for n in range(500)]
    farm.put("north", body)
    settle(farm)
    north = farm.worker.plant.by_name["home", "north"]
    assert len(north.times) == 50 and asked == []
    farm.put("north", body)
    settle(farm)
    assert farm.logger("north")["repeats"] == 500 and len(farm.stored("north")["t_ms"]) == 500
    assert asked == [450]  # one question for all that memory no longer holds
    farm.put("north", [farm.reading(10.0 * n + 1) for n in range(500)])
    settle(farm)
    assert farm.logger("north")["late"] == 499  # the last of them is newer than the newest
    assert len(asked) == 2


def test_out_of_order_in_one_round_is_put_in_order_and_in_a_later_one_it_is_late(farm: Any) -> None:
    for at in (20, 0, 10):
        farm.put("north", farm.reading(at))
    settle(farm)
    farm.put("north", farm.reading(40))
    settle(farm)
    farm.put("north", farm.reading(30))
    settle(farm)
    stored = farm.stored("north")
    by_number = np.argsort(stored["number"])
    assert ((stored["t_ms"][by_number] - 1791075600000) / 1000).tolist() == [0, 10, 20, 40, 30]
    assert stored["flags"][by_number].tolist() == [0, 0, 0, 0, LATE]
    assert farm.logger("north")["newest_ms"] == 1791075640000


def test_a_logger_that_buffered_and_sends_in_order_is_only_behind(farm: Any) -> None:
    """Its hour of readings is fed, judged by its own time, and told with when it happened and when it was heard."""
    farm.send("north", 0, 10)
    farm.wall += timedelta(hours=1)
    backlog(farm, "north", [farm.reading(at, 11.0 if at > 1_000 else 9.0) for at in range(20, 3_600, 10)])
    settle(farm)
    assert (farm.stored("north")["flags"] == 0).all() and farm.logger("north")["late"] == 0
    (alarm,) = farm.raised("overload")
    assert (alarm["since_ms"], alarm["raised_ms"]) == (1791076610000, 1791076730000)
    assert alarm["heard_ms"] >= 1791075600000 + 3_600_000
    notice = farm.rows(tables.notices)[0]
    assert "happened 20:18, heard 21:00" in notice["short"]


@pytest.mark.parametrize("apart", [False, True])
def test_two_messages_for_one_time_the_first_stands(farm: Any, apart: bool) -> None:
    """Whether they come in one round or in two: a logger that sends a message a channel is told, never half stored."""
    farm.put("north", farm.reading(0, [9.0, None, None]))
    if apart:
        settle(farm)
    farm.put("north", farm.reading(0, [None, 9.1, None]))
    farm.put("north", farm.reading(0, [None, 9.1, None]))
    settle(farm)
    assert farm.reasons() == {("north", "two messages for one time"): 2}
    assert farm.stored("north")["amps"][0][0] == 9.0 and len(farm.stored("north")["t_ms"]) == 1


def test_the_same_message_twice_around_a_supply_reading_is_a_repeat(farm: Any) -> None:
    """The volts joined to it differ, what the logger sent does not."""
    farm.put("panel", farm.reading(-5, None, volts=[460.0] * 3))
    farm.put("east", farm.reading(0))
    farm.put("panel", farm.reading(-1, None, volts=[470.0] * 3))
    farm.put("east", farm.reading(0))
    settle(farm)
    assert farm.reasons() == {} and farm.logger("east")["repeats"] == 1
    assert farm.stored("east")["volts"].tolist() == [[460.0] * 3]


# --- without a time ---------------------------------------------------------------------------------------------


def test_without_a_time_the_time_of_receipt_is_taken(farm: Any) -> None:
    farm.put("north", {"amps": [9.0] * 3})
    farm.pass_time(10.0)
    farm.put("north", {"amps": [9.1] * 3})
    settle(farm)
    stored = farm.stored("north")
    assert np.diff(stored["t_ms"]).tolist() == [10_000] and (stored["flags"] == TIME_OF_RECEIPT).all()


def test_without_a_time_a_heap_is_cut_to_its_first(farm: Any) -> None:
    for n in range(50):
        farm.put("north", {"amps": [9.0 + n / 100] * 3})
        farm.wall += timedelta(milliseconds=3)
    farm.pass_time(10.0)
    farm.put("north", {"amps": [8.0] * 3})
    settle(farm)
    assert farm.stored("north")["amps"][:, 0].tolist() == [9.0, 8.0]
    assert farm.reasons() == {("north", "no time, in a heap"): 49}


def test_a_heap_does_not_teach_a_period_that_is_not_there(bench: Any, nameplate: str) -> None:
    """A fan whose period is still to be learned, and a broker that hands out a night's messages at once."""
    bench.register("north", nameplate.replace("period_seconds = 10", ""))
    bench.begin().round()
    for n in range(50):
        bench.put("north", {"amps": [9.0 + n / 100] * 3})
        bench.wall += timedelta(milliseconds=3)
    for _ in range(10):
        bench.pass_time(10.0)
        bench.put("north", {"amps": [8.0] * 3})
    settle(bench)
    assert bench.logger("north")["period_seconds"] == pytest.approx(10.0, abs=0.2)


def test_a_retained_message_without_a_time_is_no_reading_but_one_with_a_time_is(farm: Any) -> None:
    farm.put("north", {"amps": [9.0] * 3}, retain=True)
    farm.put("north", farm.reading(-3600), retain=True)
    settle(farm)
    farm.put("north", farm.reading(-3600), retain=True)  # at the next connect
    settle(farm)
    assert farm.reasons() == {("north", "retained, no time"): 1}
    assert len(farm.stored("north")["t_ms"]) == 1 and farm.logger("north")["repeats"] == 1


def test_after_a_clock_was_put_back_a_reading_without_a_time_is_kept(farm: Any) -> None:
    farm.put("north", {"amps": [9.0] * 3})
    settle(farm)
    farm.wall -= timedelta(days=1)
    farm.put("north", {"amps": [9.1] * 3})
    settle(farm)
    assert farm.reasons() == {}
    assert farm.stored("north")["flags"].tolist() == [TIME_OF_RECEIPT | LATE, TIME_OF_RECEIPT]


# --- volts and air of other points ------------------------------------------------------------------------------


def volts_of(farm: Any, name: str) -> list[float]:
    return [float(row[0]) for row in farm.stored(name)["volts"]]


def test_volts_come_from_what_arrived_before_and_is_not_newer(farm: Any) -> None:
    farm.put("east", farm.reading(0))  # nothing has come yet
    farm.put("panel", farm.reading(1, None, volts=[461.0] * 3))
    farm.put("panel", farm.reading(12, None, volts=[462.0] * 3))
    farm.put("east", farm.reading(10))  # the panel's newest is newer than it
    farm.put("east", farm.reading(20))
    farm.put("panel", farm.reading(25, None, volts=[463.0] * 3))  # arrives after the fan's reading of 30
    farm.put("east", farm.reading(30, volts=[450.0] * 3))  # volts of its own win
    farm.put("panel", farm.reading(15, None, volts=[464.0] * 3))  # late
    farm.put("east", farm.reading(40))
    settle(farm)
    stored = farm.stored("east")
    assert volts_of(farm, "east")[1:] == [461.0, 462.0, 450.0, 463.0] and np.isnan(stored["volts"][0]).all()
    assert (stored["flags"] & VOLTS_FROM_SUPPLY).tolist() == [0, 2, 2, 0, 2]


def test_a_late_supply_reading_serves_a_fan_whose_own_come_after_it(farm: Any) -> None:
    farm.put("panel", farm.reading(100, None, volts=[460.0] * 3))
    settle(farm)
    farm.put("panel", farm.reading(0, None, volts=[440.0] * 3))
    farm.put("east", farm.reading(10))
    settle(farm)
    assert volts_of(farm, "east") == [440.0]


def test_an_old_supply_reading_is_not_used(farm: Any) -> None:
    farm.send("panel", 0, 100, None, volts=[460.0] * 3)  # its period is learned: 10 s, so it stands 30 s
    for at in (130.0, 131.0):
        farm.put("east", farm.reading(at))
    settle(farm)
    assert (farm.stored("east")["flags"] & VOLTS_FROM_SUPPLY).tolist() == [2, 0]


def test_air_comes_from_the_weather_point_for_three_hours(farm: Any) -> None:
    farm.wall += timedelta(hours=4)
    farm.put("yard", farm.reading(0, None, ambient_c=-3.5))
    for at in (3 * 3600.0, 3 * 3600.0 + 1):
        farm.put("east", farm.reading(at))
    farm.put("east", farm.reading(3 * 3600.0 + 2, ambient_c=7.0))
    settle(farm)
    stored = farm.stored("east")
    assert stored["ambient_c"][[0, 2]].tolist() == [-3.5, 7.0] and np.isnan(stored["ambient_c"][1])
    assert (stored["flags"] & AIR_FROM_POINT).tolist() == [8, 0, 0]


def asked_of(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    asked: list[int] = []
    window = worker_module.readings.window

    def counted(database: Any, point_id: int, from_ms: int, to_ms: int) -> Any:
        asked.append(point_id)
        return window(database, point_id, from_ms, to_ms)

    monkeypatch.setattr(worker_module.readings, "window", counted)
    return asked


def test_a_supply_never_heard_costs_no_question(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = asked_of(monkeypatch)
    farm.put("east", [farm.reading(0.1 * n - 100) for n in range(2_000)])
    settle(farm)
    farm.put("east", [farm.reading(0.1 * n - 100_000) for n in range(2_000)])
    settle(farm)
    assert asked == [] and len(farm.stored("east")["t_ms"]) == 4_000


def test_a_backlog_after_a_restart_finds_its_volts_hour_by_hour(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """The fan's logger was cut off for a day, the panel's was not; meanwhile the service was started again."""
    farm.wall += timedelta(days=1)
    backlog(farm, "panel", [farm.reading(10.0 * n, None, volts=[440.0 + n % 30] * 3) for n in range(8_640)])
    settle(farm)
    farm.begin().round()
    asked = asked_of(monkeypatch)
    backlog(farm, "east", [farm.reading(10.0 * n + 3) for n in range(8_600)])
    settle(farm)
    assert volts_of(farm, "east") == [440.0 + n % 30 for n in range(8_600)]
    assert len(asked) <= 2 * 25  # the panel's hours and the yard's, not readings


def test_a_backlog_of_panel_and_fan_in_one_round_is_not_cut_by_the_bound_on_memory(farm: Any) -> None:
    farm.wall += timedelta(days=2)
    backlog(farm, "panel", [farm.reading(10.0 * n, None, volts=[440.0 + n % 30] * 3) for n in range(10_000)])
    backlog(farm, "east", [farm.reading(10.0 * n + 3) for n in range(10_000)])
    settle(farm)
    assert volts_of(farm, "east") == [440.0 + n % 30 for n in range(10_000)]
    series = farm.worker._intake.joining._sources[farm.worker.plant.by_name["home", "panel"].row].volts
    assert len(series.t_ms) <= 8_192  # once stored, the oldest is forgotten ...
    farm.put("panel", [farm.reading(10.0 * n + 5, None, volts=[480.0] * 3) for n in range(50)])
    farm.put("east", [farm.reading(10.0 * n + 4) for n in range(50)] + [farm.reading(10.0 * n + 6) for n in range(50)])
    settle(farm)
    late = farm.stored("east")["flags"] & LATE != 0
    assert farm.stored("east")["volts"][late][:, 0].tolist() == [
        volts for n in range(50) for volts in (440.0 + n % 30, 480.0)
    ]  # ... and found in the database, among what came late


def test_hours_fetched_before_something_late_came_are_fetched_again(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.service import joining

    monkeypatch.setattr(joining, "HISTORY", 10)
    farm.wall += timedelta(days=1)
    farm.put("panel", farm.reading(0, None, volts=[440.0] * 3))
    farm.put("panel", farm.reading(80_000, None, volts=[460.0] * 3))
    settle(farm)
    farm.begin().round()
    farm.put("east", farm.reading(50))  # its hour is fetched
    farm.put("panel", farm.reading(58, None, volts=[441.0] * 3))  # late, into that hour
    settle(farm)
    backlog(farm, "panel", [farm.reading(80_001 + n, None, volts=[460.0] * 3) for n in range(50)])
    settle(farm)  # memory forgets what is old
    farm.put("east", farm.reading(60))
    settle(farm)
    assert volts_of(farm, "east") == [440.0, 441.0]
