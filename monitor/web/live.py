"""News for open pages as server-sent events: one look at the database for all browsers, told to each.

The database is asked what changed after a running number, at most twice a second, only while somebody listens, and only
for what those who listen want to hear of. Each event is written once, whoever hears it. Each listener holds what it has
not sent yet by fan, so a slow browser gets the newest of each and holds up nobody.

A program (`/api/v1/live`) hears of each fan by itself, in full. A page that lists fans (`/live`) hears of the fans it
shows, with the texts it shows, all of a second in one event; and of alarms of whatever its filter could show.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TypeAlias

from fastapi.sse import ServerSentEvent
from starlette.concurrency import run_in_threadpool

from monitor.errors import LinkError
from monitor.records.scope import allows
from monitor.web.reader import Reader
from monitor.web.times import rfc3339

POLL_SECONDS = 0.5
"""Between two looks at the database."""
STILL_SECONDS = 2.0
"""Between two looks whether those who listen are still signed in."""
PAGE_SECONDS = 1.0
"""A list is told at most so often: nobody reads faster, and a phone sleeps in between."""
NOW_SECONDS = 20.0
"""When nothing else was told for so long the time is: a page that hears nothing for longer says that it has grown old.
Comments would keep the connection open too, but browsers do not show them to a page."""
MOST_LISTENERS = 200
"""Open streams; browsers beyond are told to come again later."""
FAN, ALARM = "fan", "alarm"


Mark: TypeAlias = tuple[int, ...]
"""Running numbers up to which everything has been told; each only grows."""


@dataclass(frozen=True)
class Event:
    """What changed of one fan or alarm."""

    kind: str
    """FAN or ALARM."""
    site: str
    fan: str | None
    """None: an alarm of a supply point or a whole site."""
    key: str
    """A newer event of the same kind, site and key stands for an older one."""
    point: int | None = None
    """Of a fan."""
    searched: str = ""
    """Of an alarm of a fan: where free words are looked for (`records.registered`)."""
    api: str = ""
    """As JSON for programs; empty where none wanted it."""
    page: str = ""
    """As JSON for a page that lists fans; empty where none wanted it."""


@dataclass(frozen=True)
class News:
    """What changed after a mark."""

    mark: Mark
    """Ask with this one next."""
    events: tuple[Event, ...]


@dataclass(frozen=True)
class Wanted:
    """What those who listen want to hear of, all together. Of alarms, which are few, everything is told."""

    points: frozenset[int] = frozenset()
    """Fans that stand on pages."""
    sites: frozenset[str] = frozenset()
    """Whole sites that programs listen to ..."""
    fans: frozenset[tuple[str, str]] = frozenset()
    """... single fans ..."""
    everything: bool = False
    """... or all of it."""

    def by_program(self, site: str, fan: str) -> bool:
        """Whether a program wants to hear of a fan."""
        return self.everything or site in self.sites or (site, fan) in self.fans

    def fan(self, site: str, fan: str, point: int) -> bool:
        """Whether anybody wants to hear of a fan."""
        return point in self.points or self.by_program(site, fan)


Look: TypeAlias = Callable[[Mark | None, Wanted], News]
"""Gives what changed after a mark; None asks for the present mark and no events. Of all sites: each listener is told of
its own."""


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


@dataclass(frozen=True)
class Program:
    """What a program asked to hear of."""

    site: str | None = None
    fan: str | None = None

    def hears(self, event: Event) -> bool:
        """Whether an event is for it, whoever asks."""
        return bool(event.api) and self.site in (None, event.site) and self.fan in (None, event.fan)

    def add_to(self, sites: set[str], fans: set[tuple[str, str]], points: set[int]) -> bool:
        """Puts in what it wants; whether that is everything."""
        if self.site is None:
            return True
        if self.fan is None:
            sites.add(self.site)
        else:
            fans.add((self.site, self.fan))
        return False

    def sent(self, events: Iterable[Event], mark: str) -> list[ServerSentEvent]:
        """Each by itself; only the last carries the mark: a connection that breaks before it gets all again."""
        told = list(events)
        return [
            ServerSentEvent(event=event.kind, id=mark if event is told[-1] else None, raw_data=event.api)
            for event in told
        ]


@dataclass(frozen=True)
class PageOfFans:
    """What a page that lists fans asked to hear of."""

    points: frozenset[int]
    """The fans it shows."""
    site: str | None = None
    words: tuple[str, ...] = ()

    def hears(self, event: Event) -> bool:
        """Whether an event is for it, whoever asks. Alarms also of fans that its filter leaves and that stand on
        another part, or are in another state: they may come to this one."""
        if not event.page:
            return False
        if event.kind == FAN:
            return event.point in self.points
        fits = not event.fan or all(word in event.searched for word in self.words)
        return fits and self.site in (None, event.site)

    def add_to(self, sites: set[str], fans: set[tuple[str, str]], points: set[int]) -> bool:
        """Puts in what it wants; whether that is everything."""
        points |= self.points
        return False

    def sent(self, events: Iterable[Event], mark: str) -> list[ServerSentEvent]:
        """All fans together, then all alarms."""
        told = list(events)
        heaps = [(kind, [event.page for event in told if event.kind == kind]) for kind in (FAN, ALARM)]
        return [
            ServerSentEvent(event=f"{kind}s", id=mark, raw_data=f"[{','.join(heap)}]") for kind, heap in heaps if heap
        ]


@dataclass(eq=False)
class _Listener:
    reader: Reader
    asked: Program | PageOfFans
    mark: Mark = ()
    """Everything up to it has been taken; empty before the first look."""
    waiting: dict[tuple[str, str, str], Event] = field(default_factory=dict)
    told: asyncio.Event = field(default_factory=asyncio.Event)
    over: asyncio.Event = field(default_factory=asyncio.Event)

    def take(self, news: News) -> None:
        for event in news.events:
            if self.asked.hears(event) and allows(self.reader.sites, event.site):
                key = (event.kind, event.site, event.key)
                self.waiting.pop(key, None)  # to the end: in the order of the newest
                self.waiting[key] = event
        self.mark = tuple(map(max, self.mark, news.mark)) if self.mark else news.mark
        if self.waiting:
            self.told.set()

    def end(self) -> None:
        self.over.set()
        self.told.set()


def _wanted(listeners: Iterable[_Listener]) -> Wanted:
    sites: set[str] = set()
    fans: set[tuple[str, str]] = set()
    points: set[int] = set()
    everything = False
    for one in listeners:
        everything |= one.asked.add_to(sites, fans, points)
    return Wanted(frozenset(points), frozenset(sites), frozenset(fans), everything)


class Live:
    """The one look for all listeners of this process.

    Parameters
    ----------
    look : gives what changed after a mark
    still : of those who listen, who may go on as they began
    now : the service's clock, by which pages tell how old their figures are
    """

    def __init__(
        self, look: Look, still: Callable[[frozenset[Reader]], frozenset[Reader]] = frozenset,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:  # fmt: skip
        self._look = look
        self._now = now
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
        self, after: Mark | None, reader: Reader, asked: Program | PageOfFans, pause: float = 0.0
    ) -> AsyncIterator[ServerSentEvent]:
        """Events from a mark on; without one, from now on. Ends when the reader may no longer hear them.

        Comments that keep the connection open are put in by FastAPI each 15 s.

        Parameters
        ----------
        pause : [s] at least, between two tellings
        """
        self._loop = asyncio.get_running_loop()
        listener = _Listener(reader, asked)
        self._listeners.add(listener)
        try:
            try:
                first = await run_in_threadpool(self._look, after, _wanted([listener]))
            except LinkError:
                return  # the database is busy: the browser comes again by itself
            listener.take(first)
            if self._poller is None or self._poller.done():
                self._poller = asyncio.create_task(self._poll())
            # Tells at once that the stream is open, and from where on.
            yield ServerSentEvent(
                event="open", id=mark_text(listener.mark), data={"now": rfc3339(self._now())}, retry=3000
            )
            while not (listener.over.is_set() or self._stopping):
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(listener.told.wait(), NOW_SECONDS)
                if not listener.told.is_set():
                    yield ServerSentEvent(event="now", data={"now": rfc3339(self._now())})
                    continue
                listener.told.clear()
                waiting, listener.waiting = listener.waiting, {}
                for event in asked.sent(waiting.values(), mark_text(listener.mark)):
                    yield event
                if pause:
                    with contextlib.suppress(TimeoutError):
                        await asyncio.wait_for(listener.over.wait(), pause)
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

    async def _poll(self) -> None:
        looked = time.monotonic()
        try:
            while self._listeners and not self._stopping:
                await asyncio.sleep(POLL_SECONDS)
                # Only those whose first look is done, and from the oldest of their marks on: what was committed between
                # a listener's first look and the next one here is found, though nobody wanted it before.
                ready = [one for one in self._listeners if one.mark]
                if not ready:
                    continue
                mark = tuple(min(numbers) for numbers in zip(*(one.mark for one in ready), strict=True))
                try:
                    news = await run_in_threadpool(self._look, mark, _wanted(ready))
                except LinkError:
                    continue  # the database is busy: what changed is asked for again
                for listener in ready:
                    listener.take(news)
                if time.monotonic() - looked >= STILL_SECONDS:
                    await self._end_those_out()
                    looked = time.monotonic()
        finally:
            self._end_all()  # browsers come again by themselves, from their last mark
