"""Logs of a farm as CSV files in the canonical form, one a fan."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from simulated.loggers import Columns, stamps

THREE_PHASE = ("l1_amps", "l2_amps", "l3_amps", "v12", "v23", "v31", "ambient_c")
SINGLE_PHASE = ("l1_amps", "v12", "ambient_c")


def write(directory: Path, logs: Mapping[tuple[str, str], Columns]) -> list[Path]:
    """Write one `SITE-FAN.csv` a fan, times in UTC; an empty cell where the logger gave nothing. The files written.

    logs: (site, fan): columns as `Farm.columns` gives them. Raises OSError where the directory cannot be written.
    """
    directory.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for (site, fan), columns in logs.items():
        names = THREE_PHASE if "l3_amps" in columns else SINGLE_PHASE
        cells = [stamps(0.0, columns["t"])]
        for name in names:
            if name in columns:
                cells.append([repr(value) if value == value else "" for value in columns[name].tolist()])
            else:
                cells.append([""] * columns["t"].size)
        path = directory / f"{site}-{fan}.csv"
        with path.open("w", encoding="utf-8", newline="\n") as file:
            file.write(",".join(("time", *names)) + "\n")
            file.writelines(",".join(row) + "\n" for row in zip(*cells, strict=True))
        written.append(path)
    return written
