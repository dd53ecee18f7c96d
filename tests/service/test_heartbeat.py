"""Calls to the outside while the watch works, at a real HTTP server; what goes wrong there stays there."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from monitor import settings
from monitor.errors import ConfigError, LinkError
from monitor.links.heartbeat import call
from monitor.service.checkup import checkup
from monitor.service.heartbeat import Heartbeat, url_of
from monitor.service.shell import Service
from monitor.settings import HeartbeatSettings
from tests.servers import free_port, until


class Outside:
    """A server that counts calls and answers as it is told."""

    def __init__(self) -> None:
        self.calls: list[tuple[str, str]] = []
        self.status = 200
        self.hold = threading.Event()
        self.hold.set()
        outside = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                outside.calls.append((self.command, self.path))
                outside.hold.wait(300)
                self.send_response(outside.status)
                if 300 <= outside.status < 400:
                    self.send_header("Location", f"http://127.0.0.1:{outside.port}/elsewhere")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/a1b2"

    def close(self) -> None:
        self.hold.set()
        self._server.shutdown()
        self._server.server_close()


@pytest.fixture
def outside() -> Iterator[Outside]:
    made = Outside()
    yield made
    made.close()


def test_it_calls_only_while_the_watch_works(outside: Outside) -> None:
    why: list[str | None] = [None]
    said: list[str] = []
    beat = Heartbeat(outside.url, 300.0, lambda: why[0], say=said.append)
    beat.beat()
    assert outside.calls == [("GET", "/a1b2")] and said == []
    why[0] = "worker: it has not gone round for 75 s"
    beat.beat()
    beat.beat()
    assert len(outside.calls) == 1
    why[0] = None
    beat.beat()
    told = beat.told()
    assert (told["called"], told["failed"], told["held_back"], told["words"]) == (2, 0, 2, "called")
    assert "a1b2" not in str(told) + str(said)
    assert [line.partition("/...: ")[2] for line in said] == [
        "held back: worker: it has not gone round for 75 s",
        "called",
    ]


@pytest.mark.parametrize(
    ("status", "words"), [(302, "refused: HTTP 302, it points elsewhere"), (404, "refused: HTTP 404"), (500, "refused")]
)
def test_what_is_refused_is_said_once_and_counted(outside: Outside, status: int, words: str) -> None:
    said: list[str] = []
    outside.status = status
    beat = Heartbeat(outside.url, 300.0, lambda: None, say=said.append)
    beat.beat()
    beat.beat()
    assert len(outside.calls) == 2  # redirects are not followed
    assert len(said) == 1 and words in said[0]
    assert beat.told()["failed"] == 2 and beat.told()["seconds_since_called"] is None


def test_nobody_there_and_one_who_says_nothing(outside: Outside) -> None:
    with pytest.raises(LinkError, match=r"^no answer: no connection \(Connection refused\)$"):
        call(f"http://127.0.0.1:{free_port()}/a1b2", 2.0)
    with pytest.raises(LinkError, match=r"^no answer: no TLS there"):  # whoever reads only "ConnectError" looks long
        call(outside.url.replace("http:", "https:"), 2.0)
    outside.hold.clear()
    with pytest.raises(LinkError, match="no answer: nothing within"):
        call(outside.url, 0.4)
    assert not outside.hold.is_set()


def test_a_fault_of_the_library_does_not_end_the_calls(outside: Outside) -> None:
    def broken(url: str) -> None:
        raise RuntimeError("odd")

    beat = Heartbeat(outside.url, 0.01, lambda: None, call=broken)
    beat.start()
    until(lambda: beat.told()["failed"] > 2, what="some calls")
    assert beat.alive
    beat.stop()
    assert not beat.alive


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "monitor.toml"
    path.write_text(
        f'data = "{tmp_path}/data"\n[mqtt]\nport = {free_port()}\n[web]\nlisten = "127.0.0.1:{free_port()}"\n'
    )
    return path


def test_a_call_that_hangs_holds_nothing_up(
    outside: Outside, file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "url").write_text(outside.url + "\n")
    file.write_text(file.read_text() + f'[heartbeat]\nurl = "file:{tmp_path}/url"\nevery_seconds = 60\n')
    outside.hold.clear()
    service = Service(settings.load(file), print_line=lambda line: None)
    assert service.heartbeat is not None
    monkeypatch.setattr(service.heartbeat, "_every", 0.05)
    try:
        service.start()
        until(lambda: outside.calls, what="a call")
        rounds = service.worker.rounds
        until(lambda: service.worker.rounds > rounds + 3, what="the worker's turns")
        assert service.health.told()["late"] == []
        assert service.health.told()["heartbeat"]["called"] == 0
        outside.hold.set()
        until(lambda: service.health.told()["heartbeat"]["called"] > 0, what="a call that ends")
    finally:
        service.stop()
    assert not service.heartbeat.alive


def test_an_address_that_is_none_is_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "url").write_text("outside.example\n")
    assert url_of(HeartbeatSettings()) is None
    for url in (f"file:{tmp_path}/url", "outside.example", "ftp://outside.example"):
        with pytest.raises(ConfigError, match=r"heartbeat\.url: expected https://HOST/PATH"):
            url_of(HeartbeatSettings(url=url))
    with pytest.raises(ConfigError, match="cannot read the secret file"):
        url_of(HeartbeatSettings(url=f"file:{tmp_path}/nothing"))
    (tmp_path / "monitor.toml").write_text('[heartbeat]\nevery_seconds = 5\nurls = "x"\n')
    with pytest.raises(ConfigError, match=r"(?s)heartbeat.every_seconds.*heartbeat.urls|heartbeat.urls.*every_seconds"):
        settings.load(tmp_path / "monitor.toml")


def test_check_looks_and_does_not_call(outside: Outside, file: Path) -> None:
    text = file.read_text()
    file.write_text(text + f'[heartbeat]\nurl = "{outside.url}"\n')
    (found,) = [one for one in checkup(settings.load(file)) if one.what == "heartbeat"]
    assert found.ok and found.words.startswith(f"calls http://127.0.0.1:{outside.port}/... each 300 s while")
    assert outside.calls == []
    file.write_text(text + '[heartbeat]\nurl = "nonsense"\n')
    (found,) = [one for one in checkup(settings.load(file)) if one.what == "heartbeat"]
    assert not found.ok
    file.write_text(text)
    assert not [one for one in checkup(settings.load(file)) if one.what == "heartbeat"]


def test_check_asks_a_running_service_what_is_late(file: Path) -> None:
    chosen = settings.load(file)

    def found() -> list[tuple[bool, str]]:
        return [(one.ok, one.words) for one in checkup(chosen) if one.what == "service"]

    assert found() == []
    service = Service(chosen, print_line=lambda line: None)
    try:
        service.start()
        until(lambda: service.worker.rounds > 1, what="the worker's turns")
        assert found() == [(True, "nothing is late")]
        service._waits = True
        ((ok, words),) = found()
        assert not ok and words.startswith("clock: it is behind")
    finally:
        service.stop()
