"""What a start costs in memory: the compiler runs in a child, and what only some farms need is not loaded."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor.service import ready

SPARED = (
    "alembic", "apprise", "httpx", "influxdb_client", "matplotlib", "pandas", "rich", "sqlalchemy.dialects.postgresql",
    "typst", "urllib3",
)  # fmt: skip


def test_the_watch_is_compiled_by_a_child_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []

    def child(command: list[str], **keys: Any) -> None:
        assert command[:2] == [sys.executable, "-c"] and keys == {"check": False}
        done.append("child")
        exec(command[2], {"__name__": "child"})
        (tmp_path / "watch_1").mkdir()
        (tmp_path / "watch_1" / "kernel.pass_over-104.py311.nbi").touch()

    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setattr(subprocess, "run", child)
    monkeypatch.setattr(ready, "prepare", _note(done, ready.prepare))
    ready.make_watch_ready()
    ready.make_watch_ready()
    assert done == ["child", "here", "here"]


def _note(done: list[str], prepare: Any) -> Any:
    def noted() -> None:
        done.append("here")
        prepare()

    noted.__module__ = prepare.__module__
    return noted


def test_the_name_looked_for_is_the_one_that_numba_gives(tmp_path: Path) -> None:
    """Else every start would compile."""
    from monitor.watch.advance import prepare

    prepare()
    assert ready.kept()


def test_a_start_loads_nothing_that_only_some_farms_need() -> None:
    ask = f"import sys, monitor.cli, monitor.service.shell; print([name for name in {SPARED} if name in sys.modules])"
    told = subprocess.run([sys.executable, "-c", ask], capture_output=True, text=True, check=True, cwd=Path.cwd())
    assert told.stdout.strip() == "[]"
