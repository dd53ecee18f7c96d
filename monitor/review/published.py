"""The published form of a review's JSON: a JSON Schema (draft 2020-12), shipped with the package."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

SCHEMA_FILE = "review.schema.json"


def schema_text() -> str:
    """The schema as it is published, to be served or written as it stands."""
    return (files("monitor.review") / "schema" / SCHEMA_FILE).read_text(encoding="utf-8")


def schema() -> dict[str, Any]:
    """The schema as plain data.

    Examples
    --------
    >>> schema()["title"], len(schema()["required"])
    ('Review of one fan', 17)
    """
    read: dict[str, Any] = json.loads(schema_text())
    return read
