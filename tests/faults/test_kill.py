"""kill -9 at random moments while readings pour in: nothing lost, nothing twice, the same alarm changes.

`AMP_KILLS=100 tests/run tests/faults/test_kill.py` for more moments than the ordinary run tries.

The publisher is acknowledged by the broker; from there on no reading may be lost. The same stream is then played to a
service that nobody disturbs, and the two databases are compared. The starts are forked from a loaded process: so most
kills meet the service at its database and its broker, not at its imports.
"""

from __future__ import annotations

import json
import os
import random
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.servers import Mosquitto, Publisher, Running, until

FANS = 50
KILLS = int(os.environ.get("AMP_KILLS", "10"))
RATE = 500
ROUNDS = 300, 3000
"""At least so many, for something to be found in them, and at most, if the kills take that long."""
PERIOD_MS = 10_000
SEED = 20261125

Round = list[tuple[str, bytes]]


def stream() -> Iterator[Round]:
    """Readings of FANS fans each 10 s of their own time, played 100 times as fast; a third of them in trouble."""
    draw = random.Random(SEED)
    first = int(time.time() * 1000) // PERIOD_MS * PERIOD_MS - (ROUNDS[1] + 10) * PERIOD_MS
    for number in range(ROUNDS[1]):
        messages = []
        for fan in range(FANS):
            amps = 12.6 + draw.uniform(-0.2, 0.2)
            wave = (number + 13 * fan) % 240
            if fan % 6 == 0 and wave < 60:
                amps = 15.8  # over its limit of 15.2 A for 10 min
            if fan % 6 == 1 and wave < 30:
                amps = 0.0  # stands still for 5 min
            volts = [460.0, 459.0, 461.0]
            if fan % 6 == 2 and wave < 60:
                volts[0] = 433.0  # unbalanced by 3.9 %
            body = {
                "t": (first + number * PERIOD_MS) / 1000,
                "amps": [round(amps, 2), round(amps * 0.99, 2), round(amps * 0.98, 2)],
                "volts": volts,
            }
            messages.append((f"amps/v1/home/bin-{fan}/readings", json.dumps(body).encode()))
        yield messages


def stored(database: Path) -> list[tuple[object, ...]]:
    """All readings, hot and packed, as (point, time) with how often each is there."""
    from monitor.records.packing import unpack

    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        hot = connection.execute("SELECT number, point_id, t_ms, limit_amps, flags FROM readings").fetchall()
        for point_id, columns in connection.execute("SELECT point_id, columns FROM reading_hours").fetchall():
            rows = unpack(columns, point_id)
            numbers, points = rows.number.tolist(), [point_id] * len(rows)
            hot += zip(numbers, points, rows.t_ms.tolist(), rows.limit_amps.tolist(), rows.flags.tolist(), strict=True)
    return sorted(row[1:] for row in set(hot))  # while its hour is packed a reading stands in both places


def changes(database: Path) -> list[tuple[object, ...]]:
    """Alarm changes as a person would compare them: numbers and wall times left out."""
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        return sorted(
            connection.execute(
                "SELECT a.site, a.fan, a.condition, c.from_state, c.to_state, c.cause, c.at_ms FROM alarm_changes c "
                "JOIN alarms a ON a.number = c.alarm_number WHERE c.cause != 'told again'"
            ).fetchall()
        )


def runs(database: Path) -> list[tuple[object, ...]]:
    with sqlite3.connect(f"file:{database}?mode=ro", uri=True) as connection:
        query = "SELECT point_id, start_ms, end_ms, start_seen, end_seen, peak_amps FROM runs"
        return sorted(connection.execute(query).fetchall(), key=str)


def all_in(running: Running, expected: int) -> bool:
    with sqlite3.connect(f"file:{running.database}?mode=ro", uri=True) as connection:
        hot = connection.execute("SELECT COUNT(*) FROM readings").fetchone()[0]
        packed = connection.execute("SELECT COALESCE(SUM(rows), 0) FROM reading_hours").fetchone()[0]
    return bool(hot + packed >= expected)


