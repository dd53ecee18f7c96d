"""The people of the invented farm: who is told, looks, acknowledges and closes a tripped device again.

They know what a farmer knows: the notices of their route, the Alarms page when they look at it, and which fan stands
still when they walk the yard. Nobody acts on what is announced: the bench asks what would have been known in time.
How soon they come is invented (no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import sqlalchemy as sa

from monitor.records import actions, tables
from monitor.records.database import Database
from simulated.farm import Farm
from tests.bench.harvest_farm import SITE, ZONE, Harvest

BY = "the farmer"
ROUNDS = (6.75, 18.5)
"""Hours at which somebody looks at the Alarms page and walks the yard."""
ASLEEP_FROM, ASLEEP_TO = 22.0, 6.5
SLEEPS_ON = 0.3
"""Share of calls at night that wake nobody."""
SOON, LATE = (12.0, 28.0), (15.0, 35.0)
"""Minutes until somebody comes by day and by night."""
AGAIN_WITHIN = timedelta(hours=12)
"""A fan that trips again so soon after it was restarted is left alone until then."""


@dataclass
class People:
    """Asked each minute of the simulation."""

    season: Harvest
    farm: Farm
    database: Database
    route: str
    """Whose notices they get."""
    news: bool = False
    """Notices were stored since the last look."""
    asked: bool = True
    """They asked the service for something since it was last set to false."""
    _seen: set[str] = field(default_factory=set)
    _comes: datetime | None = None
    _next_round: datetime | None = None
    _restarted: dict[str, datetime] = field(default_factory=dict)
    _work: int = 0
    _random: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self._random = np.random.default_rng([self.season.seed, 61])
        self._planned = sorted((one for one in self.season.work if one.announced), key=lambda one: one.begin)

    def look(self, now: datetime) -> None:
        """What they do in this minute."""
        while self._work < len(self._planned) and self._planned[self._work].begin - timedelta(minutes=20) <= now:
            stop = self._planned[self._work]
            self._work += 1
            until = stop.end + timedelta(minutes=15)
            body: dict[str, object] = {"fan": stop.fan, "until": until.isoformat(), "why": "work at the bin"}
            self._ask("planned-stop", body, now)
        if self.news:
            self.news = False
            if self._rung(now) and self._comes is None:
                self._comes = now + self._delay(now)
        if self._next_round is None:
            self._next_round = _next_round(now)
        walks = now >= self._next_round
        if walks or (self._comes is not None and now >= self._comes):
            self._comes = None
            self._next_round = _next_round(now)
            self._acknowledge(now)
            self._restart(now, walks)

    def _rung(self, now: datetime) -> bool:
        """Whether something rang since they looked last."""
        since = int((now - timedelta(hours=1)).timestamp() * 1000.0)
        table = tables.notices
        query = sa.select(table.c.id, table.c.rings).where(table.c.created_ms >= since, table.c.route == self.route)
        with self.database.read() as connection:
            fresh = [(key, rings) for key, rings in connection.execute(query) if key not in self._seen]
        self._seen.update(key for key, _ in fresh)
        return any(rings for _, rings in fresh)

    def _delay(self, now: datetime) -> timedelta:
        hour = _hour(now)
        if ASLEEP_TO <= hour < ASLEEP_FROM:
            return timedelta(minutes=float(self._random.uniform(*SOON)))
        minutes = float(self._random.uniform(*LATE))
        return timedelta(days=1) if self._random.uniform() < SLEEPS_ON else timedelta(minutes=minutes)

    def _acknowledge(self, now: datetime) -> None:
        """Takes note of everything on the Alarms page."""
        table = tables.alarms
        query = sa.select(table.c.number).where(table.c.state.in_(("UNACKNOWLEDGED", "RETURNED_UNACKNOWLEDGED")))
        with self.database.read() as connection:
            numbers = [number for (number,) in connection.execute(query)]
        for number in numbers:
            self._ask("acknowledge", {"alarm": number}, now)

    def _ask(self, kind: str, body: dict[str, object], now: datetime) -> None:
        actions.put(self.database, kind, SITE, body, BY, now)
        self.asked = True

    def _restart(self, now: datetime, walks: bool) -> None:
        """Closes the devices of fans that are told as tripped or stopped; of all that have tripped, on a walk."""
        table = tables.alarms
        told = sa.select(table.c.fan).where(
            table.c.condition.in_(("tripped", "stopped", "phase-lost")),
            table.c.state.in_(("UNACKNOWLEDGED", "ACKNOWLEDGED")),
        )
        with self.database.read() as connection:
            fans = set(self.season.scenario.sites[SITE].fans) if walks else {fan for (fan,) in connection.execute(told)}
        for fan in sorted(fan for fan in fans if fan):
            before = self._restarted.get(fan)
            if before is None or now - before >= AGAIN_WITHIN:
                self._restarted[fan] = now
                self.farm.close_device(SITE, fan, now + timedelta(minutes=5))


def _hour(now: datetime) -> float:
    local = now.astimezone(ZONE)
    return local.hour + local.minute / 60.0


def _next_round(now: datetime) -> datetime:
    hour = _hour(now)
    ahead = min(((at - hour) if at > hour + 0.02 else math.inf) for at in (*ROUNDS, ROUNDS[0] + 24.0))
    return now + timedelta(hours=ahead)
