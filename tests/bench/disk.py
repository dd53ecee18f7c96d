"""Bytes written to disk a reading: 50 fans, a reading each 10 s, through the worker into a real SQLite database.

    python -m tests.bench.disk [MINUTES]

The worker is driven by the readings' own clock, so that an hour takes a minute; it commits as often as in real time,
and past hours are packed as the service does it: an hour's measurement holds one packing.
Written bytes are the kernel's own count for this process (/proc/self/io); the directory must lie on a disk: bytes to a
file system in memory are not counted. Prints, asserts nothing.
"""

from __future__ import annotations

import json
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from monitor.alarms.routes import Route
from monitor.links.inbox import Inbox, Message
from monitor.records import register
from monitor.records.database import open_database
from monitor.records.hours import HourPacker
from monitor.records.start import load
from monitor.service.worker import Worker
from tests.servers import NAMEPLATE

FANS, PERIOD = 50, 10
MINUTES = 60
WARM = 10
"""Minutes before the count begins."""
START = datetime(2026, 10, 4, 1, 0, tzinfo=UTC)


class _Link:
    """A broker that only hands over."""

    def __init__(self) -> None:
        self.inbox, self.generation, self.connected = Inbox(), 0, True

    def ack(self, messages: object) -> None: ...

    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None: ...


def written() -> int:
    """Bytes this process has caused to be written to a disk."""
    lines = dict(line.split(": ") for line in Path("/proc/self/io").read_text().splitlines())
    return int(lines["write_bytes"])


def measure(place: Path, commit_seconds: float, minutes: int) -> tuple[float, float]:
    """Bytes written a reading, and the growth of the database a reading."""
    random = np.random.default_rng(1)
    database = open_database(f"sqlite:///{place / 'monitor.db'}")
    clock = [START.timestamp()]
    register.put_site(database, register.Site("home", "Home", "America/Chicago", 250.0, "us", "17:00"), START)
    for fan in range(FANS):
        since = START - timedelta(days=1)
        register.put_nameplate(
            database, "home", f"bin-{fan}", NAMEPLATE, valid_from=since, by="bench", now=START
        )  # fmt: skip
    link = _Link()
    routes = (Route("farm", (), ("low", "medium", "high", "highest"), ("terminal:",), True),)
    worker = Worker(
        database, load(database), link, routes, clock=lambda: clock[0] * 1000.0, steady=lambda: clock[0],
        commit_seconds=commit_seconds,
    )  # fmt: skip

    packer = HourPacker(database)

    def play(seconds: int) -> int:
        sent = 0
        for second in range(seconds):
            clock[0] += 1.0
            for fan in range(second % PERIOD, FANS, PERIOD):
                amps = (12.4 + 0.1 * random.standard_normal(3)).round(2).tolist()
                volts = (460.0 + random.standard_normal(3)).round(1).tolist()
                body = {"t": clock[0], "amps": amps, "volts": volts, "ambient_c": 7.5}
                topic = f"amps/v1/home/bin-{fan}/readings"
                link.inbox.put(Message(0, sent % 60_000 + 1, topic, json.dumps(body).encode(), False, clock[0] * 1e3))
                sent += 1
            worker.round()
            if second % 60 == 59:
                while packer.work(int(clock[0] * 1000.0)):
                    pass
        return sent

    play(60 * WARM)
    before, size = written(), _size(place)
    readings = play(60 * minutes)
    worker.store()
    grown = _size(place) - size
    database.close()  # the write-ahead log goes into the database
    return (written() - before) / readings, grown / readings


def _size(place: Path) -> int:
    return sum(path.stat().st_size for path in place.iterdir())


def main(minutes: int = MINUTES) -> None:
    print(f"{FANS} fans, a reading each {PERIOD} s, {minutes} min: bytes a reading (aim under 1,500)")
    for commit_seconds in (1.0, 5.0):
        with tempfile.TemporaryDirectory(prefix="bench-") as directory:
            written_, grown = measure(Path(directory), commit_seconds, minutes)
        a_day = written_ * FANS * 86_400 / PERIOD / 1e9
        print(
            f"  commits each {commit_seconds:.0f} s: {written_:6.0f} written to disk ({a_day:.1f} GB a day), "
            f"files grow by {grown:.0f}"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else MINUTES)
