"""From alarm changes to notices: at once, gathered, after quiet hours, as a further step; and what a kill leaves."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import Any

import pytest

from monitor.alarms.routes import Route
from monitor.alarms.texts import Texts
from monitor.records import outbox, tables
from monitor.records.scope import ALL

MINUTES = timedelta(minutes=1)
ALL_PRIORITIES = ("low", "medium", "high", "highest")
FARM = Route("farm", (), ALL_PRIORITIES, ("sms:1", "mailto:x"), quiet=(time(19), time(6)))
"""The tests' night begins at 20:00 in Chicago."""
DESK = Route("desk", (), ("high", "highest"), ("mailto:desk",), after=15 * MINUTES)
CLEARED = Route("book", (), ALL_PRIORITIES, ("json:x",), also_cleared=True)

QUICK = """
[conditions.overload]
on_delay_seconds = 20
off_delay_seconds = 30
[conditions.low-margin]
on_delay_seconds = 20
off_delay_seconds = 30
"""


@pytest.fixture
def farm(bench: Any, nameplate: str) -> Iterator[Any]:
    for name in ("north", "south", "east"):
        bench.register(name, nameplate + QUICK)
    yield bench


def told(bench: Any) -> list[tuple[str, str, bool, int]]:
    """Route, kind, whether it rings, address of each notice in the order in which they were made."""
    rows = bench.rows(tables.notices, "created_ms", "route", "address_index")
    return [(row["route"], row["kind"], bool(row["rings"]), row["address_index"]) for row in rows]


def tellings(bench: Any) -> list[tuple[str, str, str | None]]:
    return [(row["route"], row["state"], row["why"]) for row in bench.rows(tables.tellings)]


def go(bench: Any, names: str, first: float, last: float, amps: float) -> None:
    """All fans send the same, each ten seconds."""
    at = first
    while at <= last:
        ahead = (datetime(2026, 10, 4, 1, 0, tzinfo=UTC) + timedelta(seconds=at) - bench.wall).total_seconds()
        bench.pass_time(max(ahead, 0.0), 1.0)
        for name in names.split():
            bench.put(name, bench.reading(at, amps))
        bench.worker.round()
        at += 10
    bench.pass_time(1.5, 0.5)


def test_what_rings_goes_at_once_in_the_commit_of_its_change(farm: Any) -> None:
    farm.begin(routes=(FARM,))
    go(farm, "north", 0, 60, 11.0)
    assert told(farm) == [("farm", "raised", True, 0), ("farm", "raised", True, 1)]
    (change,) = [row for row in farm.rows(tables.alarm_changes) if row["cause"] == "raised"]
    notices = farm.rows(tables.notices)
    assert {row["created_ms"] for row in notices} == {change["heard_ms"]}
    assert [row["id"] for row in notices] == ["0-1-1-farm-0", "0-1-1-farm-1"]
    assert "OVER ITS LIMIT" in notices[0]["short"] and "sms" not in str(notices)


def test_three_fans_over_at_once_are_one_notice_and_a_fourth_soon_after_a_further_one(
    farm: Any, nameplate: str
) -> None:
    farm.register("west", nameplate + QUICK)
    farm.begin(routes=(CLEARED,))
    go(farm, "north south east", 0, 30, 11.0)
    assert told(farm) == [("book", "several", True, 0)]
    (notice,) = farm.rows(tables.notices)
    assert all(name in notice["long"] for name in ("north", "south", "east"))
    go(farm, "north south east west", 40, 70, 11.0)
    assert len(told(farm)) == 1, "it follows within the minute"
    go(farm, "north south east west", 80, 120, 11.0)
    assert told(farm)[1:] == [("book", "raised", True, 0)]
    for number in (1, 2, 3):
        assert [one.notice.kind for one in outbox.history(farm.database, ALL, number)] == ["several"]


def test_what_does_not_ring_waits_for_the_morning_and_is_dropped_when_it_is_over_by_then(farm: Any) -> None:
    farm.begin(routes=(FARM,))
    go(farm, "north south", 0, 60, 9.7)
    assert told(farm) == [] and {state for _, state, _ in tellings(farm)} == {"waiting"}
    go(farm, "south", 70, 180, 8.0)
    go(farm, "north", 70, 180, 9.7)
    farm.begin(routes=(FARM,)).round()  # killed meanwhile: what waits is stored
    farm.wall = datetime(2026, 10, 4, 10, 59, 50, tzinfo=UTC)  # 05:59:50 in Chicago
    farm.pass_time(5)
    assert told(farm) == []
    farm.pass_time(10)
    assert told(farm) == [("farm", "raised", False, 0), ("farm", "raised", False, 1)]
    assert sorted(tellings(farm), key=str) == [("farm", "dropped", "over before it was told"), ("farm", "told", None)]


