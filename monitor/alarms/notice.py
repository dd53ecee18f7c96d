"""A notice: what is sent to one address about one change of an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

KINDS = ("raised", "told-again", "cleared", "found-late")
"""raised: begins, or begins again; told-again: still stands, nobody acknowledged; cleared: gone; found-late: shown by
readings that came late (`found_late`), of no alarm."""


@dataclass(frozen=True)
class Notice:
    """One notice for one address."""

    id: str
    """Stable and unique: made again after a crash it is the same, so a receiver can recognise a repeat."""
    site: str
    """Site of the register."""
    alarm_number: int
    """Number of the alarm; 0 for what was found late."""
    change_number: int
    """Number of the change that it tells of; 0 for what was found late."""
    route: str
    """Name of the route."""
    address_index: int
    """Place of the address in the route's `to`, from 0. The address itself may hold a secret and is not stored here."""
    kind: str
    """One of KINDS."""
    priority: str
    """Priority of the alarm."""
    rings: bool
    """Whether it may break quiet hours."""
    subject: str
    """Subject of a mail, at most 120 characters, one line."""
    short: str
    """For SMS and push: at most 300 characters, one line."""
    long: str
    """For mail: plain text."""
    data: dict[str, Any]
    """For machines; the keys stand in `data.notice_data`."""
    created: datetime
    """When it was made [wall time, aware UTC]."""


def notice_id(partition: int, alarm_number: int, change_number: int, route: str, address_index: int) -> str:
    """The id of a notice.

    >>> notice_id(0, 17, 42, "farm", 1)
    '0-17-42-farm-1'
    """
    return f"{partition}-{alarm_number}-{change_number}-{route}-{address_index}"
