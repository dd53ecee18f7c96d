"""Events of a scenario turned into values at the steps of a block."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulated.scenario import Event, Scenario, seconds

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Course:
    """One event on the farm's own clock."""

    begin: float
    """s since the farm's start."""
    end: float
    """s since the farm's start; infinite where it stays."""
    ramp: float
    """Time in which it comes, and goes, s."""
    event: Event

    def amount(self, times: Floats) -> Floats:
        """Its `by` at the times (s since the farm's start), coming and going along its ramp."""
        if self.begin > times[-1]:
            return np.zeros(times.size)
        ramp = max(self.ramp, 1e-9)
        share = np.clip((times - self.begin) / ramp, 0.0, 1.0) - np.clip((times - self.end) / ramp, 0.0, 1.0)
        return np.asarray(self.event.by * share, np.float64)


class Courses:
    """All events of a scenario, found by site, thing and kind."""

    def __init__(self, scenario: Scenario, live: float) -> None:
        """live: start of the live part, s since the farm's start."""
        self._by: dict[tuple[str, str, str], list[Course]] = {}
        for event in scenario.events:
            begin = live + seconds(event.at)
            end = begin + seconds(event.lasts) if event.lasts is not None else float("inf")
            course = Course(begin, end, seconds(event.over), event)
            self._by.setdefault((event.site, event.on, event.what), []).append(course)

    def of(self, site: str, on: str, what: str) -> list[Course]:
        """The events of one kind on one thing."""
        return self._by.get((site, on, what), [])

    def amount(self, site: str, on: str, what: str, times: Floats) -> Floats:
        """Sum of `by` of the events at the times (s since the farm's start), each coming and going along its ramp."""
        total = np.zeros(times.size)
        for course in self.of(site, on, what):
            total += course.amount(times)
        return total

    def on_legs(self, site: str, on: str, what: str, times: Floats) -> dict[int, Floats]:
        """As `amount`, for each leg 0..2 named by an event."""
        legs: dict[int, Floats] = {}
        for course in self.of(site, on, what):
            leg = (course.event.leg or 1) - 1
            legs[leg] = legs.get(leg, np.zeros(times.size)) + course.amount(times)
        return legs

    def during(self, site: str, on: str, what: str, times: Floats) -> NDArray[np.bool_]:
        """True at the times that lie within an event, begin <= t < end."""
        inside = np.zeros(times.size, np.bool_)
        for course in self.of(site, on, what):
            inside |= (times >= course.begin) & (times < course.end)
        return inside

    def leg(self, site: str, on: str, what: str, times: Floats) -> NDArray[np.int64]:
        """Leg 0..2 named by an event that holds at the times, else -1."""
        legs = np.full(times.size, -1, np.int64)
        for course in self.of(site, on, what):
            legs[(times >= course.begin) & (times < course.end)] = (course.event.leg or 1) - 1
        return legs
