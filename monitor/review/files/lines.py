"""All lines of a file read into columns, two blocks at a time, and what cannot be used told with its line."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ConfigError
from monitor.review.files import bounds, cells, names, scan, stamps
from monitor.review.files import dialect as dialects
from monitor.review.files.dialect import Dialect
from monitor.review.files.roles import SLOTS, Chosen
from monitor.review.files.source import Block, Source
from monitor.review.files.stamps import StampForm
from monitor.review.files.tables import Tables, tables_of
from monitor.review.log import MOST_TOLD, Unread

THREADS = 2
"""Blocks that are read at a time: a farm computer has a few cores, and each more holds a block in memory."""
NO_SUCH_HOUR, DOUBLED, PREAMBLE = 20, 21, 22
"""What becomes of a line after it was read, beside `scan`'s."""
PACKED_GUESS = 8
"""How many times its size a packed file is taken to hold, to make room at first."""
_SHOWN = 60
"""Signs of a line that are shown in a reason."""

_COLUMNS: dict[str, tuple[Any, int]] = {
    "t_ms": (np.int64, 0), "offsets": (np.int32, 0), "amps": (np.float64, 3), "volts": (np.float64, 3),
    "ambient_c": (np.float64, 0), "called": (np.float64, 0), "statuses": (np.uint8, 0), "wheres": (np.uint8, 0),
}  # fmt: skip
"""In the order in which `scan.scan` writes them: kind and width."""