def until_settled(running: Running) -> None:
    """What waits for other fans is told as well: nothing has come for a second and a half."""
    found: object = None
    since = time.monotonic()

    def settled() -> bool:
        nonlocal found, since
        before, found = found, (changes(running.database), runs(running.database))
        if found != before:
            since = time.monotonic()
        return time.monotonic() - since > 1.5

    until(settled, 120, "an end of what is told")


def newest(running: Running) -> int:
    with sqlite3.connect(f"file:{running.database}?mode=ro", uri=True) as connection:
        return int(connection.execute("SELECT COALESCE(MAX(number), 0) FROM readings").fetchone()[0])


def play(running: Running, broker: Mosquitto, kills: int) -> tuple[list[Round], int]:
    """Plays the stream at its rate until the service has been killed so often: what was sent, and how often it was."""
    running.register(*(f"bin-{fan}" for fan in range(FANS)))
    running.start()
    enough = threading.Event()
    sent: list[Round] = []
    failure: list[BaseException] = []

    def publish() -> None:
        try:
            began = time.monotonic()
            with Publisher(broker.port) as publisher:
                for messages in stream():
                    if enough.is_set() and len(sent) >= ROUNDS[0]:
                        return
                    publisher.send(messages)
                    sent.append(messages)
                    time.sleep(max(0.0, began + len(sent) * FANS / RATE - time.monotonic()))
        except BaseException as exc:
            failure.append(exc)

    thread = threading.Thread(target=publish)
    thread.start()
    draw = random.Random(SEED)
    killed = 0
    try:
        while killed < kills:
            time.sleep(draw.uniform(0.1, 1.5))
            assert thread.is_alive(), f"the stream ended after {killed} kills: {failure or 'it is too short'}"
            running.kill()
            killed += 1
            before = newest(running)
            at_work = draw.random() < 0.7  # else it may be killed while it starts
            running.start(wait=at_work)
            if at_work:  # on a slow machine, too: it has stored something, and so it does again within the next second
                until(lambda before=before: newest(running) > before, 60, "a stored reading")  # type: ignore[misc]
    finally:
        enough.set()
        thread.join()
    assert not failure, failure
    until(running.answers, 60, "the service")
    until(lambda: all_in(running, FANS * len(sent)), 120, "the last reading")
    until_settled(running)
    assert running.stop() == 0
    return sent, killed


@pytest.mark.slow
@pytest.mark.broker
def test_killed_many_times_it_stores_each_reading_once_and_finds_the_same(
    broker: Mosquitto, service: Running, tmp_path: Path
) -> None:
    sent, killed = play(service, broker, KILLS)
    messages = [message for round_ in sent for message in round_]
    calm_broker = Mosquitto(tmp_path / "calm-broker")
    calm_broker.start()
    calm = Running(tmp_path / "calm", calm_broker.port)
    try:
        # The undisturbed service gets the stream as fast as it takes it: only the readings' own time counts.
        calm.register(*(f"bin-{fan}" for fan in range(FANS)))
        calm.start()
        with Publisher(calm_broker.port) as publisher:
            publisher.send(messages)
        until(lambda: all_in(calm, len(messages)), 120, "the last reading")
        until_settled(calm)
        assert calm.stop() == 0
    finally:
        if calm.process is not None:
            calm.kill()
        calm_broker.kill()

    assert killed == KILLS
    rows = stored(service.database)
    assert len(rows) == len(messages)
    assert len({row[:2] for row in rows}) == len(messages)  # each once
    assert rows == stored(calm.database)
    assert runs(service.database) == runs(calm.database)
    assert changes(service.database) == changes(calm.database)
    assert len(changes(calm.database)) > 100  # the stream does have something to find
    with sqlite3.connect(f"file:{service.database}?mode=ro", uri=True) as connection:
        twice = connection.execute(
            "SELECT site, fan, condition, raised_ms, COUNT(*) FROM alarms GROUP BY 1, 2, 3, 4 HAVING COUNT(*) > 1"
        ).fetchall()
    assert not twice
