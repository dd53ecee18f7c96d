"""The copy to InfluxDB beside bare writes of the same lines, and what the watch notices of it.

    python -m tests.bench.archive [READINGS]

Readings of 50 fans in a real database, most of them in packed hours, go to Debian's InfluxDB 1.6 by the service's own
thread; the baseline writes the same lines, made beforehand, as fast as that server takes them. Then rounds of the
worker with 500 readings a second are timed, without and with a backlog going out of the same database. Prints figures.
"""

from __future__ import annotations

import json
import math
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from monitor.links.inbox import Message
from monitor.links.influx import Precision, Target, Writer
from monitor.records import archive as stored
from monitor.records import register
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database
from monitor.records.hours import HourPacker
from monitor.records.rows import ReadingRows
from monitor.records.start import load
from monitor.service import archive as module
from monitor.service.archive import LINES_A_WRITE, Archive
from monitor.service.archive_lines import reading_lines
from monitor.service.ready import make_watch_ready
from monitor.service.shell import ROUND_SECONDS, SWITCH_SECONDS
from monitor.service.worker import Worker
from tests.bench.disk import _Link
from tests.influx import Influx
from tests.servers import NAMEPLATE

READINGS = 400_000
FANS = 50
TURNS, ROUNDS = 20, 12
A_ROUND = 100
"""Readings."""


