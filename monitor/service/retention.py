"""When raw readings are removed: by days, and where the disk fills. The worker's own work, in its idle turns.

By days: what is older than `keep_days`. By share of the disk: while less than `keep_free_percent` is free, the oldest
as well, down to the least that judgements need (`records/retention.py`). Pages set free in the database count as free:
the next readings take them before the file grows, and it never shrinks.

What gives first where the disk fills: the backup (none is made that has no room, `backup.py`), then raw readings that a
copy holds already, oldest first. Readings that the copy in use does not hold yet never give: then somebody is told, and
whose readings wait for what. At the very end nothing can be stored, which is told from memory (`cannot_store.py`); the
broker and the loggers keep what comes.
"""

from __future__ import annotations

import logging
import math
import shutil
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from monitor.errors import LinkError
from monitor.records import archive
from monitor.records.database import Database, space
from monitor.records.retention import LEAST_HOURS, Passed, Removal, newest_ms
from monitor.settings import ReadingsSettings

log = logging.getLogger("monitor.worker")

DAY_MS: Final = 86_400_000
LOOK_SECONDS: Final = 600.0
"""Between two passes; what is over its days by so little harms nobody."""
TRY_AGAIN_SECONDS: Final = 30.0
"""After the database was busy or full."""
ENOUGH_MORE: Final = 0.01
"""Once room is made, so much more than is asked for [share of the disk]: else each hour would begin a pass."""


@dataclass(frozen=True)
class Room:
    """What is free for the database."""

    free_bytes: int
    """On its disk ..."""
    reusable_bytes: int
    """... and in its own file."""
    total_bytes: int
    used_bytes: int
    """By the database, without what is reusable."""

    @property
    def share(self) -> float:
        """Of the disk, 0 to 1."""
        return (self.free_bytes + self.reusable_bytes) / self.total_bytes if self.total_bytes else 1.0


def room(database: Database) -> Room | None:
    """How much room there is; None for a database on another server, whose disk is not ours to look at.

    Raises
    ------
    LinkError : the database cannot be read
    OSError : its disk cannot be looked at
    """
    taken = space(database)
    if taken is None:
        return None
    usage = shutil.disk_usage(Path(taken.file).absolute().parent)
    return Room(usage.free, taken.reusable_bytes, usage.total, taken.used_bytes)


class Retention:
    """Kept by the shell; `work` is called by the worker's thread in idle turns."""

    def __init__(
        self, database: Database, keep: ReadingsSettings, target: str | None = None,
        *, look: Callable[[Database], Room | None] = room, steady: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        target : identity of the copy in use; what it does not hold is not removed
        """
        self._database, self._keep, self._target = database, keep, target
        self._look, self._steady = look, steady
        self._next = -math.inf
        self._removal: Removal | None = None
        self._for_room = False
        self.removed = 0
        """Readings removed since the start."""
        self.why_no_room: str | None = None
        """Why room that is asked for cannot be made, in words; None where it can, or is there."""

    def work(self, now_ms: float, budget_seconds: float) -> bool:
        """Goes on until the budget is used up. Returns whether anything is left to remove.

        Parameters
        ----------
        now_ms : wall time

        Raises
        ------
        LinkError : the database is busy or full; it goes on from there
        """
        if self._removal is None:
            if self._steady() < self._next:
                return False
            self._begin(int(now_ms))
        removal = self._removal
        assert removal is not None
        before = removal.passed.readings
        try:
            left = removal.work(int(now_ms), budget_seconds, self._enough if self._for_room else lambda: False)
        except LinkError:
            self._removal, self._next = None, self._steady() + TRY_AGAIN_SECONDS
            raise
        self.removed += removal.passed.readings - before
        if not left:
            self._done(removal.passed)
        return left

    def _begin(self, now_ms: int) -> None:
        at = self._room()
        self._for_room = at is not None and at.share < self._share
        days = LEAST_HOURS // 24 if self._for_room else self._keep.keep_days
        copied = None
        if self._target is not None:
            known = archive.cursor(self._database, self._target)
            copied = 0 if known is None else known.reading
        # A computer whose clock jumps years ahead would find all of it too old: readings tell the time as well.
        newest = newest_ms(self._database)
        at_ms = now_ms if newest is None else min(now_ms, newest)
        self._removal = Removal(self._database, at_ms - days * DAY_MS, copied)

    @property
    def _share(self) -> float:
        return self._keep.keep_free_percent / 100.0

    def _room(self) -> Room | None:
        try:
            return self._look(self._database)
        except OSError:  # told by the health's own look
            return None

    def _enough(self) -> bool:
        at = self._room()
        return at is not None and at.share >= self._share + ENOUGH_MORE

    def _done(self, passed: Passed) -> None:
        self._removal, self._next = None, self._steady() + LOOK_SECONDS
        if passed.readings:
            log.info("%s raw readings of %s hours were removed", f"{passed.readings:,}", f"{passed.hours:,}")
        at = self._room()
        if not self._for_room or at is None or at.share >= self._share:
            self.why_no_room = None
        elif passed.held_hours:
            self.why_no_room = (
                f"{passed.held_hours:,} hours of fans' readings could make room, but the copy to {self._target} does "
                "not hold them yet: see to that copy, or take it out of the settings"
            )
        else:
            self.why_no_room = (
                f"of every fan only the last {LEAST_HOURS // 24} days are kept already, which are needed to judge by: "
                "something else fills the disk, or it is too small"
            )
