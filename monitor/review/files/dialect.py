"""Which sign parts the cells, which is the decimal mark, where the head ends: found out from the first lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from monitor.errors import ConfigError
from monitor.review.files import bounds, words
from monitor.review.files.names import CURRENT, VOLTAGE, column_of, is_unit_row, knows
from monitor.review.files.stamps import shape_of

SEPARATORS = {"\t": "tab", ";": "semicolon", "|": "pipe", ",": "comma", " ": "space"}
"""In the order in which they are believed where two do equally well."""
LOOKED_AT = 200
"""Lines of the beginning that are looked at closely."""
EARLY_ENDS = 0.2
"""Where more lines than this end early, that is how the logger writes, and no line cut short."""
COMMENTS = "#%!"
"""Signs that begin a comment (common practice); a head may stand behind one."""
_NO_VALUE = {*words.MISSING.split(), *words.OVER.split(), *words.MISSING_PHRASES, *words.OVER_PHRASES}
_NUMBER = {
    decimal: re.compile(
        rf"[+-]?(?:\d{{1,3}}(?:(?P<mark>[{mark}'\u00a0\u202f ])\d{{3}})(?:(?P=mark)\d{{3}})*(?:\{decimal}\d+)?"
        rf"|\d*\{decimal}?\d+|\d+\{decimal})(?:[eE][+-]?\d+)?(?P<unit>\s?[^\d\s.,;|][^\d,;|]{{0,5}})?"
    )
    for decimal, mark in ((".", ","), (",", "."))
}
"""Of each decimal mark: with thousands marks or without, and with a unit behind it or without."""
NUMBER_OF_LINE = "(number of the line)"
STAMP, DATE, CLOCK, NUMBER, NOTHING, TEXT = "t", "d", "h", "n", "m", "x"


@dataclass(frozen=True)
class Dialect:
    """How the lines of a file are written."""

    separator: str
    decimal: str
    thousands: str | None
    first_line: int
    """Number of the first line of readings, from 1."""
    head_line: int | None
    """Number of the line of names; None: there is none."""
    names: tuple[str, ...]
    """Of the columns; "column 3" where there is no head."""
    kinds: tuple[str, ...]
    """What most cells of each column are: NUMBER_OF_LINE = "(number of the line)"
