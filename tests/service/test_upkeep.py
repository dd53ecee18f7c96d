"""The disk nearly full, a backup that is late, nothing stored: told once each, and once when it is over. With a
database that is truly full."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
import sqlalchemy as sa

from monitor.alarms.notice import Notice
from monitor.alarms.upkeep_notices import Disk
from monitor.errors import LinkError
from monitor.records import tables
from monitor.records.database import Database
from monitor.service.cannot_store import CannotStore
from monitor.service.delivery import Address
from monitor.service.upkeep import Facts, Late
from tests.servers import until
from tests.service.conftest import ROUTES

DISK = Disk("/var/lib/monitor", 0.5, 5_000_000_000)


class Computer:
    """What the worker is told of it."""

    def __init__(self) -> None:
        self.facts = Facts(DISK)

    def __call__(self) -> Facts:
        return self.facts

    def free(self, percent: float, why: str | None = None) -> None:
        self.facts = replace(self.facts, disk=replace(DISK, free_share=percent / 100.0, why_no_room=why))


@pytest.fixture
def computer() -> Computer:
    return Computer()


@pytest.fixture
def farm(bench: Any, computer: Computer) -> Any:
    bench.register("north")
    bench.begin(upkeep=computer).round()
    return bench


def told(bench: Any, kind: str) -> list[dict[str, Any]]:
    rows = [row for row in bench.rows(tables.notices) if row["kind"] == kind]
    return sorted(rows, key=lambda row: row["created_ms"])


def test_a_disk_that_fills_is_told_once_and_that_there_is_room_again(farm: Any, computer: Computer) -> None:
    computer.free(10.1)
    farm.pass_time(200.0)
    computer.free(9.9)
    farm.pass_time(50.0)
    computer.free(10.5)  # a file that came and went
    farm.pass_time(10.0)
    computer.free(9.9, "only the last 45 days are kept already")
    farm.pass_time(55.0)
    assert told(farm, "disk-nearly-full") == []
    farm.pass_time(15.0)
    (notice,) = told(farm, "disk-nearly-full")
    assert (notice["route"], notice["priority"], notice["rings"], notice["site"]) == ("farm", "high", False, "home")
    assert "9.9 % free" in notice["subject"] and "Only the last 45 days are kept already." in notice["long"]
    computer.free(11.0)
    farm.pass_time(300.0)
    farm.begin(upkeep=computer).round()  # a restart tells nothing twice
    farm.pass_time(300.0)
    assert len(told(farm, "disk-nearly-full")) == 1
    computer.free(12.5)
    farm.pass_time(100.0)
    begun, over = told(farm, "disk-nearly-full")
    assert over["id"] != begun["id"] and "has room again: 12.5 % free" in over["subject"]
    assert json.loads(over["data"])["back"] is not None
    farm.begin(upkeep=computer).round()
    farm.pass_time(300.0)
    assert len(told(farm, "disk-nearly-full")) == 2


def test_a_backup_that_is_late_is_told_once_and_that_one_is_there(farm: Any, computer: Computer) -> None:
    computer.facts = replace(computer.facts, backup=Late("there is no directory /media/stick", None))
    farm.pass_time(4000.0, 20.0)
    (notice,) = told(farm, "backup-late")
    assert "there is no directory /media/stick" in notice["short"] and "Newest: none." in notice["short"]
    computer.facts = replace(computer.facts, backup=None)
    farm.pass_time(100.0)
    assert told(farm, "backup-late")[1]["subject"] == "The fan monitor's backups are made again"


def test_without_a_fan_nobody_is_told(bench: Any, computer: Computer) -> None:
    bench.begin(upkeep=computer).round()
    computer.free(1.0)
    bench.pass_time(200.0)
    assert told(bench, "disk-nearly-full") == []
    bench.register("north")
    bench.pass_time(100.0)
    assert len(told(bench, "disk-nearly-full")) == 1


# --- nothing can be stored -----------------------------------------------------------------------------------------


@contextmanager
def full(database: Database) -> Iterator[None]:
    """The file may not grow: SQLite itself says SQLITE_FULL."""

    def cap(connection: Any) -> None:
        connection.exec_driver_sql("PRAGMA max_page_count = 1")  # it takes what it has as the least

    def lift(connection: Any) -> None:
        connection.exec_driver_sql("PRAGMA max_page_count = 1073741823")

    sa.event.listen(database.engine, "begin", cap)
    try:
        yield
    finally:
        sa.event.remove(database.engine, "begin", cap)
        sa.event.listen(database.engine, "begin", lift)


class Sent:
    """Takes notices in place of the senders; refuses those to addresses that are away."""

    def __init__(self) -> None:
        self.notices: list[tuple[str, Notice]] = []
        self.away: set[str] = set()
        self.tries = 0

    def __call__(self, address: str, notice: Notice, **_: Any) -> None:
        self.tries += 1
        if address in self.away:
            raise LinkError("no answer: away")
        self.notices.append((address, notice))

    def settled(self) -> None:
        """All tries begun are over."""
        until(lambda: not [one for one in threading.enumerate() if one.name.startswith("cannot-store ")])


@pytest.fixture
def sent() -> Sent:
    return Sent()


@pytest.fixture
def watch(farm: Any, computer: Computer, sent: Sent) -> CannotStore:
    routes = (*ROUTES, replace(ROUTES[0], name="low", priorities=("low",)))
    addresses = {("farm", 0): Address("terminal:"), ("farm", 1): Address("mailto://x"), ("low", 0): Address("no")}
    watch = CannotStore(
        farm.worker, routes, addresses, clock=lambda: farm.wall.timestamp(), steady=lambda: farm.steady, send=sent
    )
    computer.watch = watch  # type: ignore[attr-defined]
    return watch


def look(farm: Any, computer: Computer, watch: CannotStore, sent: Sent, seconds: float) -> None:
    for _ in range(int(seconds / 5.0)):
        farm.pass_time(5.0)
        watch.look()
        sent.settled()
        computer.facts = replace(computer.facts, outage=watch.outage)


def test_a_full_disk_is_told_from_memory_and_no_reading_is_lost(
    farm: Any, computer: Computer, watch: CannotStore, sent: Sent
) -> None:
    farm.send("north", 0.0, 60.0)
    acked = len(farm.link.acked)
    sent.away = {"mailto://x"}
    with full(farm.database):
        second = 60.0
        while farm.worker.trouble is None:  # until the last free page is taken
            second += 10.0
            farm.send("north", second, second)
            assert second < 100_000.0
        assert "disk is full" in farm.worker.trouble
        stored = len(farm.rows(tables.readings))
        look(farm, computer, watch, sent, 50.0)
        assert sent.notices == []
        look(farm, computer, watch, sent, 30.0)
        ((address, notice),) = sent.notices
        assert address == "terminal:" and (notice.priority, notice.rings) == ("high", True)
        assert (
            notice.kind == "cannot-store" and notice.id.startswith("0-cannot-store-") and notice.id.endswith("farm-0")
        )
        assert "DISK IS FULL" in notice.short and "1 fan NOT WATCHED" in notice.short and len(notice.short) <= 300
        sent.away = set()
        look(farm, computer, watch, sent, 60.0)
        assert [address for address, _ in sent.notices] == ["terminal:", "mailto://x"]  # each once, nobody else
        tries = sent.tries
        look(farm, computer, watch, sent, 600.0)
        assert sent.tries == tries and told(farm, "cannot-store") == []
        assert len(farm.rows(tables.readings)) == stored
    look(farm, computer, watch, sent, 20.0)
    assert farm.worker.trouble is None and len(farm.rows(tables.readings)) > stored
    assert len(farm.link.acked) > acked
    times = [row["t_ms"] for row in farm.rows(tables.readings)]
    assert sorted(times) == list(range(min(times), max(times) + 1, 10_000))
    (over,) = told(farm, "cannot-store")
    assert over["id"].endswith("-back-farm-0") and "stores again" in over["subject"]
    look(farm, computer, watch, sent, 300.0)
    assert len(told(farm, "cannot-store")) == 1 and sent.tries == tries


def test_a_database_that_is_busy_for_a_moment_is_told_to_nobody(
    farm: Any, computer: Computer, watch: CannotStore, sent: Sent
) -> None:
    farm.send("north", 0.0, 60.0)
    farm.worker.trouble = "the database is busy"
    look(farm, computer, watch, sent, 0.0)
    farm.worker.trouble = None
    look(farm, computer, watch, sent, 120.0)
    assert sent.tries == 0 and told(farm, "cannot-store") == []
