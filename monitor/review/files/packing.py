"""Bytes out of packed files and of wide characters, as streams; never more than the bounds allow."""

from __future__ import annotations

import bz2
import codecs
import gzip
import io
import lzma
import zipfile
import zlib
from pathlib import Path
from typing import Any, Protocol

import zstandard

from monitor.errors import ConfigError
from monitor.review.files import bounds

AT_ONCE = 1024 * 1024
"""Bytes unpacked or rewritten at once."""
BROKEN = (
    zipfile.BadZipFile,
    gzip.BadGzipFile,
    zlib.error,
    lzma.LZMAError,
    zstandard.ZstdError,
    EOFError,
    NotImplementedError,
)
"""What is raised of a file that is broken, or packed in a way that is not known."""
_MARKS = (
    (b"\x1f\x8b", "gzip"),
    (b"BZh", "bzip2"),
    (b"\xfd7zXZ\x00", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
)


class Stream(Protocol):
    """Bytes to be read once."""

    def read(self, size: int = -1, /) -> Any: ...
    def readinto(self, room: Any, /) -> Any: ...
    def close(self) -> None: ...


def packing_of(begins: bytes) -> str | None:
    """How a file is packed, by its first bytes; None: it is not."""
    return next((name for mark, name in _MARKS if begins.startswith(mark)), None)


class Unpacked(io.RawIOBase):
    """The content of a packed file, as far as a log may go.

    Raises (when read, too)
    ------
    ConfigError : more than one file in it, or more than a log can be
    one of `BROKEN`, OSError
    """

    def __init__(self, path: Path, packed: str) -> None:
        self._path = path
        self._given = 0
        self._packed_size = path.stat().st_size
        self._outer = path.open("rb")
        self._closing: list[Any] = [self._outer]
        try:
            self._inner = self._open(packed)
        except BaseException:
            self.close()
            raise

    def _open(self, packed: str) -> Any:
        if packed == "gzip":
            return gzip.GzipFile(fileobj=self._outer)
        if packed == "bzip2":
            return bz2.BZ2File(self._outer)
        if packed == "xz":
            return lzma.LZMAFile(self._outer)
        if packed == "zstd":
            return zstandard.ZstdDecompressor(max_window_size=2**27).stream_reader(self._outer)
        archive = zipfile.ZipFile(self._outer)
        self._closing.append(archive)
        files = [one for one in archive.infolist() if not one.is_dir() and not one.filename.startswith("__MACOSX/")]
        if len(files) != 1:
            raise ConfigError(f"{self._path} holds {len(files)} files: unpack it and name one of them")
        self._packed_size = max(files[0].compress_size, 1)
        return archive.open(files[0])

    def readable(self) -> bool:
        return True

    def readinto(self, room: Any) -> int:
        data = self._inner.read(min(len(room), AT_ONCE))
        self._given += len(data)
        too_dense = self._given > max(bounds.RATIO_COUNTS_FROM, bounds.UNPACKED_RATIO * self._packed_size)
        if too_dense or self._given > bounds.MOST_UNPACKED:
            raise ConfigError(
                f"{self._path} unpacks to more than {self._given // 1024**2:,} MiB, which no log does. "
                "If it is one, unpack it first"
            )
        room[: len(data)] = data
        return len(data)

    def at(self) -> int:
        """How much of the packed file was read."""
        return self._outer.tell()

    def close(self) -> None:
        if not self.closed:
            for one in reversed(self._closing):
                one.close()
        super().close()


class Rewritten(io.RawIOBase):
    """Wide characters as UTF-8, so that a line feed is one byte."""

    def __init__(self, inner: Stream, encoding: str) -> None:
        self._inner = inner
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._ready, self._over = b"", False

    def readable(self) -> bool:
        return True

    def readinto(self, room: Any) -> int:
        while not self._ready and not self._over:
            data = self._inner.read(AT_ONCE)
            self._over = not data
            self._ready = self._decoder.decode(data, self._over).removeprefix("\ufeff").encode("utf-8", "replace")
        size = min(len(room), len(self._ready))
        room[:size] = self._ready[:size]
        self._ready = self._ready[size:]
        return size

    def close(self) -> None:
        self._inner.close()
        super().close()


class LineFeeds(io.RawIOBase):
    """Lines that end with a carriage return alone, as if they ended with a line feed."""

    def __init__(self, inner: Stream) -> None:
        self._inner = inner

    def readable(self) -> bool:
        return True

    def readinto(self, room: Any) -> int:
        data = self._inner.read(min(len(room), AT_ONCE)).replace(b"\r", b"\n")
        room[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._inner.close()
        super().close()
