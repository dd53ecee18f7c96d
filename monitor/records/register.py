"""The register: sites, points and the versions of each fan's nameplate. Nothing in it is ever written over.

A version says since when it has been true in the field (`valid_from`) and from which reading on the live watch uses it
(`applies_from`: never for readings that were judged already). Every edit leaves a running number, by which the worker
learns of it; pages and commands never call the worker.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.errors import ConfigError
from monitor.motor.nameplate import Nameplate
from monitor.records import tables
from monitor.records.database import Database, inserted_id, upsert
from monitor.records.fan_file import read_nameplate
from monitor.records.fan_text import edited
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import ALL, Sites, allows, within
from monitor.settings import NAME
from monitor.watch.overrides import Changes, together

_POINTS = tables.points
_VERSIONS = tables.register_versions
_EDITS = tables.register_edits
_EDITED = sa.select(_EDITS).where(_EDITS.c.number > sa.bindparam("mark")).order_by(_EDITS.c.number)
"""Kept: each turn of the worker asks it."""
_SAID = "settings of site "


@dataclass(frozen=True)
class Site:
    """A place with fans."""

    site: str
    """Short name, as in topics and addresses of pages."""
    name: str
    """As people say it."""
    time_zone: str
    """IANA name."""
    altitude_m: float
    """[m]"""
    units: str
    """"us" or "si"."""
    supper: str
    """Local time at which the night's outlook is worked, e.g. "17:00"."""
    conditions: Changes = field(default_factory=dict)
    """What it changes of the table of conditions for its fans: id -> column -> value."""


@dataclass(frozen=True)
class PointKey:
    """One stream of readings."""

    point_id: int
    site: str
    name: str
    kind: str
    """fan, supply or weather."""


@dataclass(frozen=True)
class Version:
    """One version of what is registered for a fan."""

    point_id: int
    version: int
    """Counts from 1."""
    valid_from: datetime
    """True in the field since."""
    applies_from: datetime
    """The live watch uses it for readings after this."""
    committed: datetime
    """When it was entered (wall time)."""
    committed_by: str
    motor_changed: bool
    """Another motor: the watch begins anew."""
    removed: bool
    """From here on the fan is not in the register."""
    text: str
    """The nameplate file."""
    site_text: str = "{}"
    """What its site changed of the table of conditions then, as JSON: a version stands for itself."""

    @property
    def nameplate(self) -> Nameplate:
        """The parsed file."""
        return _parsed(self.text, "{}")

    @property
    def in_force(self) -> Nameplate:
        """The parsed file with what its site changes of the table of conditions: what readings are judged by."""
        return _parsed(self.text, self.site_text)


@lru_cache(maxsize=4096)
def _parsed(text: str, site_text: str) -> Nameplate:
    """Pages ask for the same nameplates again and again, and checking one takes longer than all the rest."""
    changed = json.loads(site_text)
    if not changed:
        return read_nameplate(text, "in the register")
    nameplate = _parsed(text, "{}")
    return replace(nameplate, conditions=together(changed, nameplate.conditions))


@dataclass(frozen=True)
class Edits:
    """What changed in the register since a mark."""

    mark: int
    """Ask with this one next."""
    sites: tuple[Site, ...]
    """Sites that are new or changed, as they are now."""
    points: tuple[PointKey, ...]
    """Points that are new or have a new version."""
    versions: tuple[Version, ...]
    """New versions, in the order in which they were entered."""

    def __bool__(self) -> bool:
        return bool(self.sites or self.points or self.versions)


@dataclass(frozen=True)
class Corrected:
    """How the clamps of a fan's logger are corrected now."""

    factors: tuple[float, ...]
    """For each leg in order."""
    since: datetime
    """True in the field since."""
    by: str
    """Who entered it."""


# --- sites -----------------------------------------------------------------------------------------------------


