"""How a run ended, in words: the cause, and how sure that is."""

from __future__ import annotations

SUPPLY_LOST = "supply lost"
"""`end_cause` of a run that a lost supply ended."""

_ENDS = {
    "overload trip": "an overload trip",
    "phase lost": "a lost phase: the device then opened",
    SUPPLY_LOST: "a lost supply",
    "short circuit or locked rotor": "a short circuit or a locked rotor",
    "stopped": "an ordinary stop",
}
_WITHOUT = {
    "log ended": "How it ended was not seen.",
    "cannot tell": "How it ended cannot be told: a stop and a lost supply look alike.",
}
_SURE = {
    "sure": "It was {}.",
    "high": "Very likely {}.",
    "likely": "Likely {}; not proven.",
    "possible": "Possibly {}; not proven.",
}


NOT_STARTED_AGAIN = "The supply was lost, and it has not started again."
"""Of a fan that is told as stopped because it stands still after its supply is back."""


def verdict(end_cause: str | None, confidence: str | None) -> str | None:
    """The verdict as one short sentence; None where nothing was judged.

    >>> verdict("overload trip", "high"), verdict("phase lost", "high")
    ('Very likely an overload trip.', 'Very likely a lost phase: the device then opened.')
    >>> verdict("overload trip", "likely"), verdict("stopped", "sure"), verdict(None, None)
    ('Likely an overload trip; not proven.', 'It was an ordinary stop.', None)
    """
    if end_cause is None:
        return None
    if end_cause in _WITHOUT:
        return _WITHOUT[end_cause]
    what = _ENDS.get(end_cause, end_cause)
    return _SURE.get(confidence or "possible", _SURE["possible"]).format(what)


def sentences(end_cause: str | None, confidence: str | None, words: str | None) -> str | None:
    """The verdict in full: the judge's own sentence where there is one, else the short one."""
    return words or verdict(end_cause, confidence)
