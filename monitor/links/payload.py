"""Payloads of readings: bytes to columns, and for what cannot be taken a reason.

A payload is one JSON object or a list of them (`t`, `amps`, `volts`, `ambient_c`, `called`, all optional); what kind of
stream it belongs to is told by what is in it: amps are a fan's, volts alone a supply point's, ambient_c alone a weather
point's. Nothing here knows the register: whether the legs fit the fan is asked by the intake.

Two ways through, with the same outcome (a test holds them together): a strict compiled decoder for what is right, some
0.7 us a reading, and a patient one in plain Python for what is not quite, which finds the reason in words.

Left open by RFC 8259 and decided here: of a key that stands twice the last one counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from typing import Annotated, Any, Final

import msgspec
import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from monitor.links import senml

MAX_BYTES: Final = 256 * 1024
MAX_READINGS: Final = 10_000
MAX_AMPS: Final = 2_000.0
MAX_VOLTS: Final = 1_000.0
MIN_AMBIENT_C: Final = -60.0
MAX_AMBIENT_C: Final = 80.0
"""Outside these a thermometer is broken or counts in degrees F (common practice, no source)."""
MAX_AHEAD_MS: Final = 120_000.0
"""A reading may be so far ahead of the server's clock."""
MAX_AGE_MS: Final = 400 * 86_400_000.0
MISSING_CODES: Final = frozenset((-999.0, -9999.0))
"""Numbers by which loggers say "no value" (common practice, no source); here they become missing, and nowhere else."""

NOT_JSON: Final = "not JSON"
TOO_LARGE: Final = "too large"
TOO_MANY: Final = "too many readings"
WRONG_TYPE: Final = "wrong type"
WRONG_LEGS: Final = "wrong number of legs"
WRONG_VOLTS: Final = "wrong number of volts"
OUT_OF_RANGE: Final = "number out of range"
AMPS_RANGE: Final = "amps out of range"
VOLTS_RANGE: Final = "volts out of range"
AMBIENT_RANGE: Final = "ambient out of range"
FUTURE: Final = "time in the future"
TOO_OLD: Final = "time too old"

_EXPECTED: Final = "expected an object with t, amps, volts"


@dataclass(frozen=True)
class Reject:
    """Something in a payload that was not taken."""

    message: int
    """Number of the message in the call, from 0."""
    reason: str
    """Short and stable: rejects are counted by it."""
    detail: str
    """What was found and what would have been right."""
    index: int
    """Number of the reading within the payload, from 0."""


@dataclass(frozen=True)
class Decoded:
    """Readings of several messages as columns, in order of arrival; n readings. Missing is NaN."""

    message: NDArray[np.int32]
    """(n,) number of the message that a reading came in, from 0."""
    t_ms: NDArray[np.float64]
    """(n,) whole milliseconds since 1970, the reading's own time; NaN where it has none."""
    amps: NDArray[np.float64]
    """(n, 3) A; of a single-phase motor the first column."""
    volts: NDArray[np.float64]
    """(n, 3) V, line to line; a single value in the first column."""
    ambient_c: NDArray[np.float64]
    """(n,) degrees C."""
    called: NDArray[np.float64]
    """(n,) 1 where the control wants the fan to run, 0 where not."""
    legs: NDArray[np.int8]
    """(n,) how many legs' amps came: 0, 1 or 3."""
    rejects: list[Reject]
    """What was not taken, in order of arrival."""
    unknown_keys: dict[int, int]
    """Message number -> keys in it that were left alone."""
    from_receipt: NDArray[np.bool_]
    """(n,) whether a reading's time was counted from the time of receipt, as SenML's relative times are."""

    @property
    def has_t(self) -> NDArray[np.bool_]:
        """(n,) whether a reading came with its own time."""
        return ~np.isnan(self.t_ms)


class _Reading(msgspec.Struct, forbid_unknown_fields=True, gc=False):
    """One reading as the strict decoder takes it: anything else goes the patient way."""

    t: float | Annotated[datetime, Meta(tz=True)] | None = None
    amps: Annotated[list[Annotated[float, Meta(ge=0.0, le=MAX_AMPS)] | None], Meta(min_length=1, max_length=3)] = []
    volts: Annotated[list[Annotated[float, Meta(ge=0.0, le=MAX_VOLTS)] | None], Meta(min_length=1, max_length=3)] = []
    ambient_c: Annotated[float, Meta(ge=MIN_AMBIENT_C, le=MAX_AMBIENT_C)] | None = None
    called: bool | Annotated[int, Meta(ge=0, le=1)] | None = None