def put_site(database: Database, site: Site, now: datetime, *, replace: bool = True, said: str | None = None) -> None:
    """Enters a site or changes what is known of it; with `replace` false a site that is there stays as it is.

    `said` is what a settings file says of it: kept, so that at the next start only what it says anew counts.

    Where it changes the table of conditions otherwise than before, each of its fans gets a version that says so from
    now on: what was judged stays judged as it was.

    Raises
    ------
    ConfigError : its short name cannot stand in a topic
    """
    _check_name(site.site, "site")
    row = {name: getattr(site, name) for name in Site.__dataclass_fields__}
    row["conditions"] = json.dumps(site.conditions, sort_keys=True)
    with database.begin() as connection:
        if said is not None:
            upsert(connection, tables.cursors, [{"name": _SAID + site.site, "value": said}])
        stored = connection.execute(sa.select(tables.sites).where(tables.sites.c.site == site.site)).mappings().first()
        if stored is not None and (not replace or dict(stored) == row):
            return
        upsert(connection, tables.sites, [row])
        _edited(connection, site.site, None, None, to_ms(now))
        for key, version in fans_in(connection, frozenset({site.site})):
            if version.site_text != row["conditions"]:
                _put_version(
                    connection, key.point_id, site.site, version.text, to_ms(now), "settings", motor_changed=False,
                    removed=False, now_ms=to_ms(now),
                )  # fmt: skip


def said_by_settings(database: Database) -> dict[str, str]:
    """Site -> what a settings file said of it when it was last brought in."""
    table = tables.cursors
    query = sa.select(table.c.name, table.c.value).where(table.c.name.startswith(_SAID, autoescape=True))
    with database.read() as connection:
        return {name.removeprefix(_SAID): value for name, value in connection.execute(query)}


def sites(database: Database, which: Sites = ALL) -> list[Site]:
    """All sites, by name."""
    with database.read() as connection:
        return sites_in(connection, which)


def sites_in(connection: Connection, which: Sites) -> list[Site]:
    """As `sites`, within a transaction of the caller's."""
    return _sites(connection, within(tables.sites.c.site, which))


def _sites(connection: Connection, *conditions: sa.ColumnElement[bool]) -> list[Site]:
    query = sa.select(tables.sites).where(*conditions).order_by(tables.sites.c.site)
    return [
        Site(**{**row, "conditions": json.loads(row["conditions"])}) for row in connection.execute(query).mappings()
    ]


# --- fans ------------------------------------------------------------------------------------------------------


def put_nameplate(
    database: Database,
    site: str,
    fan: str,
    nameplate_toml: str,
    *,
    valid_from: datetime,
    by: str,
    motor_changed: bool = False,
    now: datetime,
) -> int:
    """Enters a fan, or a new version of it, and returns the version's number.

    The supply point and the weather point it names come into being with it, and a newcomer of its name is taken over.

    Raises
    ------
    ConfigError : the file has faults (all of them, each with its place), the site is not known, a name cannot be used
    LinkError : the database is busy or full; nothing is stored
    """
    nameplate = read_nameplate(nameplate_toml, f"{site}/{fan}")
    _check_name(fan, "fan")
    with database.begin() as connection:
        if not _sites(connection, tables.sites.c.site == site):
            there = ", ".join(known.site for known in _sites(connection)) or "none yet"
            raise ConfigError(
                f'there is no site "{site}" (known: {there}). Enter it on the page Register, or under '
                f"[sites.{site}] in the settings."
            )
        point_id = _put_point(connection, site, fan, "fan", to_ms(now))
        for kind, name in (("supply", nameplate.fan.supply), ("weather", nameplate.fan.weather)):
            if name is not None:
                _check_name(name, kind)
                _put_point(connection, site, name, kind, to_ms(now))
        version = _put_version(
            connection,
            point_id,
            site,
            nameplate_toml,
            to_ms(valid_from),
            by,
            motor_changed,
            removed=False,
            now_ms=to_ms(now),
        )
        taken = [name for name in (fan, nameplate.fan.supply, nameplate.fan.weather) if name is not None]
        newcomers = tables.newcomers
        connection.execute(sa.delete(newcomers).where(newcomers.c.site == site, newcomers.c.name.in_(taken)))
    return version


def remove(database: Database, site: str, fan: str, *, by: str, now: datetime) -> int:
    """Takes a fan out of the register; what is stored of it stays. Returns the number of the version that says so.

    Raises
    ------
    ConfigError : it is not in the register
    """
    with database.begin() as connection:
        point_id, newest = _newest(connection, site, fan)
        return _put_version(
            connection,
            point_id,
            site,
            newest.text,
            to_ms(now),
            by,
            motor_changed=False,
            removed=True,
            now_ms=to_ms(now),
        )


