"""`/healthz` of a whole service: at once, whatever hangs; late with what must be acted on, and not before."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa

from monitor.records import look_notices, outbox, tables
from monitor.records.database import Database
from monitor.records.scope import ALL
from monitor.records.undelivered import Undelivered, undelivered
from monitor.service import health as health_module
from monitor.service.health import Health, worker_is_late
from monitor.service.shell import Service
from monitor.service.worker import Watched
from tests.servers import PATIENCE_SECONDS, until

NOW_MS = 1_791_000_000_000
HOUR_MS = 3_600_000


class FakeWorker:
    """What health reads of a worker."""

    def __init__(self) -> None:
        self.rounds = 7
        self.went_round = self.all_stored = self.last_commit = 1000.0
        self.trouble: str | None = None
        self.watched = Watched(3, 2, 1)


class FakeLink:
    def __init__(self) -> None:
        self.words, self.connected, self.since, self.generation = "connected to the broker at x", True, 900.0, 1
        self.inbox: list[object] = []
        self.last_message_age: float | None = 4.0


class Made:
    """A `Health` whose time and parts are in the hands of the test."""

    def __init__(self, database: Database, data: Path) -> None:
        self.now = 1000.0
        self.wall = NOW_MS / 1000.0
        self.worker, self.link = FakeWorker(), FakeLink()
        self.threads: dict[str, bool] = {"worker": True}
        self.waits = False
        self.archive: dict[str, Any] = {"behind_seconds": 3.0}
        self.health = Health(
            database, data, self.link, self.worker, threads=lambda: self.threads, waits_for_clock=lambda: self.waits,
            archive=lambda: self.archive, heartbeat=lambda: {"called": 1}, clock=lambda: self.wall,
            steady=lambda: self.now,
        )  # fmt: skip

    def pass_time(self, seconds: float) -> None:
        """The worker goes on, and the looks at the outbox."""
        self.now += seconds
        self.wall += seconds
        self.worker.went_round = self.worker.all_stored = self.now
        self.health.look()

    def late(self) -> list[str]:
        return list(self.health.told()["late"])


@pytest.fixture
def made(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Made:
    monkeypatch.setattr(health_module, "LEAST_FREE_SHARE", 0.0)  # what the disk of this computer says is tested apart
    return Made(database, tmp_path)


def put(
    database: Database, number: int, state: str, made_ms: int, route: str = "farm", told_ms: int | None = None
) -> None:
    row = {
        "id": f"n{number}", "partition": 0, "site": "home", "alarm_number": 1, "change_number": 1, "route": route,
        "address_index": 0, "kind": "raised", "priority": "high", "rings": True, "subject": "", "short": "", "long": "",
        "data": "{}", "created_ms": made_ms, "due_ms": told_ms or made_ms, "state": state, "tries": 1,
        "delivered_ms": told_ms if state == "delivered" else None,
    }  # fmt: skip
    if "group_id" in tables.notices.c:
        row["group_id"] = f"g{number}"
    with database.begin() as connection:
        connection.execute(sa.insert(tables.notices).values(row))


# --- what is late --------------------------------------------------------------------------------------------------


def test_a_service_that_is_well_says_so_in_figures(made: Made) -> None:
    made.health.look()
    told = made.health.told()
    assert told["late"] == []
    assert told["broker"] == "connected to the broker at x" and told["broker_connected"] is True
    assert (told["broker_away_seconds"], told["seconds_since_last_message"], told["messages_waiting"]) == (None, 4.0, 0)
    assert told["fans"] == {"registered": 3, "running": 2, "running_and_silent": 1}
    assert told["notices"] == {"waiting": 0, "oldest_seconds": None, "failed_24_h": {}}
    assert told["worker"] == {"rounds": 7, "seconds_since_round": 0.0}
    assert told["commit"] == {"seconds_unstored": 0.0, "trouble": None}
    assert told["archive"] == {"behind_seconds": 3.0} and told["heartbeat"] == {"called": 1}
    assert told["database"] == "answers" and told["threads"] == {"worker": True}
    assert told["disk"]["free_bytes"] > 0 and 0.0 < told["disk"]["free_share"] < 1.0
    assert told["disk"].keys() == {"free_bytes", "free_share", "reusable_bytes", "why_no_room"}
    assert told["clock"] == {"now": "2026-10-03T04:00:00Z", "waits": False}
    assert made.health.words() == "3 fans, 2 running; connected to the broker at x"


def gone(made: Made) -> None:
    made.link.connected, made.link.words, made.link.since = False, "no broker answers", made.now


def hangs(made: Made, seconds: float) -> None:
    made.now += seconds
    made.health.look()


def behind(made: Made, seconds: float, late: str | None = None) -> None:
    made.archive |= {"behind_seconds": seconds, "trouble": late, "late": late}
    made.health.look()


Change = Callable[[Made], None]
LATE: list[tuple[Change, Change, str]] = [
    # what happens and is not late yet, what makes it late, the words of that
    (gone, lambda made: made.pass_time(301.0), "broker: away for 5 min: no broker answers"),
    (lambda made: hangs(made, 60.0), lambda made: hangs(made, 1.0), "worker: it has not gone round for 61 s"),
    (
        lambda made: (setattr(made.worker, "rounds", 0), made.pass_time(60.0)),
        lambda made: made.pass_time(1.0),
        "worker: it has not begun for 61 s",
    ),
    (
        lambda made: setattr(made.worker, "watched", Watched(3, 2, 1)),
        lambda made: setattr(made.worker, "watched", Watched(3, 2, 2)),
        "readings: nothing is heard of 2 running fans",
    ),
    (
        lambda made: setattr(made.worker, "watched", Watched(3, 0, 0)),
        lambda made: setattr(made, "waits", True),
        "clock: it is behind what is stored, or was never set",
    ),
    (
        lambda made: setattr(made, "wall", 1_770_000_000.0),
        lambda made: setattr(made, "wall", 1_000_000_000.0),
        "clock: it is behind",
    ),
    (
        lambda made: made.threads.update(mqtt=True),
        lambda made: made.threads.update(mqtt=False),
        "mqtt: its thread has ended",
    ),
    (
        lambda made: behind(made, 9e6),  # a log of the last season is imported
        lambda made: behind(made, 9e6, "nothing could be copied for 60 min: no connection"),
        "archive: nothing could be copied for 60 min: no connection",
    ),
    (
        lambda made: (behind(made, 21_700.0), made.pass_time(21_600.0)),
        lambda made: made.pass_time(1.0),
        "archive: 6.0 h behind: it is too slow",
    ),
]


@pytest.mark.parametrize(("first", "then", "words"), LATE)
def test_late_begins_at_its_threshold(made: Made, first: Change, then: Change, words: str) -> None:
    made.health.look()
    first(made)
    assert made.late() == []
    then(made)
    (said,) = made.late()
    assert said.startswith(words)
    assert made.health.words() == said


def test_what_cannot_be_stored_is_told_with_its_reason() -> None:
    worker = FakeWorker()
    worker.went_round, worker.trouble = 1060.0, "the database is busy."
    assert worker_is_late(worker, 1060.0) is None
    worker.went_round = 1061.0
    assert worker_is_late(worker, 1061.0) == "commit: nothing could be stored for 61 s: the database is busy."


def test_the_disk_is_told_of(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    made.health.look()
    share = made.health.told()["disk"]["free_share"]
    monkeypatch.setattr(health_module, "LEAST_FREE_SHARE", share - 0.001)
    assert made.late() == []
    monkeypatch.setattr(health_module, "LEAST_FREE_SHARE", share + 0.001)
    assert made.late()[0].startswith("disk: ")


def test_why_no_room_can_be_made_and_why_no_backup_was(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    made.health._why_no_room = lambda: "the copy to x does not hold them yet"
    made.health._backup = lambda: {"late": None, "kept": 3}
    made.health.look()
    assert made.late() == [] and made.health.told()["backup"] == {"late": None, "kept": 3}
    made.health._backup = lambda: {"late": "there is no directory /b"}
    monkeypatch.setattr(health_module, "LEAST_FREE_SHARE", 1.1)
    disk, backup = made.late()
    assert disk.endswith(" % free: the copy to x does not hold them yet")
    assert backup == "backup: there is no directory /b"


def test_a_notice_that_waits_for_long_and_a_route_that_reaches_nobody(made: Made, database: Database) -> None:
    put(database, 1, "waiting", NOW_MS - 899_000)
    put(database, 2, "waiting", NOW_MS)
    made.health.look()
    assert made.health.told()["notices"] == {"waiting": 2, "oldest_seconds": 899.0, "failed_24_h": {}}
    assert made.late() == []
    made.pass_time(2.0)
    assert made.late() == ["notices: 2 not delivered, the oldest for 15 min"]
    with database.begin() as connection:
        connection.execute(sa.update(tables.notices).values(state="delivered", delivered_ms=NOW_MS))
    put(database, 3, "failed", NOW_MS, "desk", NOW_MS + 1)
    put(database, 4, "failed", NOW_MS, "farm", NOW_MS - 1)  # and reached since
    made.pass_time(2.0)
    assert made.health.told()["notices"]["failed_24_h"] == {"desk": 1, "farm": 1}
    assert made.late() == ["notices: nobody is reached by route desk"]
    put(database, 5, "delivered", NOW_MS, "desk", NOW_MS + 3000)
    made.pass_time(2.0)
    assert made.late() == []


def test_what_waits_for_the_end_of_quiet_hours_is_not_late(made: Made, database: Database) -> None:
    """Each night with a notice put off until the morning, `/healthz` was late from a quarter of an hour on."""
    put(database, 1, "waiting", NOW_MS, told_ms=NOW_MS + 8 * HOUR_MS)
    with database.begin() as connection:
        connection.execute(sa.update(tables.notices).values(tries=0))
    made.pass_time(7.9 * 3600)
    assert made.late() == []
    assert made.health.told()["notices"] == {"waiting": 1, "oldest_seconds": None, "failed_24_h": {}}
    made.pass_time(0.1 * 3600 + 899.0)
    assert made.late() == [] and made.health.told()["notices"]["oldest_seconds"] == 899.0
    outbox.record_try(database, "n1", NOW_MS + 8 * HOUR_MS, "refused", "", NOW_MS + 9 * HOUR_MS)
    made.pass_time(2.0)
    assert made.late() == ["notices: 1 not delivered, the oldest for 15 min"]
    with database.begin() as connection:
        connection.execute(sa.update(tables.notices).values(rings=False))
    outbox.put_off(database, {"n1": NOW_MS + 12 * HOUR_MS})  # quiet hours began before it was delivered
    made.pass_time(3 * 3600.0)
    assert made.late() == []


def test_failures_of_yesterday_are_forgotten(database: Database) -> None:
    put(database, 1, "failed", NOW_MS - 25 * HOUR_MS, told_ms=NOW_MS - 24 * HOUR_MS)
    assert undelivered(database, NOW_MS) == Undelivered(0, None, {}, ())
    assert undelivered(database, NOW_MS - 1) == Undelivered(0, None, {"farm": 1}, ("farm",))


def test_a_failure_that_a_wrong_clock_put_years_ahead_is_not_told_for_years(database: Database) -> None:
    put(database, 1, "failed", NOW_MS + 40_000 * HOUR_MS)
    put(database, 2, "delivered", NOW_MS, told_ms=NOW_MS)
    assert undelivered(database, NOW_MS) == Undelivered(0, None, {}, ())
    state = look_notices.addresses(database, ALL, datetime.fromtimestamp(NOW_MS / 1000, UTC))["farm", 0]
    assert not state.in_trouble


# --- over HTTP, with what hangs ------------------------------------------------------------------------------------


def asked(service: Service) -> tuple[int, Mapping[str, Any]]:
    """Asks as a supervisor does; the answer must come while what hangs hangs on."""
    answer = httpx.get(f"{service.url}/healthz", timeout=PATIENCE_SECONDS, trust_env=False)
    return answer.status_code, answer.json()


def test_it_answers_while_the_worker_hangs(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    service.start()
    until(lambda: service.worker.rounds > 1, what="the worker's turns")
    status, told = asked(service)
    assert (status, told["status"], told["late"]) == (200, "ok", [])
    assert told["threads"] == {"worker": True, "mqtt": True, "delivery": True, "cannot-store": True}
    freed = threading.Event()
    monkeypatch.setattr(service.worker, "round", lambda: freed.wait(300))
    monkeypatch.setattr(health_module, "ROUND_LATE_SECONDS", 0.5)
    try:
        until(lambda: asked(service)[0] == 503, what="a word of it")
        status, told = asked(service)
        assert (status, told["status"]) == (503, "late")
        assert told["late"][0].startswith("worker: it has not gone round for ")
        assert told["threads"]["worker"] is True  # it lives, and hangs
    finally:
        freed.set()


def test_it_answers_while_the_database_is_locked(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(health_module, "STORE_LATE_SECONDS", 0.5)
    monkeypatch.setattr(health_module, "ROUND_LATE_SECONDS", 0.5)
    service.start()
    until(lambda: service.worker.rounds > 1, what="the worker's turns")
    holder = sqlite3.connect(tmp_path / "data" / "monitor.db", isolation_level=None)
    try:
        holder.execute("BEGIN IMMEDIATE")
        service.worker._pending.cursors["something"] = "to store"
        until(lambda: (asked(service)[1]["commit"]["seconds_unstored"] or 0.0) > 0.5, what="a late commit")
        status, told = asked(service)
        assert status == 503
        assert told["late"][0].startswith(("worker: ", "commit: "))  # the turn itself waits for the lock
        assert told["commit"]["seconds_unstored"] > 0.5
        assert told["database"] == "answers"  # readers do not wait
    finally:
        holder.rollback()
        holder.close()
    until(lambda: asked(service)[0] == 200, what="its recovery")


def test_a_database_that_hangs_for_readers_is_told_of(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    freed = threading.Event()

    def hang(*_: object) -> Undelivered:
        freed.wait(300)
        return Undelivered()

    monkeypatch.setattr(health_module, "undelivered", hang)
    monkeypatch.setattr(health_module, "LOOK_LATE_SECONDS", 0.3)
    monkeypatch.setattr(health_module, "LOOK_SECONDS", 0.1)
    service.start()
    try:
        until(lambda: asked(service)[0] == 503, what="a word of it")
        told = asked(service)[1]
        assert told["database"].startswith("has not answered for ")
    finally:
        freed.set()
    until(lambda: asked(service)[0] == 200, what="its recovery")
    assert datetime.fromisoformat(asked(service)[1]["clock"]["now"]).tzinfo == UTC
