"""The fan amp monitor: watches the motor current of grain-drying and aeration fans and calls before they trip."""

import hashlib
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


def mark_of_the_sources(package: Path = Path(__file__).parent) -> str:
    """Changes with any file that is compiled into the watch, the reading of logs or the invented farm.

    Numba looks only at the file a compiled function stands in. The kernel holds the table of conditions, the layout of
    the state and the formulas of the motor, which stand in other files: an upgrade that changes one of those alone
    would let the old kernel silently run on.
    """
    mark = hashlib.blake2b(digest_size=6)
    rooms = (package / "motor", package / "blades", package / "watch", package / "review" / "files")
    for room in (*rooms, package.parent / "simulated"):
        for path in sorted(room.glob("*.py")):
            mark.update(path.name.encode() + path.read_bytes())
    return f"sources-{mark.hexdigest()}"


# A child process finds its parent's choice in the environment and keeps it.
_place = Path(os.environ.get("NUMBA_CACHE_DIR") or _compiled_code_directory())
_mark = mark_of_the_sources()
if _place.name != _mark:
    os.environ["NUMBA_CACHE_DIR"] = str(_place / _mark)
    # matplotlib keeps its list of fonts; with nowhere to keep it, it looks at every font again in each process.
    os.environ.setdefault("MPLCONFIGDIR", str(_place.parent / "fonts"))