def put_pitch(
    connection: Connection, point_id: int, pitch: float | None, valid_from_ms: int, *, by: str, now_ms: int
) -> int | None:
    """Enters that a fan has had another blade pitch since a time, within a transaction of the caller's; see
    `put_since`.

    Parameters
    ----------
    pitch : [degrees], not under the fan's `minimum_pitch_degrees`; None: not known
    """
    known = None if pitch is None else int(pitch) if float(pitch).is_integer() else pitch
    key: tuple[str, ...] = ("fan", "blade_pitch_degrees")
    return put_since(connection, point_id, {key: known}, valid_from_ms, by=by, now_ms=now_ms)


def put_clamps(
    connection: Connection, point_id: int, corrections: Sequence[float], valid_from_ms: int, *, by: str, now_ms: int
) -> int | None:
    """Enters that the amps of a fan's logger are to be corrected otherwise since a time; see `put_since`.

    Parameters
    ----------
    corrections : a factor for each leg; all 1, or none: as sent
    """
    factors = list(corrections) if any(one != 1.0 for one in corrections) else None
    key: tuple[str, ...] = ("logger", "clamp_corrections")
    return put_since(connection, point_id, {key: factors}, valid_from_ms, by=by, now_ms=now_ms)


def put_since(
    connection: Connection, point_id: int, changes: Mapping[tuple[str, ...], Any], valid_from_ms: int, *, by: str,
    now_ms: int,
) -> int | None:  # fmt: skip
    """Enters that something has been otherwise in the field since a time: all else stays as it was then, and as it
    became later, each from its own time on.

    Returns the number of the version that is true since that time; None, and nothing is entered, where the fan is not
    in the register (any more) or its file could not be so.
    """
    query = sa.select(_VERSIONS).where(_VERSIONS.c.point_id == point_id).order_by(_VERSIONS.c.version)
    known = [_version(row) for row in connection.execute(query).mappings()]
    site = connection.execute(sa.select(_POINTS.c.site).where(_POINTS.c.id == point_id)).scalar()
    if not known or known[-1].removed or site is None:
        return None
    since = from_ms(valid_from_ms)
    then = next((one for one in reversed(known) if one.valid_from <= since), known[0])
    later = [
        one for place, one in enumerate(known)
        if one.valid_from > since and all(after.valid_from > one.valid_from for after in known[place + 1 :])
        and one is not then
    ]  # fmt: skip
    try:
        made = [(edited(one.text, changes), to_ms(max(one.valid_from, since))) for one in (then, *later)]
        for text, _ in made:
            read_nameplate(text, "the fan")
    except ConfigError:
        return None
    made[0] = made[0][0], valid_from_ms
    made = [one for place, one in enumerate(made) if not place or one[0] != made[place - 1][0]]  # says nothing new
    numbers = [
        _put_version(connection, point_id, site, text, from_, by, motor_changed=False, removed=False, now_ms=now_ms)
        for text, from_ in made
    ]
    return numbers[0]


def fans(database: Database, which: Sites) -> list[tuple[PointKey, Version]]:
    """The fans in the register with their newest version, by site and name."""
    with database.read() as connection:
        return fans_in(connection, which)


def fans_in(connection: Connection, which: Sites) -> list[tuple[PointKey, Version]]:
    """As `fans`, within a transaction of the caller's."""
    found = []
    for row in connection.execute(_newest_versions().where(within(_POINTS.c.site, which))).mappings():
        if not row["removed"]:
            found.append((_point(row), _version(row)))
    return found


def points(database: Database, which: Sites) -> list[PointKey]:
    """All points that ever were, by site and name."""
    with database.read() as connection:
        query = sa.select(_POINTS).where(within(_POINTS.c.site, which)).order_by(_POINTS.c.site, _POINTS.c.name)
        return [_point(row) for row in connection.execute(query).mappings()]


def versions(database: Database, point_id: int) -> list[Version]:
    """All versions of a fan, oldest first; empty for what is not a fan."""
    with database.read() as connection:
        query = sa.select(_VERSIONS).where(_VERSIONS.c.point_id == point_id).order_by(_VERSIONS.c.version)
        return [_version(row) for row in connection.execute(query).mappings()]


