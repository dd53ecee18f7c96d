"""The link to a real broker, and what it does when the broker, the network or the worker misbehaves."""

from __future__ import annotations

import gc
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.errors import ConfigError
from monitor.links.mqtt import Broker, BrokerAddress, Inbox, Message
from tests.links.conftest import Publish
from tests.servers import Mosquitto, free_port, until

pytestmark = pytest.mark.broker
TOPIC = "amps/v1/home/north-3/readings"
Link = Callable[..., Broker]


def take(broker: Broker, many: int, seconds: float = 20.0) -> list[Message]:
    """So many messages; fails when they do not come."""
    taken: list[Message] = []

    def enough() -> bool:
        taken.extend(broker.inbox.take(1_000))
        return len(taken) >= many

    until(enough, seconds, f"{many} messages")
    return taken


def connected(broker: Broker) -> Broker:
    until(lambda: broker.connected, 15, "a connection")
    return broker


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
    broker = connected(link(mosquitto.port))
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
    assert age < 5
    assert broker.protocol == "MQTT 5"


def test_another_root(mosquitto: Mosquitto, link: Link, publish: Publish) -> None:
    broker = connected(link(mosquitto.port, root="farm/amps"))
    publisher = publish(mosquitto.port)
    publisher.send([(TOPIC, b"0"), ("farm/amps/home/a/readings", b"1")])
    assert payloads(take(broker, 1)) == [1]


def test_a_huge_payload_is_cut_so_that_it_cannot_fill_the_memory(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = connected(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    publisher.send([(TOPIC, b"x" * 1_048_576), (TOPIC, b"1")])
    first, second = take(broker, 2)
    assert len(first.payload) == 256 * 1024 + 1
    assert second.payload == b"1"


# ---------------------------------------------------------------------- acknowledged after commit


def test_what_is_not_acknowledged_comes_again_to_the_next_process(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    broker = connected(link(mosquitto.port))
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
    broker = connected(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 3))
    old = take(broker, 3)
    mosquitto.saved()
    mosquitto.kill()
    until(lambda: not broker.connected, 10, "the loss of the connection")
    mosquitto.start()
    connected(broker)
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
    broker = connected(link(mosquitto.port))
    publisher = publish(mosquitto.port)
    sender = threading.Thread(target=lambda: publisher.send(numbered(0, 70_000)))
    sender.start()  # more than may wait at once: goes on only as acknowledgements arrive
    taken: list[int] = []
    end = time.monotonic() + 60
    while len(taken) < 70_000 and time.monotonic() < end:
        broker.inbox.wait(0.2)
        messages = broker.inbox.take(5_000)
        taken += payloads(messages)
        broker.ack(messages)
    sender.join()
    assert taken == list(range(70_000))
    broker.stop()
    again = connected(link(mosquitto.port))
    publisher.send(numbered(70_000, 70_001))
    assert payloads(take(again, 1)) == [70_000]


# ---------------------------------------------------------------------- the broker goes and comes


def test_the_broker_may_be_away_at_the_start(mosquitto: Mosquitto, link: Link) -> None:
    mosquitto.kill()
    said: list[str] = []
    broker = link(mosquitto.port, said=said)
    time.sleep(0.6)
    assert not broker.connected
    assert said == [
        f"no broker answers at {broker.address}: Connection refused. Start it, or set host and port under [mqtt]."
    ]  # once, though it tried several times
    mosquitto.start()
    connected(broker)
    assert said[1:] == [f"connected to the broker at 127.0.0.1:{mosquitto.port}"]


def test_kill_9_of_the_broker_loses_nothing_it_had_on_its_disk(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    said: list[str] = []
    broker = connected(link(mosquitto.port, said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 500))
    first = take(broker, 200)
    broker.ack(first)
    time.sleep(0.3)
    mosquitto.saved()
    mosquitto.kill()
    until(lambda: not broker.connected, 10, "the loss of the connection")
    mosquitto.start()
    connected(broker)
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
    broker = connected(link(mosquitto.port, said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 5))
    until(lambda: len(broker.inbox) == 5)
    mosquitto.kill()
    until(lambda: not broker.connected)
    assert broker.inbox.take(9) == []
    (mosquitto.place / "mosquitto.db").unlink(missing_ok=True)
    mosquitto.start()
    connected(broker)
    assert broker.inbox.aside == 0  # at once: nothing of it will come again
    until(lambda: broker.sessions_lost == 1)
    assert any("had forgotten our session" in text and "persistence true" in text for text in said)
    assert payloads(take(broker, 5)) == [0, 1, 2, 3, 4]
    publisher = publish(mosquitto.port)
    publisher.send(numbered(5, 6))  # subscribed anew
    assert payloads(take(broker, 1)) == [5]


def test_a_frozen_network_is_noticed(mosquitto: Mosquitto, link: Link, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.links.connection.KEEPALIVE_SECONDS", 1)
    broker = connected(link(mosquitto.port))
    assert mosquitto._process is not None
    mosquitto._process.send_signal(signal.SIGSTOP)
    try:
        until(lambda: not broker.connected, 15, "the silence")
    finally:
        mosquitto._process.send_signal(signal.SIGCONT)
    connected(broker)


# ---------------------------------------------------------------------- the worker does not follow


def test_a_full_inbox_disconnects_and_goes_on_with_nothing_lost(
    mosquitto: Mosquitto, link: Link, publish: Publish
) -> None:
    said: list[str] = []
    broker = connected(link(mosquitto.port, inbox=Inbox(max_messages=200), said=said))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 1_000))
    until(lambda: any("inbox is full" in text for text in said), 10, "an overflow")
    time.sleep(0.5)
    assert not broker.connected  # until the worker shows that it lives
    assert broker.generation == 1
    seen: set[int] = set()
    end = time.monotonic() + 60
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
    broker = connected(link(mosquitto.port, inbox=Inbox(max_messages=50)))
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 60), qos=0)
    until(lambda: not broker.connected, 10, "an overflow")
    got = payloads(broker.inbox.take(1_000))
    assert got[:50] == list(range(50))


