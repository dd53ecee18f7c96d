"""The broker is away: no reading can come, and one notice says so, whatever number of loggers are not heard meanwhile.

All is measured by the steady clock. What was told is stored, so that a restart does not tell it again.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Protocol

from monitor.alarms.service_notices import BROKER_AWAY, BrokerAway, broker_away
from monitor.service.blind import PRIORITY, Send, blind, time_of
from monitor.service.maintenance import Maintenance
from monitor.service.plant import Plant

CURSOR = "broker-away"
AWAY_SECONDS = 300.0
"""A broker that is started anew, with a machine or after an update, is back within that."""
BACK_SECONDS = 60.0
"""It is back when the connection has lasted so long: one that comes and goes is away."""
QUIET_SECONDS = 4.0 * 3600.0
"""Away again within so long of the last notice: not told again (as alarms, `alarms/alarm.py`)."""


class Link(Protocol):
    """What is asked of the link to the broker."""

    connected: bool
    words: str
    refused: bool

    @property
    def address(self) -> object: ...


class BrokerWatch:
    """Kept by the worker."""

    def __init__(
        self, cursors: Mapping[str, str], link: Link, plant: Plant, maintenance: Maintenance, send: Send,
        *, now_ms: Callable[[], float], steady: Callable[[], float], page: str | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        cursors : as stored at the start
        now_ms, steady : wall time [ms]; seconds since some moment, never put back
        page : address of the pages
        """
        self._link, self._plant, self._maintenance, self._send = link, plant, maintenance, send
        self._now_ms, self._steady, self._page = now_ms, steady, page
        self._away_at: float | None = None
        self._back_at: float | None = None
        self._since_ms = self._back_ms = math.nan
        self._told_at = -math.inf
        self.stands = False
        """A notice that it is away was made, and none that it is back."""
        try:
            told = json.loads(cursors.get(CURSOR, ""))
            self.stands, self._since_ms = bool(told["stands"]), float(told["since_ms"])
            ago = (now_ms() - float(told["told_ms"])) / 1000.0
            self._told_at = steady() - max(ago, 0.0)
        except (ValueError, TypeError, KeyError):
            pass  # none was ever told
        if self.stands:
            self._away_at = steady()

    @property
    def away(self) -> bool:
        """Nothing can be said of a logger's silence: the connection is gone, or not back for long enough."""
        return self._away_at is not None

    @property
    def since(self) -> datetime | None:
        """When the connection went [wall time], as far as this worker knows; None while it stands."""
        return None if self._link.connected or self._away_at is None else time_of(self._since_ms)

    def look(self, cursors: dict[str, str]) -> None:
        """By tick: makes the notices into the next commit.

        Parameters
        ----------
        cursors : of the next commit
        """
        now = self._steady()
        if not self._link.connected:
            self._back_at = None
            if self._away_at is None:
                self._away_at, self._since_ms = now, self._now_ms()
            quiet = now - self._told_at < QUIET_SECONDS
            if not self.stands and not quiet and now - self._away_at >= AWAY_SECONDS:
                self._tell(cursors, back=False)
            return
        if self._back_at is None:
            self._back_at, self._back_ms = now, self._now_ms()
        if self._away_at is not None and now - self._back_at >= BACK_SECONDS:
            self._away_at = None
            if self.stands:
                self._tell(cursors, back=True)

    def _tell(self, cursors: dict[str, str], *, back: bool) -> None:
        whom = blind(self._plant, self._maintenance)
        now_ms = self._now_ms()
        if whom is not None:
            away = BrokerAway(
                time_of(self._since_ms), time_of(now_ms), whom.fans, whom.sites, str(self._link.address),
                whom.time_zone, whom.name_zone, _first_sentence(self._link.words), self._link.refused,
                time_of(self._back_ms) if back else None, self._page,
            )  # fmt: skip
            key = f"{self._since_ms:.0f}{'-back' if back else ''}"
            self._send(
                BROKER_AWAY, key, broker_away(away), time_of(now_ms), site=whom.site, priority=PRIORITY, rings=not back
            )  # fmt: skip
        elif not back:
            return
        self.stands = not back
        if not back:
            self._told_at = self._steady()
        told_ms = now_ms - 1000.0 * (self._steady() - self._told_at)
        cursors[CURSOR] = json.dumps(
            {"stands": self.stands, "since_ms": round(self._since_ms), "told_ms": round(told_ms)}
        )


def _first_sentence(words: str) -> str:
    """
    >>> _first_sentence("no broker answers at 127.0.0.1:1883: Connection refused. Start it.")
    'no broker answers at 127.0.0.1:1883: Connection refused'
    """
    return words.partition(". ")[0].rstrip(".")
