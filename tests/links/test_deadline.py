"""Receivers that hang, at every try: nothing of them may be left behind that grows."""

from __future__ import annotations

import gc
import logging
import socket
import threading
import time
import tracemalloc
from itertools import pairwise
from pathlib import Path

import pytest

from monitor.alarms.notice import Notice
from monitor.errors import LinkError
from monitor.links import deadline, senders
from tests.servers import hangs, receiver, trickles, until

SECRET = "whsec_" + "QUFB" * 8
MAIL = "mailto://u:p@127.0.0.1:{}?mode=insecure&from=a@b.example&to=c@d.example"
TALKS = {
    "webhook, hangs": ("webhook+http://127.0.0.1:{}/", hangs),
    "webhook, trickles": ("webhook+http://127.0.0.1:{}/", trickles(b"HTTP/1.1 200 OK\r\nx: ")),
    "webhook, TLS that trickles": ("webhook+https://127.0.0.1:{}/", trickles(b"\x16\x03\x03\x40\x00")),
    "mail, hangs": (MAIL, hangs),
    "mail, trickles": (MAIL, trickles(b"220-")),
    "mail, TLS that trickles": (MAIL.replace("insecure", "ssl"), trickles(b"\x16\x03\x03\x40\x00")),
    "another service, trickles": ("json://127.0.0.1:{}/", trickles(b"HTTP/1.1 200 OK\r\nx: ")),
}


def threads() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name == "notice try"]


def files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.mark.parametrize("case", TALKS)
def test_a_try_that_is_left_ends_by_itself(case: str, notice: Notice) -> None:
    address, talk = TALKS[case]
    with receiver(talk) as port:
        to = address.format(port)
        for _ in range(3):
            with pytest.raises(LinkError, match=r"^no answer: "):
                senders.send(to, notice, deadline_seconds=0.2, secret=SECRET)
            until(lambda: not threads(), what="the end of the try")
        assert deadline.left_behind(to) == 0


@pytest.mark.parametrize("case", ["webhook, trickles", "mail, trickles"])
def test_a_hundred_tries_leave_nothing_behind(case: str, notice: Notice, caplog: pytest.LogCaptureFixture) -> None:
    address, talk = TALKS[case]
    caplog.set_level(logging.ERROR, "apprise")  # what pytest keeps of its lines would be taken for our own growth

    def tries(number: int) -> None:
        for _ in range(number):
            with pytest.raises(LinkError):
                senders.send(to, notice, deadline_seconds=0.012, secret=SECRET)

    with receiver(talk) as port:
        to = address.format(port)
        tries(10)
        until(lambda: not threads(), what="the end of the tries")
        before = files()
        tracemalloc.start()
        held: list[int] = []
        for _ in range(3):
            tries(30)
            until(lambda: not threads(), what="the end of the tries")
            gc.collect()
            held.append(tracemalloc.get_traced_memory()[0])
        tracemalloc.stop()
        until(lambda: files() <= before + 8, what="closed sockets")  # of ours and of the receiver in this same process
        # A leak grows in every round; something that is made once and kept, in one.
        assert min(later - earlier for earlier, later in pairwise(held)) < 20_000, "memory grows with the tries"


def test_of_what_nothing_can_end_there_is_one(notice: Notice) -> None:
    """A library that sleeps, a name server that hangs: no socket to shut."""
    free, begun = threading.Event(), []
    until(lambda: not threads(), what="the end of what another test has left")

    def work() -> None:
        begun.append(1)
        free.wait(300)

    with pytest.raises(LinkError):
        deadline.within(0.01, work, "somebody")
    until(lambda: begun)
    began = time.monotonic()
    for _ in range(200):
        with pytest.raises(LinkError):
            deadline.within(0.5, work, "somebody")
    assert time.monotonic() - began < 50  # and not 100: the first one was waited for, the others are not begun
    assert len(begun) == len(threads()) == 1
    with pytest.raises(LinkError, match=r"^no answer: the try before still hangs"):
        deadline.within(0.01, work, "somebody")
    deadline.within(60, lambda: None, "somebody else")
    free.set()
    until(lambda: not threads(), what="the end")
    deadline.within(60, lambda: None, "somebody")
    assert "somebody" not in deadline._left


def test_only_the_sockets_of_that_try_are_shut(notice: Notice) -> None:
    """Another try that is slow, but in time, must not be hit."""

    begun, shut = threading.Event(), threading.Event()

    def slowly(taken: socket.socket, over: threading.Event) -> None:
        taken.recv(65_536)
        begun.set()
        shut.wait(60)
        taken.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")

    got: list[str] = []

    def send() -> None:
        senders.send(f"webhook+http://127.0.0.1:{slow}/", notice, deadline_seconds=60, secret=SECRET)
        got.append("taken")

    with receiver(slowly) as slow, receiver(hangs) as dead:
        thread = threading.Thread(target=send)
        thread.start()
        assert begun.wait(60)
        with pytest.raises(LinkError):
            senders.send(f"webhook+http://127.0.0.1:{dead}/", notice, deadline_seconds=0.1, secret=SECRET)
        shut.set()
        thread.join()
    assert got == ["taken"]


def test_no_room_for_a_thread_is_a_failed_try(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(self: threading.Thread) -> None:
        raise RuntimeError("can't start new thread")

    monkeypatch.setattr(threading.Thread, "start", full)
    with pytest.raises(LinkError, match="no room for another thread"):
        deadline.within(60, lambda: None, "somebody")


@pytest.mark.parametrize("exc", [KeyError("x"), LinkError("refused: x"), SystemExit(3)])
def test_what_the_work_raises_comes_through(exc: BaseException) -> None:
    def work() -> None:
        raise exc

    with pytest.raises(type(exc)) as caught:
        deadline.within(60, work, "somebody")
    assert caught.value is exc
