"""What the night's outlook is worked from: the air of the last nights, lows that people entered, the last outlook.

Air is read as means of half hours: one reading that is far off moves no low, and a week at one a second is never in
memory at once. While an hour is being packed its rows may be found twice, which moves no mean.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime

import numpy as np
import sqlalchemy as sa
from numpy.typing import NDArray

from monitor.records import actions, tables
from monitor.records.actions import Action
from monitor.records.database import Database
from monitor.records.packing import HOUR_MS, unpack_air
from monitor.records.rows import to_ms

SLOT_MS = 1_800_000
"""Half an hour."""
TONIGHT = "tonight"
"""Kind of the action by which somebody enters tonight's low."""
_HOURS_AT_ONCE = 12
_SUPPER = "supper/"

_HOT = tables.readings
_HOURS = tables.reading_hours


def air(database: Database, point_id: int, from_ms: int, to_ms: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Air temperature at a point in means of half hours of event time; late readings count as well.

    Parameters
    ----------
    from_ms, to_ms : whole half hours, the first and the one after the last

    Returns
    -------
    t_ms : middle of each half hour that has a reading, ascending, shape (n,)
    ambient_c : [degrees C], shape (n,)

    Raises
    ------
    LinkError : the database cannot be read
    """
    first = from_ms // SLOT_MS
    count = max(0, -(-to_ms // SLOT_MS) - first)
    total, number = np.zeros(count), np.zeros(count)
    slot = _HOT.c.t_ms // SLOT_MS
    hot = (
        sa.select(slot.label("slot"), sa.func.sum(_HOT.c.ambient_c), sa.func.count(_HOT.c.ambient_c))
        .where(_HOT.c.point_id == point_id, _HOT.c.ambient_c.is_not(None))
        .where(_HOT.c.t_ms >= first * SLOT_MS, _HOT.c.t_ms < (first + count) * SLOT_MS)
        .group_by(slot)
    )
    packed = sa.select(_HOURS.c["columns"]).where(_HOURS.c.point_id == point_id)
    hours = list(range(from_ms // HOUR_MS, -(-to_ms // HOUR_MS)))
    for some in (hours[at : at + _HOURS_AT_ONCE] for at in range(0, len(hours), _HOURS_AT_ONCE)):
        with database.read() as connection:
            found = connection.execute(packed.where(_HOURS.c.hour.between(some[0], some[-1]))).scalars().all()
        for columns in found:
            t_ms, ambient_c = unpack_air(columns, point_id)
            place = t_ms // SLOT_MS - first
            known = ~np.isnan(ambient_c) & (place >= 0) & (place < count)
            np.add.at(total, place[known], ambient_c[known])
            np.add.at(number, place[known], 1.0)
    with database.read() as connection:
        for place, amount, readings in connection.execute(hot):
            total[int(place) - first] += float(amount)
            number[int(place) - first] += float(readings)
    there = np.flatnonzero(number)
    return (first + there) * SLOT_MS + SLOT_MS // 2, total[there] / number[there]


def supper_cursor(site: str) -> str:
    """The name under which a site's last outlook is kept."""
    return f"{_SUPPER}{site}"


def suppers(cursors: Mapping[str, str]) -> dict[str, str]:
    """Site -> its last outlook as it was kept, of all that is kept under names."""
    return {name.removeprefix(_SUPPER): text for name, text in cursors.items() if name.startswith(_SUPPER)}


def entered_since(database: Database, since: datetime) -> list[Action]:
    """Lows of a night that people entered since a time and that the worker took, the oldest first.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return actions.done_since(connection, TONIGHT, to_ms(since))
