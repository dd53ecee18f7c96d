"""Tries are stored together, and nobody goes on before his is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

import pytest

from monitor.errors import LinkError
from monitor.records.outbox import Tried
from monitor.service import marking
from monitor.service.marking import Marks
from tests.servers import until


def tried(number: int) -> Tried:
    return Tried(f"n{number}", number, "delivered", "", delivered=True)


class Store:
    """A database that does what it is told."""

    def __init__(self) -> None:
        self.stored: list[list[str]] = []
        self.at: list[float] = []
        self.busy = threading.Event()
        self.held: threading.Event | None = None
        """While it is not set, what is being stored waits."""
        self.fault: BaseException | None = None
        self.failure: list[BaseException] = []
        self.said: list[str] = []
        self.stopping = threading.Event()
        self.marks = Marks(self._store, say=self.said.append, stopping=self.stopping, guarded=self._guarded)

    def _store(self, tries: Sequence[Tried]) -> None:
        if self.busy.is_set():
            raise LinkError("the database is busy")
        if self.fault is not None:
            raise self.fault
        self.stored.append([one.notice_id for one in tries])
        if self.held is not None:
            self.held.wait(60)
        self.at.append(time.monotonic())

    def _guarded(self, work: Callable[[], None]) -> Callable[[], None]:
        def run() -> None:
            try:
                work()
            except BaseException as exc:
                self.failure.append(exc)

        return run

    def put(self, *numbers: int) -> list[threading.Thread]:
        """Each from a thread of its own, as addresses do."""
        threads = [threading.Thread(target=self.marks.put, args=(tried(number),)) for number in numbers]
        for thread in threads:
            thread.start()
        return threads

    def waiting(self) -> int:
        """How many are not taken to be stored yet."""
        return len(self.marks._waiting)


def test_after_a_pause_it_is_stored_at_once_and_the_next_ones_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marking, "GATHER_SECONDS", 300.0)
    store = Store()
    store.held = threading.Event()
    threads = store.put(0)
    until(lambda: store.stored == [["n0"]])  # not after five minutes
    monkeypatch.setattr(marking, "GATHER_SECONDS", 0.4)
    threads += store.put(*range(1, 30))
    until(lambda: store.waiting() == 29)
    store.held.set()
    for thread in threads:
        thread.join(60)
    assert [len(group) for group in store.stored] == [1, 29]
    assert sorted(store.stored[1]) == sorted(f"n{number}" for number in range(1, 30))
    assert store.at[1] - store.at[0] >= 0.4
    until(lambda: store.marks._thread is None, what="the end of the thread")
    store.marks.put(tried(99))
    assert store.stored[-1] == ["n99"]


def test_nobody_goes_on_before_his_try_is_stored(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marking, "DATABASE_WAIT_SECONDS", 0.02)
    store = Store()
    store.busy.set()
    threads = store.put(1)
    until(lambda: len(store.said) >= 2)
    assert threads[0].is_alive()
    threads += store.put(2, 3)
    until(lambda: store.waiting() == 2)
    store.busy.clear()
    for thread in threads:
        thread.join(60)
    assert store.stored[0] == ["n1"]
    assert sorted(name for group in store.stored for name in group) == ["n1", "n2", "n3"]
    assert set(store.said) == {"1 tries of notices cannot be stored yet: the database is busy"}


def test_when_we_are_stopped_what_can_be_stored_is_and_nobody_waits_for_the_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(marking, "GATHER_SECONDS", 300.0)
    store = Store()
    store.marks.put(tried(0))
    threads = store.put(1, 2)
    until(lambda: store.waiting() == 2)
    assert len(store.stored) == 1
    store.stopping.set()
    for thread in threads:
        thread.join(60)
    assert sorted(store.stored[1]) == ["n1", "n2"]  # not after five minutes

    monkeypatch.setattr(marking, "DATABASE_WAIT_SECONDS", 300.0)
    busy = Store()
    busy.busy.set()
    threads = busy.put(1, 2)
    until(lambda: busy.said)
    busy.stopping.set()
    for thread in threads:
        thread.join(60)
    assert not any(thread.is_alive() for thread in threads)
    assert busy.stored == []


def test_a_fault_of_ours_is_known_and_nobody_waits_for_ever() -> None:
    store = Store()
    store.fault = ZeroDivisionError()
    for thread in store.put(1, 2, 3):
        thread.join(60)
        assert not thread.is_alive()
    assert store.failure
    assert {type(one) for one in store.failure} == {ZeroDivisionError}


def test_the_end_waits_for_what_is_being_stored() -> None:
    """Else the database is closed beside it."""
    begun, goes_on, stored = threading.Event(), threading.Event(), []

    def slow(tries: Sequence[Tried]) -> None:
        begun.set()
        goes_on.wait(60.0)
        stored.extend(tries)

    stopping = threading.Event()
    marks = Marks(slow, say=lambda text: None, stopping=stopping, guarded=lambda work: work)
    putting = threading.Thread(target=marks.put, args=(tried(1),))
    putting.start()
    assert begun.wait(60.0)
    stopping.set()
    marks.end(0.05)
    assert stored == []
    threading.Timer(0.1, goes_on.set).start()
    marks.end(60.0)
    assert len(stored) == 1
    putting.join(60.0)
