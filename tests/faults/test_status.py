"""A logger's own word: retained "online", and the will that its broker speaks for it when it dies."""

from __future__ import annotations

import json
import socket
import struct
import time
import urllib.request
from typing import Any

import pytest

from tests.servers import Mosquitto, Publisher, Running, until

pytestmark = pytest.mark.broker

TOPIC = b"amps/v1/home/bin-1/status"


def _text(value: bytes) -> bytes:
    return struct.pack("!H", len(value)) + value


def logger_with_a_will(port: int) -> socket.socket:
    """Connects as a logger does: will "offline" (retained, QoS 1), then says "online" (retained)."""
    sock = socket.create_connection(("127.0.0.1", port), 60)
    flags = 0x02 | 0x04 | 0x08 | 0x20  # clean session, will, will QoS 1, will retain (MQTT 3.1.1, 3.1.2.3)
    body = _text(b"MQTT") + bytes([4, flags]) + struct.pack("!H", 60) + _text(b"bin-1-logger") + _text(TOPIC)
    body += _text(b"offline")
    sock.sendall(b"\x10" + bytes([len(body)]) + body)
    assert sock.recv(4) == b"\x20\x02\x00\x00"
    word = _text(TOPIC) + struct.pack("!H", 1) + b"online"
    sock.sendall(b"\x33" + bytes([len(word)]) + word)
    assert sock.recv(4) == b"\x40\x02\x00\x01"
    return sock


def test_a_killed_logger_is_shown_offline_and_that_is_no_alarm(broker: Mosquitto, service: Running) -> None:
    service.register("bin-1")
    service.start()

    def logger() -> dict[str, Any]:
        return dict(next(one for one in service.get("/api/v1/loggers")["items"] if one["name"] == "bin-1"))

    sock = logger_with_a_will(broker.port)
    with Publisher(broker.port) as publisher:
        reading = {"t": time.time(), "amps": [12.2, 12.9, 12.6]}
        publisher.send([("amps/v1/home/bin-1/readings", json.dumps(reading).encode())])
        until(
            lambda: logger()["readings"] == 1 and logger()["status"] == "online", what="the logger's reading and word"
        )
        # Killed: no farewell, the connection is just gone.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        sock.close()
        until(lambda: logger()["status"] == "offline", what="its will")
    assert service.get("/api/v1/alarms")["items"] == []
    with urllib.request.urlopen(f"http://127.0.0.1:{service.web_port}/loggers", timeout=60) as answer:
        assert "it says it is offline" in answer.read().decode()

    # The word is retained: a service that starts anew hears it again, and a logger that is back takes it back.
    service.kill()
    service.start()
    assert logger()["status"] == "offline"
    with logger_with_a_will(broker.port):
        until(lambda: logger()["status"] == "online", what="the logger's word")
    assert service.get("/api/v1/alarms")["items"] == []
    assert logger()["rejected"] == []
    assert service.stop() == 0
