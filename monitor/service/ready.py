"""The compiled watch, fetched from where it is kept; after an install or an upgrade it is compiled first.

That is done by a child process: the compiler takes some 130 MB, of which a process that runs for years would give back
less than half.
"""

from __future__ import annotations

import logging
import os
import subprocess
import sys
from pathlib import Path

from monitor.watch.advance import prepare

log = logging.getLogger("monitor.service")


def make_watch_ready() -> None:
    """Returns with the watch ready to run."""
    if not kept():
        subprocess.run([sys.executable, "-c", f"from {prepare.__module__} import prepare; prepare()"], check=False)
        log.info("the watch was made ready for this machine, once after an install or an upgrade")
    prepare()  # compiles here what the child, for whatever reason, could not


def kept() -> bool:
    """Whether there is compiled code of these very sources, which have a place of their own (`monitor/__init__.py`)."""
    return any(Path(os.environ["NUMBA_CACHE_DIR"]).rglob("kernel.pass_over*.nbi"))
