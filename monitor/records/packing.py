"""An hour of one point's readings as a few bytes, and back again, every bit of every number the same.

A logger sends decimals of few places at even times, so a column is best kept as whole numbers: 12.4 as 124 with one
place. Each column is written in the first of these forms that gives back its very bits:

* missing: every value is NaN;
* decimals: value = whole number / 10^places, with a mask where some are NaN;
* bits: the eight bytes of each double.

Whole numbers are written as they are or as differences, whichever is smaller, less their commonest value, in as few
bytes as hold them, the low bytes of all rows first; each column is then compressed by Zstandard (RFC 8878), on its own,
because the columns have nothing in common.
"""

from __future__ import annotations

import struct
import zlib
from typing import Any, Final

import numpy as np
import zstandard
from numpy.typing import NDArray

from monitor.records.rows import FOUND, ReadingRows

PACKED_FORMAT: Final = 2
"""First byte of a packed hour; a program that meets one it does not know refuses it."""
_COLUMNS_OF_FORMAT = {1: 13, 2: 17}
"""Form 1 had nothing of what the watch found, which stands behind all else: it reads as NaN."""
HOUR_MS: Final = 3_600_000
LEVEL: Final = 9
"""Zstandard's level: beyond it columns of some hundred rows do not shrink further."""

_MISSING, _DECIMALS, _BITS = 0, 1, 2
_MOST_PLACES = 6
_NAN_BITS = np.array([np.nan]).view(np.int64)[0]
_WHOLE = ("number", "t_ms", "version", "flags")
_MEASURED = ("ambient_c", "called", "limit_amps")
_LEGS = ("amps", "volts")

_HEAD = "<BII"  # form, rows, check sum (CRC-32) of all that follows
_SIZES = "<{}I"  # of each column: twice its bytes, and 1 if compressed


def pack(rows: ReadingRows) -> bytes:
    """The columns of some rows as bytes; the point is not among them.

    Parameters
    ----------
    rows : readings of one point, at least one
    """
    parts = [_whole(getattr(rows, name)) for name in _WHOLE]
    parts += [_measured(getattr(rows, name)) for name in _MEASURED]
    parts += [_measured(np.ascontiguousarray(getattr(rows, name)[:, leg])) for name in _LEGS for leg in range(3)]
    parts += [_measured(getattr(rows, name)) for name in FOUND]
    compress = zstandard.ZstdCompressor(level=LEVEL, write_checksum=False).compress
    packed = []
    sizes = []
    for part in parts:
        small = compress(part)
        smaller = len(small) < len(part)
        packed.append(small if smaller else part)
        sizes.append(2 * len(packed[-1]) + smaller)
    body = struct.pack(_SIZES.format(len(sizes)), *sizes) + b"".join(packed)
    return struct.pack(_HEAD, PACKED_FORMAT, len(rows), zlib.crc32(body)) + body


def unpack(packed: bytes, point_id: int) -> ReadingRows:
    """The rows that `pack` was given, for the point they belong to.

    Raises
    ------
    ValueError : the bytes are of another form, or damaged
    """
    n, parts = _parts(packed, point_id)
    found: dict[str, Any] = {"point_id": np.full(n, point_id, np.int64)}
    columns = iter(parts)
    for name in _WHOLE:
        found[name] = _read_whole(next(columns), n)
    for name in _MEASURED:
        found[name] = _read_measured(next(columns), n)
    for name in _LEGS:
        found[name] = np.column_stack([_read_measured(next(columns), n) for _ in range(3)])
    for name, column in zip(FOUND, columns, strict=False):  # the older form ends before
        found[name] = _read_measured(column, n)
    return ReadingRows(**found)


