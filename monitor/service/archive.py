"""The copy to InfluxDB: what is stored goes out in order of its numbers, and a cursor says how far.

A thread of its own, the least of all, which rests more than it works: a server that is slow, away or wrong costs a
decision nothing. Each batch is one synchronous write; only after the server has confirmed it the cursor is stored.
Killed in between, the batch is written once more, and each point takes its own place again. So a server that was away
for days gets everything, once.

What is not taken is told in words (`health`), and what becomes of it depends on who can act (`links.influx.Kind`):
lines that the server will not have are found by halving, kept with its words, and cost no other line; too much at once
is halved; a token, bucket or address that is wrong, and a server that is away, are waited for.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final, Protocol

from monitor.errors import LinkError
from monitor.links.influx import Kind, Precision, Target, WriteError, Writer
from monitor.records import archive as stored
from monitor.records.archive import Cursor, Refused
from monitor.records.database import Database
from monitor.records.rows import ReadingRows, from_ms
from monitor.service.archive_lines import change_lines, reading_lines
from monitor.service.archive_split import write_all

LINES_A_WRITE: Final = 5_000
NUMBERS_A_LOOK: Final = 50_000
"""So many readings are looked up at a time: an hour of a large farm is unpacked once or twice, not for every write."""
LOOK_SECONDS: Final = 10.0
"""Between two looks when all is copied: each costs a small commit."""
LINES_A_PIECE: Final = 500
"""Lines are made in pieces of some milliseconds, with a rest after each ..."""
REST_SHARE: Final = 2.0
"""... of so many times the time that it used a processor itself: the others go before. It is not niced: a thread that
is put off while it holds the interpreter's lock holds up all of them (measured: `tests/bench/archive.py`)."""
DATABASE_WAIT_SECONDS: Final = 2.0
WAITS_SECONDS: Final = (1.0, 2.0, 5.0, 15.0, 60.0, 150.0, 300.0)
"""After a write that was not taken; the last one again and again."""
LONGEST_WAIT_SECONDS: Final = 3_600.0
"""A server may ask for more; it is asked again after so long."""
LATE_SECONDS: Final = 3_600.0
"""A server that is started anew or a line that is down is back within that, and nothing is lost meanwhile."""
STOP_SECONDS: Final = 2.0
REPEAT_LOG_SECONDS: Final = 30.0


class Writes(Protocol):
    """What is needed of a writer."""

    def write(self, some: Sequence[str], precision: Precision) -> None: ...
    def close(self) -> None: ...


