"""Every example in the docstrings of the pure rooms motor and blades is run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import monitor.blades
import monitor.motor

MODULES = sorted(
    f"{room.__name__}.{module.name}"
    for room in (monitor.motor, monitor.blades)
    for module in pkgutil.iter_modules(room.__path__)
)
WITHOUT_FORMULAS = {"monitor.motor.nameplate", "monitor.motor.compiled"}
"""Data or tools only: nothing to work an example of."""


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_hold(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0
    assert result.attempted > 0 or name in WITHOUT_FORMULAS
