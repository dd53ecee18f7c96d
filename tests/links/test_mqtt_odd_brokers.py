"""Brokers that refuse us, cannot be trusted or answer oddly: what is said of it, and that the link lives on."""

from __future__ import annotations

import gc
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.errors import ConfigError
from monitor.links.mqtt import Broker, BrokerAddress
from tests.links.conftest import Link, connected, take
from tests.servers import Mosquitto, until

pytestmark = pytest.mark.broker


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
    until(lambda: len(said) >= 2, what="the take-over")
    assert 'another client took our client id "amp-monitor"' in said[1]
    assert "Stop the other service" in said[1]
    broker.stop()
    odd.close()


def test_two_services_that_throw_each_other_out_are_told_so(mosquitto: Mosquitto, link: Link) -> None:
    # mosquitto 2.0.11 does not say why it hangs up.
    said: list[str] = []
    link(mosquitto.port, said=said)
    link(mosquitto.port)
    until(lambda: any('another client has our client id "amp-monitor"' in text for text in said), what="the hint")


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
    assert greeting[at + 1] & 0x3C == 0x2C  # a will, of QoS 1, retained (MQTT 5.0, 3.1.2.5 to 3.1.2.7)
    assert greeting.endswith(b"\x00\x1aamps/v1/amp-monitor/status\x00\x07offline")
    broker.stop()
    odd.close()


@pytest.mark.parametrize("reason", [b"\x9a", b"\x9b"])
def test_a_broker_that_keeps_no_last_word_gets_none(reason: bytes, link: Link) -> None:
    odd = OddBroker(b"\x20\x03\x00" + reason + b"\x00", b"\x20\x03\x00\x00\x00")
    broker = connected(link(odd.port))
    flags = [greeting[greeting.index(b"MQTT") + 5] for greeting in odd.greetings[:2]]
    assert [one & 0x04 for one in flags] == [0x04, 0]
    assert broker.protocol == "MQTT 5"
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
    until(lambda: len(odd.greetings) >= 3, what="three tries")
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
    until(lambda: len(odd.greetings) >= 2, what="a second try")
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
            assert b"\x40\x02\x00\x07" in got
            assert got.endswith(b"offline\xe0\x00")
            sock.settimeout(0.3)
            with pytest.raises(TimeoutError):
                sock.recv(1)
        stopping.join(2)
        assert not stopping.is_alive()
