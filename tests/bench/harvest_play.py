"""A season through the real chain: `service.worker.Worker`, a real SQLite database, a simulated clock.

The worker goes round each minute of the season instead of each 200 ms of the day, so what is told stands up to a minute
later than it would; it ticks each time (really: each 5 s). Loggers send a minute of readings in one message. Nothing is
delivered: the rows of `notices` are what would be.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from pathlib import Path

from monitor.alarms.routes import Route
from monitor.links.inbox import Inbox, Message
from monitor.records import register
from monitor.records.database import Database, open_database
from monitor.records.start import load
from monitor.service import estimates, silence
from monitor.service import worker as worker_module
from monitor.service.worker import Worker
from simulated.farm import Farm
from simulated.farm import Message as Letter
from tests.bench.harvest_farm import START, Harvest
from tests.bench.harvest_people import People

ROUND_SECONDS = 60.0
COMMIT_SECONDS = ROUND_SECONDS
"""What is gathered is told with a commit, so there is one each round."""
ESTIMATE_SECONDS = 1_800.0
"""Estimates for the pages are worked so seldom; those of notices and of supper are worked when they are told."""
NEVER_SECONDS = 1e9
"""Actions are looked for when somebody has put one there."""
ROUTES = (
    Route("farm", (), ("low", "medium", "high", "highest"), ("terminal:",), quiet=(time(21), time(6))),
    Route("desk", (), ("medium", "high", "highest"), ("terminal:",), after=timedelta(minutes=15)),
)


@dataclass
class Broker:
    """What the worker sees of the broker; it can be away."""

    inbox: Inbox = field(default_factory=Inbox)
    generation: int = 0
    connected: bool = True
    session_kept: bool | None = True
    refused: bool = False
    words: str = "no broker answers."
    address: object = "127.0.0.1:1883"
    held: list[Letter] = field(default_factory=list)
    """Kept by the loggers meanwhile."""
    taken: int = 0
    """Messages given to the worker."""

    def ack(self, messages: Sequence[Message]) -> None: ...
    def publish_state(self, topic_tail: str, payload: bytes, retain: bool = True) -> None: ...

    def bring(self, letters: list[Letter], now: datetime, away: bool) -> None:
        """Messages that loggers send now."""
        if away:
            self.connected = False
            self.held += letters
            return
        if not self.connected:
            self.connected = True
            self.generation += 1
            letters, self.held = self.held + letters, []
        received = now.timestamp() * 1000.0
        for letter in letters:
            self.taken += 1
            topic = f"amps/v1/{letter.topic_tail}"
            self.inbox.put(Message(self.generation, self.taken, topic, letter.payload, False, received))


@dataclass
class Played:
    """A season that was played."""

    season: Harvest
    farm: Farm
    database: Database


@contextmanager
def played(season: Harvest, directory: Path, day: Callable[[int], None] = lambda number: None) -> Iterator[Played]:
    """Plays a season; its database is open meanwhile.

    Parameters
    ----------
    day : told how many days have been played
    """
    farm = season.begin()
    database = open_database(f"sqlite:///{directory / 'monitor.db'}")
    try:
        for key, site in farm.sites().items():
            register.put_site(
                database,
                register.Site(key, site["name"], site["time_zone"], site["altitude_m"], site["units"], "17:00"),
                START,
            )
        for (key, fan), text in farm.nameplates().items():
            since = START - timedelta(days=1)
            register.put_nameplate(database, key, fan, text, valid_from=since, by="the dealer", now=START)
        with long_rounds():
            _play(season, farm, database, day)
        yield Played(season, farm, database)
    finally:
        database.close()


@contextmanager
def long_rounds() -> Iterator[None]:
    """A round of a minute counts as a minute of listening (else as a machine that slept); what costs most and tells
    nobody anything is done seldom. All as it was afterwards."""
    before = silence.LONGEST_ROUND_SECONDS, estimates.EVERY_SECONDS, worker_module.POLL_SECONDS
    silence.LONGEST_ROUND_SECONDS, estimates.EVERY_SECONDS = ROUND_SECONDS, ESTIMATE_SECONDS
    try:
        yield
    finally:
        silence.LONGEST_ROUND_SECONDS, estimates.EVERY_SECONDS, worker_module.POLL_SECONDS = before


def _play(season: Harvest, farm: Farm, database: Database, day: Callable[[int], None]) -> None:
    now, rounds = START, 0
    broker = Broker()
    people = People(season, farm, database, "farm")

    def news() -> None:
        people.news = True

    worker = Worker(
        database, load(database), broker, ROUTES, clock=lambda: now.timestamp() * 1000.0,
        steady=lambda: ROUND_SECONDS * rounds, commit_seconds=COMMIT_SECONDS, stored=news,
    )  # fmt: skip
    first, last = season.broker_away
    while now < season.until:
        rounds += 1
        now = START + timedelta(seconds=ROUND_SECONDS * rounds)
        broker.bring(farm.advance(now), now, first <= now < last)
        worker_module.POLL_SECONDS, people.asked = (0.0 if people.asked else NEVER_SECONDS), False
        worker.round()
        people.look(now)
        if rounds % 1440 == 0:
            day(rounds // 1440)
    worker.stop()