class Archive:
    """Copies to one target. `turn` does one batch and says how long to wait; the thread does nothing else."""

    def __init__(
        self, database: Database, target: Target, *, begin: str = "beginning",
        say: Callable[[str], None] = lambda _: None, clock: Callable[[], float] = time.time,
        writer: Writes | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        begin : "beginning" or "now": where a target begins that was never written to
        say : takes a line for the log
        clock : seconds since 1970
        """
        self._database = database
        self._target = target
        self._begin = begin
        self._say = say
        self._clock = clock
        self._writer: Writes = writer or Writer(target, lambda: datetime.fromtimestamp(clock(), UTC))
        self._points: dict[int, tuple[str, str, str]] = {}
        self._cursor: Cursor | None = None
        self._tries = 0
        """Writes in a row that were not taken."""
        self._most = LINES_A_WRITE
        self._said: tuple[str, float] | None = None
        self._troubled_at = 0.0
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self.trouble: str | None = None
        """Why nothing is copied now, and who must do what; None while all is well."""
        self.failure: BaseException | None = None
        """Why the thread ended by itself, which is a bug; None while all is well."""

    # --- the thread --------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Begins where the cursor stands."""
        self._thread = threading.Thread(target=self._run, name="archive", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends within 2 s. A write that hangs is left alone: it is made again after the next start."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(STOP_SECONDS)
        if self._thread is None or not self._thread.is_alive():
            self._writer.close()

    @property
    def alive(self) -> bool:
        """Whether its thread runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self._stopping.wait(self.turn())
        except BaseException as exc:
            self.failure = exc

    # --- one turn ----------------------------------------------------------------------------------------------

    def turn(self) -> float:
        """Copies some of what is new; how long to wait before the next turn [s]: 0 while more is waiting."""
        try:
            more = self._copy()
        except WriteError as exc:
            self._complain(str(exc))
            wait = WAITS_SECONDS[min(self._tries, len(WAITS_SECONDS) - 1)]
            self._tries += 1
            if exc.retry_after_seconds is not None:
                wait = min(max(exc.retry_after_seconds, WAITS_SECONDS[0]), LONGEST_WAIT_SECONDS)
            return wait
        except LinkError as exc:
            self._complain(str(exc))
            return DATABASE_WAIT_SECONDS
        except Exception as exc:  # the watch must not end for its copy, again at each start
            last = traceback.extract_tb(exc.__traceback__)[-1]
            where = f"{type(exc).__name__} in {last.name}, line {last.lineno}"
            self._complain(f"a fault of this program, please report it: {where}")
            return WAITS_SECONDS[-1]
        if self.trouble is not None:
            self._say(f"the copy to {self._target} goes on")
        self.trouble, self._said, self._tries = None, None, 0
        return 0.0 if more else LOOK_SECONDS

    def _copy(self) -> bool:
        """Some alarm changes and one look's readings. Returns whether more is waiting.

        Raises
        ------
        WriteError : the target did not take them; what it took before stays taken
        LinkError : the database does not answer
        """
        at = self._cursor or self._first_cursor()
        changes = stored.changes_after(self._database, at.change, LINES_A_WRITE)
        if changes:
            at = self._deliver(change_lines(changes), "ns", replace(at, change=changes[-1].number))
        before, began = at.reading, time.thread_time()
        rows, last, unread = stored.readings_after(self._database, before, NUMBERS_A_LOOK)
        for words in unread:
            self._say(f"not copied: {words}")
        if not set(rows.point_id.tolist()) <= self._points.keys():
            self._points = dict(stored.points(self._database))
        self._rest(began)
        for begin in range(0, len(rows), LINES_A_WRITE):
            if self._stopping.is_set():
                return True
            some = rows.take(slice(begin, begin + LINES_A_WRITE))
            at = self._deliver(self._lines(some), "ms", replace(at, reading=int(some.number[-1])))
        if last > at.reading:  # numbers that nothing is stored under
            self._keep(replace(at, reading=last), ())
        return len(changes) == LINES_A_WRITE or last - before == NUMBERS_A_LOOK

    def _lines(self, rows: ReadingRows) -> list[str]:
        made: list[str] = []
        for begin in range(0, len(rows), LINES_A_PIECE):
            began = time.thread_time()
            made += reading_lines(rows.take(slice(begin, begin + LINES_A_PIECE)), self._points)
            self._rest(began)
        return made

    def _rest(self, began: float) -> None:
        """
        Parameters
        ----------
        began : by `time.thread_time`
        """
        self._stopping.wait(REST_SHARE * (time.thread_time() - began))

    def _first_cursor(self) -> Cursor:
        at = stored.cursor(self._database, self._target.identity)
        if at is None:
            at = stored.newest(self._database) if self._begin == "now" else stored.beginning()
            stored.store(self._database, self._target.identity, at)
        self._cursor = at
        return at

    def _deliver(self, lines: Sequence[str], precision: Precision, at: Cursor) -> Cursor:
        """Writes lines, and stores the cursor that says they are written."""
        outcome = write_all(lambda some: self._write(some, precision), lines, self._most)
        # What was too much once need not be so for ever: the door may have been widened since.
        self._most = outcome.most if outcome.most < self._most else min(LINES_A_WRITE, self._most + self._most // 8 + 1)
        now_ms = int(1000 * self._clock())
        at = replace(at, refused=at.refused + outcome.missing, stored_ms=now_ms)
        self._keep(at, [Refused(now_ms, line, words) for line, words in outcome.refused])
        if outcome.missing:
            self._say(f"{self._target} refused {outcome.missing} of {len(lines)} lines: {outcome.refused[-1][1]}")
        return at

    def _write(self, some: Sequence[str], precision: Precision) -> None:
        if self._stopping.is_set():  # in the middle of halving
            raise WriteError("the service stops", Kind.WAIT)
        self._writer.write(some, precision)

    def _keep(self, at: Cursor, refused: Sequence[Refused]) -> None:
        stored.store(self._database, self._target.identity, at, refused)
        self._cursor = at

    # --- what is told ------------------------------------------------------------------------------------------

    def _complain(self, words: str) -> None:
        """Says what is wrong; the same again only now and then."""
        now = time.monotonic()
        if self.trouble is None:
            self._troubled_at = now
        self.trouble = words
        if self._said is None or self._said[0] != words or now - self._said[1] >= REPEAT_LOG_SECONDS:
            self._said = words, now
            self._say(f"the copy to {self._target} waits: {words}")

    def health(self) -> dict[str, object]:
        """How far the copy is, without secrets: for any thread, reads the database.

        Returns
        -------
        target; behind_rows; behind_seconds: age of the oldest reading that is not copied, 0 when all are; last_success:
        when the target last confirmed something (RFC 3339), or None; trouble: in words, or None; refused_lines: in all;
        late: the trouble, once it has lasted so long that somebody must act

        Raises
        ------
        LinkError : the database does not answer
        """
        at, trouble = self._cursor, self.trouble
        told: dict[str, object] = {
            "target": str(self._target), "behind_rows": None, "behind_seconds": None, "last_success": None,
            "trouble": trouble, "refused_lines": 0, "late": None,
        }  # fmt: skip
        if trouble is not None and time.monotonic() - self._troubled_at >= LATE_SECONDS:
            told["late"] = f"nothing could be copied for {LATE_SECONDS / 60:.0f} min: {trouble}"
        if at is None:
            return told
        told["refused_lines"] = at.refused
        if at.stored_ms is not None:
            told["last_success"] = from_ms(at.stored_ms).isoformat(timespec="seconds").replace("+00:00", "Z")
        told["behind_rows"] = max(0, stored.newest(self._database).reading - at.reading)
        oldest = stored.oldest_waiting_ms(self._database, at.reading)
        told["behind_seconds"] = 0.0 if oldest is None else round(max(0.0, self._clock() - oldest / 1000.0), 1)
        return told
