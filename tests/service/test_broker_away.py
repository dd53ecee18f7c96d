"""One notice when the broker is away and one when it is back, by the steady clock; none at each flap."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from monitor.service.broker_away import BrokerWatch
from tests.service.conftest import MS


class FakeLink:
    address = "127.0.0.1:1883"

    def __init__(self) -> None:
        self.connected, self.refused = True, False
        self.words = "connected to the broker at 127.0.0.1:1883"

    def lose(self) -> None:
        self.connected, self.words = False, "no broker answers at 127.0.0.1:1883: Connection refused. Start it."


class Watch:
    """The watch over a link, its clocks in the hands of the test."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.wall_ms, self.steady = MS, 50.0
        self.link = FakeLink()
        self.cursors: dict[str, str] = {}
        self.sent: list[tuple[str, Any, dict[str, Any]]] = []
        self.begin()

    def begin(self) -> None:
        """As after a restart."""
        worker = self.bench.begin()
        self.broker = BrokerWatch(
            self.cursors, self.link, worker.plant, worker._changes.maintenance, self.send,
            now_ms=lambda: self.wall_ms, steady=lambda: self.steady,
        )  # fmt: skip

    def send(self, kind: str, key: str, texts: Any, now: datetime, **how: Any) -> None:
        assert kind == "broker-away"
        self.sent.append((key, texts, how))

    def pass_time(self, seconds: float) -> None:
        for _ in range(int(seconds / 5.0)):
            self.broker.look(self.cursors)
            self.steady += 5.0
            self.wall_ms += 5000.0
        self.broker.look(self.cursors)

    def told(self) -> list[str]:
        return ["back" if texts.data["back"] else "away" for _, texts, _ in self.sent]


@pytest.fixture
def watch(bench: Any) -> Watch:
    bench.register("north")
    return Watch(bench)


def test_away_for_five_minutes_and_back(watch: Watch) -> None:
    watch.pass_time(600.0)
    assert watch.told() == [] and not watch.broker.away
    watch.link.lose()
    watch.pass_time(295.0)
    assert watch.told() == [] and watch.broker.away
    watch.pass_time(10.0)
    ((key, texts, how),) = watch.sent
    assert how == {"site": "home", "priority": "high", "rings": True}
    assert texts.data["since"] == "2026-10-04T01:10:00Z" and texts.data["back"] is None
    assert texts.data["error"] == "no broker answers at 127.0.0.1:1883: Connection refused"
    assert (texts.data["refused"], texts.data["fans"], texts.data["broker"]) == (False, 1, "127.0.0.1:1883")
    watch.pass_time(36_000.0)
    assert len(watch.sent) == 1  # once, however long
    watch.link.connected = True
    watch.pass_time(55.0)
    assert watch.told() == ["away"] and watch.broker.away
    watch.pass_time(10.0)
    assert watch.told() == ["away", "back"] and not watch.broker.away
    back, texts, how = watch.sent[1]
    assert back == f"{key}-back" and how["rings"] is False
    assert texts.data["back"] == "2026-10-04T11:15:05Z"  # when the connection came, not when it was told


def test_never_had_and_refused(watch: Watch) -> None:
    watch.link.lose()
    watch.link.refused = True
    watch.begin()
    watch.pass_time(305.0)
    ((_, texts, _),) = watch.sent
    assert texts.data["since"] == "2026-10-04T01:00:00Z" and texts.data["refused"] is True


def test_a_link_that_comes_and_goes_is_away_and_told_once(watch: Watch) -> None:
    for _ in range(60):
        watch.link.connected = False
        watch.pass_time(25.0)
        watch.link.connected = True
        watch.pass_time(30.0)  # never for a minute
    assert watch.told() == ["away"]


def test_away_again_is_told_again_after_four_hours(watch: Watch) -> None:
    for _ in range(8):  # each half hour away for 10 min
        watch.link.connected = False
        watch.pass_time(600.0)
        watch.link.connected = True
        watch.pass_time(1200.0)
    assert watch.told() == ["away", "back"]
    watch.link.connected = False
    watch.pass_time(600.0)
    assert watch.told() == ["away", "back", "away"]


def test_a_restart_tells_nothing_twice_and_forgets_no_end(watch: Watch) -> None:
    watch.link.lose()
    watch.pass_time(305.0)
    for _ in range(3):
        watch.begin()
        watch.pass_time(400.0)
    assert watch.told() == ["away"] and watch.broker.stands
    watch.link.connected = True
    watch.begin()
    assert watch.broker.away  # until the connection has lasted
    watch.pass_time(65.0)
    assert watch.told() == ["away", "back"]
    assert watch.sent[1][1].data["since"] == "2026-10-04T01:00:00Z"
    watch.begin()
    watch.link.lose()
    watch.pass_time(600.0)
    assert watch.told() == ["away", "back"]  # the four hours go on over a restart


def test_a_wall_clock_that_jumps_changes_nothing(watch: Watch) -> None:
    watch.link.lose()
    watch.broker.look(watch.cursors)
    watch.wall_ms += 86_400_000.0
    watch.pass_time(290.0)
    assert watch.told() == []
    watch.wall_ms -= 2 * 86_400_000.0
    watch.pass_time(20.0)
    assert watch.told() == ["away"]
    watch.wall_ms -= 86_400_000.0  # told in the future, it would seem
    watch.begin()
    watch.link.connected = True
    watch.pass_time(65.0)
    watch.link.connected = False
    watch.pass_time(305.0)
    assert watch.told() == ["away", "back"]


def test_without_a_fan_nobody_is_told(bench: Any) -> None:
    watch = Watch(bench)
    watch.link.lose()
    watch.pass_time(600.0)
    assert watch.told() == [] and watch.cursors == {} and watch.broker.away
    bench.register("north")
    watch.begin()
    watch.pass_time(305.0)
    assert watch.told() == ["away"]


def test_what_cannot_be_read_was_never_told(watch: Watch) -> None:
    for text in ("", "null", "[]", "{}", '{"stands": true, "since_ms": "x"}'):
        watch.cursors = {"broker-away": text}
        watch.begin()
        watch.link.connected = True
        watch.pass_time(70.0)
        assert watch.told() == []
