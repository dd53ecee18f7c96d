"""Weight and server time of the main pages with 50 and 2,000 fans; open pages beside a real worker.

    python -m tests.bench.pages [weights | listeners] [SECONDS]

The baseline of the first part is an empty page of the same app, asked for in turn with the others over the same real
server: what is over it is the page's own. Processor time beside wall time, so that a busy machine can be seen.

The second part is the service as it runs, in a process of its own behind a real broker, with 2,000 fans that send each
10 s. Each turn of its worker is timed, in turns without anybody and with 50 open pages of fans, each on a connection of
its own. Prints, asserts nothing.
"""

from __future__ import annotations

import html
import json
import os
import random
import re
import selectors
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI, Request
from starlette.responses import Response

from monitor.records.database import open_database
from monitor.web.app import create_app
from monitor.web.server import WebServer
from tests.bench.live import cpu_seconds
from tests.bench.pages_farm import build, names
from tests.servers import Mosquitto, Publisher, Running

FANS = (50, 2_000)
ASKED = 15
LISTENERS = 50
PERIOD = 10.0
SECONDS = 20.0
TURNS = 3

EMPTY = "{% set here = '' %}{% extends 'base.html' %}{% block title %}Empty{% endblock %}{% block main %}{% endblock %}"
PAGES = (
    "/empty", "/", "/?site=farm-01", "/?words=bin-3", "/?state=near+its+limit", "/?words=nobody",
    "/fans/farm-01/bin-02", "/morning", "/alarms", "/loggers", "/notices", "/register", "/jobs", "/people",
    "/api/v1/fans?limit=500", "/api/v1/fans?limit=50", "/api/v1/alarms",
)  # fmt: skip
"""The first one is the baseline."""


# --- weight and time -------------------------------------------------------------------------------------------


def weights(place: Path, fans: int) -> None:
    """A line for each page."""
    now = datetime.now(UTC)
    database = open_database(f"sqlite:///{place / f'{fans}.db'}")
    build(database, fans, now)
    app = create_app(database, now=lambda: now)
    _add_empty(app)
    server = WebServer(app, "127.0.0.1", 0)
    server.start()
    found: dict[str, list[tuple[float, float]]] = {path: [] for path in PAGES}
    sizes: dict[str, tuple[int, int, int]] = {}
    with httpx.Client(base_url=server.address, timeout=60, trust_env=False) as client:
        for path in PAGES:  # once before it is timed: the register is read, templates are compiled
            with client.stream("GET", path) as answer:
                sent = sum(len(part) for part in answer.iter_raw())
            plain = len(client.get(path, headers={"accept-encoding": "identity"}).content)
            sizes[path] = (answer.status_code, plain, sent)
        for _ in range(ASKED):  # in turn, so that whatever else the machine does is spread over all
            for path in PAGES:
                wall, cpu = time.perf_counter(), time.process_time()
                client.get(path)
                found[path].append((time.perf_counter() - wall, time.process_time() - cpu))
    server.stop()
    database.close()
    print(f"{fans} fans, {ASKED} times each; milliseconds; CPU is that of server and client together")
    print(f"  {'':32} {'KiB':>7} {'as sent':>8} {'median':>8} {'worst':>8} {'CPU':>7} {'over empty':>11}")
    base = statistics.median(cpu for _, cpu in found[PAGES[0]])
    for path in PAGES:
        status, plain, sent = sizes[path]
        if status != 200:
            print(f"  {path:32} answers {status}")
            continue
        wall = [one[0] for one in found[path]]
        cpu = statistics.median(one[1] for one in found[path])
        print(
            f"  {path:32} {plain / 1024:7.1f} {sent / 1024:8.1f} {1e3 * statistics.median(wall):8.1f} "
            f"{1e3 * max(wall):8.1f} {1e3 * cpu:7.1f} {1e3 * (cpu - base):11.1f}"
        )


def _add_empty(app: FastAPI) -> None:
    template = app.state.templates.env.from_string(EMPTY)

    @app.get("/empty")
    def empty(request: Request) -> Response:
        page: Response = app.state.templates.TemplateResponse(request, template)
        return page


# --- open pages beside the worker ------------------------------------------------------------------------------


def timed_service(settings: str, out: str) -> None:
    """`amp-monitor run`, with each turn of its worker written down: when it began, how long it took, if it stored."""
    from monitor.cli import main as run
    from monitor.service.worker import Worker

    turn = Worker.round
    rows: list[tuple[float, float, bool]] = []

    def timed(self: Worker) -> None:
        stored, began = self.counts.commits, time.monotonic()
        turn(self)
        rows.append((began, time.monotonic() - began, self.counts.commits > stored))

    Worker.round = timed  # type: ignore[method-assign]
    sys.argv = ["amp-monitor", "run", "--settings", settings]
    try:
        run()
    finally:
        Path(out).write_text(json.dumps(rows))


class Sending:
    """Readings of all fans at an even pace, until it is told to stop."""

    def __init__(self, port: int, fans: int) -> None:
        self._port, self._names = port, names(fans)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def _work(self) -> None:
        chance, at, step = random.Random(1), 0, 0.1
        heap = max(1, round(len(self._names) * step / PERIOD))
        with Publisher(self._port) as publisher:
            while not self._over.wait(step):
                batch = []
                for _ in range(heap):
                    site, fan = self._names[at % len(self._names)]
                    at += 1
                    amps = 11.0 + chance.gauss(0.0, 0.6)
                    legs = [round(amps * part, 2) for part in (1.0, 0.98, 0.97)]
                    reading = {"t": round(time.time(), 1), "amps": legs,
                               "volts": [460.2, 459.1, 461.0], "ambient_c": 4.0}  # fmt: skip
                    batch.append((f"amps/v1/{site}/{fan}/readings", json.dumps(reading).encode()))
                publisher.send(batch)

    def stop(self) -> None:
        self._over.set()
        self._thread.join(10)


