"""The fan amp monitor: watches the motor current of grain-drying and aeration fans and calls before they trip."""

import os
import tempfile
from pathlib import Path

__version__ = "0.1.0"


def _compiled_code_directory() -> str:
    """Where numba keeps the compiled watch; without a writable place for it the import of numba code fails.

    The package may lie in a read-only tree and HOME may be missing (a service account), so the place is set here,
    before numba is imported: $NUMBA_CACHE_DIR if given, else the service's own cache directory, else the user's, else
    a temporary directory.
    """
    for parent in (os.environ.get("CACHE_DIRECTORY"), os.environ.get("XDG_CACHE_HOME"), "~/.cache"):
        if not parent:
            continue
        path = Path(parent).expanduser() / "amp-monitor" / "compiled"
        try:
            path.mkdir(parents=True, exist_ok=True)
        except (OSError, RuntimeError):  # RuntimeError: no home directory can be found
            continue
        if os.access(path, os.W_OK):
            return str(path)
    return tempfile.mkdtemp(prefix="amp-monitor-compiled-")


if "NUMBA_CACHE_DIR" not in os.environ:
    os.environ["NUMBA_CACHE_DIR"] = _compiled_code_directory()
