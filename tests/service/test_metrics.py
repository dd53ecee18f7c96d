"""`/metrics`: read by a strict reader of OpenMetrics, counting what really happened."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import httpx
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from monitor.errors import LinkError
from monitor.records import outbox
from monitor.records.database import Database
from monitor.service import worker as worker_module
from monitor.service.health import Health
from monitor.service.metrics import CountedOutbox, Metrics
from monitor.service.shell import Service
from tests.servers import until


def read(text: bytes) -> dict[str, dict[str, float]]:
    """Name of a sample -> value of its label (or "") -> figure."""
    found: dict[str, dict[str, float]] = {}
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            found.setdefault(sample.name, {})["".join(sample.labels.values())] = sample.value
    return {name.removeprefix("fan_amp_monitor_"): values for name, values in found.items()}


def told(bench: Any, tmp_path: Path) -> dict[str, dict[str, float]]:
    worker = bench.worker
    bench.link.words, bench.link.since, bench.link.last_message_age = "connected", 0.0, 3.0
    health = Health(bench.database, tmp_path, bench.link, worker, steady=lambda: bench.steady)
    health.look()
    return read(Metrics(worker.counts, {"delivered": 2}, health.told).text())


def test_what_is_stored_and_refused_is_counted(bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 100)
    bench.put("north", bench.reading(55))  # late
    bench.put("north", {"amps": "x"})
    bench.put("north", b"{")
    bench.pass_time(2.0, 0.5)
    figures = told(bench, tmp_path)
    assert figures["readings_total"] == {"fed": 11.0, "late": 1.0}
    assert sum(figures["rejected_total"].values()) == 2.0 and "not JSON" in str(figures["rejected_total"])
    assert figures["messages_total"] == {"": 14.0}
    commits = figures["commits_total"][""]
    assert commits > 5 and figures["commits_failed_total"] == {"": 0.0}
    assert figures["notice_tries_total"] == {"delivered": 2.0}
    assert figures["fans_registered"] == {"": 1.0} and figures["fans_running"] == {"": 1.0}
    assert figures["seconds_since_last_message"] == {"": 3.0} and figures["late"] == {"": 0.0}

    def refuse(*_: object) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    bench.put("north", bench.reading(110))
    bench.pass_time(3.0, 0.5)
    figures = told(bench, tmp_path)
    assert figures["commits_failed_total"][""] >= 2 and figures["commits_total"] == {"": commits}
    assert figures["readings_total"] == {"fed": 11.0, "late": 1.0}  # not before they are stored


def test_tries_are_counted_by_how_they_end(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox, "record_tries", lambda *_: None)
    counted = CountedOutbox()
    counted.record_tries(
        database, [outbox.Tried("a", 0, "delivered", "", delivered=True), outbox.Tried("b", 0, "gone", "", failed=True)]
    )
    counted.record_tries(database, [outbox.Tried("c", 0, "no answer", "", 5), outbox.Tried("d", 0, "no answer", "", 6)])
    assert dict(counted.tries) == {"delivered": 1, "failed": 1, "put off": 2}


def test_it_is_served_as_what_it_is(service: Service) -> None:
    service.start()
    until(lambda: service.worker.rounds > 1, what="the worker's turns")
    answer = httpx.get(f"{service.url}/metrics", timeout=10, trust_env=False)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    figures = read(answer.content)
    assert figures["worker_rounds_total"][""] >= 1 and figures["broker_connected"] == {"": 0.0}
    assert figures["disk_free_bytes"][""] >= 0
