"""What the worker hands to `commit`, as plain data; a missing value is NaN in columns and None elsewhere."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def to_ms(time: datetime) -> int:
    """Milliseconds since 1970 of an aware time, parts of a millisecond cut off.

    >>> to_ms(datetime(2026, 10, 4, 1, 12, 30, tzinfo=UTC))
    1791076350000
    """
    if time.tzinfo is None:
        raise ValueError(f"expected a time with a time zone, found {time!r}")
    since = time - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1000 + since.microseconds // 1000


def to_ms_or_none(time: datetime | None) -> int | None:
    """As `to_ms`; None stays None."""
    return None if time is None else to_ms(time)


def from_ms(ms: float) -> datetime:
    """The aware UTC time of milliseconds since 1970.

    >>> from_ms(1791076350000)
    datetime.datetime(2026, 10, 4, 1, 12, 30, tzinfo=datetime.timezone.utc)
    """
    return _EPOCH + timedelta(milliseconds=int(ms))


def from_ms_or_none(ms: float | None) -> datetime | None:
    """As `from_ms`; None stays None."""
    return None if ms is None else from_ms(ms)


def number_or_none(value: float | None) -> float | None:
    """NULL in tables for NaN and None."""
    return None if value is None or math.isnan(value) else float(value)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _column(values: Any, dtype: Any, shape: tuple[int, ...], name: str) -> Any:
    array = np.ascontiguousarray(values, dtype=dtype)
    if array.shape != shape:
        raise ValueError(f"{name}: expected a column of shape {shape}, found {array.shape}")
    return array


FOUND = ("unbalance", "motor_heat", "device_heat", "running")
"""Columns of a reading that say what the watch found at it, beside the limit."""


def _not_judged() -> Floats:
    """Stands for a column of NaN, as long as the others."""
    return np.empty(0)


@dataclass
class ReadingRows:
    """Readings to be stored or that were stored, one row each, as columns."""

    number: Integers
    """Running number in the partition, given out by the worker, shape (n,)."""
    point_id: Integers
    """Its point, shape (n,)."""
    t_ms: Integers
    """When it was measured, milliseconds since 1970, shape (n,)."""
    amps: Floats
    """Leg currents [A], shape (n, 3)."""
    volts: Floats
    """Line-to-line voltages v12, v23, v31 [V], shape (n, 3)."""
    ambient_c: Floats
    """Air temperature [degrees C], shape (n,)."""
    called: Floats
    """1 or 0: the control wants the fan to run or not; NaN: not told, shape (n,)."""
    limit_amps: Floats
    """The adjusted limit it was judged by [A], shape (n,). Worked out, not measured: stored to 1 mA."""
    version: Integers
    """Register version in force for it; 0 for a point without one, shape (n,)."""
    flags: Integers
    """Bits of `tables.FLAG_...`, shape (n,)."""
    unbalance: Floats = field(default_factory=_not_judged)
    """Voltage unbalance the limit was adjusted for [%], shape (n,). This and what follows is what the watch found at
    the reading, stored in steps of `tables.readings`; NaN for late ones and for what it could not tell."""
    motor_heat: Floats = field(default_factory=_not_judged)
    """Thermal image of the motor, 1 = as hot as its limit allows, shape (n,)."""
    device_heat: Floats = field(default_factory=_not_judged)
    """Thermal image of its overload device, 1 = it opens, shape (n,)."""
    running: Floats = field(default_factory=_not_judged)
    """1 or 0: the fan ran or not, shape (n,)."""

    def __post_init__(self) -> None:
        n = len(self.number)
        for name in FOUND:
            if not len(getattr(self, name)):
                setattr(self, name, np.full(n, np.nan))
        for name in ("number", "point_id", "t_ms", "version", "flags"):
            setattr(self, name, _column(getattr(self, name), np.int64, (n,), name))
        for name in ("ambient_c", "called", "limit_amps", *FOUND):
            setattr(self, name, _column(getattr(self, name), np.float64, (n,), name))
        for name in ("amps", "volts"):
            setattr(self, name, _column(getattr(self, name), np.float64, (n, 3), name))

    def __len__(self) -> int:
        return len(self.number)

    @staticmethod
    def none() -> ReadingRows:
        """No rows."""
        empty = np.empty(0)
        legs = np.empty((0, 3))
        return ReadingRows(
            *(empty.astype(np.int64),) * 3, legs, legs, empty, empty, empty, *(empty.astype(np.int64),) * 2
        )

    def take(self, rows: Any) -> ReadingRows:
        """The rows an index, a mask or a slice picks, in its order."""
        return ReadingRows(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})

    @staticmethod
    def together(parts: Sequence[ReadingRows]) -> ReadingRows:
        """All rows of several, one after the other."""
        if not parts:
            return ReadingRows.none()
        if len(parts) == 1:
            return parts[0]
        names = ReadingRows.__dataclass_fields__
        return ReadingRows(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})

    def distinct(self) -> ReadingRows:
        """Each number once, the first of it, in the same order."""
        _, first = np.unique(self.number, return_index=True)
        return self if len(first) == len(self) else self.take(np.sort(first))

    def columns(self) -> dict[str, NDArray[Any]]:
        """The columns by name."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True)
