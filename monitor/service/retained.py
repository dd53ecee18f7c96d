"""The retained MQTT messages of each fan, for a local panel or a PLC. Called only with what is committed."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

from monitor.service.book import AlarmBook
from monitor.service.figures import Figures, alarms_message, state_message
from monitor.service.plant import Plant, Point
from monitor.watch import layout

STATE_EVERY_SECONDS = 60.0
"""A fan's state is published when it changes in kind, and so often otherwise."""


class Retained:
    """Publishes under SITE/FAN/state and SITE/FAN/alarms."""

    def __init__(
        self, plant: Plant, figures: Figures, book: AlarmBook, publish: Callable[[str, bytes], None],
        steady: Callable[[], float],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        publish : (what follows the topic root, payload), retained
        steady : seconds since some moment, never put back
        """
        self._plant, self._figures, self._book = plant, figures, book
        self._publish = publish
        self._steady = steady
        self._said: dict[int, tuple[bool, float]] = {}
        """Row -> whether the fan ran, and when that was published."""

    def all_alarms(self) -> None:
        """At start: a service that was killed may have stored what it could not publish any more."""
        for point in self._plant.points:
            self.alarms(point)

    def state(self, point: Point) -> None:
        """How a fan stands at its newest reading."""
        seen = self._figures.last(point)
        if seen is None or point.removed:
            return
        running = bool(self._plant.states[point.row][layout.RUNNING] == 1.0)
        was, at = self._said.get(point.row, (None, -math.inf))
        now = self._steady()
        if running == was and now - at < STATE_EVERY_SECONDS:
            return
        self._said[point.row] = (running, now)
        message = state_message(point, seen, running, self._book.standing(point.site, point.name))
        self._publish(f"{point.site}/{point.name}/state", json.dumps(message).encode())

    def alarms(self, point: Point) -> None:
        """Its standing alarms; the state follows at its next reading."""
        self._said.pop(point.row, None)
        topic = f"{point.site}/{point.name}"
        if point.removed:  # an empty retained message takes the old one off the broker
            self._publish(f"{topic}/state", b"")
            self._publish(f"{topic}/alarms", b"")
            return
        message = alarms_message(point, self._book.standing(point.site, point.name))
        self._publish(f"{topic}/alarms", json.dumps(message).encode())
