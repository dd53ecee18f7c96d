"""A message as the broker sent it."""

from __future__ import annotations

import msgspec


class Message(msgspec.Struct, frozen=True, gc=False):
    """A message as it arrived, not looked into; or one in our own form, made of what arrived (`forms.py`)."""

    generation: int
    """Number of the connection it came over; an acknowledgement counts on that one only."""
    mid: int
    """The broker's number for it on that connection."""
    topic: str
    payload: bytes
    retain: bool
    """Old news: the last value that the broker kept, not something new."""
    received_ms: float
    """Time of receipt, ms since 1970."""
    qos: int = 1
    """0: nothing to acknowledge, and it never comes again."""
    parts: tuple[Message, ...] = ()
    """What arrived, where this one was made of it: that is acknowledged."""
    faults: tuple[tuple[str, str], ...] = ()
    """Reason and detail of what could not be made a reading of."""
