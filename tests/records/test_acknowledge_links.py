"""Links to acknowledge: what we signed is known again, and nothing else."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.records import acknowledge_links as links
from monitor.records.database import Database, open_database

KEY = bytes(range(32))
ids = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=60)


def token(notice_id: str, key: bytes = KEY) -> str:
    """What stands behind `/a/`, as a server gets it."""
    link = links.link_for("https://farm.example", notice_id, key)
    return unquote(urlsplit(link).path.removeprefix(links.PATH))


@given(ids)
def test_a_link_leads_back_to_its_notice_and_is_the_same_each_time(notice_id: str) -> None:
    assert links.notice_of(token(notice_id), KEY) == notice_id
    assert token(notice_id) == token(notice_id)
    assert re.fullmatch(
        r"https://farm\.example/a/[A-Za-z0-9._~%-]+", links.link_for("https://farm.example/", notice_id, KEY)
    )


def test_a_usual_link_is_short_and_needs_no_quoting() -> None:
    link = links.link_for("https://farm.example", "0-1234-56789-farm-0", KEY)
    assert link.startswith("https://farm.example/a/0-1234-56789-farm-0.")
    assert len(link) <= 71 and "%" not in link
    assert len(link.rpartition(".")[2]) == links.SIGNATURE_LETTERS


def test_a_link_ends_in_what_phones_take_for_a_part_of_it() -> None:
    """Of a dash at the end they leave off, and of a stop behind it they take in."""
    for number in range(200):
        assert token(f"0-{number}-1-farm-0")[-1].isalnum()
        assert links.notice_of(token(f"0-{number}-1-farm-0") + ".", KEY) == f"0-{number}-1-farm-0"


@given(ids, st.integers(0, 10_000), st.characters(exclude_categories=["Cs"]))
def test_another_letter_anywhere_makes_it_none_of_ours(notice_id: str, place: int, letter: str) -> None:
    right = token(notice_id)
    place %= len(right)
    wrong = right[:place] + letter + right[place + 1 :]
    if wrong.rstrip(".,;:!?)>]'\"") != right:
        assert links.notice_of(wrong, KEY) is None


@pytest.mark.parametrize(
    "wrong",
    ["", ".", "0-17-42-farm-1", "0-17-42-farm-1.", ".aaaa", "a.b.c", "0-17-42-farm-1." + "A" * 27, "\x00", "ä.ü"],
)
def test_what_is_no_token_at_all_is_none_of_ours(wrong: str) -> None:
    assert links.notice_of(wrong, KEY) is None


def test_another_key_and_another_notice_have_another_signature() -> None:
    mine = token("0-17-42-farm-1")
    assert links.notice_of(mine, bytes(32)) is None
    assert links.notice_of("0-17-42-farm-2." + mine.rpartition(".")[2], KEY) is None


def test_no_shorter_signature_is_taken() -> None:
    """One that was cut to a byte could be guessed."""
    mine = token("0-17-42-farm-1")
    for letters in range(1, links.SIGNATURE_LETTERS):
        assert links.notice_of(mine[:-letters], KEY) is None


def test_the_signature_is_hmac_sha_256_cut_to_160_bits() -> None:
    """Worked out beside the code: RFC 2104, with the key that itsdangerous derives from ours and the salt."""
    derived = hmac.new(KEY, b"monitor.acknowledge-links.1", hashlib.sha256).digest()
    first = hmac.new(derived, b"0-17-42-farm-1", hashlib.sha256).digest()[:20]
    assert token("0-17-42-farm-1").rpartition(".")[2] == base64.urlsafe_b64encode(first).decode().rstrip("=")


def test_the_key_is_made_once_and_kept_with_the_records(database: Database, url: str, tmp_path: Path) -> None:
    made = links.key(database)
    assert len(made) == links.KEY_BYTES and made != bytes(32)
    assert links.key(database) == made
    second = open_database(url)
    assert links.key(second) == made
    second.close()
    with database.read() as connection:  # a backup
        connection.exec_driver_sql("ROLLBACK")
        connection.exec_driver_sql(f"VACUUM INTO '{tmp_path / 'backup.db'}'")
        connection.exec_driver_sql("BEGIN")
    restored = open_database(f"sqlite:///{tmp_path / 'backup.db'}")
    assert links.notice_of(token("0-1-1-farm-0", made), links.key(restored)) == "0-1-1-farm-0"
    restored.close()
    fresh = open_database(f"sqlite:///{tmp_path / 'fresh.db'}")
    assert links.key(fresh) != made
    fresh.close()


def test_the_bits_left_over_in_the_last_letter_make_no_second_link() -> None:
    mine = token("0-17-42-farm-1")
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    taken = [letter for letter in alphabet if links.notice_of(mine[:-1] + letter, KEY) is not None]
    assert taken == [mine[-1]]
