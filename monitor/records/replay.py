"""The watch over stored rows again: the same computation as live, of any span of any fan.

*As judged*: the rows that were fed, in the order in which they were fed, each with the register version it was judged
by. What comes out equals what was stored, row by row. *As measured*: all rows by time, those that came late too, each
with the version that was true in the field then, and with its corrections of the clamps: the version stored with a row
says which were applied to it. That may differ from what was stored, and says what would have been found had every
reading come in time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.motor import clamps
from monitor.records import register, tables
from monitor.records.database import Database
from monitor.records.packing import HOUR_MS
from monitor.records.readings import window_rows
from monitor.records.rows import Floats, Integers, ReadingRows, to_ms
from monitor.watch import advance, layout
from monitor.watch.columns import Change, Ints, Judged, Readings
from monitor.watch.versions import Counted, count_on, in_force

JUDGED, MEASURED = "judged", "measured"
AT_ONCE_MS = 7 * 86_400_000
"""A span is read and fed in parts, so that a season needs no more memory than a week."""


@dataclass(frozen=True)
class Versions:
    """The register versions of one fan, resolved, in the order in which they were entered."""

    numbers: Integers
    """Shape (k,), k > 0."""
    valid_from_ms: Floats
    """True in the field since, shape (k,)."""
    limits: Floats
    """Shape (k, LIMITS_FIELDS)."""
    factors: Floats
    """Corrections of the clamps, shape (k, 3)."""


@dataclass(frozen=True)
class Replayed:
    """What the watch says of some rows of one fan."""

    rows: ReadingRows
    """Those of the span, in the order in which they were fed."""
    version: Integers
    """The register version by which each was judged, shape (n,)."""
    changes: list[Change]
    """What began or ended at them; `row` is the place in `rows`."""
    judged: Judged
    """What was found at each of them."""
    state: Floats
    """The fan's state after the last of them, shape (STATE_FIELDS,)."""


def resolved(versions: Sequence[register.Version]) -> Versions:
    """The versions of a fan as the watch reads them; `versions` oldest first, at least one."""
    counted: list[Counted] = []
    for one in versions:
        before = counted[-1] if counted else None
        counted.append(count_on(before, one.in_force, motor_changed=one.motor_changed, removed=one.removed))
    return Versions(
        np.array([one.version for one in versions], np.int64),
        np.array([to_ms(one.valid_from) for one in versions], np.float64),
        np.vstack([one.limits() for one in counted]),
        np.vstack([clamps.factors_of(one.nameplate.logger.clamp_corrections) for one in versions]),
    )


def applied(versions: Versions, numbers: Integers) -> Floats:
    """The corrections of the clamps that stored rows have in them, by the version stored with each, shape (n, 3).

    Version 0 is what came before there were any, or no fan's: nothing was applied.
    """
    order = np.argsort(versions.numbers)
    place = np.minimum(np.searchsorted(versions.numbers[order], numbers), len(order) - 1)
    found = order[place]
    return np.where((versions.numbers[found] == numbers)[:, None], versions.factors[found], 1.0)


def amps_by(versions: Versions, amps: Floats, numbers: Integers, which: Ints) -> Floats:
    """Stored amps as other versions correct them; those whose own say the same stay to the last bit.

    Parameters
    ----------
    amps : (n, 3) as stored [A]
    numbers : (n,) the version stored with each row
    which : (n,) place of the version whose corrections are wanted
    """
    if (versions.factors == 1.0).all():
        return amps
    return clamps.by_others(amps, applied(versions, numbers), versions.factors[which])


def feed(rows: ReadingRows, how: str, versions: Versions, state: Floats | None = None) -> Replayed:
    """The watch over rows of one fan that are at hand.

    Parameters
    ----------
    rows : of one fan. As judged: its fed rows; those that came late are left out here. As measured: all
    how : JUDGED or MEASURED
    versions : of the fan
    state : before the first row; None: the fan has not been seen yet. It is not changed
    """
    if how == JUDGED:
        rows = rows.take((rows.flags & tables.FLAG_LATE) == 0)
        rows = rows.take(np.argsort(rows.number, kind="stable"))
        which = _by_number(versions, rows.version)
    else:
        rows = rows.take(np.argsort(rows.t_ms, kind="stable"))
        which = in_force(versions.valid_from_ms, rows.t_ms.astype(np.float64))
        rows = replace(rows, amps=amps_by(versions, rows.amps, rows.version, which))
    states = advance.new_states(1) if state is None else state.reshape(1, -1).copy()
    readings = Readings(
        np.zeros(len(rows), np.int32), rows.t_ms.astype(np.float64), rows.amps, rows.volts, which, rows.called
    )
    changes, judged = advance.advance(states, readings, versions.limits)
    return Replayed(rows, versions.numbers[which], changes, judged, states[0])


