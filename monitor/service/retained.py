"""The retained MQTT messages, for a local panel or a PLC. What they tell is committed before they go out.

Of each fan, under SITE/FAN: `state` and `alarms` as JSON, and `alarm`, one plain word for what cannot take JSON apart;
of supply and weather points `alarms` and `alarm`. Of each site, under SITE: `alarms` for what is about no single point,
`alarm` for the worst of all that stands there. The service's own word (ROOT/CLIENT_ID/status) is the link's.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from monitor.alarms.alarm import Alarm
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures, Seen
from monitor.service.plant import Plant, Point
from monitor.watch import layout
from monitor.watch.table import PRIORITIES

STATE_EVERY_SECONDS = 60.0
"""A fan's state is published when it changes in kind, and so often otherwise."""
NONE = "none"
"""The word where nothing stands."""


class Retained:
    """Kept by the worker, which calls `publish` only when nothing is worked out that is not stored."""

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
        self._send = publish
        self._steady = steady
        self._said: dict[int, tuple[bool | None, float]] = {}
        """Row -> whether the fan ran, and when that was published."""
        self._words: dict[str, bytes] = {}
        """Topic -> the word last published there."""
        self._stale: set[int] = set()
        self._changed: set[int] = set()
        self._all = True
        """At the start: a service that was killed may have stored what it could not publish any more."""

    def changed(self, rows: Iterable[int]) -> None:
        """Alarms about these points have changed."""
        self._changed.update(rows)

    def stale(self, rows: set[int]) -> None:
        """The fans whose last reading is too old to go by."""
        self._changed |= rows ^ self._stale
        self._stale = rows

    def publish(self) -> None:
        """What has changed since the last time, all of it at the first time."""
        if self._all:
            self._changed = {point.row for point in self._plant.points}
            self._all = False
        if not self._changed:
            return
        rows, self._changed = self._changed, set()
        for row in sorted(rows):
            self._point(self._plant.points[row])
        for site in sorted({self._plant.points[row].site for row in rows}):
            own = self._book.standing(site, "")
            self._json(f"{site}/alarms", {"site": site, "alarms": [_alarm(alarm) for alarm in own]})
            self._word(f"{site}/alarm", [alarm for alarm in self._book.all_standing() if alarm.site == site])

    def state(self, point: Point) -> None:
        """A reading of a fan was stored: how it stands, if it is time to say so again."""
        running = self._runs(point)
        was, at = self._said.get(point.row, (None, -math.inf))
        if running != was or self._steady() - at >= STATE_EVERY_SECONDS or point.row in self._stale:
            self._stale.discard(point.row)
            self._state(point)

    def _point(self, point: Point) -> None:
        topic = f"{point.site}/{point.name}"
        if point.removed:  # an empty retained message takes the old one off the broker
            for what in ("state", "alarms", "alarm"):
                self._send(f"{topic}/{what}", b"")
            self._words.pop(f"{topic}/alarm", None)
            return
        standing = self._book.standing(point.site, point.name)
        self._json(
            f"{topic}/alarms", {"site": point.site, point.kind: point.name, "alarms": list(map(_alarm, standing))}
        )
        self._word(f"{topic}/alarm", standing)
        self._state(point)

    def _state(self, point: Point) -> None:
        seen = self._figures.last(point)
        if seen is None or point.removed:
            return
        running = self._runs(point)
        self._said[point.row] = running, self._steady()
        standing = self._book.standing(point.site, point.name)
        self._json(f"{point.site}/{point.name}/state", _state(point, seen, running, standing, point.row in self._stale))

    def _runs(self, point: Point) -> bool | None:
        value = float(self._plant.states[point.row][layout.RUNNING])
        return None if not value >= 0.0 else value == 1.0

    def _json(self, topic: str, message: dict[str, Any]) -> None:
        self._send(topic, json.dumps(message, allow_nan=False).encode())

    def _word(self, topic: str, standing: Sequence[Alarm]) -> None:
        word = worst(standing).encode()
        if self._words.get(topic) != word:
            self._words[topic] = word
            self._send(topic, word)


def worst(standing: Iterable[Alarm]) -> str:
    """The highest priority of alarms that nobody has shelved, taken out of service or announced; `none` without any."""
    heard = [alarm.priority for alarm in standing if alarm.suppression is None]
    return max(heard, key=PRIORITIES.index, default=NONE)


def _state(point: Point, seen: Seen, running: bool | None, standing: Sequence[Alarm], stale: bool) -> dict[str, Any]:
    return {
        "site": point.site,
        "fan": point.name,
        "t": _rfc3339(datetime.fromtimestamp(seen.t_ms / 1000.0, UTC), "milliseconds"),
        "stale": stale,
        "running": running,
        "highest_leg_amps": _rounded(seen.highest, 2),
        "limit_amps": _rounded(seen.limit, 2),
        "load_ratio": _rounded(seen.ratio, 4),
        "margin": _rounded(1.0 - seen.ratio, 4),
        "seconds_to_trip": _rounded(seen.seconds_to_trip, 0),
        "priority": worst(standing),
        "alarms": [alarm.condition for alarm in standing],
    }


def _alarm(alarm: Alarm) -> dict[str, Any]:
    return {
        "number": alarm.number,
        "id": alarm.condition,
        "priority": alarm.priority,
        "state": alarm.state.value,
        "suppression": None if alarm.suppression is None else alarm.suppression.value,
        "raised": _rfc3339(alarm.raised),
        "text": alarm.text,
    }


def _rfc3339(time: datetime, timespec: str = "auto") -> str:
    return time.isoformat(timespec=timespec).replace("+00:00", "Z")


def _rounded(value: float, digits: int) -> float | None:
    """For JSON, which has neither NaN nor infinity."""
    return round(value, digits) if math.isfinite(value) else None
