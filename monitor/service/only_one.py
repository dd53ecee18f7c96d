"""One service for a data directory: a second would judge the same readings beside the first and tell everything twice.

A lock on a file in the directory (flock(2)), held for life. The kernel frees it with the process, however that ends, so
nothing is left to clear away after a kill or a power cut; what the file says is for people only.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
from pathlib import Path
from typing import IO

from monitor.errors import ConfigError

FILE = "in-use"
_HELD = (errno.EWOULDBLOCK, errno.EACCES)


class OnlyOne:
    """The right to be the one service of a directory."""

    def __init__(self, data: Path) -> None:
        """Takes it.

        Parameters
        ----------
        data : the data directory, which is there

        Raises
        ------
        ConfigError : another service has it, or the file cannot be written
        """
        path = data / FILE
        try:
            self._file: IO[str] = path.open("a+")
        except OSError as exc:
            raise ConfigError(
                f"cannot write {path.absolute()}: {exc.strerror}. Give the service's user the right to write the data "
                "directory."
            ) from exc
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            who = self._who()
            self._file.close()
            if exc.errno not in _HELD:
                raise ConfigError(
                    f"cannot lock {path.absolute()}: {exc.strerror}. Put the data directory on a disk of this computer."
                ) from exc
            raise ConfigError(
                f"another service{who} is running on the data directory {data.absolute()}: two would tell everything "
                "twice. Stop that one first (systemctl stop fan-amp-monitor, or Ctrl-C where it was started), or give "
                "this one another directory with `data` in its settings."
            ) from exc
        with contextlib.suppress(OSError):  # a full disk keeps no service from starting
            self._file.truncate(0)
            self._file.write(f"{os.getpid()}\n")
            self._file.flush()

    def _who(self) -> str:
        """Its process, where the file tells it."""
        with contextlib.suppress(OSError, ValueError):
            self._file.seek(0)
            return f" (process {int(self._file.read(32))})"
        return ""

    def release(self) -> None:
        """Gives it back."""
        with contextlib.suppress(OSError):  # what is not written of the number yet
            self._file.close()
