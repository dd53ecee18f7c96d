"""What the compiled pass is told about one file, as arrays."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from monitor.review.files import bounds, cells, scan, stamps, words
from monitor.review.files import dialect as dialects
from monitor.review.files.dialect import Dialect
from monitor.review.files.roles import SLOTS, Chosen, slots_of
from monitor.review.files.stamps import StampForm

Floats = NDArray[np.float64]
Keys = NDArray[np.uint64]
Small = NDArray[np.int32]


@dataclass(frozen=True)
class Tables:
    """In the order in which `scan.scan` takes them."""

    form: Small
    slots: Small
    comments: NDArray[np.uint8]
    heads: Keys
    scales: Floats
    bounds: Floats
    names: Keys
    name_kinds: Small
    name_meanings: Small
    words: Keys
    word_values: Floats
    word_slots: Small
    units: Keys
    unit_slots: Small
    unit_scales: Floats


def tables_of(
    dialect: Dialect, chosen: Chosen, form: StampForm, names: stamps.Names, encoding: str, head_lines: list[bytes]
) -> Tables:
    """All of it; `head_lines` may come again among the readings."""
    row = stamps.form_row(form)
    row[scan.SEPARATOR], row[scan.DECIMAL] = ord(dialect.separator), ord(dialect.decimal)
    row[scan.THOUSANDS] = ord(dialect.thousands) if dialect.thousands else 0
    row[scan.LEAST_CELLS] = dialect.least_cells
    scales = np.tile(np.array([0.0, 1.0, 1.0]), (10, 1))
    for role, scale in chosen.scales.items():
        scales[SLOTS.index(role)] = scale
    scales[scan.CLOCK] = form.before, form.times, form.by
    amps, volts = [0.0, bounds.MAX_AMPS], [0.0, bounds.MAX_VOLTS]
    limits = [amps, amps, amps, volts, volts, volts, [bounds.MIN_AMBIENT_C, bounds.MAX_AMBIENT_C], [0.0, 1.0]]
    return Tables(
        row, slots_of(chosen, len(dialect.names)), np.frombuffer(dialects.COMMENTS.encode(), np.uint8).copy(),
        np.array([_mark(line) for line in head_lines if line.strip()], np.uint64), scales, np.array(limits),
        names.keys, names.kinds, names.meanings, *_words(encoding), *_units(encoding),
    )  # fmt: skip


def _mark(line: bytes) -> int:
    raw = np.frombuffer(line + b"\n", np.uint8).copy()
    return int(cells.mark_of(raw, 0, len(line)))


@cache
def _words(encoding: str) -> tuple[Keys, Floats, Small]:
    """Words that stand for a value."""
    found: dict[tuple[int, int], float] = {}

    def put(text: str, value: float, slot: int) -> None:
        for form in dict.fromkeys((text, text.upper(), text.title())):
            with suppress(UnicodeEncodeError):
                form.encode(encoding)
                found.setdefault((stamps.key_of(form, encoding), slot), value)

    for text in words.ON.split():
        put(text, 1.0, scan.CALLED)
    for text in words.OFF.split():
        put(text, 0.0, scan.CALLED)
    for text in (*words.MISSING.split(), *words.MISSING_PHRASES):
        put(text, math.nan, -1)
    for text in (*words.OVER.split(), *words.OVER_PHRASES):
        put(text, math.inf, -1)
    keys, slots = [key for key, _ in found], [slot for _, slot in found]
    return np.array(keys, np.uint64), np.array(list(found.values())), np.array(slots, np.int32)


@cache
def _units(encoding: str) -> tuple[Keys, Small, Floats]:
    """Units behind a number, also behind a space that is no ASCII."""
    first = {"current": 0, "voltage": 3, "temperature": scan.AMBIENT}
    found: dict[tuple[int, int], tuple[float, float, float]] = {}
    for text, (quantity, before, times, by) in words.UNITS.items():
        for space in ("", "\u00a0", "\u202f"):
            for ending in ("", " ac", " rms", "ac", " trms", "~") if quantity != "temperature" else ("",):
                with suppress(UnicodeEncodeError):
                    whole = space + text + ending
                    whole.encode(encoding)
                    found.setdefault((stamps.key_of(whole, encoding), first[quantity]), (before, times, by))
    keys, slots = [key for key, _ in found], [slot for _, slot in found]
    return np.array(keys, np.uint64), np.array(slots, np.int32), np.array(list(found.values())).reshape(-1, 3)
