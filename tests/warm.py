"""A service that starts at once: forked from a process that has loaded everything the service needs.

Loading takes 4 s of a processor, all else of a start a few tenths. Where a test starts the service over and over, a
fork of one loaded process does the same to broker and database, and a kill meets the parts of the start that matter.

No pytest here; `python -m tests.warm` is the loaded process, told what to do by lines on its standard input.
"""

from __future__ import annotations

import json
import os
import select
import signal
import subprocess
import sys
from pathlib import Path
from typing import IO

HERE = Path(__file__).resolve().parent.parent


class Loaded:
    """The loaded process. One service at a time; each is told by its number and, when it has ended, its exit code."""

    def __init__(self, log: Path) -> None:
        with log.open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.warm"],
                cwd=HERE, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=out, text=True, bufsize=1,
            )  # fmt: skip

    def start(self, words: list[str], log: Path) -> Forked:
        """The command `amp-monitor WORDS` in a process of its own; what it says is added to the log."""
        to, out = self._process.stdin, self._process.stdout
        assert to is not None and out is not None
        to.write(json.dumps([words, str(log)]) + "\n")
        to.flush()
        return Forked(int(out.readline()), out)

    def close(self) -> None:
        """Ends the loaded process."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(30)


class Forked:
    """What `subprocess.Popen` offers for one service; its parent, the loaded process, tells of its end."""

    def __init__(self, pid: int, told: IO[str]) -> None:
        self.pid = pid
        self._told = told
        self._code: int | None = None

    def poll(self) -> int | None:
        """The exit code (less the signal's number after a signal), None while it runs."""
        return self._look(0.0)

    def wait(self, seconds: float) -> int:
        code = self._look(seconds)
        if code is None:
            raise subprocess.TimeoutExpired("service", seconds)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def _look(self, seconds: float) -> int | None:
        if self._code is None and select.select([self._told], [], [], seconds)[0]:
            self._code = int(self._told.readline())
        return self._code


def main() -> None:
    """Loads, then starts what it is told to, one after another, until its input ends."""
    import monitor.service.shell  # noqa: F401
    from monitor import cli
    from monitor.watch.advance import prepare

    prepare()
    for line in sys.stdin:
        words, log = json.loads(line)
        pid = os.fork()
        if pid == 0:
            out = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            for number in (1, 2):
                os.dup2(out, number)
            sys.stdin.close()
            sys.argv = ["amp-monitor", *words]
            cli.main()
            return  # by the ordinary way out
        print(pid, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)


if __name__ == "__main__":
    main()
