"""A backup a night: when one is due, what is kept, what is told; and a service goes on from one."""

from __future__ import annotations

import shutil
from collections import namedtuple
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor import settings
from monitor.records import tables
from monitor.records.database import open_database
from monitor.service.backup import AGAIN_SECONDS, LATE_SECONDS, Backup
from monitor.service.checkup import checkup
from monitor.service.shell import Service
from monitor.settings import BackupSettings
from tests.servers import free_port
from tests.service.conftest import NOW, Bench

Usage = namedtuple("Usage", "total used free")
CHICAGO = ZoneInfo("America/Chicago")


class Nights:
    """The backups of a database, the clock in the hands of the test."""

    def __init__(self, bench: Any, place: Path, **keys: Any) -> None:
        self.now = datetime(2026, 10, 4, 12, 0, tzinfo=CHICAGO)
        self.steady = 1000.0
        self.place = place
        self.backup = Backup(
            bench.database, place, BackupSettings(at="02:30", **keys), clock=lambda: self.now.timestamp(),
            steady=lambda: self.steady, zone=CHICAGO,
        )  # fmt: skip

    def turn(self, **later: float) -> bool:
        self.now = (self.now.astimezone(UTC) + timedelta(**later)).astimezone(CHICAGO)
        self.steady += timedelta(**later).total_seconds()
        return self.backup.turn()

    def names(self) -> list[str]:
        return sorted(path.name for path in self.place.iterdir())


@pytest.fixture
def place(tmp_path: Path) -> Path:
    there = tmp_path / "backups"
    there.mkdir()
    return there


@pytest.fixture
def nights(bench: Any, place: Path) -> Nights:
    bench.register("north")
    return Nights(bench, place, keep=2)


def test_one_a_night_by_the_local_clock_and_the_last_few_are_kept(nights: Nights) -> None:
    assert nights.turn()  # there was none: at once
    assert nights.names() == ["monitor-20261004T170000Z.db"]
    assert not nights.turn(hours=14, minutes=29)  # 02:29
    assert nights.turn(minutes=1)
    assert not nights.turn(minutes=1) and not nights.turn(hours=20)
    (nights.place / "photographs.zip").touch()
    assert nights.turn(hours=4)
    assert nights.names() == ["monitor-20261005T073000Z.db", "monitor-20261006T073100Z.db", "photographs.zip"]
    assert nights.backup.health() == {
        "directory": str(nights.place), "kept": 2, "running": False, "newest": "2026-10-06T07:31:00Z",
        "trouble": None, "late": None,
    }  # fmt: skip


def test_a_computer_that_was_off_at_the_hour_makes_it_later(bench: Any, place: Path, nights: Nights) -> None:
    nights.turn()
    again = Nights(bench, place)
    assert not again.turn(minutes=10)
    assert again.turn(hours=30)


def test_what_a_power_cut_left_is_cleared_away(nights: Nights) -> None:
    (nights.place / "monitor-20261004T073000Z.db.part").touch()
    (nights.place / "monitor-20261004T073000Z.db.part-journal").touch()
    nights.turn()
    assert nights.names() == ["monitor-20261004T170000Z.db"]


def test_a_directory_that_is_away_is_told_after_two_tries_and_made_by_nobody(nights: Nights) -> None:
    shutil.rmtree(nights.place)
    assert not nights.turn()
    assert nights.backup.late() is None
    assert not nights.turn(seconds=LATE_SECONDS)
    late = nights.backup.late()
    assert late is not None and late.newest_ms is None
    assert late.trouble == f"there is no directory {nights.place}: plug its disk in, or make it"
    assert not nights.place.exists()
    nights.place.mkdir()
    assert nights.turn(seconds=AGAIN_SECONDS)
    assert nights.backup.late() is None and nights.backup.health()["trouble"] is None


def test_none_is_made_where_it_has_no_room(nights: Nights, monkeypatch: pytest.MonkeyPatch) -> None:
    free = 200_000_000
    with monkeypatch.context() as patch:
        patch.setattr("monitor.service.backup.shutil.disk_usage", lambda path: Usage(10**10, 0, free))
        assert not nights.turn()
        assert nights.names() == []
        trouble = nights.backup.health()["trouble"]
        assert "200 MB are free there, of which 1,000 MB must stay free: make room, or keep fewer" in trouble
        free = 2_000_000_000
        assert not nights.turn(minutes=30)  # tried again each hour
        assert nights.turn(minutes=31)


def test_a_clock_that_was_ahead_does_not_end_the_backups(nights: Nights) -> None:
    (nights.place / "monitor-20350101T000000Z.db").touch()
    assert nights.turn()


def test_check_says_where_it_goes(tmp_path: Path, place: Path) -> None:
    def found(directory: Path) -> tuple[bool, str]:
        file = tmp_path / "check.toml"
        file.write_text(f'data = "{tmp_path}"\n[mqtt]\nport = {free_port()}\n[backup]\ndirectory = "{directory}"\n')
        (one,) = [one for one in checkup(settings.load(file)) if one.what == "backup"]
        return one.ok, one.words

    assert found(place) == (True, f"each night at 02:30 to {place}")
    assert found(tmp_path / "away")[0] is False


def test_a_service_goes_on_from_a_backup(bench: Bench, nights: Nights, tmp_path: Path) -> None:
    bench.begin().round()
    bench.send("north", 0.0, 300.0)
    bench.worker.stop()
    stored = bench.rows(tables.readings)
    assert nights.turn()
    bench.database.close()
    restored = tmp_path / "restored"
    restored.mkdir()
    shutil.copy(next(nights.place.iterdir()), restored / "monitor.db")
    file = tmp_path / "restored.toml"
    listen = f'[mqtt]\nport = {free_port()}\n[web]\nlisten = "127.0.0.1:{free_port()}"\n'
    file.write_text(f'data = "{restored}"\n{listen}')
    service = Service(settings.load(file), print_line=lambda line: None)
    service.stop()
    database = open_database(f"sqlite:///{restored}/monitor.db")
    again = Bench(bench.url, database, wall=NOW + timedelta(seconds=310))
    again.begin().round()
    again.send("north", 310.0, 400.0)
    numbers = [row["number"] for row in again.rows(tables.readings)]
    assert numbers == list(range(1, len(stored) + 11))
    assert again.rows(tables.readings)[: len(stored)] == stored
    database.close()
