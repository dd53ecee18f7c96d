"""A log as the review sees it: columns by time, and what was found while it was read; a file and the database alike."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST_TOLD = 1000
"""Faults of a log kept one by one; of the rest the numbers by reason are kept."""


@dataclass(frozen=True)
class Unread:
    """A line of a file, or a reading, that could not be used."""

    line: int
    """Line of the file, from 1 (of a table of Excel: its row)."""
    reason: str
    """What was expected and what was found, in words."""


@dataclass(frozen=True)
class Log:
    """Readings of one fan, by time, each time once."""

    name: str
    """What it is called: SITE/FAN, or the file's name."""
    t_ms: Integers
    """When, milliseconds since 1970 in UTC, strictly rising, shape (n,)."""
    amps: Floats
    """Leg currents [A], shape (n, 3), NaN what is missing; single-phase: the first column."""
    volts: Floats
    """Line-to-line voltages v12, v23, v31 [V], shape (n, 3), NaN what is missing; single-phase: the first column."""
    ambient_c: Floats
    """Air temperature [degrees C], shape (n,), NaN what is missing."""
    called: Floats
    """1 or 0: the control wants the fan to run; NaN: not told, shape (n,)."""
    how_read: Mapping[str, Any] = field(default_factory=dict)
    """How the log was understood, ready for JSON: at least `separator`, `columns` (role -> name in the file), `zone`,
    `period_seconds`; and each guess in words under `guesses`."""
    rejected: int = 0
    """Lines or readings that could not be used."""
    unread: tuple[Unread, ...] = ()
    """The first `MOST_TOLD` of them."""
    reasons: Mapping[str, int] = field(default_factory=dict)
    """Reason -> how many."""

    def __post_init__(self) -> None:
        rows = len(self.t_ms)
        shapes = {"t_ms": (rows,), "amps": (rows, 3), "volts": (rows, 3), "ambient_c": (rows,), "called": (rows,)}
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"{name}: expected shape {shape}, found {getattr(self, name).shape}")
        if rows > 1 and not bool((np.diff(self.t_ms) > 0).all()):
            raise ValueError("t_ms: expected strictly rising times")

    def __len__(self) -> int:
        return len(self.t_ms)

    def row_at(self, ms: float) -> int:
        """The first row at or after a time; the number of rows where there is none.

        A search for a number that is not whole would turn the whole column into floats each time.
        """
        return int(np.searchsorted(self.t_ms, math.ceil(ms)))
