"""The table of conditions: one row each, with setpoint, deadband, delays and priority, as data.

Everything that decides when a fan's alarm is raised stands here and nowhere else. `overrides` says what a site or a fan
may change of it; `limits.resolve` turns it into the row of numbers that the kernel (`kernel.py`) reads.

Terms (setpoint, deadband, on-delay, off-delay, priority) are those of ANSI/ISA-18.2 and IEC 62682. The figures are
worked out for this project (derived) unless a source is named beside them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

PRIORITIES = ("low", "medium", "high", "highest")
"""From the least to the greatest."""


KERNEL, SITE, TICK = "kernel", "site", "tick"
ABOVE, BELOW = "above", "below"


@dataclass(frozen=True)
class Condition:
    """One row of the table."""

    id: str
    """Name in files, API and notices."""
    words: str
    """What it means, as a person would say it."""
    measure: str
    """What is compared with the setpoint, in words."""
    unit: str
    """Unit of the setpoint: "ratio" (1 = the limit), "%", "min", "starts", "" (yes or no), "periods", "h"."""
    setpoint: float
    """Raised when the measure is at or beyond this, on the side of `direction`."""
    clears: float
    """Cleared when the measure is back beyond this; the difference is the deadband."""
    on_delay_seconds: float
    """How long it must hold before the alarm is raised."""
    off_delay_seconds: float
    """How long it must be gone before the alarm is cleared."""
    priority: str
    """One of PRIORITIES."""
    rings: bool
    """Quiet hours do not hold it back."""
    not_while: tuple[str, ...] = ()
    """Conditions that say the same more strongly, or make the measure worthless: while one of them stands this one
    does not."""
    decided_by: str = KERNEL
    """KERNEL: from the readings, in their own time. SITE: a verdict that waits for the other fans of the supply.
    TICK: by the clock, from the absence of readings or at an hour of the day."""
    direction: str = ABOVE
    """ABOVE: raised at or above the setpoint. BELOW: raised at or below it."""
    setpoint_bounds: tuple[float, float] = (0.0, 0.0)
    """Sane bounds of a changed setpoint; equal bounds: it may not be changed."""
    off_unless_set: bool = False
    """Worked only where the fan's or the site's file gives its setpoint."""


_SUPPLY = ("supply-lost",)
"""Everything electrical is suppressed while the supply is lost."""

CONDITIONS: tuple[Condition, ...] = (
    # In the order in which the kernel works them: what suppresses stands before what is suppressed.
    Condition("supply-lost", "supply lost", "greatest line voltage", "%", 50, 60, 5, 30, "high", True,
              direction=BELOW, setpoint_bounds=(30, 70)),
    Condition("phase-lost", "one phase lost", "least leg against the mean of the others", "%", 10, 20, 0, 30,
              "highest", True, _SUPPLY, direction=BELOW, setpoint_bounds=(5, 30)),
    Condition("trip-near", "about to trip", "time to trip of its overload device", "min", 10, 15, 10, 120, "highest",
              True, _SUPPLY, direction=BELOW, setpoint_bounds=(1, 60)),
    Condition("overload", "over its limit", "load ratio", "ratio", 1.00, 0.97, 120, 120, "high", True, _SUPPLY,
              setpoint_bounds=(0.80, 1.10)),
    # Beyond 1.05 of its setting an overload relay may open (IEC 60947-4-1: not below 1.05, by 1.20); one that has
    # carried more three times is compared with that.
    Condition("device-margin", "near the trip point of its overload device", "highest leg against setting or proven",
              "ratio", 1.05, 1.0185, 300, 600, "medium", True, _SUPPLY, setpoint_bounds=(0.90, 1.20)),
    Condition("low-margin", "near its limit", "load ratio", "ratio", 0.95, 0.92, 900, 600, "low", False,
              (*_SUPPLY, "trip-near", "overload"), setpoint_bounds=(0.70, 1.00)),
    # NEMA MG 1 section 14.36: above 5 % running is not recommended and no derating factor is given.
    Condition("voltage-unbalance-severe", "supply voltage badly unbalanced", "voltage unbalance", "%", 5.0, 4.5, 60,
              120, "high", True, _SUPPLY, setpoint_bounds=(3.0, 8.0)),
    # ANSI C84.1 annex: supplies are to hold 3 % at the meter without load.
    Condition("voltage-unbalance", "supply voltage unbalanced", "voltage unbalance", "%", 3.0, 2.5, 120, 120,
              "medium", False, (*_SUPPLY, "voltage-unbalance-severe"), setpoint_bounds=(1.0, 5.0)),
    # NEMA MG 1 section 12.44: motors work at rated load within 10 % of rated voltage.
    Condition("voltage-low", "supply voltage low", "mean voltage against rated", "%", 90, 92, 60, 60, "medium", False,
              _SUPPLY, direction=BELOW, setpoint_bounds=(70, 97)),
    Condition("voltage-high", "supply voltage high", "mean voltage against rated", "%", 110, 108, 60, 60, "medium",
              False, _SUPPLY, setpoint_bounds=(103, 125)),
    Condition("slow-start", "slow to start", "starting current for longer than 10 s", "", 0.5, 0.5, 0, 60, "high",
              True, _SUPPLY),
    Condition("logger-suspect", "readings in doubt", "what speaks against the readings", "", 0.5, 0.5, 0, 600, "low",
              False),
    # Resolved to 15 % for motors below 20 A (`limits.py`): at few amps a clamp's error alone makes a spread.
    Condition("leg-spread", "legs far apart", "current unbalance", "%", 10, 8, 300, 300, "medium", False,
              (*_SUPPLY, "phase-lost", "logger-suspect"), setpoint_bounds=(5, 40)),
    Condition("no-load", "runs without load", "active amps against their own mean", "%", 40, 50, 300, 300, "medium",
              False, _SUPPLY, direction=BELOW, setpoint_bounds=(10, 70)),
    # The setpoint is resolved from NEMA MG 10 table 2-3 by power and poles (`limits.py`).
    Condition("many-starts", "started too often", "starts in the last hour", "starts", 7, 7, 0, 1800, "medium", False,
              setpoint_bounds=(2, 38)),
    Condition("stopped", "stopped", "stands still though it should run", "", 0.5, 0.5, 60, 60, "medium", True,
              (*_SUPPLY, "phase-lost")),
    # A verdict on how a run ended (`ends.py`): stands until it is acknowledged and the fan runs again.
    Condition("tripped", "tripped", "how a run ended", "", 0.5, 0.5, 0, 0, "highest", True, decided_by=SITE),
    # Silence: three periods, but never less than ten minutes (`tick.py`).
    Condition("site-silent", "no readings from any logger", "silence of every logger", "periods", 3.0, 3.0, 300, 0,
              "high", True, decided_by=TICK, setpoint_bounds=(2.0, 100.0)),
    Condition("logger-overdue", "no readings", "silence", "periods", 3.0, 3.0, 0, 0, "medium", False,
              ("site-silent",), decided_by=TICK, setpoint_bounds=(2.0, 100.0)),
    Condition("not-run", "has not run", "time since it last ran", "h", 24, 24, 0, 0, "low", False, decided_by=TICK,
              setpoint_bounds=(1, 2000), off_unless_set=True),
    # The night's outlook (`blades/tonight.py`), worked at supper; it ends at nine the next morning, whatever came.
    Condition("cold-night", "a cold night ahead", "chance that it passes its limit tonight", "%", 50, 50, 0, 0,
              "medium", False, decided_by=TICK, setpoint_bounds=(10, 95)),
)  # fmt: skip

BY_ID: Mapping[str, Condition] = {condition.id: condition for condition in CONDITIONS}
KERNEL_CONDITIONS: tuple[Condition, ...] = tuple(row for row in CONDITIONS if row.decided_by == KERNEL)
"""Those decided from readings, in the order of the kernel's state."""

DELAY_BOUNDS = (0.0, 86_400.0)
"""Sane bounds of a changed delay [s]."""
OVERDUE_AT_LEAST_SECONDS = 600.0
"""A logger is never called overdue sooner than this."""


def higher(a: str, b: str) -> str:
    """The higher of two priorities."""
    return max(a, b, key=PRIORITIES.index)
