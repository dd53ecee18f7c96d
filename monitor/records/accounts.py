"""Accounts: a name, a password, a role, and the sites they are for.

Every account is bound to its sites, or to all; nothing of another site is shown to it, not even that it is there.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.errors import ConfigError, Fault
from monitor.records import passwords, tables
from monitor.records.database import Database, inserted_id
from monitor.records.rows import from_ms, from_ms_or_none, to_ms
from monitor.records.scope import ALL, Sites, allows

LOOK, ATTEND, MANAGE = "look", "attend", "manage"
ROLES = (LOOK, ATTEND, MANAGE)
"""Each may do what those before it may: read; acknowledge, shelve, plan stops, enter service and reviews; take on fans,
test routes, look after people."""
NAME_LETTERS = 40
_NAME = re.compile(r"\w[\w .'@-]*", re.UNICODE)
# No brackets or commas: what stands behind a name in a record ("ann (for Bob)") cannot be a part of one.

_TABLE = tables.accounts


@dataclass(frozen=True)
class Account:
    """One account; its password is not in here."""

    id: int
    name: str
    role: str
    """One of ROLES."""
    sites: Sites
    """The sites it is for, or ALL."""
    created: datetime
    created_by: str
    disabled: datetime | None
    signed_in: datetime | None
    """When somebody signed in last."""


def key_of(name: str) -> str:
    """A name as it is compared.

    >>> key_of("  Ann  BAKER ")
    'ann baker'
    """
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def exist(database: Database) -> bool:
    """Whether there is any account, disabled ones too: what was closed once is not opened by disabling the last.

    Raises
    ------
    LinkError : the database cannot be read
    """
    with database.read() as connection:
        return exist_in(connection)


def exist_in(connection: Connection) -> bool:
    """As `exist`, within a transaction of the caller's."""
    return connection.execute(sa.select(_TABLE.c.id).limit(1)).scalar() is not None


def add(
    database: Database, name: str, password: str, role: str, sites: Sites, *, by: str, now: datetime,
    first: bool = False,
) -> int:  # fmt: skip
    """Makes an account and returns its id.

    Parameters
    ----------
    first : only if there is none yet

    Raises
    ------
    ConfigError : faults in what is asked for, all at once; or the name is taken
    """
    shown = " ".join(unicodedata.normalize("NFKC", name).split())
    faults = [*_faults_of_name(shown), *passwords.faults_of(password, shown), *_faults_of_role(role)]
    stored = "" if faults else passwords.hashed(password)
    with database.begin() as connection:
        faults += _faults_of_sites(connection, sites)
        if connection.execute(sa.select(_TABLE.c.id).where(_TABLE.c.name_key == key_of(shown))).first():
            faults.append(Fault("name", "a name that no other account has", f'"{shown}"'))
        if first and exist_in(connection):
            raise ConfigError("There is an account already. Sign in with it.")
        if faults:
            raise ConfigError("this account cannot be made:", faults)
        values = {
            "name": shown, "name_key": key_of(shown), "password_hash": stored, "role": role,
            "all_sites": sites is ALL, "created_ms": to_ms(now), "created_by": by,
        }  # fmt: skip
        number = inserted_id(connection.execute(sa.insert(_TABLE).values(values)))
        _put_sites(connection, number, sites)
    return number


def _faults_of_name(name: str) -> list[Fault]:
    if _NAME.fullmatch(name) and len(name) <= NAME_LETTERS:
        return []
    expected = f"letters, digits, spaces and . - _ ' @, beginning with a letter or digit, at most {NAME_LETTERS}"
    return [Fault("name", expected, f'"{name[:60]}"' if name else "nothing")]


def _faults_of_role(role: str) -> list[Fault]:
    return [] if role in ROLES else [Fault("role", ", ".join(ROLES), f'"{role[:60]}"')]


def _faults_of_sites(connection: Connection, sites: Sites) -> list[Fault]:
    if sites is ALL:
        return []
    asked = _names(sites)
    known = set(connection.execute(sa.select(tables.sites.c.site)).scalars())
    if not asked:
        return [Fault("sites", "at least one site, or all sites", "none")]
    return [
        Fault("sites", f"sites of the register: {', '.join(sorted(known)) or 'none yet'}", f'"{site[:60]}"')
        for site in sorted(asked - known)
    ]


def _names(sites: Sites) -> set[str]:
    return set(sites) if isinstance(sites, Collection) else set()


def _put_sites(connection: Connection, number: int, sites: Sites) -> None:
    table = tables.account_sites
    connection.execute(sa.delete(table).where(table.c.account_id == number))
    rows = [{"account_id": number, "site": site} for site in sorted(_names(sites))]
    if rows:
        connection.execute(sa.insert(table), rows)


def listed(database: Database, within: Sites) -> list[Account]:
    """The accounts that a reader of these sites looks after: those for these sites and no others, by name."""
    with database.read() as connection:
        return [one for one in _all(connection) if covers(within, one.sites)]