def _by_number(versions: Versions, numbers: Integers) -> Ints:
    """Place of each row's version; the first one where the number is not among them."""
    order = np.argsort(versions.numbers)
    place = np.minimum(np.searchsorted(versions.numbers[order], numbers), len(order) - 1)
    found = order[place]
    return np.where(versions.numbers[found] == numbers, found, 0).astype(np.int32)


def replay(
    database: Database, point_id: int, from_ms: int, to_ms: int, how: str,
    *, state: Floats | None = None, warm_up_ms: int | None = None,
) -> Replayed:  # fmt: skip
    """The watch over the stored rows of a fan with from < t <= to.

    Parameters
    ----------
    how : JUDGED or MEASURED
    state : the fan's state at `from_ms`, where it is known
    warm_up_ms : without a state: it is made anew from so much before `from_ms`; None: from the beginning, which alone
        gives exactly the state of then

    Raises
    ------
    ValueError : no fan has this point id, or `how` is neither of the two
    LinkError : the database cannot be read
    """
    if how not in (JUDGED, MEASURED):
        raise ValueError(f"expected {JUDGED} or {MEASURED}, found {how!r}")
    registered = register.versions(database, point_id)
    if not registered:
        raise ValueError(f"expected the id of a fan, found {point_id}")
    versions = resolved(registered)
    with database.read() as connection:
        first_ms, last_ms = span(connection, point_id)
        if state is None:
            begin = first_ms - 1 if warm_up_ms is None else from_ms - warm_up_ms
            for some in _parts(connection, point_id, begin, from_ms):
                state = feed(some, how, versions, state).state
        found = []
        for some in _parts(connection, point_id, max(from_ms, first_ms - 1), min(to_ms, last_ms)):
            found.append(feed(some, how, versions, state))
            state = found[-1].state
    return _joined(found) if found else feed(ReadingRows.none(), how, versions, state)


def _parts(connection: Connection, point_id: int, from_ms: int, to_ms: int) -> Iterator[ReadingRows]:
    """The stored rows of a span, some at a time, in order of time."""
    for begin in range(from_ms, to_ms, AT_ONCE_MS):
        yield window_rows(connection, point_id, begin, min(begin + AT_ONCE_MS, to_ms))


def span(connection: Connection, point_id: int) -> tuple[int, int]:
    """Times at or before the first, and at or after the last stored reading of a point."""
    hot, hours = tables.readings, tables.reading_hours
    here = sa.select(sa.func.min(hot.c.t_ms), sa.func.max(hot.c.t_ms)).where(hot.c.point_id == point_id)
    packed = sa.select(sa.func.min(hours.c.hour), sa.func.max(hours.c.hour)).where(hours.c.point_id == point_id)
    first, last = connection.execute(here).one()
    first_hour, last_hour = connection.execute(packed).one()
    begins = [first, None if first_hour is None else first_hour * HOUR_MS]
    ends = [last, None if last_hour is None else (last_hour + 1) * HOUR_MS]
    return (
        min((int(time) for time in begins if time is not None), default=0),
        max((int(time) for time in ends if time is not None), default=0),
    )


def _joined(parts: Sequence[Replayed]) -> Replayed:
    if len(parts) == 1:
        return parts[0]
    offsets = np.cumsum([0, *(len(part.rows) for part in parts)]).tolist()
    judged = {
        name: np.concatenate([getattr(part.judged, name) for part in parts]) for name in Judged.__dataclass_fields__
    }
    changes = [
        replace(change, row=change.row + offset)
        for part, offset in zip(parts, offsets, strict=False)
        for change in part.changes
    ]
    return Replayed(
        ReadingRows.together([part.rows for part in parts]), np.concatenate([part.version for part in parts]),
        changes, Judged(**judged), parts[-1].state,
    )  # fmt: skip


def told(changes: Sequence[Change]) -> list[tuple[str, str, float]]:
    """(condition, "raised" or "returned", when [ms]) of the changes that an alarm follows, in their order."""
    names = {layout.RAISED: "raised", layout.CLEARED: "returned", layout.SUPERSEDED: "returned"}
    return [(one.condition or "", names[one.what], one.at_ms) for one in changes if one.what in names]
