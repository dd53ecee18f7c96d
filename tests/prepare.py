"""Compiles once what all processes that test need: else each of them would, at the same time, and tests wait for it.

No pytest here; `python -m tests.prepare`, before the tests, as `tests/run` does. What is compiled is kept where
NUMBA_CACHE_DIR says.
"""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from monitor.review.engine import prepare
from monitor.review.files.read import read_log
from simulated.farm import Farm
from simulated.scenario import load

LINES = ["time,l1_amps,l2_amps,l3_amps", *(f"2026-10-04T01:00:{second:02d}Z,12.1,12.0,11.9" for second in range(60))]


def main() -> None:
    """The watch and the review, the reading of a log file, the invented farm."""
    prepare()
    with tempfile.TemporaryDirectory() as place:
        log = Path(place) / "log.csv"
        log.write_text("\n".join(LINES) + "\n")
        read_log(log)
    begin = datetime(2026, 10, 28, 22, 0, tzinfo=UTC)
    list(Farm(load("troubles"), begin, 7).advance(begin + timedelta(minutes=2)))


if __name__ == "__main__":
    main()
