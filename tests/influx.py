"""Debian's real InfluxDB (1.6) on loopback, and a few lines in front of it that do what 1.8 does by itself: take
`/api/v2/write`. In front they can also be told to misbehave. Needs the package `influxdb`."""

from __future__ import annotations

import base64
import contextlib
import json
import shutil
import signal
import socket
import subprocess
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from http.client import HTTPConnection, HTTPException
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

from tests.servers import free_port, until

INFLUXD = shutil.which("influxd")
VICTORIA = shutil.which("victoria-metrics")
needs_victoria = pytest.mark.skipif(
    VICTORIA is None, reason="NOT TESTED: Debian's victoria-metrics is missing (apt-get install victoria-metrics)"
)
needs_influxd = pytest.mark.skipif(
    INFLUXD is None, reason="NOT TESTED: Debian's influxdb is missing; install it (apt-get install influxdb)"
)


class Influx:
    """A server of its own, in a directory of its own; may be killed and started again."""

    def __init__(self, place: Path, *, auth: bool = False) -> None:
        self.place, self.port = place, free_port()
        self._process: subprocess.Popen[bytes] | None = None
        place.mkdir(parents=True, exist_ok=True)
        (place / "influxdb.conf").write_text(
            f"""
            reporting-disabled = true
            bind-address = "127.0.0.1:{free_port()}"
            [meta]
              dir = "{place}/meta"
            [data]
              dir = "{place}/data"
              wal-dir = "{place}/wal"
              query-log-enabled = false
            [monitor]
              store-enabled = false
            [http]
              bind-address = "127.0.0.1:{self.port}"
              auth-enabled = {str(auth).lower()}
              log-enabled = false
            """
        )

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def running(self) -> bool:
        return self._process is not None

    def start(self) -> None:
        assert INFLUXD is not None
        with (self.place / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [INFLUXD, "-config", str(self.place / "influxdb.conf")], stdout=log, stderr=log
            )
        until(self.answers, what="influxd")

    def answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, (self.place / "log").read_text()
        with contextlib.suppress(OSError), urllib.request.urlopen(f"{self.url}/ping", timeout=1):
            return True
        return False

    def kill(self, how: int = signal.SIGKILL) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(20)
            self._process = None

    def ask(self, query: str, database: str | None = None, user: str | None = None) -> list[dict[str, Any]]:
        """The series that a query answers with: each has name, tags, columns, values."""
        asked = urllib.parse.urlencode({"q": query, "epoch": "ns", **({"db": database} if database else {})})
        request = urllib.request.Request(f"{self.url}/query", data=asked.encode())
        if user:
            request.add_header("authorization", "Basic " + base64.b64encode(user.encode()).decode())
        with urllib.request.urlopen(request, timeout=20) as answer:
            results = json.load(answer)["results"]
        assert "error" not in results[0], results
        series: list[dict[str, Any]] = results[0].get("series", [])
        return series

    def write(self, lines: str, database: str) -> None:
        """A write of somebody else."""
        address = f"{self.url}/write?db={database}&precision=ms"
        with urllib.request.urlopen(urllib.request.Request(address, data=lines.encode()), timeout=20):
            pass

    def make(self, database: str) -> None:
        self.ask(f'CREATE DATABASE "{database}"')

    def drop(self, database: str) -> None:
        self.ask(f'DROP DATABASE "{database}"')

    def rows(self, measurement: str, database: str) -> list[dict[str, Any]]:
        """All points of a measurement, tags and fields alike; time in nanoseconds."""
        return [
            {name: value for name, value in zip(one["columns"], values, strict=True) if value is not None}
            for one in self.ask(f'SELECT * FROM "{measurement}"', database)
            for values in one["values"]
        ]

    def count(self, measurement: str, database: str) -> int:
        found = self.ask(f'SELECT COUNT("number") FROM "{measurement}"', database)
        return int(found[0]["values"][0][1]) if found else 0


