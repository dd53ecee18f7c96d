"""A real broker on loopback, and a publisher that knows what the broker has taken."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import struct
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.alarms.notice import Notice
from monitor.links.mqtt import Broker, BrokerAddress, Inbox

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def until(true: Callable[[], object], seconds: float = 10.0, what: str = "it") -> None:
    """Waits for something to become true; fails loudly."""
    end = time.monotonic() + seconds
    while not true():
        if time.monotonic() > end:
            raise AssertionError(f"{what} did not come about within {seconds} s")
        time.sleep(0.01)


class Mosquitto:
    """Debian's mosquitto, to be killed and started again; its state stays in its directory."""

    def __init__(self, place: Path, *lines: str, anonymous: bool = True) -> None:
        self.port = free_port()
        self.place = place
        self._process: subprocess.Popen[bytes] | None = None
        place.mkdir(parents=True, exist_ok=True)
        place.chmod(0o777)
        (place / "mosquitto.conf").write_text(
            "\n".join(
                [
                    f"listener {self.port} 127.0.0.1",
                    f"allow_anonymous {'true' if anonymous else 'false'}",
                    "persistence true",
                    f"persistence_location {place}/",
                    "autosave_interval 1",
                    "max_queued_messages 0",
                    "max_inflight_messages 0",
                    *([f"user {os.environ.get('USER', 'root')}"] if os.geteuid() == 0 else []),
                    *lines,
                    "",
                ]
            )
        )

    def start(self) -> None:
        assert MOSQUITTO is not None
        with (self.place / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [MOSQUITTO, "-c", str(self.place / "mosquitto.conf")], stdout=log, stderr=log
            )
        until(self.listens, 10, "mosquitto")

    def listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.place / "log").read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
            return True
        return False

    def kill(self, how: int = signal.SIGKILL) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(10)
            self._process = None

    def saved(self) -> None:
        """Waits until what it holds now is on the disk."""
        began = time.time()
        until(
            lambda: (self.place / "mosquitto.db").exists() and (self.place / "mosquitto.db").stat().st_mtime > began,
            10, "a saved state",
        )  # fmt: skip


class Publisher:
    """A logger reduced to bytes: MQTT 3.1.1, QoS 1, returns when the broker has taken all."""

    def __init__(self, port: int) -> None:
        self._sock = socket.create_connection(("127.0.0.1", port), 5)
        self._sock.sendall(b"\x10\x0f\x00\x04MQTT\x04\x02\x00\x00\x00\x03pub")
        assert self._sock.recv(4) == b"\x20\x02\x00\x00"

    def send(self, messages: list[tuple[str, bytes]], *, qos: int = 1, retain: bool = False) -> None:
        for start in range(0, len(messages), 500):
            part = messages[start : start + 500]
            packets = bytearray()
            for mid, (topic, payload) in enumerate(part, 1):
                name = topic.encode()
                body = struct.pack("!H", len(name)) + name + (struct.pack("!H", mid) if qos else b"") + payload
                packets += bytes([0x30 | qos << 1 | int(retain)]) + _length(len(body)) + body
            self._sock.sendall(packets)
            left = 4 * len(part) if qos else 0
            while left:
                got = self._sock.recv(left)
                assert got, "the broker hung up on the publisher"
                left -= len(got)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._sock.sendall(b"\xe0\x00")
        self._sock.close()


Publish = Callable[[int], Publisher]


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)


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
def link() -> Iterator[Callable[..., Broker]]:
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