class Lines:
    """What became of each line: row n of every column is line n + 1 of the file."""

    def __init__(
        self, source: Source, dialect: Dialect, chosen: Chosen, form: StampForm, stamp_names: stamps.Names,
        progress: Callable[[float], None] | None,
    ) -> None:  # fmt: skip
        """Reads them all.

        Raises
        ------
        ConfigError : the file is more than a log can be, broken, or several logs in one
        """
        self._source, self._dialect, self._chosen, self.form = source, dialect, chosen, form
        self._progress = progress
        self.count = 0
        """How many lines."""
        self.counts = np.zeros((scan.COUNT_ROWS, 4), np.int64)
        """Of each value: given, missing, over range, not believed; last row: see `scan`."""
        self.unread: list[Unread] = []
        """The first of those that cannot be used."""
        self._room = self._room_at_first()
        self.columns: dict[str, NDArray[Any]] = {
            name: np.empty((self._room, width) if width else self._room, kind)
            for name, (kind, width) in _COLUMNS.items()
        }
        head_lines = source.sample.split(b"\n")[: dialect.first_line - 1]
        self._read(tables_of(dialect, chosen, form, stamp_names, source.text_encoding, head_lines))

    # --- the pass over the file --------------------------------------------------------------------------------

    def _read(self, tables: Tables) -> None:
        waiting: deque[tuple[Future[NDArray[np.int64]], Block, int]] = deque()
        with ThreadPoolExecutor(THREADS) as pool:
            try:
                for block in self._source.blocks():
                    if self.count + block.lines > self._room:
                        while waiting:  # nobody may be writing while the columns grow
                            self._done(*waiting.popleft())
                        self._make_room(block.lines)
                    rows = [column[self.count : self.count + block.lines] for column in self.columns.values()]
                    waiting.append((pool.submit(_scan, block, tables, rows), block, self.count))
                    self.count += block.lines
                    while len(waiting) > THREADS:
                        self._done(*waiting.popleft())
                while waiting:
                    self._done(*waiting.popleft())
            finally:
                for job, _, _ in waiting:
                    job.cancel()
        if self._progress is not None:
            self._progress(1.0)

    def _room_at_first(self) -> int:
        sample = self._source.sample
        a_line = max(len(sample) / max(sample.count(b"\n"), 1), 1.0)
        unpacked = self._source.size * (PACKED_GUESS if self._source.packed else 1)
        return min(int(unpacked / a_line * 1.02) + 1_000, bounds.MOST_LINES)

    def _make_room(self, lines: int) -> None:
        self._room = max(self.count + lines, self._room * 3 // 2)
        for name, column in self.columns.items():
            grown = np.empty((self._room, *column.shape[1:]), column.dtype)
            grown[: self.count] = column[: self.count]
            self.columns[name] = grown

    def _done(self, job: Future[NDArray[np.int64]], block: Block, first: int) -> None:
        """Takes the outcome of a block: counts, and the lines that could not be read."""
        self.counts += job.result()
        statuses = self.columns["statuses"][first : first + block.lines]
        head = max(0, min(self._dialect.first_line - 1 - first, block.lines))
        statuses[:head][statuses[:head] != scan.BLANK] = PREAMBLE  # what stands before the readings is no fault
        if len(self.unread) < MOST_TOLD:
            faulty = np.flatnonzero((statuses >= scan.SHORT) & (statuses != PREAMBLE))
            self._tell(block, first, faulty[: MOST_TOLD - len(self.unread)])
        if self._progress is not None:
            self._progress(block.share)

    # --- what cannot be used -----------------------------------------------------------------------------------

    def _tell(self, block: Block, first: int, faulty: NDArray[np.intp]) -> None:
        if not len(faulty):
            return
        ends = np.flatnonzero(block.text[: block.end] == cells.NEWLINE)
        for place in faulty.tolist():
            begin = int(ends[place - 1]) + 1 if place else 0
            raw = block.text[begin : min(int(ends[place]), begin + 65_536)].tobytes()
            line = raw.decode(self._source.text_encoding, "replace").strip("\r\n")
            row = first + place
            status, where = int(self.columns["statuses"][row]), int(self.columns["wheres"][row])
            self._look_for_another_head(line, row + 1, status)
            found = self._found(line, status, where)
            self.unread.append(Unread(row + 1, f"{self.reason(status, where)}, found {found}"))

    def _look_for_another_head(self, line: str, number: int, status: int) -> None:
        """A file put together from several whose columns differ must not be read by the first head."""
        parted = dialects.split(line, self._dialect.separator)
        if self._dialect.head_line is None or len(parted) < 2 or status == scan.QUOTE:
            return
        kinds = [dialects.kind_of(cell, self._dialect.decimal) for cell in parted]
        if kinds.count(dialects.TEXT) < 0.6 * len(parted) or dialects.NUMBER in kinds:
            return
        telling = [one for one in names.together(parted) if one.role or one.quantity in names.TELLING]
        same = [names.plain(cell) for cell in parted] == [
            names.plain(cell) for cell in self._dialect.names[: len(parted)]
        ]
        if len(telling) >= 2 and not same:
            raise ConfigError(
                f"{self._source.path}: line {number} names other columns than line {self._dialect.head_line} does: "
                "this is more than one log. Split the file there and read each part"
            )

    def _found(self, line: str, status: int, where: int) -> str:
        """What stood there."""
        parted = dialects.split(line, self._dialect.separator)
        if status in (scan.SHORT, scan.LONG):
            return f"{len(parted)}: {_shown(line)}"
        columns = self._chosen.columns
        places: Sequence[int | None]
        if status == scan.TIME:
            places = [columns.get("date"), columns.get("time")]
        elif status == scan.UNIT:
            places = [self._chosen.unit_cells.get(SLOTS[where])]
        elif status == scan.QUOTE:
            return _shown(line)
        else:
            places = [columns.get(SLOTS[where])]
        return _shown(" ".join(parted[place] for place in places if place is not None and place < len(parted)))

    def reason(self, status: int, where: int) -> str:
        """Short and stable: what cannot be used is counted by it."""
        role = SLOTS[where] if where < len(SLOTS) else "time"
        least, most = self._dialect.least_cells, len(self._dialect.names)
        if status == scan.SHORT:
            return f"expected {'' if least == most else 'at least '}{least} cells"
        if status == scan.LONG:
            return f"expected at most {most} cells"
        if status == scan.TIME:
            return f"time: expected {self.form.words}"
        if status == scan.NUMBER:
            return f"{role}: expected {'on or off' if role == 'called' else 'a number'}"
        if status == scan.RANGE and role == "called":
            return "called: expected 1 or 0"
        if status == scan.RANGE:
            return f"{role}: expected 0 to " + (
                f"{bounds.MAX_AMPS:g} A" if role.endswith("amps") else f"{bounds.MAX_VOLTS:g} V"
            )
        if status == scan.QUOTE:
            return "expected quotes to be closed in their line"
        if status == scan.UNIT:
            return f"{role}: expected a known unit"
        assert status == NO_SUCH_HOUR
        return "time: expected one that the clock shows; this hour is left out in spring"

    def no_such_hour(self, rows: NDArray[np.intp]) -> None:
        """Of these lines the local time does not exist."""
        self.columns["statuses"][rows] = NO_SUCH_HOUR
        for row in rows[: MOST_TOLD - len(self.unread)].tolist():
            shown = np.datetime64(int(self.columns["t_ms"][row]), "ms")
            self.unread.append(Unread(row + 1, f'{self.reason(NO_SUCH_HOUR, 0)}, found "{shown}"'))
        self.unread.sort(key=lambda one: one.line)

    def reasons(self) -> dict[str, int]:
        """Reason -> how many lines, the most frequent first."""
        statuses, wheres = self.columns["statuses"][: self.count], self.columns["wheres"][: self.count]
        if not self.unread:  # the first of them would stand there
            return {}
        faulty = (statuses >= scan.SHORT) & (statuses <= NO_SUCH_HOUR)
        both, numbers = np.unique(statuses[faulty].astype(np.int32) * 256 + wheres[faulty], return_counts=True)
        found: Counter[str] = Counter()
        for one, number in zip(both.tolist(), numbers.tolist(), strict=True):
            found[self.reason(one // 256, one % 256)] += number
        return dict(found.most_common())


def _scan(block: Block, tables: Tables, rows: Sequence[NDArray[Any]]) -> NDArray[np.int64]:
    counts = np.zeros((scan.COUNT_ROWS, 4), np.int64)
    room = (np.zeros(cells.PARTS, np.int64), np.zeros(scan.VALUES), np.full((scan.VALUES, 3), math.nan))
    told = (getattr(tables, one.name) for one in fields(tables))
    arguments: list[Any] = [block.text, 0, block.end, *told, *rows, counts, *room]
    scan.scan(*arguments)
    return counts


def _shown(text: str) -> str:
    text = "".join(sign if sign.isprintable() else " " for sign in text.strip())
    return f'"{text}"' if len(text) <= _SHOWN else f'"{text[:_SHOWN]}..."'
