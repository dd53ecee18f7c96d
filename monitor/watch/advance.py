"""Carries the watch on by one batch of readings: columns in, changes and judged columns out."""

from __future__ import annotations

import zlib

import numpy as np

from monitor.watch import kernel, layout, notes
from monitor.watch.columns import Change, Ending, Floats, Ints, Judged, Readings
from monitor.watch.table import BELOW, KERNEL_CONDITIONS

_ROOM = 4_096
"""Changes taken in one call of the kernel; a batch with more of them takes several."""


def new_states(fans: int) -> Floats:
    """States of fans not seen yet, shape (fans, STATE_FIELDS)."""
    return np.full((fans, layout.STATE_FIELDS), np.nan)


def prepare() -> None:
    """Has the kernel compiled, or fetched from where compiled code is kept: once after an install or an upgrade this
    takes a quarter of a minute on a small computer, which the first reading should not wait for."""
    nothing = np.full((1, 3), np.nan)
    zero = np.zeros(1, np.int32)
    reading = Readings(zero, np.zeros(1), nothing, nothing, zero, np.full(1, np.nan))
    advance(new_states(1), reading, np.full((1, layout.LIMITS_FIELDS), np.nan))


def state_bytes(state: Floats) -> bytes:
    """One fan's state as bytes, to be saved with `layout.STATE_FORMAT` beside it.

    Packed, since most of it is not known most of the time: an SD card has to bear one of each fan each minute.
    """
    return zlib.compress(state.astype("<f8").tobytes(), 1)


def state_from_bytes(saved: bytes, state_format: int) -> Floats | None:
    """A saved state; None when it was saved in another form and must be made anew from stored readings."""
    if state_format != layout.STATE_FORMAT:
        return None
    try:
        plain = zlib.decompress(saved)
    except zlib.error:
        return None
    return np.frombuffer(plain, "<f8").astype(np.float64) if len(plain) == 8 * layout.STATE_FIELDS else None


def advance(states: Floats, readings: Readings, limits: Floats) -> tuple[list[Change], Judged]:
    """Judges a batch and changes `states` in place.

    What comes out depends only on each fan's readings and limits in their order, never on how they are cut into
    batches.

    Parameters
    ----------
    states : (fans, STATE_FIELDS) as from `new_states`; changed in place
    readings : sorted by fan and time, each newer than the fan's newest; one that is not is left alone, marked NOT_FED
    limits : (versions, LIMITS_FIELDS) as from `limits.stack`

    Raises
    ------
    IndexError : a fan or a limits index that does not exist (a fault of the caller)
    """
    rows = len(readings)
    if rows and (
        int(readings.fan.min()) < 0 or int(readings.fan.max()) >= len(states)
        or int(readings.limits.min()) < 0 or int(readings.limits.max()) >= len(limits)
    ):  # fmt: skip
        raise IndexError("a reading names a fan or a row of limits that is not there")
    judged = np.empty((rows, 7))
    flags = np.empty(rows, np.int32)
    room = min(_ROOM, rows * kernel.MOST_CHANGES_A_ROW) + kernel.MOST_CHANGES_A_ROW
    ints = np.empty((room, notes.CHANGE_INTS), np.int32)
    floats = np.empty((room, notes.CHANGE_FLOATS))
    measures = np.empty(len(KERNEL_CONDITIONS))
    changes: list[Change] = []
    first = 0
    while first < rows:
        consumed, count = kernel.pass_over(
            states, limits, readings.fan[first:], readings.t_ms[first:], readings.amps[first:], readings.volts[first:],
            readings.limits[first:], readings.called[first:], judged[first:], flags[first:], ints, floats, measures,
        )  # fmt: skip
        changes.extend(_change(ints[i], floats[i], first) for i in range(count))
        first += consumed
    return changes, Judged(
        judged[:, 0], judged[:, 1], judged[:, 2], judged[:, 3], judged[:, 4], judged[:, 5], judged[:, 6], flags
    )  # fmt: skip


def _change(ints: Ints, floats: Floats, first: int) -> Change:
    number = int(ints[3])
    condition = None if number < 0 else KERNEL_CONDITIONS[number]
    side = -1.0 if condition is not None and condition.direction == BELOW else 1.0
    return Change(
        row=first + int(ints[0]),
        fan=int(ints[1]),
        what=int(ints[2]),
        condition=None if condition is None else condition.id,
        at_ms=float(floats[0]),
        since_ms=float(floats[1]),
        value=side * float(floats[2]),
        setpoint=side * float(floats[3]),
        peak=side * float(floats[4]),
        gap_ms=float(floats[5]),
        ending=_ending(floats) if int(ints[2]) == layout.RUN_ENDED else None,
    )


def _ending(floats: Floats) -> Ending:
    (
        stop_ms, h1, carried, compared_s, last_amps, lost_phase, volts, called, period_s, known, full_load, seen,
    ) = floats[notes.ENDING :].tolist()  # fmt: skip
    return Ending(
        stop_ms, h1, carried, compared_s, last_amps, lost_phase == 1.0, volts, called, period_s, known == 1.0,
        full_load, seen == 1.0,
    )  # fmt: skip


def standing(state: Floats) -> list[str]:
    """Ids of the conditions that stand in one fan's state."""
    phases = state[layout.FIRST_CONDITION + layout.PHASE :: layout.CONDITION_FIELDS]
    return [row.id for row, phase in zip(KERNEL_CONDITIONS, phases, strict=True) if phase >= layout.STANDING]
