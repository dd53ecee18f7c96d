"""Sessions of people and tokens of programs: 32 random bytes, of which only the SHA-256 is stored.

A random id needs no slow hash: there is nothing to guess. Both are looked up by their hash, so no comparison tells how
near a wrong one was.
"""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from monitor.errors import ConfigError, Fault
from monitor.records import tables
from monitor.records.accounts import Account, account_of, exist_in
from monitor.records.actions import clean
from monitor.records.database import Database, inserted_id
from monitor.records.rows import from_ms, from_ms_or_none, to_ms

IDLE = timedelta(days=7)
"""A session nobody used for so long is over."""
LONGEST = timedelta(days=30)
"""And any after so long (NIST SP 800-63B-3, 4.1.3)."""
MARKED_EACH = timedelta(hours=1)
"""That it is used is written down so often: each is a commit on an SD card."""
MOST_SESSIONS = 20
"""Of one account; the one used longest ago ends when another begins."""
MOST_TOKENS = 20
LABEL_LETTERS = 60
ID_BYTES = 32
TOKEN_BEGINS = "amp_"
"""So that a token is known for one where it should not stand."""
SESSION, TOKEN = "session", "token"
_ID = re.compile(r"[A-Za-z0-9_-]{43}")

_SESSIONS, _TOKENS, _ACCOUNTS = tables.sessions, tables.api_tokens, tables.accounts


@dataclass(frozen=True)
class Found:
    """A session or token that holds, and whose it is."""

    account: Account
    kind: str
    """SESSION or TOKEN."""
    id_hash: str
    """SHA-256 of it."""
    unmarked: bool
    """It was not written down within the hour that it is used."""


@dataclass(frozen=True)
class Token:
    """A token as it may be listed."""

    id: int
    label: str
    made: datetime
    used: datetime | None
    """Last, to the hour."""


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


# --- sessions --------------------------------------------------------------------------------------------------


def begin(database: Database, account_id: int, now: datetime, *, instead_of: str | None = None) -> str:
    """A new session and its id, which is stored nowhere.

    Parameters
    ----------
    instead_of : id of the session that whoever signs in had before; it ends
    """
    made = secrets.token_urlsafe(ID_BYTES)
    at = to_ms(now)
    with database.begin() as connection:
        over = sa.or_(_SESSIONS.c.expires_ms <= at, _SESSIONS.c.used_ms <= to_ms(now - IDLE))
        connection.execute(sa.delete(_SESSIONS).where(over))
        if instead_of is not None:
            connection.execute(sa.delete(_SESSIONS).where(_SESSIONS.c.id_hash == _hash(instead_of)))
        query = sa.select(_SESSIONS.c.id_hash).where(_SESSIONS.c.account_id == account_id)
        query = query.order_by(_SESSIONS.c.used_ms.desc(), _SESSIONS.c.made_ms.desc())
        others = list(connection.execute(query).scalars())[MOST_SESSIONS - 1 :]
        if others:
            connection.execute(sa.delete(_SESSIONS).where(_SESSIONS.c.id_hash.in_(others)))
        values = {"id_hash": _hash(made), "account_id": account_id, "made_ms": at, "used_ms": at,
                  "expires_ms": to_ms(now + LONGEST)}  # fmt: skip
        connection.execute(sa.insert(_SESSIONS).values(values))
        connection.execute(sa.update(_ACCOUNTS).where(_ACCOUNTS.c.id == account_id).values(signed_in_ms=at))
    return made


def end(database: Database, id_hash: str) -> None:
    """Ends one session, by the hash of its id."""
    with database.begin() as connection:
        connection.execute(sa.delete(_SESSIONS).where(_SESSIONS.c.id_hash == id_hash))


def end_all(database: Database, account_id: int) -> None:
    """Ends every session of an account."""
    with database.begin() as connection:
        connection.execute(sa.delete(_SESSIONS).where(_SESSIONS.c.account_id == account_id))


def count(database: Database, account_id: int, now: datetime) -> int:
    """How many sessions of an account go on."""
    query = sa.select(sa.func.count()).where(_SESSIONS.c.account_id == account_id, *_goes_on(now))
    with database.read() as connection:
        return int(connection.execute(query).scalar() or 0)


def _goes_on(now: datetime) -> tuple[sa.ColumnElement[bool], ...]:
    return (_SESSIONS.c.expires_ms > to_ms(now), _SESSIONS.c.used_ms > to_ms(now - IDLE))


