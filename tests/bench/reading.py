"""Reading a season of one fan at 1 s from CSV, beside plain pandas.read_csv on the same file in the same run.

    python -m tests.bench.reading [LINES]

The canonical form, 58 bytes a line, written first to a temporary directory (7.8 million lines: 450 MiB). Each reader
runs in a process of its own, in turns; wall time, processor time and greatest memory of the best turn. Also the same
season as another logger may write it: semicolons, decimal commas, day first, local time. Prints, asserts nothing.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

LINES = 7_800_000
"""Three months at 1 s."""
TURNS = 3
START_S = 1_790_000_000

_OURS = """
import json, resource, sys, time
began = time.perf_counter()
from monitor.review.files.read import read_log
loaded = time.perf_counter()
log = read_log(sys.argv[1])
done = time.perf_counter()
print(json.dumps({"seconds": done - loaded, "cpu": time.process_time(), "rows": len(log), "load": loaded - began,
                  "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
_PANDAS = """
import json, resource, sys, time
began = time.perf_counter()
import pandas
loaded = time.perf_counter()
frame = pandas.read_csv(sys.argv[1])
done = time.perf_counter()
print(json.dumps({"seconds": done - loaded, "cpu": time.process_time(), "rows": len(frame), "load": loaded - began,
                  "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def write(path: Path, lines: int, *, foreign: bool = False) -> None:
    """A season of a 10 hp fan, in pieces."""
    draw = np.random.default_rng(20261125)
    mark = "," if foreign else "."
    with path.open("w", encoding="utf-8", newline="\n") as file:
        if foreign:
            file.write("Datum;Zeit;Strom L1 [A];Strom L2 [A];Strom L3 [A];U12 [V];U23 [V];U31 [V];Luft [°C]\n")
        else:
            file.write("time,l1_amps,l2_amps,l3_amps,v12,v23,v31,ambient_c\n")
        for first in range(0, lines, 100_000):
            count = min(100_000, lines - first)
            at = (np.datetime64(START_S + first, "s") + np.arange(count)).astype(str)
            amps = np.round(12.5 + 0.3 * draw.standard_normal((count, 3)), 2)
            volts = np.round(460.0 + 1.5 * draw.standard_normal((count, 3)), 1)
            air = np.round(5.0 + 4.0 * np.sin(np.arange(first, first + count) / 13_750.0), 1)
            rows = zip(at.tolist(), amps.tolist(), volts.tolist(), air.tolist(), strict=True)
            if foreign:
                text = "".join(
                    f"{t[8:10]}.{t[5:7]}.{t[:4]};{t[11:]};{';'.join(map(repr, (*a, *v, c)))}\n" for t, a, v, c in rows
                ).replace(".", mark)
                text = "".join(
                    f"{line[:10].replace(',', '.')}{line[10:]}\n" for line in text.splitlines()
                )  # the date keeps its dots
            else:
                text = "".join(f"{t}Z,{','.join(map(repr, (*a, *v, c)))}\n" for t, a, v, c in rows)
            file.write(text)


def measured(program: str, path: Path) -> dict[str, float]:
    """Seconds, rows and greatest memory of one run in a process of its own."""
    done = subprocess.run([sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout))


def main(lines: int = LINES) -> None:
    with tempfile.TemporaryDirectory() as directory:
        for name, foreign in (("canonical", False), ("another logger's", True)):
            path = Path(directory) / "season.csv"
            write(path, lines, foreign=foreign)
            size = path.stat().st_size
            measured(_OURS, path)  # compiled and in the memory of the disk from here on
            turns = [(measured(_OURS, path), measured(_PANDAS, path)) for _ in range(TURNS)]
            ours = min((one for one, _ in turns), key=lambda one: one["seconds"])
            theirs = min((one for _, one in turns), key=lambda one: one["seconds"])
            print(f"{name}: {int(ours['rows']):,} readings, {size / 1024**2:.0f} MiB")
            for who, one in (("read_log", ours), ("pandas.read_csv", theirs)):
                processor = f"processor {one['cpu']:.2f} s, of which import {one['load']:.2f} s"
                print(f"  {who:<16}{one['seconds']:>7.2f} s {one['mib']:>7.0f} MiB  ({processor})")
            print(f"  ratio           {ours['seconds'] / theirs['seconds']:>7.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else LINES)
