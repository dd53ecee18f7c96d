"""Signed webhooks against a real server on loopback: what it must get, and what it may do wrong."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
import shutil
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import httpx
import pytest
from cloudevents.core.bindings.http import (
    HTTPMessage,
    from_http_event,
    from_structured_event,
    to_structured_event,
)  # fmt: skip
from cloudevents.core.exceptions import CloudEventValidationError
from standardwebhooks import Webhook
from standardwebhooks.webhooks import WebhookVerificationError

from monitor.alarms.notice import Notice
from monitor.errors import ConfigError, LinkError
from monitor.links import senders, webhook
from tests.servers import free_port

# Standard Webhooks specification 1.0.0, public test vector of its reference libraries (not a real credential).
ID = "0-17-42-farm-1-1791076470250"
VECTOR_SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
VECTOR_ID = "msg_p5jXN8AQM9LWM0D4loKWxJek"
VECTOR_TIME = 1614265330
VECTOR_BODY = '{"test": 2432232314}'
VECTOR_SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="

Handle = Callable[[BaseHTTPRequestHandler], None]


@dataclass
class Receiver:
    url: str
    answer: Handle
    got: list[tuple[dict[str, str], bytes]] = field(default_factory=list)


def status(code: int, **headers: str) -> Handle:
    def answer(request: BaseHTTPRequestHandler) -> None:
        request.send_response(code)
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.send_header("content-length", "0")
        request.end_headers()

    return answer


@pytest.fixture
def receiver(monkeypatch: pytest.MonkeyPatch) -> Iterator[Receiver]:
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)
    ended = threading.Event()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            there.got.append(({name.lower(): value for name, value in self.headers.items()}, body))
            there.answer(self)

        def handle(self) -> None:
            with contextlib.suppress(OSError):  # what a client does that talks TLS to us, or hangs up
                super().handle()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    there = Receiver(f"webhook+http://127.0.0.1:{server.server_port}/notices?farm=1", status(204))
    there.__dict__ |= {"ended": ended, "handler": Handler}
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield there
    ended.set()
    server.shutdown()
    thread.join()
    server.server_close()


def send(to: str, notice: Notice, *, deadline: float = 60.0, now: datetime | None = None) -> None:
    senders.send(to, notice, deadline_seconds=deadline, secret=VECTOR_SECRET, now=lambda: now or datetime.now(UTC))


def refused(to: str, notice: Notice, **how: float) -> LinkError:
    with pytest.raises(LinkError) as caught:
        send(to, notice, **how)  # type: ignore[arg-type]
    return caught.value


# ---------------------------------------------------------------------- what it gets


def by_hand(secret: str, notice_id: str, timestamp: int | str, body: bytes) -> str:
    key = base64.b64decode(secret.removeprefix("whsec_"))
    signed = f"{notice_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def test_the_public_vector_by_hand_and_by_the_library() -> None:
    assert by_hand(VECTOR_SECRET, VECTOR_ID, VECTOR_TIME, VECTOR_BODY.encode()) == VECTOR_SIGNATURE
    moment = datetime.fromtimestamp(VECTOR_TIME, UTC)
    assert Webhook(VECTOR_SECRET).sign(VECTOR_ID, moment, VECTOR_BODY) == VECTOR_SIGNATURE


def test_our_own_signing_gives_the_public_vector(notice: Notice, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(webhook.json, "dumps", lambda *_, **__: VECTOR_BODY)
    monkeypatch.setattr(webhook, "id_of", lambda notice: notice.id)
    moment = datetime.fromtimestamp(VECTOR_TIME, UTC) + timedelta(milliseconds=900)
    body, headers = webhook.signed(replace(notice, id=VECTOR_ID), VECTOR_SECRET, moment)
    assert body == VECTOR_BODY.encode()
    assert headers["webhook-timestamp"] == str(VECTOR_TIME)
    assert headers["webhook-signature"] == VECTOR_SIGNATURE


def test_a_receiver_can_verify_what_arrived(receiver: Receiver, notice: Notice) -> None:
    send(receiver.url, notice)
    ((headers, body),) = receiver.got
    assert headers["webhook-id"] == ID
    assert abs(int(headers["webhook-timestamp"]) - time.time()) < 5
    assert headers["webhook-signature"] == by_hand(VECTOR_SECRET, ID, headers["webhook-timestamp"], body)
    Webhook(VECTOR_SECRET).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(VECTOR_SECRET).verify(body.replace(b"overload", b"nothing!"), headers)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + base64.b64encode(b"x" * 24).decode()).verify(body, headers)


def test_the_body_is_a_cloudevent(receiver: Receiver, notice: Notice) -> None:
    """CloudEvents 1.0.2: required attributes id, source, specversion, type; time RFC 3339; data in JSON."""
    send(receiver.url, notice)
    ((headers, body),) = receiver.got
    assert headers["content-type"].split(";")[0] == "application/cloudevents+json"
    event = json.loads(body)
    data = event.pop("data")
    assert event == {
        "specversion": "1.0",
        "id": ID,
        "source": "/sites/home",
        "type": "fan-amp-monitor.alarm.raised",
        "time": "2026-10-04T01:14:30.250Z",
        "subject": "north-3",
        "datacontenttype": "application/json",
    }
    assert all(name.isalnum() and name.islower() for name in event)
    assert data["condition"] == "overload"
    assert data["short"] == notice.short
    assert data["long"] == notice.long
    assert len(body) < 20_000  # as Standard Webhooks advises


def test_the_official_library_reads_the_event_off_the_wire(receiver: Receiver, notice: Notice) -> None:
    """`cloudevents`, of the authors of the standard: structured mode, as a receiver would use it."""
    send(receiver.url, replace(notice, long="Süd 3: 15.1 A, 寒い.\n"))
    ((headers, body),) = receiver.got
    event = from_http_event(HTTPMessage(headers, body))
    assert (event.get_specversion(), event.get_id(), event.get_source()) == ("1.0", ID, "/sites/home")
    assert event.get_type() == "fan-amp-monitor.alarm.raised"
    assert event.get_time() == notice.created
    assert event.get_datacontenttype() == "application/json"
    assert event.get_data()["long"] == "Süd 3: 15.1 A, 寒い.\n"
    assert headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    assert to_structured_event(event).headers["content-type"] == headers["content-type"].split(";")[0]
    again = from_structured_event(to_structured_event(event))
    assert again.get_attributes() == event.get_attributes()
    assert again.get_data() == event.get_data()


def test_the_official_library_would_not_take_just_anything(notice: Notice) -> None:
    """That the test above can fail: the same event with one required attribute less."""
    event = webhook.event(notice)
    for name in ("source", "type"):  # an id that is missing it makes up
        body = json.dumps({key: value for key, value in event.items() if key != name}).encode()
        with pytest.raises(CloudEventValidationError):
            from_http_event(HTTPMessage({"content-type": webhook.MEDIA_TYPE}, body))


NODE_RECEIVER = """
const crypto = require('crypto'), http = require('http');
const keys = process.argv.slice(1).map(secret => Buffer.from(secret.replace(/^whsec_/, ''), 'base64'));
http.createServer((request, answer) => {
  const parts = [];
  request.on('data', part => parts.push(part));
  request.on('end', () => {
    const body = Buffer.concat(parts), head = request.headers;
    const signed = Buffer.concat([Buffer.from(`${head['webhook-id']}.${head['webhook-timestamp']}.`), body]);
    const given = head['webhook-signature'].split(' ').map(one => one.split(','));
    const good = keys.map(key => given.some(([version, text]) => {
      const mine = crypto.createHmac('sha256', key).update(signed).digest(), theirs = Buffer.from(text, 'base64');
      return version === 'v1' && mine.length === theirs.length && crypto.timingSafeEqual(mine, theirs);
    }));
    const event = JSON.parse(body.toString('utf8'));
    const fresh = Math.abs(Date.now() / 1000 - Number(head['webhook-timestamp'])) < 300;
    console.log(JSON.stringify({good, fresh, id: event.id, type: head['content-type'], short: event.data.short}));
    answer.writeHead(204); answer.end();
  });
}).listen(0, '127.0.0.1', function () { console.log(this.address().port); });
"""


def test_a_receiver_in_another_language_verifies_it(notice: Notice) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("NOT TESTED: no Node.js here (apt-get install nodejs)")
    new, wrong = ("whsec_" + base64.b64encode(letter * 32).decode() for letter in (b"n", b"w"))
    with subprocess.Popen(
        [node, "-e", NODE_RECEIVER, VECTOR_SECRET, new, wrong], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        url = f"webhook+http://127.0.0.1:{int(process.stdout.readline())}/"
        short = replace(notice, short="Süd-3: 15,1 A, 寒い")
        said = []
        for secret in (VECTOR_SECRET, f"{VECTOR_SECRET}\n{new}\n"):
            senders.send(url, short, secret=secret)
            said.append(json.loads(process.stdout.readline()))
        process.kill()
    assert [one.pop("good") for one in said] == [[True, False, False], [True, True, False]]
    for one in said:
        assert one == {"fresh": True, "id": ID, "type": webhook.MEDIA_TYPE, "short": "Süd-3: 15,1 A, 寒い"}


def test_while_the_secret_is_changed_both_sign(receiver: Receiver, notice: Notice) -> None:
    """Standard Webhooks 1.0.0: signatures stand in one header, divided by spaces; the receiver takes any of them."""
    new = "whsec_" + base64.b64encode(b"n" * 32).decode()
    senders.send(receiver.url, notice, secret=f"{VECTOR_SECRET}\r\n{new}")
    ((headers, body),) = receiver.got
    stamp = headers["webhook-timestamp"]
    expected = [by_hand(secret, ID, stamp, body) for secret in (VECTOR_SECRET, new)]
    assert headers["webhook-signature"].split(" ") == expected
    for secret in (VECTOR_SECRET, new):
        Webhook(secret).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + base64.b64encode(b"w" * 32).decode()).verify(body, headers)


def test_without_a_secret_nothing_is_sent(receiver: Receiver, notice: Notice) -> None:
    for secret in (None, "", " \n", f"{VECTOR_SECRET}\nwhsec_!"):
        with pytest.raises(LinkError, match=r"^not sent: the notice cannot be signed") as caught:
            senders.send(receiver.url, notice, secret=secret)
        assert caught.value.permanent
    assert receiver.got == []


def test_a_certificate_that_nobody_vouches_for(
    receiver: Receiver, notice: Notice, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    context.load_cert_chain(certificate / "crt", certificate / "key")
    server = ThreadingHTTPServer(("127.0.0.1", 0), receiver.__dict__["handler"])
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    to = f"webhook+https://127.0.0.1:{server.server_port}/"
    webhook.trust.cache_clear()
    try:
        error = refused(to, notice)
        assert str(error) == "no answer: no trusted connection (its certificate: self-signed certificate)"
        assert not error.permanent  # a certificate that ran out is renewed within the day
        assert receiver.got == []
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate / "crt"))
        webhook.trust.cache_clear()
        send(to, notice)
        assert len(receiver.got) == 1
    finally:
        webhook.trust.cache_clear()
        server.shutdown()
        thread.join()
        server.server_close()


def test_plain_http_where_tls_was_meant(receiver: Receiver, notice: Notice) -> None:
    error = refused(receiver.url.replace("http:", "https:"), notice)
    assert str(error) == "no answer: no TLS there (WRONG_VERSION_NUMBER)"


def test_a_second_try_has_the_same_id_and_body_and_a_new_time(receiver: Receiver, notice: Notice) -> None:
    send(receiver.url, notice, now=datetime(2026, 10, 4, 1, 15, tzinfo=UTC))
    send(receiver.url, notice, now=datetime(2026, 10, 4, 1, 16, tzinfo=UTC))
    (first, body), (second, again) = receiver.got
    assert body == again
    assert first["webhook-id"] == second["webhook-id"]
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 60
    assert first["webhook-signature"] != second["webhook-signature"]


def test_the_same_number_in_a_restored_database_is_no_repeat(receiver: Receiver, notice: Notice) -> None:
    """CloudEvents 1.0.2: source and id are unique for each distinct event."""
    send(receiver.url, notice)
    send(receiver.url, replace(notice, created=notice.created + timedelta(days=1)))
    (first, body), (second, other) = receiver.got
    assert first["webhook-id"] != second["webhook-id"]
    assert json.loads(body)["id"] != json.loads(other)["id"]
    assert "." not in second["webhook-id"]


def test_a_notice_about_a_supply_has_no_subject(notice: Notice) -> None:
    assert "subject" not in webhook.event(replace(notice, data={**notice.data, "fan": None}))


# ---------------------------------------------------------------------- what it answers


@pytest.mark.parametrize("code", [200, 201, 202, 204, 299])
def test_any_2xx_is_taken(receiver: Receiver, notice: Notice, code: int) -> None:
    receiver.answer = status(code)
    send(receiver.url, notice)
    assert len(receiver.got) == 1


@pytest.mark.parametrize("code", [400, 401, 403, 404, 413, 429, 500, 502, 503])
def test_other_answers_are_tried_again(receiver: Receiver, notice: Notice, code: int) -> None:
    receiver.answer = status(code)
    error = refused(receiver.url, notice)
    assert str(error) == f"refused: HTTP {code}"
    assert not error.permanent
    assert error.retry_after_seconds is None


def test_410_means_never_again(receiver: Receiver, notice: Notice) -> None:
    receiver.answer = status(410)
    error = refused(receiver.url, notice)
    assert error.permanent
    assert str(error).startswith("gone: ")


@pytest.mark.parametrize("code", [301, 302, 303, 307, 308])
def test_a_redirect_is_not_followed(receiver: Receiver, notice: Notice, code: int) -> None:
    receiver.answer = status(code, location=receiver.url.removeprefix("webhook+"))
    error = refused(receiver.url, notice)
    assert len(receiver.got) == 1
    assert "points elsewhere" in str(error)


@pytest.mark.parametrize(
    ("header", "seconds"),
    [("120", 120.0), ("0", 0.0), ("99999999999999999999", 86_400.0), ("soon", None), ("-5", None), ("", None),
     ("1.5", None), ("٣", None), ("Mon, 99 Foo 2026 25:00:00 GMT", None)],
)  # fmt: skip
@pytest.mark.parametrize("code", [429, 503])
def test_retry_after(receiver: Receiver, notice: Notice, code: int, header: str, seconds: float | None) -> None:
    receiver.answer = status(code, retry_after=header.encode().decode("latin-1"))
    assert refused(receiver.url, notice).retry_after_seconds == seconds


def test_retry_after_as_a_date(receiver: Receiver, notice: Notice) -> None:
    now = datetime(2026, 10, 4, 1, 15, tzinfo=UTC)
    for ahead, seconds in ((90, 90.0), (-90, 0.0)):
        receiver.answer = status(503, retry_after=format_datetime(now + timedelta(seconds=ahead), usegmt=True))
        assert refused(receiver.url, notice, now=now).retry_after_seconds == seconds  # type: ignore[arg-type]


def test_nobody_there(notice: Notice) -> None:
    error = refused(f"webhook+http://127.0.0.1:{free_port()}/x", notice)
    assert str(error).startswith("no answer: no connection")
    assert not error.permanent


def test_one_that_hangs_is_left_at_the_deadline(receiver: Receiver, notice: Notice) -> None:
    receiver.answer = lambda request: receiver.__dict__["ended"].wait(120)
    began = time.monotonic()
    error = refused(receiver.url, notice, deadline=0.4)
    assert time.monotonic() - began < 45
    assert str(error).startswith("no answer: nothing within 0.4 s")


def test_one_that_trickles_is_left_at_the_deadline(receiver: Receiver, notice: Notice) -> None:
    def trickle(request: BaseHTTPRequestHandler) -> None:
        try:
            for letter in b"HTTP/1.1 200 OK\r\nx: " + b"y" * 2_000:
                request.wfile.write(bytes([letter]))
                if receiver.__dict__["ended"].wait(0.05):
                    return
        except OSError:
            pass

    receiver.answer = trickle
    began = time.monotonic()
    error = refused(receiver.url, notice, deadline=0.5)
    assert time.monotonic() - began < 45
    assert str(error) == "no answer: nothing within 0.5 s"


@pytest.mark.parametrize("half", [b"", b"HTTP/1.1 20", b"rubbish\r\n\r\n", b"HTTP/1.1 999999 X\r\n\r\n"])
def test_half_an_answer_is_none(receiver: Receiver, notice: Notice, half: bytes) -> None:
    def answer(request: BaseHTTPRequestHandler) -> None:
        request.wfile.write(half)
        request.close_connection = True

    receiver.answer = answer
    error = refused(receiver.url, notice)
    assert str(error).startswith("no answer: the connection broke")


def test_a_body_that_never_ends_does_not_matter_after_a_200(receiver: Receiver, notice: Notice) -> None:
    def answer(request: BaseHTTPRequestHandler) -> None:
        request.wfile.write(b"HTTP/1.1 200 OK\r\ncontent-length: 1000000\r\n\r\nhalf")
        request.wfile.flush()
        receiver.__dict__["ended"].wait(120)

    receiver.answer = answer
    began = time.monotonic()
    send(receiver.url, notice)
    assert time.monotonic() - began < 45


def test_every_error_of_the_library_is_translated(notice: Notice, monkeypatch: pytest.MonkeyPatch) -> None:
    def kinds(base: type[Exception]) -> set[type[Exception]]:
        return {base}.union(*(kinds(one) for one in base.__subclasses__()))

    roots = (httpx.HTTPError, httpx.StreamError, httpx.InvalidURL)
    found = set().union(*(kinds(root) for root in roots))
    public = {
        one for name in dir(httpx) if isinstance(one := getattr(httpx, name), type) and issubclass(one, Exception)
    }
    assert public - found == {httpx.CookieConflict}  # of asking a jar of cookies, which we do not do
    for kind in found:
        error = kind.__new__(kind)
        Exception.__init__(error, "made to fail")

        def fail(*_: object, error: Exception = error, **__: object) -> None:
            raise error

        monkeypatch.setattr(httpx.Client, "stream", fail)
        assert "made to fail" in str(refused("webhook+http://127.0.0.1:1/", notice)) or issubclass(
            kind, httpx.TimeoutException
        )


# ---------------------------------------------------------------------- settings


@pytest.mark.parametrize(
    ("address", "secret", "places"),
    [
        ("webhook+https://farm.example/x", VECTOR_SECRET, []),
        ("webhook+https://farm.example/x", base64.b64encode(b"x" * 64).decode(), []),
        ("webhook+https://farm.example/x", "whsec_" + base64.b64encode(b"x" * 23).decode(), ["secret_file"]),
        ("webhook+https://farm.example/x", "whsec_" + base64.b64encode(b"x" * 65).decode(), ["secret_file"]),
        ("webhook+https://farm.example/x", "whsec_not-base64!", ["secret_file"]),
        ("webhook+https://farm.example/x", f"{VECTOR_SECRET}\n{VECTOR_SECRET}\n", []),
        ("webhook+https://farm.example/x", f"{VECTOR_SECRET}\nwhsec_QUFB\n!", ["secret_file", "secret_file"]),
        ("webhook+https://farm.example/x", "", ["secret_file"]),
        ("webhook+https://", "", ["to", "secret_file"]),
    ],
)
def test_addresses_are_looked_at_before_they_are_needed(address: str, secret: str, places: list[str]) -> None:
    if not places:
        senders.check_address(address, secret)
        return
    with pytest.raises(ConfigError) as caught:
        senders.check_address(address, secret)
    assert [fault.place for fault in caught.value.faults] == places
    assert not secret or secret not in str(caught.value)
