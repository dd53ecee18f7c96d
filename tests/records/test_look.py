"""What pages read: in the right order, in the right words, and only of the reader's sites."""

from __future__ import annotations

import base64
import math
import random
from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from monitor.alarms.states import State, Suppression
from monitor.errors import ReadingError
from monitor.records import look, outbox, register
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.look_fans import state_word
from monitor.records.pages import key_of, token_of
from monitor.records.rows import LoggerNow, Newcomer, Rejected, Run
from monitor.records.scope import ALL, Sites, allows, within


@pytest.mark.parametrize(
    ("running", "ratio", "standing", "heard", "word"),
    [
        (None, None, [], False, "no readings yet"),
        (True, 1.1, ["logger-overdue", "overload"], True, "not heard"),
        (None, None, [], True, "no usable amps"),
        (True, None, [], True, "no usable amps"),
        (False, None, ["overload"], True, "stopped"),
        (False, None, ["stopped"], True, "stopped"),
        (True, 0.5, [], True, "running"),
        (True, 0.9499, [], True, "running"),
        (True, 0.95, [], True, "near its limit"),
        (True, 0.93, ["low-margin"], True, "near its limit"),
        (True, 1.0, ["low-margin"], True, "over its limit"),
        (True, 0.98, ["overload"], True, "over its limit"),
        (True, 0.5, ["voltage-unbalance"], True, "running"),
        (True, 1.3, ["overload", "trip-near"], True, "about to trip"),
        (True, 0.9, ["trip-near"], True, "about to trip"),
        (False, None, ["trip-near", "tripped"], True, "tripped"),
        (True, 0.5, ["tripped"], True, "running"),
        (True, 1.3, ["trip-near", "site-silent"], True, "not heard"),
    ],
)
def test_a_fan_is_said_to_be(
    running: bool | None, ratio: float | None, standing: list[str], heard: bool, word: str
) -> None:
    assert state_word(running, ratio, standing, {}, heard) == word
    assert word in look.STATES


def test_a_fans_own_setpoints_hold_for_the_words_too() -> None:
    changed = {"low-margin": {"setpoint": 0.8}, "overload": {"setpoint": 0.9}}
    words = [state_word(True, ratio, [], changed, True) for ratio in (0.79, 0.8, 0.89, 0.9)]
    assert words == ["running", "near its limit", "near its limit", "over its limit"]


def test_alarms_of_the_supply_and_of_the_whole_site_tell_of_its_fans_too(database: Database, make: Any) -> None:
    make.farm(database, "north", "south")
    register.put_nameplate(
        database, "meadow", "south", make.nameplate + 'supply = "panel"\n', valid_from=make.now, by="x", now=make.now
    )
    alarms = [
        make.alarm(1, fan=None, supply="panel", condition="supply-lost"),
        make.alarm(2, fan=None, supply="panel", condition="logger-overdue", priority="low"),
    ]
    points = {item["fan"]: item for item in look.fans(database, ALL)["items"]}
    assert set(points) == {"north", "south"}
    ids = {key.name: key.point_id for key in register.points(database, ALL)}
    commit(database, Batch(fan_now=[make.fan_now(ids[name]) for name in ("north", "south")], alarms=alarms))
    found = {item["fan"]: item for item in look.fans(database, ALL)["items"]}
    assert [alarm["id"] for alarm in found["south"]["shared_alarms"]] == ["supply-lost"]
    assert (found["north"]["shared_alarms"], found["south"]["alarms"]) == ([], [])
    commit(database, Batch(alarms=[make.alarm(3, fan=None, supply=None, condition="site-silent")]))
    for name in ("north", "south"):
        one = look.fan(database, ALL, "meadow", name)
        assert one is not None
        assert one["state"] == "not heard"
        assert one["shared_alarms"][0]["id"] == "site-silent"


def crowd(database: Database, make: Any) -> dict[str, int]:
    """Fans in every state, entered in no order."""
    names = ("tripped", "trips", "stands", "calm", "over", "silent", "new", "near", "blind", "gone")
    points = make.farm(database, *names)
    ratios = {
        "calm": 0.6,
        "over": 1.05,
        "near": 0.96,
        "silent": 1.2,
        "stands": math.nan,
        "blind": math.nan,
        "gone": 2.0,
        "tripped": math.nan,
        "trips": 0.98,
    }
    commit(
        database,
        Batch(
            fan_now=[
                make.fan_now(
                    points[name],
                    load_ratio=ratio,
                    running=None if name == "blind" else name not in ("stands", "tripped"),
                )
                for name, ratio in ratios.items()
            ],
            alarms=[
                make.alarm(1, fan="silent", condition="logger-overdue", priority="medium"),
                make.alarm(2, fan="over", condition="voltage-unbalance", priority="medium", state=State.ACKNOWLEDGED),
                make.alarm(3, fan="over"),
                make.alarm(4, fan="over", condition="low-margin", priority="low", state=State.NORMAL),
                make.alarm(5, fan="over", condition="stopped", state=State.RETURNED_UNACKNOWLEDGED),
                make.alarm(6, fan="tripped", condition="tripped", priority="highest"),
                make.alarm(7, fan="trips", condition="trip-near", priority="highest"),
            ],
        ),
    )
    register.remove(database, "meadow", "gone", by="x", now=make.now)
    return points


