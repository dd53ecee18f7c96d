"""What the register takes off the watch has not come right: nobody may be told that it has."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from monitor.records import tables


def over(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 150, amps=12.0)


def stopped(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 300, amps=8.0)
    bench.send("north", 310, 400, amps=0.0)


def motor_changed(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate, motor_changed=True)
    bench.send("north", 410, 430, amps=12.0)


def turned_off(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate + "[conditions.overload]\noff = true\n")
    bench.send("north", 410, 430, amps=12.0)


def taken_out(bench: Any, nameplate: str) -> None:
    bench.remove("north")
    bench.pass_time(20.0)


@pytest.mark.parametrize(
    ("begin", "condition", "edit"),
    [(over, "overload", motor_changed), (over, "overload", turned_off), (stopped, "stopped", taken_out)],
)
@pytest.mark.parametrize("acknowledged", [False, True])
def test_nobody_is_told_that_it_came_right(
    bench: Any, nameplate: str, begin: Callable[..., None], condition: str, edit: Callable[..., None],
    acknowledged: bool,
) -> None:  # fmt: skip
    begin(bench)
    (alarm,) = bench.raised(condition)
    if acknowledged:
        bench.act("acknowledge", alarm=alarm["number"])
        bench.pass_time(2.0, 0.5)
    edit(bench, nameplate)
    (alarm,) = [row for row in bench.raised(condition) if row["number"] == alarm["number"]]
    assert alarm["state"] == "NORMAL" and alarm["cleared_ms"] is not None
    assert alarm["text"].startswith("no longer watched, ")
    assert [row["cause"] for row in bench.rows(tables.alarm_changes)][-1] == "no longer watched"
    assert "cleared" not in [row["kind"] for row in bench.rows(tables.notices)]
    assert bench.link.last("home/north/alarms") in (None, {"site": "home", "fan": "north", "alarms": []})


def test_a_new_motor_that_is_over_its_limit_is_told_although_the_old_one_was(bench: Any, nameplate: str) -> None:
    over(bench)
    bench.register("north", nameplate, motor_changed=True)
    bench.send("north", 410, 560, amps=12.0)
    told = [(row["alarm_number"], row["kind"]) for row in bench.rows(tables.notices, "created_ms")]
    assert told == [(1, "raised"), (2, "raised")]


def test_what_a_stronger_alarm_tells_has_returned(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate + "[conditions.low-margin]\non_delay_seconds = 60\n")
    bench.begin().round()
    bench.send("north", 0, 120, amps=9.7)
    bench.send("north", 130, 300, amps=12.0)
    assert [row["state"] for row in bench.raised("low-margin")] == ["RETURNED_UNACKNOWLEDGED"]
    assert [row["state"] for row in bench.raised("overload")] == ["UNACKNOWLEDGED"]
