"""One review in a process of its own, out of the live service's way: low priority, bounded in memory and time.

    python -m monitor.review.child < order.json

The order says what to review and into which directory the outcome goes: `findings.json`, `report.html`, `report.pdf`
and `page.json` (the findings as sentences); while it works, `progress` (0 to 1); what went wrong, in `error.json`.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from monitor.errors import ConfigError, MonitorError
from monitor.review.findings import Findings

NICE = 15
MEMORY_BYTES = 3 * 1024**3
"""A season at 1 s takes less than two thirds of it."""
CPU_SECONDS = 600
FILE_BYTES = 1024**3
EVERY_SECONDS = 0.5
PAPER = {"us": "letter", "si": "a4"}
FINDINGS, REPORT, PDF, PAGE = "findings.json", "report.html", "report.pdf", "page.json"
PROGRESS, ERROR = "progress", "error.json"


def main() -> int:
    """0 done, 1 what went wrong stands in `error.json`."""
    order = json.load(sys.stdin)
    out = Path(order["out"])
    _bound()
    try:
        carry_out(order, out)
    except ConfigError as exc:
        # Where the service keeps the file is no business of who sent it.
        text = str(exc) if order.get("log") is None else str(exc).replace(order["log"], order.get("name") or "the log")
        _write(out / ERROR, {"text": text})
    except MonitorError as exc:
        _write(out / ERROR, {"text": f"The review could not be made: {exc}"})
    except MemoryError:
        _write(out / ERROR, {"text": "This log is too large for this computer. Review a shorter part of it."})
    else:
        return 0
    return 1


def _bound() -> None:
    """Low priority, and limits of its own: a hostile file ends this process, not the service."""
    os.nice(NICE)
    for kind, most in (
        (resource.RLIMIT_DATA, MEMORY_BYTES), (resource.RLIMIT_CPU, CPU_SECONDS), (resource.RLIMIT_FSIZE, FILE_BYTES),
    ):  # fmt: skip
        _, hard = resource.getrlimit(kind)
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def carry_out(order: Mapping[str, Any], out: Path) -> None:
    """Reviews and writes all outcomes; `findings.json` last, so that whoever sees it finds the others too."""
    from zoneinfo import ZoneInfo

    from monitor.review.command import as_json
    from monitor.review.report import compose, document, page
    from monitor.review.summary import sections

    progress = Told(out / PROGRESS)
    found = (_of_stored if order.get("log") is None else _of_log)(order, progress)
    zone, units = order.get("zone"), order.get("units", "us")
    head, parts = sections(found, None if zone is None else ZoneInfo(zone))
    report = compose(found, units=units, zone=zone)
    (out / REPORT).write_text(page(report, PAPER[units]), "utf-8")
    (out / PDF).write_bytes(document(report, PAPER[units]))
    _write(out / PAGE, {"head": head, "sections": parts, "cautions": list(found.cautions), "unread": _unread(found)})
    (out / FINDINGS).write_bytes(as_json(found))


def _unread(found: Findings) -> list[list[Any]]:
    return [[one.line, one.reason] for one in found.log.unread[:100]]


def _of_log(order: Mapping[str, Any], progress: Told) -> Findings:
    from contextlib import closing
    from dataclasses import replace

    from monitor.records.database import open_database
    from monitor.records.fan_file import read_nameplate
    from monitor.review.engine import review
    from monitor.review.files.read import read_log
    from monitor.review.stored import log_of_fan

    plate = read_nameplate(order["nameplate"])
    log = read_log(
        Path(order["log"]), column=order.get("columns") or None, zone=order.get("log_zone"),
        rated_voltage=plate.motor.rated_voltage, phases=plate.motor.phases, progress=progress.part(0.0, 0.5),
    )  # fmt: skip
    log = replace(log, name=order["name"])
    half = progress.part(0.5, 0.9)

    def tell(done: int, of: int) -> None:
        half(done / max(of, 1))

    if order.get("fan") is None:
        return review(log, plate, altitude_m=order.get("altitude_m", 0.0), progress=tell)
    with closing(open_database(order["database"])) as database:
        return log_of_fan(database, order["site"], order["fan"], log, progress=tell)


def _of_stored(order: Mapping[str, Any], progress: Told) -> Findings:
    from contextlib import closing

    from monitor.records.database import open_database
    from monitor.review.stored import stored

    part = progress.part(0.0, 0.9)
    with closing(open_database(order["database"])) as database:
        return stored(
            database, order["site"], order["fan"], datetime.fromisoformat(order["from"]),
            datetime.fromisoformat(order["to"]), order["as"], progress=lambda done, of: part(done / max(of, 1)),
        )  # fmt: skip


class Told:
    """How far it is, told now and then."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next = 0.0

    def part(self, begin: float, end: float) -> Callable[[float], None]:
        """For a part of the work: given its own share, 0 to 1."""

        def tell(share: float) -> None:
            if time.monotonic() >= self._next:
                self._next = time.monotonic() + EVERY_SECONDS
                self._path.write_text(f"{begin + (end - begin) * min(max(share, 0.0), 1.0):.3f}")

        return tell


def _write(path: Path, content: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(content, ensure_ascii=False), "utf-8")


if __name__ == "__main__":
    sys.exit(main())
