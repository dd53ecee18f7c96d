"""A real broker on loopback, and a publisher that knows what the broker has taken."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.alarms.notice import Notice
from monitor.links.connection import Connection
from monitor.links.mqtt import Broker, BrokerAddress, Inbox, Message
from tests.servers import MOSQUITTO, Mosquitto, Publisher, until

Publish = Callable[[int], Publisher]
Link = Callable[..., Broker]


def take(broker: Broker, many: int) -> list[Message]:
    """So many messages; fails when they do not come."""
    taken: list[Message] = []

    def enough() -> bool:
        taken.extend(broker.inbox.take(1_000))
        return len(taken) >= many

    until(enough, what=f"{many} messages")
    return taken


def connected(broker: Broker) -> Broker:
    until(lambda: broker.connected, what="a connection")
    return broker


def subscribed(broker: Broker) -> Broker:
    """Connected, and the broker has taken the subscriptions: what is published from here on is heard."""
    until(lambda: broker.connected and getattr(broker, "taken", 0) == broker.generation, what="a subscription")
    return broker


@pytest.fixture(scope="session")
def _mosquitto_there() -> None:
    if MOSQUITTO is None:
        pytest.skip("NOT TESTED: Debian's mosquitto is missing; install it (apt-get install mosquitto)")


@pytest.fixture
def mosquitto(tmp_path: Path, _mosquitto_there: None) -> Iterator[Mosquitto]:
    server = Mosquitto(tmp_path / "broker")
    server.start()
    yield server
    server.kill()


@pytest.fixture
def publish() -> Iterator[Publish]:
    """Makes publishers that are closed at the end."""
    made: list[Publisher] = []

    def make(port: int) -> Publisher:
        made.append(Publisher(port))
        return made[-1]

    yield make
    for publisher in made:
        publisher.close()


@pytest.fixture
def noted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each link notes the connection that is `subscribed`."""
    answered = Connection._on_subscribe

    def noting(self: Connection, *answer: Any) -> None:
        answered(self, *answer)
        self._broker.taken = self._broker.generation  # type: ignore[attr-defined]

    monkeypatch.setattr(Connection, "_on_subscribe", noting)


@pytest.fixture
def link(noted: None) -> Iterator[Link]:
    """Makes links to brokers that are stopped at the end."""
    made: list[Broker] = []

    def make(port: int, *, inbox: Inbox | None = None, said: list[str] | None = None, **address: object) -> Broker:
        say = (lambda text: None) if said is None else said.append
        broker = Broker(
            BrokerAddress(port=port, **address),  # type: ignore[arg-type]
            inbox,
            say=say,
            waits_seconds=(0.05, 0.1, 0.2),
        )
        made.append(broker)
        broker.start()
        return broker

    yield make
    for broker in made:
        broker.stop()


@pytest.fixture
def notice() -> Notice:
    """A notice of an invented farm."""
    return Notice(
        id="0-17-42-farm-1",
        site="home",
        alarm_number=17,
        change_number=42,
        route="farm",
        address_index=1,
        kind="raised",
        priority="high",
        rings=True,
        subject="north-3: overload, 106 % of its limit",
        short="north-3: 106 % of its limit since 20:12, 15.1 A of 14.3 A. Look at the supply first.",
        long="North fan 3 carries more than it may: 15.1 A of 14.3 A.\n\nSince 20:12; it is cold, 3.5 °C.\n",
        data={"condition": "overload", "fan": "north-3", "load_ratio": 1.06},
        created=datetime(2026, 10, 4, 1, 14, 30, 250_000, tzinfo=UTC),
    )


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Signed by nobody."""
    place = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1",
         "-keyout", "key", "-out", "crt", "-addext", "subjectAltName=IP:127.0.0.1"],
        check=True, cwd=place, capture_output=True,
    )  # fmt: skip
    return place
