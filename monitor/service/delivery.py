"""Notices out: from the stored outbox to their receivers, until each is delivered or a day has passed.

Every notice was stored together with the alarm change it tells of; here it is sent, and then the try is stored. Killed
in between, it is sent once more with the same id, by which a receiver can recognise it: at least once, and never not.

Each address has a thread of its own while there is something for it, so that a dead receiver delays no other; of one
that hangs no more than one try is ever under way (`links/deadline.py`). Waiting goes by the wall clock, since only that
goes on while we are down; that it may be set is seen to (`steps.py`).
"""

from __future__ import annotations

import math
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Final, Protocol

from monitor.alarms.notice import Notice
from monitor.errors import LinkError
from monitor.links import senders
from monitor.records import outbox
from monitor.records.database import Database
from monitor.records.outbox import Due, Tried
from monitor.service.marking import Marks
from monitor.service.steps import Steps

WAITS_SECONDS: Final = (10.0, 30.0, 120.0, 300.0, 900.0, 1800.0, 3600.0)
"""Between the tries; the last one again and again."""
GIVE_UP_SECONDS: Final = 86_400.0
"""A notice not delivered a day after it was made has failed ..."""
LEAST_TRIES: Final = 5
"""... once it was tried so often, which takes 8 min: after a day's power cut the network may be back after us."""
MOST_TRIES: Final = 100
"""It has failed as well after so many, three times what a day takes: where the clock was years ahead when it was made,
no day would ever be over."""
LOOK_SECONDS: Final = 30.0
"""The outbox is looked into at least so often, whatever the clock does."""
BUSY_LOOK_SECONDS: Final = 1.0
"""The same while something is being sent."""
DATABASE_WAIT_SECONDS: Final = 2.0
SAY_AGAIN_SECONDS: Final = 60.0
"""What goes wrong over and over is told so often at most."""
AHEAD: Final = 2
"""Notices of an address that are taken from the outbox: the one being sent, and the next."""
STOP_SECONDS: Final = 2.0


@dataclass(frozen=True)
class Address:
    """Where a route's notices go."""

    to: str
    """As monitor.links.senders takes it; may hold a secret."""
    secret: str | None = field(default=None, repr=False)
    """Signs a webhook."""
    deadline_seconds: float | None = None
    """For one try; None: as for all."""


class Send(Protocol):
    """How one try is made; raises LinkError."""

    def __call__(
        self, address: str, notice: Notice, *, deadline_seconds: float, secret: str | None,
        print_line: Callable[[str], None],
    ) -> None: ...  # fmt: skip


class Outbox(Protocol):
    """The stored notices; monitor.records.outbox is one."""

    def due(
        self, database: Database, now_ms: int, limit: int | None = ..., each: int | None = ...
    ) -> list[Due]: ...  # fmt: skip

    def bring_forward(
        self, database: Database, now_ms: int, longest_ms: int, back_ms: int | None = ...
    ) -> int: ...  # fmt: skip

    def next_due_ms(self, database: Database) -> int | None: ...

    def put_off(self, database: Database, until_ms: Mapping[str, int]) -> None: ...

    def record_tries(self, database: Database, tries: Sequence[Tried]) -> None: ...