def covers(sites: Sites, others: Sites) -> bool:
    """Whether the first are the second and perhaps more.

    >>> covers(ALL, ALL), covers(["a", "b"], ["a"]), covers(["a"], ALL), covers(["a"], ["a", "b"]), covers(["a"], [])
    (True, True, False, False, False)
    """
    if sites is ALL:
        return True
    return others is not ALL and bool(_names(others)) and all(allows(sites, site) for site in _names(others))


def one(database: Database, within: Sites, number: int) -> Account | None:
    """One account; None when a reader of these sites does not look after any of that number."""
    return next((found for found in listed(database, within) if found.id == number), None)


def by_name(database: Database, name: str) -> Account | None:
    """The account of a name."""
    return next((found for found in listed(database, ALL) if key_of(found.name) == key_of(name)), None)


def _all(connection: Connection) -> list[Account]:
    table = tables.account_sites
    of: dict[int, list[str]] = {}
    for row in connection.execute(sa.select(table).order_by(table.c.site)):
        of.setdefault(row.account_id, []).append(row.site)
    rows = connection.execute(sa.select(_TABLE).order_by(_TABLE.c.name_key)).mappings()
    return [account_of(row, of.get(row["id"], [])) for row in rows]


def account_of(row: Mapping[Any, Any], sites: Collection[str]) -> Account:
    """An account of its row."""
    return Account(
        row["id"], row["name"], row["role"], ALL if row["all_sites"] else frozenset(sites), from_ms(row["created_ms"]),
        row["created_by"], from_ms_or_none(row["disabled_ms"]), from_ms_or_none(row["signed_in_ms"]),
    )  # fmt: skip


# --- what changes ----------------------------------------------------------------------------------------------


def change(database: Database, number: int, role: str, sites: Sites) -> None:
    """Gives an account another role and other sites; what is open with it goes on by the new ones.

    Raises
    ------
    ConfigError : faults, all at once
    """
    with database.begin() as connection:
        faults = [*_faults_of_role(role), *_faults_of_sites(connection, sites)]
        if faults:
            raise ConfigError("this cannot be:", faults)
        here = _TABLE.c.id == number
        connection.execute(sa.update(_TABLE).where(here).values(role=role, all_sites=sites is ALL))
        _put_sites(connection, number, sites)


def disable(database: Database, number: int, now: datetime) -> None:
    """Nobody signs in with it any more; its sessions end, its tokens do nothing until it is enabled again."""
    with database.begin() as connection:
        here = sa.and_(_TABLE.c.id == number, _TABLE.c.disabled_ms.is_(None))
        connection.execute(sa.update(_TABLE).where(here).values(disabled_ms=to_ms(now)))
        connection.execute(sa.delete(tables.sessions).where(tables.sessions.c.account_id == number))


def enable(database: Database, number: int) -> None:
    """Takes a disabling back."""
    with database.begin() as connection:
        connection.execute(sa.update(_TABLE).where(_TABLE.c.id == number).values(disabled_ms=None))


def set_password(database: Database, number: int, password: str, *, tokens_too: bool) -> None:
    """Another password; all sessions end, and its tokens where somebody else may have made them.

    Raises
    ------
    ConfigError : what is wrong with the password
    """
    with database.read() as connection:
        name = connection.execute(sa.select(_TABLE.c.name).where(_TABLE.c.id == number)).scalar() or ""
    faults = passwords.faults_of(password, name)
    if faults:
        raise ConfigError("this cannot be the password:", faults)
    stored = passwords.hashed(password)
    with database.begin() as connection:
        connection.execute(sa.update(_TABLE).where(_TABLE.c.id == number).values(password_hash=stored))
        connection.execute(sa.delete(tables.sessions).where(tables.sessions.c.account_id == number))
        if tokens_too:
            connection.execute(sa.delete(tables.api_tokens).where(tables.api_tokens.c.account_id == number))


def remove(database: Database, number: int) -> None:
    """Takes an account away with its sessions and tokens; what it did keeps its name."""
    with database.begin() as connection:
        for table in (tables.sessions, tables.api_tokens, tables.account_sites):
            connection.execute(sa.delete(table).where(table.c.account_id == number))
        connection.execute(sa.delete(_TABLE).where(_TABLE.c.id == number))


def signs_in(database: Database, name: str, password: str) -> int | None:
    """The id of the account of this name, if the password is its own and it is not disabled.

    For every name as much is worked out, so the time it takes does not tell which names there are.
    """
    with database.read() as connection:
        query = sa.select(_TABLE.c.id, _TABLE.c.password_hash, _TABLE.c.disabled_ms)
        row = connection.execute(query.where(_TABLE.c.name_key == key_of(name))).first()
    right = passwords.fits(password, None if row is None else row.password_hash)
    if row is None or not right or row.disabled_ms is not None:
        return None
    if passwords.is_outdated(row.password_hash):
        with database.begin() as connection:
            here = sa.and_(_TABLE.c.id == row.id, _TABLE.c.password_hash == row.password_hash)
            connection.execute(sa.update(_TABLE).where(here).values(password_hash=passwords.hashed(password)))
    return int(row.id)
