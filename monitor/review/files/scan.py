"""One compiled pass over the bytes of a log: lines to columns, and for each line what became of it.

Nothing here guesses: `form` and the tables say how the file is written. What is not written so is marked with the
reason, never mended.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from monitor.motor.compiled import compiled_loop
from monitor.review.files.cells import (
    DAY,
    HALF,
    LEAST_MS,
    MONTH,
    MOST_MS,
    NEWLINE,
    NO_OFFSET,
    OFFSET,
    PARTS,
    RETURN,
    SPACE,
    TAB,
    Bytes,
    Integers,
    Keys,
    Small,
    cell_at,
    mark_of,
    moment,
    number_at,
    packed,
    place_of,
    stamp_at,
)  # fmt: skip
from monitor.review.files.cells import QUOTE as QUOTE_SIGN

Floats = NDArray[np.float64]
Marks = NDArray[np.uint8]

# --- what became of a line ---------------------------------------------------------------------------------------
READING, BLANK, COMMENT, HEAD = 0, 1, 2, 3
SHORT, LONG, TIME, NUMBER, RANGE, QUOTE, UNIT = 4, 5, 6, 7, 8, 9, 10

# --- where a cell goes: amps 0 to 2, volts 3 to 5, then ----------------------------------------------------------
AMBIENT, CALLED, CLOCK, DATE = 6, 7, 8, 9
FIRST_UNIT = 10
"""From here on: the unit of the value in slot n - FIRST_UNIT, of a logger that writes it in a cell of its own."""
VALUES = 8
NOWHERE = -1

# --- places in `form` --------------------------------------------------------------------------------------------
SEPARATOR, DECIMAL, THOUSANDS, LEAST_CELLS, LINEAR, STAMP_PARTS, DATE_PARTS = 0, 1, 2, 3, 4, 5, 6
FIRST_STAMP_PART = 7
"""What the groups of digits in the cell of the time mean, at most 7 of them: YEAR .. MILLISECOND ..."""
FIRST_DATE_PART = 14
"""... and those in the cell of the date, where it stands alone."""
FORM_SIZE = 21

# --- columns of the counts ---------------------------------------------------------------------------------------
GIVEN, MISSING, OVER_RANGE, NOT_BELIEVED = 0, 1, 2, 3
MUST_BE_SO, MUST_BE_SWAPPED = 0, 1
"""In the row after the values': lines whose day is over 12, and lines in which what was taken for the month is."""
COUNT_ROWS = VALUES + 1


@compiled_loop
def _is_scaled(scales: Floats, slot: int) -> bool:
    """Whether a value is written in another unit: a division is what takes longest of a line."""
    return bool(scales[slot, 0] != 0.0 or scales[slot, 1] != 1.0 or scales[slot, 2] != 1.0)