def fill(database: Database, readings: int) -> None:
    """Readings of all fans, each 10 s, up to now."""
    now = datetime.now(UTC)
    register.put_site(database, register.Site("home", "Home", "America/Chicago", 250.0, "us", "17:00"), now)
    for fan in range(FANS):
        since = now - timedelta(days=100)
        register.put_nameplate(database, "home", f"bin-{fan}", NAMEPLATE, valid_from=since, by="bench", now=now)
    points = sorted(stored.points(database))
    random = np.random.default_rng(1)
    first = int(now.timestamp() * 1000) - 10_000 * (readings // FANS + 60)
    for begin in range(0, readings, 50_000):
        n = min(50_000, readings - begin)
        number = 1 + begin + np.arange(n)
        rows = ReadingRows(
            number, np.array(points)[number % FANS], first + 10_000 * (number // FANS) + 200 * (number % FANS),
            (12.4 + 0.1 * random.standard_normal((n, 3))).round(2), (460 + random.standard_normal((n, 3))).round(1),
            np.full(n, 7.5), np.full(n, math.nan), np.full(n, 14.26), np.ones(n), np.zeros(n),
            random.uniform(0, 1, n).round(2), random.uniform(0.7, 0.9, n).round(3),
            random.uniform(0.7, 0.9, n).round(3), np.ones(n),
        )  # fmt: skip
        commit(database, Batch(readings=rows))
    packer = HourPacker(database)
    while packer.work(int(now.timestamp() * 1000) - 3_600_000, 10.0):
        pass


def all_lines(database: Database) -> list[list[str]]:
    points, parts, after = stored.points(database), [], 0
    while True:
        rows, last, _ = stored.readings_after(database, after, module.NUMBERS_A_LOOK)
        if last == after:
            return parts
        for begin in range(0, len(rows), LINES_A_WRITE):
            parts.append(reading_lines(rows.take(slice(begin, begin + LINES_A_WRITE)), points))
        after = last


def copied(database: Database, target: Target, readings: int) -> float:
    """Seconds until the thread has copied all."""
    archive = Archive(database, target)
    began = time.perf_counter()
    archive.start()
    while (at := stored.cursor(database, target.identity)) is None or at.reading < readings:
        time.sleep(0.02)
        assert archive.failure is None and archive.trouble is None, (archive.failure, archive.trouble)
    took = time.perf_counter() - began
    archive.stop()
    return took


def rounds(worker: Worker, link: _Link, number: int) -> np.ndarray:
    """Milliseconds of so many rounds, at the service's own pace."""
    took = []
    for _ in range(number):
        began = time.perf_counter()
        for at in range(A_ROUND):
            body = {"t": time.time() - 0.1 + at / 10_000, "amps": [12.4, 12.5, 12.3], "volts": [460.1, 459.2, 461.0]}
            topic = f"amps/v1/home/bin-{at % FANS}/readings"
            link.inbox.put(Message(0, at + 1, topic, json.dumps(body).encode(), False, time.time() * 1e3))
        start = time.perf_counter()
        worker.round()
        took.append(1e3 * (time.perf_counter() - start))
        time.sleep(max(0.0, ROUND_SECONDS - (time.perf_counter() - began)))
    return np.array(took[2:])  # what was on its way when the turn began


def main(readings: int = READINGS) -> None:
    sys.setswitchinterval(SWITCH_SECONDS)
    make_watch_ready()
    with tempfile.TemporaryDirectory(prefix="bench-") as directory:
        place = Path(directory)
        influx = Influx(place / "influx")
        influx.start()
        try:
            database = open_database(f"sqlite:///{place / 'monitor.db'}")
            fill(database, readings)
            parts = all_lines(database)
            size = sum(len(line) + 1 for part in parts for line in part) / readings
            print(f"{readings:,} readings of {FANS} fans, {size:.0f} bytes a line")
            for name in ("bare", "thread", "unrested"):
                influx.make(name)
            writer = Writer(Target(influx.url, "bare", api="v1"))
            began = time.perf_counter()
            for part in parts:
                writer.write(part, "ms")
            bare = readings / (time.perf_counter() - began)
            del parts
            print(f"  bare writes of ready lines {bare:9,.0f} readings/s")
            ours = readings / copied(database, Target(influx.url, "thread", api="v1"), readings)
            print(f"  the service's thread       {ours:9,.0f} readings/s, {ours / bare:.2f} of it")
            rest, module.REST_SHARE = module.REST_SHARE, 0.0
            ours = readings / copied(database, Target(influx.url, "unrested", api="v1"), readings)
            module.REST_SHARE = rest
            print(f"  the same without its rests {ours:9,.0f} readings/s, {ours / bare:.2f} of it")
            assert influx.count("fan", "bare") == influx.count("fan", "thread") == readings
            watch(database, influx)
            database.close()
        finally:
            influx.kill()


class Gate:
    """Lets writes through while it is open."""

    def __init__(self, target: Target) -> None:
        self._writer, self.open, self.lines = Writer(target), threading.Event(), 0

    def write(self, some: Sequence[str], precision: Precision) -> None:
        self.open.wait()
        self._writer.write(some, precision)
        self.lines += len(some)

    def close(self) -> None:
        self._writer.close()


def watch(database: Database, influx: Influx) -> None:
    """Rounds of the worker, alone and with a backlog going out: by turns, since a machine has other things to do."""
    link = _Link()
    worker = Worker(database, load(database), link, ())
    rounds(worker, link, 30)
    influx.make("watch")
    target = Target(influx.url, "watch", api="v1")
    gate = Gate(target)
    archive = Archive(database, target, writer=gate)
    archive.start()
    took: dict[str, list[np.ndarray]] = {"alone": [], "with a backlog going out": []}
    for _ in range(TURNS):
        for words, blocks in took.items():
            if words == "alone":
                gate.open.clear()
            else:
                gate.open.set()
            blocks.append(rounds(worker, link, ROUNDS))
    gate.open.set()
    left = archive.health()["behind_rows"]
    archive.stop()
    worker.stop()
    print(f"  rounds of the worker, {A_ROUND} readings each {ROUND_SECONDS:g} s, median / p95 / greatest [ms]")
    for words, blocks in took.items():
        all_of_them = np.concatenate(blocks)
        figures = f"{np.median(all_of_them):.1f} / {np.percentile(all_of_them, 95):.1f} / {all_of_them.max():.1f}"
        print(f"    {words:26} {figures}")
    print(f"    {gate.lines:,} readings went out meanwhile, {left:,} were left")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else READINGS)
