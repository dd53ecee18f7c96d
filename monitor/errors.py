"""The error tree, split by who has to act.

    MonitorError
    |-- ConfigError     the installer: a setting, a nameplate file, an option. Exit code 2; starting again is no help.
    |-- ReadingError    the sender of a reading: count it, keep it in `rejected`, go on.
    `-- LinkError       the outside world (broker, mail server, database): wait and try again, unless `permanent`.

Anything else that is raised is a bug of ours and may end the process, loudly; the supervisor starts it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class MonitorError(Exception):
    """Base of all errors that say who must act and what to do next."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a file or a setting."""

    place: str
    """Where: dotted path, e.g. `motor.full_load_amps`."""
    expected: str
    """What would have been right, e.g. `a number of amperes above 0`."""
    found: str
    """What stood there, as the reader would recognise it, e.g. `"12A"`; or `nothing`."""

    def __str__(self) -> str:
        return f"{self.place}: expected {self.expected}, found {self.found}"


class ConfigError(MonitorError):
    """Settings, a nameplate file or the way a command was called: all faults at once, each with its place."""

    def __init__(self, message: str, faults: Sequence[Fault] = ()) -> None:
        self.message = message
        self.faults = tuple(faults)
        super().__init__("\n".join([message, *(f"  {fault}" for fault in self.faults)]))


class ReadingError(MonitorError):
    """A payload or a reading that cannot be taken; `reason` is short and stable, `detail` says more."""

    def __init__(self, reason: str, detail: str = "") -> None:
        self.reason = reason
        self.detail = detail
        super().__init__(f"{reason}: {detail}" if detail else reason)


class LinkError(MonitorError):
    """The outside world refused or did not answer. With `permanent` trying again is useless until somebody acts."""

    def __init__(self, message: str, *, permanent: bool = False, retry_after_seconds: float | None = None) -> None:
        self.permanent = permanent
        self.retry_after_seconds = retry_after_seconds
        super().__init__(message)