@compiled_loop
def scan(
    text: Bytes, begin: int, end: int,
    form: Small, slots: Small, comments: Bytes, heads: Keys, scales: Floats, bounds: Floats,
    names: Keys, name_kinds: Small, name_meanings: Small, words: Keys, word_values: Floats, word_slots: Small,
    units: Keys, unit_slots: Small, unit_scales: Floats,
    t_ms: Integers, offsets: Small, amps: Floats, volts: Floats, ambient: Floats, called: Floats,
    statuses: Marks, wheres: Marks, counts: Integers, parts: Integers, row: Floats, row_scales: Floats,
) -> int:  # fmt: skip
    """Reads the lines between two places of `text`, each into the row of its number, and returns how many they are.

    Parameters
    ----------
    text : bytes; each line ends with a line feed, the last one too
    begin, end : where the first line begins, and behind the line feed of the last
    form : see `SEPARATOR` and the following
    slots : shape (cells,), what each cell of a line is: a value, CLOCK, DATE, a unit, or NOWHERE
    comments : signs that begin a line of comment
    heads : `mark_of` the lines of the head, which may come again
    scales : shape (10, 3): values (v) become (v + s0) * s1 / s2, and so do times by number, whose row is CLOCK
    bounds : shape (8, 2), least and most of each value
    names, name_kinds, name_meanings : words within stamps
    words, word_values, word_slots : words that stand for a value: NaN, +inf (over range), 1 or 0; slot (-1: any)
    units, unit_slots, unit_scales : units behind a number or in a cell of their own: of which first slot (0 amps,
        3 volts, AMBIENT), shape (u, 3) as `scales`
    t_ms .. wheres : columns to be written; `wheres` is the slot that a fault was found in
    counts : shape (COUNT_ROWS, 4), added to
    parts, row, row_scales : shapes (9,), (8,) and (8, 3), to work with
    """
    separator, decimal, thousands, least, linear = form[0], form[1], form[2], form[3], form[4]
    stamp_parts, date_parts = form[STAMP_PARTS], form[DATE_PARTS]
    stamp_order = form[FIRST_STAMP_PART:FIRST_DATE_PART]
    date_order = form[FIRST_DATE_PART:FORM_SIZE]
    bare = 0 if thousands == separator else thousands  # only within quotes the separator is a mark of thousands
    most = slots.shape[0]
    scaled = (
        _is_scaled(scales, 0), _is_scaled(scales, 1), _is_scaled(scales, 2), _is_scaled(scales, 3),
        _is_scaled(scales, 4), _is_scaled(scales, 5), _is_scaled(scales, 6), _is_scaled(scales, 7),
    )  # fmt: skip
    line = 0
    i = begin
    while i < end:
        start = i
        for value in range(VALUES):
            row[value] = math.nan
        status = READING
        where = 0
        serial = 0.0
        stamped = False
        odd_units = False
        for part in range(PARTS):
            parts[part] = 0
        parts[OFFSET] = NO_OFFSET
        parts[HALF] = -1
        while text[i] == SPACE or (text[i] == TAB and separator != TAB):
            i += 1
        if text[i] == NEWLINE or (text[i] == RETURN and text[i + 1] == NEWLINE):
            status = BLANK
        else:
            for place in range(comments.shape[0]):
                if text[i] == comments[place]:
                    status = COMMENT
        column = 0
        if status == READING:
            i = start if separator != SPACE else i
            while True:
                slot = slots[column] if column < most else NOWHERE
                if slot == NOWHERE and column < most:
                    if text[i] == QUOTE_SIGN:
                        _, _, j = cell_at(text, i, separator)
                        if j < 0:
                            status = QUOTE
                            break
                        i = j
                    else:
                        while text[i] != separator and text[i] != NEWLINE:
                            i += 1
                elif 0 <= slot < VALUES:
                    number, j = number_at(text, i, decimal, bare)
                    scale_of = -1
                    if j >= 0 and (
                        text[j] == separator or text[j] == NEWLINE or (text[j] == RETURN and text[j + 1] == NEWLINE)
                    ):
                        i = j if text[j] != RETURN else j + 1
                        counts[slot, GIVEN] += 1
                    else:
                        first, last, j = cell_at(text, i, separator)
                        if j < 0:
                            status = QUOTE
                            break
                        i = j
                        if last == first:
                            number = math.nan
                            counts[slot, MISSING] += 1
                        else:
                            number, j = number_at(text, first, decimal, thousands)
                            tail = j
                            if j >= 0:
                                while tail < last and text[tail] == SPACE:
                                    tail += 1
                            if j >= 0 and tail < last:
                                key = packed(text, tail, last)
                                for place in range(units.shape[0]):
                                    if units[place] == key and unit_slots[place] == (slot // 3 * 3):
                                        scale_of = place
                                        break
                            if j >= 0 and j <= last and (tail >= last or scale_of >= 0):
                                counts[slot, GIVEN] += 1
                            else:
                                key = packed(text, first, last)
                                found = -1
                                for place in range(words.shape[0]):
                                    if words[place] == key and (word_slots[place] < 0 or word_slots[place] == slot):
                                        found = place
                                        break
                                if found < 0 and text[first] != 62:  # > : "> 600 A"
                                    status = NUMBER
                                    where = slot
                                    break
                                number = math.inf if found < 0 else word_values[found]
                                if number == math.inf:
                                    counts[slot, OVER_RANGE] += 1
                                    number = math.nan
                                elif math.isnan(number):
                                    counts[slot, MISSING] += 1
                                else:
                                    counts[slot, GIVEN] += 1
                    if number == -999.0 or number == -9999.0:  # by which loggers say "no value"
                        counts[slot, GIVEN] -= 1
                        counts[slot, MISSING] += 1
                        number = math.nan
                    row[slot] = number
                    if scale_of >= 0:
                        odd_units = True
                        if math.isnan(row_scales[slot, 0]):
                            row_scales[slot, 0] = unit_scales[scale_of, 0]
                            row_scales[slot, 1] = unit_scales[scale_of, 1]
                            row_scales[slot, 2] = unit_scales[scale_of, 2]
                else:
                    first, last, j = cell_at(text, i, separator)
                    if j < 0:
                        status = QUOTE
                        break
                    i = j
                    if column >= most:
                        if last > first:
                            status = LONG
                            break
                    elif slot in (CLOCK, DATE):
                        if last == first:
                            status = TIME
                            where = slot
                            break
                        if linear == 1:
                            number, j = number_at(text, first, decimal, thousands)
                            if j != last:
                                status = TIME
                                where = slot
                                break
                            serial += number
                        else:
                            right = stamp_at(
                                text, first, last, stamp_order if slot == CLOCK else date_order,
                                stamp_parts if slot == CLOCK else date_parts, names, name_kinds, name_meanings, parts,
                            )  # fmt: skip
                            if not right:
                                status = TIME
                                where = slot
                                break
                        stamped = True
                    elif slot >= FIRST_UNIT and last > first:
                        key = packed(text, first, last)
                        found = -1
                        for place in range(units.shape[0]):
                            if units[place] == key and unit_slots[place] == ((slot - FIRST_UNIT) // 3 * 3):
                                found = place
                                break
                        if found < 0:
                            status = UNIT
                            where = slot - FIRST_UNIT
                            break
                        odd_units = True
                        row_scales[slot - FIRST_UNIT, 0] = unit_scales[found, 0]
                        row_scales[slot - FIRST_UNIT, 1] = unit_scales[found, 1]
                        row_scales[slot - FIRST_UNIT, 2] = unit_scales[found, 2]
                column += 1
                if separator == SPACE:  # any number of spaces parts two cells
                    while text[i] == SPACE or text[i] == TAB or text[i] == RETURN:
                        i += 1
                    if text[i] == NEWLINE:
                        break
                elif text[i] == NEWLINE:
                    break
                else:
                    i += 1
            if status == READING:
                if column < least:
                    status = SHORT
                elif not stamped:
                    status = TIME
                    where = CLOCK
        while text[i] != NEWLINE:
            i += 1
        when = math.nan
        if status == READING:
            if linear == 1:
                when = round((serial + scales[CLOCK, 0]) * scales[CLOCK, 1] / scales[CLOCK, 2])
                if not LEAST_MS <= when <= MOST_MS:
                    when = math.nan
            else:
                when = moment(parts)
                if parts[MONTH] > 12 and 1 <= parts[DAY] <= 12:
                    counts[VALUES, MUST_BE_SWAPPED] += 1
                elif parts[DAY] > 12 and parts[MONTH] <= 12:
                    counts[VALUES, MUST_BE_SO] += 1
            if math.isnan(when):
                status = TIME
                where = CLOCK
        if status == READING:
            for slot in range(VALUES):
                number = row[slot]
                if math.isnan(number):
                    continue
                if odd_units and not math.isnan(row_scales[slot, 0]):
                    number = (number + row_scales[slot, 0]) * row_scales[slot, 1] / row_scales[slot, 2]
                elif scaled[slot]:
                    number = (number + scales[slot, 0]) * scales[slot, 1] / scales[slot, 2]
                if not bounds[slot, 0] <= number <= bounds[slot, 1]:
                    if slot != AMBIENT:
                        status = RANGE
                        where = slot
                        break
                    counts[slot, NOT_BELIEVED] += 1  # costs no reading: a thermometer may be broken
                    number = math.nan
                row[slot] = number + 0.0  # no -0
        if odd_units:
            for slot in range(VALUES):
                row_scales[slot, 0] = math.nan
        if status >= SHORT:
            only_separators = True
            for j in range(start, i):
                c = text[j]
                if c != separator and c != SPACE and c != TAB and c != RETURN and c != QUOTE_SIGN:
                    only_separators = False
                    break
            if only_separators:
                status = BLANK
            elif place_of(mark_of(text, start, i), heads) >= 0:
                status = HEAD
        if status == READING:
            t_ms[line] = np.int64(when)
            offsets[line] = parts[OFFSET]
            for leg in range(3):
                amps[line, leg] = row[leg]
                volts[line, leg] = row[3 + leg]
            ambient[line] = row[AMBIENT]
            called[line] = row[CALLED]
        statuses[line] = status
        wheres[line] = where
        line += 1
        i += 1
    return line
