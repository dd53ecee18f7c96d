"""Each trouble does what it should to the readings and to the truth, and to no other fan."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from datetime import datetime, timedelta
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from simulated.farm import Farm, Message
from simulated.scenario import load

HOURS = 14


@cache
def day(begin) -> tuple[dict[str, list[Message]], list[tuple[float, str, str]], float]:
    """Messages of each point, ends as (hours since live, fan, cause), and the live time."""
    farm = Farm(load("troubles"), begin)
    live = begin + timedelta(hours=1)
    by: dict[str, list[Message]] = defaultdict(list)
    for message in farm.advance(live + timedelta(hours=HOURS)):
        by[message.topic_tail.split("/")[1]].append(message)
    ends = [((end.t - live).total_seconds() / 3600.0, end.fan, end.cause) for end in farm.truth.ends]
    return dict(by), ends, live.timestamp()


def readings(start, fan, begin, end):
    """Decoded readings of a fan measured between two hours of the live part."""
    by, _, live = day(start)
    return [json.loads(m.payload) for m in by[fan] if live + 3600 * begin < m.t.timestamp() <= live + 3600 * end]


@pytest.mark.parametrize(
    ("fan", "cause", "first", "last"),
    [
        ("overload", "overload trip", 1.0, 2.0),
        ("bearing", "overload trip", 3.2, 5.0),
        ("protector", "overload trip", 1.0, 2.0),
        ("locked", "short circuit or locked rotor", 5.0, 5.01),
        ("open-leg", "phase lost", 7.0, 7.1),
        ("planned-off", "stopped", 9.0, 9.01),
        ("west-1", "supply lost", 10.0, 10.01),
        ("west-1", "phase lost", 12.0, 12.1),
    ],
)
def test_runs_end_as_they_should(fan, cause, first, last, start):
    _, ends, _ = day(start)
    found = [hour for hour, name, why in ends if name == fan and why == cause]
    assert found
    assert first <= found[0] <= last


def test_nothing_else_ends(start):
    _, ends, _ = day(start)
    troubled = {"overload", "bearing", "protector", "short-cycles", "locked", "open-leg", "planned-off", "averages"}
    assert {fan for _, fan, _ in ends} <= troubled | {"west-1", "west-2", "thermostat"}


def test_automatic_reset_comes_soon_and_a_farmer_takes_his_time(start):
    _, ends, _ = day(start)
    own = [hour for hour, fan, _ in ends if fan == "protector"]
    assert len(own) > 5
    assert all(b - a < 1.0 for a, b in pairwise(own))
    farmer = [hour for hour, fan, _ in ends if fan == "overload"]
    assert len(farmer) >= 2
    assert farmer[1] - farmer[0] > 0.4


def test_a_lost_leg_at_the_supply(start):
    before, after = readings(start, "west-1", 11.9, 12.0)[-1], readings(start, "west-1", 12.0, 12.1)[1]
    assert after["amps"][1] < 0.1
    for leg in (0, 2):
        assert 1.7 < after["amps"][leg] / before["amps"][leg] < 2.1
    assert after["volts"][2] > 0.98 * before["volts"][2]  # between the live legs
    assert 0.5 < after["volts"][0] / before["volts"][0] < 0.95  # held up by the running motors
    dead = readings(start, "west-1", 12.1, 12.2)[-1]
    assert dead["volts"][0] == pytest.approx(0.5 * dead["volts"][2], rel=0.02)  # nobody holds it up any more


def test_an_open_leg_of_the_fan_leaves_its_volts_alone(start):
    before, after = readings(start, "open-leg", 6.9, 7.0)[-1], readings(start, "open-leg", 7.0, 7.1)[0]
    assert after["amps"][2] < 0.1
    assert after["volts"] == pytest.approx(before["volts"], rel=0.01)


def test_a_bad_contact_spreads_the_legs_without_touching_the_volts(start):
    def spread(values):
        return max(abs(v - sum(values) / 3) for v in values) / (sum(values) / 3)

    before, after = readings(start, "contact", 1.9, 2.0)[-1], readings(start, "contact", 4.0, 4.1)[-1]
    assert spread(after["amps"]) - spread(before["amps"]) > 0.05
    assert abs(spread(after["volts"]) - spread(before["volts"])) < 0.002


def test_volts_and_unbalance_of_the_west_panel(start):
    def mean(hours):
        return float(np.mean([m["volts"] for m in readings(start, "west", *hours)]))

    normal = mean((1.5, 1.9))
    assert mean((2.2, 2.6)) / normal == pytest.approx(0.88, abs=0.02)
    assert mean((4.2, 4.6)) / normal == pytest.approx(1.12, abs=0.02)
    lines = np.array([m["volts"] for m in readings(start, "west", 6.1, 6.6)])
    unbalance = np.abs(lines - lines.mean(axis=1, keepdims=True)).max(axis=1) / lines.mean(axis=1)
    assert 0.025 < np.median(unbalance) < 0.045
    assert all(m["volts"] == pytest.approx([0, 0, 0], abs=0.5) for m in readings(start, "west", 10.05, 10.4))


def test_losing_the_blades_loses_the_load(start):
    normal, light = (np.mean([m["amps"] for m in readings(start, "no-load", *h)]) for h in ((4, 5), (6, 7)))
    assert 0.4 < light / normal < 0.65


def test_silence_and_lost_channels(start):
    assert readings(start, "silent", 2.0, 2.83) == []
    assert len(readings(start, "silent", 1.0, 2.0)) == 360
    assert all(m["amps"][2] is None and m["amps"][0] > 5 for m in readings(start, "no-channel", 4.01, 5.0))
    assert all(m["amps"][2] > 5 for m in readings(start, "no-channel", 5.01, 5.2))
    assert all(m["amps"][1] == 0.0 and m["amps"][0] > 5 for m in readings(start, "clamp-off", 4.01, 4.99))
    stuck = readings(start, "frozen", 4.01, 4.99)
    assert len({tuple(m["amps"]) for m in stuck}) == 1
    assert len({tuple(m["amps"]) for m in readings(start, "frozen", 5.01, 5.9)}) > 50


def test_a_wrong_clock_tells_wrong_times(start):
    by, _, _ = day(start)
    wrong: Counter[int] = Counter()
    for message in by["clock"]:
        told = datetime.fromisoformat(json.loads(message.payload)["t"])
        wrong[round((told - message.t).total_seconds())] += 1
    assert wrong == {0: len(by["clock"]) - 360, -600: 360}


def test_a_gap_is_told_afterwards_in_order(start):
    by, _, live = day(start)
    for fan in ("gap-in-order", "gap-packed"):
        messages = by[fan]
        assert [m.t for m in messages] == sorted(m.t for m in messages)
        assert all(a.sent < b.sent for a, b in pairwise(messages))  # one radio, one after the other
        during = [m for m in messages if live + 10_800 <= m.sent.timestamp() < live + 10_800 + 1_500]
        assert during == []
        count = sum(len(body) if isinstance(body := json.loads(m.payload), list) else 1 for m in messages)
        assert count == pytest.approx(360 * (HOURS + 1), abs=12)  # nothing lost
    assert all(len(json.loads(m.payload)) == 6 for m in by["gap-packed"])


def test_live_first_brings_the_backlog_later(start):
    by, _, live = day(start)
    messages = by["gap-live-first"]
    late = [m for m in messages if (m.sent - m.t).total_seconds() > 30]
    assert 140 <= len(late) <= 152
    assert all(live + 10_800 - 2 < m.t.timestamp() < live + 12_300 for m in late)
    first_live = next(m for m in messages if m.sent.timestamp() >= live + 12_300)
    assert first_live.t.timestamp() >= live + 12_290
    assert late[0].sent > first_live.sent
    assert [m.t for m in late] == sorted(m.t for m in late)
    assert len({m.t for m in messages}) == pytest.approx(360 * (HOURS + 1), abs=2)


def test_repeats_missing_nulls_and_nan(start):
    by, _, _ = day(start)
    repeats = Counter(m.payload for m in by["repeats"])
    twice = sum(1 for count in repeats.values() if count == 2)
    assert 0.03 < twice / len(repeats) < 0.07
    assert 0.01 < 1 - len(repeats) / (360 * (HOURS + 1)) < 0.03
    assert 0.05 < sum(b"null" in m.payload for m in by["nulls"]) / len(by["nulls"]) < 0.2
    assert any(b"NaN" in m.payload for m in by["nan"])
    assert not any(b"null" in m.payload for m in by["nan"])


def test_control(start):
    called = readings(start, "thermostat", 0, HOURS)
    assert {m["called"] for m in called} == {0, 1}
    for before, m in pairwise(called):
        if before["called"] == m["called"]:
            assert (max(m["amps"]) < 0.2) == (m["called"] == 0)
    _, ends, _ = day(start)
    assert sum(fan == "short-cycles" for _, fan, _ in ends) > 10 * HOURS
    off = readings(start, "planned-off", 9.02, 11.98)
    assert max(max(m["amps"]) for m in off) < 0.2
    assert min(readings(start, "planned-off", 12.1, 12.2)[0]["amps"]) > 5


def test_averages_blur_the_edges_of_a_run(start):
    readings_ = readings(start, "averages", 5.5, 8.5)
    assert len(readings_) == 180
    peaks = [max(m["amps"]) for m in readings_]
    partial = [p for p in peaks if 0.5 < p < 10.0]
    stopped = [p for p in peaks if p < 0.2]
    assert 115 <= len(stopped) <= 121
    assert len(partial) <= 2


def test_nobody_closes_a_device_in_the_night(start):
    # A fan that trips again and again through a day and a night: its farmer comes between 06:30 and 22:30 local time.
    farm = Farm(load("troubles"), start)
    farm.columns(start + timedelta(hours=14))
    local = [(at.t + timedelta(hours=-6)).time() for at in farm.truth.starts if at.fan == "overload"]
    trips = [(end.t + timedelta(hours=-6)).time() for end in farm.truth.ends if end.fan == "overload"]
    assert len(trips) >= 2
    assert len(local) >= 2
    assert all(6.5 <= t.hour + t.minute / 60 < 22.6 for t in local)
    assert any(t.hour >= 21 for t in trips)  # so one was left for the night


def test_a_device_is_closed_when_somebody_closes_it_and_not_sooner(start):
    scenario = load("troubles")
    scenario.sites["ridge"].fans["overload"].truth.reset = "nobody"
    farm = Farm(scenario, start)
    farm.advance(start + timedelta(hours=6))
    trips = [end for end in farm.truth.ends if end.fan == "overload" and end.cause == "overload trip"]
    assert len(trips) == 1  # it stands still since
    closed = farm.now + timedelta(minutes=10)
    farm.close_device("ridge", "overload", closed)
    farm.advance(farm.now + timedelta(hours=2))
    again = next(one.t for one in farm.truth.starts if one.fan == "overload" and one.t > trips[0].t)
    assert closed <= again <= closed + timedelta(seconds=20)
