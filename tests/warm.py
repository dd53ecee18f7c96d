"""A service that starts at once: forked from a process that has loaded everything the service needs.

Loading takes 4 s of a processor, all else of a start a few tenths. Where a test starts the service over and over, a
fork of one loaded process does the same to broker and database, and a kill meets the parts of the start that matter.

No pytest here; `python -m tests.warm` is the loaded process, told what to do by lines on its standard input.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent.parent


class Loaded:
    """The loaded process; it starts as many as are asked for, one beside the other."""

    def __init__(self, log: Path) -> None:
        with log.open("ab") as out:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.warm"],
                cwd=HERE, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=out, text=True, bufsize=1,
            )  # fmt: skip
        self._codes: dict[int, int] = {}

    def start(self, words: list[str], log: Path, errors: Path | None = None) -> Forked:
        """The command `amp-monitor WORDS` in a process of its own; what it says is added to the log.

        errors: where what it says on its second output goes; None: into the log too
        """
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps([words, str(log), str(errors or log)]) + "\n")
        self._process.stdin.flush()
        while (told := self._hear())[0] != "started":
            pass
        return Forked(told[1], self)

    def code(self, pid: int, seconds: float) -> int | None:
        """The exit code of one of them (less the signal's number after a signal); None: it runs after so long."""
        assert self._process.stdout is not None
        until = time.monotonic() + seconds
        while (
            pid not in self._codes
            and select.select([self._process.stdout], [], [], max(0.0, until - time.monotonic()))[0]
        ):
            self._hear()
        return self._codes.get(pid)

    def _hear(self) -> tuple[str, int, int]:
        """The next thing that it tells: ("started" | "ended", pid, exit code)."""
        assert self._process.stdout is not None
        # Byte by byte of the pipe itself: what a buffer held already, `select` would not see.
        line = b""
        while not line.endswith(b"\n"):
            byte = os.read(self._process.stdout.fileno(), 1)
            assert byte, "the loaded process has ended; its log tells why"
            line += byte
        what, pid, code = json.loads(line)
        if what == "ended":
            self._codes[pid] = code
        return what, pid, code

    def close(self) -> None:
        """Ends the loaded process."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._process.stdin.close()
        self._process.stdout.close()
        self._process.wait(30)


class Forked:
    """What `subprocess.Popen` offers for one service; its parent tells of its end."""

    def __init__(self, pid: int, loaded: Loaded) -> None:
        self.pid = pid
        self._loaded = loaded

    def poll(self) -> int | None:
        """The exit code (less the signal's number after a signal), None while it runs."""
        return self._loaded.code(self.pid, 0.0)

    def wait(self, seconds: float) -> int:
        code = self._loaded.code(self.pid, seconds)
        if code is None:
            raise subprocess.TimeoutExpired("service", seconds)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


def main() -> None:
    """Loads, then starts what it is told to until its input ends. A child waits for each and tells of its end."""
    import monitor.service.shell  # noqa: F401
    from monitor import cli
    from monitor.watch.advance import prepare
    from monitor.web import asked

    asked.WAIT_SECONDS = 20.0  # the machine may do much else beside a test
    prepare()
    for line in sys.stdin:
        words, log, errors = json.loads(line)
        with contextlib.suppress(ChildProcessError):
            while os.waitpid(-1, os.WNOHANG)[0]:
                pass
        if os.fork():
            continue
        pid = os.fork()
        if pid == 0:
            for number, file in ((1, log), (2, errors)):
                os.dup2(os.open(file, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644), number)
            sys.stdin.close()
            sys.argv = ["amp-monitor", *words]
            cli.main()
            return  # by the ordinary way out
        _tell("started", pid, 0)
        _tell("ended", pid, os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
        os._exit(0)


def _tell(what: str, pid: int, code: int) -> None:
    os.write(1, json.dumps([what, pid, code]).encode() + b"\n")  # at once and whole: others tell beside it


if __name__ == "__main__":
    main()
