"""Reviews asked for on the pages: one after the other, each in a child process, bounded in number, size and time."""

from __future__ import annotations

import json
import logging
import queue
import secrets
import shutil
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.review import child

log = logging.getLogger("monitor.web")

WAITING_AT_MOST = 4
KEPT = 20
"""Outcomes kept; the oldest goes when another is asked for."""
SECONDS = 600.0
"""A review gets so long."""
WAITING, WORKING, DONE, FAILED = "waiting", "working", "done", "failed"
TOO_LONG = (
    "The review took longer than ten minutes and was stopped. Review a shorter part of the log here, or all of it with "
    "amp-monitor review on the command line."
)
ENDED = "The review ended by itself, most likely for lack of memory. Review a shorter part of the log."
BROKE_OFF = (
    "The review met a fault of its own. What is stored is untouched and the watch runs on. The service's log tells "
    "more, for whoever looks after it; meanwhile try another stretch of time."
)


class Busy(Exception):
    """So many reviews wait already that no other is taken."""


@dataclass
class Job:
    """A review that was asked for."""

    token: str
    directory: Path
    """Its own; gone with it."""
    order: Mapping[str, Any]
    title: str
    site: str | None
    """Whose figures are in it; None: of a log of no fan."""
    owner: int | None
    """Id of the account that asked for it."""
    state: str = WAITING
    error: str = ""
    """What went wrong, for whoever asked."""
    ended: threading.Event = field(default_factory=threading.Event)

    def progress(self) -> float:
        """How far it is, 0 to 1."""
        try:
            return float((self.directory / child.PROGRESS).read_text())
        except (OSError, ValueError):
            return 0.0

    def page(self) -> dict[str, Any]:
        """The findings as sentences, of a review that is done."""
        found: dict[str, Any] = json.loads((self.directory / child.PAGE).read_text("utf-8"))
        return found


class Reviews:
    """Takes orders and works them off; what it holds ends with the service."""

    def __init__(self, directory: Path) -> None:
        self._directory = directory
        self._jobs: dict[str, Job] = {}
        self._queue: queue.Queue[Job | None] = queue.Queue(WAITING_AT_MOST)
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._running: subprocess.Popen[bytes] | None = None
        self._stopping = False

    def make_room(self) -> Path:
        """A directory of its own for one more review; what came with the order (a log) goes there.

        Raises
        ------
        Busy : too many wait
        """
        if self._queue.full():
            raise Busy
        if self._thread is None:
            shutil.rmtree(self._directory, ignore_errors=True)  # of an earlier start
        directory = self._directory / secrets.token_urlsafe(16)
        directory.mkdir(parents=True, mode=0o700)
        return directory

    def submit(
        self, directory: Path, order: Mapping[str, Any], title: str, *, site: str | None, owner: int | None
    ) -> Job:
        """Has a review made.

        Parameters
        ----------
        directory : from `make_room`
        order : as `review.child` reads it, without `out`
        site, owner : who may see it: whoever sees the site; of a log of no fan, whoever asked

        Raises
        ------
        Busy : too many wait; the directory is gone then
        """
        job = Job(directory.name, directory, {**order, "out": str(directory)}, title, site, owner)
        with self._lock:
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="reviews", daemon=True)
                self._thread.start()
            try:
                self._queue.put_nowait(job)
            except queue.Full:
                shutil.rmtree(directory, ignore_errors=True)
                raise Busy from None
            self._jobs[job.token] = job
            ended = [one for one in self._jobs.values() if one.ended.is_set()]
            for old in ended[: max(0, len(self._jobs) - KEPT)]:
                del self._jobs[old.token]
                shutil.rmtree(old.directory, ignore_errors=True)
        return job

    def get(self, token: str) -> Job | None:
        """A review by its token."""
        return self._jobs.get(token)

    def stop(self) -> None:
        """Ends what runs; nothing is taken any more."""
        self._stopping = True
        running = self._running
        if running is not None:
            running.kill()
        if self._thread is not None:
            while True:
                try:
                    self._queue.put_nowait(None)
                    break
                except queue.Full:
                    self._queue.get_nowait()
            self._thread.join(5.0)
            shutil.rmtree(self._directory, ignore_errors=True)

    def _work(self) -> None:
        while (job := self._queue.get()) is not None and not self._stopping:
            job.state = WORKING
            try:
                job.error = self._run(job)
            except Exception:  # one review that cannot be started must not end those after it
                log.exception("a review could not be run")
                job.error = "The review could not be started; the service's log tells why."
            job.state = FAILED if job.error else DONE
            given = job.order.get("log")
            if given is not None:
                Path(given).unlink(missing_ok=True)
            job.ended.set()

    def _run(self, job: Job) -> str:
        """What went wrong; empty: done."""
        with subprocess.Popen(
            [sys.executable, "-m", "monitor.review.child"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE, start_new_session=True,
        ) as running:  # fmt: skip
            self._running = running
            try:
                _, said = running.communicate(json.dumps(job.order).encode(), timeout=SECONDS)
            except subprocess.TimeoutExpired:
                running.kill()
                return TOO_LONG
            finally:
                self._running = None
        if running.returncode == 0 and (job.directory / child.FINDINGS).exists():
            return ""
        try:
            text: str = json.loads((job.directory / child.ERROR).read_text("utf-8"))["text"]
            return text
        except (OSError, ValueError, KeyError):
            log.error("a review ended with %s: %s", running.returncode, said.decode(errors="replace")[-2000:])
            short = running.returncode < 0 or b"MemoryError" in said  # killed, or past its own bound
            return ENDED if short else BROKE_OFF
