"""Answers held against what the API says of itself."""

from __future__ import annotations

import copy
from typing import Any

from jsonschema import Draft202012Validator

from monitor.web.problems import MEDIA_TYPE

JSON = "application/json"


def closed(described: dict[str, Any]) -> dict[str, Any]:
    """The same, with no key allowed that is not described: so a test notices a key that nobody told of."""
    tight = copy.deepcopy(described)
    for schema in tight["components"]["schemas"].values():
        if "properties" in schema:
            schema.setdefault("additionalProperties", False)
    return tight


def faults(described: dict[str, Any], schema: dict[str, Any], value: Any) -> list[str]:
    """What in a value is not as a schema of the description says, each with its place."""
    whole = {**schema, "components": described["components"]}
    found = Draft202012Validator(whole).iter_errors(value)
    return [f"{'.'.join(map(str, one.absolute_path))}: {one.message[:300]}" for one in found]


def not_as_described(
    described: dict[str, Any], method: str, path: str, status: int, content_type: str | None, value: Any
) -> list[str]:
    """What in an answer is not as the operation says; `path` as the description has it."""
    responses = described["paths"][path][method.lower()]["responses"]
    if str(status) not in responses:
        return [f"{status} is not described, only {', '.join(responses)}"]
    content = responses[str(status)].get("content", {})
    kind = (content_type or "").partition(";")[0]
    kinds = {one.partition(";")[0]: media for one, media in content.items()}
    if kind not in kinds:
        return [] if not kind and not kinds else [f"{kind or 'nothing'} is not described, only {', '.join(kinds)}"]
    return faults(described, kinds[kind].get("schema", {}), value) if kind in (JSON, MEDIA_TYPE) else []
