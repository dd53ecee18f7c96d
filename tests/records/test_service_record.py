"""The service record: entries stay as they were entered, and count until they are withdrawn or too old."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import ReadingError
from monitor.records import actions, register, service_record
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database
from monitor.records.rows import Done, LoggerNow
from monitor.records.scope import ALL
from monitor.records.service_record import Found, NewEntry
from tests.records.killed import done_before

DAY_MS = 86_400_000


def enter(database: Database, make: Any, point: int, kind: str, ago_days: float = 0.0, **body: Any) -> int:
    """One entry in a commit of its own; returns its number."""
    keys = {name: body.pop(name) for name in ("found", "waits", "withdraws", "action", "pitch") if name in body}
    done_ms = int(make.ms - ago_days * DAY_MS)
    if "pitch" in keys:
        keys["pitch"] = (keys["pitch"], done_ms)
    commit(database, Batch(service=[NewEntry(point, kind, done_ms, make.ms, "Ann", body, **keys)]))
    with database.read() as connection:
        number: int = connection.exec_driver_sql("SELECT max(number) FROM service_records").scalar_one()
        return number


def check(database: Database, make: Any, point: int, name: str, ago_days: float = 0.0, **more: Any) -> int:
    return enter(database, make, point, "check", ago_days, check=name, **{"finding": "good", **more})


def test_entries_are_read_back_as_entered_in_the_order_in_which_they_were_done(
    url: str, database: Database, make: Any
) -> None:
    fans = make.farm(database, "north", "south")
    late = enter(database, make, fans["north"], "note", 1.0, text="guard öiled")
    early = check(database, make, fans["north"], "bearings", 3.0, found={"words": ["x"]}, waits=True)
    enter(database, make, fans["south"], "note", 2.0, text="another fan")
    again = open_database(url)
    found = service_record.entries(again, fans["north"], make.ms - 5 * DAY_MS, make.ms)
    again.close()
    assert [(one.number, one.kind, one.body) for one in found] == [
        (early, "check", {"check": "bearings", "finding": "good"}),
        (late, "note", {"text": "guard öiled"}),
    ]
    assert (found[0].done, found[0].entered, found[0].by) == (make.now - timedelta(days=3), make.now, "Ann")
    assert (found[0].found, found[0].waits, found[1].found, found[1].waits) == ({"words": ["x"]}, True, {}, False)


def test_a_span_is_open_on_the_left_and_closed_on_the_right(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    enter(database, make, point, "note", 1.0, text="a")
    enter(database, make, point, "note", 0.0, text="b")
    found = service_record.entries(database, point, make.ms - DAY_MS, make.ms)
    assert [one.body["text"] for one in found] == ["b"]


def test_a_withdrawn_entry_counts_for_nothing_and_both_stay_to_be_seen(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    number = check(database, make, point, "bearings", 2.0)
    assert service_record.checks_done_at(database, point, make.ms) == {"bearings"}
    by = enter(database, make, point, "withdraw", why="wrong fan", withdraws=number)
    assert service_record.checks_done_at(database, point, make.ms) == frozenset()
    assert service_record.entries(database, point, 0, make.ms) == []
    (kept,) = service_record.entries(database, point, 0, make.ms, withdrawn=True)
    assert kept.withdrawn is not None
    assert (kept.number, kept.withdrawn.number, kept.withdrawn.by, kept.withdrawn.why) == (
        number,
        by,
        "Ann",
        "wrong fan",
    )
    page = service_record.page_of(database, ALL, "meadow", "north")
    assert page is not None
    assert [(one["number"], one["withdrawn"]["why"]) for one in page["items"]] == [(number, "wrong fan")]


@pytest.mark.parametrize(("ago_days", "done"), [(0.0, True), (29.99, True), (30.0, False), (-0.01, False)])
def test_a_check_counts_for_thirty_days(database: Database, make: Any, ago_days: float, done: bool) -> None:
    point = make.farm(database, "north")["north"]
    check(database, make, point, "connections", ago_days)
    assert service_record.checks_done_at(database, point, make.ms) == ({"connections"} if done else frozenset())


def test_a_fault_that_is_still_there_is_no_check_done(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    check(database, make, point, "connections", 3.0)
    check(database, make, point, "connections", 2.0, finding="fault found")
    assert service_record.checks_done_at(database, point, make.ms) == frozenset()
    assert service_record.checks_done_at(database, point, int(make.ms - 2.5 * DAY_MS)) == {"connections"}
    check(database, make, point, "connections", 1.0, finding="put right")
    assert service_record.checks_done_at(database, point, make.ms) == {"connections"}


def test_checks_of_another_motor_do_not_count(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    check(database, make, point, "bearings", 3.0)
    check(database, make, point, "connections", 1.0)
    since = make.now - timedelta(days=2)
    register.put_nameplate(
        database, "meadow", "north", make.nameplate, valid_from=since, by="Ann", motor_changed=True, now=make.now
    )
    assert service_record.checks_done_at(database, point, make.ms) == {"connections"}
    assert service_record.checks_done_at(database, point, int(make.ms - 2.5 * DAY_MS)) == {"bearings"}


def test_a_technicians_volts_are_the_newest_and_not_older_than_thirty_days(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    check(database, make, point, "supply voltage", 31.0, volts=[460, 467, 450])
    assert service_record.technician_volts_at(database, point, make.ms) is None
    check(database, make, point, "supply voltage", 20.0, volts=[460, 467, 450])
    found = service_record.technician_volts_at(database, point, make.ms)
    assert found is not None
    assert (found.volts, round(found.unbalance, 2)) == ((460.0, 467.0, 450.0), 1.96)  # the example of NEMA MG 1 14.36
    enter(database, make, point, "hand reading", 10.0, amps=[12, 12, 12], volts=[460, 460, 460])
    check(database, make, point, "supply voltage", 9.0)  # without figures: says nothing else
    found = service_record.technician_volts_at(database, point, make.ms)
    assert found is not None and found.unbalance == 0.0
    check(database, make, point, "supply voltage", 8.0, finding="put right")  # what was measured is no longer so
    assert service_record.technician_volts_at(database, point, make.ms) is None


def test_a_re_pitch_makes_its_version_in_the_same_transaction(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(loggers=[LoggerNow(point, newest_ms=make.ms)]))
    enter(database, make, point, "re-pitch", 1.0, **{"from": 21, "to": 19}, pitch=19.0)
    first, second = register.versions(database, point)
    assert (first.nameplate.fan.blade_pitch_degrees, second.nameplate.fan.blade_pitch_degrees) == (21, 19)
    assert (second.valid_from, second.applies_from) == (make.now - timedelta(days=1), make.now)
    assert (second.committed_by, second.motor_changed) == ("Ann", False)
    assert second.nameplate.motor == first.nameplate.motor and second.nameplate.fan.control == "continuous"
    (entry,) = service_record.re_pitches(database, point)
    assert entry.found == {"version": 2}


def test_an_entry_its_version_and_that_it_is_done_are_one_transaction(
    database: Database, make: Any, contents: Any
) -> None:
    point = make.farm(database, "north")["north"]
    number = actions.put(database, "service", "meadow", {"fan": "north"}, "Ann", make.now)
    before = contents(database)
    body = {"from": 21, "to": 19}
    entry = NewEntry(point, "re-pitch", make.ms, make.ms, "Ann", body, action=number, pitch=(19.0, make.ms))
    batch = Batch(service=[entry], actions_done=[Done(number, make.ms, "done")])
    for statement in range(40):
        if done_before(statement, database, lambda: commit(database, batch)):
            break
        assert contents(database) == before, statement
    after = contents(database)
    assert statement > 4 and len(after["service_records"]) == 1 and len(after["register_versions"]) == 2
    assert actions.undone(database) == []


def test_a_pitch_for_a_fan_that_has_left_the_register_does_not_stop_the_commit(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    register.remove(database, "meadow", "north", by="Ann", now=make.now)
    enter(database, make, point, "re-pitch", 1.0, **{"from": 21, "to": 19}, pitch=19.0)
    (entry,) = service_record.re_pitches(database, point)
    assert entry.found == {"version": None} and len(register.versions(database, point)) == 2


def test_what_is_found_later_is_laid_over_what_was_known(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    number = enter(database, make, point, "lead rotation", 1.0, found={"version": 2, "words": ["wait"]}, waits=True)
    commit(database, Batch(service_found={number: Found({"words": ["seen"], "ratio": 0.9}, waits=False)}))
    (entry,) = service_record.rotations(database, point, 0, make.ms)
    assert entry.found == {"version": 2, "words": ["seen"], "ratio": 0.9} and not entry.waits
    assert service_record.one(database, number) == entry and service_record.one(database, 99) is None


def test_the_list_comes_in_parts_newest_first_and_only_to_those_whose_it_is(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    for ago in (3.0, 1.0, 2.0, 2.0):
        enter(database, make, point, "note", ago, text=f"{ago}")
    numbers: list[int] = []
    token = None
    while True:
        part = service_record.page_of(database, ["meadow"], "meadow", "north", limit=1, after=token)
        assert part is not None
        numbers += [one["number"] for one in part["items"]]
        token = part["next"]
        if token is None:
            break
    assert numbers == [2, 4, 3, 1]
    assert service_record.page_of(database, ["hill"], "meadow", "north") is None
    assert service_record.page_of(database, ALL, "meadow", "nobody") is None
    with pytest.raises(ReadingError):
        service_record.page_of(database, ALL, "meadow", "north", after="xx")


def test_what_the_estimates_of_all_fans_need(database: Database, make: Any) -> None:
    fans = make.farm(database, "north", "south")
    check(database, make, fans["north"], "bearings", 40.0)
    wrong = check(database, make, fans["north"], "connections", 2.0)
    enter(database, make, fans["north"], "withdraw", why="", withdraws=wrong)
    enter(database, make, fans["north"], "re-pitch", 400.0, **{"from": 21, "to": 19})
    enter(database, make, fans["south"], "hand reading", 1.0, amps=[1, 2, 3], volts=None)
    enter(database, make, fans["south"], "note", 1.0, text="x")
    found = service_record.standing(database, make.ms - service_record.GOOD_FOR_MS)
    assert {point: [one.kind for one in kept] for point, kept in found.items()} == {
        fans["north"]: ["re-pitch"], fans["south"]: ["hand reading"]
    }  # fmt: skip


def test_the_entry_that_an_action_led_to(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    number = enter(database, make, point, "note", text="x", action=77)
    assert service_record.number_of_action(database, 77) == number
    assert service_record.number_of_action(database, 78) is None
