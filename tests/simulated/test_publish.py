"""Sending to a real broker: everything arrives, in order, also when the broker goes away in between."""

from __future__ import annotations

import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from simulated.farm import Farm, Message
from simulated.publish import Publisher, play
from simulated.scenario import load

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
pytestmark = [
    pytest.mark.broker,
    pytest.mark.skipif(not Path(MOSQUITTO).exists(), reason="mosquitto is not installed"),
]


class Broker:
    """A mosquitto on loopback that keeps its sessions on disk."""

    def __init__(self, directory: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = int(free.getsockname()[1])
        self._file = directory / "mosquitto.conf"
        self._file.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {directory}/\nmax_queued_messages 0\nuser root\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen([MOSQUITTO, "-c", str(self._file)], stderr=subprocess.DEVNULL)
        for _ in range(100):
            assert self._process.poll() is None, "mosquitto ended at once: is the port taken?"
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            time.sleep(0.05)
        raise AssertionError("mosquitto did not start")

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None


class Listener:
    """A subscriber with a session of its own."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes]] = []
        ready = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="listener",
            protocol=MQTTProtocolVersion.MQTTv311,
            clean_session=False,
        )
        self._client.on_connect = lambda client, *_: client.subscribe("amps/v1/#", qos=1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.on_message = lambda _c, _u, m: self.heard.append((m.topic, m.payload))
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(10)

    def wait(self, count: int) -> None:
        end = time.monotonic() + 20
        while len(set(self.heard)) < count and time.monotonic() < end:
            time.sleep(0.02)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path)
    made.start()
    yield made
    made.stop()


def some(start: datetime, minutes: float) -> list[Message]:
    return Farm(load("quiet"), start).advance(start + timedelta(minutes=minutes))


@pytest.mark.parametrize("protocol", [MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311])
def test_everything_arrives_in_order(broker, protocol, start):
    listener = Listener(broker.port)
    messages = some(start, 20)
    publisher = Publisher("127.0.0.1", broker.port, protocol=protocol)
    assert publisher.send(messages) == len(messages)
    assert publisher.close(20)
    listener.wait(len(messages))
    listener.close()
    assert listener.heard == [(f"amps/v1/{m.topic_tail}", m.payload) for m in messages]
    assert publisher.unacknowledged == 0
    assert publisher.refused == 0


def test_nothing_is_lost_while_the_broker_is_away(broker, start):
    listener = Listener(broker.port)
    messages = some(start, 30)
    third = len(messages) // 3
    publisher = Publisher("127.0.0.1", broker.port)
    publisher.send(messages[:third])
    assert publisher.drain(20)
    broker.stop()
    publisher.send(messages[third : 2 * third])
    assert not publisher.drain(0.5)
    assert publisher.unacknowledged == third
    broker.start()
    publisher.send(messages[2 * third :])
    assert publisher.close(30)
    listener.wait(len(messages))
    listener.close()
    assert set(listener.heard) == {(f"amps/v1/{m.topic_tail}", m.payload) for m in messages}


def test_the_window_holds_the_sender_back_and_stop_lets_it_go(tmp_path, start):
    broker = Broker(tmp_path)
    publisher = Publisher("127.0.0.1", broker.port, window=50)
    stop = threading.Event()
    threading.Timer(0.5, stop.set).start()
    assert publisher.send(some(start, 30), stop) == 0  # never connected
    broker.start()
    assert publisher.wait_connected(20)
    broker.stop()
    stop.clear()
    threading.Timer(0.5, stop.set).start()
    assert publisher.send(some(start, 30), stop) == 50
    assert not publisher.close(0.1)


def test_past_hours_at_once_then_at_the_pace(broker):
    listener = Listener(broker.port)
    farm = Farm(load("quiet"), datetime.now(UTC) - timedelta(hours=1))
    live = farm.start + timedelta(hours=1)
    publisher = Publisher("127.0.0.1", broker.port)
    begin = time.monotonic()
    count = play(farm, publisher, 60.0, live + timedelta(minutes=2), None, live)
    took = time.monotonic() - begin
    assert publisher.close(20)
    listener.wait(count)
    listener.close()
    expected = Farm(load("quiet"), farm.start).advance(live + timedelta(minutes=2))
    assert listener.heard == [(f"amps/v1/{m.topic_tail}", m.payload) for m in expected]
    assert 1.9 < took < 8.0  # two minutes at pace 60, the hour before at once


def test_the_pace_of_the_wall_clock_ends_when_told(broker):
    farm = Farm(load("quiet"), datetime.now(UTC) - timedelta(minutes=10))
    publisher = Publisher("127.0.0.1", broker.port)
    stop = threading.Event()
    threading.Timer(1.5, stop.set).start()
    count = play(farm, publisher, 1.0, None, stop)
    assert publisher.close(20)
    assert count == pytest.approx(2 * 60 + 10, abs=4)
    assert abs(farm.now - datetime.now(UTC)) < timedelta(seconds=2)


def test_a_pace_that_is_none(start):
    farm = Farm(load("quiet"), start)
    publisher = Publisher("127.0.0.1", 1)
    for pace in (-1.0, 0.0):
        with pytest.raises(ValueError, match="pace"):
            play(farm, publisher, pace)
    publisher.close(0.0)
