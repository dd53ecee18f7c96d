"""Lists in parts: each part names the key after which the next one begins, so a list that grows is not read twice."""

from __future__ import annotations

import base64
import binascii
import json
from typing import Any, TypedDict

from monitor.errors import ReadingError


class Page(TypedDict):
    """A part of a list."""

    items: list[dict[str, Any]]
    next: str | None
    """Token that gives the rest; None: this is all."""


MOST = 500
"""Items a part, at most."""


def token_of(key: list[Any]) -> str:
    """A token for "after this key"."""
    return base64.urlsafe_b64encode(json.dumps(key).encode()).decode().rstrip("=")


def key_of(token: str, *parts: type) -> list[Any]:
    """The key of a token, whose parts are of these types.

    Raises
    ------
    ReadingError : the token was not made by `token_of` for such a list
    """
    try:
        key = json.loads(base64.urlsafe_b64decode(token + "=" * (-len(token) % 4)))
    except (ValueError, binascii.Error, RecursionError) as exc:
        raise ReadingError("not a token", "take `next` of the answer before, unchanged") from exc
    if not isinstance(key, list) or [type(part) for part in key] != list(parts):
        raise ReadingError("not a token", "take `next` of the answer before, unchanged")
    return key


def page(items: list[dict[str, Any]], keys: list[list[Any]], limit: int) -> Page:
    """The first `limit` of the items; `keys` are the items' own. Give one more than `limit` where there is more."""
    if len(items) <= limit:
        return {"items": items, "next": None}
    return {"items": items[:limit], "next": token_of(keys[limit - 1])}
