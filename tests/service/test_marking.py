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
        self.refuses = 0
        self.fault: BaseException | None = None
        self.failure: list[BaseException] = []
        self.said: list[str] = []
        self.stopping = threading.Event()
        self.marks = Marks(self._store, say=self.said.append, stopping=self.stopping, guarded=self._guarded)

    def _store(self, tries: Sequence[Tried]) -> None:
        if self.refuses:
            self.refuses -= 1
            raise LinkError("the database is busy")
        if self.fault is not None:
            raise self.fault
        self.stored.append([one.notice_id for one in tries])
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


def test_after_a_pause_it_is_stored_at_once_and_the_next_ones_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marking, "GATHER_SECONDS", 0.4)
    store = Store()
    began = time.monotonic()
    store.marks.put(tried(0))
    assert time.monotonic() - began < 0.3
    for thread in store.put(*range(1, 30)):
        thread.join(5)
    assert [len(group) for group in store.stored] == [1, 29]
    assert sorted(store.stored[1]) == sorted(f"n{number}" for number in range(1, 30))
    assert store.at[1] - store.at[0] >= 0.4
    until(lambda: store.marks._thread is None, 2, "the end of the thread")
    store.marks.put(tried(99))
    assert store.stored[-1] == ["n99"]


def test_nobody_goes_on_before_his_try_is_stored(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(marking, "DATABASE_WAIT_SECONDS", 0.1)
    store = Store()
    store.refuses = 4
    threads = store.put(1)
    time.sleep(0.15)
    assert threads[0].is_alive()
    threads += store.put(2, 3)
    for thread in threads:
        thread.join(5)
    assert store.stored[0] == ["n1"]
    assert sorted(name for group in store.stored for name in group) == ["n1", "n2", "n3"]
    assert store.said == ["1 tries of notices cannot be stored yet: the database is busy"] * 4


def test_when_we_are_stopped_what_can_be_stored_is_and_nobody_waits_for_the_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(marking, "GATHER_SECONDS", 30.0)
    store = Store()
    store.marks.put(tried(0))
    threads = store.put(1, 2)
    time.sleep(0.1)
    assert len(store.stored) == 1
    store.stopping.set()
    for thread in threads:
        thread.join(2)
    assert sorted(store.stored[1]) == ["n1", "n2"]  # not after 30 s

    busy = Store()
    busy.refuses = 1000
    threads = busy.put(1, 2)
    time.sleep(0.1)
    busy.stopping.set()
    for thread in threads:
        thread.join(2)
    assert not any(thread.is_alive() for thread in threads)
    assert busy.stored == []


def test_a_fault_of_ours_is_known_and_nobody_waits_for_ever() -> None:
    store = Store()
    store.fault = ZeroDivisionError()
    for thread in store.put(1, 2, 3):
        thread.join(5)
        assert not thread.is_alive()
    assert store.failure
    assert {type(one) for one in store.failure} == {ZeroDivisionError}


def test_the_end_waits_for_what_is_being_stored() -> None:
    """Else the database is closed beside it."""
    begun, goes_on, stored = threading.Event(), threading.Event(), []

    def slow(tries: Sequence[Tried]) -> None:
        begun.set()
        goes_on.wait(5.0)
        stored.extend(tries)

    stopping = threading.Event()
    marks = Marks(slow, say=lambda text: None, stopping=stopping, guarded=lambda work: work)
    putting = threading.Thread(target=marks.put, args=(tried(1),))
    putting.start()
    assert begun.wait(5.0)
    stopping.set()
    marks.end(0.05)
    assert stored == []
    threading.Timer(0.1, goes_on.set).start()
    marks.end(5.0)
    assert len(stored) == 1
    putting.join(5.0)
