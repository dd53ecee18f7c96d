"""Who asks: the account behind a request, its sites, and what it may do.

The door (`web.door`) finds out and says it here, once for each request; pages, API and templates ask `current()`. It is
a context variable, so that whatever is written about an action names the right account, however far down it is
written. Where nobody said who asks, it is somebody who may see nothing.
"""

from __future__ import annotations

import hashlib
from contextvars import ContextVar
from dataclasses import dataclass

from monitor.records.accounts import ATTEND, LOOK, MANAGE, ROLES, Account
from monitor.records.scope import ALL, Sites
from monitor.records.sessions import Found

__all__ = ["ATTEND", "LOOK", "MANAGE", "NOBODY", "Reader", "at_this_computer", "current", "let_in", "reader_of"]


@dataclass(frozen=True)
class Reader:
    """Whoever asks."""

    account: Account | None
    """None: nobody, or this computer as long as there are no accounts."""
    sites: Sites
    role: str | None
    """One of ROLES; None: may do nothing."""
    shown: tuple[str, str] | None = None
    """Session or token, and its SHA-256."""

    def may(self, role: str) -> bool:
        """Whether the reader may do what a role may."""
        return self.role is not None and ROLES.index(self.role) >= ROLES.index(role)

    @property
    def name(self) -> str:
        """Of the account; empty without one."""
        return "" if self.account is None else self.account.name

    @property
    def without_accounts(self) -> bool:
        """Whether it is this computer, as long as there are no accounts."""
        return self.account is None and self.role is not None

    def sees_as(self, other: Reader) -> bool:
        """Whether both may see and do the same."""
        return (self.number, self.sites, self.role) == (other.number, other.sites, other.role)

    @property
    def mark(self) -> str:
        """Stands for who sees what: another account, other sites or another role have another."""
        sites = "all" if self.sites is ALL else sorted(self.sites)
        return hashlib.sha256(repr((self.number, sites, self.role)).encode()).hexdigest()[:16]

    @property
    def number(self) -> int | None:
        """Id of the account."""
        return None if self.account is None else self.account.id


NOBODY = Reader(None, (), None)
"""Has shown nothing; may ask what is open to all."""

_CURRENT: ContextVar[Reader] = ContextVar("reader", default=NOBODY)


def at_this_computer(sites: Sites = ALL) -> Reader:
    """Whoever sits at this computer, as long as there are no accounts."""
    return Reader(None, sites if sites is ALL else frozenset(sites), MANAGE)


def reader_of(found: Found) -> Reader:
    """Whoever shows a session or token."""
    account = found.account
    return Reader(account, account.sites, account.role, (found.kind, found.id_hash))


def current() -> Reader:
    """Who asks now."""
    return _CURRENT.get()


def let_in(reader: Reader) -> None:
    """Says who asks, for what this request does from here on."""
    _CURRENT.set(reader)
