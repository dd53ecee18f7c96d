"""Accounts for tests, with passwords that are cheap to hash, and browsers and programs that are signed in."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from datetime import datetime

import httpx
import pytest
from argon2 import PasswordHasher

from monitor.records import accounts, passwords, sessions
from monitor.records.database import Database
from monitor.records.scope import ALL, Sites
from monitor.web.door import COOKIE

PASSWORD = "a sentence of one's own"


@contextlib.contextmanager
def cheap_passwords() -> Iterator[None]:
    """Argon2 with next to no memory: what is tested is who is let in, not how long a hash takes."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(passwords, "_hasher", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
        passwords._nobodys.cache_clear()
        yield
    passwords._nobodys.cache_clear()


def account(database: Database, name: str, role: str, sites: Sites, now: datetime, password: str = PASSWORD) -> int:
    """An account."""
    return accounts.add(database, name, password, role, sites, by="test", now=now)


def everybody(database: Database, now: datetime) -> dict[str, int]:
    """Accounts of each role at the farm "meadow" and at "hill", one for all sites; name -> id."""
    made = {"boss": account(database, "boss", "manage", ALL, now)}
    for site in ("meadow", "hill"):
        for role in accounts.ROLES:
            name = f"{site}-{role}"
            made[name] = account(database, name, role, [site], now)
    return made


def signed_in(address: str, database: Database, number: int, now: datetime) -> httpx.Client:
    """A browser with a new session of an account."""
    return browser(address, sessions.begin(database, number, now))


def browser(address: str, session: str | None = None) -> httpx.Client:
    """A browser, which goes nowhere by itself."""
    cookies = {} if session is None else {COOKIE: session}
    return httpx.Client(base_url=address, timeout=60, trust_env=False, cookies=cookies)


def enter(client: httpx.Client, name: str = "boss", password: str = PASSWORD, **more: str) -> httpx.Response:
    return client.post("/sign-in", data={"name": name, "password": password, **more})


def cookie_of(answer: httpx.Response) -> str:
    return answer.headers["set-cookie"]
