"""A sheet of an Excel workbook (.xlsx) as lines of text, row by row: line n is row n.

Read with openpyxl alone, which goes through a sheet as a stream: a table of it would take some hundred bytes a cell.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError
from monitor.review.files import bounds

XLSX = "xlsx"
MOST_XML = 2 * 1024**3
"""Bytes that a workbook may hold unpacked: a million rows of eight columns take a third of it ..."""
MOST_STRINGS = 200 * 1024**2
"""... and its list of texts, which is kept in memory."""
SEPARATOR = "\t"
_BROKEN = (KeyError, ValueError, TypeError, AttributeError, IndexError, SyntaxError, zipfile.BadZipFile, EOFError)
"""What openpyxl raises of a workbook that is none (`SyntaxError`: of its XML)."""


def is_workbook(path: Path) -> bool:
    """Whether a zip file is a workbook of Excel.

    Raises
    ------
    zipfile.BadZipFile, OSError
    """
    with zipfile.ZipFile(path) as archive:
        return "xl/workbook.xml" in archive.namelist()


class Sheet(io.RawIOBase):
    """The first sheet of a workbook that has anything in it, as UTF-8, cells parted by tabs."""

    def __init__(self, path: Path) -> None:
        if find_spec("openpyxl") is None:
            raise ConfigError(
                f"{path} is a workbook of Excel: install openpyxl (pip install openpyxl), or save the sheet as CSV"
            )
        _look_at_sizes(path)
        try:
            self._book: Any = import_module("openpyxl").load_workbook(
                path, read_only=True, data_only=True, keep_links=False
            )
        except _BROKEN as exc:
            raise ConfigError(f"{path} is broken or no workbook: {exc!r}. Save the sheet as CSV") from exc
        sheets = [sheet for sheet in self._book.worksheets if sheet.sheet_state == "visible"] or self._book.worksheets
        if not sheets:
            raise ConfigError(f"{path} has no sheets of cells")
        self.name: str = sheets[0].title
        self.others = [sheet.title for sheet in sheets[1:]]
        self._rows = self._lines(path, sheets[0])
        self._ready = b""

    def readable(self) -> bool:
        return True

    def readinto(self, room: Any) -> int:
        parts, have = [self._ready], len(self._ready)
        while have < len(room):
            line = next(self._rows, None)
            if line is None:
                break
            parts.append(line)
            have += len(line)
        data = b"".join(parts)
        size = min(len(room), len(data))
        room[:size] = data[:size]
        self._ready = data[size:]
        return size

    def _lines(self, path: Path, sheet: Any) -> Iterator[bytes]:
        try:
            for row in sheet.iter_rows(values_only=True):
                cells = [_text(value) for value in row[: bounds.MOST_COLUMNS + 1]]
                while cells and not cells[-1]:
                    cells.pop()
                yield (SEPARATOR.join(cells) + "\n").encode("utf-8", "replace")
        except _BROKEN as exc:
            raise ConfigError(f"{path} is broken: {exc!r}. Save the sheet as CSV") from exc

    def close(self) -> None:
        if not self.closed and hasattr(self, "_book"):
            self._book.close()
        super().close()


def _look_at_sizes(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        files = archive.infolist()
    whole = sum(one.file_size for one in files)
    strings = sum(one.file_size for one in files if "sharedStrings" in one.filename)
    packed = sum(one.compress_size for one in files)
    too_dense = whole > max(bounds.RATIO_COUNTS_FROM, bounds.UNPACKED_RATIO * packed)
    if whole > MOST_XML or strings > MOST_STRINGS or too_dense:
        raise ConfigError(f"{path} unpacks to {whole // 1024**2:,} MiB, which no log does: save the sheet as CSV")


def _text(value: object) -> str:
    """A cell as a log would have it.

    >>> [_text(value) for value in (None, 12.5, True, datetime(2026, 10, 4, 1, 12, 30), time(1, 2), "a\\tb")]
    ['', '12.5', '1', '2026-10-04 01:12:30', '01:02:00', 'a b']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, datetime):
        whole = value + timedelta(microseconds=500)  # a day is a fraction: a time of it is a little off
        return whole.replace(microsecond=whole.microsecond // 1000 * 1000).isoformat(sep=" ")
    if isinstance(value, date | time):
        return value.isoformat()
    text = repr(value) if isinstance(value, float) else str(value)
    text = " ".join(text.split()) if any(sign in text for sign in "\t\r\n") else text
    return '"' + text.replace('"', '""') + '"' if '"' in text else text
