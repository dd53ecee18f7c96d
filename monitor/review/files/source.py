"""The bytes of a log as blocks of whole lines, whatever it is packed or written in, and never more than its bounds."""

from __future__ import annotations

import codecs
import io
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.errors import ConfigError
from monitor.review.files import bounds
from monitor.review.files.cells import NEWLINE, lines_in
from monitor.review.files.packing import BROKEN, LineFeeds, Rewritten, Stream, Unpacked, packing_of
from monitor.review.files.sheets import XLSX, Sheet, is_workbook

Bytes = NDArray[np.uint8]

SPARE = 4
"""Bytes behind the end of a block that may be looked at."""
WIDE = {"utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-32-le", "utf-32-be"}
"""Encodings in which a line feed is more than one byte: read as UTF-8."""

_MARKS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NOT_LOGS: tuple[tuple[bytes, str], ...] = (
    (b"\xd0\xcf\x11\xe0", "an old Excel file (.xls): save it as CSV or .xlsx"),
    (b"%PDF", "a PDF: export the log as CSV"),
    (b"PAR1", "a Parquet file: export the log as CSV"),
    (b"SQLite format 3", "a database: export the log as CSV"),
    (b"\x89PNG", "a picture: export the log as CSV"),
    (b"\xff\xd8\xff", "a picture: export the log as CSV"),
    (b"7z\xbc\xaf", "a 7z archive: unpack it first"),
    (b"Rar!", "a RAR archive: unpack it first"),
)


@dataclass(frozen=True)
class Block:
    """Whole lines."""

    text: Bytes
    """Bytes, with `SPARE` more behind `end`."""
    end: int
    """Behind the last line feed."""
    lines: int
    """How many lines."""
    share: float
    """How much of the file was read by now, 0 to 1."""


