"""A clock that is set while notices wait: none is lost, none given up early, no storm."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.routes import Route
from monitor.errors import LinkError
from monitor.records import outbox
from monitor.records.database import Database
from monitor.service.delivery import LEAST_TRIES, MOST_TRIES, WAITS_SECONDS, Address, Delivery
from monitor.service.routes import not_before
from tests.servers import receiver, says, until
from tests.service.test_delivery import START, notice, put, told

DAY, YEAR = 86_400.0, 365 * 86_400.0
FIRST = "0-17-1-farm-0"


class World:
    """Both clocks and a receiver that refuses; the outbox is looked into when the test says so."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.wall, self.steady = START, 100.0
        self.sent: list[tuple[str, float]] = []
        """Id, steady time."""
        self.takes = False
        self.begin()

    def begin(self) -> None:
        """A service that starts, and so has not seen what the clock did before."""
        self.delivery = Delivery(
            self.database, {("farm", 0): Address("terminal:")}, clock=lambda: self.wall, steady=lambda: self.steady,
            send=self._send,
        )  # fmt: skip
        self.delivery._begin()

    def _send(self, address: str, one: object, **_: object) -> None:
        self.sent.append((one.id, self.steady))  # type: ignore[attr-defined]
        if not self.takes:
            raise LinkError("refused: no")

    def look(self) -> float:
        wait = self.delivery._look()
        until(lambda: not self.delivery._workers, what="the end of the tries")
        return wait

    def pass_time(self, seconds: float) -> None:
        """As the thread that looks would: it sleeps for as long as it is told."""
        while seconds > 0.0:
            now = min(max(self.look(), 0.001), seconds)
            self.wall += now
            self.steady += now
            seconds -= now
        self.look()

    def step(self, seconds: float) -> None:
        self.wall += seconds

    @property
    def at(self) -> list[int]:
        """When the first notice was tried [s since the beginning]."""
        return [round(steady - 100.0) for name, steady in self.sent if name == FIRST]


@pytest.fixture(autouse=True)
def _seldom(monkeypatch: pytest.MonkeyPatch) -> None:
    """A day is gone through sooner when it is not looked at each half minute."""
    monkeypatch.setattr("monitor.service.delivery.LOOK_SECONDS", 900.0)
    monkeypatch.setattr("monitor.service.marking.GATHER_SECONDS", 0.0)


@pytest.fixture
def world(database: Database) -> Iterator[World]:
    put(database, notice(1))
    yield World(database)


PLAN = [0, 10, 40, 160, 460, 1360, 3160, 6760]


def test_without_a_step(world: World) -> None:
    world.pass_time(7000)
    assert world.at == PLAN


@pytest.mark.parametrize("step", [-DAY, -YEAR, -3600.0, -45.0])
def test_set_back_it_is_tried_as_if_it_had_not_been(world: World, step: float) -> None:
    world.pass_time(500)
    world.step(step)
    world.pass_time(6500)
    expected = PLAN
    assert all(abs(got - planned) <= 1 for got, planned in zip(world.at, expected, strict=True))


def test_set_back_over_and_over(world: World) -> None:
    for _ in range(14):
        world.pass_time(500)
        world.step(-DAY)
    assert all(abs(got - planned) <= 14 for got, planned in zip(world.at, PLAN, strict=True))


def test_set_forward_by_a_year_it_is_not_given_up(world: World) -> None:
    world.pass_time(500)
    world.step(YEAR)
    world.pass_time(DAY - 600)
    assert told(world.database, FIRST).state == "waiting"
    assert world.at[:6] == [0, 10, 40, 160, 460, 500]  # one try at once, for it seems due; no more
    world.pass_time(4000)
    assert told(world.database, FIRST).state == "failed"  # after a day, as ever


