"""Builders with good defaults that several rooms' tests share. Import them: `from tests.conftest import nameplate`.

And what holds for the whole run: no example of hypothesis fails for being slow, and the table of reference values at
its end is put together from all processes that test.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from monitor.motor.nameplate import Fan, Logger, Motor, Nameplate
from monitor.records.database import Database, open_database
from monitor.watch.columns import Readings
from tests.reference.values import LEDGER

settings.register_profile("any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")

NAN = math.nan
BALANCED = (460.0, 460.0, 460.0)
NO_VOLTS = (NAN, NAN, NAN)
Row = tuple[Any, ...]
"""Fan, time [ms], legs [A], volts [V], row of limits, and where it is known `called` (1, 0)."""


def motor(**changed: Any) -> Motor:
    """A three-phase motor of 40 A that may carry 40 A."""
    return Motor(**{"rated_voltage": 460.0, "phases": 3, "full_load_amps": 40.0, "service_factor": 1.0} | changed)


def nameplate(
    *, control: str | None = "continuous", period_seconds: float | None = 10.0,
    conditions: Mapping[str, Mapping[str, Any]] | None = None, **motor_changed: Any,
) -> Nameplate:  # fmt: skip
    """The file of a fan that is to run without a pause, with a logger of 10 s."""
    return Nameplate(
        motor(**motor_changed), fan=Fan(control=control), logger=Logger(period_seconds=period_seconds),
        conditions=conditions or {},
    )  # fmt: skip


def columns(rows: Sequence[Row]) -> Readings:
    """Rows as the columns of one batch."""
    whole = [(*row, NAN)[:6] for row in rows]
    fans, times, amps, volts, limits, called = zip(*whole, strict=True) if rows else ((), (), (), (), (), ())
    legs, lines = (np.array(part, float).reshape(-1, 3) for part in (amps, volts))
    numbers = np.array(fans, np.int32), np.array(limits, np.int32)
    return Readings(numbers[0], np.array(times, float), legs, lines, numbers[1], np.array(called, float))


@pytest.fixture(scope="session")
def empty_database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database file with all tables and nothing in them, to be copied: sooner than going through all migrations."""
    path = tmp_path_factory.mktemp("empty") / "monitor.db"
    open_database(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def database(tmp_path: Path, empty_database: Path) -> Iterator[Database]:
    """An empty database of the test's own."""
    shutil.copy(empty_database, tmp_path / "monitor.db")
    opened = open_database(f"sqlite:///{tmp_path / 'monitor.db'}")
    yield opened
    opened.close()


# --- the table of reference values ---------------------------------------------------------------------------------


def pytest_sessionfinish(session: pytest.Session) -> None:
    """One of several processes (pytest-xdist): hands over what it compared."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["reference values"] = LEDGER.told()


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """The first process hears of what another compared; nothing of one that died."""
    LEDGER.hear(getattr(node, "workeroutput", {}).get("reference values", [[], []]))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """What holds, by source and by how well it is known, and what was not used."""
    lines = LEDGER.table()
    if lines:
        terminalreporter.section("reference values (numbers that hold, by source)")
        for line in lines:
            terminalreporter.write_line(line)
