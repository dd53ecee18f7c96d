"""Every example in the docstrings of the report is run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import monitor.review.report

MODULES = sorted(
    module.name
    for module in pkgutil.walk_packages(monitor.review.report.__path__, "monitor.review.report.")
    if not module.ispkg
)
WITH_FIGURES = {"characters", "clock", "decimate", "words"}


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_docstrings_hold(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0
    assert result.attempted > 0 or name.rsplit(".", 1)[1] not in WITH_FIGURES
