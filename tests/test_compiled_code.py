"""Compiled code never outlives the sources it was made from."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import monitor

PACKAGE = Path(monitor.__file__).parent

_ASK = """
from tests.conftest import columns, nameplate
from monitor.watch.advance import advance, new_states
from monitor.watch.limits import resolve, stack
rows = [(0, 10_000.0 * n, (39.0 if n < 100 else 42.0,) * 3, (460.0,) * 3, 0) for n in range(300)]
changes, _ = advance(new_states(1), columns(rows), stack([resolve(nameplate())]))
print([(change.condition, change.what) for change in changes
       if change.condition in ("overload", "low-margin") and change.what in (1, 2, 3)])
"""


@pytest.mark.parametrize(
    "file", ["watch/table.py", "watch/layout.py", "motor/limit.py", "motor/unbalance.py", "review/files/cells.py"]
)
def test_the_mark_changes_with_every_file_that_is_compiled_in(tmp_path: Path, file: str) -> None:
    package = tmp_path / "monitor"
    shutil.copytree(PACKAGE, package, ignore=shutil.ignore_patterns("__pycache__", "static", "templates"))
    before = monitor.mark_of_the_sources(package)
    with (package / file).open("a") as source:
        source.write("# another line\n")
    assert monitor.mark_of_the_sources(package) != before


@pytest.mark.slow
@pytest.mark.timeout(900)  # it compiles twice
def test_a_changed_table_is_not_judged_by_the_old_kernel(tmp_path: Path) -> None:
    """Low margin stands, then overload takes over; in the changed table low margin simply goes on standing."""
    shutil.copytree(PACKAGE, tmp_path / "monitor", ignore=shutil.ignore_patterns("__pycache__", "static", "templates"))
    (tmp_path / "tests" / "reference").mkdir(parents=True)
    for name in ("conftest.py", "reference/values.py"):
        shutil.copy(Path(__file__).parent / name, tmp_path / "tests" / name)
    environment = {**os.environ, "PYTHONPATH": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path / "compiled")}

    def ask() -> str:
        done = subprocess.run(
            [sys.executable, "-c", _ASK], env=environment, cwd=tmp_path, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert ask() == "[('low-margin', 1), ('overload', 1), ('low-margin', 3)]\n"
    table = tmp_path / "monitor" / "watch" / "table.py"
    text = table.read_text()
    by_overload = '(*_SUPPLY, "trip-near", "overload")'
    assert text.count(by_overload) == 1
    table.write_text(text.replace(by_overload, "_SUPPLY"))
    assert ask() == "[('low-margin', 1), ('overload', 1)]\n"
