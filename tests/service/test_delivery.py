"""The outbox is emptied: each notice at least once, each try stored, nobody held up by another."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.notice import Notice
from monitor.errors import LinkError
from monitor.records import outbox
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.service.delivery import WAITS_SECONDS, Address, Delivery, addresses
from tests.servers import until

MADE = datetime(2026, 10, 4, 1, 14, 30, tzinfo=UTC)
START = MADE.timestamp()
ROUTES = [("farm", ("terminal:", "mailto://x"), None), ("desk", ("webhook+http://x",), "whsec_x")]
HANGS_SECONDS = 400.0
"""What hangs hangs longer than any test waits; each lets it go at its end."""


def notice(change: int, route: str = "farm", index: int = 0, *, rings: bool = True) -> Notice:
    return Notice(
        id=f"0-17-{change}-{route}-{index}", site="home", alarm_number=17, change_number=change, route=route,
        address_index=index, kind="raised", priority="high", rings=rings, subject="north-3: overload", short="short",
        long="long", data={"fan": "north-3"}, created=MADE,
    )  # fmt: skip


class Clock:
    """Wall time, moved by the test."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> float:
        return self.now


class Sender:
    """Stands for the outside: notes what it is given, then does what it is told for the address."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, str]] = []
        self.secrets: dict[str, str | None] = {}
        self.does: dict[str, Callable[[], None]] = {}

    def __call__(self, address: str, notice: Notice, *, secret: str | None, **_: object) -> None:
        self.sent.append((address, notice.id))
        self.secrets[address] = secret
        self.does.get(address, lambda: None)()

    def fail(self, address: str, *errors: LinkError) -> None:
        """The first tries fail so, the later ones as the last."""
        left = list(errors)

        def do() -> None:
            raise left.pop(0) if len(left) > 1 else left[0]

        self.does[address] = do


@pytest.fixture(autouse=True)
def _at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each try is stored by itself: `test_marking.py` is about the rest. And whoever is to be woken has to be."""
    monkeypatch.setattr("monitor.service.marking.GATHER_SECONDS", 0.0)
    monkeypatch.setattr("monitor.service.delivery.LOOK_SECONDS", 2 * HANGS_SECONDS)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def sender() -> Sender:
    return Sender()


@pytest.fixture
def deliver(database: Database, clock: Clock, sender: Sender) -> Iterator[Callable[..., Delivery]]:
    made: list[Delivery] = []

    def make(**how: Any) -> Delivery:
        delivery = Delivery(database, addresses(ROUTES), **{"clock": clock, "steady": clock, "send": sender} | how)
        made.append(delivery)
        delivery.start()
        return delivery

    yield make
    for delivery in made:
        delivery.stop()


def put(database: Database, *notices: Notice) -> None:
    commit(database, Batch(notices=list(notices)))


def told(database: Database, notice_id: str) -> outbox.Told:
    (one,) = [one for one in outbox.history(database, ALL, 17) if one.notice.id == notice_id]
    return one


# ---------------------------------------------------------------------- the good way


