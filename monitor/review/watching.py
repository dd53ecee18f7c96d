"""A whole log through the watch: the same compiled pass as live, some rows at a time, what is needed of it kept.

A season at 1 s is 7.8 million rows; the state carries over from one slice to the next, so how the log is cut alters
nothing, and beside the log itself only the judged columns and the sums of five minutes stay in memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from monitor.motor import clamps
from monitor.motor.compiled import compiled_loop
from monitor.motor.nameplate import Nameplate
from monitor.review.log import Log
from monitor.watch import layout
from monitor.watch.advance import advance, new_states
from monitor.watch.columns import Change, Floats, Ints, Judged, Readings
from monitor.watch.limits import resolve, stack

ROWS_AT_ONCE = 100_000
"""So many that what a slice takes stays near the processor (measured: half the time of slices of 500,000)."""
FIVE_MIN_MS = 300_000.0
"""A slot of the sums: floor(t / 5 min) of event time."""

# Columns of the sums of a slot.
ROWS, HIGHEST, MEAN_LEG, LIMIT, VOLTS, VOLTS_ROWS, AMBIENT, AMBIENT_ROWS = range(8)
SUMS = 8

Progress = Callable[[int, int], None]
"""Told how many rows of how many are done."""


@dataclass(frozen=True)
class Plates:
    """The register versions by which a log is judged."""

    nameplates: tuple[Nameplate, ...]
    """At least one, in the order in which they were entered."""
    limits: Floats
    """Their resolved limits, shape (k, LIMITS_FIELDS)."""
    which: Ints | None = None
    """Which of them each row is judged by, shape (n,); None: all by the first."""

    @classmethod
    def one(cls, nameplate: Nameplate) -> Plates:
        """A log of a fan of which one nameplate is known."""
        return cls((nameplate,), stack([resolve(nameplate)]))

    def of_row(self, row: int) -> int:
        """Place of the version of a row."""
        return 0 if self.which is None or not len(self.which) else int(self.which[row])

    def at(self, row: int) -> Nameplate:
        """What was registered at a row."""
        return self.nameplates[self.of_row(row)]

    def corrected(self, log: Log) -> Log:
        """A log as its logger wrote it, with the corrections of its clamps, which the log then says."""
        factors = np.vstack([clamps.factors_of(one.logger.clamp_corrections) for one in self.nameplates])
        if (factors == 1.0).all():
            return log
        here = np.zeros(1, np.int32) if self.which is None or not len(self.which) else self.which
        told = [clamps.words(one) for one in np.unique(factors[np.unique(here)], axis=0).tolist()]
        amps = clamps.corrected(log.amps, factors[here])
        return replace(log, amps=amps, how_read={**log.how_read, "clamp_corrections": told})

    def some(self, first: int, last: int) -> Ints:
        """The versions of rows first to last, shape (last - first,)."""
        return np.zeros(last - first, np.int32) if self.which is None else self.which[first:last]


@dataclass(frozen=True)
class Fives:
    """Sums over five minutes of settled running, one row a slot in which there was any."""

    number: Floats
    """floor(t / 5 min), rising, shape (m,)."""
    row: Ints
    """First of its rows in the log, shape (m,)."""
    sums: Floats
    """Shape (m, SUMS)."""

    def mean(self, column: int, of: int = ROWS) -> Floats:
        """Mean of a column over each slot, shape (m,); NaN where there is none."""
        count = self.sums[:, of]
        found: Floats = np.divide(self.sums[:, column], count, out=np.full(len(count), math.nan), where=count > 0.0)
        return found


@dataclass(frozen=True)
class Watched:
    """What the watch said of a log."""

    changes: list[Change]
    """What began or ended; `row` is the place in the log."""
    judged: Judged
    """What was found at each row."""
    state: Floats
    """After the last row, shape (STATE_FIELDS,)."""
    fives: Fives
    begin: Floats | None = None
    """The state before the first row; None: the fan had not been seen."""

    @property
    def period_ms(self) -> float:
        """Of the logger, as the watch has it in the end; a minute where it does not know."""
        period = float(self.state[layout.PERIOD_MS])
        return 60_000.0 if math.isnan(period) else period


def watch(log: Log, plates: Plates, state: Floats | None = None, progress: Progress | None = None) -> Watched:
    """The whole log through the watch.

    Parameters
    ----------
    plates : by which it is judged
    state : of the fan before the first row; None: not seen before. It is not changed
    """
    rows = len(log)
    figures = [name for name in Judged.__dataclass_fields__ if name != "flags"]
    judged = Judged(**{name: np.empty(rows) for name in figures}, flags=np.empty(rows, np.int32))
    states = new_states(1) if state is None else state.reshape(1, -1).copy()
    changes: list[Change] = []
    found: list[Fives] = []
    for first in range(0, rows, ROWS_AT_ONCE):
        last = min(first + ROWS_AT_ONCE, rows)
        part = slice(first, last)
        t_ms = log.t_ms[part].astype(np.float64)
        readings = Readings(
            np.zeros(last - first, np.int32), t_ms, log.amps[part], log.volts[part], plates.some(first, last),
            log.called[part],
        )  # fmt: skip
        told, seen = advance(states, readings, plates.limits)
        changes += told if first == 0 else [replace(one, row=one.row + first) for one in told]
        for name in (*figures, "flags"):
            getattr(judged, name)[part] = getattr(seen, name)
        found.append(_fives(readings, log.ambient_c[part], seen, first))
        if progress is not None:
            progress(last, rows)
    return Watched(changes, judged, states[0], joined(found), None if state is None else state.copy())


def plain(column: Any, dtype: Any = np.float64) -> Any:
    """A column as the compiled passes want it: contiguous and writable; copied only where it is not."""
    array = np.ascontiguousarray(column, dtype)
    return array if array.flags.writeable else array.copy()


def _fives(readings: Readings, ambient_c: Floats, judged: Judged, first: int) -> Fives:
    """The sums of one slice; its first row is the log's row `first`."""
    numbers = np.floor(readings.t_ms / FIVE_MIN_MS)
    slots = 0 if not len(numbers) else 1 + int((np.diff(numbers) != 0.0).sum())
    number, row, sums = np.empty(slots), np.zeros(slots, np.int32), np.zeros((slots, SUMS))
    _add_up(
        numbers, readings.amps, readings.volts, plain(ambient_c), plain(judged.highest),
        plain(judged.limit), judged.flags, number, row, sums,
    )  # fmt: skip
    there = sums[:, ROWS] > 0.0
    return Fives(number[there], row[there] + np.int32(first), sums[there])


