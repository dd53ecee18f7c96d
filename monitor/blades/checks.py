"""What is checked before pitch is taken out of the blades, how, and what finding something would mean.

The order is the trade's (common practice, no source): supply, connections, bearings, and only then pitch.
Single-phase motors have a start switch and capacitors to check as well. After supply work the rotation is checked:
amps do not show it.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

GOOD_FOR_DAYS = 30
"""A check on the service record counts for so long."""


@dataclass(frozen=True)
class Check:
    """One thing to check before the blades."""

    name: str
    """As the service record has it."""
    how: str
    """How to do it safely."""
    finding: str
    """What it would mean to find something."""


SUPPLY_VOLTAGE = Check(
    "supply voltage",
    "Running, at the motor's own terminals or as near as a qualified person can measure safely: all line-to-line "
    "voltages and all leg currents within one minute. Compare with the nameplate, and at the service too.",
    "Low or unbalanced at the motor but not at the service: a connection, contact, fuse clip or long run between "
    "them. Low at the service: the utility. Put the supply right before any pitch is taken out; afterwards check the "
    "rotation.",
)
SUPPLY_VOLTAGE_ONE_PHASE = Check(
    SUPPLY_VOLTAGE.name,
    "Running, at the motor's own terminals or as near as a qualified person can measure safely: the voltage and the "
    "current within one minute, and the voltage once more while it starts. Compare with the nameplate, and at the "
    "service too.",
    "Low at the motor but not at the service: a connection, contact, fuse clip or long run between them. Low at the "
    "service: the utility, or too much on one transformer. Put the supply right before any pitch is taken out.",
)
CONNECTIONS = Check(
    "connections",
    "Locked out and proved dead: look for discoloured, loose or corroded terminals at disconnect, starter and motor, "
    "and retighten. Heat shows under load to an infrared camera through a closed window or to a millivolt reading by "
    "a qualified person.",
    "A bad connection raises one leg or lowers another; the spread of the legs goes when it is made good.",
)
BEARINGS = Check(
    "bearings",
    "Locked out, rotor blocked until your hands are clear of it: turn the blades by hand and feel for roughness, "
    "play and rub against the housing. Running, from outside the guard: listen, and feel the motor housing.",
    "Rough, loose or hot bearings, or blades that rub, take power that no pitch gives back: repair first.",
)
START_PARTS = Check(
    "start switch and capacitors",
    "Locked out, capacitors discharged and proved so: look for swollen or leaking capacitors, measure their "
    "capacitance against the print, and see that the start switch opens and closes freely.",
    "A weak run capacitor or a start winding that stays in raises the amps at any pitch.",
)


def checks_for(phases: int) -> tuple[Check, ...]:
    """The checks of a motor of 1 or 3 phases, in the order they are done.

    Examples
    --------
    >>> [check.name for check in checks_for(1)]
    ['supply voltage', 'connections', 'bearings', 'start switch and capacitors']
    """
    if phases == 1:
        return SUPPLY_VOLTAGE_ONE_PHASE, CONNECTIONS, BEARINGS, START_PARTS
    return SUPPLY_VOLTAGE, CONNECTIONS, BEARINGS


def all_done(phases: int, done: Set[str]) -> bool:
    """Whether all checks of a motor are on its service record.

    Parameters
    ----------
    phases : 1 or 3
    done : names of the checks on the record, not older than 30 days

    Examples
    --------
    >>> all_done(3, {"supply voltage", "connections"}), all_done(3, {"bearings", "supply voltage", "connections"})
    (False, True)
    """
    return all(check.name in done for check in checks_for(phases))
