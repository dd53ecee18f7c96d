"""Whatever a sender sends: it is in `rejected` with its reason, or known as a repeat, and the service runs on."""

from __future__ import annotations

import json
import time
from typing import Any

import pytest

from tests.servers import Mosquitto, Publisher, Running, until

pytestmark = pytest.mark.broker

TOPIC = "amps/v1/home/bin-1/readings"
AMPS = [12.2, 12.9, 12.6]


def reading(t: float, **more: Any) -> bytes:
    return json.dumps({"t": t, "amps": AMPS, **more}).encode()


def rejected(service: Running) -> dict[str, int]:
    """Reason -> how often, over all loggers and topics."""
    counts: dict[str, int] = {}
    for logger in service.get("/api/v1/loggers")["items"]:
        for one in logger["rejected"]:
            counts[one["reason"]] = counts.get(one["reason"], 0) + one["count"]
    return counts


def logger_of(service: Running, fan: str) -> dict[str, Any]:
    found = [one for one in service.get("/api/v1/loggers")["items"] if one["name"] == fan]
    return dict(found[0]) if found else {}


def test_bad_input_is_told_with_its_reason_and_the_service_runs_on(broker: Mosquitto, service: Running) -> None:
    service.register("bin-1")
    service.start()
    with Publisher(broker.port) as publisher:
        _send_it_all(service, publisher)
    assert service.stop() == 0
    assert "Traceback" not in service.log()


def _send_it_all(service: Running, publisher: Publisher) -> None:
    now = float(int(time.time()))
    cases: list[tuple[str, str, bytes]] = [
        ("not JSON", TOPIC, b"\xff\xfe\x00not anything"),
        ("not JSON", TOPIC, b'{"t": 1760000000, "amps": [1,2,3]'),
        ("wrong type", TOPIC, b'{"t": 1760000000, "amps": "12.2"}'),
        ("wrong type", TOPIC, b'"hello"'),
        ("not JSON", TOPIC, b'{"amps": [NaN, 1, 2]}'),
        ("amps out of range", TOPIC, json.dumps({"t": now, "amps": [-3.0, 12.0, 12.0]}).encode()),
        ("unknown fan", "amps/v1/home/stranger/readings", reading(now)),
        ("too large", TOPIC, b'{"t": 1, "amps": [1, 2, 3], "note": "' + b"x" * 1_048_576 + b'"}'),
        ("time in the future", TOPIC, reading(now + 3600)),
        ("wrong number of legs", TOPIC, json.dumps({"t": now, "amps": [12.0]}).encode()),
        ("no amps for a fan", TOPIC, json.dumps({"t": now, "volts": [460, 461, 459]}).encode()),
    ]
    publisher.send([(topic, payload) for _, topic, payload in cases])
    expected: dict[str, int] = {}
    for reason, _, _ in cases:
        expected[reason] = expected.get(reason, 0) + 1
    until(lambda: rejected(service) == expected, what=f"{expected}, found {rejected(service)}")

    # 10,000 readings of three legs are over 256 KiB; 10,001 small ones are too many; 3,000 are taken, and known again.
    many = [{"t": now - 100_010 + 10 * number, "amps": AMPS} for number in range(10_000)]
    publisher.send([(TOPIC, json.dumps(many, separators=(",", ":")).encode())])
    until(lambda: rejected(service)["too large"] == 2, what="the refusal of 10,000 readings")
    publisher.send([(TOPIC, b"[" + b'{"t":1,"amps":[1]},' * 10_000 + b'{"t":1,"amps":[1]}]')])
    until(lambda: rejected(service).get("too many readings") == 1, what="the refusal of 10,001 readings")
    part = json.dumps(many[:3_000], separators=(",", ":")).encode()
    publisher.send([(TOPIC, part), (TOPIC, part)])
    until(lambda: logger_of(service, "bin-1").get("readings") == 3_000, what="3,000 readings")
    until(lambda: logger_of(service, "bin-1").get("repeats") == 3_000, what="3,000 repeats")

    # Still alive and well: a good reading is on the page's data at once.
    publisher.send([(TOPIC, reading(now))])
    until(lambda: service.get("/api/v1/fans/home/bin-1")["highest_leg_amps"] == 12.9, what="the good reading")
