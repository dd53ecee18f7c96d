"""What may stand in a cell, compiled: numbers, dates and times of day, words; and where a cell ends.

`text` is always bytes of which each line ends with a line feed; that is what ends a number, a word or a cell at the
latest. Nothing here guesses: decimal mark, order of the groups of a date and the words are told.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.motor.compiled import compiled_loop

Bytes = NDArray[np.uint8]
Integers = NDArray[np.int64]
Keys = NDArray[np.uint64]
Small = NDArray[np.int32]

# --- what is read of a stamp -------------------------------------------------------------------------------------
YEAR, MONTH, DAY, HOUR, MINUTE, SECOND, MILLISECOND, OFFSET, HALF = 0, 1, 2, 3, 4, 5, 6, 7, 8
PARTS = 9
NO_OFFSET = 9_999
"""Of a stamp that does not tell how far it is from UTC [min]."""

# --- what a word within a stamp means ----------------------------------------------------------------------------
A_MONTH, AM_OR_PM, AN_OFFSET, NO_MEANING = 0, 1, 2, 3

LEAST_YEAR, MOST_YEAR = 1971, 2100
"""A clock that was never set says 1970, or far off (common practice)."""
LEAST_MS, MOST_MS = 31_536_000_000.0, 4_133_980_800_000.0

NEWLINE, RETURN, SPACE, TAB, QUOTE = 10, 13, 32, 9, 34
_TEN = np.array([10.0**power for power in range(23)])
"""The powers of ten that a float64 holds exactly."""
_SPLIT = 134_217_729.0
"""2^27 + 1: halves the digits of a float64 (Dekker)."""


@compiled_loop
def divided(digits: int, power: int) -> float:
    """digits / 10^power, rounded once: as Python reads the same number, up to 19 digits and 10^22.

    `digits` may be too long for a float64; what is left over is carried through the division (T. J. Dekker, A
    floating-point technique for extending the available precision, 1971).
    """
    high = float(digits)
    if digits <= 9_007_199_254_740_992:  # 2^53: held exactly
        return float(high / _TEN[power])
    by = _TEN[power]
    # float(digits) may lie above digits; the difference of the two as whole numbers is small and exact
    low = float(np.int64(digits) - np.int64(high))
    whole = high / by
    part = whole * _SPLIT
    whole_high = part - (part - whole)
    whole_low = whole - whole_high
    part = by * _SPLIT
    by_high = part - (part - by)
    by_low = by - by_high
    product = whole * by
    lost = ((whole_high * by_high - product) + whole_high * by_low + whole_low * by_high) + whole_low * by_low
    return float(whole + (((high - product) - lost) + low) / by)


@compiled_loop
def number_at(text: Bytes, i: int, decimal: int, thousands: int) -> tuple[float, int]:
    """A number that begins at i: its value, and where it ends; -1 where there is none.

    Of thousands marks three digits have to follow each: "12,3" is not 123. With a space as mark, spaces that do not
    break count as well.
    """
    negative = False
    if text[i] == 45 or text[i] == 43:
        negative = text[i] == 45
        i += 1
    digits: Any = 0
    seen = 0  # digits of the mantissa from the first that is not 0
    left_out = 0  # digits beyond what 64 bits hold
    power = 0
    any_digit = False
    group = -1  # digits since the last thousands mark
    while True:
        c = text[i]
        if 48 <= c <= 57:
            any_digit = True
            if group >= 0:
                group += 1
            if seen < 18:
                digits = digits * 10 + (np.int64(c) - 48)
                if digits > 0:
                    seen += 1
            else:
                left_out += 1
            i += 1
            continue
        if thousands == 0 or not any_digit:
            break
        step = 0
        if c == thousands:
            step = 1
        elif thousands == SPACE:
            if c == 0xA0:
                step = 1
            elif c == 0xC2 and text[i + 1] == 0xA0:
                step = 2
            elif c == 0xE2 and text[i + 1] == 0x80 and (text[i + 2] == 0xAF or text[i + 2] == 0x89):
                step = 3
        if step == 0 or not (48 <= text[i + step] <= 57):
            break
        if group >= 0 and group != 3:
            return 0.0, -1
        group = 0
        i += step
    if group >= 0 and group != 3:
        return 0.0, -1
    if text[i] == decimal:
        i += 1
        while 48 <= text[i] <= 57:
            any_digit = True
            if seen < 18:
                digits = digits * 10 + (np.int64(text[i]) - 48)
                if digits > 0:
                    seen += 1
                power += 1
            i += 1
    if not any_digit:
        return 0.0, -1
    power -= left_out
    if text[i] == 101 or text[i] == 69:  # e, E
        j = i + 1
        minus = text[j] == 45
        if text[j] == 45 or text[j] == 43:
            j += 1
        if 48 <= text[j] <= 57:
            exponent: Any = 0
            while 48 <= text[j] <= 57:
                if exponent < 10_000:
                    exponent = exponent * 10 + (np.int64(text[j]) - 48)
                j += 1
            power += exponent if minus else -exponent
            i = j
    if 0 <= power <= 22:
        value = divided(digits, power)
    elif -22 <= power < 0:
        value = float(digits) * _TEN[-power]
    else:
        value = float(digits) * 10.0 ** float(-power)
    return (-value if negative else value), i


@compiled_loop
def packed(text: Bytes, i: int, end: int) -> np.uint64:
    """The first eight bytes of a word as one number, letters A to Z small; the tables are made of the same."""
    key = np.uint64(0)
    stop = min(end, i + 8)
    while i < stop:
        c = text[i]
        if 65 <= c <= 90:
            c += 32
        key = (key << np.uint64(8)) | np.uint64(c)
        i += 1
    return key


@compiled_loop
def place_of(key: np.uint64, keys: Keys) -> int:
    """Where a key stands in a table; -1: nowhere."""
    for place in range(keys.shape[0]):
        if keys[place] == key:
            return place
    return -1


@compiled_loop
def stamp_at(
    text: Bytes, i: int, end: int, order: Small, count: int, names: Keys, kinds: Small, meanings: Small,
    parts: Integers,
) -> bool:  # fmt: skip
    """Reads a date, a time of day or both into `parts`; False where it is not written as `order` says.

    Groups of digits get their meaning from `order`; words (months, AM, UTC, a day of the week) from the table of
    names; every other sign only parts them. Digits in a row are cut where the order begins so: 20261004T011230.
    Seconds may be missing, and so may the whole time of day at midnight.
    """
    group = 0
    last = -1
    while i < end:
        c = text[i]
        if 48 <= c <= 57:
            value: Any = 0
            first = i
            while i < end and 48 <= text[i] <= 57:
                if i - first < 17:
                    value = value * 10 + (np.int64(text[i]) - 48)
                i += 1
            length = i - first
            if group >= count:
                return False
            part = order[group]
            if part == YEAR and length >= 8:
                if (length != 8 and length != 12 and length != 14) or order[group + 1] != MONTH:
                    return False
                rest = value
                if length == 14:
                    parts[SECOND] = rest % 100
                    rest //= 100
                if length >= 12:
                    parts[MINUTE] = rest % 100
                    parts[HOUR] = rest // 100 % 100
                    rest //= 10_000
                parts[DAY] = rest % 100
                parts[MONTH] = rest // 100 % 100
                parts[YEAR] = rest // 10_000
                group += 3 if length == 8 else 5 if length == 12 else 6
                last = DAY if length == 8 else MINUTE if length == 12 else SECOND
            elif part == HOUR and (length == 4 or length == 6):
                if length == 6:
                    parts[SECOND] = value % 100
                    value //= 100
                parts[MINUTE] = value % 100
                parts[HOUR] = value // 100
                group += 3 if length == 6 else 2
                last = SECOND if length == 6 else MINUTE
            elif part == MILLISECOND:
                if length > 3:
                    return False
                parts[MILLISECOND] = value * (100 if length == 1 else 10 if length == 2 else 1)
                group += 1
                last = part
            else:
                if length > 4 or (length > 2 and part != YEAR):
                    return False
                if part == YEAR and length <= 2:
                    value += 2000 if value < 70 else 1900
                parts[part] = value
                group += 1
                last = part
            if last == SECOND and i + 1 < end and (text[i] == 46 or text[i] == 44) and 48 <= text[i + 1] <= 57:
                i += 1
                fraction: Any = 0
                scale = 1
                while i < end and 48 <= text[i] <= 57:
                    if scale < 1_000_000_000:
                        fraction = fraction * 10 + (np.int64(text[i]) - 48)
                        scale *= 10
                    i += 1
                parts[MILLISECOND] = (fraction * 2000 + scale) // (2 * scale)  # to the nearest
                last = MILLISECOND
        elif (c == 43 or c == 45) and last >= MINUTE and i + 1 < end and 48 <= text[i + 1] <= 57:
            sign = -1 if c == 45 else 1
            i += 1
            value = 0
            length = 0
            while i < end and 48 <= text[i] <= 57 and length < 5:
                value = value * 10 + (np.int64(text[i]) - 48)
                i += 1
                length += 1
            if length > 2:
                minutes = value // 100 * 60 + value % 100
            else:
                minutes = value * 60
                if i + 2 < end and text[i] == 58 and 48 <= text[i + 1] <= 57 and 48 <= text[i + 2] <= 57:
                    minutes += (np.int64(text[i + 1]) - 48) * 10 + (np.int64(text[i + 2]) - 48)
                    i += 3
            if length > 4 or minutes > 18 * 60:
                return False
            parts[OFFSET] = sign * minutes + (parts[OFFSET] if parts[OFFSET] != NO_OFFSET else 0)  # "UTC-05:00"
        elif c >= 128 or 65 <= c <= 90 or 97 <= c <= 122:
            first = i
            while i < end and (text[i] >= 128 or 65 <= text[i] <= 90 or 97 <= text[i] <= 122):
                i += 1
            place = place_of(packed(text, first, i), names)
            if place < 0:
                return False
            if kinds[place] == A_MONTH:
                parts[MONTH] = meanings[place]
            elif kinds[place] == AM_OR_PM:
                parts[HALF] = meanings[place]
            elif kinds[place] == AN_OFFSET:
                parts[OFFSET] = meanings[place]
                last = MILLISECOND
        elif c in (SPACE, TAB) or 44 <= c <= 47 or c == 58 or c == 95 or c == 39 or c == 40 or c == 41:
            i += 1  # space , - . / : _ ' tab ( )
        else:
            return False
    whole_day = group == 3 and order[0] < HOUR and order[1] < HOUR and order[2] < HOUR
    by_name = group == 2 and order[0] < HOUR and order[1] < HOUR and parts[MONTH] > 0
    no_seconds = group > 1 and group < count and order[group] >= SECOND
    return group == count or whole_day or by_name or no_seconds


@compiled_loop
def moment(parts: Integers) -> float:
    """The moment of `parts` as milliseconds since 1970 of its own clock; NaN where there is no such date."""
    year, month, day = parts[YEAR], parts[MONTH], parts[DAY]
    hour, minute, second = parts[HOUR], parts[MINUTE], parts[SECOND]
    if not (LEAST_YEAR <= year <= MOST_YEAR and 1 <= month <= 12 and 1 <= day <= 31 and minute < 60 and second < 60):
        return math.nan
    if parts[HALF] >= 0:
        if not 1 <= hour <= 12:
            return math.nan
        hour = hour % 12 + 12 * parts[HALF]
    if hour > 24 or (hour == 24 and (minute > 0 or second > 0)):
        return math.nan
    if day > 28:
        if month == 2:
            leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
            if day > (29 if leap else 28):
                return math.nan
        elif day == 31 and (month == 4 or month == 6 or month == 9 or month == 11):
            return math.nan
    # Days since 1970 with the year begun in March, so that the leap day is its last.
    shifted = year - 1 if month <= 2 else year
    months = (month + 9) % 12
    days = shifted * 365 + shifted // 4 - shifted // 100 + shifted // 400 + (153 * months + 2) // 5 + day - 1 - 719_468
    return float(days * 86_400_000 + ((hour * 60 + minute) * 60 + second) * 1000 + parts[MILLISECOND])


@compiled_loop
def cell_at(text: Bytes, i: int, separator: int) -> tuple[int, int, int]:
    """The cell that begins at i: where its content begins and ends, without quotes and spaces around it, and where
    the separator or the end of the line stands behind it. -1 as the last: its quote is not closed in this line."""
    while text[i] == SPACE or (text[i] == TAB and separator != TAB):
        i += 1
    if text[i] == QUOTE:
        i += 1
        first = i
        while True:
            c = text[i]
            if c == NEWLINE:
                return first, i, -1
            if c == QUOTE:
                if text[i + 1] != QUOTE:
                    break
                i += 1
            i += 1
        end = i
        i += 1
        while text[i] != separator and text[i] != NEWLINE:
            if text[i] != SPACE and text[i] != RETURN and text[i] != TAB:
                return first, i, -1
            i += 1
    else:
        first = i
        while text[i] != separator and text[i] != NEWLINE:
            i += 1
        end = i
    while end > first and (text[end - 1] == SPACE or text[end - 1] == RETURN or text[end - 1] == TAB):
        end -= 1
    while first < end and (text[first] == SPACE or text[first] == TAB):
        first += 1
    return first, end, i


@compiled_loop
def lines_in(text: Bytes, begin: int, end: int) -> int:
    """How many lines end between two places."""
    found = 0
    for i in range(begin, end):
        found += text[i] == NEWLINE
    return found


@compiled_loop
def mark_of(text: Bytes, i: int, end: int) -> np.uint64:
    """A number that tells lines apart (FNV-1a, 64 bits), without what stands around them."""
    while i < end and (text[i] == SPACE or text[i] == TAB):
        i += 1
    while end > i and (text[end - 1] == SPACE or text[end - 1] == RETURN or text[end - 1] == TAB):
        end -= 1
    mark = np.uint64(14_695_981_039_346_656_037)
    while i < end:
        mark = (mark ^ np.uint64(text[i])) * np.uint64(1_099_511_628_211)
        i += 1
    return mark
