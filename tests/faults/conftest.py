"""A running service as its users have it: a process of its own beside a real broker."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import MOSQUITTO, Mosquitto, Running
from tests.warm import Loaded


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    if MOSQUITTO is None:
        pytest.skip("NOT TESTED: Debian's mosquitto is missing; install it (apt-get install mosquitto)")
    server = Mosquitto(tmp_path / "broker")
    server.start()
    yield server
    server.kill()


@pytest.fixture(scope="session")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Loaded]:
    """What services are forked from: loading takes some seconds each time."""
    process = Loaded(tmp_path_factory.mktemp("loaded") / "log")
    yield process
    process.close()


@pytest.fixture
def service(tmp_path: Path, broker: Mosquitto, loaded: Loaded) -> Iterator[Running]:
    running = Running(tmp_path / "service", broker.port, loaded=loaded)
    yield running
    if running.process is not None:
        running.kill()
