"""News for open pages as server-sent events: one look at the database for all browsers, told to each.

The database is asked what changed after a running number, at most twice a second, and only while somebody listens. Each
listener holds what it has not sent yet by fan, so a slow browser gets the newest of each and holds up nobody.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from typing import Any, TypeAlias

from fastapi.sse import ServerSentEvent
from starlette.concurrency import run_in_threadpool

from monitor.errors import LinkError
from monitor.records.scope import allows
from monitor.web.reader import Reader

POLL_SECONDS = 0.5
"""Between two looks at the database."""
STILL_SECONDS = 2.0
"""Between two looks whether those who listen are still signed in."""
MOST_LISTENERS = 200
"""Open streams; browsers beyond are told to come again later."""


Mark: TypeAlias = tuple[int, ...]
"""Running numbers up to which everything has been told; each only grows."""


@dataclass(frozen=True)
class News:
    """What changed after a mark."""

    mark: Mark
    """Ask with this one next."""
    events: tuple[tuple[str, str, str, dict[str, Any]], ...]
    """(kind, site, key, body): a newer event of the same kind, site and key stands for an older one."""


def mark_text(mark: Mark) -> str:
    """A mark as the id of an event.

    >>> mark_text((17, 3))
    '17-3'
    """
    return "-".join(str(number) for number in mark)


def mark_of(text: str | None, length: int) -> Mark | None:
    """The mark an id holds; None for what is none, so that a browser with an old id simply begins anew.

    >>> mark_of("17-3", 2), mark_of("17", 2), mark_of("x-y", 2), mark_of(None, 2)
    ((17, 3), None, None, None)
    """
    parts = (text or "").split("-")
    if len(parts) != length or not all(part.isascii() and part.isdigit() and len(part) <= 18 for part in parts):
        return None
    return tuple(int(part) for part in parts)


@dataclass(eq=False)
class _Listener:
    reader: Reader
    site: str | None = None
    fan: str | None = None
    mark: Mark = ()
    waiting: dict[tuple[str, str, str], dict[str, Any]] = field(default_factory=dict)
    told: asyncio.Event = field(default_factory=asyncio.Event)
    ended: bool = False

    def take(self, news: News, *, newest: bool = True) -> None:
        for kind, site, key, body in news.events:
            if not allows(self.reader.sites, site):
                continue
            if self.site is not None and site != self.site:
                continue
            if self.fan is not None and body.get("fan") != self.fan:
                continue
            if newest:
                self.waiting.pop((kind, site, key), None)
                self.waiting[kind, site, key] = body
            else:
                self.waiting.setdefault((kind, site, key), body)
        self.mark = tuple(map(max, self.mark, news.mark)) if self.mark else news.mark
        if self.waiting:
            self.told.set()

    def end(self) -> None:
        self.ended = True
        self.told.set()


class Live:
    """The one look for all listeners of this process.

    Parameters
    ----------
    look : gives what changed after a mark; None asks for the present mark and no events. Of all sites: each listener
        is told of its own
    still : of those who listen, who may go on as they began
    """

    def __init__(
        self, look: Callable[[Mark | None], News], still: Callable[[frozenset[Reader]], frozenset[Reader]] = frozenset
    ) -> None:
        self._look = look
        self._still = still
        self._listeners: set[_Listener] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._poller: asyncio.Task[None] | None = None
        self._stopping = False

    @property
    def full(self) -> bool:
        """Whether no further stream is taken."""
        return len(self._listeners) >= MOST_LISTENERS

    def stop(self) -> None:
        """Ends every stream for good; may be called from any thread, before the server is asked to stop."""
        self._stopping = True
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._end_all)

    def _end_all(self) -> None:
        for listener in self._listeners:
            listener.end()

    async def stream(
        self, after: Mark | None, reader: Reader, site: str | None = None, fan: str | None = None
    ) -> AsyncIterator[ServerSentEvent]:
        """Events from a mark on; without one, from now on. Ends when the reader may no longer hear them.

        Comments that keep the connection open are put in by FastAPI each 15 s.
        """
        self._loop = asyncio.get_running_loop()
        listener = _Listener(reader, site, fan)
        self._listeners.add(listener)  # before the first look, so that nothing falls between it and the poller's
        try:
            try:
                first = await run_in_threadpool(self._look, after)
            except LinkError:
                return  # the database is busy: the browser comes again by itself
            listener.take(first, newest=False)
            if self._poller is None or self._poller.done():
                self._poller = asyncio.create_task(self._poll(first.mark))
            # Tells at once that the stream is open, and from where on.
            yield ServerSentEvent(event="open", id=mark_text(listener.mark), data={"ok": True}, retry=3000)
            while not (listener.ended or self._stopping):
                await listener.told.wait()
                listener.told.clear()
                waiting, listener.waiting = listener.waiting, {}
                mark = mark_text(listener.mark)
                last = len(waiting) - 1
                for number, ((kind, _, _), body) in enumerate(waiting.items()):
                    # Only the last of a heap carries the mark: a connection that breaks before it gets all again.
                    yield ServerSentEvent(event=kind, id=mark if number == last else None, data=body)
        finally:
            self._listeners.discard(listener)

    async def _end_those_out(self) -> None:
        """Ends the streams of those who signed out, were disabled or have other sites now; the rest begin anew."""
        asked = tuple(self._listeners)
        with contextlib.suppress(LinkError):  # asked again
            still = await run_in_threadpool(self._still, frozenset(one.reader for one in asked))
            for listener in asked:
                if listener.reader not in still:
                    listener.waiting.clear()
                    listener.end()

    async def _poll(self, mark: Mark) -> None:
        looked = time.monotonic()
        try:
            while self._listeners and not self._stopping:
                await asyncio.sleep(POLL_SECONDS)
                try:
                    news = await run_in_threadpool(self._look, mark)
                except LinkError:
                    continue  # the database is busy: what changed is asked for again
                mark = news.mark
                for listener in tuple(self._listeners):
                    listener.take(news)
                if time.monotonic() - looked >= STILL_SECONDS:
                    await self._end_those_out()
                    looked = time.monotonic()
        finally:
            self._end_all()  # browsers come again by themselves, from their last mark
