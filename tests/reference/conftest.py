"""Gives the tests the ledger of the reference values; `tests/conftest.py` prints it at the end."""

from __future__ import annotations

import pytest

from tests.reference.values import LEDGER, Ledger


@pytest.fixture
def ledger() -> Ledger:
    """Where every comparison is written down."""
    return LEDGER
