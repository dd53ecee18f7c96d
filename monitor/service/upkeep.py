"""What is told of the computer itself: its disk is nearly full, a backup was not made, nothing could be stored.

One notice when it begins and one when it is over. What was told is stored with the notice, so that a restart does not
tell it again. That nothing can be stored cannot be told from here: `cannot_store.py` does, and here it is told that it
is over.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from monitor.alarms.texts import Texts
from monitor.alarms.upkeep_notices import (
    BACKUP_LATE,
    CANNOT_STORE,
    DISK_NEARLY_FULL,
    About,
    Disk,
    backup_late,
    cannot_store,
    disk_nearly_full,
)
from monitor.service.blind import PRIORITY, Send, blind, time_of
from monitor.service.maintenance import Maintenance
from monitor.service.plant import Plant

FREE_SHARE: Final = 0.10
"""Of the disk: under this it is told ..."""
FREE_AGAIN_SHARE: Final = 0.12
"""... and over this it is over."""
STANDS_SECONDS: Final = 60.0
"""A file that another program makes and removes is no news."""


@dataclass(frozen=True)
class Late:
    """A backup that was due and is not there."""

    trouble: str
    newest_ms: float | None = None
    """When the newest one was made."""


@dataclass(frozen=True)
class Outage:
    """A time in which nothing could be stored, and which was told."""

    since_ms: float
    back_ms: float
    trouble: str
    full: bool


@dataclass(frozen=True)
class Facts:
    """How the computer is, as others have looked; nothing here waits for anything."""

    disk: Disk | None = None
    """None: not known."""
    backup: Late | None = None
    outage: Outage | None = None
    """The last one that is over."""


class _Told:
    """One thing that begins and ends."""

    def __init__(self, kind: str, cursors: Mapping[str, str]) -> None:
        self.kind = kind
        self.begun: float | None = None
        """When it was first seen, by the steady clock; None while all is well."""
        self.since_ms = math.nan
        self.stands = False
        """A notice that it began was made, and none that it is over."""
        try:
            told = json.loads(cursors.get(kind, ""))
            self.stands, self.since_ms = bool(told["stands"]), float(told["since_ms"])
        except (ValueError, TypeError, KeyError):
            pass  # none was ever told


class Upkeep:
    """Kept by the worker."""

    def __init__(
        self, cursors: Mapping[str, str], facts: Callable[[], Facts], plant: Plant, maintenance: Maintenance,
        send: Send, *, now_ms: Callable[[], float], steady: Callable[[], float], page: str | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        cursors : as stored at the start
        now_ms, steady : wall time [ms]; seconds since some moment, never put back
        page : address of the pages
        """
        self._facts, self._plant, self._maintenance, self._send = facts, plant, maintenance, send
        self._now_ms, self._steady, self._page = now_ms, steady, page
        self._disk, self._backup = _Told(DISK_NEARLY_FULL, cursors), _Told(BACKUP_LATE, cursors)
        self._outage: Outage | None = None

    def look(self, cursors: dict[str, str]) -> None:
        """By tick: makes the notices into the next commit.

        Parameters
        ----------
        cursors : of the next commit
        """
        facts = self._facts()
        disk, late, outage = facts.disk, facts.backup, facts.outage
        if disk is not None:
            least = FREE_AGAIN_SHARE if self._disk.stands else FREE_SHARE
            self._see(self._disk, disk.free_share < least, cursors, lambda about: disk_nearly_full(about, disk))
        newest = None if late is None or late.newest_ms is None else time_of(late.newest_ms)
        words = "" if late is None else late.trouble
        self._see(self._backup, late is not None, cursors, lambda about: backup_late(about, words, newest))
        if outage is not None and outage is not self._outage:
            self._outage = outage
            self._tell(
                CANNOT_STORE, f"{outage.since_ms:.0f}-back", outage.since_ms, outage.back_ms,
                lambda about: cannot_store(about, outage.trouble, outage.full),
            )  # fmt: skip

    def _see(self, told: _Told, wrong: bool, cursors: dict[str, str], texts: Callable[[About], Texts]) -> None:
        now = self._steady()
        if wrong == told.stands:
            told.begun = None
            return
        if told.begun is None:
            told.begun = now
            if wrong:
                told.since_ms = self._now_ms()
        if now - told.begun < STANDS_SECONDS:
            return
        back_ms = None if wrong else self._now_ms()
        key = f"{told.since_ms:.0f}{'' if wrong else '-back'}"
        if self._tell(told.kind, key, told.since_ms, back_ms, texts) or not wrong:
            told.stands, told.begun = wrong, None
            cursors[told.kind] = json.dumps({"stands": wrong, "since_ms": round(told.since_ms)})

    def _tell(
        self, kind: str, key: str, since_ms: float, back_ms: float | None, texts: Callable[[About], Texts]
    ) -> bool:
        """Makes the notice; false where there is no fan to be watched, so that nobody is told yet."""
        whom = blind(self._plant, self._maintenance)
        if whom is None:
            return False
        now = time_of(self._now_ms())
        about = About(
            time_of(since_ms), now, whom.fans, whom.time_zone, whom.name_zone,
            None if back_ms is None else time_of(back_ms), self._page,
        )  # fmt: skip
        # None of it rings: the fans are watched, and who must act sleeps. What may not wait was told from memory.
        self._send(kind, key, texts(about), now, site=whom.site, priority=PRIORITY, rings=False)
        return True
