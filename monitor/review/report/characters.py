"""Every text of a report goes through here: what files and people gave must neither break a page nor turn its lines."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import fields, is_dataclass, replace
from typing import Any, TypeVar

from monitor.review.report.words import tied

Block = TypeVar("Block")

LONGEST = 2000
"""A text longer than this is cut: nobody reads it, and it may be a whole file in one cell."""


def safe(text: str) -> str:
    """One text without control characters, half characters and marks that turn the direction of writing.

    >>> safe("bin\\x00 3\\u202e gpj"), safe("a\\tb\\nc")
    ('bin 3 gpj', 'a b c')
    """
    kept = [
        " " if character in "\t\n\r\x0b\x0c\u2028\u2029" else character
        for character in text
        if character in "\t\n\r\x0b\x0c" or unicodedata.category(character)[0] != "C"
    ]
    clean = "".join(kept)
    if len(clean) > LONGEST:
        clean = clean[:LONGEST].rstrip() + " …"
    return tied(clean)


def all_safe(block: Block, first: Callable[[str], str]) -> Block:
    """The same data with every text made safe, however deep.

    first : is asked before, for each text
    """
    return _made_safe(block, first)  # type: ignore[no-any-return]


def _made_safe(value: Any, first: Callable[[str], str]) -> Any:
    if isinstance(value, str):
        return safe(first(value))
    if isinstance(value, tuple):
        return tuple(_made_safe(item, first) for item in value)
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{one.name: _made_safe(getattr(value, one.name), first) for one in fields(value)})
    return value
