"""A backup a night, if the settings name a directory for it: a copy of the database, the last few are kept.

A thread of its own with a connection of its own. Whether one is due is told by the files themselves, whose names hold
their times: a computer that was off at the hour makes it when it is on, and a restart changes nothing. What goes wrong
is tried again each hour, and told once it is late.

The directory must be there: one that is made where a disk should be mounted would fill the wrong disk, and be a backup
of nothing.
"""

from __future__ import annotations

import contextlib
import logging
import re
import shutil
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any, Final

from monitor.errors import LinkError
from monitor.records import backup
from monitor.records.database import Database, space
from monitor.service.upkeep import FREE_SHARE, Late
from monitor.settings import BackupSettings

log = logging.getLogger("monitor.service")

LOOK_SECONDS: Final = 30.0
AGAIN_SECONDS: Final = 3_600.0
LATE_SECONDS: Final = 2 * 3_600.0
"""After its hour, or after the start where that was later; then two tries have failed."""
WORK_SECONDS: Final = 0.02
"""The copy is worked on for so long at a time ..."""
REST_SECONDS: Final = 0.01
"""... and then disk and processor are left to the watch."""
MORE_ROOM: Final = 1.05
"""So much more than the database holds is asked for, since it grows meanwhile."""
_NAME = re.compile(r"monitor-(\d{8}T\d{6}Z)\.db")
_TIME = "%Y%m%dT%H%M%SZ"


class Backup:
    """Started and stopped by the shell. `turn` looks once; the thread does nothing else."""

    def __init__(
        self, database: Database, directory: Path, settings: BackupSettings, *,
        clock: Callable[[], float] = time.time, steady: Callable[[], float] = time.monotonic,
        zone: tzinfo | None = None,
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        clock : seconds since 1970
        zone : by whose clock the hour is meant; None: the computer's
        """
        self._database, self._directory, self._settings = database, directory, settings
        self._clock, self._steady, self._zone = clock, steady, zone
        self._began = steady()
        self._tried = -AGAIN_SECONDS
        self._worked_since = 0.0
        self._trouble: str | None = None
        self._newest: datetime | None = None
        self._kept = 0
        self._running = False
        self._late: str | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begins to look whether one is due."""
        self._thread = threading.Thread(target=self._run, name="backup", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends within a moment; a copy that is not whole is removed."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(5.0)

    @property
    def alive(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.turn()
            self._stopping.wait(LOOK_SECONDS)

    # --- one look ----------------------------------------------------------------------------------------------

    def turn(self) -> bool:
        """Makes a backup if one is due; whether it did."""
        now, steady = datetime.fromtimestamp(self._clock(), UTC), self._steady()
        made = False
        try:
            self._look(now)
            due = self._due(now)
            if (self._newest is None or self._newest < due) and steady - self._tried >= AGAIN_SECONDS:
                self._tried, self._running = steady, True
                self._make(now)
                self._look(now)
                made, self._tried = True, -AGAIN_SECONDS
            if self._newest is not None and self._newest >= due:
                self._trouble = None
        except LinkError as exc:
            self._complain(str(exc))
        except OSError as exc:
            self._complain(f"{self._directory} cannot be looked at: {exc.strerror}")
        except Exception as exc:  # a fault of ours must not end the watch for a copy of it
            log.exception("no backup could be made")
            self._complain(f"a fault of the monitor: {type(exc).__name__}")
        finally:
            self._running = False
        self._late = self._why_late(datetime.fromtimestamp(self._clock(), UTC))
        return made

    def _due(self, now: datetime) -> datetime:
        """When the last one was due."""
        local = now.astimezone(self._zone)
        hour, minute = (int(part) for part in self._settings.at.split(":"))
        due = local.replace(hour=hour, minute=minute, second=0, microsecond=0)
        return (due if due <= local else due - timedelta(days=1)).astimezone(UTC)

    def _look(self, now: datetime) -> None:
        """What is there; a time that is still to come is that of a wrong clock, and counts for nothing."""
        if not self._directory.is_dir():
            self._newest, self._kept = None, 0
            raise LinkError(f"there is no directory {self._directory}: plug its disk in, or make it")
        times = [when for when, _ in self._files() if when <= now + timedelta(days=1)]
        self._newest, self._kept = max(times, default=None), len(times)

    def _files(self) -> list[tuple[datetime, Path]]:
        """Backups, the oldest first."""
        found = []
        for path in self._directory.iterdir():
            name = _NAME.fullmatch(path.name)
            if name is not None:
                with contextlib.suppress(ValueError):
                    found.append((datetime.strptime(name[1], _TIME).replace(tzinfo=UTC), path))
        return sorted(found)

    def _make(self, now: datetime) -> None:
        for leftover in self._directory.glob(f"monitor-*.db{backup.PART}*"):  # of one that a power cut ended
            leftover.unlink()
        taken = space(self._database)
        if taken is None:  # the settings refuse it
            raise LinkError("the database is on a server: back it up there")
        self._see_room(taken.file, round(MORE_ROOM * taken.used_bytes))
        to = self._directory / f"monitor-{now.strftime(_TIME)}.db"
        began, self._worked_since = self._steady(), time.monotonic()
        backup.copy(taken.file, to, self._go_on)
        log.info("backup %s of %.0f MB in %.0f s", to, to.stat().st_size / 1e6, self._steady() - began)
        for _, path in self._files()[: -self._settings.keep]:
            path.unlink()

    def _see_room(self, file: Path, needed: int) -> None:
        """A backup beside the database must not be what fills its disk."""
        usage = shutil.disk_usage(self._directory)
        beside = self._directory.stat().st_dev == file.absolute().parent.stat().st_dev
        left = round(FREE_SHARE * usage.total) if beside else 0
        if usage.free < needed + left:
            stays = f", of which {left / 1e6:,.0f} MB must stay free" if left else ""
            raise LinkError(
                f"it takes {needed / 1e6:,.0f} MB in {self._directory}, and {usage.free / 1e6:,.0f} MB are free there"
                f"{stays}: make room, or keep fewer"
            )

    def _go_on(self) -> bool:
        now = time.monotonic()
        if now - self._worked_since >= WORK_SECONDS:
            self._stopping.wait(REST_SECONDS)
            self._worked_since = time.monotonic()
        return not self._stopping.is_set()

    def _complain(self, words: str) -> None:
        if self._stopping.is_set():
            return
        if words != self._trouble:
            log.warning("no backup could be made: %s", words)
        self._trouble = words

    # --- what is told ------------------------------------------------------------------------------------------

    def _why_late(self, now: datetime) -> str | None:
        due = self._due(now)
        if self._newest is not None and self._newest >= due:
            return None
        since = min((now - due).total_seconds(), self._steady() - self._began)
        return (self._trouble or "it takes too long") if since >= LATE_SECONDS else None

    def late(self) -> Late | None:
        """A backup that is late, as the last look has shown; from memory, for any thread."""
        words, newest = self._late, self._newest
        return None if words is None else Late(words, None if newest is None else 1000.0 * newest.timestamp())

    def health(self) -> dict[str, Any]:
        """How the backups are, from memory: directory, newest (RFC 3339), kept, running, trouble, late."""
        newest = self._newest
        return {
            "directory": str(self._directory), "kept": self._kept, "running": self._running,
            "newest": None if newest is None else newest.isoformat().replace("+00:00", "Z"),
            "trouble": self._trouble, "late": self._late,
        }  # fmt: skip
