"""A try that hangs: left at its deadline, cut off from the network, and followed by no other until it is gone.

Libraries count their time-outs from one byte to the next; a receiver that trickles would hold us for ever. A thread
cannot be ended from outside, but the sockets it waits for can be shut: it then ends by itself, with an error nobody
reads. Where even that fails (a name server that hangs, a library that sleeps) it is left behind as a daemon, and the
next try to the same receiver fails at once until it has gone. So there is never more than one of them a receiver,
however often it is tried.
"""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Final

from monitor.errors import LinkError

GONE_SECONDS: Final = 0.5
"""How long a try that was cut off is waited for, and how often in that time it is cut off."""
CUTS: Final = 10

_lock = threading.Lock()
_left: dict[str, list[threading.Thread]] = {}
"""Receiver -> its tries that hang."""


def within(seconds: float, work: Callable[[], None], receiver: str) -> None:
    """Does some work in a thread of its own and waits for it so long at most.

    Parameters
    ----------
    receiver : with whom it may hang, as one word for all tries to the same

    Raises
    ------
    LinkError : no answer by then, or the try before still hangs; else whatever the work raises
    """
    if left_behind(receiver):
        raise LinkError("no answer: the try before still hangs; the next one waits until it has ended")
    outcome: list[BaseException | None] = []

    def run() -> None:
        try:
            work()
            outcome.append(None)
        except BaseException as exc:
            outcome.append(exc)

    thread = threading.Thread(target=run, name="notice try", daemon=True)
    try:
        thread.start()
    except RuntimeError as exc:
        raise LinkError(f"no answer: this computer has no room for another thread ({exc})") from exc
    thread.join(seconds)
    if not outcome:
        for _ in range(CUTS):  # it may open another connection after the first
            _cut_off(thread)
            thread.join(GONE_SECONDS / CUTS)
            if not thread.is_alive():
                break
        if thread.is_alive():
            with _lock:
                _left.setdefault(receiver, []).append(thread)
        raise LinkError(f"no answer: nothing within {seconds:g} s")
    if outcome[0] is not None:
        raise outcome[0]


def left_behind(receiver: str) -> int:
    """How many tries to a receiver hang; cuts them off once more."""
    with _lock:
        alive = [thread for thread in _left.pop(receiver, []) if thread.is_alive()]
        if alive:
            _left[receiver] = alive
    for thread in alive:
        _cut_off(thread)  # it may have opened another connection since
    return len(alive)


def _cut_off(thread: threading.Thread) -> None:
    """Shuts the sockets that a thread works with, so that it ends by itself."""
    for one in _sockets(sys._current_frames().get(thread.ident or 0)):
        with contextlib.suppress(OSError, ValueError):
            one.shutdown(socket.SHUT_RDWR)


def _sockets(frame: FrameType | None) -> Iterator[socket.socket]:
    """The sockets in the hands of the functions that a thread is in, from the innermost outwards."""
    while frame is not None:
        for value in list(frame.f_locals.values()):
            if isinstance(value, socket.socket):
                yield value
                continue
            for name in ("sock", "_sock"):  # so the standard library and httpcore name theirs
                held = vars(value).get(name) if hasattr(value, "__dict__") else None
                if isinstance(held, socket.socket):
                    yield held
        frame = frame.f_back
