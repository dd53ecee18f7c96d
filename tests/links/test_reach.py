"""How far an address can be reached, without anything being sent."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult

from monitor.errors import LinkError
from monitor.links import mail, webhook
from monitor.links.reach import reach
from tests.servers import free_port, hangs, receiver, says, trickles

MAIL = "mailto{}://farm:{}@127.0.0.1:{}?mode={}&smtp=127.0.0.1&from=a@b.example&to=c@d.example"


@pytest.fixture(autouse=True)
def _no_proxies(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HTTP_PROXY", "HTTPS_PROXY", "ALL_PROXY", "http_proxy", "https_proxy", "all_proxy"):
        monkeypatch.delenv(name, raising=False)


def refused(address: str, deadline: float = 60.0) -> str:
    with pytest.raises(LinkError) as caught:
        reach(address, deadline)
    return str(caught.value)


@pytest.mark.parametrize("kind", ["webhook+http", "json", "form", "xml", "mqtt"])
def test_a_receiver_that_is_there(kind: str) -> None:
    with receiver(hangs) as port:
        assert reach(f"{kind}://127.0.0.1:{port}/x") == "answers"


@pytest.mark.parametrize("kind", ["webhook+http", "webhook+https", "json", "jsons", "mqtt", "mqtts"])
def test_one_that_is_not(kind: str) -> None:
    assert refused(f"{kind}://127.0.0.1:{free_port()}/x") == "no answer: no connection (Connection refused)"
    assert refused(f"{kind}://no-such-host.invalid/x").startswith("no answer: no computer has this name")


@pytest.mark.parametrize("address", ["ntfy://a-topic", "tgram://12345:abc/678", "mqtt://"])
def test_what_cannot_be_seen_from_here_is_not_called_good(address: str) -> None:
    assert reach(address) == "is understood; whether it works only a test notice shows"


def test_behind_a_proxy_nothing_can_be_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("https_proxy", "http://127.0.0.1:9")
    monkeypatch.delenv("no_proxy", raising=False)
    assert "goes through a proxy" in reach("webhook+https://farm.example/x")
    with receiver(hangs) as port:
        assert reach(f"webhook+http://127.0.0.1:{port}/x") == "answers"


# ---------------------------------------------------------------------- TLS


@pytest.fixture
def context(certificate: Path) -> ssl.SSLContext:
    made = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    made.load_cert_chain(certificate / "crt", certificate / "key")
    return made


def trusts(monkeypatch: pytest.MonkeyPatch, certificate: Path | None) -> None:
    if certificate is not None:
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate / "crt"))
    mail.trust.cache_clear()
    webhook.trust.cache_clear()


@pytest.fixture
def tls_port(context: ssl.SSLContext) -> Iterator[int]:
    got: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(self.path)

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.handle_error = lambda *_: None  # type: ignore[method-assign]  # of clients that do not trust us
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    yield server.server_port
    server.shutdown()
    thread.join()
    server.server_close()
    assert got == []


def test_certificates(tls_port: int, certificate: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    trusts(monkeypatch, None)
    assert refused(f"webhook+https://127.0.0.1:{tls_port}/x") == (
        "no answer: no trusted connection (self-signed certificate)"
    )
    assert reach(f"jsons://127.0.0.1:{tls_port}/x?verify=no") == "answers; its certificate is not looked at"
    trusts(monkeypatch, certificate)
    assert reach(f"webhook+https://127.0.0.1:{tls_port}/x") == "answers, its certificate is good"
    assert "Hostname mismatch" in refused(f"webhook+https://localhost:{tls_port}/x")
    trusts(monkeypatch, None)


@pytest.mark.parametrize("talk", [says(b"HTTP/1.1 400 Bad Request\r\n\r\n"), says(b"")], ids=["plain", "nothing"])
def test_no_tls_where_it_was_meant(talk: Any) -> None:
    with receiver(talk) as port:
        assert refused(f"webhook+https://127.0.0.1:{port}/x").startswith("no answer: no ")


@pytest.mark.parametrize("kind", ["webhook+https", "mqtts"])
@pytest.mark.parametrize("talk", [hangs, trickles(b"\x16\x03\x03\x40\x00")], ids=["hangs", "trickles"])
def test_one_that_hangs(kind: str, talk: Any) -> None:
    with receiver(talk) as port:
        assert refused(f"{kind}://127.0.0.1:{port}/x", 0.4) == "no answer: nothing within 0.4 s"


# ---------------------------------------------------------------------- mail


class Post:
    def __init__(self) -> None:
        self.letters = 0

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        self.letters += 1
        return "250 taken"


def check(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
    return AuthResult(success=data.password == b"right", handled=False)


def test_a_mail_server_without_tls() -> None:
    post, port = Post(), free_port()
    controller = Controller(
        post, hostname="127.0.0.1", port=port, authenticator=check, auth_require_tls=False,
        auth_exclude_mechanism=["LOGIN"],
    )  # fmt: skip
    controller.start()
    try:
        assert reach(MAIL.format("", "right", port, "insecure")) == (
            f"the mail server at 127.0.0.1:{port} answers, the login is taken"
        )
        said = refused(MAIL.format("", "wr0ngpass", port, "insecure"))
        assert said.startswith("refused: the login: 535") and "wr0ngpass" not in said
    finally:
        controller.stop()
    assert post.letters == 0


def test_a_mail_server_with_tls(
    context: ssl.SSLContext, certificate: Path, monkeypatch: pytest.MonkeyPatch
) -> None:  # fmt: skip
    class Starting(Controller):
        def factory(self) -> SMTP:
            return SMTP(self.handler, tls_context=context, authenticator=check, auth_exclude_mechanism=["LOGIN"])

    post, port = Post(), free_port()
    controller = Starting(post, hostname="127.0.0.1", port=port)
    controller.start()
    address = MAIL.format("s", "right", port, "starttls")
    try:
        trusts(monkeypatch, None)
        assert refused(address) == "no answer: no trusted connection (self-signed certificate)"
        trusts(monkeypatch, certificate)
        assert reach(address).endswith("answers, its certificate is good, the login is taken")
    finally:
        trusts(monkeypatch, None)
        controller.stop()
    assert post.letters == 0


@pytest.mark.parametrize(("talk", "said"), [
    (hangs, "no answer: nothing within 0.4 s"), (trickles(b"220-"), "no answer: nothing within 0.4 s"),
    (says(b"", listens=False), "no answer: the mail server hung up"),
    (says(b"SSH-2.0-x\r\n", listens=False), "no answer: half a one, or from no mail server"),
    (says(b"554 no\r\n", listens=False), "refused: 554 no"),
])  # fmt: skip
def test_what_is_no_mail_server(talk: Any, said: str) -> None:
    with receiver(talk) as port:
        seconds = 0.4 if "within 0.4 s" in said else 60.0
        assert refused(MAIL.format("", "right", port, "insecure"), seconds).startswith(said)


def test_a_mail_server_that_no_name_server_knows() -> None:
    assert refused("mailto://u:p@no-such-host.invalid?from=a@b.example&mode=insecure").startswith(
        "no answer: no mail server has this name"
    )