def test_forward_and_back_again(world: World) -> None:
    world.pass_time(500)
    world.step(YEAR)
    world.pass_time(50)
    put(world.database, replace(notice(2), created=datetime.fromtimestamp(world.wall, UTC)))
    world.look()
    world.step(-YEAR)
    world.pass_time(DAY)
    world.pass_time(4000)
    assert told(world.database, FIRST).state == "failed"
    tries = len(told(world.database, FIRST).tries)
    assert 25 <= tries <= 32
    second = [steady for name, steady in world.sent if name == "0-17-2-farm-0"]
    assert len(second) >= 25  # made "next year", and tried all the same
    world.takes = True
    world.pass_time(3700)
    assert told(world.database, "0-17-2-farm-0").state == "delivered"


def test_what_is_made_after_a_step_goes_at_once(world: World) -> None:
    world.takes = True
    for number, step in enumerate((-DAY, YEAR, -YEAR, 40.0, -40.0), 2):
        world.step(step)
        put(world.database, replace(notice(number), created=datetime.fromtimestamp(world.wall, UTC)))
        world.look()
        assert told(world.database, f"0-17-{number}-farm-0").state == "delivered"


def test_set_back_while_we_were_down_it_waits_an_hour_at_most(world: World) -> None:
    world.pass_time(500)
    world.step(-DAY)
    world.begin()
    began = world.steady
    world.pass_time(3700)
    assert [round(steady - began) for _, steady in world.sent[5:]] == [3600]


def test_set_forward_while_we_were_down_it_has_some_minutes_yet(world: World) -> None:
    """Or we were down for days: after a power cut the network may come back later than we do."""
    world.step(30 * DAY)
    world.begin()
    world.pass_time(2000)
    assert world.at == [0, 10, 40, 160, 460]
    assert len(world.at) == LEAST_TRIES
    assert told(world.database, FIRST).state == "failed"


def test_made_while_the_clock_was_years_ahead_it_is_given_up_too(database: Database) -> None:
    put(database, replace(notice(1), created=datetime.fromtimestamp(START + 4 * YEAR, UTC)))
    world = World(database)
    world.pass_time(3 * DAY)
    assert told(database, FIRST).state == "waiting" and len(world.at) > 70
    world.pass_time(2 * DAY)
    assert told(database, FIRST).state == "failed" and len(world.at) == MOST_TRIES


@pytest.mark.parametrize("seed", range(4))
def test_whatever_the_clock_does(database: Database, seed: int) -> None:
    chance = random.Random(seed)
    put(database, *(notice(number) for number in range(1, 4)))
    world = World(database)
    forward = 0
    while world.steady < DAY - 4000:
        world.pass_time(chance.uniform(10, 9_000))
        if chance.random() < 0.5:
            step = chance.choice([-YEAR, -DAY, -7200.0, -31.0, 31.0, 7200.0, DAY, YEAR])
            forward += step > 0
            world.step(step)
    for number in range(1, 4):
        name = f"0-17-{number}-farm-0"
        at = [steady for one, steady in world.sent if one == name]
        assert told(database, name).state == "waiting", "given up before a day had passed"
        early = 0
        for tries, (before, after) in enumerate(pairwise(at)):
            planned = WAITS_SECONDS[min(tries, len(WAITS_SECONDS) - 1)]
            early += after - before < planned - 2
            assert after - before <= planned + 31, "forgotten"
        assert early <= forward, "a storm"
    world.takes = True
    world.pass_time(3700)
    assert {item["state"] for item in outbox.recent(database, frozenset({"home"}))["items"]} == {"delivered"}


def test_the_time_of_a_try_is_the_wall_clock_of_then(world: World) -> None:
    world.look()
    world.step(-DAY)
    world.pass_time(12)
    first, second = told(world.database, FIRST).tries
    assert second.at - first.at == timedelta(days=-1, seconds=10)
    assert (first.number, second.number) == (1, 2)


# ---------------------------------------------------------------------- quiet hours


