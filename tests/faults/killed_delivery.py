"""A delivery that is killed at a line of its own: `python -m tests.faults.killed_delivery`, told what to do by lines.

The process loads everything once and forks for each run, so that a run takes milliseconds, not the seconds of a start.
Each line on its input is JSON [database, at, addresses]; at: the number of the line of our code at which the fork is to
die by SIGKILL, 0: it lives until nothing is due, -1: that without counting, which is faster. It answers with JSON
[exit status, lines that were run].
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from types import FrameType
from typing import Any

from monitor.errors import LinkError
from monitor.links import deadline, mail, senders, taken, webhook
from monitor.records import outbox
from monitor.records.database import open_database
from monitor.service import delivery, marking, steps
from monitor.service.delivery import Address, Delivery

TRACED = {Path(module.__file__ or "").name for module in
          (deadline, mail, senders, taken, webhook, outbox, delivery, marking, steps)}  # fmt: skip
SECRET = "whsec_" + "QUFB" * 8
SECONDS = 60.0


class Counted:
    """Counts lines of our code in all threads; dies at one."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.count = 0

    def __call__(self, frame: FrameType, event: str, argument: object) -> Any:
        path = Path(frame.f_code.co_filename)
        return self.line if path.name in TRACED and "monitor" in path.parts else None

    def line(self, frame: FrameType, event: str, argument: object) -> Any:
        if event == "line":
            self.count += 1
            if self.count == self.at:
                os.kill(os.getpid(), signal.SIGKILL)
        return self.line


def deliver(database_path: str, at: int, addresses: Mapping[str, str]) -> int:
    """Delivers what waits; the lines that were run."""
    counted = Counted(at) if at >= 0 else None
    database = open_database(f"sqlite:///{database_path}")
    threading.settrace(counted)  # type: ignore[arg-type]
    sys.settrace(counted)
    delivering = Delivery(
        database, {(name, 0): Address(to, SECRET) for name, to in addresses.items()}, waits_seconds=(0.02, 0.05, 3600.0)
    )
    delivering.start()
    sys.settrace(None)
    until = time.monotonic() + SECONDS
    while time.monotonic() < until and delivering.failure is None:
        due = outbox.next_due_ms(database)
        if due is None or due > time.time() * 1000 + 60_000:
            break
        time.sleep(0.002)
    sys.settrace(counted)
    delivering.stop()
    sys.settrace(None)
    database.close()
    if delivering.failure is not None:
        raise delivering.failure
    return counted.count if counted is not None else 0


def main() -> None:
    marking.GATHER_SECONDS = 0.01  # type: ignore[misc]
    for scheme in ("json://127.0.0.1", "mailto://127.0.0.1?from=a@b.example"):
        senders.check_address(scheme)
    senders.check_address("webhook+http://127.0.0.1", SECRET)
    mail.trust(True)
    webhook.trust()
    with contextlib.suppress(LinkError):
        webhook.post("webhook+http://127.0.0.1:1/", _example(), SECRET, 0.2, _example().created)
    print("ready", flush=True)
    for line in sys.stdin:
        path, at, addresses = json.loads(line)
        told, tell = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(told)
            os.write(tell, str(deliver(path, at, addresses)).encode())
            os._exit(0)
        os.close(tell)
        with os.fdopen(told) as answer:
            lines = int(answer.read() or 0)
        print(json.dumps([os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), lines]), flush=True)


def _example() -> Any:
    from datetime import UTC, datetime

    from monitor.alarms.notice import Notice

    return Notice("0-1-1-x-0", "home", 1, 1, "x", 0, "raised", "high", True, "s", "s", "l", {}, datetime.now(UTC))


if __name__ == "__main__":
    main()
