"""Shelved, and out of service: by whom, until when and why, over a restart, and what is told when it is over."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from monitor.records import tables


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("north")
    bench.begin().round()
    return bench


def told(bench: Any, condition: str) -> bool:
    """Whether the newest alarm of a condition was ever told as standing."""
    return bench.raised(condition)[-1]["last_notice_ms"] is not None


def later(bench: Any, **ahead: float) -> str:
    return str((bench.wall + timedelta(**ahead)).isoformat())


def do(bench: Any, kind: str, **body: Any) -> str:
    number = bench.act(kind, **body)
    bench.pass_time(1.0, 0.5)
    return str(bench.outcome(number))


# --- shelved ---------------------------------------------------------------------------------------------------------


def test_a_shelf_ends_by_the_clock_and_tells_what_it_held(farm: Any) -> None:
    farm.send("north", 0, 160, 10.3)
    (first,) = farm.raised("overload")
    assert do(farm, "shelve", alarm=first["number"], until=later(farm, minutes=5), why="grain is damp") == "done"
    (alarm,) = farm.raised("overload")
    assert (alarm["suppression"], alarm["suppressed_by"], alarm["suppressed_why"]) == (
        "SHELVED", "someone", "grain is damp",
    )  # fmt: skip
    shelved = farm.rows(tables.alarm_changes)[-1]
    assert (shelved["cause"], shelved["by"], shelved["why"]) == ("shelved", "someone", "grain is damp")
    assert shelved["until_ms"] == alarm["suppressed_until_ms"]
    farm.send("north", 170, 520, 10.3)
    (alarm,) = farm.raised("overload")
    assert alarm["suppression"] is None
    assert [change[3] for change in farm.changes()] == ["raised", "shelved", "time up"]


def test_what_rose_on_the_shelf_is_told_when_it_is_over(farm: Any) -> None:
    farm.send("north", 0, 160, 11.0)
    (first,) = farm.raised("overload")
    before = first["last_notice_ms"]
    do(farm, "shelve", alarm=first["number"], until=later(farm, hours=2), why="known")
    farm.send("north", 170, 900, 16.0)  # the motor itself is too hot by now
    (alarm,) = farm.raised("overload")
    assert (alarm["priority"], alarm["last_notice_ms"]) == ("highest", before)
    assert do(farm, "unshelve", alarm=alarm["number"]) == "done"
    (alarm,) = farm.raised("overload")
    assert alarm["last_notice_priority"] == "highest"
    assert farm.rows(tables.alarm_changes)[-1]["by"] == "someone"


@pytest.mark.parametrize(
    ("kind", "body", "outcome"),
    [
        ("shelve", {"alarm": 99}, "alarm 99 is over"),
        ("shelve", {"alarm": 1, "until": "2026-10-04T02:00Z"}, "why is alarm 1 to be shelved?"),
        ("shelve", {"alarm": 1, "until": "2026-10-04T02:00Z", "why": "  "}, "why is alarm 1 to be shelved?"),
        ("shelve", {"alarm": 1, "why": "known"}, "until when is it to be shelved?"),
        ("shelve", {"alarm": 1, "until": None, "why": "known"}, "until when is it to be shelved?"),
        ("shelve", {"alarm": 1, "until": "2026-10-04T00:00Z", "why": "known"}, "the end of a shelf must lie ahead"),
        ("shelve", {"alarm": 1, "until": "2026-10-11T01:30Z", "why": "known"}, "the end of a shelf must lie ahead"),
        ("unshelve", {"alarm": 1}, "alarm 1 is not shelved"),
        ("out-of-service", {"fan": "nobody", "why": "x"}, "there is no fan nobody at home"),
        ("out-of-service", {"fan": "north"}, "why is north out of service?"),
        ("out-of-service", {"fan": None}, "why is the site home out of service?"),
        ("out-of-service", {"fan": "north", "why": "x", "until": "soon"}, "until when is it out of service?"),
        ("out-of-service", {"fan": "north", "why": "x", "until": "2026-10-01"}, "its return date must lie ahead"),
        ("out-of-service", {"fan": "north", "why": "x", "until": "2029-10-01"}, "its return date must lie ahead"),
        ("return-to-service", {"fan": "north"}, "north is not out of service"),
        ("return-to-service", {"fan": None}, "the site home is not out of service"),
    ],
)
def test_what_cannot_be_done_is_told_in_words_and_changes_nothing(
    farm: Any, kind: str, body: dict[str, Any], outcome: str
) -> None:
    farm.send("north", 0, 160, 11.0)
    before = farm.rows(tables.alarms), farm.rows(tables.out_of_service)
    assert do(farm, kind, **body).startswith(outcome)
    assert (farm.rows(tables.alarms), farm.rows(tables.out_of_service)) == before


# --- out of service --------------------------------------------------------------------------------------------------


def test_a_fan_out_of_service_changes_its_alarms_and_tells_nobody(farm: Any) -> None:
    farm.send("north", 0, 10)
    assert do(farm, "out-of-service", fan="north", until=None, why="new bearings") == "done"
    farm.send("north", 20, 200, 11.0)
    farm.send("north", 210, 300, 0.0)
    (overload,), (stopped,) = farm.raised("overload"), farm.raised("stopped")
    for alarm in (overload, stopped):
        assert (alarm["suppression"], alarm["suppressed_why"]) == ("OUT_OF_SERVICE", "new bearings")
        assert alarm["last_notice_ms"] is None
    assert [change for change in farm.changes() if change[0] == "stopped"] == [
        ("stopped", "NORMAL", "UNACKNOWLEDGED", "raised"),
        ("stopped", "UNACKNOWLEDGED", "UNACKNOWLEDGED", "removed from service"),
    ]
    assert do(farm, "return-to-service", fan="north") == "done"
    assert told(farm, "stopped")
    rows = farm.rows(tables.out_of_service)
    assert [(row["fan"], row["what"], row["by"], row["why"]) for row in rows] == [
        ("north", "removed", "someone", "new bearings"), ("north", "returned", "someone", ""),
    ]  # fmt: skip
    assert all(row["action"] is not None for row in rows)


def test_off_season_holds_for_fans_added_later_over_a_kill_and_ends_by_itself(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 30)
    assert do(bench, "out-of-service", fan=None, until=later(bench, hours=3), why="season over") == "done"
    bench.register("south")
    bench.begin().round()  # as by a kill
    bench.send("south", 40, 200, 11.0)
    (alarm,) = bench.raised("overload")
    assert (alarm["fan"], alarm["suppression"], alarm["last_notice_ms"]) == ("south", "OUT_OF_SERVICE", None)
    assert alarm["suppressed_until_ms"] == bench.rows(tables.out_of_service)[0]["until_ms"]
    bench.pass_time(2 * 3600.0, 60.0)
    overdue = bench.raised("logger-overdue")
    assert {one["fan"] for one in overdue} == {"north", "south"}
    assert {one["last_notice_ms"] for one in overdue} == {None} and bench.raised("site-silent") == []
    bench.begin().round()
    bench.pass_time(2 * 3600.0, 60.0)
    assert [(row["what"], row["by"]) for row in bench.rows(tables.out_of_service)] == [
        ("removed", "someone"), ("time up", None),
    ]  # fmt: skip
    for row in (*bench.raised("overload"), *bench.raised("logger-overdue")):
        assert row["suppression"] is None and row["last_notice_ms"] is not None, row["condition"]
    assert ("logger-overdue", "UNACKNOWLEDGED", "UNACKNOWLEDGED", "time up") in bench.changes()


def test_a_fan_returned_while_its_site_is_out_stays_with_its_site(farm: Any) -> None:
    do(farm, "out-of-service", fan=None, until=None, why="season over")
    assert do(farm, "return-to-service", fan="north") == "north is out of service with its whole site"
    do(farm, "out-of-service", fan="north", until=later(farm, minutes=10), why="new bearings")
    farm.send("north", 0, 160, 11.0)
    assert farm.raised("overload")[0]["suppressed_why"] == "season over"  # it lasts longer
    farm.send("north", 170, 900, 11.0)  # the fan's own end has come
    (alarm,) = farm.raised("overload")
    assert (alarm["suppression"], alarm["last_notice_ms"]) == ("OUT_OF_SERVICE", None)
    do(farm, "return-to-service", fan=None)
    assert told(farm, "overload")


def test_when_the_site_is_back_a_fan_that_is_out_by_itself_stays_out(farm: Any) -> None:
    do(farm, "out-of-service", fan="north", until=later(farm, minutes=30), why="new bearings")
    do(farm, "out-of-service", fan=None, until=None, why="season over")
    farm.send("north", 0, 160, 11.0)
    do(farm, "return-to-service", fan=None)
    (alarm,) = farm.raised("overload")
    assert (alarm["suppression"], alarm["suppressed_why"], alarm["last_notice_ms"]) == (
        "OUT_OF_SERVICE", "new bearings", None,
    )  # fmt: skip


def test_a_new_return_date_goes_to_alarms_that_stand(farm: Any) -> None:
    farm.send("north", 0, 160, 11.0)
    do(farm, "out-of-service", fan="north", until=later(farm, minutes=5), why="bearings")
    do(farm, "out-of-service", fan="north", until=later(farm, hours=10), why="bearings, parts are late")
    farm.send("north", 170, 600, 11.0)
    (alarm,) = farm.raised("overload")
    assert (alarm["suppression"], alarm["suppressed_why"]) == ("OUT_OF_SERVICE", "bearings, parts are late")
    assert [row["what"] for row in farm.rows(tables.out_of_service)] == ["removed", "removed"]


def test_a_lost_supply_is_told_though_the_fan_that_told_it_first_is_out_of_service(bench: Any) -> None:
    bench.register("north")
    bench.register("south")
    bench.begin().round()
    do(bench, "out-of-service", fan="north", until=None, why="bearings")
    dark = {"volts": [2.0, 1.0, 0.0]}
    for at in range(0, 60, 10):
        bench.put("north", bench.reading(at, 0.0, volts=[460.0] * 3))
        bench.put("south", bench.reading(at, 9.0, volts=[460.0] * 3))
        bench.pass_time(10.0)
    for at in range(60, 90, 10):
        bench.put("north", bench.reading(at, 0.0, **dark))
        bench.pass_time(10.0)
    (alarm,) = bench.raised("supply-lost")
    assert (alarm["fan"], alarm["suppression"], alarm["last_notice_ms"]) == ("north", "OUT_OF_SERVICE", None)
    for at in range(90, 120, 10):
        bench.put("north", bench.reading(at, 0.0, **dark))
        bench.put("south", bench.reading(at, 0.0, **dark))
        bench.pass_time(10.0)
    (alarm,) = bench.raised("supply-lost")
    assert alarm["suppression"] is None and alarm["last_notice_ms"] is not None


def test_hours_out_of_service_do_not_count_as_not_run(bench: Any, nameplate: str) -> None:
    text = nameplate.replace('"continuous"', '"manual"') + "[conditions.not-run]\nsetpoint = 2\n"
    bench.register("north", text)
    bench.begin().round()
    bench.send("north", 0, 30)
    bench.send("north", 40, 60, 0.0)
    do(bench, "out-of-service", fan="north", until=later(bench, hours=5), why="bin is empty")
    bench.pass_time(6 * 3600.0, 60.0)
    assert bench.raised("not-run") == []
    bench.pass_time(1.5 * 3600.0, 60.0)
    assert len(bench.raised("not-run")) == 1