def history(database: Database, which: Sites, site: str, fan: str) -> tuple[PointKey, list[Version]] | None:
    """A fan with all its versions, oldest first, also when it is not in the register any more; None where there never
    was one, or it is at a site that is not the reader's."""
    if not allows(which, site):
        return None
    with database.read() as connection:
        query = sa.select(_POINTS).where(_POINTS.c.site == site, _POINTS.c.name == fan, _POINTS.c.kind == "fan")
        row = connection.execute(query).mappings().first()
    if row is None:
        return None
    kept = versions(database, row["id"])
    return (_point(row), kept) if kept else None


def newest_reading(database: Database, point_id: int) -> datetime | None:
    """Up to when a point's readings are judged: no version applies to earlier ones. None: there are none yet.

    The worker knows exactly and may say somewhat later; what is stored is at most a minute behind."""
    with database.read() as connection:
        query = sa.select(tables.loggers.c.newest_ms).where(tables.loggers.c.point_id == point_id)
        return from_ms_or_none(connection.execute(query).scalar())


def nameplate(database: Database, site: str, fan: str) -> Nameplate:
    """The newest nameplate of a fan.

    Raises
    ------
    ConfigError : it is not in the register
    """
    with database.read() as connection:
        return _newest(connection, site, fan)[1].nameplate


def export_text(database: Database, site: str, fan: str) -> str:
    """The newest nameplate file of a fan, as it was typed: what is imported comes out again letter by letter.

    Raises
    ------
    ConfigError : it is not in the register
    """
    with database.read() as connection:
        return _newest(connection, site, fan)[1].text


def corrected_now(connection: Connection, newest: Version) -> Corrected | None:
    """How a fan's clamps are corrected by its newest version, and who entered that; None: they are not."""
    factors = newest.nameplate.logger.clamp_corrections
    if all(one == 1.0 for one in factors):
        return None
    query = sa.select(_VERSIONS).where(_VERSIONS.c.point_id == newest.point_id).order_by(_VERSIONS.c.version.desc())
    first = newest
    for row in connection.execute(query).mappings():
        version = _version(row)
        if version.nameplate.logger.clamp_corrections != factors:
            break
        first = version
    return Corrected(factors, first.valid_from, first.committed_by)


def changed_since(database: Database, mark: int) -> Edits:
    """What was edited after a mark; a mark of 0 gives everything."""
    with database.read() as connection:
        return edits_since(connection, mark)


def edits_since(connection: Connection, mark: int) -> Edits:
    """As `changed_since`, within a transaction of the caller's."""
    made = connection.execute(_EDITED, {"mark": mark}).mappings().all()
    if not made:
        return Edits(mark, (), (), ())
    edited_sites = {row["site"] for row in made if row["point_id"] is None}
    edited_points = {row["point_id"] for row in made if row["point_id"] is not None}
    newer = sa.and_(_EDITS.c.number > mark, _EDITS.c.version.is_not(None))
    found = connection.execute(
        sa.select(_VERSIONS)
        .join(_EDITS, sa.and_(_EDITS.c.point_id == _VERSIONS.c.point_id, _EDITS.c.version == _VERSIONS.c.version))
        .where(newer)
        .order_by(_EDITS.c.number)
    ).mappings()
    touched = sa.select(_EDITS.c.point_id).where(_EDITS.c.number > mark, _EDITS.c.point_id.is_not(None))
    keys = connection.execute(sa.select(_POINTS).where(_POINTS.c.id.in_(touched)).order_by(_POINTS.c.id)).mappings()
    return Edits(
        made[-1]["number"],
        tuple(site for site in _sites(connection) if site.site in edited_sites),
        tuple(key for key in (_point(row) for row in keys) if key.point_id in edited_points),
        tuple(_version(row) for row in found),
    )


# --- within a transaction --------------------------------------------------------------------------------------


