"""Which alarms are suppressed by design, and while what: the rules, in words for whoever asks why nothing was told.

ANSI/ISA-18.2 and IEC 62682 leave such rules to the plant; these are ours (derived). A rule names what explains an
alarm. While that stands the alarm goes on changing its state, each change stored, and tells nothing; when it is over,
what still stands and was not told is told. `tripped` is under no rule: a trip is a finding, and a fan whose device
opened before the supply was lost does not run again when the supply is back.
"""

from __future__ import annotations

from monitor.watch.table import CONDITIONS

SUPPLY_LOST = "supply-lost"
ELECTRICAL = frozenset({row.id for row in CONDITIONS if SUPPLY_LOST in row.not_while} | {"many-starts"})
"""What a lost supply of the fan explains: all that is measured of its current and voltage, that it stopped, and that it
started again and again while the supply came and went."""
WHILE_STOPPED = frozenset({"no-load", "leg-spread"})
"""What says nothing of a fan that stands still: how its legs share a current that it does not draw."""
WHILE_NOT_LISTENING = frozenset({"logger-overdue"})
"""What nobody can know while no reading can come in."""


def while_supply_lost(place: str, number: int) -> str:
    """The rule's words.

    >>> while_supply_lost("north-panel", 17)
    'while supply-lost of north-panel stands (alarm 17)'
    """
    return f"while supply-lost of {place} stands (alarm {number})"


def while_stopped(fan: str) -> str:
    """The rule's words.

    >>> while_stopped("bin-1")
    'while bin-1 stands still'
    """
    return f"while {fan} stands still"


NOT_LISTENING = "while no reading can come in: the broker is not reached"
"""The rule's words."""