def unpack_air(packed: bytes, point_id: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Times and air temperatures of a packed hour alone: a small part of the work of `unpack`.

    Returns
    -------
    t_ms, ambient_c : shape (n,)

    Raises
    ------
    ValueError : as `unpack`
    """
    names = (*_WHOLE, *_MEASURED)
    wanted = names.index("t_ms"), names.index("ambient_c")
    n, (t_ms, air) = _parts(packed, point_id, wanted)
    return _read_whole(t_ms, n), _read_measured(air, n)


def _parts(packed: bytes, point_id: int, wanted: tuple[int, ...] | None = None) -> tuple[int, list[bytes]]:
    """How many rows, and the bytes of each column, or of those wanted by their place."""
    head = struct.calcsize(_HEAD)
    if len(packed) < head or packed[0] not in _COLUMNS_OF_FORMAT:
        known = f"form {PACKED_FORMAT} or older"
        raise ValueError(f"a packed hour of point {point_id} is not in {known}: {packed[:8].hex()}")
    _, n, check = struct.unpack_from(_HEAD, packed)
    body = packed[head:]
    if zlib.crc32(body) != check:
        raise ValueError(f"a packed hour of point {point_id} is damaged: restore the last backup of the database")
    decompress = zstandard.ZstdDecompressor().decompress
    parts = []
    sizes = _SIZES.format(_COLUMNS_OF_FORMAT[packed[0]])
    at = struct.calcsize(sizes)
    for place, size in enumerate(struct.unpack_from(sizes, body)):
        part = body[at : at + size // 2]
        at += size // 2
        if wanted is None or place in wanted:
            parts.append(decompress(part) if size % 2 else part)
    return n, parts


# --- whole numbers ---------------------------------------------------------------------------------------------

_WHOLE_HEAD = "<BBqq"  # differences or not, bytes a number, first number, commonest number


def _whole(values: NDArray[np.int64]) -> bytes:
    if not len(values):
        return b""
    return min((_whole_form(values, form) for form in (0, 1)), key=_weight)


def _whole_form(values: NDArray[np.int64], form: int) -> bytes:
    # Differences of far numbers run over 2^63 and back again when they are summed: still the same bits.
    rest = np.diff(values) if form else values
    distinct, counts = np.unique(rest, return_counts=True)
    common = int(distinct[np.argmax(counts)]) if len(distinct) else 0
    rest = rest - common
    low, high = (int(rest.min()), int(rest.max())) if len(rest) else (0, 0)
    width = next(
        w for w in (0, 1, 2, 4, 8) if w == 8 or (-(1 << 8 * w >> 1) <= low and high <= max((1 << 8 * w >> 1) - 1, 0))
    )
    head = struct.pack(_WHOLE_HEAD, form, width, int(values[0]), common)
    return head + _shuffled(rest, width)


def _weight(data: bytes) -> float:
    """About how many bits an entropy coder needs: good enough to choose by, and far cheaper than compressing twice."""
    counts = np.bincount(np.frombuffer(data, np.uint8))
    counts = counts[counts > 0]
    return float(-(counts * np.log2(counts / len(data))).sum()) + len(data) / 1e6


def _shuffled(values: NDArray[np.int64], width: int) -> bytes:
    if width == 0:
        return b""
    return values.astype(f"<i{width}").view(np.uint8).reshape(-1, width).T.tobytes()


def _read_whole(data: bytes, n: int) -> NDArray[np.int64]:
    if n == 0:
        return np.empty(0, np.int64)
    form, width, first, common = struct.unpack_from(_WHOLE_HEAD, data)
    body = data[struct.calcsize(_WHOLE_HEAD) :]
    many = n - form
    if width == 0:
        rest = np.zeros(many, np.int64)
    else:
        rest = np.frombuffer(body, np.uint8).reshape(width, many).T.copy().view(f"<i{width}").ravel().astype(np.int64)
    rest = rest + common
    return np.cumsum(np.concatenate([[first], rest]), dtype=np.int64) if form else rest


# --- measured values -------------------------------------------------------------------------------------------


def _measured(values: NDArray[np.float64]) -> bytes:
    bits = values.view(np.int64)
    there = bits != _NAN_BITS
    if not there.any():
        return bytes([_MISSING])
    present = values[there]
    for places in range(_MOST_PLACES + 1):
        whole = _as_decimals(present, places)
        if whole is not None:
            masked = not there.all()
            mask = np.packbits(there).tobytes() if masked else b""
            return struct.pack("<BBBI", _DECIMALS, places, masked, len(present)) + mask + _whole(whole)
    return bytes([_BITS]) + _shuffled(bits, 8)


def _as_decimals(values: NDArray[np.float64], places: int) -> NDArray[np.int64] | None:
    """The values times 10^places where dividing gives back their very bits; None where it does not."""
    scale = 10.0**places
    if not (np.abs(values) < 2.0**53 / scale).all():  # also false for infinities and NaN of other bits
        return None
    whole = np.rint(values * scale).astype(np.int64)
    same = (whole / scale).view(np.int64) == values.view(np.int64)  # not so for -0.0
    return whole if same.all() else None


def _read_measured(data: bytes, n: int) -> NDArray[np.float64]:
    if data[0] == _MISSING:
        return np.full(n, np.nan)
    if data[0] == _BITS:
        return np.frombuffer(data[1:], np.uint8).reshape(8, n).T.copy().view("<f8").ravel().astype(np.float64)
    _, places, masked, present = struct.unpack_from("<BBBI", data)
    at = struct.calcsize("<BBBI")
    mask_bytes = (n + 7) // 8 if masked else 0
    values: NDArray[np.float64] = _read_whole(data[at + mask_bytes :], present) / 10.0**places
    if not masked:
        return values
    found = np.full(n, np.nan)
    found[np.unpackbits(np.frombuffer(data[at : at + mask_bytes], np.uint8), count=n).astype(bool)] = values
    return found