@pytest.mark.parametrize(("amps", "state"), [(9.7, "told"), (0.0, "dropped")])
def test_near_its_limit_is_not_told_of_a_fan_that_has_stopped_within_the_minute(
    farm: Any, amps: float, state: str
) -> None:
    farm.begin(routes=(CLEARED,))
    go(farm, "north", 0, 40, 9.7)
    assert {state for _, state, _ in tellings(farm)} == {"waiting"}
    go(farm, "north", 50, 60, amps)
    farm.pass_time(30)
    assert [row["state"] for row in farm.raised("low-margin")] == ["UNACKNOWLEDGED"]  # its off-delay is not over
    farm.pass_time(30)
    assert tellings(farm)[0][1] == state and len(told(farm)) == (state == "told")


def test_the_whole_service_has_the_clock_of_its_sites(farm: Any) -> None:
    """Its quiet hours went by UTC: what does not ring came at night, or not by day."""
    farm.begin(routes=(FARM,))
    farm.pass_time(2)
    now = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)
    texts = Texts("s", "s", "l", {})
    farm.worker._changes.tellings.send("backup-late", "1", texts, now, site="", priority="high", rings=False)
    farm.pass_time(2)
    due = {row["due_ms"] for row in farm.rows(tables.notices)}
    assert due == {datetime(2026, 10, 4, 11, 0, tzinfo=UTC).timestamp() * 1000}  # six o'clock in Chicago


def test_a_further_step_is_told_what_nobody_acknowledged_and_who_was_told_first(farm: Any) -> None:
    farm.begin(routes=(FARM, DESK))
    go(farm, "north south", 0, 60, 10.2)
    farm.act("acknowledge", alarm=1)
    go(farm, "north south", 70, 15 * 60, 10.2)
    assert [route for route, _, _, _ in told(farm)] == ["farm", "farm"]
    go(farm, "north south", 15 * 60 + 10, 16 * 60, 10.2)
    assert told(farm)[2:] == [("desk", "raised", True, 0)], "only of the one that nobody acknowledged"
    (desk,) = [row for row in farm.rows(tables.notices) if row["route"] == "desk"]
    assert desk["alarm_number"] == 2 and "15 min" in desk["short"] and "farm" in desk["long"]
    dropped = [why for route, state, why in tellings(farm) if state == "dropped"]
    assert dropped == ["acknowledged before it was told"]


def test_what_is_shelved_before_it_was_told_is_told_when_it_is_taken_off_the_shelf(farm: Any) -> None:
    route = Route("farm", (), ALL_PRIORITIES, ("sms:1",))
    farm.begin(routes=(route,))
    go(farm, "north", 0, 40, 9.7)
    until = (farm.wall + timedelta(minutes=5)).isoformat()
    farm.act("shelve", alarm=1, until=until, why="filling the bin")
    go(farm, "north", 50, 200, 9.7)
    assert told(farm) == [] and [state for _, state, _ in tellings(farm)] == ["waiting"]
    go(farm, "north", 210, 480, 9.7)
    assert told(farm) == [("farm", "raised", False, 0)]


def test_cleared_follows_only_where_its_beginning_was_told(farm: Any) -> None:
    farm.begin(routes=(CLEARED, FARM))
    go(farm, "north", 0, 60, 11.0)
    go(farm, "north", 70, 240, 8.0)
    assert [one for one in told(farm) if one[0] == "book"] == [
        ("book", "raised", True, 0),
        ("book", "cleared", False, 0),
    ]
    assert ("farm", "cleared", False, 0) not in told(farm), "it did not ask for it"


def test_a_kill_between_change_and_commit_tells_nothing_twice(farm: Any) -> None:
    """The notice is in the commit of its change: both are there or neither, whenever it dies."""
    farm.begin(routes=(FARM,))
    go(farm, "north", 0, 20, 11.0)
    before = told(farm)
    farm.put("north", farm.reading(30, 11.0))
    farm.begin(routes=(FARM,))  # dies with what it has not stored
    go(farm, "north", 30, 60, 11.0)
    assert len(told(farm)) == 2 and before in ([], told(farm))
    farm.begin(routes=(FARM,))
    farm.pass_time(60)
    assert len(told(farm)) == 2


def test_a_route_that_is_gone_from_the_settings_leaves_nothing_waiting(farm: Any) -> None:
    farm.begin(routes=(FARM,))
    go(farm, "north", 0, 60, 9.7)
    farm.begin(routes=(replace(CLEARED, sites=("elsewhere",)),))
    farm.pass_time(2)
    assert tellings(farm) == [("farm", "dropped", "there is no such route any more")]


