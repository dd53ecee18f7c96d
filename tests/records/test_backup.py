"""A copy of the database is whole or not there, and writing goes on while it is made."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

import pytest

from monitor.errors import LinkError
from monitor.records import backup
from monitor.records.backup import copy
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database


@pytest.fixture(autouse=True)
def asked_often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backup, "STEPS_A_LOOK", 5)


@pytest.fixture
def filled(database: Database, make: Any) -> Database:
    point = make.farm(database, "north")["north"]
    commit(database, make.whole_batch(point))
    return database


def test_it_holds_all_of_one_moment_while_writing_goes_on(
    filled: Database, make: Any, contents: Any, tmp_path: Path
) -> None:
    before = contents(filled)
    asked: list[int] = []
    copy(tmp_path / "monitor.db", tmp_path / "first.db", lambda: asked.append(1) is None)
    half, wrote = len(asked) // 2, []

    def go_on() -> bool:
        asked.append(1)
        if len(asked) == 3 * half:
            commit(filled, Batch(readings=make.rows(1, 5000, 100)))  # the copy has begun, and does not hold this
            wrote.append(len(contents(filled)["readings"]))
        return True

    copy(tmp_path / "monitor.db", tmp_path / "copy.db", go_on)
    assert wrote == [120]
    assert stat.S_IMODE((tmp_path / "copy.db").stat().st_mode) == 0o600
    assert sorted(path.name for path in tmp_path.glob("copy*")) == ["copy.db"]
    opened = open_database(f"sqlite:///{tmp_path}/copy.db", create=False)
    try:
        assert contents(opened) == before
    finally:
        opened.close()


def test_one_that_is_ended_leaves_nothing(filled: Database, tmp_path: Path) -> None:
    asked = iter([True, True, False])
    with pytest.raises(LinkError, match="interrupted"):
        copy(tmp_path / "monitor.db", tmp_path / "copy.db", lambda: next(asked, False))
    assert list(tmp_path.glob("copy*")) == []


def test_a_damaged_copy_is_no_backup(filled: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = backup._vacuum

    def damaged(file: Path, part: Path, *rest: Any) -> None:
        whole(file, part, *rest)
        with part.open("r+b") as copied:
            for page in range(3, part.stat().st_size // 1024, 2):
                copied.seek(1024 * page)
                copied.write(os.urandom(300))

    monkeypatch.setattr(backup, "_vacuum", damaged)
    with pytest.raises(LinkError, match=r"the copy is damaged|could not be made: database disk image is malformed"):
        copy(tmp_path / "monitor.db", tmp_path / "copy.db")
    assert list(tmp_path.glob("copy*")) == []


def test_what_the_disk_says_is_told(filled: Database, tmp_path: Path) -> None:
    with pytest.raises(LinkError, match="could not be made: No such file or directory"):
        copy(tmp_path / "monitor.db", tmp_path / "away" / "copy.db")
