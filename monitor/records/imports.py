"""Readings of a log on their way to the worker: actions that each carry some thousand of them, packed.

Whoever reads a log never writes readings: running numbers belong to the worker. So a log is laid down in parts, each
an action, and the worker stores one part a look, as readings that came late. What it stored and what was there already
is then all that is kept of the action.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import sqlalchemy as sa

from monitor.records import tables
from monitor.records.actions import DONE, IMPORT, Action, put
from monitor.records.database import Database
from monitor.records.packing import HOUR_MS, pack, unpack
from monitor.records.rows import ReadingRows

MOST_ROWS, MOST_HOURS = 10_000, 48
"""Of a part: it takes the worker some 100 ms, in which nothing else is judged."""


def parts(t_ms: np.ndarray) -> Iterator[slice]:
    """Parts of rising times, cut at full hours where an hour is not too long itself."""
    begin = 0
    hours = t_ms // HOUR_MS
    while begin < len(t_ms):
        end = min(int(np.searchsorted(hours, hours[begin] + MOST_HOURS)), begin + MOST_ROWS, len(t_ms))
        if end < len(t_ms):
            at_hour = int(np.searchsorted(hours, hours[end]))
            end = at_hour if at_hour > begin else end
        yield slice(begin, end)
        begin = end


def lay_down(database: Database, site: str, fan: str, rows: ReadingRows, by: str, now: datetime) -> int:
    """Lays down a part for the worker; the number of its action.

    rows : of one fan, by time; their numbers do not count

    Raises
    ------
    LinkError : the database is busy or full; nothing is laid down
    """
    body = {"fan": fan, "readings": base64.b64encode(pack(rows)).decode("ascii")}
    return put(database, IMPORT, site, body, by, now)


def rows_of(action: Action, point_id: int) -> ReadingRows:
    """The readings of a part.

    Raises
    ------
    ValueError : they are damaged
    """
    return unpack(base64.b64decode(str(action.body.get("readings", "")), validate=True), point_id)


@dataclass(frozen=True)
class Outcome:
    """What became of a part."""

    stored: int = 0
    repeats: int = 0
    """Their times were stored already."""
    why_not: str | None = None


def outcomes(database: Database, numbers: Sequence[int]) -> dict[int, Outcome]:
    """Those of some parts that the worker has dealt with: number of the action -> what became of it."""
    table = tables.actions
    found = {}
    with database.read() as connection:
        for first in range(0, len(numbers), 500):
            query = sa.select(table.c.number, table.c.outcome, table.c.body).where(
                table.c.number.in_(numbers[first : first + 500]), table.c.done_ms.is_not(None)
            )
            for number, outcome, body in connection.execute(query):
                told = json.loads(body)
                stored, repeats = int(told.get("stored", 0)), int(told.get("repeats", 0))
                found[number] = Outcome(stored, repeats, None if outcome == DONE else outcome)
    return found