@contextmanager
def listening(service: Running, number: int) -> Iterator[dict[str, int]]:
    """So many open pages of fans: each is asked for and then listens as its script does; counts bytes of the news."""
    told = {"bytes": 0, "open": 0}
    over = threading.Event()
    selector = selectors.DefaultSelector()
    base = f"http://127.0.0.1:{service.web_port}"
    for at in range(number):
        part = ("/", "/?part=2", f"/?site=farm-{at % 40 + 1:02d}", "/?words=bin-3")[at % 4]
        page = httpx.get(base + part, timeout=60, trust_env=False).text
        found = re.search(r'data-stream="([^"]+)"', page)
        assert found is not None
        sock = socket.create_connection(("127.0.0.1", service.web_port), 10)
        sock.sendall(f"GET {html.unescape(found[1])} HTTP/1.1\r\nHost: 127.0.0.1:{service.web_port}\r\n\r\n".encode())
        sock.setblocking(False)
        selector.register(sock, selectors.EVENT_READ)
        told["open"] += 1

    def read() -> None:
        while not over.is_set():
            for key, _ in selector.select(0.2):
                got = key.fileobj.recv(1 << 20)  # type: ignore[union-attr]
                told["bytes"] += len(got)
                if not got:
                    told["open"] -= 1
                    selector.unregister(key.fileobj)

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    try:
        yield told
    finally:
        over.set()
        thread.join(5)
        for key in list(selector.get_map().values()):
            key.fileobj.close()  # type: ignore[union-attr]
        selector.close()


def listeners(place: Path, fans: int, seconds: float) -> None:
    """The worker's turns without and with open pages, in turns."""
    broker = Mosquitto(place / "broker", durable=False)
    broker.start()
    service = Running(place / "service", broker.port)
    (place / "service" / "data").mkdir(parents=True, exist_ok=True)
    database = open_database(f"sqlite:///{service.database}")
    build(database, fans, datetime.now(UTC), alarms=False)
    database.close()
    out = place / "rounds.json"
    with (service.place / "log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.bench.pages", "--service", str(service.settings), str(out)],
            stdout=log, stderr=log, env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
    service.process = process
    spans: list[tuple[bool, float, float, float, float]] = []
    sending = None
    try:
        until_it_answers(service)
        sending = Sending(broker.port, fans)
        time.sleep(1.5 * PERIOD)  # each fan has been heard
        for _ in range(TURNS):
            for with_pages in (False, True):
                spans.append(_span(service, process.pid, seconds, with_pages))
    finally:
        if sending is not None:
            sending.stop()
        process.send_signal(signal.SIGTERM)
        process.wait(60)
        broker.kill()
    _tell(json.loads(out.read_text()), spans, fans)


def until_it_answers(service: Running) -> None:
    end = time.monotonic() + 600  # the first one of an install compiles the watch
    while not service.answers():
        if time.monotonic() > end:
            raise AssertionError(service.log())
        time.sleep(0.2)


def _span(service: Running, pid: int, seconds: float, with_pages: bool) -> tuple[bool, float, float, float, float]:
    """(with pages, from, to, processor share, bytes a second and page)."""
    if not with_pages:
        time.sleep(2.0)
        began, cpu = time.monotonic(), cpu_seconds(pid)
        time.sleep(seconds)
        return False, began, time.monotonic(), (cpu_seconds(pid) - cpu) / seconds, 0.0
    with listening(service, LISTENERS) as told:
        time.sleep(2.0)
        began, cpu, heard = time.monotonic(), cpu_seconds(pid), told["bytes"]
        time.sleep(seconds)
        assert told["open"] == LISTENERS, told
        share, heard = (cpu_seconds(pid) - cpu) / seconds, told["bytes"] - heard
        return True, began, time.monotonic(), share, heard / seconds / LISTENERS


def _tell(rows: list[list[Any]], spans: list[tuple[bool, float, float, float, float]], fans: int) -> None:
    print(f"{fans} fans each {PERIOD:g} s, {LISTENERS} open pages of fans; turns of the worker, milliseconds")
    for with_pages in (False, True):
        here = [span for span in spans if span[0] == with_pages]
        inside = [row for row in rows for _, began, ended, _, _ in here if began <= row[0] <= ended]
        share = statistics.median(span[3] for span in here)
        heard = statistics.median(span[4] for span in here)
        which = "with" if with_pages else "without"
        print(f"  {which} them ({100 * share:.0f} % of a core in all, {heard:.0f} B/s a page)")
        for name, kept in (("all turns", inside), ("those that stored", [row for row in inside if row[2]])):
            took = sorted(1e3 * row[1] for row in kept)
            if took:
                p50, p95 = took[len(took) // 2], took[int(0.95 * len(took))]
                print(f"    {name:18} {len(took):5}  p50 {p50:7.1f}  p95 {p95:7.1f}  worst {took[-1]:7.1f}")


def main(*words: str) -> None:
    seconds = next((float(word) for word in words if word.replace(".", "").isdigit()), SECONDS)
    with tempfile.TemporaryDirectory(prefix="bench-") as directory:
        place = Path(directory)
        place.chmod(0o777)
        if "listeners" not in words:
            for fans in FANS:
                weights(place, fans)
        if "weights" not in words:
            listeners(place, FANS[-1], seconds)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--service"]:
        timed_service(*sys.argv[2:4])
    else:
        main(*sys.argv[1:])