ORDER = ["trips", "tripped", "over", "near", "calm", "blind", "stands", "silent", "new"]


def test_least_margin_stands_first_and_what_does_not_run_after_it(database: Database, make: Any) -> None:
    crowd(database, make)
    items = look.fans(database, ALL)["items"]
    assert [item["fan"] for item in items] == ORDER
    assert [item["state"] for item in items] == [
        "about to trip", "tripped", "over its limit", "near its limit", "running",
        "no usable amps", "stopped", "not heard", "no readings yet",
    ]  # fmt: skip
    assert [item["margin"] for item in items[2:5]] == pytest.approx([-0.05, 0.04, 0.4])


def test_an_item_holds_what_pages_show(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    said = {"pitch": {"as_is": {"degrees": 2, "pitch": 19, "chance": 0.93}, "provisional": True}, "parts": [1]}
    commit(
        database,
        Batch(
            fan_now=[
                make.fan_now(
                    point,
                    volts=(460.0, math.nan, 459.0),
                    ambient_c=math.nan,
                    flags=2,
                    motor_heat=0.86,
                    seconds_to_trip=452.0,
                    heat_assumed_ms=make.ms,
                )
            ],
            alarms=[make.alarm(1, fan="north", text="over since 01:00")],
            runs=[
                Run(1, point, make.ms - 10, True, make.ms - 5, True, 13.0, 0.9, 250.0, "stopped", "sure", ("said so",)),
                Run(2, point, make.ms, False),
            ],
            estimates={point: (make.ms, said)},
        ),
    )
    item = look.fans(database, ALL)["items"][0]
    alarm = item.pop("alarms")[0]
    assert item.pop("shared_alarms") == []
    assert item == {
        "site": "meadow", "fan": "north", "out_of_service": None, "state": "over its limit", "load_ratio": 0.8555,
        "margin": pytest.approx(0.1445), "limit_amps": 14.26, "highest_leg_amps": 12.2, "seconds_to_trip": 452.0,
        "images": {"motor": 0.86, "device": None, "assumed": make.now},
        "running": True, "since": make.now,
        "time": make.now, "heard": make.now + timedelta(milliseconds=500), "amps": [12.0, 12.1, 12.2],
        "volts": [460.0, None, 459.0], "volts_from_supply": True, "ambient_c": None, "unbalance_percent": 0.2,
        "derating": 1.0, "full_load_amps": 12.4, "percent_of_full_load": pytest.approx(98.387, abs=1e-3), "phases": 3,
        "control": "continuous", "supply": None, "plenum": None, "pitch_degrees": 21.0, "seq": 1,
        "estimate": {
            "as_is": {"degrees": 2, "pitch": 19, "chance": 0.93}, "as_is_why": None, "supply_right": None,
            "supply_right_why": None, "provisional": True,
        },
    }  # fmt: skip
    shown = {key: alarm[key] for key in ("number", "id", "priority", "state", "since", "text", "standing")}
    assert shown == {
        "number": 1, "id": "overload", "priority": "high", "state": "UNACKNOWLEDGED", "since": make.now,
        "text": "over since 01:00", "standing": True,
    }  # fmt: skip
    whole = look.fan(database, ["meadow"], "meadow", "north")
    assert whole is not None
    assert whole["estimate"] == said
    assert whole["estimate_time"] == make.now
    assert (whole["nameplate"], whole["version"], whole["valid_from"]) == (make.nameplate, 1, make.now)
    assert [run["number"] for run in whole["runs"]] == [2, 1]
    assert whole["runs"] == look.runs(database, ALL, "meadow", "north")
    assert whole["runs"][1] == {
        "number": 1, "start": make.now - timedelta(milliseconds=10), "start_seen": True,
        "end": make.now - timedelta(milliseconds=5), "end_seen": True, "end_cause": "stopped", "confidence": "sure",
        "evidence": ["said so"], "peak_amps": 13.0, "peak_ratio": 0.9, "gap_seconds": 0.25,
    }  # fmt: skip
    assert look.runs(database, ALL, "meadow", "north", limit=1) == whole["runs"][:1]


def test_a_fan_never_heard_is_shown_with_nothing_made_up(database: Database, make: Any) -> None:
    make.farm(database, "north")
    item = look.fans(database, ALL)["items"][0]
    unknown = (
        "load_ratio",
        "margin",
        "limit_amps",
        "highest_leg_amps",
        "since",
        "time",
        "heard",
        "running",
        "estimate",
    )
    assert {item[key] for key in unknown} == {None}
    assert item["amps"] == item["volts"] == [None] * 3


def test_a_single_phase_fan_has_one_leg(database: Database, make: Any) -> None:
    make.farm(database)
    text = make.nameplate.replace("phases = 3", "phases = 1")
    register.put_nameplate(database, "meadow", "one", text, valid_from=make.now, by="x", now=make.now)
    commit(
        database, Batch(fan_now=[make.fan_now(1, amps=(9.0, math.nan, math.nan), volts=(230.0, math.nan, math.nan))])
    )
    item = look.fans(database, ALL)["items"][0]
    assert (item["amps"], item["volts"], item["highest_leg_amps"]) == ([9.0], [230.0], 9.0)


@pytest.mark.parametrize("limit", [1, 2, 3, 8, 9, 500])
def test_parts_of_the_list_give_each_fan_once_and_in_order(database: Database, make: Any, limit: int) -> None:
    crowd(database, make)
    found, token, parts = [], None, 0
    while True:
        part = look.fans(database, ALL, limit=limit, after=token)
        assert len(part["items"]) <= limit
        found += [item["fan"] for item in part["items"]]
        parts += 1
        token = part["next"]
        if token is None:
            break
    assert found == ORDER
    assert parts == math.ceil(len(ORDER) / limit)


@pytest.mark.parametrize("limit", [1, 2, 4])
def test_parts_give_each_fan_once_while_margins_change(database: Database, make: Any, limit: int) -> None:
    names = [f"fan-{at}" for at in range(9)]
    points = make.farm(database, *names)
    chance = random.Random(limit)
    found: list[str] = []
    token = None
    for _ in names:
        now = [make.fan_now(points[name], load_ratio=chance.uniform(0.5, 1.1)) for name in names]
        commit(database, Batch(fan_now=now))
        part = look.fans(database, ALL, limit=limit, after=token)
        margins = [item["margin"] for item in part["items"]]
        assert margins == sorted(margins)
        found += [item["fan"] for item in part["items"]]
        token = part["next"]
        if token is None:
            break
    assert sorted(found) == names


def test_only_fans_with_news_are_told_to_the_live_stream(database: Database, make: Any) -> None:
    points = make.farm(database, "north", "south")
    assert look.changed_after(database, ALL, 0) == (0, {})
    commit(database, Batch(fan_now=[make.fan_now(points["north"]), make.fan_now(points["south"])]))
    seq, items = look.changed_after(database, ALL, 0)
    assert {point: item["fan"] for point, item in items.items()} == {points[name]: name for name in points}
    assert look.changed_after(database, ALL, seq) == (seq, {})
    commit(database, Batch(fan_now=[make.fan_now(points["south"], load_ratio=0.5)]))
    later, items = look.changed_after(database, ALL, seq)
    assert [(item["fan"], item["load_ratio"]) for item in items.values()] == [("south", 0.5)]
    assert later > seq
    assert look.changed_after(database, [], seq) == (later, {})  # news of others moves the number on


# --- alarms ----------------------------------------------------------------------------------------------------


def many_alarms(database: Database, make: Any) -> None:
    make.farm(database, "north", "south")
    make.farm(database, "north", site="hill")
    hour = timedelta(hours=1)
    commit(
        database,
        Batch(
            alarms=[
                make.alarm(1, state=State.NORMAL, raised=make.now, cleared=make.now + hour),
                make.alarm(
                    2,
                    state=State.ACKNOWLEDGED,
                    raised=make.now + hour,
                    acknowledged=make.now + hour,
                    acknowledged_by="me",
                ),
                make.alarm(3, site="hill", raised=make.now + 2 * hour),
                make.alarm(
                    4, state=State.RETURNED_UNACKNOWLEDGED, raised=make.now + 3 * hour, cleared=make.now + 4 * hour
                ),
                make.alarm(5, fan=None, supply="panel", raised=make.now + 3 * hour),
                make.alarm(
                    6, state=State.NORMAL, count=0, suppression=Suppression.SHELVED, suppressed_until=make.now + hour
                ),
            ],
            changes=[make.change(1, 3), make.change(2, 4), make.change(3, 3)],
        ),
    )


@pytest.mark.parametrize(
    ("asked", "numbers"),
    [
        ({}, [5, 4, 3, 2, 1]),
        ({"standing": True}, [5, 4, 3, 2]),
        ({"standing": False}, [1]),
        ({"site": "hill"}, [3]),
        ({"since": timedelta(0)}, [5, 4, 3, 2]),
        ({"since": timedelta(hours=1), "until": timedelta(hours=2)}, [3]),
        ({"until": timedelta(hours=1)}, [2, 1]),
    ],
)
def test_alarms_by_time_site_and_state(
    database: Database, make: Any, asked: dict[str, Any], numbers: list[int]
) -> None:
    many_alarms(database, make)
    asked = {key: make.now + value if isinstance(value, timedelta) else value for key, value in asked.items()}
    assert [item["number"] for item in look.alarms(database, ALL, **asked)["items"]] == numbers


def test_alarms_in_parts(database: Database, make: Any) -> None:
    many_alarms(database, make)
    first = look.alarms(database, ["meadow"], limit=2)
    assert [item["number"] for item in first["items"]] == [5, 4]
    rest = look.alarms(database, ["meadow"], limit=2, after=first["next"])
    assert [item["number"] for item in rest["items"]] == [2, 1]
    assert rest["next"] is None


def test_one_alarm_with_its_changes(database: Database, make: Any) -> None:
    many_alarms(database, make)
    alarm = look.alarm(database, ["hill"], 3)
    assert alarm is not None
    assert [(change["number"], change["from_state"], change["to_state"]) for change in alarm["changes"]] == [
        (1, "NORMAL", "UNACKNOWLEDGED"), (3, "NORMAL", "UNACKNOWLEDGED"),
    ]  # fmt: skip
    assert look.alarm(database, ALL, 99) is None


# --- loggers, newcomers, rejected ------------------------------------------------------------------------------


def test_loggers_in_use_with_what_was_rejected_of_them(database: Database, make: Any) -> None:
    make.farm(database, "north", "gone")
    text = make.nameplate + 'supply = "panel"\nweather = "yard"\n'
    register.put_nameplate(database, "meadow", "north", text, valid_from=make.now, by="x", now=make.now)
    register.put_nameplate(
        database, "meadow", "north", text.replace("yard", "roof"), valid_from=make.now, by="x", now=make.now
    )
    register.remove(database, "meadow", "gone", by="x", now=make.now)
    commit(
        database,
        Batch(
            loggers=[LoggerNow(1, make.ms, make.ms + 1000, 10.0, "online", make.ms, 100, 3, 2, 1)],
            rejected=[
                Rejected(make.ms, "t", "meadow", "north", "not JSON", "", b"", count=2),
                Rejected(make.ms, "t", "meadow", "north", "too large", "", b""),
                Rejected(make.ms, "t", "meadow", "stranger", "too large", "", b""),
            ],
        ),
    )
    items = look.loggers(database, ["meadow"])["items"]
    assert [(item["name"], item["kind"]) for item in items] == [
        ("north", "fan"),
        ("panel", "supply"),
        ("roof", "weather"),
    ]
    assert items[0] == {
        "site": "meadow", "name": "north", "kind": "fan", "last_reading": make.now,
        "heard": make.now + timedelta(seconds=1), "period_seconds": 10.0, "status": "online", "status_time": make.now,
        "readings": 100, "late": 3, "repeats": 2, "unknown_keys": 1, "rejected": {"not JSON": 2, "too large": 1},
    }  # fmt: skip
    assert items[1]["last_reading"] is None
    assert items[1]["readings"] == 0


def test_the_newest_rejected_and_newcomers_stand_first(database: Database, make: Any) -> None:
    commit(
        database,
        Batch(
            rejected=[Rejected(make.ms + i, f"t{i}", "meadow", "n", "r", "d", b"{") for i in range(5)],
            newcomers=[Newcomer("meadow", name, make.ms + i, 1, {"t": "x"}) for i, name in enumerate("abc")],
        ),
    )
    first = look.rejected(database, ALL, limit=3)
    rest = look.rejected(database, ALL, limit=3, after=first["next"])
    assert [item["topic"] for item in first["items"] + rest["items"]] == ["t4", "t3", "t2", "t1", "t0"]
    assert rest["next"] is None
    assert [item["name"] for item in look.newcomers(database, ALL)["items"]] == ["c", "b", "a"]
    assert look.newcomers(database, ALL)["items"][0]["last_reading"] == {"t": "x"}


def test_a_name_in_the_register_is_no_newcomer(database: Database, make: Any) -> None:
    """Its last reading may have been refused in the moment in which it was entered."""
    make.farm(database, "north")
    late = [Newcomer(site, name, make.ms, 1, {}) for site, name in (("meadow", "north"), ("meadow", "b"))]
    commit(database, Batch(newcomers=late))
    assert [item["name"] for item in look.newcomers(database, ALL)["items"]] == ["b"]


# --- whose -----------------------------------------------------------------------------------------------------


def two_farms(database: Database, make: Any) -> None:
    for number, site in enumerate(("meadow", "hill"), start=1):
        point = make.farm(database, "north", site=site)["north"]
        batch = make.whole_batch(point, 100 * number)
        batch.newcomers = [Newcomer(site, "new-one", make.ms, 1, {})]
        batch.rejected = [Rejected(make.ms, "t", site, "north", "not JSON", "", b"")]
        batch.alarms = [make.alarm(100 * number, site=site)]
        batch.notices = [make.notice(100 * number, 100 * number, site=site)]
        commit(database, batch)
    commit(database, Batch(rejected=[Rejected(make.ms, "nonsense", None, None, "no such topic", "", b"")]))


LISTS = [
    look.fans, look.alarms, look.loggers, look.newcomers, look.rejected, look.reject_counts,
]  # fmt: skip


@pytest.mark.parametrize("read", LISTS, ids=lambda read: read.__name__)
def test_a_reader_sees_his_own_sites_only(database: Database, make: Any, read: Any) -> None:
    two_farms(database, make)
    for sites in (["meadow"], ["hill"], {"hill", "meadow"}):
        assert {item["site"] for item in read(database, sites)["items"]} == set(sites)
    assert read(database, [])["items"] == read(database, ["other"])["items"] == []
    assert {item["site"] for item in read(database, ALL)["items"]} >= {"meadow", "hill"}
    with pytest.raises(TypeError):
        read(database)


def test_what_belongs_to_no_site_is_seen_by_whoever_sees_all(database: Database, make: Any) -> None:
    two_farms(database, make)
    assert {item["topic"] for item in look.rejected(database, ALL)["items"]} == {"t", "nonsense"}
    assert {item["topic"] for item in look.rejected(database, ["meadow", "hill"])["items"]} == {"t"}


def test_single_things_of_another_site_are_not_there(database: Database, make: Any) -> None:
    two_farms(database, make)
    for sites, there in ((ALL, True), (["hill"], True), (["meadow"], False), ([], False)):
        assert (look.fan(database, sites, "hill", "north") is not None) == there
        assert (look.alarm(database, sites, 200) is not None) == there
        assert bool(look.runs(database, sites, "hill", "north")) == there
        assert bool(outbox.history(database, sites, 200)) == there
        assert (
            bool([item for item in look.changed_after(database, sites, 0)[1].values() if item["site"] == "hill"])
            == there
        )
        assert bool([site for site in register.sites(database, sites) if site.site == "hill"]) == there
        assert bool([key for key, _ in register.fans(database, sites) if key.site == "hill"]) == there
        assert bool([key for key in register.points(database, sites) if key.site == "hill"]) == there


def test_the_name_of_a_site_is_not_taken_for_a_collection(database: Database) -> None:
    sites: Sites = "meadow"
    with pytest.raises(TypeError, match="found the text 'meadow'"):
        within(sa.column("site"), sites)
    with pytest.raises(TypeError, match="found the text 'meadow'"):
        allows(sites, "meadow")


# --- tokens ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("key", [[1], [0, 0.25, "a", "b"], [3, math.inf, "a", "ü"]])
def test_a_token_gives_back_its_key(key: list[Any]) -> None:
    assert key_of(token_of(key), *(type(part) for part in key)) == key


@pytest.mark.parametrize(
    "token",
    [
        *("", "x", "5", "Ünsinn", "!!!!", "a" * 5000),
        *(token_of(["a"]), token_of([1, 2]), token_of([True])),
        base64.urlsafe_b64encode(b"[" * 5000).decode(),
    ],
)
def test_a_forged_token_is_refused(database: Database, token: str) -> None:
    with pytest.raises(ReadingError, match="not a token"):
        look.alarms(database, ALL, after=token)
    with pytest.raises(ReadingError, match="not a token"):
        look.fans(database, ALL, after=token)