def test_an_exception_in_the_callback_costs_neither_the_thread_nor_the_message(
    mosquitto: Mosquitto, link: Link, publish: Publish, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    broker = connected(link(mosquitto.port, said=said))
    put, failures = broker.inbox.put, iter([True, True])

    def failing(message: Message) -> bool:
        if message.payload == b"1" and next(failures, False):
            raise RuntimeError("made to fail")
        return put(message)

    monkeypatch.setattr(broker.inbox, "put", failing)
    publisher = publish(mosquitto.port)
    publisher.send(numbered(0, 3))
    seen: list[int] = []
    until(lambda: seen.extend(payloads(broker.inbox.take(9))) or set(seen) == {0, 1, 2}, 20, "the message again")  # type: ignore[func-returns-value]
    assert broker.callback_faults == 2
    assert broker.alive
    assert any("made to fail" in text for text in said)


# ---------------------------------------------------------------------- out


def watcher(port: int, topic: str) -> tuple[paho.Client, list[tuple[str, bytes, bool]]]:
    seen: list[tuple[str, bytes, bool]] = []
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda c, u, m: seen.append((m.topic, m.payload, m.retain))
    client.on_connect = lambda c, *_: c.subscribe(topic, 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    return client, seen


def test_states_are_published_retained_and_again_after_a_loss(mosquitto: Mosquitto, link: Link) -> None:
    broker = link(mosquitto.port)
    broker.publish_state("home/north-3/state", b"1")  # before the connection
    broker.publish_state("home/north-3/state", b"2")
    broker.publish_state("home/north-3/alarms", b"[]")
    broker.publish_state("home/north-3/once", b"gone", retain=False)
    connected(broker)
    time.sleep(0.3)
    mosquitto.kill()
    (mosquitto.place / "mosquitto.db").unlink(missing_ok=True)
    until(lambda: not broker.connected)
    mosquitto.start()
    connected(broker)
    time.sleep(0.3)
    client, seen = watcher(mosquitto.port, "amps/v1/home/north-3/#")
    until(lambda: len(seen) == 2, 5, "the states")
    assert sorted(seen) == [
        ("amps/v1/home/north-3/alarms", b"[]", True),
        ("amps/v1/home/north-3/state", b"2", True),
    ]
    client.disconnect()
    client.loop_stop()


def test_stop_sends_what_is_waiting(mosquitto: Mosquitto, link: Link) -> None:
    broker = connected(link(mosquitto.port))
    client, seen = watcher(mosquitto.port, "amps/v1/+/+/state")
    time.sleep(0.3)
    for number in range(200):
        broker.publish_state(f"home/fan-{number}/state", b"%d" % number)
    began = time.monotonic()
    broker.stop()
    assert time.monotonic() - began < 2
    until(lambda: len(seen) == 200, 5, "the states")
    client.disconnect()
    client.loop_stop()


# ---------------------------------------------------------------------- who must act


def test_a_wrong_password_is_said_once_with_who_must_act(tmp_path: Path, _mosquitto_there: None, link: Link) -> None:
    passwords = tmp_path / "passwords"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "monitor", "right"], check=True)
    passwords.chmod(0o644)
    access = tmp_path / "access"
    access.write_text("user monitor\ntopic read amps/v1/+/+/readings\n")
    server = Mosquitto(tmp_path / "broker", f"password_file {passwords}", anonymous=False)
    server.start()
    try:
        said: list[str] = []
        wrong = link(server.port, said=said, username="monitor", password="wrong")
        until(lambda: said)
        time.sleep(0.8)  # it tries again
        assert len(said) == 1
        assert 'refuses the user "monitor"' in said[0]
        assert "Check username and password_file under [mqtt]" in said[0]
        assert "wrong" not in said[0].replace("wrong user", "")
        assert not wrong.connected
        assert wrong.alive
        nobody: list[str] = []
        link(server.port, said=nobody, client_id="nobody")
        until(lambda: nobody)
        assert "a client without user name: not authorized" in nobody[0]
        right = link(server.port, client_id="right", username="monitor", password="right")
        connected(right)
    finally:
        server.kill()