@pytest.mark.parametrize("gone", [False, True])
def test_a_further_step_of_a_site_that_another_route_takes_over_goes_to_that_route_alone(farm: Any, gone: bool) -> None:
    """Else the desk of another farm was told, and nobody who looks after this one until the next repeat."""
    farm.begin(routes=(FARM, DESK))
    go(farm, "north", 0, 60, 13.9)
    old = () if gone else (replace(DESK, sites=("elsewhere",)),)
    new = replace(DESK, name="new", after=20 * MINUTES)
    farm.begin(routes=(FARM, *old, new))
    farm.pass_time(60)
    why = "there is no such route any more" if gone else "its route does not take this site any more"
    assert set(tellings(farm)) == {("desk", "dropped", why), ("new", "waiting", None), ("farm", "told", None)}
    farm.pass_time(17 * 60)
    assert [one for one in told(farm) if one[0] != "farm"] == []
    farm.pass_time(3 * 60)
    assert [one for one in told(farm) if one[0] != "farm"] == [("new", "raised", True, 0)]


def test_what_was_acknowledged_is_handed_to_no_other_route(farm: Any) -> None:
    farm.begin(routes=(FARM, DESK))
    go(farm, "north", 0, 60, 13.9)
    farm.act("acknowledge", alarm=1)
    farm.pass_time(5)
    farm.begin(routes=(FARM, replace(DESK, name="new")))
    farm.pass_time(60)
    assert set(tellings(farm)) == {("desk", "dropped", "there is no such route any more"), ("farm", "told", None)}


def test_words_that_fail_never_cost_the_notice(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*anything: object) -> str:
        raise ZeroDivisionError

    farm.begin(routes=(FARM,))
    monkeypatch.setattr("monitor.service.telling.short", fails)
    go(farm, "north", 0, 60, 11.0)
    (first, _) = farm.rows(tables.notices)
    assert "north" in first["short"] and first["state"] == "waiting"


def test_links_to_acknowledge_are_made_for_each_address_of_what_can_be_acknowledged(farm: Any) -> None:
    farm.begin(routes=(CLEARED, FARM), acknowledge_link=lambda notice_id: f"https://farm.example/a/{notice_id}.sign")
    go(farm, "north", 0, 60, 11.0)
    go(farm, "north", 70, 240, 8.0)
    rows = {row["id"]: row for row in farm.rows(tables.notices)}
    for number in (0, 1):
        assert f"https://farm.example/a/0-1-1-farm-{number}.sign" in rows[f"0-1-1-farm-{number}"]["short"]
    (cleared,) = [row for row in rows.values() if row["kind"] == "cleared"]
    assert "/a/" not in cleared["short"] + cleared["long"]


# --- the daily line --------------------------------------------------------------------------------------------

WELL = Route("farm", (), ("high", "highest"), ("sms:1",), quiet=(time(19), time(8)), all_is_well=time(7))


def at_seven(bench: Any) -> None:
    bench.wall = datetime(2026, 10, 4, 11, 59, 50, tzinfo=UTC)  # 06:59:50 in Chicago


def test_the_daily_line_comes_at_its_hour_though_quiet_hours_last_and_once(farm: Any) -> None:
    farm.begin(routes=(WELL, CLEARED))
    go(farm, "north south east", 0, 60, 8.0)
    at_seven(farm)
    farm.pass_time(5)
    assert told(farm) == []
    farm.pass_time(10)
    assert told(farm) == [("farm", "all-is-well", False, 0)]
    farm.begin(routes=(WELL,))
    farm.pass_time(60)
    (notice,) = farm.rows(tables.notices)
    assert notice["id"] == "0-all-is-well-home-20261004-farm-0" and notice["due_ms"] == notice["created_ms"]
    farm.wall += timedelta(days=1)
    farm.pass_time(10)
    assert len(told(farm)) == 2


def test_it_does_not_say_that_all_is_well_when_something_stands_or_nobody_was_heard(farm: Any) -> None:
    farm.begin(routes=(WELL,))
    go(farm, "north south", 0, 60, 8.0)
    go(farm, "north", 70, 120, 11.0)
    at_seven(farm)
    farm.pass_time(15)
    (line,) = [row for row in farm.rows(tables.notices) if row["kind"] == "all-is-well"]
    assert "all is well" not in (line["short"] + line["long"]).lower()
    assert "north" in line["short"] and "east" in line["long"], "what stands; what was never heard"


def test_a_site_without_fans_and_an_hour_long_past_are_told_nothing(bench: Any, nameplate: str) -> None:
    bench.begin(routes=(WELL,))
    at_seven(bench)
    bench.pass_time(20)
    assert told(bench) == []
    bench.register("north", nameplate)
    bench.wall = datetime(2026, 10, 4, 18, 30, tzinfo=UTC)  # 13:30
    bench.pass_time(20)
    assert told(bench) == []