class FanNow:
    """How a fan stands at its newest reading, for pages."""

    point_id: int
    t_ms: int
    """Time of that reading."""
    heard_ms: int
    """Wall time at which it came."""
    amps: tuple[float, float, float]
    """Legs [A]; NaN what is missing."""
    volts: tuple[float, float, float]
    """v12, v23, v31 [V], its own or its supply point's."""
    ambient_c: float
    """[degrees C]"""
    limit_amps: float
    """Adjusted limit [A]."""
    load_ratio: float
    """Highest leg over adjusted limit."""
    unbalance: float
    """Voltage unbalance the limit was adjusted for [%]."""
    derating: float
    """Derating factor, 1 when nothing is taken off."""
    running: bool | None
    """None: not known yet."""
    since_ms: int | None
    """Since when it runs or stands."""
    flags: int = 0
    """Bits of `tables.FLAG_...` of that reading."""
    motor_heat: float = math.nan
    """Thermal image of the motor, 1 = as hot as its limit allows."""
    device_heat: float = math.nan
    """Thermal image of its overload device, 1 = it opens."""
    seconds_to_trip: float = math.nan
    """At most so long until the device opens [s]; inf: not at this current."""
    heat_assumed_ms: int | None = None
    """When the images began from an assumption that they still hang on."""


@dataclass
class LoggerNow:
    """What is known of a point's logger. Counts are what came to be counted since the last commit: they are added.

    Not frozen: it grows with every reading until it is committed.
    """

    point_id: int
    newest_ms: int | None = None
    """Newest time of a reading; None leaves what is stored."""
    heard_ms: int | None = None
    """Wall time of the newest message."""
    period_seconds: float | None = None
    """Given or learned."""
    status: str | None = None
    """"online" or "offline", as the logger or its broker said; None leaves what is stored."""
    status_ms: int | None = None
    readings: int = 0
    late: int = 0
    repeats: int = 0
    unknown_keys: int = 0


@dataclass(frozen=True)
class Newcomer:
    """Readings of a name that is not in the register, to be offered for it."""

    site: str
    name: str
    heard_ms: int
    """Wall time of the newest one."""
    readings: int
    """How many since the last commit."""
    last_reading: Mapping[str, object]
    """The newest one: t (RFC 3339), amps, volts, ambient_c."""


@dataclass(frozen=True)
class Rejected:
    """Something that could not be taken."""

    at_ms: int
    """Wall time."""
    topic: str
    site: str | None
    name: str | None
    reason: str
    """Short and stable: it is counted."""
    detail: str
    excerpt: bytes
    """The first bytes of the payload."""
    count: int = 1
    """How many of the same stand for this one."""


@dataclass(frozen=True)
class Run:
    """A run of a fan; open while `end_ms` is None. The same number writes over what was stored."""

    number: int
    point_id: int
    start_ms: int
    start_seen: bool
    """A stopped reading stood right before its first one."""
    end_ms: int | None = None
    """Last running reading."""
    end_seen: bool | None = None
    """A stopped reading stood right after it."""
    peak_amps: float | None = None
    peak_ratio: float | None = None
    gap_ms: float | None = None
    """Time within it that no reading covers."""
    end_cause: str | None = None
    confidence: str | None = None
    evidence: tuple[str, ...] = ()
    """Sentences with figures."""
    ending: Mapping[str, Any] | None = None
    """What the verdict is made from, as JSON would have it; until there is one it waits to be judged."""


@dataclass(frozen=True)
class Done:
    """An operator action the worker has carried out, or refused."""

    number: int
    at_ms: int
    outcome: str
    """"done", or in words why not."""
    body: Mapping[str, Any] | None = None
    """What is to be kept of it instead of what was asked; None: that stays."""


def run_of(row: Mapping[Any, Any]) -> Run:
    """The run a row of `runs` holds."""
    names = ("number", "point_id", "start_ms", "start_seen", "end_ms", "end_seen", "peak_amps", "peak_ratio", "gap_ms")
    said = ("end_cause", "confidence")
    ending = None if row["ending"] is None else json.loads(row["ending"])
    evidence = tuple(json.loads(row["evidence"]))
    return Run(**{name: row[name] for name in (*names, *said)}, evidence=evidence, ending=ending)