def test_where_the_installer_must_act_the_longest_wait_is_taken_at_once(tmp_path: Path, _mosquitto_there: None) -> None:
    server = Mosquitto(tmp_path / "broker", anonymous=False)
    server.start()
    said: list[str] = []
    broker = Broker(BrokerAddress(port=server.port), say=said.append, waits_seconds=(0.05, 30.0))
    broker.start()
    try:
        until(lambda: said)
        time.sleep(1.0)
        log = (server.place / "log").read_text()
        assert log.count("disconnected, not authorised") == 1, log
    finally:
        broker.stop()
        server.kill()


def test_a_broker_that_names_a_take_over(link: Link) -> None:
    odd = OddBroker(b"\x20\x03\x01\x00\x00" + b"\xe0\x01\x8e")
    said: list[str] = []
    broker = link(odd.port, said=said)
    until(lambda: len(said) >= 2, 10, "the take-over")
    assert 'another client took our client id "amp-monitor"' in said[1]
    assert "Stop the other service" in said[1]
    broker.stop()
    odd.close()


def test_two_services_that_throw_each_other_out_are_told_so(mosquitto: Mosquitto, link: Link) -> None:
    # mosquitto 2.0.11 does not say why it hangs up.
    said: list[str] = []
    link(mosquitto.port, said=said)
    link(mosquitto.port)
    until(lambda: any('another client has our client id "amp-monitor"' in text for text in said), 10, "the hint")


def test_an_access_list_that_forbids_reading_is_told(link: Link) -> None:
    odd = OddBroker(b"\x20\x03\x00\x00\x00" + b"\x90\x05\x00\x01\x00\x87\x87")
    said: list[str] = []
    broker = connected(link(odd.port, said=said))
    until(lambda: len(said) == 2)
    assert "lets us in but not read amps/v1/+/+/readings (not authorized)" in said[1]
    assert "access list" in said[1]
    broker.stop()
    odd.close()


# ---------------------------------------------------------------------- TLS


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    place = tmp_path / "certificates"
    place.mkdir()
    place.chmod(0o755)

    def openssl(*args: str) -> None:
        subprocess.run(["openssl", *args], check=True, cwd=place, capture_output=True)

    for name in ("farm", "stranger"):
        openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name} authority",
                "-keyout", f"{name}-ca.key", "-out", f"{name}-ca.crt")  # fmt: skip
    (place / "names").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
    for name in ("broker", "monitor"):
        openssl(
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            f"/CN={name}",
            "-keyout",
            f"{name}.key",
            "-out",
            f"{name}.csr",
        )
        openssl("x509", "-req", "-in", f"{name}.csr", "-CA", "farm-ca.crt", "-CAkey", "farm-ca.key", "-CAcreateserial",
                "-days", "2", "-extfile", "names", "-out", f"{name}.crt")  # fmt: skip
    for file in place.iterdir():
        file.chmod(0o644)
    return place


