"""Readings as columns, and what the watch says about them, as columns too."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


def _contiguous(values: Any, dtype: Any, shape: tuple[int, ...]) -> Any:
    """A contiguous, writable array: a strided, read-only or int64 column would silently compile the kernel again."""
    array = np.array(values, dtype=dtype, order="C", copy=None)
    if not array.flags.writeable:
        array = array.copy()
    if array.shape != shape:
        raise ValueError(f"expected a column of shape {shape}, found {array.shape}")
    return array


@dataclass
class Readings:
    """A batch of readings, sorted by fan and within a fan by time; a missing value is NaN."""

    fan: Ints
    """Row of the fan in the state array, shape (n,)."""
    t_ms: Floats
    """When it was measured, milliseconds since 1970, shape (n,). Whole numbers below 2^53: exact."""
    amps: Floats
    """Leg currents [A], shape (n, 3); single-phase: the first column."""
    volts: Floats
    """Line-to-line voltages v12, v23, v31 [V], shape (n, 3); single-phase: the first column."""
    limits: Ints
    """Row of the register version in force in the array of limits, shape (n,)."""
    called: Floats
    """1 where the control wants the fan to run, 0 where not, NaN where nothing is known of it, shape (n,)."""

    def __post_init__(self) -> None:
        rows = len(self.t_ms)
        self.fan = _contiguous(self.fan, np.int32, (rows,))
        self.t_ms = _contiguous(self.t_ms, np.float64, (rows,))
        self.amps = _contiguous(self.amps, np.float64, (rows, 3))
        self.volts = _contiguous(self.volts, np.float64, (rows, 3))
        self.limits = _contiguous(self.limits, np.int32, (rows,))
        self.called = _contiguous(self.called, np.float64, (rows,))

    def __len__(self) -> int:
        return len(self.t_ms)

    def part(self, start: int, stop: int) -> Readings:
        """Rows start to stop."""
        rows = slice(start, stop)
        return Readings(
            self.fan[rows], self.t_ms[rows], self.amps[rows], self.volts[rows], self.limits[rows], self.called[rows]
        )


@dataclass(frozen=True)
class Ending:
    """What the readings of one fan tell about the end of a run; a verdict (`ends.py`) also asks its sister fans."""

    stop_ms: float
    """First reading that shows it stopped."""
    h1: float
    """Device image with the setting itself as its unit (1 = the setting carried for ever), stepped one period past the
    last running reading; with full-load amps x service factor where no setting is known. NaN: no image."""
    carried: float
    """Greatest such image that the fan carried in the last 24 h without opening, up to 5 min before this end; NaN: none
    to compare with."""
    compared_seconds: float
    """Running time that `carried` is taken from."""
    last_amps: float
    """Highest leg of the last running reading [A]."""
    lost_phase: bool
    """The last running reading shows one leg near zero and the others risen."""
    volts_percent: float
    """Mean line voltage of the first stopped reading [% of rated]; NaN: not measured."""
    called: float
    """Whether the control wanted the fan to run: 1, 0, or NaN."""
    period_seconds: float
    """The logger's period in use."""
    device_known: bool
    """A setting of its overload device is registered."""
    full_load_amps: float
    """Of the nameplate in force [A]."""
    seen: bool
    """Its end was seen: no gap of more than three periods before the first stopped reading."""


@dataclass(frozen=True)
class Change:
    """Something that began or ended at one reading."""

    row: int
    """Row of the batch whose reading confirmed it."""
    fan: int
    """Row of the fan in the state array."""
    what: int
    """layout.RAISED, CLEARED, SUPERSEDED, HOTTER, RUN_STARTED or RUN_ENDED."""
    condition: str | None
    """Id of the condition; None for runs."""
    at_ms: float
    """Time of the confirming reading; for the end of a run the last running reading."""
    since_ms: float
    """When the condition or the run began."""
    value: float
    """The measure at the confirming reading; for runs the peak load ratio."""
    setpoint: float
    """What it was compared with; for a run 1 when its first (or last) reading was seen as such, 0 after a gap."""
    peak: float
    """Worst measure since the onset; for runs the peak of the highest leg [A]."""
    gap_ms: float = 0.0
    """For the end of a run: time within it that no reading covers."""
    ending: Ending | None = None
    """For the end of a run: what speaks for how it ended."""


@dataclass
class Judged:
    """What the watch found at each reading, beside the changes."""

    highest: Floats = field(default_factory=lambda: np.empty(0))
    """Highest leg [A]; NaN without usable amps."""
    limit: Floats = field(default_factory=lambda: np.empty(0))
    """The motor's limit adjusted for voltage unbalance [A]."""
    ratio: Floats = field(default_factory=lambda: np.empty(0))
    """Load ratio, highest leg over adjusted limit; NaN without usable amps."""
    unbalance: Floats = field(default_factory=lambda: np.empty(0))
    """Voltage unbalance the limit was adjusted for [%]; NaN when none is known."""
    motor_heat: Floats = field(default_factory=lambda: np.empty(0))
    """Thermal image of the motor against its limit, 1 = as hot as the limit may make it; NaN: not known."""
    device_heat: Floats = field(default_factory=lambda: np.empty(0))
    """Thermal image of its overload device, 1 = it opens; NaN: no setting is registered."""
    seconds_to_trip: Floats = field(default_factory=lambda: np.empty(0))
    """At most so long until the device opens at the present current [s]; inf: never; NaN: not known."""
    flags: Ints = field(default_factory=lambda: np.empty(0, np.int32))
    """Bits of layout.IS_RUNNING and so on."""
