"""The register as every look at many fans needs it, kept in memory as long as nobody edits it.

Reading and checking two thousand nameplates takes longer than all else of a page, and they change a few times a year.
What is kept is never older than the picture of the database that it is read with: each look asks for the last edit
first (every change of the register leaves one, `register.py`), and reads anew when that is another.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from monitor.motor.nameplate import Nameplate
from monitor.records import register, tables
from monitor.records.register import PointKey, Site, Version
from monitor.records.scope import ALL, Sites, allows
from monitor.watch.overrides import Changes


@dataclass(frozen=True)
class Registered:
    """A fan of the register, with its newest version as it was at the last edit.

    `version.applies_from` moves without an edit, when the worker takes the version up: ask the register for it.
    """

    key: PointKey
    version: Version
    nameplate: Nameplate
    conditions: Changes
    """What its own file and its site change in the table of conditions."""
    searched: str
    """Where free words are looked for: site, its name, fan, bin and supply point, in small letters."""

    def fits(self, words: tuple[str, ...]) -> bool:
        """Whether every one of these words (of `words_of`) stands somewhere in it."""
        return all(word in self.searched for word in words)


@dataclass(frozen=True)
class Known:
    """All that is registered."""

    mark: tuple[int, int]
    """Number and time of the last edit."""
    sites: dict[str, Site]
    fans: tuple[Registered, ...]
    """By site and name."""
    by_point: dict[int, Registered]

    def of(self, sites: Sites) -> Iterator[Registered]:
        """The fans a reader may see, by site and name."""
        return iter(self.fans) if sites is ALL else (fan for fan in self.fans if allows(sites, fan.key.site))


MOST_WORDS = 8
"""Free words beyond these are not looked for: nobody types so many."""


def words_of(typed: str) -> tuple[str, ...]:
    """Free words as they are looked for; a fan may be asked for as SITE/FAN, as reviews and commands name it.

    >>> words_of("  North  BIN-3 ")
    ('north', 'bin-3')
    >>> words_of("meadow/north-3")
    ('meadow', 'north-3')
    """
    return tuple(typed.casefold().replace("/", " ").split()[:MOST_WORDS])


_KEPT: WeakKeyDictionary[Engine, Known] = WeakKeyDictionary()


def known_in(connection: Connection) -> Known:
    """The register as this transaction sees it."""
    edits = tables.register_edits.c
    last = connection.execute(sa.select(edits.number, edits.at_ms).order_by(edits.number.desc()).limit(1)).first()
    mark = (0, 0) if last is None else (int(last[0]), int(last[1]))
    kept = _KEPT.get(connection.engine)
    if kept is None or kept.mark != mark:  # two threads may both read it: the same, and neither waits
        kept = _KEPT[connection.engine] = _read(connection, mark)
    return kept


def _read(connection: Connection, mark: tuple[int, int]) -> Known:
    sites = {site.site: site for site in register.sites_in(connection, ALL)}
    fans = tuple(_registered(key, version, sites) for key, version in register.fans_in(connection, ALL))
    return Known(mark, sites, fans, {fan.key.point_id: fan for fan in fans})


def _registered(key: PointKey, version: Version, sites: dict[str, Site]) -> Registered:
    plate = version.nameplate
    name = sites[key.site].name if key.site in sites else ""
    told = (key.site, name, key.name, plate.fan.plenum or "", plate.fan.supply or "")
    # A line each: no word is found across two of them.
    return Registered(key, version, plate, version.in_force.conditions, "\n".join(told).casefold())