def find(
    database: Database, now: datetime, *, session: str | None = None, token: str | None = None
) -> tuple[bool, Found | None]:
    """Whether there are accounts at all, and whose session or token this is; a token goes before a session.

    Raises
    ------
    LinkError : the database cannot be read
    """
    kind, shown = (SESSION, session) if token is None else (TOKEN, token.removeprefix(TOKEN_BEGINS))
    well_formed = shown is not None and _ID.fullmatch(shown) and (token is None or token.startswith(TOKEN_BEGINS))
    with database.read() as connection:
        found = _found(connection, now, kind, _hash(token or session or "")) if well_formed else None
        return found is not None or exist_in(connection), found


def find_again(database: Database, now: datetime, kind: str, id_hash: str) -> Found | None:
    """As `find`, by the hash; None: it holds no longer."""
    with database.read() as connection:
        return _found(connection, now, kind, id_hash)


def _found(connection: Connection, now: datetime, kind: str, id_hash: str) -> Found | None:
    if kind == SESSION:
        query = sa.select(_SESSIONS.c.account_id, _SESSIONS.c.used_ms)
        query = query.where(_SESSIONS.c.id_hash == id_hash, *_goes_on(now))
    else:
        query = sa.select(_TOKENS.c.account_id, _TOKENS.c.used_ms).where(_TOKENS.c.token_hash == id_hash)
    row = connection.execute(query).first()
    account = None if row is None else _enabled(connection, row.account_id)
    if row is None or account is None:
        return None
    return Found(account, kind, id_hash, row.used_ms is None or row.used_ms <= to_ms(now - MARKED_EACH))


def _enabled(connection: Connection, account_id: int) -> Account | None:
    here = sa.and_(_ACCOUNTS.c.id == account_id, _ACCOUNTS.c.disabled_ms.is_(None))
    row = connection.execute(sa.select(_ACCOUNTS).where(here)).mappings().first()
    if row is None:
        return None
    table = tables.account_sites
    sites = connection.execute(sa.select(table.c.site).where(table.c.account_id == account_id)).scalars().all()
    return account_of(row, sites)


def mark_used(database: Database, now: datetime, found: Found) -> None:
    """Writes down that a session or token is used.

    Raises
    ------
    LinkError : the database is busy or full
    """
    with database.begin() as connection:
        if found.kind == TOKEN:
            here = _TOKENS.c.token_hash == found.id_hash
            connection.execute(sa.update(_TOKENS).where(here).values(used_ms=to_ms(now)))
        else:
            here = _SESSIONS.c.id_hash == found.id_hash
            connection.execute(sa.update(_SESSIONS).where(here).values(used_ms=to_ms(now)))


# --- tokens ----------------------------------------------------------------------------------------------------


def make_token(database: Database, account_id: int, label: str, now: datetime) -> str:
    """A new token of an account; it is shown to nobody again.

    Raises
    ------
    ConfigError : it has no label, or the account has so many already
    """
    named = clean(label, LABEL_LETTERS)
    if not named:
        raise ConfigError("this token cannot be made:", [Fault("label", "what it is for, in a word or two", "nothing")])
    made = TOKEN_BEGINS + secrets.token_urlsafe(ID_BYTES)
    with database.begin() as connection:
        have = sa.select(sa.func.count()).where(_TOKENS.c.account_id == account_id)
        if int(connection.execute(have).scalar() or 0) >= MOST_TOKENS:
            raise ConfigError(f"There are {MOST_TOKENS} tokens already. Revoke those that nobody uses.")
        values = {"token_hash": _hash(made), "account_id": account_id, "label": named, "made_ms": to_ms(now)}
        inserted_id(connection.execute(sa.insert(_TOKENS).values(values)))
    return made


def tokens(database: Database, account_id: int) -> list[Token]:
    """The tokens of an account, the newest first."""
    query = sa.select(_TOKENS).where(_TOKENS.c.account_id == account_id).order_by(_TOKENS.c.id.desc())
    with database.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [Token(row["id"], row["label"], from_ms(row["made_ms"]), from_ms_or_none(row["used_ms"])) for row in rows]


def revoke(database: Database, account_id: int, token_id: int) -> bool:
    """Takes a token of an account away; False: it has none of that number."""
    here = sa.and_(_TOKENS.c.account_id == account_id, _TOKENS.c.id == token_id)
    with database.begin() as connection:
        return connection.execute(sa.delete(_TOKENS).where(here)).rowcount > 0