def _newest_versions() -> sa.Select[Any]:
    last = (
        sa.select(_VERSIONS.c.point_id, sa.func.max(_VERSIONS.c.version).label("version"))
        .group_by(_VERSIONS.c.point_id)
        .subquery()
    )
    return (
        sa.select(_POINTS, _VERSIONS)
        .join(_VERSIONS, _VERSIONS.c.point_id == _POINTS.c.id)
        .join(last, sa.and_(last.c.point_id == _VERSIONS.c.point_id, last.c.version == _VERSIONS.c.version))
        .order_by(_POINTS.c.site, _POINTS.c.name)
    )


def _newest(connection: Connection, site: str, fan: str) -> tuple[int, Version]:
    query = _newest_versions().where(_POINTS.c.site == site, _POINTS.c.name == fan)
    row = connection.execute(query).mappings().first()
    if row is None or row["removed"]:
        raise ConfigError(
            f'there is no fan "{fan}" at site "{site}" in the register. See them with: amp-monitor fans list'
        )
    return row["id"], _version(row)


def find_fan(connection: Connection, which: Sites, site: str, fan: str) -> tuple[PointKey, Version] | None:
    """A fan of the register; None when it is not in it, or at a site that is not the reader's."""
    if not allows(which, site):
        return None
    query = _newest_versions().where(_POINTS.c.site == site, _POINTS.c.name == fan)
    row = connection.execute(query).mappings().first()
    return None if row is None or row["removed"] else (_point(row), _version(row))


def _put_point(connection: Connection, site: str, name: str, kind: str, now_ms: int) -> int:
    row = (
        connection.execute(sa.select(_POINTS).where(_POINTS.c.site == site, _POINTS.c.name == name)).mappings().first()
    )
    if row is not None:
        if row["kind"] != kind:
            raise ConfigError(
                f'"{name}" at site "{site}" is a {row["kind"]} point already and cannot be a {kind} point too.'
            )
        return int(row["id"])
    result = connection.execute(sa.insert(_POINTS).values(site=site, name=name, kind=kind))
    point_id = inserted_id(result)
    _edited(connection, site, point_id, None, now_ms)
    return point_id


def _put_version(
    connection: Connection,
    point_id: int,
    site: str,
    text: str,
    valid_from_ms: int,
    by: str,
    motor_changed: bool,
    *,
    removed: bool,
    now_ms: int,
) -> int:
    newest_ms = connection.execute(
        sa.select(tables.loggers.c.newest_ms).where(tables.loggers.c.point_id == point_id)
    ).scalar()
    last = connection.execute(sa.select(sa.func.max(_VERSIONS.c.version)).where(_VERSIONS.c.point_id == point_id))
    version = 1 + (last.scalar() or 0)
    changed = connection.execute(sa.select(tables.sites.c.conditions).where(tables.sites.c.site == site)).scalar_one()
    connection.execute(
        sa.insert(_VERSIONS).values(
            point_id=point_id,
            version=version,
            valid_from_ms=valid_from_ms,
            applies_from_ms=valid_from_ms if newest_ms is None else max(valid_from_ms, newest_ms),
            committed_ms=now_ms,
            committed_by=by,
            motor_changed=motor_changed,
            removed=removed,
            nameplate=text,
            site_conditions=changed,
        )
    )
    _edited(connection, site, point_id, version, now_ms)
    return version


def _edited(connection: Connection, site: str, point_id: int | None, version: int | None, now_ms: int) -> None:
    connection.execute(sa.insert(_EDITS).values(site=site, point_id=point_id, version=version, at_ms=now_ms))


def _point(row: Any) -> PointKey:
    return PointKey(row["id"], row["site"], row["name"], row["kind"])


def _version(row: Any) -> Version:
    return Version(
        row["point_id"],
        row["version"],
        from_ms(row["valid_from_ms"]),
        from_ms(row["applies_from_ms"]),
        from_ms(row["committed_ms"]),
        row["committed_by"],
        row["motor_changed"],
        row["removed"],
        row["nameplate"],
        row["site_conditions"],
    )


def _check_name(name: str, what: str) -> None:
    if not NAME.fullmatch(name):
        raise ConfigError(
            f'"{name}" cannot be the name of a {what}: expected small letters, digits, dashes and dots, '
            "beginning with a letter or digit, at most 64"
        )


def names(keys: Iterable[PointKey]) -> list[str]:
    """`SITE/NAME` of points, for lists in the terminal."""
    return [f"{key.site}/{key.name}" for key in keys]
