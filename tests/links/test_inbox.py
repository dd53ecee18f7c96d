"""The queue between the network thread and the worker."""

from __future__ import annotations

import threading
import time

from monitor.links.inbox import Inbox, Message


def message(number: int, *, generation: int = 1, qos: int = 1, payload: bytes | None = None) -> Message:
    return Message(generation, number, "amps/v1/home/a/readings", payload or b"%d" % number, False, 0.0, qos)


def numbers(messages: list[Message]) -> list[int]:
    return [one.mid for one in messages]


def test_messages_come_out_in_order_of_arrival() -> None:
    inbox = Inbox()
    for number in range(5):
        assert inbox.put(message(number))
    assert numbers(inbox.take(3)) == [0, 1, 2]
    assert numbers(inbox.take(3)) == [3, 4]
    assert inbox.take(3) == []
    assert inbox.bytes == 0


def test_full_by_number_and_by_size() -> None:
    inbox = Inbox(max_messages=3)
    assert [inbox.put(message(number)) for number in range(3)] == [True, True, False]
    assert not inbox.half_empty
    inbox.take(2)
    assert not inbox.full
    assert inbox.half_empty
    inbox = Inbox(max_bytes=1_000)
    assert inbox.put(message(1, payload=b"x" * 100))
    assert not inbox.put(message(2, payload=b"x" * 700))
    assert len(inbox) == 2  # what came is kept, only the sender is stopped


def test_wait_ends_with_a_message_and_with_wake() -> None:
    inbox = Inbox()
    assert not inbox.wait(0.01)
    threading.Timer(0.05, lambda: inbox.put(message(1))).start()
    began = time.monotonic()
    assert inbox.wait(120)
    assert time.monotonic() - began < 60
    assert inbox.wait(0)  # still there
    inbox.take(1)
    began = time.monotonic()
    assert not inbox.wait(0.1)
    assert time.monotonic() - began >= 0.1  # it really waits again
    threading.Timer(0.05, inbox.wake).start()
    began = time.monotonic()
    assert not inbox.wait(120)
    assert time.monotonic() - began < 60


def test_quiet_for() -> None:
    inbox = Inbox()
    inbox.put(message(1))
    assert inbox.quiet_for() < 60
    time.sleep(0.05)
    assert inbox.quiet_for() >= 0.05


def test_what_comes_again_after_a_break_is_taken_once() -> None:
    inbox = Inbox()
    for number in range(4):
        inbox.put(message(number, qos=0 if number == 2 else 1))
    inbox.set_aside()
    assert numbers(inbox.take(9)) == [2]  # QoS 0 never comes again
    assert inbox.aside == 3
    for number in (0, 1, 3, 4):
        inbox.put(message(number, generation=2))
    assert inbox.aside == 0
    assert inbox.give_back() == 0
    assert [(one.mid, one.generation) for one in inbox.take(9)] == [(0, 2), (1, 2), (3, 2), (4, 2)]
    assert inbox.bytes == 0


def test_what_does_not_come_again_is_given_back() -> None:
    inbox = Inbox()
    for number in range(3):
        inbox.put(message(number))
    inbox.put(message(9, payload=b"1"))  # the same bytes twice: two messages
    inbox.set_aside()
    inbox.put(message(5, generation=2, payload=b"1"))
    assert inbox.aside == 3
    assert inbox.give_back() == 3
    assert sorted(one.payload for one in inbox.take(9)) == [b"0", b"1", b"1", b"2"]
    assert inbox.aside == 0


def test_two_breaks_in_a_row() -> None:
    inbox = Inbox()
    inbox.put(message(1))
    inbox.set_aside()
    inbox.put(message(2, generation=2))
    inbox.set_aside()
    assert inbox.aside == 2
    assert inbox.give_back() == 2
    assert numbers(inbox.take(9)) == [1, 2]


def test_nothing_is_lost_between_two_threads() -> None:
    inbox = Inbox()
    many = 50_000
    threading.Thread(target=lambda: [inbox.put(message(number)) for number in range(many)]).start()
    taken: list[int] = []
    end = time.monotonic() + 120
    while len(taken) < many and time.monotonic() < end:
        inbox.wait(0.5)
        taken += numbers(inbox.take(997))
    assert taken == list(range(many))
    assert inbox.bytes == 0