def test_what_waits_is_sent_and_the_try_is_stored(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    put(database, notice(1), notice(1, "farm", 1), notice(1, "desk"))
    delivery = deliver()
    until(lambda: all(one.state == "delivered" for one in outbox.history(database, ALL, 17)))
    assert sorted(sender.sent) == [
        ("mailto://x", "0-17-1-farm-1"), ("terminal:", "0-17-1-farm-0"), ("webhook+http://x", "0-17-1-desk-0")
    ]  # fmt: skip
    assert sender.secrets == {"mailto://x": None, "terminal:": None, "webhook+http://x": "whsec_x"}
    (made,) = told(database, "0-17-1-farm-0").tries
    assert (made.number, made.outcome, made.at) == (1, "delivered", MADE)
    put(database, notice(2))
    delivery.wake()
    until(lambda: told(database, "0-17-2-farm-0").state == "delivered")
    assert len(sender.sent) == 4


def test_the_notices_of_an_address_go_in_order(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    put(database, notice(1, rings=False), notice(2), notice(3, rings=False), notice(4))
    deliver()
    until(lambda: len(sender.sent) == 4)
    assert [sent for _, sent in sender.sent] == [f"0-17-{change}-farm-0" for change in (2, 4, 1, 3)]  # what rings first


def test_each_is_sent_once_however_often_we_look(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    put(
        database,
        *(notice(change, route, index) for change in range(150) for route, index in (("farm", 0), ("desk", 0))),
    )
    delivery = deliver()
    end = time.monotonic() + 300
    while time.monotonic() < end and len(sender.sent) < 300:
        delivery.wake()
        time.sleep(0.001)
    for _ in range(50):
        delivery.wake()
        time.sleep(0.002)
    assert Counter(sent for _, sent in sender.sent).most_common(1)[0][1] == 1
    assert len(sender.sent) == 300


# ---------------------------------------------------------------------- tries again


def test_the_waits_grow_and_after_a_day_it_has_failed(
    database: Database, deliver: Callable[..., Delivery], sender: Sender, clock: Clock
) -> None:
    said: list[str] = []
    sender.fail("terminal:", LinkError("refused: HTTP 500"))
    put(database, notice(1))
    delivery = deliver(say=said.append)
    at: list[float] = []
    while told(database, "0-17-1-farm-0").state == "waiting":
        tries = len(at)
        until(lambda tries=tries: len(told(database, "0-17-1-farm-0").tries) == tries + 1)
        at.append(clock.now - START)
        due = outbox.next_due_ms(database)
        if due is None:
            break
        clock.now = due / 1000 - 0.001
        delivery.wake()
        time.sleep(0.02)
        assert len(sender.sent) == tries + 1, "tried before its time"
        clock.now = due / 1000
        delivery.wake()
    waits = [round(later - earlier) for earlier, later in pairwise(at)]
    assert waits[:7] == [10, 30, 120, 300, 900, 1800, 3600] == list(WAITS_SECONDS)
    assert set(waits[7:-1]) == {3600}
    assert at[-1] == 86_400
    history = told(database, "0-17-1-farm-0")
    assert history.state == "failed"
    assert [made.number for made in history.tries] == list(range(1, len(at) + 1))
    assert {(made.outcome, made.detail) for made in history.tries} == {("refused", "HTTP 500")}
    assert len(said) == 2  # the first failure and the last
    assert "failed for good" in said[1]


def test_it_gets_through_in_the_end(
    database: Database, deliver: Callable[..., Delivery], sender: Sender, clock: Clock
) -> None:
    put(database, notice(1))
    sender.fail("terminal:", LinkError("no answer: nothing within 20 s"))
    delivery = deliver()
    until(lambda: len(told(database, "0-17-1-farm-0").tries) == 1)
    sender.does.clear()
    clock.now += 10
    delivery.wake()
    until(lambda: told(database, "0-17-1-farm-0").state == "delivered")
    history = told(database, "0-17-1-farm-0")
    assert [made.outcome for made in history.tries] == ["no answer", "delivered"]
    assert history.delivered == MADE + timedelta(seconds=10)


def test_a_wait_that_ends_needs_nobody_to_wake_us(database: Database, sender: Sender) -> None:
    put(database, notice(1))
    sender.fail("terminal:", LinkError("refused: x"), LinkError("refused: x"))
    delivery = Delivery(
        database, addresses(ROUTES), clock=lambda: START + time.monotonic() % 1e6, send=sender, waits_seconds=(0.2,),
        give_up_seconds=1e9,
    )  # fmt: skip
    delivery.start()
    until(lambda: len(sender.sent) >= 3)
    delivery.stop()


@pytest.mark.parametrize(("after", "expected"), [(120.0, 120.0), (3.0, 10.0)])
def test_retry_after_is_obeyed(
    database: Database, deliver: Callable[..., Delivery], sender: Sender, after: float, expected: float
) -> None:
    put(database, notice(1))
    sender.fail("terminal:", LinkError("refused: HTTP 503", retry_after_seconds=after))
    deliver()
    until(lambda: len(told(database, "0-17-1-farm-0").tries) == 1)
    assert outbox.next_due_ms(database) == (START + expected) * 1000


def test_what_is_permanent_is_not_tried_again(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    put(database, notice(1))
    sender.fail("terminal:", LinkError("gone: HTTP 410", permanent=True))
    deliver()
    until(lambda: told(database, "0-17-1-farm-0").state == "failed")
    assert len(sender.sent) == 1


def test_an_address_that_was_taken_out_of_the_settings(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    put(database, notice(1, "farm", 7))
    deliver()
    until(lambda: told(database, "0-17-1-farm-7").state == "failed")
    (made,) = told(database, "0-17-1-farm-7").tries
    assert (made.outcome, made.detail) == ("no address", "route farm has no address 8 any more")
    assert sender.sent == []


# ---------------------------------------------------------------------- trouble


def test_a_dead_receiver_delays_no_other(
    database: Database, deliver: Callable[..., Delivery], sender: Sender, clock: Clock
) -> None:
    free = threading.Event()
    sender.does["mailto://x"] = lambda: free.wait(HANGS_SECONDS) and None  # type: ignore[func-returns-value]
    put(database, *(notice(change, "farm", 1) for change in range(300)))  # more than are read at once
    delivery = deliver()
    until(lambda: sender.sent)
    clock.now += 1
    put(database, notice(900, rings=False))  # behind all of them
    delivery.wake()
    until(lambda: told(database, "0-17-900-farm-0").state == "delivered", what="the other's notice")
    assert [address for address, _ in sender.sent].count("mailto://x") == 1
    free.set()


def test_a_retry_comes_in_time_while_another_hangs(database: Database, sender: Sender) -> None:
    free = threading.Event()
    sender.does["mailto://x"] = lambda: free.wait(HANGS_SECONDS) and None  # type: ignore[func-returns-value]
    sender.fail("terminal:", LinkError("refused: x"))
    put(database, notice(1, "farm", 1), notice(1))
    began = time.monotonic()
    delivery = Delivery(
        database, addresses(ROUTES), clock=lambda: START + time.monotonic() - began, send=sender, waits_seconds=(0.5,)
    )
    delivery.start()
    until(lambda: [address for address, _ in sender.sent].count("terminal:") >= 3, what="two more tries")
    assert [address for address, _ in sender.sent].count("mailto://x") == 1  # it still hangs
    free.set()
    delivery.stop()


class Stubborn:
    """The real outbox, but the database is busy some times first."""

    def __init__(self, due: int = 0, record: int = 0) -> None:
        self.left = {"due": due, "record": record}

    def _busy(self, what: str) -> None:
        if self.left[what]:
            self.left[what] -= 1
            raise LinkError("the database is busy")

    def due(self, *args: Any) -> Any:
        self._busy("due")
        return outbox.due(*args)

    def bring_forward(self, *args: Any) -> int:
        return outbox.bring_forward(*args)

    def next_due_ms(self, database: Database) -> int | None:
        return outbox.next_due_ms(database)

    def put_off(self, *args: Any) -> None:
        outbox.put_off(*args)

    def record_tries(self, *args: Any) -> None:
        self._busy("record")
        outbox.record_tries(*args)


def test_a_busy_database_means_neither_a_second_notice_nor_a_lost_one(
    database: Database, deliver: Callable[..., Delivery], sender: Sender, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.service.delivery.DATABASE_WAIT_SECONDS", 0.05)
    monkeypatch.setattr("monitor.service.marking.DATABASE_WAIT_SECONDS", 0.05)
    said: list[str] = []
    put(database, notice(1))
    delivery = deliver(stored=Stubborn(due=2, record=3), say=said.append)
    until(lambda: told(database, "0-17-1-farm-0").state == "delivered")
    assert len(sender.sent) == 1
    assert said == [
        "notices wait: the database is busy",
        "1 tries of notices cannot be stored yet: the database is busy",
    ]  # once each, however often it was so
    assert delivery.alive


def test_stop_does_not_wait_for_one_that_hangs_and_the_next_start_sends_again(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    free = threading.Event()
    sender.does["terminal:"] = lambda: free.wait(HANGS_SECONDS) and None  # type: ignore[func-returns-value]
    put(database, notice(1))
    first = deliver()
    until(lambda: sender.sent)
    began = time.monotonic()
    first.stop()
    assert time.monotonic() - began < HANGS_SECONDS / 4
    free.set()
    time.sleep(0.1)
    assert told(database, "0-17-1-farm-0").tries == ()
    sender.does.clear()
    deliver()
    until(lambda: told(database, "0-17-1-farm-0").state == "delivered")
    assert sender.sent == [("terminal:", "0-17-1-farm-0")] * 2  # the same id: a repeat can be recognised


def test_a_fault_of_ours_with_one_notice_ends_neither_the_service_nor_the_others(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    def fail() -> None:
        raise KeyError("webhook+http://x")

    said: list[str] = []
    sender.does["webhook+http://x"] = fail
    put(database, notice(1, "desk"), notice(2))
    delivery = deliver(say=said.append)
    until(lambda: len(told(database, "0-17-1-desk-0").tries) == 1)
    until(lambda: told(database, "0-17-2-farm-0").state == "delivered")
    assert delivery.alive
    assert told(database, "0-17-1-desk-0").state == "waiting"
    (made,) = told(database, "0-17-1-desk-0").tries
    assert (made.outcome, made.detail.split(":")[0]) == ("our fault", "KeyError")
    assert said[0].startswith("a fault of this program, please report it: KeyError\n")
    assert "in fail" in said[0]  # where it was


def test_words_that_no_database_takes_cost_nothing(
    database: Database, deliver: Callable[..., Delivery], sender: Sender
) -> None:
    """A receiver's JSON may hold half a letter: it ended the service, again after each start."""
    put(database, notice(1))
    sender.fail("terminal:", LinkError("refused: \ud800 no\0"))
    delivery = deliver()
    until(lambda: len(told(database, "0-17-1-farm-0").tries) == 1)
    assert told(database, "0-17-1-farm-0").tries[0].detail == "? no\0"
    assert delivery.alive


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_fault_of_ours_with_the_outbox_itself_is_loud(
    database: Database, deliver: Callable[..., Delivery], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(outbox, "record_tries", fail)
    put(database, notice(1))
    delivery = deliver()
    until(lambda: not delivery.alive)
    until(lambda: all(one.name != "notice marks" for one in threading.enumerate()))  # its fault belongs to this test
    assert isinstance(delivery.failure, ZeroDivisionError)


def test_fifty_starts_and_stops_leak_nothing(database: Database, sender: Sender) -> None:
    def once(change: int) -> None:
        put(database, notice(change), notice(change, "desk"))
        delivery = Delivery(database, {("farm", 0): Address("terminal:")}, clock=Clock(), send=sender)
        delivery.start()
        until(lambda: told(database, f"0-17-{change}-farm-0").state == "delivered")
        delivery.stop()

    once(1)
    gc.collect()
    until(lambda: not [one for one in threading.enumerate() if one.name.startswith("notices ")])
    threads, files = set(threading.enumerate()), len(list(Path("/proc/self/fd").iterdir()))
    for change in range(2, 52):
        once(change)
    gc.collect()
    # What another test has left may end meanwhile; and who has nothing more to do may still be on its way out.
    until(lambda: set(threading.enumerate()) <= threads, what="the end of threads")
    assert len(list(Path("/proc/self/fd").iterdir())) <= files + 15  # the pool of the database may keep five


# ---------------------------------------------------------------------- kill -9


def test_killed_between_sending_and_marking_it_is_sent_again_with_the_same_id(
    database: Database, tmp_path: Path
) -> None:
    ids: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers["content-length"]))
            ids.append(self.headers["webhook-id"])
            self.send_response(204)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    put(database, notice(1, "desk"))
    program = textwrap.dedent(
        f"""
        import os, signal, sys, time
        from monitor.records import outbox
        from monitor.records.database import open_database
        from monitor.service.delivery import Address, Delivery
        if sys.argv[1] == "die":
            outbox.record_tries = lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL)
        database = open_database("sqlite:///{tmp_path}/monitor.db")
        delivery = Delivery(
            database, {{("desk", 0): Address("webhook+http://127.0.0.1:{server.server_port}/", "whsec_" + "QUFB" * 8)}},
            clock=lambda: {START} + 1,
        )
        delivery.start()
        until = time.monotonic() + 60
        while outbox.next_due_ms(database) is not None and time.monotonic() < until:
            time.sleep(0.02)
        delivery.stop()
        database.close()
        """
    )

    def run(how: str) -> int:
        env = {name: value for name, value in os.environ.items() if not name.lower().endswith("_proxy")}
        return subprocess.run(
            [sys.executable, "-c", program, how], cwd=Path(__file__).parents[2], env=env, timeout=300
        ).returncode

    try:
        assert run("die") == -signal.SIGKILL
        assert ids == ["0-17-1-desk-0-1791076470000"]
        assert told(database, "0-17-1-desk-0").state == "waiting"
        assert run("live") == 0
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert ids == ["0-17-1-desk-0-1791076470000"] * 2
    history = told(database, "0-17-1-desk-0")
    assert (history.state, len(history.tries)) == ("delivered", 1)
