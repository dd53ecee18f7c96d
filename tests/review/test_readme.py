"""What README shows of the review runs, and says what it shows."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from monitor.review.published import schema_text

README = (Path(__file__).parents[2] / "README.md").read_text()


def test_the_example_for_notebooks(capsys: pytest.CaptureFixture[str]) -> None:
    (example,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    names: dict[str, Any] = {}
    exec(compile(example, "README.md", "exec"), names)
    (shown,) = re.findall(r"print\(.*\n#(.*)", example)
    assert capsys.readouterr().out.strip() == shown.strip()
    assert len(names["judged"]) == 240 and set(names["text"]) > {"runs", "what_if"}


def test_the_schema_is_where_it_says() -> None:
    (place,) = re.findall(r"monitor/review/schema/[\w.]+", README)
    assert (Path(__file__).parents[2] / place).read_text() == schema_text()
