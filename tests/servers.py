"""What tests and benchmarks share: a real broker, a publisher that knows what it has taken, a service to be killed.

No pytest here, so that benchmarks run where only the service is installed.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import shutil
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from monitor import settings
from monitor.records import register
from monitor.records.database import open_database
from monitor.service.opening import seed_sites
from tests.plates import TEN_HP
from tests.warm import Forked, Loaded

MOSQUITTO = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")


def _ports() -> Iterator[int]:
    """Ports from 10,000 to 29,999, a fifth of them for each process that tests (pytest-xdist), from anywhere in it."""
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 5
    at = random.Random().randrange(4_000)
    while True:
        at = (at + 1) % 4_000
        yield 10_000 + 4_000 * worker + at


_PORTS = _ports()


def free_port() -> int:
    """A port on which nobody listens.

    None that the system itself gives to whoever connects somewhere (from 32,768): it would give it away before it is
    used, or while a server that is to be there again is down; and who calls at such a port may even meet himself.
    """
    for port in _PORTS:
        with socket.socket() as sock, contextlib.suppress(OSError):
            sock.bind(("127.0.0.1", port))
            return port
    raise AssertionError("there are more")


PATIENCE_SECONDS = 45.0
"""What comes about is waited for at least so long: a machine that does much else may stand still for some seconds, and
only a test that fails has to wait for the end of it."""


def until(true: Callable[[], object], seconds: float = PATIENCE_SECONDS, what: str = "it") -> None:
    """Waits for something to become true; fails loudly.

    seconds: only where more than PATIENCE_SECONDS are needed
    """
    seconds = max(seconds, PATIENCE_SECONDS)
    began = time.monotonic()
    while not true():
        waited = time.monotonic() - began
        if waited > seconds:
            raise AssertionError(f"{what} did not come about within {seconds} s")
        time.sleep(min(max(0.01, 0.05 * waited), 0.2))  # asking, too, costs: of a service, or what it waits for


class QuickSleep:
    """In place of uvicorn's `asyncio`: a server looks each 5 ms whether it is to stop, not twice for 0.1 s.

    Hundreds of tests start and stop one.
    """

    def __getattr__(self, name: str) -> Any:
        return getattr(asyncio, name)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(min(seconds, 0.005))


Talk = Callable[[socket.socket, threading.Event], None]
"""What a receiver does with one connection, until the event says that the test is over."""


@contextmanager
def receiver(talk: Talk) -> Iterator[int]:
    """A TCP server that behaves as it is told; its port. Whatever it is in the middle of ends with it."""
    over = threading.Event()
    held: set[socket.socket] = set()

    def serve(taken: socket.socket) -> None:
        with contextlib.suppress(OSError), taken:
            talk(taken, over)
        held.discard(taken)

    def accept(server: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while not over.is_set():
                taken, _ = server.accept()
                held.add(taken)
                threading.Thread(target=serve, args=(taken,), daemon=True).start()

    with socket.create_server(("127.0.0.1", 0), backlog=200) as server:
        thread = threading.Thread(target=accept, args=(server,), daemon=True)
        thread.start()
        yield int(server.getsockname()[1])
        over.set()
        server.shutdown(socket.SHUT_RDWR)
        for taken in list(held):
            with contextlib.suppress(OSError):
                taken.shutdown(socket.SHUT_RDWR)
        thread.join(5)


def hangs(taken: socket.socket, over: threading.Event) -> None:
    """Takes the connection and never answers."""
    while taken.recv(65_536):
        pass
    over.wait(0.001)


def trickles(begins: bytes, each_seconds: float = 0.004) -> Talk:
    """Begins an answer and goes on a byte at a time, for ever: no single wait for it is long."""

    def talk(taken: socket.socket, over: threading.Event) -> None:
        taken.sendall(begins)
        while not over.wait(each_seconds):
            taken.sendall(b"x")

    return talk


def says(text: bytes, listens: bool = True) -> Talk:
    """Says something, whole or half, and hangs up."""

    def talk(taken: socket.socket, over: threading.Event) -> None:
        if listens:
            taken.recv(65_536)
        taken.sendall(text)

    return talk


class Receivers:
    """An HTTP server that takes JSON: what it got, with its path and the instant."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.at: list[tuple[str, float]] = []
        there = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                there.at.append((self.path, time.monotonic()))
                there.got.append(json.loads(body))
                self.send_response(204)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                pass

            def handle(self) -> None:
                with contextlib.suppress(OSError):
                    super().handle()

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02})
        self._thread.start()

    def __enter__(self) -> Receivers:
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()