@pytest.fixture
def tls_port(tmp_path: Path, certificates: Path, _mosquitto_there: None) -> Iterator[int]:
    server = Mosquitto(
        tmp_path / "broker", f"cafile {certificates}/farm-ca.crt", f"certfile {certificates}/broker.crt",
        f"keyfile {certificates}/broker.key", "require_certificate true", "use_identity_as_username true",
    )  # fmt: skip
    server.start()
    yield server.port
    server.kill()


def test_tls_with_client_certificate(tls_port: int, certificates: Path, link: Link) -> None:
    files = {"ca_file": certificates / "farm-ca.crt", "cert_file": certificates / "monitor.crt"}
    broker = connected(link(tls_port, key_file=certificates / "monitor.key", **files))
    broker.publish_state("home/a/readings", b"x" * 200_000)  # comes back to us: many TLS records
    broker.publish_state("home/b/readings", b"2", retain=False)
    messages = take(broker, 2)
    assert [len(message.payload) for message in messages] == [200_000, 1]
    broker.ack(messages)


def test_a_broker_whose_certificate_is_not_trusted_gets_nothing(tls_port: int, certificates: Path, link: Link) -> None:
    said: list[str] = []
    broker = link(tls_port, said=said, ca_file=certificates / "stranger-ca.crt")
    until(lambda: said)
    time.sleep(0.5)
    assert len(said) == 1
    assert "Check ca_file" in said[0]
    assert "certificate" in said[0].lower()
    assert not broker.connected
    gc.collect()  # sockets that were not closed would be told of here, and fail the test


def test_files_that_cannot_be_used_are_told_at_once(tmp_path: Path, certificates: Path) -> None:
    with pytest.raises(ConfigError) as no_file:
        Broker(BrokerAddress(ca_file=tmp_path / "none.crt"))
    assert no_file.value.faults[0].place == "mqtt.ca_file"
    with pytest.raises(ConfigError) as wrong_key:
        Broker(BrokerAddress(cert_file=certificates / "monitor.crt", key_file=certificates / "broker.key"))
    assert wrong_key.value.faults[0].place == "mqtt.cert_file"
    gc.collect()


# ---------------------------------------------------------------------- odd brokers


class OddBroker:
    """Answers each connection with what the script says, and remembers the greetings."""

    def __init__(self, *answers: bytes | None) -> None:
        self.greetings: list[bytes] = []
        self._answers = list(answers)
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                sock, _ = self._listener.accept()
            except OSError:
                return
            self._open.append(sock)
            self.greetings.append(sock.recv(1024))
            answer = self._answers.pop(0) if len(self._answers) > 1 else self._answers[0]
            if answer is None:
                sock.close()
                continue
            sock.sendall(answer)
            if answer[:1] == b"\x20" and answer[3:4] != b"\x00":
                sock.close()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(5)
        for sock in self._open:
            sock.close()


def protocol_levels(broker: OddBroker) -> list[int]:
    return [greeting[greeting.index(b"MQTT") + 4] for greeting in broker.greetings]


@pytest.mark.parametrize(
    "refusal",
    [
        pytest.param(b"\x20\x03\x00\x84\x00", id="as MQTT 5 says"),
        pytest.param(b"\x20\x02\x00\x01", id="as MQTT 3.1.1 says"),
    ],
)
def test_a_broker_that_refuses_mqtt_5_is_met_in_3_1_1(refusal: bytes, link: Link) -> None:
    odd = OddBroker(refusal, b"\x20\x02\x01\x00")
    said: list[str] = []
    broker = connected(link(odd.port, said=said))
    assert protocol_levels(odd) == [5, 4]
    assert broker.protocol == "MQTT 3.1.1"
    assert "does not speak MQTT 5; going on with MQTT 3.1.1" in said[0]
    assert "which speaks only MQTT 3.1.1" in said[1]
    greeting = odd.greetings[1]
    assert greeting[greeting.index(b"MQTT") + 5] & 0x02 == 0  # the session is to be kept
    broker.stop()
    odd.close()


def test_a_broker_that_hangs_up_on_mqtt_5_is_met_in_3_1_1(link: Link) -> None:
    odd = OddBroker(None, b"\x20\x02\x00\x00")
    broker = connected(link(odd.port))
    assert protocol_levels(odd) == [5, 4]
    broker.stop()
    odd.close()


