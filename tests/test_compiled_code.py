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

_CALLER = """
from monitor.motor.compiled import compiled
from monitor.motor.unbalance import unbalance_of
@compiled
def twice(a: float, b: float, c: float) -> float:
    return 2.0 * unbalance_of(a, b, c)
"""
"""Stands in a file of its own, as the kernel does, and holds a formula of another."""


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


def test_a_changed_formula_is_not_worked_by_the_old_code_of_its_caller(tmp_path: Path) -> None:
    """Numba by itself looks at the caller's file only, which stays as it is."""
    shutil.copytree(PACKAGE, tmp_path / "monitor", ignore=shutil.ignore_patterns("__pycache__", "static", "templates"))
    (tmp_path / "monitor" / "caller.py").write_text(_CALLER)
    environment = {**os.environ, "PYTHONPATH": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path / "compiled")}

    def ask() -> float:
        done = subprocess.run(
            [sys.executable, "-c", "from monitor.caller import twice; print(twice(460.0, 467.0, 450.0))"],
            env=environment, cwd=tmp_path, capture_output=True, text=True,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return float(done.stdout)

    first = ask()
    assert len(list((tmp_path / "compiled").rglob("caller.twice-*.nbi"))) == 1  # it was kept
    formula = tmp_path / "monitor" / "motor" / "unbalance.py"
    text = formula.read_text()
    assert text.count("return 100.0 * max(") == 1
    formula.write_text(text.replace("return 100.0 * max(", "return 300.0 * max("))
    assert ask() == pytest.approx(3.0 * first)
