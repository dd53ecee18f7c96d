"""Writes down what changed at a reading: numbers into rows, since a compiled loop makes no objects."""

from __future__ import annotations

from monitor.motor.compiled import inlined
from monitor.watch.columns import Floats, Ints

CHANGE_INTS, CHANGE_FLOATS = 4, 18
ENDING = 6
"""The floats that every change has are before this; those of an `Ending` follow."""


@inlined
def note(
    ints: Ints, floats: Floats, count: int, row: int, fan: int, what: int, condition: int,
    when: float, since: float, value: float, setpoint: float, peak: float, gap: float,
) -> int:  # fmt: skip
    """Writes one change and returns the new count."""
    ints[count, 0] = row
    ints[count, 1] = fan
    ints[count, 2] = what
    ints[count, 3] = condition
    floats[count, 0] = when
    floats[count, 1] = since
    floats[count, 2] = value
    floats[count, 3] = setpoint
    floats[count, 4] = peak
    floats[count, 5] = gap
    return count + 1
