"""The link to a real broker, and what it does when the broker, the network or the worker misbehaves."""

from __future__ import annotations

import gc
import signal
import threading
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.links.mqtt import Broker, BrokerAddress, Inbox, Message
from tests.links.conftest import Link, Publish, connected, subscribed, take
from tests.servers import Mosquitto, free_port, until

pytestmark = pytest.mark.broker
TOPIC = "amps/v1/home/north-3/readings"


def numbered(start: int, stop: int, topic: str = TOPIC) -> list[tuple[str, bytes]]:
    return [(topic, b"%d" % number) for number in range(start, stop)]


def payloads(messages: list[Message]) -> list[int]:
    return [int(message.payload) for message in messages]


# ---------------------------------------------------------------------- in


def test_readings_and_status_come_in_with_what_is_known_of_them(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    publisher = publish(mosquitto.port)
    publisher.send([("amps/v1/home/old/readings", b"old")], retain=True)
    before = time.time() * 1000
    broker = subscribed(link(mosquitto.port))
    assert take(broker, 1)[0].retain
    publisher.send(
        [
            (TOPIC, b"{}"),
            ("amps/v1/home/north-3/status", b"online"),
            ("amps/v1/home/north-3/state", b"not for us"),
            ("amps/v1/home/readings", b"not for us"),
        ]
    )
    messages = take(broker, 2)
    assert [(m.topic, m.payload, m.retain, m.qos) for m in messages] == [
        (TOPIC, b"{}", False, 1),
        ("amps/v1/home/north-3/status", b"online", False, 1),
    ]
    assert all(m.generation == 1 and before <= m.received_ms <= time.time() * 1000 for m in messages)
    age = broker.last_message_age
    assert age is not None
    assert age < 60
    assert broker.protocol == "MQTT 5"


def test_another_root(mosquitto: Mosquitto, link: Link, publish: Publish) -> None:
    broker = subscribed(link(mosquitto.port, root="farm/amps"))
    publisher = publish(mosquitto.port)
    publisher.send([(TOPIC, b"0"), ("farm/amps/home/a/readings", b"1")])
    assert payloads(take(broker, 1)) == [1]


def test_a_huge_payload_is_cut_so_that_it_cannot_fill_the_memory(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = subscribed(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    publisher.send([(TOPIC, b"x" * 1_048_576), (TOPIC, b"1")])
    first, second = take(broker, 2)
    assert len(first.payload) == 256 * 1024 + 1
    assert second.payload == b"1"


# ---------------------------------------------------------------------- acknowledged after commit


def test_what_is_not_acknowledged_comes_again_to_the_next_process(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = subscribed(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 100))
    messages = take(broker, 100)
    assert payloads(messages) == list(range(100))
    broker.ack(messages[:40])
    broker.ack(messages[40:60])
    broker.stop()
    publisher.send(numbered(100, 110))  # while nobody is there
    again = link(mosquitto.port)
    assert payloads(take(again, 50)) == list(range(60, 110))


def test_an_acknowledgement_of_an_older_connection_is_never_sent(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = subscribed(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 3))
    old = take(broker, 3)
    mosquitto.saved()
    mosquitto.kill()
    until(lambda: not broker.connected, what="the loss of the connection")
    mosquitto.start()
    subscribed(broker)
    publisher = publish(mosquitto.port)
    new = take(broker, 3)
    assert payloads(new) == [0, 1, 2]
    assert {message.generation for message in old} == {1}
    assert {message.generation for message in new} == {2}
    broker.ack(old)
    publisher.send(numbered(3, 4))
    take(broker, 1)
    broker.stop()
    third = link(mosquitto.port)
    assert payloads(take(third, 4)) == [0, 1, 2, 3]


def test_acknowledgements_far_beyond_the_socket_buffer(mosquitto: Mosquitto, link: Link, publish: Publish) -> None:
    broker = subscribed(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    sender = threading.Thread(target=lambda: publisher.send(numbered(0, 70_000)))
    sender.start()  # more than may wait at once: goes on only as acknowledgements arrive
    taken: list[int] = []
    end = time.monotonic() + 300
    while len(taken) < 70_000 and time.monotonic() < end:
        broker.inbox.wait(0.2)
        messages = broker.inbox.take(5_000)
        taken += payloads(messages)
        broker.ack(messages)
    sender.join()
    assert taken == list(range(70_000))
    broker.stop()
    again = subscribed(link(mosquitto.port))
    publisher.send(numbered(70_000, 70_001))
    assert payloads(take(again, 1)) == [70_000]


# ---------------------------------------------------------------------- the broker goes and comes


def test_the_broker_may_be_away_at_the_start(mosquitto: Mosquitto, link: Link) -> None:
    mosquitto.kill()
    said: list[str] = []
    broker = link(mosquitto.port, said=said)
    until(lambda: said)
    time.sleep(0.5)  # it tries several times
    assert not broker.connected
    assert said == [
        f"no broker answers at {broker.address}: Connection refused. Start it, or set host and port under [mqtt]."
    ]  # once, though it tried several times
    mosquitto.start()
    subscribed(broker)
    assert said[1:] == [f"connected to the broker at 127.0.0.1:{mosquitto.port}"]


def test_kill_9_of_the_broker_loses_nothing_it_had_on_its_disk(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    said: list[str] = []
    broker = subscribed(link(mosquitto.port, said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 500))
    first = take(broker, 200)
    broker.ack(first)
    time.sleep(0.3)
    mosquitto.saved()
    mosquitto.kill()
    until(lambda: not broker.connected, what="the loss of the connection")
    mosquitto.start()
    subscribed(broker)
    assert broker.generation == 2
    assert broker.sessions_lost == 0
    publisher = publish(mosquitto.port)
    publisher.send(numbered(500, 510))
    rest = take(broker, 510 - len(first))
    time.sleep(1.5)
    rest += broker.inbox.take(1_000)
    assert sorted({*payloads(first), *payloads(rest)}) == list(range(510))
    assert len(rest) == len({m.payload for m in rest}), "what came again was taken twice"
    assert "was lost" in said[1]


def test_a_broker_that_forgot_us_is_told_of_and_what_we_hold_is_kept(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    said: list[str] = []
    broker = subscribed(link(mosquitto.port, said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 5))
    until(lambda: len(broker.inbox) == 5)
    mosquitto.kill()
    until(lambda: not broker.connected)
    assert broker.inbox.take(9) == []
    (mosquitto.place / "mosquitto.db").unlink(missing_ok=True)
    mosquitto.start()
    subscribed(broker)
    assert broker.inbox.aside == 0  # at once: nothing of it will come again
    until(lambda: broker.sessions_lost == 1)
    assert any("had forgotten our session" in text and "persistence true" in text for text in said)
    assert payloads(take(broker, 5)) == [0, 1, 2, 3, 4]
    publisher = publish(mosquitto.port)
    publisher.send(numbered(5, 6))  # subscribed anew
    assert payloads(take(broker, 1)) == [5]


def test_a_frozen_network_is_noticed(mosquitto: Mosquitto, link: Link, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.links.connection.KEEPALIVE_SECONDS", 1)
    broker = subscribed(link(mosquitto.port))
    assert mosquitto._process is not None
    mosquitto._process.send_signal(signal.SIGSTOP)
    try:
        until(lambda: not broker.connected, what="the silence")
    finally:
        mosquitto._process.send_signal(signal.SIGCONT)
    subscribed(broker)


# ---------------------------------------------------------------------- the worker does not follow


def test_a_full_inbox_disconnects_and_goes_on_with_nothing_lost(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    said: list[str] = []
    broker = subscribed(link(mosquitto.port, inbox=Inbox(max_messages=200), said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 1_000))
    until(lambda: any("inbox is full" in text for text in said), what="an overflow")
    time.sleep(0.5)
    assert not broker.connected  # until the worker shows that it lives
    assert broker.generation == 1
    seen: set[int] = set()
    end = time.monotonic() + 300
    while len(seen) < 1_000 and time.monotonic() < end:
        messages = broker.inbox.take(50)
        seen.update(payloads(messages))
        broker.ack(messages)
        time.sleep(0.002)
    assert seen == set(range(1_000))
    assert len(broker.inbox) < 200


def test_qos_0_survives_a_full_inbox_because_it_never_comes_again(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = subscribed(link(mosquitto.port, inbox=Inbox(max_messages=50)))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 60), qos=0)
    until(lambda: not broker.connected, what="an overflow")
    got = payloads(broker.inbox.take(1_000))
    assert got[:50] == list(range(50))


def test_an_exception_in_the_callback_costs_neither_the_thread_nor_the_message(
    mosquitto: Mosquitto, link: Link, publish: Publish, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    broker = subscribed(link(mosquitto.port, said=said))
    put, failures = broker.inbox.put, iter([True, True])

    def failing(message: Message) -> bool:
        if message.payload == b"1" and next(failures, False):
            raise RuntimeError("made to fail")
        return put(message)

    monkeypatch.setattr(broker.inbox, "put", failing)
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 3))
    seen: list[int] = []
    until(lambda: seen.extend(payloads(broker.inbox.take(9))) or set(seen) == {0, 1, 2}, what="the message again")  # type: ignore[func-returns-value]
    assert broker.callback_faults == 2
    assert broker.alive
    assert any("made to fail" in text for text in said)


# ---------------------------------------------------------------------- out


def watcher(port: int, topic: str) -> tuple[paho.Client, list[tuple[str, bytes, bool]]]:
    seen: list[tuple[str, bytes, bool]] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    listening = threading.Event()
    client.on_message = lambda c, u, m: seen.append((m.topic, m.payload, m.retain))
    client.on_subscribe = lambda *_: listening.set()
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert listening.wait(60)
    return client, seen


def test_states_are_published_retained_and_again_after_a_loss(mosquitto: Mosquitto, link: Link) -> None:
    broker = link(mosquitto.port)
    broker.publish_state("home/north-3/state", b"1")  # before the connection
    broker.publish_state("home/north-3/state", b"2")
    broker.publish_state("home/north-3/alarms", b"[]")
    broker.publish_state("home/north-3/once", b"gone", retain=False)
    subscribed(broker)
    client, seen = watcher(mosquitto.port, "amps/v1/home/north-3/#")
    there = {("amps/v1/home/north-3/alarms", b"[]"), ("amps/v1/home/north-3/state", b"2")}
    until(lambda: {(topic, payload) for topic, payload, _ in seen} >= there, what="the states before the loss")
    client.disconnect()
    client.loop_stop()
    mosquitto.kill()
    (mosquitto.place / "mosquitto.db").unlink(missing_ok=True)
    until(lambda: not broker.connected)
    mosquitto.start()
    subscribed(broker)
    client, seen = watcher(mosquitto.port, "amps/v1/home/north-3/#")
    until(lambda: len(seen) == 2, what="the states")
    assert sorted(seen) == [
        ("amps/v1/home/north-3/alarms", b"[]", True),
        ("amps/v1/home/north-3/state", b"2", True),
    ]
    client.disconnect()
    client.loop_stop()


def test_stop_sends_what_is_waiting(mosquitto: Mosquitto, link: Link) -> None:
    broker = subscribed(link(mosquitto.port))
    client, seen = watcher(mosquitto.port, "amps/v1/+/+/state")
    for number in range(200):
        broker.publish_state(f"home/fan-{number}/state", b"%d" % number)
    broker.stop()
    until(lambda: len(seen) == 200, what="the states")
    client.disconnect()
    client.loop_stop()


# ---------------------------------------------------------------------- starts and stops


def test_fifty_starts_and_stops_leak_no_thread_and_no_file(mosquitto: Mosquitto) -> None:
    def once(port: int, meet: bool) -> None:
        broker = Broker(BrokerAddress(port=port), waits_seconds=(0.01,))
        broker.start()
        if meet:
            connected(broker)
        broker.stop()

    once(mosquitto.port, True)
    gc.collect()
    before, files = set(threading.enumerate()), len(list(Path("/proc/self/fd").iterdir()))
    nobody = free_port()
    for number in range(50):
        once(nobody if number % 5 == 0 else mosquitto.port, number % 5 != 0)
    gc.collect()
    assert set(threading.enumerate()) <= before, "what another test has left may end meanwhile"
    assert len(list(Path("/proc/self/fd").iterdir())) <= files


def test_stopping_while_waiting_for_the_next_try_is_quick() -> None:
    broker = Broker(BrokerAddress(port=free_port()), waits_seconds=(300.0,))
    broker.start()
    time.sleep(0.2)
    began = time.monotonic()
    broker.stop()
    assert time.monotonic() - began < 60  # and not 300
    assert not broker.alive
