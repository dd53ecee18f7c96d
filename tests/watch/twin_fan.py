"""What the twin knows of a motor, what it remembers of a fan, and what it finds in one reading."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

from tests.watch.twin_doubts import Doubts
from tests.watch.twin_images import Burden
from tests.watch.twin_looking_back import Proven, Slots, added

NAN = math.nan
Legs = tuple[float, float, float]


@dataclass(frozen=True)
class Plate:
    """What the watch has to know of a motor. Each row: setpoint, clears, on-delay, off-delay [ms]."""

    full_load: float
    limit: float
    phases: int = 3
    rated: float = 460.0
    period: float | None = None
    rows: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    off: frozenset[str] = frozenset()
    motor: int = 0
    worn: int = 0
    device_known: bool = False
    setting: float = NAN
    trip_ratio: float = 1.15
    device_tau: float = NAN
    magnetising: float = 0.0
    averaging: bool = False
    continuous: bool = True


@dataclass
class Run:
    """A run in progress, or the last one."""

    start: float
    last: float = NAN
    last_amps: float = NAN
    amps: float = NAN
    """Greatest leg, the first 10 s left out."""
    ratio: float = NAN
    gap: float = 0.0


@dataclass
class Fan:
    """What is remembered of one fan between two readings."""

    motor: int | None = None
    worn: int | None = None
    last: float = NAN
    period: float = NAN
    intervals: list[float] = field(default_factory=list)
    called: float = NAN
    called_at: float = NAN
    # voltage
    lines: list[float] = field(default_factory=lambda: [NAN] * 3)
    lines_at: float = NAN
    unbalance: float = NAN
    unbalance_at: float = NAN
    # the run
    running: bool | None = None
    amps_at: float = NAN
    run: Run | None = None
    ended_at: float = NAN
    held: tuple[Legs, bool] | None = None
    """Legs of the row before, and whether it was the first of its run."""
    starts: list[float] = field(default_factory=list)
    high: int = 0
    lost_at: float = NAN
    # what looks back
    heat: dict[str, float] | None = None
    burden: Burden = field(default_factory=Burden)
    assumed_at: float = NAN
    slots: Slots = field(default_factory=Slots)
    proven: Proven = field(default_factory=Proven)
    active_mean: float = NAN
    active_s: float = 0.0
    doubts: Doubts = field(default_factory=Doubts)
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)

    def stands(self, name: str) -> bool:
        """Whether a condition is raised."""
        return name in self.alarms and bool(self.alarms[name]["raised"])

    def called_in_force(self, t: float, stands: float) -> float:
        """1 or 0 while what was last told is not older than three periods, else NaN."""
        return self.called if t - self.called_at <= stands else NAN


@dataclass
class Moment:
    """One reading, and what it shows."""

    t: float
    own: Legs
    volts: Legs
    stands: float = NAN
    """How long a reading may stand [ms]."""
    flags: int = 0
    fresh: bool = False
    """This row gives a voltage unbalance."""
    unbalance: float = NAN
    limit: float = NAN
    running: bool = False
    into: float = NAN
    """Time since the run began [ms]."""
    highest: float = NAN
    legs: Legs = (NAN, NAN, NAN)
    """The legs that are judged now."""
    judged: float = NAN
    """Highest of them."""
    stood: float = 0.0
    """For how long the row before stood [s]."""
    lost: bool = False

    @property
    def has_amps(self) -> bool:
        return self.highest == self.highest

    @property
    def settled(self) -> bool:
        """Running for 10 s at least."""
        return self.running and self.into >= 10_000


def known(values: Any) -> list[float]:
    return [value for value in values if value == value]  # NaN is nothing's equal


def mean(values: list[float]) -> float:
    return added(values) / len(values) if values else NAN
