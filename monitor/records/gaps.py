"""Gaps in fans' readings with the state of the watch before them, so that they can be judged once they are filled."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database, upsert

GAPS_A_FAN = 3
"""So many are kept of each fan; a new one takes the place of one that matters less."""


@dataclass(frozen=True)
class Gap:
    """A gap of more than three periods."""

    point_id: int
    slot: int
    """Its place among the fan's gaps, from 0."""
    from_ms: int
    """Last reading before it ..."""
    to_ms: int
    """... and first one after it [event time, ms]."""
    format: int
    """What form the state has (`layout.STATE_FORMAT`)."""
    state: bytes | None
    """The watch before the gap, its bytes compressed with zlib. None where only what follows has changed: the stored
    one stands."""
    late_number: int = 0
    """Running number of the newest reading that came late for it; 0: none has."""
    looked_number: int = 0
    """The same when it was last judged."""
    told: bool = False
    """A notice has told what was found in it."""
    found: Sequence[dict[str, Any]] = ()
    """What was found when it was last judged, as `alarms.found_late.as_json`."""


def write(connection: Connection, gaps: Sequence[Gap]) -> None:
    """Stores gaps within a transaction of the caller's."""
    table = tables.gaps
    upsert(connection, table, [_row(gap) | {"state": gap.state} for gap in gaps if gap.state is not None])
    for gap in gaps:
        if gap.state is None:
            here = sa.and_(table.c.point_id == gap.point_id, table.c.slot == gap.slot)
            connection.execute(sa.update(table).where(here).values(_row(gap)))


def _row(gap: Gap) -> dict[str, Any]:
    row = {name: getattr(gap, name) for name in Gap.__dataclass_fields__ if name != "state"}
    return row | {"found": json.dumps(list(gap.found), ensure_ascii=False, allow_nan=False)}


def stored(database: Database) -> list[Gap]:
    """All gaps that are kept, by fan and place.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        query = sa.select(tables.gaps).order_by(tables.gaps.c.point_id, tables.gaps.c.slot)
        rows = connection.execute(query).mappings().all()
    return [Gap(**{**row, "found": tuple(json.loads(row["found"]))}) for row in rows]