class Victoria:
    """Debian's victoria-metrics: another maker's server with `/api/v2/write` of its own, nothing stands before it."""

    def __init__(self, place: Path) -> None:
        self.port = free_port()
        assert VICTORIA is not None
        words = (f"-storageDataPath={place}", f"-httpListenAddr=127.0.0.1:{self.port}", "-loggerLevel=ERROR",
                 "-retentionPeriod=100y")  # fmt: skip
        self._process = subprocess.Popen([VICTORIA, *words], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until(self._answers, what="victoria-metrics")

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _answers(self) -> bool:
        with contextlib.suppress(OSError), urllib.request.urlopen(f"{self.url}/health", timeout=1):
            return True
        return False

    def series(self, name: str) -> dict[str, dict[int, float]]:
        """Fan -> time [ms] -> value, of a measurement's field (FAN_FIELD)."""
        with urllib.request.urlopen(f"{self.url}/internal/force_flush", timeout=20):
            pass
        with urllib.request.urlopen(f"{self.url}/api/v1/export?match[]={name}", timeout=20) as answer:
            told = [json.loads(line) for line in answer.read().splitlines()]
        return {one["metric"]["fan"]: dict(zip(one["timestamps"], one["values"], strict=True)) for one in told}

    def kill(self) -> None:
        self._process.kill()
        self._process.wait(20)


Answer = tuple[int, dict[str, str], bytes]
Fault = Callable[["Door", BaseHTTPRequestHandler, str, bytes], Answer | None]
"""What is done with a write instead of handing it on: an answer, or None where it saw to all of it."""


class Door:
    """Stands before a server: hands writes on, `/api/v2/write` as `/write`; `fault` may do something else first."""

    def __init__(self, influx: Influx) -> None:
        self.influx = influx
        self.fault: Fault | None = None
        self.asked: list[tuple[str, dict[str, str]]] = []
        """Path and query of each write."""
        door = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                path, _, query = self.path.partition("?")
                door.asked.append((path, dict(urllib.parse.parse_qsl(query))))
                fault = door.fault  # as it was when this write came
                answer = fault(door, self, self.path, body) if fault else HAND_ON
                if answer is HAND_ON:
                    answer = door.hand_on(self.path, self.headers.get("authorization"), body)
                if answer is None:
                    self.close_connection = True
                    return
                status, headers, told = answer
                self.send_response(status)
                for name, value in headers.items():
                    self.send_header(name, value)
                if status != 204:
                    self.send_header("content-length", str(len(told)))
                self.end_headers()
                self.wfile.write(told)

            def log_message(self, *_: object) -> None: ...

        class Server(ThreadingHTTPServer):
            daemon_threads = True

            def handle_error(self, *_: object) -> None: ...  # who hung up in the middle wanted to

        self._server = Server(("127.0.0.1", 0), Handler)
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}"

    def hand_on(self, path: str, authorization: str | None, body: bytes) -> Answer:
        asked = dict(urllib.parse.parse_qsl(path.partition("?")[2]))
        if path.startswith("/api/v2/write"):
            path = "/write?" + urllib.parse.urlencode({"db": asked.get("bucket", ""), "precision": asked["precision"]})
        headers = {}
        if authorization and authorization.startswith("Token "):
            headers["authorization"] = "Basic " + base64.b64encode(authorization[6:].encode()).decode()
        elif authorization:
            headers["authorization"] = authorization
        try:
            connection = HTTPConnection("127.0.0.1", self.influx.port, timeout=20)
            connection.request("POST", path, body, headers)
            answer = connection.getresponse()
            told = answer.read()
        except (OSError, HTTPException) as exc:
            return 502, {"content-type": "text/plain"}, str(exc).encode()
        finally:
            connection.close()
        kept = {name: value for name, value in answer.getheaders() if name.lower() in ("content-type", "retry-after")}
        kept["x-influxdb-version"] = answer.getheader("x-influxdb-version", "")
        return answer.status, kept, told

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()


HAND_ON: Answer = (0, {}, b"")
"""A fault's answer that means: this one goes to the server after all."""


def says(status: int, headers: dict[str, str] | None = None, body: bytes = b"") -> Fault:
    """Answers each write so."""
    return lambda *_: (status, headers or {"content-type": "application/json"}, body)


def hangs(door: Door, handler: BaseHTTPRequestHandler, path: str, body: bytes) -> Answer | None:
    """Takes it and says nothing for long."""
    time.sleep(1.5)
    return None


def trickles(door: Door, handler: BaseHTTPRequestHandler, path: str, body: bytes) -> Answer | None:
    """A letter of the answer now and then, and never all: no time-out between two bytes ends it."""
    for letter in b"HTTP/1.1 204 No Content\r\n":
        with contextlib.suppress(OSError):
            handler.connection.sendall(bytes([letter]))
        time.sleep(0.05)
    return None


def hangs_up(door: Door, handler: BaseHTTPRequestHandler, path: str, body: bytes) -> Answer | None:
    """In the middle."""
    handler.connection.shutdown(socket.SHUT_RDWR)
    return None


def stores_and_hangs_up(door: Door, handler: BaseHTTPRequestHandler, path: str, body: bytes) -> Answer | None:
    """The server has stored it, and nobody hears of it."""
    assert door.hand_on(path, handler.headers.get("authorization"), body)[0] == 204
    return hangs_up(door, handler, path, body)