def test_the_greeting_asks_for_a_session_that_stays(link: Link) -> None:
    odd = OddBroker(b"\x20\x03\x00\x00\x00")
    broker = connected(link(odd.port))
    greeting = odd.greetings[0]
    at = greeting.index(b"MQTT") + 4
    assert greeting[at] == 5
    assert greeting[at + 1] & 0x02 == 0  # Clean Start is off
    assert b"\x11\xff\xff\xff\xff" in greeting  # Session Expiry Interval: never
    assert b"\x21\xff\xff" in greeting  # Receive Maximum 65,535
    assert b"amp-monitor" in greeting
    broker.stop()
    odd.close()


@pytest.mark.parametrize(
    "rubbish",
    [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\x20\x03\x00\x00\x00" + b"\x32\x05\xff\xff\xff\xff\xff", b"\xff" * 50,
     b"\x20\x03\x00\x00\x00\x90\x00", b"\x20\x03\x00\x00\x00\x32\x03\x00\x05a", b"\x20\x03\x00\x00\x00\x40\x01\x00",
     b"\x20\x00", b"\x20\x03\x00\x7b\x00"],
)  # fmt: skip
def test_rubbish_from_the_other_side_does_not_end_the_thread(
    rubbish: bytes, link: Link, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.links.connection.ANSWER_SECONDS", 0.3)
    odd = OddBroker(rubbish)
    broker = link(odd.port)
    until(lambda: len(odd.greetings) >= 3, 10, "three tries")
    assert broker.alive
    assert broker.failure is None
    broker.stop()
    odd.close()


def test_a_topic_that_is_not_utf_8_is_given_on_as_nobodys(link: Link) -> None:
    odd = OddBroker(
        b"\x20\x03\x00\x00\x00" + b"\x32\x08\x00\x02a\xff\x00\x07\x00\x78" + b"\x32\x08\x00\x02ab\x00\x08\x00\x79"
    )
    broker = connected(link(odd.port))
    assert [(m.topic, m.mid, m.payload) for m in take(broker, 2)] == [
        ("amps/v1/?/?/readings", 7, b"x"),
        ("ab", 8, b"y"),
    ]
    broker.stop()
    odd.close()


def test_a_broker_that_takes_the_connection_and_says_nothing(link: Link, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.links.connection.ANSWER_SECONDS", 0.3)
    odd = OddBroker(b"")
    said: list[str] = []
    broker = link(odd.port, said=said)
    until(lambda: len(odd.greetings) >= 2, 10, "a second try")
    assert "took the connection and then said nothing" in said[0]
    broker.stop()
    odd.close()


def test_the_farewell_waits_until_the_broker_has_read_everything(link: Link) -> None:
    # A broker that finds the socket closed drops acknowledgements which it has not read yet; mosquitto 2.0.11 does.
    with socket.create_server(("127.0.0.1", 0)) as listener:
        listener.settimeout(10)
        broker = link(listener.getsockname()[1])
        sock, _ = listener.accept()
        sock.settimeout(10)
        with sock:
            sock.recv(1024)
            sock.sendall(b"\x20\x03\x00\x00\x00" + b"\x32\x08\x00\x02ab\x00\x07\x00x")
            broker.ack(take(broker, 1))
            stopping = threading.Thread(target=broker.stop)
            stopping.start()
            got = b""
            while not got.endswith(b"\xe0\x00"):
                got += sock.recv(1024)
            assert got.endswith(b"\x40\x02\x00\x07\xe0\x00")
            sock.settimeout(0.3)
            with pytest.raises(TimeoutError):
                sock.recv(1)
        stopping.join(2)
        assert not stopping.is_alive()


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
    threads, files = threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))
    nobody = free_port()
    for number in range(50):
        once(nobody if number % 5 == 0 else mosquitto.port, number % 5 != 0)
    gc.collect()
    assert threading.active_count() == threads
    assert len(list(Path("/proc/self/fd").iterdir())) == files


def test_stopping_while_waiting_for_the_next_try_is_quick() -> None:
    broker = Broker(BrokerAddress(port=free_port()), waits_seconds=(30.0,))
    broker.start()
    time.sleep(0.2)
    began = time.monotonic()
    broker.stop()
    assert time.monotonic() - began < 1
    assert not broker.alive