@compiled_loop
def _add_up(
    numbers: Floats, amps: Floats, volts: Floats, ambient_c: Floats, highest: Floats, limit: Floats, flags: Ints,
    number: Floats, row_of: Ints, sums: Floats,
) -> None:  # fmt: skip
    slot = -1
    for row in range(numbers.size):
        if slot < 0 or number[slot] != numbers[row]:
            slot += 1
            number[slot] = numbers[row]
            row_of[slot] = row
        if flags[row] & layout.IS_SETTLED == 0 or math.isnan(highest[row]):
            continue
        legs, total, lines, line = 0, 0.0, 0, 0.0
        for leg in range(3):
            if not math.isnan(amps[row, leg]):
                legs += 1
                total += amps[row, leg]
            if not math.isnan(volts[row, leg]):
                lines += 1
                line += volts[row, leg]
        sums[slot, ROWS] += 1.0
        sums[slot, HIGHEST] += highest[row]
        sums[slot, MEAN_LEG] += total / legs
        sums[slot, LIMIT] += limit[row]
        if lines > 0:
            sums[slot, VOLTS] += line / lines
            sums[slot, VOLTS_ROWS] += 1.0
        if not math.isnan(ambient_c[row]):
            sums[slot, AMBIENT] += ambient_c[row]
            sums[slot, AMBIENT_ROWS] += 1.0


def joined(parts: Sequence[Fives]) -> Fives:
    """Sums of slices that follow one another; a slot that was cut in two becomes one again."""
    if not parts:
        return Fives(np.empty(0), np.empty(0, np.int32), np.empty((0, SUMS)))
    number = np.concatenate([part.number for part in parts])
    row = np.concatenate([part.row for part in parts])
    sums = np.concatenate([part.sums for part in parts])
    if not len(number):
        return Fives(number, row, sums)
    starts = np.flatnonzero(np.diff(number, prepend=number[0] - 1.0) != 0.0)
    return Fives(number[starts], row[starts], np.add.reduceat(sums, starts, axis=0))