class Source:
    """A file that may be a log.

    Raises
    ------
    ConfigError : it cannot be read, or is none; in words, with what to do
    """

    def __init__(self, path: Path, encoding: str | None = None) -> None:
        self.path = path
        try:
            if not path.exists():
                raise ConfigError(f"there is no file {path}")
            if not path.is_file():
                raise ConfigError(f"{path} is not a file")
            self.size = path.stat().st_size
            with path.open("rb") as file:
                begins = file.read(16)
        except OSError as exc:
            raise ConfigError(f"cannot read {path}: {exc.strerror}") from exc
        if not self.size:
            raise ConfigError(f"{path} is empty")
        for mark, what in _NOT_LOGS:
            if begins.startswith(mark):
                raise ConfigError(f"{path} is {what}")
        self.packed = packing_of(begins)
        """How it is packed; None: not."""
        self.sheet: str | None = None
        """Of a workbook: the sheet that is read."""
        self.guess: str | None = None
        """What was decided before a line was looked at, in words."""
        if self.packed == "zip":
            with self._translated(self._as_workbook):
                pass
        with self._translated(self._open) as file:
            raw = _read(file, bounds.SAMPLE_BYTES)
        self.encoding, guess = _encoding(path, raw, encoding if self.sheet is None else None)
        self.guess = self.guess or guess
        self.returns_only = self._lone_returns(raw)
        with self._translated(self._stream) as stream:
            sample = _read(stream, bounds.SAMPLE_BYTES)
        self.whole = len(sample) < bounds.SAMPLE_BYTES
        """All of it is in the sample."""
        if not self.whole:
            cut = sample.rfind(b"\n")
            if cut < 0:
                self._no_line(1)
            sample = sample[: cut + 1]
        self.sample = sample
        """The first lines of it, as bytes of `text_encoding`."""

    @property
    def text_encoding(self) -> str:
        """What the bytes of the blocks are written in."""
        return "utf-8" if self.encoding in WIDE or self.encoding == "utf-8-sig" else self.encoding

    def lines(self) -> list[str]:
        """The first lines."""
        text = self.sample.decode(self.text_encoding, "replace").removesuffix("\n")
        return [line.rstrip("\r") for line in text.split("\n")]

    def spots(self) -> list[str]:
        """Whole lines from all over the file; none where it can only be read from the beginning."""
        if self.packed or self.encoding in WIDE or self.returns_only or self.whole:
            return []
        found: list[str] = []
        try:
            with self.path.open("rb") as file:
                for spot in range(1, bounds.SPOTS + 1):
                    file.seek((self.size - bounds.SPOT_BYTES) * spot // bounds.SPOTS)
                    lines = file.read(bounds.SPOT_BYTES).split(b"\n")[1:-1]
                    found += [line.decode(self.text_encoding, "replace").rstrip("\r") for line in lines]
        except OSError as exc:
            raise ConfigError(f"cannot read {self.path}: {exc.strerror}") from exc
        return found

    def blocks(self) -> Iterator[Block]:
        """The whole of it, in blocks of whole lines.

        Raises
        ------
        ConfigError : a line too long, more unpacked than a log can be, the file is broken
        """
        with self._translated(self._stream) as stream:
            yield from self._cut(stream)

    def _cut(self, stream: Stream) -> Iterator[Block]:
        carried: Bytes = np.empty(0, np.uint8)
        lines = read = 0
        while True:
            text: Bytes = np.empty(len(carried) + bounds.BLOCK_BYTES + 1 + SPARE, np.uint8)
            text[: len(carried)] = carried
            got = int(stream.readinto(text[len(carried) : len(carried) + bounds.BLOCK_BYTES].data))
            filled = len(carried) + got
            read += got
            if not got:
                if filled:
                    text[filled] = NEWLINE
                    text[filled + 1 : filled + 1 + SPARE] = 0
                    yield Block(text, filled + 1, 1, 1.0)
                return
            last = _last_line_feed(text, filled)
            if last < 0:
                if filled > bounds.LONGEST_LINE:
                    self._no_line(lines + 1)
                carried = text[:filled].copy()
                continue
            here = lines_in(text, 0, last + 1)
            lines += here
            if filled - last > bounds.LONGEST_LINE:
                self._no_line(lines + 1)
            carried = text[last + 1 : filled].copy()
            text[last + 1 : last + 1 + SPARE] = 0
            if lines > bounds.MOST_LINES:
                raise ConfigError(
                    f"{self.path} has more than {bounds.MOST_LINES:,} lines: split it, by months for example"
                )
            yield Block(text, last + 1, here, min(self._at(stream, read) / self.size, 1.0))

    def _at(self, stream: Stream, read: int) -> int:
        """How much of the file itself was read."""
        return stream.at() if isinstance(stream, Unpacked) else read

    def _no_line(self, line: int) -> None:
        raise ConfigError(
            f"{self.path}: line {line} is longer than {bounds.LONGEST_LINE:,} bytes: this is no log of readings"
        )

    def _lone_returns(self, raw: bytes) -> bool:
        text = raw if self.encoding not in WIDE else raw.decode(self.encoding, "replace").encode("utf-8", "replace")
        return b"\r" in text and b"\n" not in text

    def _open(self) -> Stream:
        """The bytes as they were written, unpacked."""
        if self.packed == XLSX:
            return Sheet(self.path)
        return self.path.open("rb") if self.packed is None else Unpacked(self.path, self.packed)

    def _as_workbook(self) -> Stream:
        """Finds out whether a zip file is a workbook of Excel, and which sheet of it is read."""
        if not is_workbook(self.path):
            return io.BytesIO()
        self.packed = XLSX
        sheet = Sheet(self.path)
        self.sheet = sheet.name
        if sheet.others:
            self.guess = f'read is the sheet "{sheet.name}", not {", ".join(sheet.others[:5])}'
        return sheet

    def _stream(self) -> Stream:
        """The bytes with one byte for a line feed, without a mark at the beginning."""
        stream = self._open()
        if self.encoding in WIDE:
            stream = Rewritten(stream, self.encoding)
        elif self.encoding == "utf-8-sig":
            _read(stream, len(codecs.BOM_UTF8))
        return LineFeeds(stream) if self.returns_only else stream

    @contextmanager
    def _translated(self, opened: Callable[[], Stream]) -> Iterator[Stream]:
        """What goes wrong with the file or its packing, in words."""
        try:
            with closing(opened()) as stream:
                yield stream
        except BROKEN as exc:
            raise ConfigError(f"{self.path} is broken or cannot be unpacked: {exc}") from exc
        except RuntimeError as exc:  # what zipfile says of a file with a password
            raise ConfigError(f"{self.path} cannot be unpacked: {exc}. Unpack it first") from exc
        except OSError as exc:
            raise ConfigError(f"cannot read {self.path}: {exc.strerror or exc}") from exc


def _read(stream: Stream, size: int) -> bytes:
    """`size` bytes, or what there is."""
    parts, left = [], size
    while left > 0:
        part = stream.read(left)
        if not part:
            break
        parts.append(part)
        left -= len(part)
    return b"".join(parts)


def _last_line_feed(text: Bytes, filled: int) -> int:
    """Where the last line feed stands; -1: nowhere."""
    end = filled
    while end > 0:
        begin = max(0, end - 65_536)
        found = np.flatnonzero(text[begin:end] == NEWLINE)
        if len(found):
            return begin + int(found[-1])
        end = begin
    return -1


def _encoding(path: Path, raw: bytes, given: str | None) -> tuple[str, str | None]:
    """What the text is written in, and in words what was guessed about it."""
    if given is not None:
        try:
            name = codecs.lookup(given).name
            raw.decode(name, "replace")
        except (LookupError, TypeError, ValueError, UnicodeError) as exc:
            raise ConfigError(
                f'encoding: expected the name of one, such as utf-8, cp1252 or utf-16, found "{given}"'
            ) from exc
        if name == "utf-8" and raw.startswith(codecs.BOM_UTF8):
            name = "utf-8-sig"
        return name, None
    for mark, name in _MARKS:
        if raw.startswith(mark):
            return name, None
    nothing = raw.count(0)
    if nothing:
        even, odd = raw[0:4096:2].count(0), raw[1:4096:2].count(0)
        half = max(len(raw[:4096]) // 2, 1)
        if odd > 0.7 * half and even < 0.1 * half:
            return "utf-16-le", "no byte-order mark; every second byte is 0: read as UTF-16, little end first"
        if even > 0.7 * half and odd < 0.1 * half:
            return "utf-16-be", "no byte-order mark; every second byte is 0: read as UTF-16, big end first"
    odd_bytes = sum(raw.count(bytes([one])) for one in (*range(1, 9), 11, *range(14, 32), 127))
    if odd_bytes + nothing > 0.1 * len(raw) and (odd_bytes > 0.02 * len(raw) or nothing > 0.5 * len(raw)):
        raise ConfigError(f"{path} is not text: export the log as CSV")
    try:
        raw.decode("ascii")
        return "utf-8", None
    except UnicodeDecodeError:
        pass
    try:
        raw.decode("utf-8")
        return "utf-8", None
    except UnicodeDecodeError as exc:
        if exc.start > len(raw) - 4:  # the sample ends within a character
            return "utf-8", None
    from monitor.review.files.names import knows

    if knows(raw[:8192].decode("cp1251", "replace")) and not knows(raw[:8192].decode("cp1252", "replace")):
        return "cp1251", "not UTF-8: read as Windows-1251 (Cyrillic)"
    try:
        raw.decode("cp1252")
    except UnicodeDecodeError:
        return "latin-1", "not UTF-8: read as Latin-1"
    return "cp1252", "not UTF-8: read as Windows-1252 (western Europe; Latin-1 reads alike)"
