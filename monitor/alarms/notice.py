"""A notice: what is sent to one address about one change of an alarm."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

KINDS = (
    "raised", "told-again", "cleared", "several", "found-late", "all-is-well", "service-was-down", "broker-away",
    "disk-nearly-full", "cannot-store", "backup-late", "test",
)  # fmt: skip
"""Of one alarm: raised (begins, or begins again), told-again (still stands, nobody acknowledged), cleared (gone). Of
several alarms of a site: several. Of no alarm: found-late (shown by readings that came late), all-is-well (the daily
line), service-was-down, broker-away, disk-nearly-full, cannot-store, backup-late, test."""


@dataclass(frozen=True)
class Notice:
    """One notice for one address."""

    id: str
    """Stable and unique: made again after a crash it is the same, so a receiver can recognise a repeat."""
    site: str
    """Site of the register."""
    alarm_number: int
    """Number of the alarm, of several the first that is told; 0: of none."""
    change_number: int
    """Number of the change that it tells of; 0: of none."""
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
    """For SMS and push: under 300 characters, one line."""
    long: str
    """For mail: plain text."""
    data: dict[str, Any]
    """For machines; the keys stand in `data.notice_data`."""
    created: datetime
    """When it was made [wall time, aware UTC]."""
    due: datetime | None = None
    """Not to be sent before [wall time]: what does not ring waits for the end of quiet hours. None: at once."""

    @property
    def group_id(self) -> str:
        """What the same notice has in common at all addresses of its route."""
        return self.id.removesuffix(f"-{self.address_index}")


def group_of_alarm(partition: int, alarm_number: int, change_number: int, route: str) -> str:
    """The group of a notice about a change of an alarm; no change is in two notices of one route.

    >>> group_of_alarm(0, 17, 42, "farm")
    '0-17-42-farm'
    """
    return f"{partition}-{alarm_number}-{change_number}-{route}"


def group_of(partition: int, kind: str, key: str, route: str) -> str:
    """The group of a notice that is of no alarm.

    Parameters
    ----------
    key : what is told once under it, e.g. the number of the action that asked for a test

    >>> group_of(0, "test", "91", "farm")
    '0-test-91-farm'
    """
    return f"{partition}-{kind}-{key}-{route}"


def notice_id(group_id: str, address_index: int) -> str:
    """The id of a notice for one address.

    >>> notice_id("0-17-42-farm", 1)
    '0-17-42-farm-1'
    """
    return f"{group_id}-{address_index}"
