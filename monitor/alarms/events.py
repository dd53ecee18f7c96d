"""What may happen to an alarm: a condition raised or returned, what an operator asks for, the clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TypeAlias

LONGEST_SHELF = timedelta(days=7)
"""Nothing is shelved for longer (common practice: a shelf is no way to turn an alarm off)."""
LONGEST_OUT_OF_SERVICE = timedelta(days=732)
"""A return date further ahead is a slip of the pen."""


@dataclass(frozen=True)
class Raised:
    """The condition is raised: its on-delay is over. Also sent when a standing condition rises in priority."""

    condition: str
    """Id of the condition."""
    at: datetime
    """When its on-delay was over [event time]."""
    since: datetime
    """When it began [event time]."""
    value: float | None
    """What was measured, in the unit of the condition."""
    setpoint: float | None
    """What it was compared with."""
    peak: float | None
    """The greatest value since it began."""
    priority: str
    """Its priority now, from the table as changed for the fan."""
    rings: bool = True
    """Whether it rings, from the table as changed for the fan."""
    rings_from: datetime | None = None
    """Of one that does not ring yet: when it does, if it still stands unacknowledged [wall time]; None: never."""


@dataclass(frozen=True)
class Returned:
    """The condition is gone: its off-delay is over."""

    at: datetime
    """When [event time]."""
    peak: float | None = None
    """The greatest value while it stood, if greater than told before."""
    watched: bool = True
    """False: nobody saw it go, it is not watched for any more."""


@dataclass(frozen=True)
class Acknowledge:
    """An operator has taken note."""

    by: str
    """Who."""


@dataclass(frozen=True)
class Shelve:
    """An operator wants no notices of it for a time."""

    by: str
    """Who."""
    until: datetime
    """Until when [wall time]."""
    why: str = ""
    """Why, in the operator's own words."""


@dataclass(frozen=True)
class Unshelve:
    """An operator takes it off the shelf before its time."""

    by: str
    """Who."""


@dataclass(frozen=True)
class PlannedStop:
    """An operator announces that the fan will stand still: for the alarm `stopped` of that fan."""

    by: str
    """Who."""
    until: datetime
    """When the fan is to run again [wall time]."""
    why: str = ""
    """Why, in the operator's own words."""


@dataclass(frozen=True)
class WithdrawPlannedStop:
    """An operator takes the announcement back."""

    by: str
    """Who."""


@dataclass(frozen=True)
class SuppressByDesign:
    """A rule holds (`by_design`): what the alarm tells is explained by something else that stands."""

    why: str
    """By what, in words."""


@dataclass(frozen=True)
class ReasonOver:
    """The rule that suppressed it by design holds no more."""


@dataclass(frozen=True)
class RemoveFromService:
    """Maintenance: no notices until it is returned to service."""

    by: str
    """Who."""
    until: datetime | None = None
    """Return date [wall time]; None: until it is returned by hand."""
    why: str = ""
    """Why, in the operator's own words."""


@dataclass(frozen=True)
class ReturnToService:
    """Maintenance is over."""

    by: str | None
    """Who; None: nobody, what it is about is no longer all out of service."""


@dataclass(frozen=True)
class Tick:
    """The clock has moved on: ends suppressions whose time is up and tells again what nobody acknowledged."""


Event: TypeAlias = (
    Raised
    | Returned
    | Acknowledge
    | Shelve
    | Unshelve
    | PlannedStop
    | WithdrawPlannedStop
    | SuppressByDesign
    | ReasonOver
    | RemoveFromService
    | ReturnToService
    | Tick
)
