"""A running service as its users have it: a process of its own beside a real broker."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import MOSQUITTO, Mosquitto, Running


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.skip("NOT TESTED: Debian's mosquitto is missing; install it (apt-get install mosquitto)")
    server = Mosquitto(tmp_path / "broker")
    server.start()
    yield server
    server.kill()


@pytest.fixture
def service(tmp_path: Path, broker: Mosquitto) -> Iterator[Running]:
    running = Running(tmp_path / "service", broker.port)
    yield running
    if running.process is not None:
        running.kill()