STAMP, DATE, CLOCK, NUMBER, NOTHING, TEXT."""
    cells: tuple[tuple[str, ...], ...]
    """The first lines of readings."""
    unit_row: tuple[str, ...] | None
    """Units from a line of their own beneath the names."""
    least_cells: int
    """Lines with fewer cells are cut short."""
    preamble: tuple[str, ...]
    """The lines before the head."""
    guesses: tuple[str, ...]


def split(line: str, separator: str) -> list[str]:
    """Cells of a line as `scan.cell_at` finds them.

    >>> split('"a; b";  12,5 ;', ";")
    ['a; b', '12,5', '']
    """
    if separator == " ":
        return [
            quoted.replace('""', '"') if quoted else bare
            for quoted, bare in re.findall(r'"((?:[^"]|"")*)"|(\S+)', line)
        ]
    if '"' not in line:
        return [cell.strip() for cell in line.split(separator)]
    found = []
    place = 0
    sign = re.escape(separator)
    pattern = re.compile(rf'\s*"((?:[^"]|"")*)"\s*(?:{sign}|$)|([^{sign}]*)(?:{sign}|$)')
    while place <= len(line):
        match = pattern.match(line, place)
        if match is None or (match.end() == place and place == len(line)):
            found.append("")
            break
        found.append(match[1].replace('""', '"').strip() if match[1] is not None else match[2].strip())
        place = match.end()
        if place == len(line) and not line.endswith(separator):
            break
    return found


@lru_cache(maxsize=20_000)
def kind_of(cell: str, decimal: str) -> str:
    """What a cell is.

    >>> "".join(kind_of(one, ".") for one in ("2026-10-04", "01:12", "12.5", "OL", "", "12.5 A", "L1", "12,5"))
    'dhnmmnxx'
    """
    if not cell or cell.casefold() in _NO_VALUE:
        return NOTHING
    shape = shape_of(cell)
    if shape in ("both", "date", "clock"):
        return (
            {"both": STAMP, "date": DATE, "clock": CLOCK}[shape]
            if not _NUMBER[decimal].fullmatch(cell) or (cell.isdigit() and len(cell) in (8, 12, 14))
            else NUMBER
        )
    if cell[0] == ">" or _NUMBER[decimal].fullmatch(cell):
        return NUMBER
    return TEXT


def _is_data(kinds: Sequence[str]) -> bool:
    """Whether a line may be one of readings."""
    has_time = STAMP in kinds or DATE in kinds or CLOCK in kinds
    values = sum(kind in (NUMBER, NOTHING) for kind in kinds)
    return values >= 1 and (has_time or kinds.count(NUMBER) >= 2) and kinds.count(TEXT) <= max(1, len(kinds) // 2)


def find(
    lines: Sequence[str], name: str, *, separator: str | None = None, decimal: str | None = None
) -> Dialect:  # fmt: skip
    """How the lines of a file are written.

    lines : the first ones; the last one whole

    Raises
    ------
    ConfigError : no lines of readings are found, or too many columns
    """
    separator = _separator_of(separator)
    if decimal not in (None, ".", ","):
        raise ConfigError(f'decimal: expected "." or ",", found "{decimal}"')
    told = re.fullmatch(r"\ufeff?\"?sep=(.)\"?\s*", lines[0]) if lines else None  # how spreadsheets are told
    if separator is None and told and told[1] in SEPARATORS:
        separator = told[1]
    best: tuple[tuple[float, ...], str, str, list[list[str]], list[str]] | None = None
    looked = lines[:LOOKED_AT]
    for place, sign in enumerate([separator] if separator else SEPARATORS):
        rows = [split(line, sign) for line in looked]
        if max((len(row) for row in rows), default=0) > bounds.MOST_COLUMNS:
            if separator or sign != " ":
                raise ConfigError(
                    f"{name} has more than {bounds.MOST_COLUMNS:,} columns: this is no log of one fan. "
                    "Leave out the columns that are not needed"
                )
            continue
        for mark in [decimal] if decimal else [".", ","]:
            kinds = ["".join(kind_of(cell, mark) for cell in row) for row in rows]
            score = _score(kinds)
            key = (*score, float(-place), float(mark == "."))
            if best is None or key > best[0]:
                best = key, sign, mark, rows, kinds
    if best is None or not best[0][0]:
        raise ConfigError(
            f"{name}: no lines of readings found in the first {len(looked)} lines: expected a date and time and "
            f"numbers in columns. {_seen(lines)}"
        )
    _, sign, mark, rows, kinds = best
    return _laid_out(lines, rows, kinds, sign, mark)


def _separator_of(given: str | None) -> str | None:
    if given is None:
        return None
    by_word = {word: sign for sign, word in SEPARATORS.items()} | {"\\t": "\t"}
    sign = by_word.get(given.strip().casefold() or given, given)
    if len(sign) != 1 or sign in '".-:\n\r' or sign.isalnum() or ord(sign) > 126:
        raise ConfigError(f'separator: expected comma, semicolon, tab, space or pipe, or one sign, found "{given}"')
    return sign


def _seen(lines: Sequence[str]) -> str:
    first = next((line.strip() for line in lines if line.strip()), "")
    return f'The file begins with "{first[:80]}"' if first else "The file has only blank lines"


def _score(kinds: Sequence[str]) -> tuple[float, float, float]:
    """How well cells fit: share of lines that are readings and alike, cells of them that are no text, numbers."""
    data = [row for row in kinds if _is_data(row)]
    if not data:
        return 0.0, 0.0, 0.0
    width = Counter(len(row) for row in data).most_common(1)[0][0]
    alike = [row for row in data if len(row) == width]
    usable = sum(len(row) - row.count(TEXT) for row in alike) / sum(len(row) for row in alike)
    numbers = sum(row.count(NUMBER) for row in alike) / len(alike)
    with_time = sum(STAMP in row or DATE in row for row in alike) / len(alike)
    return round(len(alike) / len(kinds) * usable, 2), round(with_time, 1), numbers if width > 1 else 0.0


def _laid_out(
    lines: Sequence[str], rows: list[list[str]], kinds: list[str], separator: str, decimal: str
) -> Dialect:  # fmt: skip
    guesses: list[str] = []
    data = [place for place, row in enumerate(kinds) if _is_data(row)]
    widths = Counter(len(rows[place]) for place in data)
    width = max(cells for cells, lines_ in widths.items() if lines_ >= EARLY_ENDS * len(data))
    least = min(cells for cells, lines_ in widths.items() if lines_ >= EARLY_ENDS * len(data))
    first = next((place for place in data if _goes_on(kinds, rows, place, least)), data[0])
    readings = [rows[place] for place in data if place >= first and len(rows[place]) >= least]
    cells = tuple(tuple((row + [""] * (width - len(row)))[:width]) for row in readings)
    column_kinds = []
    for column in range(width):
        counted = Counter(kind_of(row[column], decimal) for row in cells)
        counted.pop(NOTHING, None)
        column_kinds.append(counted.most_common(1)[0][0] if counted else NOTHING)
    if CLOCK in column_kinds:  # a date with midnight behind it, as spreadsheets write one, beside the time of day
        for column, kind in enumerate(column_kinds):
            if kind == STAMP and all(re.search(r"\D0?0:00(:00)?$", row[column]) for row in cells if row[column]):
                column_kinds[column] = DATE
    used = max((place + 1 for place, kind in enumerate(column_kinds) if kind != NOTHING), default=width)
    numbered = (
        len(cells) > 2
        and all(row[0].isdigit() for row in cells)
        and all(int(after[0]) - int(before[0]) == 1 for before, after in pairwise(cells))
    )
    head, unit_row, names = _head(rows, first, width, used, separator, numbered=numbered)
    if names is not None and numbered and names[0] == NUMBER_OF_LINE:
        guesses.append("each line begins with a running number that the head does not name")
    if names is None:
        names = [f"column {place}" for place in range(1, width + 1)]
        guesses.append("there is no line of names: columns are called by their number")
    most = max(width, len(names))
    if most > bounds.MOST_COLUMNS:
        raise ConfigError(f"the head names more than {bounds.MOST_COLUMNS:,} columns")
    names = [*names, *(f"column {place}" for place in range(len(names) + 1, width + 1))]
    names = [name or f"column {place}" for place, name in enumerate(names, start=1)]
    column_kinds += [NOTHING] * (len(names) - width)
    if least < width:
        guesses.append(f"lines end where their last value stands: those of {least} and more cells are taken")
    thousands = None
    pattern = _NUMBER[decimal]
    for row in cells:
        for kind, cell in zip(column_kinds, row, strict=False):
            match = pattern.fullmatch(cell) if kind == NUMBER else None
            if match and match["mark"]:
                thousands = " " if match["mark"] in "\u00a0\u202f" else match["mark"]
    return Dialect(
        separator, decimal, thousands, first + 1, None if head is None else head + 1, tuple(names), tuple(column_kinds),
        cells, unit_row, least, tuple(lines[: first if head is None else head]), tuple(guesses),
    )  # fmt: skip


def _goes_on(kinds: Sequence[str], rows: Sequence[Sequence[str]], place: int, least: int) -> bool:
    """Whether most of the lines that follow a line of readings are so, too."""
    following = [other for other in range(place, min(place + 12, len(rows))) if any(rows[other])]
    return sum(len(rows[other]) >= least and _is_data(kinds[other]) for other in following) >= len(following) / 2


def _head(
    rows: Sequence[Sequence[str]], first: int, width: int, used: int, separator: str, *, numbered: bool
) -> tuple[int | None, tuple[str, ...] | None, list[str] | None]:
    """Line of the names, the row of units beneath it, and the names.

    used : columns up to the last one that holds anything
    numbered : the first column counts the lines

    Raises
    ------
    ConfigError : a line names fewer columns than there are: whose cells are whose is not known
    """
    unit_row: tuple[str, ...] | None = None
    for place in range(first - 1, max(first - 6, -1), -1):
        cells = list(rows[place])
        if not any(cells):
            continue
        if cells[0][:1] in COMMENTS and cells[0]:
            cells[0] = cells[0].lstrip(COMMENTS).strip()
            if not cells[0] and separator == " ":
                cells = cells[1:]
        if unit_row is None and is_unit_row(cells) and not any(knows(cell) for cell in cells):
            unit_row = tuple(cells)
            continue
        while len(cells) > width and not cells[-1]:
            cells.pop()
        texts = sum(kind_of(cell, ".") == TEXT for cell in cells)
        named = [cell for cell in cells if cell]
        if len(named) < min(2, width) or texts < max(1, len(named) // 2):
            continue
        if separator == " " and len(cells) == width - 1:  # one name for date and time, which a space parts
            cells = ["date", "time", *cells[1:]]
        if numbered and len(cells) == used - 1:  # as statistics programs write a table
            cells = [NUMBER_OF_LINE, *cells]
        if len(cells) < used:
            if not any(knows(cell) for cell in cells) or len(cells) < 2:
                continue
            raise ConfigError(
                f"line {place + 1} names {len(cells)} columns, but the lines of readings have {used} cells. Is the "
                "comma both the separator and the decimal mark? Then export the log with another separator or with "
                "points"
            )
        above = _above(rows, place, width)
        if above and not any(column_of(cell).quantity in (CURRENT, VOLTAGE) for cell in cells):
            cells = [f"{over} {cell}".strip() for over, cell in zip(above, cells, strict=False)]
        return place, unit_row, [re.sub(r"\s+", " ", cell) for cell in cells]
    return None, unit_row, None


def _above(rows: Sequence[Sequence[str]], place: int, width: int) -> list[str] | None:
    """The line above the names, if it holds what several columns have in common ("Current;;;Voltage;;")."""
    if place == 0:
        return None
    cells = list(rows[place - 1])
    if abs(len(cells) - width) > 1 or not any(knows(cell) for cell in cells):
        return None
    filled, last = [], ""
    for cell in cells:
        last = cell or last
        filled.append(last)
    return filled
