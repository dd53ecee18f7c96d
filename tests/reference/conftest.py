"""Counts the reference values that hold and prints them at the end."""

from __future__ import annotations

import pytest

from tests.reference.values import LEDGER, Ledger


@pytest.fixture
def ledger() -> Ledger:
    """Where every comparison is written down."""
    return LEDGER


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """The table: what holds, by source and by how well it is known, and what was not used."""
    lines = LEDGER.table()
    if lines:
        terminalreporter.section("reference values (numbers that hold, by source)")
        for line in lines:
            terminalreporter.write_line(line)
