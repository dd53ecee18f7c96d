"""What a browser needs to keep the pages as an app: the service worker with the files it holds ready.

The worker (static/service-worker.js) is served at the root, so that its scope is all pages. In front of it stands a
version made from every file that pages are made of: a browser compares the worker byte by byte, so an upgraded service
brings a new one, which fetches all files anew and drops what the older one kept.
"""

from __future__ import annotations

import hashlib
import json
import mimetypes
from functools import lru_cache
from pathlib import Path

from fastapi import APIRouter
from starlette.responses import Response

HERE = Path(__file__).parent
WORKER = HERE / "static" / "service-worker.js"
LEFT_OUT = frozenset({WORKER.name, "icons"})
"""Files or directories of static/ that no page needs without a connection."""

router = APIRouter()
mimetypes.add_type("application/manifest+json", ".webmanifest")


def files() -> list[str]:
    """Addresses of the files that are held ready for pages without a connection."""
    static = HERE / "static"
    return sorted(
        f"/static/{path.relative_to(static).as_posix()}"
        for path in static.rglob("*")
        if path.is_file() and not LEFT_OUT.intersection(path.relative_to(static).parts) and "LICENSE" not in path.name
    )


@lru_cache(maxsize=1)
def worker() -> bytes:
    """The worker's script with version and files in front. Read once: files change with an upgrade, and a new start."""
    parts = sorted(path for where in ("static", "templates") for path in (HERE / where).rglob("*") if path.is_file())
    version = hashlib.sha256()
    for path in parts:
        version.update(str(path.relative_to(HERE)).encode() + b"\0" + path.read_bytes() + b"\0")
    head = f"const VERSION = {json.dumps(version.hexdigest()[:16])};\nconst STATIC = {json.dumps(files())};\n"
    return head.encode() + WORKER.read_bytes()


@router.get("/service-worker.js")
def service_worker() -> Response:
    """Asked for anew each time (no-cache): a browser must see at once that the service was upgraded."""
    return Response(worker(), media_type="text/javascript", headers={"cache-control": "no-cache"})
