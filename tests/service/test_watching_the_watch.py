"""In a whole worker: what is told of the watch itself goes through the routes, stored with what it leaves behind."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import LinkError
from monitor.records import tables
from monitor.records.start import load
from monitor.service import worker as worker_module
from monitor.service.downtime import ALIVE


def told(bench: Any, kind: str) -> list[dict[str, Any]]:
    return [row for row in bench.rows(tables.notices) if row["kind"] == kind]


def sign(bench: Any) -> dict[str, Any]:
    return dict(json.loads(load(bench.database).cursors[ALIVE]))


def later(bench: Any, **time: float) -> None:
    """The computer was off, or nothing ran."""
    bench.wall += timedelta(**time)
    bench.steady += 1.0


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 300)
    return bench


def test_a_kill_and_a_start_hours_later_is_told_once(farm: Any) -> None:
    assert sign(farm)["stopped"] is False
    later(farm, hours=3)
    farm.begin().round()
    farm.pass_time(100.0)
    (notice,) = told(farm, "service-was-down")
    assert (notice["route"], notice["site"], notice["rings"], notice["priority"]) == ("farm", "home", False, "high")
    assert notice["id"].startswith("0-service-was-down-") and "not watched" in notice["subject"]
    data = json.loads(notice["data"])
    assert 10_700 < data["seconds"] < 10_860 and data["broker_keeps"] is True
    for _ in range(2):  # short restarts after it are no news
        later(farm, minutes=2)
        farm.begin().round()
        farm.pass_time(100.0)
    assert len(told(farm, "service-was-down")) == 1


def test_a_kill_before_it_is_told_loses_nothing(farm: Any) -> None:
    later(farm, hours=3)
    for _ in range(3):
        farm.begin().round()
        farm.pass_time(50.0)
    assert told(farm, "service-was-down") == []
    farm.begin().round()
    farm.pass_time(100.0)
    (notice,) = told(farm, "service-was-down")
    assert json.loads(notice["data"])["seconds"] > 10_700


def test_a_stop_in_order_is_told_in_those_words(farm: Any) -> None:
    farm.worker.stop()
    assert sign(farm)["stopped"] is True
    later(farm, hours=3)
    farm.begin().round()
    farm.pass_time(100.0)
    (notice,) = told(farm, "service-was-down")
    assert json.loads(notice["data"])["why"] == "it was stopped in order and started again"
    assert sign(farm)["stopped"] is False


def test_the_sign_and_the_notice_are_stored_together(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    before = sign(farm)
    later(farm, hours=3)
    real = worker_module.commit

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    farm.begin().round()
    farm.pass_time(100.0)
    assert sign(farm) == before and told(farm, "service-was-down") == []
    monkeypatch.setattr(worker_module, "commit", real)
    farm.pass_time(10.0)
    assert sign(farm)["at_ms"] > before["at_ms"] + 10_000_000
    assert len(told(farm, "service-was-down")) == 1


def test_an_idle_service_writes_one_sign_a_minute(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    farm.pass_time(60.0)
    batches: list[Any] = []
    real = worker_module.commit

    def counted(database: Any, batch: Any) -> None:
        batches.append(batch)
        real(database, batch)

    monkeypatch.setattr(worker_module, "commit", counted)
    farm.pass_time(300.0, 0.5)
    signs = [batch for batch in batches if ALIVE in batch.cursors]
    assert 4 <= len(signs) <= 6
    assert len(batches) <= len(signs) + 1  # and the state of the watch, once in five minutes


def test_the_broker_away_is_told_and_no_logger_is_overdue_meanwhile(farm: Any) -> None:
    farm.link.connected, farm.link.words = False, "no broker answers at 127.0.0.1:1883: Connection refused. Start it."
    farm.pass_time(290.0)
    assert told(farm, "broker-away") == []
    farm.pass_time(3600.0)
    (away,) = told(farm, "broker-away")
    assert (away["rings"], away["priority"], away["site"]) == (True, "high", "home")
    assert json.loads(away["data"])["error"].endswith("Connection refused")
    assert farm.raised("logger-overdue") == []
    farm.begin().round()  # a restart in between tells nothing again
    farm.pass_time(600.0)
    assert len(told(farm, "broker-away")) == 1
    for _ in range(40):  # it comes and goes: never for a minute
        farm.link.connected = True
        farm.pass_time(40.0)
        farm.link.connected = False
        farm.pass_time(20.0)
    assert len(told(farm, "broker-away")) == 1 and farm.raised("logger-overdue") == []
    farm.link.connected = True
    farm.pass_time(120.0)
    _, back = sorted(told(farm, "broker-away"), key=lambda row: row["created_ms"])
    assert back["rings"] is False and back["id"].endswith("-back-farm-0")
    farm.pass_time(900.0)
    assert len(farm.raised("logger-overdue")) == 1  # from now on its silence is its own
