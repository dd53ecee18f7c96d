"""The words of one notice that is not of a single alarm, ready to be sent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Texts:
    """What a receiver gets; the same four parts as those of a single alarm's notice (`wording`, `data`)."""

    subject: str
    """Subject of a mail, at most 120 characters, one line."""
    short: str
    """For SMS and push: under 300 characters of an SMS, one line."""
    long: str
    """For mail: plain text, ends with a line break."""
    data: dict[str, Any]
    """For machines: plain JSON, no NaN; times are RFC 3339 in UTC; `kind` says what it is."""