_KEYS: Final = frozenset(_Reading.__struct_fields__)
_one_strict: Final = msgspec.json.Decoder(_Reading).decode
_list_strict: Final = msgspec.json.Decoder(list[_Reading]).decode
_list_raw: Final = msgspec.json.Decoder(list[msgspec.Raw]).decode
_anything: Final = msgspec.json.Decoder().decode

_UNREADABLE: Final = (msgspec.DecodeError, ValueError, OverflowError, RecursionError)
"""All that msgspec raises on bytes from outside: not JSON, not UTF-8, a number beyond the machine, nested too deep."""


def decode(payload: bytes, received_ms: float) -> Decoded:
    """One message's readings; as `decode_many`."""
    return decode_many([(payload, received_ms)])


def decode_many(messages: Sequence[tuple[bytes, float]]) -> Decoded:
    """Readings of several messages as columns.

    One bad reading in a list does not lose its neighbours; one bad message none of the others.

    Parameters
    ----------
    messages : (payload, time of receipt in ms since 1970) each

    Raises
    ------
    nothing : whatever the bytes are, they become readings or rejects
    """
    items: list[_Reading] = []
    numbers: list[int] = []
    patient = _Patient(items, numbers)
    take, count = items.append, numbers.append
    for number, (payload, received_ms) in enumerate(messages):
        try:
            if len(payload) > MAX_BYTES:
                patient.refuse(number, TOO_LARGE, f"more than {MAX_BYTES} bytes")
                continue
            take(_one_strict(payload))
            count(number)
        except _UNREADABLE:
            patient.message(number, payload, received_ms)
    return _columns(items, numbers, patient, messages)


class _Patient:
    """Reads what the strict decoder refused: lists, unknown keys, single values for lists, and what is wrong."""

    def __init__(self, items: list[_Reading], numbers: list[int]) -> None:
        self._items = items
        self._numbers = numbers
        self.rejects: list[Reject] = []
        self.unknown: dict[int, int] = {}
        self.indexes: dict[int, int] = {}
        """Item -> its number in the payload, where that is not 0."""
        self.from_receipt: list[int] = []
        """Items whose time was counted from the time of receipt."""

    def refuse(self, number: int, reason: str, detail: str, index: int = 0) -> None:
        self.rejects.append(Reject(number, reason, detail, index))

    def message(self, number: int, payload: bytes, received_ms: float) -> None:
        if payload.lstrip(b" \t\r\n")[:1] != b"[":
            self._reading(number, payload, 0)
            return
        try:
            good = _list_strict(payload)
        except _UNREADABLE:
            self._list(number, payload, received_ms)
            return
        if len(good) > MAX_READINGS:
            self.refuse(number, TOO_MANY, f"{len(good)} readings, at most {MAX_READINGS} are taken")
            return
        if not good:
            self.refuse(number, WRONG_TYPE, "an empty list")
        for index, item in enumerate(good):
            self._add(number, item, index)

    def _list(self, number: int, payload: bytes, received_ms: float) -> None:
        try:
            raws = _list_raw(payload)
        except _UNREADABLE as exc:
            self.refuse(number, *_why_unreadable(exc, payload))
            return
        if len(raws) > MAX_READINGS:
            self.refuse(number, TOO_MANY, f"{len(raws)} readings, at most {MAX_READINGS} are taken")
            return
        if not self._pack(number, raws, received_ms):
            for index, raw in enumerate(raws):
                self._reading(number, bytes(raw), index)

    def _pack(self, number: int, raws: Sequence[msgspec.Raw], received_ms: float) -> bool:
        """Takes a list as a SenML pack; false if it is none."""
        items: list[object] = []
        for index, raw in enumerate(raws):
            try:
                items.append(_anything(raw))
            except _UNREADABLE as exc:
                if not index:
                    return False
                # What it would have said of the records after it is not known: none of the pack can be trusted.
                reason, detail = _why_unreadable(exc, bytes(raw))
                self.refuse(number, reason, f"{detail}; the pack was not taken", index)
                return True
            if not index and not senml.is_pack(items):
                return False
        pack = senml.readings_of(items, received_ms / 1000.0, MISSING_CODES.__contains__)
        for fault in pack.faults:
            self.refuse(number, fault.reason, fault.detail, fault.index)
        if pack.unknown:
            self.unknown[number] = self.unknown.get(number, 0) + pack.unknown
        for index, relative, table in pack.readings:
            if self._take(number, table, index) and relative and "t" in table:
                self.from_receipt.append(len(self._items) - 1)
        return True

    def _add(self, number: int, item: _Reading, index: int) -> None:
        if index:
            self.indexes[len(self._items)] = index
        self._items.append(item)
        self._numbers.append(number)

    def _reading(self, number: int, raw: bytes, index: int) -> None:
        try:
            table = _anything(raw)
        except _UNREADABLE as exc:
            self.refuse(number, *_why_unreadable(exc, raw), index)
            return
        if not isinstance(table, dict):
            self.refuse(number, WRONG_TYPE, f"{_EXPECTED}, found {_found(table)}", index)
            return
        unknown = len(table.keys() - _KEYS)
        if unknown and unknown == len(table):
            self.refuse(number, WRONG_TYPE, f"{_EXPECTED}, found only other keys", index)
            return
        if self._take(number, table, index) and unknown:
            self.unknown[number] = self.unknown.get(number, 0) + unknown

    def _take(self, number: int, table: dict[str, Any], index: int) -> bool:
        """Takes a reading with our keys; whether it could be taken."""
        try:
            item = _Reading(
                _time(table.get("t")),
                _channels(table, "amps", MAX_AMPS, AMPS_RANGE, WRONG_LEGS),
                _channels(table, "volts", MAX_VOLTS, VOLTS_RANGE, WRONG_VOLTS),
                None,
                _called(table.get("called")),
            )
            ambient = table.get("ambient_c")
            try:
                if ambient is not None:
                    item.ambient_c = _number(ambient, "ambient_c", MIN_AMBIENT_C, MAX_AMBIENT_C, AMBIENT_RANGE)
            except _RefusedError as exc:
                # A broken thermometer must not cost the amps.
                if exc.reason != AMBIENT_RANGE or not (item.amps or item.volts):
                    raise
                self.refuse(number, exc.reason, f"{exc.detail}; the reading was taken without it", index)
        except _RefusedError as exc:
            self.refuse(number, exc.reason, exc.detail, index)
            return False
        self._add(number, item, index)
        return True


