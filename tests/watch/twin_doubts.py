"""What speaks against readings, as the twin remembers it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

FROZEN, STUCK, IMPOSSIBLE, CLAMP_OFF = 1, 2, 3, 4
LONG, ROWS, HOUR = 600_000.0, 30, 3_600_000.0
NAN = math.nan


@dataclass
class Unchanged:
    """A value that has not changed since, and what the legs did in that time."""

    value: tuple[float | None, ...] = ()
    since: float = NAN
    rows: int = 0
    seen: list[list[float]] = field(default_factory=list)
    """Of each leg: what was measured."""

    def read(self, t: float, values: Sequence[float], legs: Sequence[float]) -> None:
        value = tuple(None if math.isnan(one) else one for one in values)
        if value != self.value:
            self.value, self.since, self.rows, self.seen = value, t, 0, [[], [], []]
        self.rows += 1
        for seen, leg in zip(self.seen, legs, strict=True):
            if not math.isnan(leg):
                seen[:] = [min([leg, *seen]), max([leg, *seen])]

    def long(self, t: float, wait: float = LONG) -> bool:
        return self.rows >= ROWS and t - self.since >= wait

    def others_moved(self, mine: int) -> bool:
        return any(
            seen and seen[1] > 0 and seen[1] - seen[0] >= 0.05 * seen[1]
            for number, seen in enumerate(self.seen)
            if number != mine
        )


@dataclass
class Doubts:
    """Counters of one fan; they begin anew whenever it stands still."""

    clamp_rows: int = 0
    impossible_since: float = NAN
    all: Unchanged = field(default_factory=Unchanged)
    legs: list[Unchanged] = field(default_factory=lambda: [Unchanged() for _ in range(3)])

    def read(
        self,
        t: float,
        legs: Sequence[float],
        volts: Sequence[float],
        rated: float,
        phases: int,
        off: bool,
        goes_on: bool,
    ) -> int:
        """The greatest code at a running row, 0 for none.

        off : this row shows a clamp off; goes_on : one that is known to be off stays so
        """
        whole = phases == 3 and not any(map(math.isnan, legs))
        self.clamp_rows = self.clamp_rows + 1 if off else 0

        impossible = max((volt for volt in volts if not math.isnan(volt)), default=NAN) < 0.5 * rated
        if whole:
            greatest = list(legs).index(max(legs))
            one, other = (leg for number, leg in enumerate(legs) if number != greatest)
            impossible = impossible or legs[greatest] > 1.15 * (one + other) + 1
        if not impossible:
            self.impossible_since = NAN
        elif math.isnan(self.impossible_since):
            self.impossible_since = t

        self.all.read(t, [*legs, *volts], legs)
        for number, leg in enumerate(legs):
            self.legs[number].read(t, [leg], legs)

        if self.clamp_rows >= 2 or goes_on:
            return CLAMP_OFF
        if t - self.impossible_since >= LONG:
            return IMPOSSIBLE
        if any(leg > 0 and self.legs[n].long(t) and self.legs[n].others_moved(n) for n, leg in enumerate(legs)):
            return STUCK
        return FROZEN if self.all.long(t, LONG if any(v == v for v in volts) else HOUR) else 0
