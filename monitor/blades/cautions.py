"""What must be said where work on a fan is advised. Pages, notices, job sheets and README quote these by their id.

In our own words after NFPA 70E (de-energise first; from memory), 29 CFR 1910.147 (lockout; it does not itself cover
farms), 29 CFR 1928.57 (farms; content from memory), 29 CFR 1910.272 (grain handling; from memory), NEC 430.32 and
460.6.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution."""

    id: str
    """Short and stable, for quoting."""
    text: str
    """The whole of it, in plain sentences."""
    brief: str = ""
    """A short form for notices; empty where a notice has no use for it."""


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "not-live",
        "This is not an instruction to work live. Measuring at open terminals is for qualified people with rated "
        "meters and protective equipment (NFPA 70E).",
        "Measuring at open terminals is for qualified people.",
    ),
    Caution(
        "lock-out",
        "Before a guard, panel, lead or blade is touched: stop the fan, open its disconnect, lock it with your own "
        "lock, wait for and discharge the capacitors, block the rotor (wind or another fan on the bin can turn it), "
        "and prove it dead with a meter checked before and after.",
        "Lock out, block the rotor and prove dead before touching anything.",
    ),
    Caution(
        "back-feed",
        "Generators and phase converters can feed back into a circuit that was opened: lock those out too.",
        "A generator can feed back: lock it out too.",
    ),
    Caution(
        "heater",
        "Shut and lock the heater's fuel before work on its fan. Never run a burner with its fan off.",
        "Shut the heater's fuel: never a burner with its fan off.",
    ),
    Caution(
        "farm-rules",
        "On farms 29 CFR 1928.57 applies; 29 CFR 1910.147 (lockout and tagout) is the model to follow.",
    ),
    Caution(
        "restarts",
        "Protectors that reset by themselves, and remote or thermostat control, restart a fan without warning.",
        "It may restart without warning.",
    ),
    Caution(
        "trip-is-a-finding",
        "A trip is a finding, not a nuisance to be reset again: look for its cause before the fan runs on.",
        "A trip is a finding: look for the cause before resetting.",
    ),
    Caution(
        "smoke",
        "Smoke or a hot smell: leave the fan off, keep out, and call the fire service.",
        "Smoke or a hot smell: leave it off, keep out, call the fire service.",
    ),
    Caution(
        "bin",
        "Never enter a bin for a fan. A fan that runs does not make a bin safe, and a stopped one is no reason to go "
        "in.",
        "Never enter a bin for a fan.",
    ),
    Caution(
        "service-manual",
        "The fan's own service manual and local codes govern torque, inserts and limits.",
    ),
    Caution(
        "blades",
        "Keep hub, blades, bolts and balance washers in their marked places and set all blades the same. Check the "
        "tip clearance by hand, run briefly, lock out again, re-check the torque of every fastener, and measure "
        "again.",
        "All blades the same; lock out before touching them.",
    ),
    Caution(
        "electrician",
        "Supply work and overload settings are for licensed electricians. The device setting is never raised as a "
        "remedy.",
        "Supply work and overload settings are for a licensed electrician.",
    ),
    Caution(
        "setting-bound",
        "An overload setting goes no higher than 125 % of full-load amps (service factor 1.15 and up) or 115 % (all "
        "others), not even in a what-if (NEC 430.32).",
        "The overload setting is never raised as a remedy.",
    ),
    Caution(
        "clamp-correction",
        "A correction is for a clamp that a hand meter shows to read wrong. It is never a way to make an overload go "
        "away: the motor stays as warm as it is, and nobody is told of it any more.",
    ),
    Caution(
        "cold-night",
        "A cold night does not raise the limit: the motor is cooler, but the service factor is no reserve for it.",
        "A cold night does not raise the limit.",
    ),
    Caution(
        "not-every-trip",
        "Not every trip can be announced: a sudden load trips the device before two readings have shown it.",
    ),
    Caution(
        "no-protection",
        "This service watches and advises. It is no protective device and must not be used to defeat, replace or "
        "re-set one.",
    ),
)  # fmt: skip

BY_ID: Mapping[str, Caution] = {caution.id: caution for caution in CAUTIONS}

_FOR_WORK = (
    "not-live",
    "lock-out",
    "back-feed",
    "heater",
    "farm-rules",
    "bin",
    "service-manual",
    "blades",
    "electrician",
    "setting-bound",
    "cold-night",
    "not-every-trip",
    "no-protection",
)
_FOR_TRIPPED = ("restarts", "trip-is-a-finding", "smoke")
_FOR_NOTICE: Mapping[str, tuple[str, ...]] = {
    "supply-lost": ("heater", "restarts", "back-feed", "electrician"),
    "phase-lost": ("heater", "lock-out", "electrician", "smoke"),
    "trip-near": ("heater", "lock-out", "setting-bound", "smoke"),
    "overload": ("lock-out", "electrician"),
    "device-margin": ("lock-out", "setting-bound"),
    "low-margin": ("lock-out", "electrician"),
    "voltage-unbalance-severe": ("electrician",),
    "voltage-unbalance": ("electrician",),
    "voltage-low": ("electrician",),
    "voltage-high": ("electrician",),
    "slow-start": ("heater", "restarts", "lock-out", "smoke"),
    "logger-suspect": ("lock-out", "not-live"),
    "leg-spread": ("lock-out", "not-live", "electrician"),
    "no-load": ("restarts", "lock-out", "bin"),
    "many-starts": ("restarts", "lock-out", "smoke"),
    "stopped": ("restarts", "trip-is-a-finding", "smoke"),
    "tripped": ("restarts", "trip-is-a-finding", "heater", "lock-out", "smoke"),
    "logger-overdue": ("lock-out",),
    "not-run": ("restarts", "lock-out"),
    "cold-night": ("heater", "lock-out", "cold-night"),
}


def text(caution: str) -> str:
    """The whole text of a caution, by its id.

    Raises
    ------
    KeyError
        for an id that does not exist

    Examples
    --------
    >>> text("restarts")
    'Protectors that reset by themselves, and remote or thermostat control, restart a fan without warning.'
    """
    return BY_ID[caution].text


def for_work() -> tuple[str, ...]:
    """The texts to show wherever work on a fan is advised.

    Examples
    --------
    >>> for_work()[0].startswith("This is not an instruction to work live.")
    True
    """
    return tuple(text(caution) for caution in _FOR_WORK)


def for_tripped() -> tuple[str, ...]:
    """The texts to show beside every tripped state.

    Examples
    --------
    >>> len(for_tripped())
    3
    """
    return tuple(text(caution) for caution in _FOR_TRIPPED)


def for_notice(condition: str) -> tuple[str, ...]:
    """Short cautions for a notice about a condition of the watch's table; none where no work is advised.

    Examples
    --------
    >>> for_notice("stopped")[0]
    'It may restart without warning.'
    >>> for_notice("site-silent")
    ()
    """
    return tuple(BY_ID[caution].brief for caution in _FOR_NOTICE.get(condition, ()))
