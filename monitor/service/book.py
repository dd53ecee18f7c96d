"""The alarms as they stand, and the running numbers of their changes; kept by the worker."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from monitor.alarms.alarm import About, Alarm, AlarmChange, Event, Wanted, next_due, step


class AlarmBook:
    """One alarm for each fan (or supply point) and condition, as last heard of."""

    def __init__(self, alarms: Iterable[Alarm], next_alarm: int, next_change: int) -> None:
        """
        Parameters
        ----------
        alarms : oldest first: what stands or is unacknowledged, and what was told in the last hours
        next_alarm, next_change : the running numbers to give out next
        """
        self._alarms: dict[About, Alarm] = {}
        self._of: dict[tuple[str, str], dict[str, Alarm]] = {}
        """Site and fan (or supply point) -> condition -> alarm, for looking up what stands there."""
        for alarm in alarms:
            self.keep(alarm)
        self._next_alarm = next_alarm
        self._next_change = next_change

    def apply(
        self, about: About, event: Event, now: datetime, *, held: bool = False
    ) -> tuple[Alarm | None, AlarmChange | None, list[Wanted]]:
        """What an event makes of an alarm; the book keeps it. See `alarms.alarm.step`."""
        before = self._alarms.get(about)
        alarm, change, wanted = step(
            before, event, now, number=self._next_alarm, change_number=self._next_change, about=about, held=held
        )
        if alarm is not None:
            self.keep(alarm)
            self._next_alarm = max(self._next_alarm, alarm.number + 1)
        if change is not None:
            self._next_change += 1
        return alarm, change, wanted

    def keep(self, alarm: Alarm) -> None:
        """Takes over what the caller added to an alarm (its line of text)."""
        self._alarms[alarm.about] = alarm
        self._of.setdefault((alarm.site, alarm.fan or alarm.supply or ""), {})[alarm.condition] = alarm

    def all_standing(self) -> list[Alarm]:
        """Every alarm whose condition holds now."""
        return [alarm for alarm in self._alarms.values() if alarm.state.stands]

    def all(self) -> list[Alarm]:
        """Every alarm that is kept, whatever its state."""
        return list(self._alarms.values())

    def due(self, now: datetime) -> list[Alarm]:
        """Alarms for which a tick would do something now."""
        return [alarm for alarm in self._alarms.values() if (when := next_due(alarm)) is not None and when <= now]

    def by_number(self, number: int) -> Alarm | None:
        """The alarm of a number, if the book still holds it."""
        return next((alarm for alarm in self._alarms.values() if alarm.number == number), None)

    def get(self, about: About) -> Alarm | None:
        """The alarm about something, whatever its state."""
        return self._alarms.get(about)

    def standing(self, site: str, name: str) -> list[Alarm]:
        """Alarms of a fan or supply point whose condition holds now."""
        return [alarm for alarm in self._of.get((site, name), {}).values() if alarm.state.stands]

    def of(self, site: str, name: str) -> list[Alarm]:
        """Alarms of a fan or supply point, whatever their state."""
        return list(self._of.get((site, name), {}).values())