class _RefusedError(Exception):
    def __init__(self, reason: str, detail: str) -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(reason)


def _why_unreadable(exc: Exception, payload: bytes) -> tuple[str, str]:
    """Reason and detail for bytes that no decoder takes."""
    if isinstance(exc, RecursionError):
        return NOT_JSON, "nested too deeply"
    if isinstance(exc, UnicodeError) or "UTF-8" in str(exc):  # msgspec from 0.23 on has its own error for it
        return NOT_JSON, "not UTF-8 text"
    if not payload:
        return NOT_JSON, "an empty payload"
    if isinstance(exc, msgspec.ValidationError) or not isinstance(exc, msgspec.DecodeError):
        return OUT_OF_RANGE, "a number is too large for a computer's floating point"
    return NOT_JSON, str(exc)[:200]


def _found(value: object) -> str:
    """A short word for what stood there, as its sender would recognise it."""
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, list):
        return "a list"
    try:
        text = msgspec.json.encode(value).decode("utf-8", "replace")
    except (ValueError, OverflowError, msgspec.MsgspecError):
        return "a number with very many digits"
    return text if len(text) <= 40 else text[:37] + "..."


def _number(value: object, place: str, low: float, high: float, reason: str) -> float | None:
    """A number within its range; None for null and for the codes of a missing value."""
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _RefusedError(WRONG_TYPE, f"{place}: expected a number or null, found {_found(value)}")
    if low <= value <= high:
        return float(value)
    if value in MISSING_CODES:
        return None
    raise _RefusedError(reason, f"{place}: expected {low:g} to {high:g}, found {_found(value)}")


def _channels(table: dict[str, Any], key: str, high: float, range_reason: str, count_reason: str) -> list[float | None]:
    """One or three values; none where the key is absent."""
    if key not in table:
        return []
    value = table[key]
    if value is None:
        raise _RefusedError(WRONG_TYPE, f"{key}: null says nothing; leave {key} out, or give null for each line")
    values = value if isinstance(value, list) else [value]
    numbers = [_number(one, key, 0.0, high, range_reason) for one in values[:4]]
    if len(values) not in (1, 3):
        raise _RefusedError(count_reason, f"{key}: expected 1 or 3 values, found {len(values)}")
    return numbers


def _called(value: object) -> bool | None:
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int) and value in (0, 1):
        return bool(value)
    raise _RefusedError(WRONG_TYPE, f"called: expected 0 or 1, found {_found(value)}")


