"""What is decided by the clock and not by a reading: the silence of a logger."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.watch.table import BY_ID, OVERDUE_AT_LEAST_SECONDS, Condition

DEFAULT_PERIOD_SECONDS = 60.0


@dataclass(frozen=True)
class Heard:
    """When a point was last heard, by the clock of the service."""

    heard_ms: float
    """Wall time of the last reading, or of the moment from which silence counts (the link came back)."""
    period_seconds: float | None
    """The logger's period, given or learned; None: not known yet."""
    overdue: bool
    """Whether it counts as overdue already."""


def silence_allowed_seconds(period_seconds: float | None, row: Condition = BY_ID["logger-overdue"]) -> float:
    """How long a logger may be silent [s]: three periods, at least ten minutes."""
    period = DEFAULT_PERIOD_SECONDS if period_seconds is None else period_seconds
    return max(OVERDUE_AT_LEAST_SECONDS, row.setpoint * period)


def is_silent(silent_seconds: float, period_seconds: float | None, row: Condition) -> bool:
    """Whether a logger that has been silent for so long has missed more readings than the row allows."""
    period = DEFAULT_PERIOD_SECONDS if period_seconds is None else period_seconds
    return silent_seconds > row.setpoint * period


def is_overdue(heard: Heard, now_ms: float, row: Condition = BY_ID["logger-overdue"]) -> bool:
    """Whether the point is overdue now. What is overdue stays so until it is heard, whatever the clock does.

    A clock that stepped back never makes a point overdue; that it is silent shows when the clock has caught up.
    """
    return heard.overdue or now_ms - heard.heard_ms > 1000.0 * silence_allowed_seconds(heard.period_seconds, row)
