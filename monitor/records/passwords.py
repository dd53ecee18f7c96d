"""Passwords: hashed with Argon2id (RFC 9106), made up for people where they do not choose one.

19 MiB, 2 passes, 1 lane: the first of the settings in OWASP's Password Storage Cheat Sheet, so that a small farm
computer has the memory; RFC 9106's own second choice (64 MiB, 3 passes) took eight times as long. One hash at a time is
worked out in a process, whoever asks.
"""

from __future__ import annotations

import secrets
import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from monitor.errors import Fault

MEMORY_KIB, PASSES, LANES = 19_456, 2, 1
LEAST, MOST = 12, 200
"""Letters of a password. NIST SP 800-63B-3 asks for 8 and more; nothing but these figures guards a farm's pages."""
LEAST_DIFFERENT = 5
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"
"""None that is mistaken for another on paper."""

_hasher = PasswordHasher(time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES)
_one_at_a_time = threading.Lock()


def _same(password: str) -> str:
    """Keyboards write one letter in two ways (NIST SP 800-63B-3, 5.1.1.2: NFKC before hashing)."""
    return unicodedata.normalize("NFKC", password)


def hashed(password: str) -> str:
    """What is stored of a password."""
    with _one_at_a_time:
        return _hasher.hash(_same(password).encode("utf-8", "replace"))


def fits(password: str, stored: str | None) -> bool:
    """Whether a password is the stored one. Without one (nobody has that name) as much is worked out, and False."""
    other = _nobodys()
    with _one_at_a_time:
        try:
            right = _hasher.verify(other if stored is None else stored, _same(password).encode("utf-8", "replace"))
        except (VerificationError, InvalidHashError):
            return False
    return right and stored is not None


def is_outdated(stored: str) -> bool:
    """Whether it was hashed with other settings than today's."""
    return _hasher.check_needs_rehash(stored)


@cache
def _nobodys() -> str:
    return _hasher.hash(secrets.token_bytes(32))


def made_up() -> str:
    """A password to be written down: 79 random bits."""
    return "-".join("".join(secrets.choice(_LETTERS) for _ in range(4)) for _ in range(4))


def faults_of(password: str, name: str, place: str = "password") -> list[Fault]:
    """What is wrong with a password that somebody chose; it is never repeated in words."""
    if not LEAST <= len(password) <= MOST:
        return [Fault(place, f"{LEAST} to {MOST} letters, a short sentence will do", f"{len(password)}")]
    if len(set(password.casefold())) < LEAST_DIFFERENT:
        return [Fault(place, f"{LEAST_DIFFERENT} different letters or more", f"{len(set(password.casefold()))}")]
    if name.casefold() and password.casefold().replace(name.casefold(), "") == "":
        return [Fault(place, "something else than the name", "the name")]
    return []
