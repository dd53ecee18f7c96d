"""A whole copy of the database beside the running service: SQLite's `VACUUM INTO` (sqlite.org/lang_vacuum.html).

It reads one unchanging picture of the database through a connection of its own, so the writer never waits for it, and
writes a file without free pages. That is the one transaction that lasts for longer than a second: meanwhile the
write-ahead log is not folded into the file and grows by what is written.

The copy stands under a temporary name until it is whole, was looked through, and is safely on the disk.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Final

from monitor.errors import LinkError

PART: Final = ".part"
"""Ends the name of a copy that is not whole."""
STEPS_A_LOOK: Final = 500
"""Of SQLite's virtual machine, between two looks whether to go on: some hundred rows."""
SYNC_BYTES: Final = 2_000_000
"""What is written of the copy goes to the disk in pieces of so much: all of it at its end would hold up the next commit
for as long as the whole takes, on an SD card half a minute."""
WAIT_SECONDS: Final = 10.0


def copy(file: Path, to: Path, go_on: Callable[[], bool] = lambda: True) -> None:
    """Writes a copy of a database; on any error nothing is left under either name.

    Parameters
    ----------
    file : the database, which may be written meanwhile
    to : its copy; not there yet
    go_on : asked all the time, may rest; false ends it

    Raises
    ------
    LinkError : the disk is full, cannot be written, or the copy is not whole; or it was ended
    """
    part = to.with_name(to.name + PART)
    try:
        part.unlink(missing_ok=True)
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))  # hashes of passwords are in it
        _vacuum(file, part, go_on)
        _look_through(part, go_on)
        _to_the_disk(part)
        part.replace(to)
        _to_the_disk(to.parent)
    except sqlite3.Error as exc:
        _clear(part)
        raise LinkError(f"the copy {to} could not be made: {exc}") from exc
    except OSError as exc:
        _clear(part)
        raise LinkError(f"the copy {to} could not be made: {exc.strerror}") from exc
    except BaseException:
        _clear(part)
        raise


def _vacuum(file: Path, part: Path, go_on: Callable[[], bool]) -> None:
    synced = 0

    def in_pieces() -> bool:
        nonlocal synced
        written = part.stat().st_size
        if written - synced >= SYNC_BYTES:
            _to_the_disk(part)
            synced = written
        return go_on()

    with contextlib.closing(_opened(file, in_pieces)) as connection:
        connection.execute("PRAGMA synchronous = OFF")  # of the copy: that is seen to here
        connection.execute("VACUUM INTO ?", (str(part),))


def _look_through(part: Path, go_on: Callable[[], bool]) -> None:
    """That every page is where it should be: a copy of a damaged file would be found out on the day it is needed."""
    with contextlib.closing(_opened(part, go_on)) as connection:
        found = [row[0] for row in connection.execute("PRAGMA quick_check(1)")]
    if found != ["ok"]:
        raise LinkError(f"the copy is damaged, and so may be the database: {found[0]}")


def _opened(file: Path, go_on: Callable[[], bool]) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=WAIT_SECONDS, isolation_level=None
    )
    connection.set_progress_handler(lambda: 0 if go_on() else 1, STEPS_A_LOOK)
    return connection


def _to_the_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _clear(part: Path) -> None:
    for ending in ("", "-journal"):
        with contextlib.suppress(OSError):
            part.with_name(part.name + ending).unlink()
