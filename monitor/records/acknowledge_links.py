"""Links in notices by which whoever reads one acknowledges what it tells of: signed, for one notice, used once.

    PUBLIC_URL/a/NOTICE_ID.SIGNATURE

The link is the permission, and for no more than the alarms of its notice; it needs no account. The signature is HMAC
with SHA-256 (FIPS 198-1), cut to 160 bits (RFC 2104, section 5: no fewer than half of the hash, and over 80). Whoever
guesses is right once in 2^160 tries, and a guess costs one HMAC before anything is looked up: nothing has to be counted
or slowed down, and no answer tells what exists. What is cut so short ends in a letter or digit, never in the dash or
underscore that phones leave off when they make a link of a text.

The key stands in the database, not beside it: a backup holds both the key and which links were used, so links of the
last days go on working after a restore, and several services of one database know each other's. Whoever can read the
database file could make links; they can acknowledge, and no more.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from urllib.parse import quote

import sqlalchemy as sa
from itsdangerous import BadSignature, Signer
from itsdangerous.signer import SigningAlgorithm
from sqlalchemy.engine import Connection

from monitor.records import tables
from monitor.records.database import Database
from monitor.records.rows import from_ms, from_ms_or_none

KIND = "acknowledge-link"
"""Kind of the action by which somebody uses a link; its body: {"notice": id}."""
PATH = "/a/"
"""Short: an SMS holds it."""
VALID_FOR = timedelta(days=7)
"""A link is good for so long after its notice was made."""
KEY_BYTES = 32
SIGNATURE_BYTES = 20
SIGNATURE_LETTERS = 27
_KEY = "acknowledge links: key"
_SALT = "monitor.acknowledge-links.1"
_IN_A_TEXT = re.compile(rf"{PATH}\S+\.[A-Za-z0-9_-]{{{SIGNATURE_LETTERS}}}")
_BEHIND = ".,;:!?)>]'\""
"""What a text may have right behind a link, and a phone may take for a part of it."""


class _Short(SigningAlgorithm):
    """HMAC-SHA-256, its first 160 bits; compared in constant time by the class it is made from."""

    def get_signature(self, key: bytes, value: bytes) -> bytes:
        return hmac.new(key, value, hashlib.sha256).digest()[:SIGNATURE_BYTES]


def key(database: Database) -> bytes:
    """The key of this database's links, 32 random bytes; made when it is asked for the first time.

    Raises
    ------
    LinkError : the database is busy or full
    """
    with database.read() as connection:
        found = _stored(connection)
    if found is not None:
        return found
    with database.begin() as connection:
        found = _stored(connection)  # another may have made it meanwhile
        if found is None:
            found = secrets.token_bytes(KEY_BYTES)
            connection.execute(sa.insert(tables.cursors).values(name=_KEY, value=found.hex()))
        return found


def _stored(connection: Connection) -> bytes | None:
    query = sa.select(tables.cursors.c.value).where(tables.cursors.c.name == _KEY)
    text = connection.execute(query).scalar()
    return None if text is None else bytes.fromhex(text)


def link_for(public_url: str, notice_id: str, key: bytes) -> str:
    """The link of a notice: the same at each call, so that a text that is made again is the same.

    >>> link_for("https://farm.example/", "0-17-42-farm-1", bytes(32))
    'https://farm.example/a/0-17-42-farm-1.HquLfrW6UyPQ1_HzShwfTaDvVv0'
    """
    return f"{public_url.rstrip('/')}{PATH}{quote(_signer(key).sign(notice_id).decode(), safe='')}"


def notice_of(token: str, key: bytes) -> str | None:
    """The id of the notice whose link this is; None for what we did not sign.

    Parameters
    ----------
    token : what stands in the address after `PATH`, unquoted

    >>> notice_of("0-17-42-farm-1.HquLfrW6UyPQ1_HzShwfTaDvVv0", bytes(32))
    '0-17-42-farm-1'
    """
    token = token.rstrip(_BEHIND)
    try:
        notice_id = _signer(key).unsign(token).decode()
    except (BadSignature, UnicodeError):
        return None
    # 27 letters hold 162 bits: the two left over are not to make four links of one.
    return notice_id if hmac.compare_digest(_signer(key).sign(notice_id), token.encode()) else None


def without_links(text: str) -> str:
    """A notice's text for whoever may read it but was not sent it: a link in it is a permission.

    >>> without_links("To acknowledge: https://farm.example/a/0-17-42-farm-1.%s" % ("x" * 27))
    'To acknowledge: https://farm.example/a/...'
    """
    return _IN_A_TEXT.sub(rf"{PATH}...", text)


def _signer(key: bytes) -> Signer:
    return Signer(key, salt=_SALT, sep=".", key_derivation="hmac", digest_method=hashlib.sha256, algorithm=_Short())


# --- what a link is about --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Linked:
    """A notice as its link sees it."""

    notice_id: str
    site: str
    """Of its alarms; empty for a notice of the whole service."""
    route: str
    """To whom it went."""
    long: str
    """Its text."""
    created: datetime
    alarms: tuple[int, ...]
    """Numbers of the alarms it tells of, the first told first; empty for a notice of none."""
    used: datetime | None
    """When its link was used; None: not yet."""
    used_by: str | None


def linked(database: Database, notice_id: str) -> Linked | None:
    """What the link of a notice is about; None when there is no such notice (any more).

    No sites are asked for: whoever calls it has read the id out of a signed link, which is the permission.

    Raises
    ------
    LinkError : the database cannot be read
    """
    notices, tellings = tables.notices, tables.tellings
    with database.read() as connection:
        row = connection.execute(sa.select(notices).where(notices.c.id == notice_id)).mappings().first()
        if row is None:
            return None
        told = sa.select(tellings.c.alarm_number).where(
            tellings.c.partition == row["partition"], tellings.c.group_id == row["group_id"],
            tellings.c.site == row["site"], tellings.c.state == "told",
        )  # fmt: skip
        numbers = list(connection.execute(told.order_by(tellings.c.change_number)).scalars())
    if row["alarm_number"]:
        numbers.insert(0, row["alarm_number"])
    return Linked(
        notice_id, row["site"], row["route"], row["long"], from_ms(row["created_ms"]), tuple(dict.fromkeys(numbers)),
        from_ms_or_none(row["link_used_ms"]), row["link_used_by"],
    )  # fmt: skip


def mark_used(connection: Connection, used: Mapping[str, tuple[int, str]]) -> None:
    """Stores when [ms] and by whom links were used, within the transaction that acknowledges; the first use stays."""
    table = tables.notices
    for notice_id, (at_ms, by) in used.items():
        unused = table.c.link_used_ms.is_(None)
        values = {"link_used_ms": at_ms, "link_used_by": by}
        connection.execute(sa.update(table).where(table.c.id == notice_id, unused).values(values))