class Mosquitto:
    """Debian's mosquitto, to be killed and started again; its state stays in its directory."""

    def __init__(self, place: Path, *lines: str, anonymous: bool = True, durable: bool = True) -> None:
        """durable: each change is on its disk within a second; else it keeps all in memory."""
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
                    *(
                        [
                            "persistence true",
                            f"persistence_location {place}/",
                            "autosave_interval 1",
                        ]
                        if durable
                        else []
                    ),
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
        until(self.listens, what="mosquitto")

    def listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.place / "log").read_text()
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1.0):
            return True
        return False

    def kill(self, how: int = signal.SIGKILL) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(PATIENCE_SECONDS)
            self._process = None

    def saved(self) -> None:
        """Waits until what it holds now is on the disk."""
        began = time.time()
        until(
            lambda: (self.place / "mosquitto.db").exists() and (self.place / "mosquitto.db").stat().st_mtime > began,
            what="a saved state",
        )  # fmt: skip


class Publisher:
    """A logger reduced to bytes: MQTT 3.1.1, QoS 1, returns when the broker has taken all."""

    def __init__(self, port: int) -> None:
        self._sock = socket.create_connection(("127.0.0.1", port), PATIENCE_SECONDS)
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

    def __enter__(self) -> Publisher:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _length(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)


NAMEPLATE = TEN_HP + "[logger]\nperiod_seconds = 10\n"


class Running:
    """`amp-monitor run` in a process that can be killed and started again."""

    def __init__(self, place: Path, broker_port: int, routes: str = "", loaded: Loaded | None = None) -> None:
        """loaded: what its starts are forked from, if they are; else each is a new Python."""
        self.place = place
        self.loaded = loaded
        self.web_port = free_port()
        self.settings = place / "monitor.toml"
        place.mkdir(parents=True, exist_ok=True)
        self.settings.write_text(
            f'data = "{place}/data"\n[mqtt]\nport = {broker_port}\n[web]\nlisten = "127.0.0.1:{self.web_port}"\n'
            f'[sites.home]\ntime_zone = "America/Chicago"\n{routes}'
        )
        self.process: subprocess.Popen[bytes] | Forked | None = None

    @property
    def database(self) -> Path:
        return self.place / "data" / "monitor.db"

    def command(self, *words: str, ok: bool = True) -> subprocess.CompletedProcess[str]:
        given = [*words, "--settings", str(self.settings)]
        if self.loaded is None:
            done = subprocess.run(
                [sys.executable, "-m", "monitor.cli", *given], capture_output=True, text=True, timeout=120
            )
        else:
            out, errors = self.place / "command-out", self.place / "command-errors"
            out.write_text("")
            errors.write_text("")
            code = self.loaded.start(given, out, errors).wait(120)
            done = subprocess.CompletedProcess(given, code, out.read_text(), errors.read_text())
        assert not ok or done.returncode == 0, done.stderr
        return done

    def register(self, *fans: str, text: str = NAMEPLATE) -> None:
        """Enters fans as `fans import` does, without a process for each."""
        chosen = settings.load(self.settings)
        now = datetime.now(UTC)
        with closing(open_database(chosen.database_url)) as database:
            seed_sites(database, chosen, now)
            for fan in fans:
                since = datetime(2026, 1, 1, tzinfo=UTC)
                register.put_nameplate(database, "home", fan, text, valid_from=since, by="test", now=now)

    def start(self, wait: bool = True) -> None:
        words = ["run", "--settings", str(self.settings)]
        if self.loaded is not None:
            self.process = self.loaded.start(words, self.place / "log")
        else:
            with (self.place / "log").open("ab") as log:
                self.process = subprocess.Popen(
                    [sys.executable, "-m", "monitor.cli", *words],
                    stdout=log, stderr=log, env={**os.environ, "PYTHONUNBUFFERED": "1"},
                )  # fmt: skip
        if wait:
            until(self.answers, 180, "the service")  # the first one of an install compiles the watch

    def answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        try:
            self.get("/healthz")
        except OSError:
            return False
        return True

    def get(self, path: str) -> Any:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.web_port}{path}", timeout=PATIENCE_SECONDS) as answer:
            return json.load(answer)

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.wait(PATIENCE_SECONDS)
        self.process = None

    def stop(self) -> int:
        """An orderly stop; the exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(PATIENCE_SECONDS)
        self.process = None
        return code

    def log(self) -> str:
        return (self.place / "log").read_text()