class Delivery:
    """Sends what is due. `wake` it after each commit that stored notices."""

    def __init__(
        self,
        database: Database,
        addresses: Mapping[tuple[str, int], Address],
        *,
        print_line: Callable[[str], None] = print,
        say: Callable[[str], None] = lambda text: None,
        clock: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
        send: Send = senders.send,
        stored: Outbox = outbox,
        deadline_seconds: float = senders.DEADLINE_SECONDS,
        not_before: Callable[[Notice, datetime], datetime] = lambda notice, now: now,
        waits_seconds: tuple[float, ...] = WAITS_SECONDS,
        give_up_seconds: float = GIVE_UP_SECONDS,
    ) -> None:
        """
        Parameters
        ----------
        addresses : (route, place of the address in it, from 0) -> address
        print_line : prints for `terminal:`
        say : takes a line for the log
        clock : seconds since 1970
        steady : seconds that only ever go on
        not_before : when a notice may be sent at the earliest [aware]: what does not ring waits out quiet hours, also
            where it could not be delivered before they began
        """
        self._database = database
        self._addresses = dict(addresses)
        self._print_line = print_line
        self._say = say
        self._clock = clock
        self._send = send
        self._stored = stored
        self._not_before = not_before
        self._deadline = deadline_seconds
        self._waits = waits_seconds
        self._give_up = give_up_seconds
        self._steady = steady
        self._stopping = threading.Event()
        self._steps = Steps(clock, steady)
        self._said: dict[str, float] = {}
        self._marks = Marks(
            lambda tries: stored.record_tries(database, tries),
            say=lambda text: self._say_at_times("mark", text),
            stopping=self._stopping,
            guarded=self._guarded,
        )
        self._lock = threading.Lock()
        self._waiting: dict[tuple[str, int], deque[Due]] = {}
        self._workers: dict[tuple[str, int], threading.Thread] = {}
        self._in_hand: dict[tuple[str, int], int] = {}
        """Of each address: waiting here or being sent."""
        self._busy: set[str] = set()
        self._finished: set[str] = set()
        self._woken = threading.Event()
        self._abandoned = False
        self._thread: threading.Thread | None = None
        self.failure: BaseException | None = None
        """Why a thread ended by itself, which is a bug; None while all is well."""

    def start(self) -> None:
        """Begins with what waits in the outbox."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._guarded(self._run), name="notices", daemon=True)
            self._thread.start()

    def wake(self) -> None:
        """There is something new in the outbox."""
        self._woken.set()

    def stop(self) -> None:
        """Ends within 2 s. A try that hangs is left alone and not recorded: it is made again, with the same id."""
        until = time.monotonic() + STOP_SECONDS
        self._stopping.set()
        self._woken.set()
        with self._lock:
            threads = [*self._workers.values(), *([self._thread] if self._thread else [])]
        for thread in threads:
            thread.join(max(0.0, until - time.monotonic()))
        self._marks.end(max(0.0, until - time.monotonic()))
        self._abandoned = True
        self._thread = None

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive() and self.failure is None

    # ------------------------------------------------------------------ the thread that looks

    def _guarded(self, work: Callable[[], None]) -> Callable[[], None]:
        def run() -> None:
            try:
                work()
            except BaseException as exc:
                self.failure = exc
                raise

        return run

    def _run(self) -> None:
        begun = False
        while not self._stopping.is_set():
            self._woken.clear()
            try:
                if not begun:
                    self._begin()
                    begun = True
                wait = self._look()
            except LinkError as exc:
                self._say_at_times("look", f"notices wait: {exc}")
                wait = DATABASE_WAIT_SECONDS
            self._woken.wait(wait)

    def _begin(self) -> None:
        """Nothing waits for longer than the longest wait: the clock may have been set back while we were down."""
        self._stored.bring_forward(self._database, int(self._clock() * 1000), int(self._waits[-1] * 1000))

    def _look(self) -> float:
        """Gives what is due to the addresses' threads; seconds until there may be more."""
        self._steps.look()
        now_ms = int(self._clock() * 1000)
        back = self._steps.back
        if back > 0.0:
            self._say(f"the clock was set back by {back:.0f} s: what waits for its next try waits no longer for it")
            self._stored.bring_forward(self._database, now_ms, int(self._waits[-1] * 1000), int(back * 1000))
            self._steps.dealt_with(back)
        with self._lock:
            # Only what was finished before the outbox is read has surely left it.
            self._busy -= self._finished
            self._finished.clear()
        quiet: dict[str, int] = {}
        for one in self._stored.due(self._database, now_ms, None, AHEAD):
            until = self._not_before(one.notice, datetime.fromtimestamp(now_ms / 1000.0, UTC))
            if int(until.timestamp() * 1000) > now_ms and one.notice.id not in self._busy:
                quiet[one.notice.id] = int(until.timestamp() * 1000)
                continue
            with self._lock:
                key = (one.notice.route, one.notice.address_index)
                if one.notice.id not in self._busy and self._in_hand.get(key, 0) < AHEAD:
                    self._busy.add(one.notice.id)
                    self._give(key, one)
        if quiet:
            self._stored.put_off(self._database, quiet)
            return 0.0  # there may be more behind them
        next_ms = self._stored.next_due_ms(self._database)
        if next_ms is None:
            return LOOK_SECONDS
        if next_ms <= now_ms:
            return BUSY_LOOK_SECONDS  # being sent; what is due after it cannot be seen behind it
        return min(LOOK_SECONDS, (next_ms - now_ms) / 1000.0)

    def _give(self, key: tuple[str, int], due: Due) -> None:
        self._waiting.setdefault(key, deque()).append(due)
        self._in_hand[key] = self._in_hand.get(key, 0) + 1
        if key not in self._workers:
            name = f"notices {key[0]} {key[1]}"
            thread = threading.Thread(target=self._guarded(lambda: self._serve(key)), name=name, daemon=True)
            self._workers[key] = thread
            thread.start()

    # ------------------------------------------------------------------ the thread of an address

    def _serve(self, key: tuple[str, int]) -> None:
        while True:
            with self._lock:
                if self._stopping.is_set() or not self._waiting.get(key):
                    self._waiting.pop(key, None)
                    self._workers.pop(key, None)
                    return
                due = self._waiting[key].popleft()
            self._try(due, self._addresses.get(key))
            with self._lock:
                self._finished.add(due.notice.id)
                self._in_hand[key] -= 1
                if not self._in_hand[key]:
                    del self._in_hand[key]
            self._woken.set()

    def _try(self, due: Due, address: Address | None) -> None:
        if address is None:
            detail = f"route {due.notice.route} has no address {due.notice.address_index + 1} any more"
            self._record(due, "no address", detail, failed=True)
            return
        try:
            self._send(
                address.to,
                due.notice,
                deadline_seconds=address.deadline_seconds or self._deadline,
                secret=address.secret,
                print_line=self._print_line,
            )
        except LinkError as exc:
            self._failed(due, address, exc)
        except Exception as exc:  # of this one notice at this one address: the watch must not end for it
            where = "".join(traceback.format_tb(exc.__traceback__))  # without its text, which may hold a secret
            self._say(f"a fault of this program, please report it: {type(exc).__name__}\n{where}")
            what = senders.without_secrets(f"{type(exc).__name__}: {exc}", address.to)
            self._failed(due, address, LinkError(f"our fault: {what}"))
        else:
            self._record(due, "delivered", "", delivered=True)

    def _failed(self, due: Due, address: Address, exc: LinkError) -> None:
        outcome, _, detail = str(exc).partition(": ")
        self._steps.look()
        now, made = self._clock(), due.notice.created.timestamp()
        next_due = now + self._waits[min(due.tries, len(self._waits) - 1)]
        asked = exc.retry_after_seconds or 0.0
        next_due = max(next_due, now + asked)
        ends = made + self._give_up + self._steps.skipped_since(made)
        too_late = now >= ends and due.tries + 1 >= LEAST_TRIES
        too_long = now >= ends and asked > self._waits[-1]
        if exc.permanent or too_late or too_long or due.tries + 1 >= MOST_TRIES:
            self._say(f"notice {due.notice.id} to {senders.shown(address.to)} has failed for good: {exc}")
            self._record(due, outcome, detail, failed=True)
            return
        if due.tries == 0:
            self._say(f"notice {due.notice.id} to {senders.shown(address.to)}: {exc}; will be tried again")
        if now < ends:  # the last try is made when the day is over
            next_due = min(next_due, max(ends, now + 1.0))
        self._record(due, outcome, detail, next_due_ms=int(next_due * 1000))

    def _record(
        self, due: Due, outcome: str, detail: str, *, next_due_ms: int | None = None,
        delivered: bool = False, failed: bool = False,
    ) -> None:  # fmt: skip
        """Stores the try, however long the database is busy; when we are stopped before, the notice is sent again."""
        at_ms = int(self._clock() * 1000)
        detail = detail.encode("utf-8", "replace").decode()  # a receiver's words may hold halves of a letter
        if not self._abandoned:
            self._marks.put(Tried(due.notice.id, at_ms, outcome, detail, next_due_ms, delivered, failed))

    def _say_at_times(self, about: str, text: str) -> None:
        """For what goes wrong over and over, each two seconds."""
        now = self._steady()
        with self._lock:
            if now - self._said.get(about, -math.inf) < SAY_AGAIN_SECONDS:
                return
            self._said[about] = now
        self._say(text)


def addresses(routes: Iterable[tuple[str, tuple[str, ...], str | None]]) -> dict[tuple[str, int], Address]:
    """The addresses of routes (name, to, secret), by name and place."""
    return {(name, place): Address(to, secret) for name, many, secret in routes for place, to in enumerate(many)}
