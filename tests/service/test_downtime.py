"""That nobody watched for a time is told at the next start: once, in true words, and never by a clock that jumped."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.records.out_of_service import REMOVED, ServiceChange
from monitor.service.downtime import ALIVE, SignOfLife, sign_of
from tests.service.conftest import MS, NOW

HOUR_MS = 3_600_000.0


class Start:
    """A start, its clocks in the hands of the test."""

    def __init__(self, bench: Any, sign: dict[str, Any] | None, newest_row_ms: float | None = None) -> None:
        self.wall_ms, self.steady = MS, 50.0
        self.heard_ms: float | None = None
        self.kept: bool | None = True
        self.uptime: float | None = 1e9
        self.cursors: dict[str, str] = {}
        self.sent: list[tuple[str, str, Any, dict[str, Any]]] = []
        worker = bench.begin()
        self.worker = worker
        self.life = SignOfLife(
            {} if sign is None else {ALIVE: json.dumps(sign)}, newest_row_ms, worker.plant,
            worker._changes.maintenance, self.send, now_ms=lambda: self.wall_ms, steady=lambda: self.steady,
            newest_heard_ms=lambda: self.heard_ms, broker_keeps=lambda: self.kept, uptime=lambda: self.uptime,
            page="http://127.0.0.1:8080",
        )  # fmt: skip

    def send(self, kind: str, key: str, texts: Any, now: datetime, **how: Any) -> None:
        self.sent.append((kind, key, texts, how))

    def pass_time(self, seconds: float) -> None:
        for _ in range(int(seconds / 5.0)):
            self.steady += 5.0
            self.wall_ms += 5000.0
            self.life.look()

    def due(self) -> str | None:
        """What a commit now would store, and it does."""
        cursors: dict[str, str] = {}
        self.life.put(cursors)
        self.life.stored(cursors)
        return cursors.get(ALIVE)


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("north")
    bench.register("south")
    return bench


def a_sign(hours_ago: float, stopped: bool = False) -> dict[str, Any]:
    return {"at_ms": MS - hours_ago * HOUR_MS, "stopped": stopped}


def test_a_time_without_a_watch_is_told_once_when_the_start_has_settled(farm: Any) -> None:
    start = Start(farm, a_sign(3.0))
    start.pass_time(55.0)
    assert start.sent == [] and start.due() is None  # a kill now would lose nothing
    start.pass_time(10.0)
    ((kind, key, texts, how),) = start.sent
    assert (kind, key) == ("service-was-down", f"{MS - 3 * HOUR_MS:.0f}")
    assert how == {"site": "home", "priority": "high", "rings": False}
    assert "down" in texts.subject and "2 fans" in texts.short and "3 h" in texts.short
    data = texts.data
    assert (data["last_sign"], data["start"]) == ("2026-10-03T22:00:00Z", "2026-10-04T01:00:00Z")
    assert (data["seconds"], data["fans"], data["broker_keeps"], data["why"]) == (10_800.0, 2, True, None)
    assert json.loads(start.due() or "") == {"at_ms": MS + 65_000.0, "stopped": False}
    start.pass_time(4000.0)
    assert len(start.sent) == 1


@pytest.mark.parametrize(("seconds", "told"), [(299.0, 0), (301.0, 1)])
def test_a_restart_is_no_news(farm: Any, seconds: float, told: int) -> None:
    start = Start(farm, a_sign(seconds / 3600.0))
    start.pass_time(120.0)
    assert len(start.sent) == told


def test_why_it_was_down(farm: Any) -> None:
    def why(start: Start) -> object:
        start.pass_time(65.0)
        ((_, _, texts, _),) = start.sent
        return texts.data["why"]

    stopped = Start(farm, a_sign(3.0, stopped=True))
    stopped.uptime = 60.0
    assert why(stopped) == "it was stopped in order and started again"
    booted = Start(farm, a_sign(3.0))
    booted.uptime = 10_700.0
    assert why(booted) == "the computer was started anew, after a power failure or by hand"
    ran_on = Start(farm, a_sign(3.0))
    ran_on.uptime = 10_900.0
    assert why(ran_on) is None


def test_what_was_heard_after_the_last_sign_is_a_sign_too(farm: Any) -> None:
    start = Start(farm, a_sign(3.0), newest_row_ms=MS - 0.05 * HOUR_MS)
    start.pass_time(120.0)
    assert start.sent == []


def test_a_clock_that_was_put_back_says_nothing(farm: Any) -> None:
    start = Start(farm, a_sign(-5.0))
    start.pass_time(120.0)
    assert start.sent == []
    assert start.due() is not None  # and goes on by the clock as it is


def test_a_clock_put_right_within_the_first_minute_counts(farm: Any) -> None:
    start = Start(farm, a_sign(0.01))  # it woke up as if no time had passed
    start.pass_time(30.0)
    start.wall_ms += 3 * HOUR_MS
    start.pass_time(60.0)
    ((_, _, texts, _),) = start.sent
    assert texts.data["seconds"] == pytest.approx(10_836.0, abs=1.0)


def test_a_clock_that_is_days_ahead_of_the_readings_is_not_believed(farm: Any) -> None:
    start = Start(farm, a_sign(100.0))  # as the clock has it; in truth it was away for 2 min
    start.heard_ms = MS - 100.0 * HOUR_MS + 120_000.0
    start.pass_time(590.0)
    assert start.sent == [] and start.due() is None
    start.heard_ms += 600_000.0 - 400_000.0
    start.pass_time(20.0)
    ((_, _, texts, _),) = start.sent or [(0, 0, None, 0)]
    assert texts is not None and texts.data["seconds"] == 320.0  # by what the readings say


def test_readings_that_were_kept_are_waited_for(farm: Any) -> None:
    start = Start(farm, a_sign(3.0))
    start.heard_ms = MS - 2.9 * HOUR_MS  # the broker sends the oldest first
    start.pass_time(120.0)
    assert start.sent == []
    start.heard_ms = MS + 1000.0
    start.pass_time(5.0)
    ((_, _, texts, _),) = start.sent
    assert texts.data["seconds"] == 10_800.0


def test_where_no_fan_is_watched_nobody_is_told(bench: Any, farm: Any) -> None:
    start = Start(farm, a_sign(3.0))
    out = [ServiceChange("home", None, REMOVED, NOW, None, "Ada", "season over", None)]
    start.worker._changes.maintenance._out = {one.key: one for one in out}
    start.pass_time(120.0)
    assert start.sent == [] and start.due() is not None


def test_the_first_start_of_all_and_what_cannot_be_read(farm: Any) -> None:
    start = Start(farm, None, newest_row_ms=MS - 30 * HOUR_MS)
    assert start.due() is not None
    start.pass_time(600.0)
    assert start.sent == []
    for text in ("", "null", "[]", '{"at_ms": "x", "stopped": 1}', "{}"):
        assert sign_of(text) is None


def test_a_sign_each_minute_and_one_at_the_stop(farm: Any) -> None:
    start = Start(farm, None)
    signs = 0
    for _ in range(120):
        start.pass_time(5.0)
        signs += start.due() is not None
    assert signs == 10
    cursors: dict[str, str] = {}
    start.life.stop(cursors)
    assert json.loads(cursors[ALIVE]) == {"at_ms": MS + 600_000.0, "stopped": True}


def test_a_stop_in_the_first_minute_keeps_the_sign_that_was_not_told_yet(farm: Any) -> None:
    start = Start(farm, a_sign(3.0))
    start.pass_time(30.0)
    cursors: dict[str, str] = {}
    start.life.stop(cursors)
    assert cursors == {}


def test_a_sign_that_could_not_be_stored_is_due_again(farm: Any) -> None:
    start = Start(farm, None)
    first: dict[str, str] = {}
    start.life.put(first)
    again: dict[str, str] = {}
    start.life.put(again)
    assert ALIVE in first and ALIVE in again
    assert datetime.fromtimestamp(json.loads(first[ALIVE])["at_ms"] / 1000.0, UTC) - NOW < timedelta(seconds=1)


def test_a_clock_that_jumps_while_it_runs_is_followed_at_once(farm: Any) -> None:
    start = Start(farm, None)
    assert start.due() is not None
    start.pass_time(5.0)
    assert start.due() is None
    for hours in (5, -9):
        start.wall_ms += hours * HOUR_MS
        assert json.loads(start.due() or "")["at_ms"] == start.wall_ms
        assert start.due() is None
