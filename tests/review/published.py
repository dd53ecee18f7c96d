"""Holds a review's JSON against the published schema."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from jsonschema import Draft202012Validator

from monitor.review.findings import Findings
from monitor.review.published import schema


@cache
def validator() -> Draft202012Validator:
    Draft202012Validator.check_schema(schema())
    return Draft202012Validator(schema())


def as_published(found: Findings) -> dict[str, Any]:
    """The JSON as a program outside reads it, found to be as published."""
    text = json.dumps(found.as_json(), allow_nan=False)
    said: dict[str, Any] = json.loads(text)
    wrong = [f"{'.'.join(map(str, error.absolute_path))}: {error.message}" for error in validator().iter_errors(said)]
    assert wrong == []
    return said
