"""Calls an address outside as long as the watch works, so that somebody is told when the calls end.

A service that is down, a machine without power or a farm without a link can tell nobody of it; who waits for these
calls can. So a call is made only while the worker goes round and stores. Its own thread, its own deadline: what happens
to a call never touches the watch.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

from monitor.errors import ConfigError, Fault, LinkError
from monitor.links.heartbeat import call, shown, usable
from monitor.settings import HeartbeatSettings, address_of


class Heartbeat:
    """Started and stopped by the shell."""

    def __init__(
        self,
        url: str,
        every_seconds: float,
        why_not: Callable[[], str | None],
        *,
        say: Callable[[str], None] = lambda text: None,
        steady: Callable[[], float] = time.monotonic,
        call: Callable[[str], None] = call,
    ) -> None:
        """
        Parameters
        ----------
        why_not : why the watch does not work now, in words; None while it does
        say : takes a line for the log; a failure that repeats itself is said once
        """
        self._url, self._every, self._why_not = url, every_seconds, why_not
        self._say, self._steady, self._call = say, steady, call
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._called = self._failed = self._held_back = 0
        self._last: float | None = None
        self._words = "not called yet"

    def start(self) -> None:
        """The first call comes after one interval: by then the watch has shown whether it works."""
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends; a call in work is left alone."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(1.0)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.wait(self._every):
            self.beat()

    def beat(self) -> None:
        """One call, if the watch works."""
        why = self._why_not()
        if why is not None:
            self._held_back += 1
            self._tell(f"held back: {why}")
            return
        try:
            self._call(self._url)
        except LinkError as exc:
            self._failed += 1
            self._tell(str(exc))
        except Exception as exc:  # a library's own fault must not end the calls
            self._failed += 1
            self._tell(f"a fault of the monitor: {type(exc).__name__}")
        else:
            self._called += 1
            self._last = self._steady()
            self._tell("called")

    def _tell(self, words: str) -> None:
        before, self._words = self._words, words
        if words.partition(":")[0] != before.partition(":")[0] and not (words == "called" and before.startswith("not")):
            self._say(f"heartbeat to {shown(self._url)}: {words}")

    def told(self) -> dict[str, Any]:
        """What became of the calls."""
        last = self._last
        return {
            "to": shown(self._url),
            "words": self._words,
            "called": self._called,
            "failed": self._failed,
            "held_back": self._held_back,
            "seconds_since_called": None if last is None else round(self._steady() - last, 1),
        }


def url_of(settings: HeartbeatSettings) -> str | None:
    """The address to call; None where there is none.

    Raises
    ------
    ConfigError : it cannot be read from its file, or is no address
    """
    if settings.url is None:
        return None
    url = address_of(settings.url)
    if not usable(url):
        raise ConfigError(
            "the heartbeat cannot work:",
            [Fault("heartbeat.url", "https://HOST/PATH, or file:PATH of a file with it", "something else")],
        )
    return url
