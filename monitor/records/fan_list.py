"""Lists of fans: all of them looked at lightly, for filters, counts and order, and only those of one part in full.

Of two thousand fans a page shows a hundred. So every fan's state and margin are worked from the few columns they take,
and what else is told of a fan is read for the fans that are told.
"""

from __future__ import annotations

import base64
import binascii
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeAlias

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.errors import ReadingError
from monitor.records import tables
from monitor.records.database import Database
from monitor.records.look_alarms import Stands, standing_lightly
from monitor.records.look_fans import SHARED, items_of, place, state_word
from monitor.records.out_of_service import OutNow
from monitor.records.pages import MOST, Page
from monitor.records.registered import Registered, known_in
from monitor.records.scope import Sites

Standing: TypeAlias = Mapping[tuple[str, str], Sequence[Stands]]
"""As `standing_lightly` gives it."""


@dataclass(frozen=True)
class Asked:
    """Which fans of those a reader may see."""

    words: tuple[str, ...] = ()
    """As `registered.words_of` gives them: each must stand in site, its name, fan, bin or supply point."""
    state: str | None = None
    """One of `look.STATES`; None: any."""


class Seen(NamedTuple):
    """A fan as it is seen in a look at all of them."""

    site: str
    fan: str
    state: str
    """One of `look.STATES`."""
    alarms: Sequence[Stands]
    """That stand: its own, and those of its supply point or whole site that tell of it."""
    out: bool
    """It is out of service, by itself or with its site."""


@dataclass(frozen=True)
class FanList:
    """A part of a list of fans, and how much there is."""

    items: list[dict[str, Any]]
    """As `look.fan_item`, in order."""
    points: list[int]
    """Their points, in the same order."""
    part: int
    """Which part this is, from 1: the last one where a later one was asked for."""
    parts: int
    total: int
    """Fans that fit all that was asked."""
    counts: dict[str, int] = field(default_factory=dict)
    """State -> how many fans that fit the words are in it, whatever state was asked for."""
    registered: int = 0
    """Fans of the reader's in the register, whatever was asked for."""
    seen: Sequence[Seen] = ()
    """Each of these, in order."""
    beside: Sequence[Stands] = ()
    """Alarms that stand and are of no fan."""


def part_of(database: Database, sites: Sites, asked: Asked, part: int, most: int) -> FanList:
    """A part of the fans that fit, what is about to trip or has tripped first, then least margin.

    Parameters
    ----------
    sites : the reader's, narrowed to one where one was asked for
    part : from 1
    most : fans in a part

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        known = known_in(connection)
        mine = list(known.of(sites))
        standing = standing_lightly(connection, sites)
        every = _in_order(connection, standing, mine)
        found = [one for one in every if one[1].fits(asked.words)] if asked.words else every
        counts = Counter(state for state, _, _ in found)
        fits = [fan for state, fan, _ in found if asked.state in (None, state)]
        out = OutNow.of(connection, sites)
        seen = [
            Seen(fan.key.site, fan.key.name, state, alarms, out.has(fan.key.site, fan.key.name))
            for state, fan, alarms in every
        ]
        parts = max(1, -(-len(fits) // most))
        part = min(part, parts)
        here = fits[(part - 1) * most : part * most]
        items = items_of(connection, here)
    points = [fan.key.point_id for fan in here]
    beside = [one for alarms in standing.values() for one in alarms if one.shared]
    return FanList(items, points, part, parts, len(fits), dict(counts), len(mine), seen, beside)


def _in_order(
    connection: Connection, standing: Standing, fans: Sequence[Registered]
) -> list[tuple[str, Registered, Sequence[Stands]]]:
    """Each fan with its state and the alarms that stand of it, in the order of lists."""
    table = tables.fan_now.c
    query = sa.select(table.point_id, table.running, table.load_ratio)
    now = {point: (running, ratio) for point, running, ratio in connection.execute(query).all()}
    found = []
    for fan in fans:
        key, row = fan.key, now.get(fan.key.point_id)
        running, ratio = row if row is not None else (None, None)
        if not running:
            ratio = None
        alarms = _standing_of(standing, fan) if standing else ()
        state = state_word(running, ratio, [one.id for one in alarms], fan.conditions, row is not None)
        found.append((place(state, None if ratio is None else 1 - ratio, key.site, key.name), state, fan, alarms))
    found.sort(key=lambda one: one[0])
    return [(state, fan, alarms) for _, state, fan, alarms in found]


def _standing_of(standing: Standing, fan: Registered) -> list[Stands]:
    """Alarms that stand of a fan itself, and of its supply point or whole site as far as they tell of it."""
    site, supply = fan.key.site, fan.nameplate.fan.supply
    shared = [*standing.get((site, ""), ()), *(standing.get((site, supply), ()) if supply else ())]
    return [*standing.get((site, fan.key.name), ()), *(one for one in shared if one.id in SHARED)]


def fans(database: Database, sites: Sites, *, limit: int | None = None, after: str | None = None) -> Page:
    """All fans of the register: what is about to trip or has tripped, then least margin first, then what stands, then
    what is not heard.

    Margins change from one part to the next. So a token says which fans were given already: each part holds those of
    the others that come first by then, and all parts together hold each fan once.

    Raises
    ------
    ReadingError : `after` is not a token of this list
    LinkError : the database cannot be read
    """
    given = set() if after is None else _given_of(after)
    with database.read() as connection:
        left = [fan for fan in known_in(connection).of(sites) if fan.key.point_id not in given]
        found = [fan for _, fan, _ in _in_order(connection, standing_lightly(connection, sites), left)]
        most = len(found) if limit is None else min(max(limit, 1), MOST)
        here = found[:most]
        items = items_of(connection, here)
    if len(found) <= most:
        return {"items": items, "next": None}
    return {"items": items, "next": _token_of(given.union(fan.key.point_id for fan in here))}


_BEGINS = "fans-"
_LONGEST = 16_000
"""Letters of a token: enough for points up to 96,000."""


def _token_of(points: Collection[int]) -> str:
    """A token that says which points were given: a bit each."""
    bits = bytearray(max(points) // 8 + 1)
    for point in points:
        bits[point // 8] |= 1 << point % 8
    return _BEGINS + base64.urlsafe_b64encode(bits).decode().rstrip("=")


def _given_of(token: str) -> set[int]:
    text = token.removeprefix(_BEGINS)
    try:
        if text == token or len(text) > _LONGEST or not text:
            raise ValueError
        bits = base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (ValueError, binascii.Error) as exc:
        raise ReadingError("not a token", "take `next` of the answer before, unchanged") from exc
    return {8 * at + bit for at, byte in enumerate(bits) for bit in range(8) if byte >> bit & 1}
