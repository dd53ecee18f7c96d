"""The twin's memory of whole slots of time: the last five minutes, the last day, and what is proven."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

NAN = math.nan


def added(values: Iterable[float]) -> float:
    """One after the other, from the left (the sum of newer Pythons makes up for rounding)."""
    total = 0.0
    for value in values:
        total += value
    return total


def greater(a: float, b: float) -> float:
    """The greater of two, of which either may be unknown."""
    return max((x for x in (a, b) if not math.isnan(x)), default=NAN)


@dataclass
class Slot:
    """Half a minute."""

    number: int
    carried: float = NAN
    run_s: float = 0.0
    readings: int = 0
    sums: list[float] = field(default_factory=lambda: [0.0] * 3)

    @property
    def means(self) -> list[float]:
        return [total / self.readings for total in self.sums] if self.readings else [NAN] * 3


@dataclass
class Hour:
    number: int
    carried: float
    run_s: float


@dataclass
class Slots:
    """The open slot, ten closed ones in their places, and 25 hours of what left them."""

    open: Slot | None = None
    closed: dict[int, Slot] = field(default_factory=dict)
    hours: dict[int, Hour] = field(default_factory=dict)
    five: list[float] = field(default_factory=lambda: [NAN] * 3)
    five_from: float = NAN

    def read(self, t: float, carried: float, stood: float, legs: tuple[float, float, float]) -> None:
        """A running reading, 10 s into its run at least."""
        number = int(t // 30_000)
        if self.open is None:
            self.open = Slot(number)
        elif number != self.open.number:
            self._close(self.open)
            self._mean_of_five(number)
            self.open = Slot(number)
        self.open.carried = greater(self.open.carried, carried)
        self.open.run_s += stood
        if not any(map(math.isnan, legs)):
            self.open.readings += 1
            self.open.sums = [total + leg for total, leg in zip(self.open.sums, legs, strict=True)]

    def _close(self, slot: Slot) -> None:
        gone = self.closed.get(slot.number % 10)
        if gone is not None:
            hour = gone.number // 120
            there = self.hours.get(hour % 25)
            if there is not None and there.number == hour:
                there.carried = greater(there.carried, gone.carried)
                there.run_s += gone.run_s
            elif there is None or there.number < hour:
                self.hours[hour % 25] = Hour(hour, gone.carried, gone.run_s)
        self.closed[slot.number % 10] = slot

    def _mean_of_five(self, number: int) -> None:
        recent = [self.closed[place].means for place in sorted(self.closed) if self.closed[place].number >= number - 10]
        means = [entry for entry in recent if not math.isnan(entry[0])]
        self.five = [added(column) / len(means) for column in zip(*means, strict=True)] if means else [NAN] * 3
        self.five_from = number

    def five_at(self, t: float, stands: float) -> list[float]:
        """Each leg's mean of the last five minutes, as far as it still tells something at t."""
        return self.five if t // 30_000 - self.five_from <= 11 + stands / 30_000 else [NAN] * 3

    def carried_before(self, last: float) -> tuple[float, float]:
        """Greatest image carried in the 24 hours up to five minutes before, and the running time it is taken from."""
        end = int(last // 30_000)
        carried, seconds = NAN, 0.0
        for place in sorted(self.closed):
            slot = self.closed[place]
            if slot.number <= end - 11 and slot.number // 120 > end // 120 - 24:
                carried, seconds = greater(carried, slot.carried), seconds + slot.run_s
        for place in sorted(self.hours):
            hour = self.hours[place]
            if hour.number > end // 120 - 24:
                carried, seconds = greater(carried, hour.carried), seconds + hour.run_s
        return carried, seconds


@dataclass
class Proven:
    """The highest leg in means of five minutes, of half an hour, and the greatest of each half day."""

    open: int | None = None
    amps: list[float] = field(default_factory=list)
    closed: dict[int, tuple[int, float]] = field(default_factory=dict)
    half: int | None = None
    half_max: float = NAN
    greatest: list[float] = field(default_factory=list)

    def read(self, t: float, highest: float) -> None:
        """A running reading, 10 s into its run at least."""
        number = int(t // 300_000)
        if self.open is not None and number != self.open:
            self._close(self.open)
            self.amps = []
        self.open = number
        self.amps.append(highest)

    def _close(self, number: int) -> None:
        self.closed[number % 6] = (number, added(self.amps) / len(self.amps))
        last_six = sorted(self.closed.values())
        if [one for one, _ in last_six] != list(range(number - 5, number + 1)):
            return
        half_hour = added(mean for _, mean in last_six) / 6
        half = number // 144
        if half == self.half:
            self.half_max = max(self.half_max, half_hour)
            return
        if not math.isnan(self.half_max):
            self.greatest = sorted([*self.greatest, self.half_max], reverse=True)[:3]
        self.half, self.half_max = half, half_hour

    @property
    def amps_proven(self) -> float:
        return self.greatest[2] if len(self.greatest) == 3 else NAN