def _time(value: object) -> float | datetime | None:
    """Unix seconds, or the instant that RFC 3339 text names."""
    if value is None:
        return None
    if isinstance(value, str):
        try:
            moment: datetime = msgspec.convert(value, Annotated[datetime, Meta(tz=True)])
            return moment
        except msgspec.ValidationError:
            hint = "expected RFC 3339 such as 2026-10-04T01:12:30Z"
            if value.strip().replace(".", "", 1).isdecimal():
                hint = "Unix seconds are a number, without quotes"
            elif "T" in value and not value.endswith(("Z", "z")) and "+" not in value:
                hint += "; the time zone is missing: end it with Z or with +hh:mm"
            raise _RefusedError(WRONG_TYPE, f"t: {hint}; found {_found(value)}") from None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _RefusedError(WRONG_TYPE, f"t: expected RFC 3339 text or Unix seconds, found {_found(value)}")
    try:
        return float(value)
    except OverflowError:
        raise _RefusedError(OUT_OF_RANGE, "t: a number with very many digits") from None


def _columns(
    items: list[_Reading], numbers: list[int], patient: _Patient, messages: Sequence[tuple[bytes, float]]
) -> Decoded:
    n = len(items)
    rejects = patient.rejects
    message = np.array(numbers, np.int32)
    amps, legs = _three([item.amps for item in items])
    volts, lines = _three([item.volts for item in items])
    seconds = [
        t if type(t := item.t) is float else math.nan if t is None else t.timestamp()  # type: ignore[union-attr]
        for item in items
    ]
    with np.errstate(over="ignore"):
        t_ms = np.round(np.array(seconds, np.float64) * 1000.0)
    ambient = np.array([item.ambient_c for item in items], np.float64)
    called = np.array([item.called for item in items], np.float64)
    received = np.fromiter((messages[number][1] for number in numbers), np.float64, n)
    ahead, old = t_ms > received + MAX_AHEAD_MS, t_ms < received - MAX_AGE_MS
    from_receipt = np.zeros(n, bool)
    from_receipt[patient.from_receipt] = True
    empty = (legs == 0) & (lines == 0) & np.isnan(ambient)
    bad = ahead | old | empty | (legs == 2) | (lines == 2)
    if bad.any():
        for item in np.flatnonzero(bad):
            reason, detail = _why_bad(int(legs[item]), int(lines[item]), bool(empty[item]), t_ms[item], received[item])
            rejects.append(Reject(numbers[item], reason, detail, patient.indexes.get(int(item), 0)))
        keep = ~bad
        message, t_ms, amps, volts = message[keep], t_ms[keep], amps[keep], volts[keep]
        ambient, called, legs, from_receipt = ambient[keep], called[keep], legs[keep], from_receipt[keep]
    if rejects:
        rejects.sort(key=lambda reject: (reject.message, reject.index))
    return Decoded(message, t_ms, amps, volts, ambient, called, legs, rejects, patient.unknown, from_receipt)


def _three(values: list[list[float | None]]) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """(n, 3) numbers and (n,) how many of them came, from lists of 0 to 3."""
    counts = np.fromiter(map(len, values), np.int8, len(values))
    if len(values) and (counts == 3).all():
        return np.array(list(chain.from_iterable(values)), np.float64).reshape(-1, 3), counts
    out = np.full((len(values), 3), np.nan)
    for count in (1, 3):
        which = np.flatnonzero(counts == count)
        if len(which):
            out[which, :count] = np.array([values[item] for item in which], np.float64)
    return out, counts


def _why_bad(legs: int, lines: int, empty: bool, t_ms: float, received_ms: float) -> tuple[str, str]:
    if legs == 2:
        return WRONG_LEGS, "amps: expected 1 or 3 values, found 2"
    if lines == 2:
        return WRONG_VOLTS, "volts: expected 1 or 3 values, found 2"
    if empty:
        return WRONG_TYPE, f"{_EXPECTED}, found nothing in it"
    seconds = t_ms / 1000.0
    if t_ms > received_ms:
        for power, unit in ((1e3, "milliseconds"), (1e6, "microseconds"), (1e9, "nanoseconds")):
            if abs(t_ms / power - received_ms) < MAX_AGE_MS:
                return FUTURE, f"t: {seconds:.0f} looks like {unit}; Unix time is given in seconds"
        ahead = (t_ms - received_ms) / 1000.0
        return FUTURE, f"t is {ahead:.0f} s ahead of this computer's clock; set the logger's clock"
    if abs(seconds) < 1e9:
        return TOO_OLD, f"t: {seconds:.0f} is no recent Unix time; a logger without a clock sends no t"
    return TOO_OLD, f"t is {(received_ms - t_ms) / 86_400_000.0:.0f} days old; at most {MAX_AGE_MS / 86_400_000.0:.0f}"