def test_what_does_not_ring_and_was_not_delivered_in_the_evening_comes_in_the_morning(database: Database) -> None:
    """The line was down from before nine until eleven: what does not ring came in the middle of the night."""
    chicago = ZoneInfo("America/Chicago")
    night = Route("farm", (), (), ("terminal:",), quiet=(time(21), time(6)))
    put(database, replace(notice(1), rings=False), replace(notice(2), rings=True))
    put(database, replace(notice(3), rings=False, kind="all-is-well"))  # the route itself wished its hour
    world = World(database)
    world.delivery._not_before = not_before([night], lambda site: chicago)
    world.pass_time(3600)
    assert datetime.fromtimestamp(world.wall, chicago).time() > time(21)
    world.takes = True
    world.pass_time(2 * 3600)
    assert [told(database, f"0-17-{number}-farm-0").state for number in (1, 2, 3)] == [
        "waiting", "delivered", "delivered",
    ]  # fmt: skip
    morning = datetime(2026, 10, 4, 6, tzinfo=chicago)
    assert outbox.next_due_ms(database) == morning.timestamp() * 1000
    assert len(told(database, FIRST).tries) == PLAN.index(1360) + 1
    world.pass_time(morning.timestamp() - world.wall)
    assert told(database, FIRST).state == "delivered"


# ---------------------------------------------------------------------- Retry-After


@pytest.mark.parametrize("code", [429, 503])
@pytest.mark.parametrize(
    ("header", "waits"),
    [
        ("120", 120),  # obeyed
        ("3", 10),  # never sooner than our own wait
        ("-7", 10), ("soon", 10), ("", 10),  # makes no sense
        ("Sun, 04 Oct 2026 01:19:30 GMT", 300),  # by our clock, which is the receiver's by NTP
        ("Sun, 04 Oct 2020 01:19:30 GMT", 10),
        ("Thu, 04 Oct 2096 01:19:30 GMT", 86_400), ("99999999999999", 86_400),  # a day at most, which is the last try
    ],
)  # fmt: skip
def test_a_receiver_may_say_when(
    database: Database, monkeypatch: pytest.MonkeyPatch, code: int, header: str, waits: int
) -> None:
    """Through everything: a real receiver, the wait that is stored, the next try."""
    answer = f"HTTP/1.1 {code} X\r\nRetry-After: {header}\r\nContent-Length: 0\r\n\r\n".encode()
    put(database, notice(1, "desk"))
    name = "0-17-1-desk-0"

    class At(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return datetime.fromtimestamp(world.wall, UTC)

    monkeypatch.setattr("monitor.links.senders.datetime", At)  # the header's date is read by this clock
    with receiver(says(answer)) as port:
        world = World(database)
        world.delivery = Delivery(
            database, {("desk", 0): Address(f"webhook+http://127.0.0.1:{port}/", "whsec_" + "QUFB" * 8)},
            clock=lambda: world.wall, steady=lambda: world.steady,
        )  # fmt: skip
        world.look()
        (made,) = told(database, name).tries
        assert (made.outcome, made.detail) == ("refused", f"HTTP {code}")
        assert outbox.next_due_ms(database) == (START + waits) * 1000
        world.pass_time(waits - 1)
        assert len(told(database, name).tries) == 1
        world.pass_time(1)
        assert len(told(database, name).tries) == 2


@pytest.mark.parametrize(("asks", "expected"), [(86_400.0, [0, DAY - 1]), (50_000.0, [0, 50_000, DAY - 1])])
def test_a_receiver_that_asks_for_more_than_is_left_of_the_day_gets_a_last_try(
    world: World, monkeypatch: pytest.MonkeyPatch, asks: float, expected: list[float]
) -> None:
    """It was given up at once, a second after it was made."""

    def busy(address: str, one: object, **_: object) -> None:
        world.sent.append((one.id, world.steady))  # type: ignore[attr-defined]
        raise LinkError("refused: HTTP 503", retry_after_seconds=asks)

    world.step(1.0)  # as always: it is tried a little after it was made
    world.begin()
    monkeypatch.setattr(world.delivery, "_send", busy)
    world.pass_time(DAY - 2)
    assert told(world.database, FIRST).state == "waiting"
    world.pass_time(2 * DAY)
    assert world.at == expected
    assert told(world.database, FIRST).state == "failed"
