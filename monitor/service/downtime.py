"""The service's own sign of life, stored each minute; and from it, at the next start, that nobody watched for a time.

The sign is one row, written over with a commit of readings where there is one. It is not written until the start has
settled and what the sign before it says has been told, in the same commit: so a kill in the first minute loses nothing.
"""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from monitor.alarms.service_notices import WAS_DOWN, Downtime, service_was_down
from monitor.service.blind import PRIORITY, Send, blind, time_of
from monitor.service.maintenance import Maintenance
from monitor.service.plant import Plant

ALIVE = "alive"
"""Cursor: the last sign of life."""
EVERY_SECONDS = 60.0
DOWN_SECONDS = 300.0
"""Away for longer than this is told: an upgrade or a restart of the computer is over by then."""
SETTLE_SECONDS = 60.0
"""A computer that just started may have its clock put right within so long; before, nothing is worked from it."""
CLOCK_DOUBTED_SECONDS = 600.0
"""Where the readings that come are all older than the start, either the clock is ahead or loggers send what they had
kept; after so long it was the clock."""


@dataclass(frozen=True)
class Sign:
    """A sign of life."""

    at_ms: float
    """Wall time."""
    stopped: bool
    """It was the last one before an orderly stop."""


def sign_of(text: str | None) -> Sign | None:
    """A stored sign; None for none, and for what cannot be one.

    >>> sign_of('{"at_ms": 1791000000000, "stopped": true}')
    Sign(at_ms=1791000000000.0, stopped=True)
    >>> sign_of("2026"), sign_of(None)
    (None, None)
    """
    try:
        told = json.loads(text or "")
        return Sign(float(told["at_ms"]), bool(told["stopped"]))
    except (ValueError, TypeError, KeyError):
        return None


def uptime_seconds() -> float | None:
    """How long the computer has been running, sleep included; None where it cannot be told."""
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    return None if clock is None else time.clock_gettime(clock)


class SignOfLife:
    """Kept by the worker."""

    def __init__(
        self,
        cursors: Mapping[str, str],
        newest_row_ms: float | None,
        plant: Plant,
        maintenance: Maintenance,
        send: Send,
        *,
        now_ms: Callable[[], float],
        steady: Callable[[], float],
        newest_heard_ms: Callable[[], float | None],
        broker_keeps: Callable[[], bool | None] = lambda: None,
        uptime: Callable[[], float | None] = uptime_seconds,
        page: str | None = None,
    ) -> None:
        """
        Parameters
        ----------
        cursors : as stored at the start
        newest_row_ms : wall time of the newest message stored by then
        now_ms, steady : wall time [ms]; seconds since some moment, never put back
        newest_heard_ms : time of the newest reading that came since the start; None before one has
        broker_keeps : whether the broker had kept a session of ours
        uptime : of the computer [s]
        page : address of the pages
        """
        self._before = sign_of(cursors.get(ALIVE))
        self._last_ms = max(self._before.at_ms, newest_row_ms or 0.0) if self._before else math.nan
        self._plant, self._maintenance, self._send = plant, maintenance, send
        self._now_ms, self._steady = now_ms, steady
        self._newest_heard_ms, self._broker_keeps, self._uptime = newest_heard_ms, broker_keeps, uptime
        self._page = page
        self._began = steady()
        self._written = self._written_ms = -math.inf
        self._settled = self._before is None

    def look(self) -> None:
        """By tick: once the start has settled, tells for how long nobody watched."""
        since = self._steady() - self._began
        if self._settled or since < SETTLE_SECONDS:
            return
        start_ms = self._now_ms() - 1000.0 * since  # by the clock as it is now: it may have been put right meanwhile
        heard_ms = self._newest_heard_ms()
        if heard_ms is not None and heard_ms < start_ms - 1000.0 * DOWN_SECONDS:
            if since < CLOCK_DOUBTED_SECONDS:
                return
            start_ms = heard_ms
        self._settled = True
        if start_ms - self._last_ms > 1000.0 * DOWN_SECONDS:  # a clock that was put back tells nothing
            self._tell(start_ms)

    def _tell(self, start_ms: float) -> None:
        whom = blind(self._plant, self._maintenance)
        if whom is None or self._before is None:
            return
        down = Downtime(
            time_of(self._last_ms), time_of(start_ms), whom.fans, whom.sites, whom.time_zone, whom.name_zone,
            self._why(start_ms), self._broker_keeps(), self._page,
        )  # fmt: skip
        # What happened meanwhile is judged from readings, and rings by itself if it must: this waits for the morning.
        self._send(
            WAS_DOWN, f"{self._last_ms:.0f}", service_was_down(down), time_of(self._now_ms()),
            site=whom.site, priority=PRIORITY, rings=False,
        )  # fmt: skip

    def _why(self, start_ms: float) -> str | None:
        if self._before is not None and self._before.stopped:
            return "it was stopped in order and started again"
        uptime = self._uptime()
        down_seconds = (self._now_ms() - self._last_ms) / 1000.0
        if uptime is not None and uptime < down_seconds:
            return "the computer was started anew, after a power failure or by hand"
        return None

    def put(self, cursors: dict[str, str]) -> None:
        """Adds a sign to the next commit if one is due; at once when the clock has jumped."""
        jumped = abs(self._now_ms() - self._written_ms) >= 1000.0 * EVERY_SECONDS
        if self._settled and (jumped or self._steady() - self._written >= EVERY_SECONDS):
            cursors[ALIVE] = self._sign(stopped=False)

    def stop(self, cursors: dict[str, str]) -> None:
        """Adds the last sign before an orderly stop; none follows."""
        if self._settled:
            cursors[ALIVE] = self._sign(stopped=True)
        self._settled = False

    def stored(self, cursors: Mapping[str, str]) -> None:
        """A commit is done that held these."""
        if ALIVE in cursors:
            self._written, self._written_ms = self._steady(), self._now_ms()

    def _sign(self, *, stopped: bool) -> str:
        return json.dumps({"at_ms": round(self._now_ms()), "stopped": stopped})
