"""A lost supply is one alarm, however many fans it takes: for the supply point, or for the fan that lost it first.

With volts the kernel says of each fan that its supply is lost and that it is back. Without volts it is inferred from
fans that fell to zero together (`watch.ends.supply_lost_together`); then the first of them that runs again shows that
the supply is back. The fans of one supply are those that name the same supply point; those of a site that name none
count as fans of one supply, too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned
from monitor.service.book import AlarmBook
from monitor.service.plant import Plant, Point
from monitor.watch import layout
from monitor.watch.advance import standing
from monitor.watch.columns import Change
from monitor.watch.overrides import for_fan, turned_off

Group = tuple[str, str | None]
"""Site, and supply point that the fans name."""

INFERRED_PRIORITY = "medium"
"""Of a lost supply that only shows in fans that fell together: it may be a common control."""


def group_of(plant: Plant, point: Point, t_ms: float) -> Group:
    """The supply of a fan."""
    return point.site, plant.version_at(point, t_ms).nameplate.fan.supply


@dataclass
class Lost:
    """A supply that is lost, or was."""

    about: About
    """Of its alarm."""
    fans: set[int] = field(default_factory=set)
    """Rows of the fans whose volts say so."""
    together: set[int] = field(default_factory=set)
    """Rows of the fans that fell together without volts."""
    told: set[int] = field(default_factory=set)
    """Rows of all fans it took since it was lost."""

    @property
    def lasts(self) -> bool:
        """It is not back yet."""
        return bool(self.fans or self.together)


class Supplies:
    """Kept by the worker, within `verdicts`."""

    def __init__(self, plant: Plant, book: AlarmBook, apply: Callable[[Point, About, Event], Alarm | None]) -> None:
        self._plant, self._book, self._apply = plant, book, apply
        self._lost: dict[Group, Lost] = {}
        self._of_site: dict[str, list[Point]] = {}
        """The fans of each site, removed ones among them."""
        self._points = 0
        """How many points of the plant are in it."""

    def begin(self, together: Iterable[int]) -> None:
        """Takes up what is stored: states of the fans, alarms, and which fans fell together and still stand."""
        for alarm in self._book.all_standing():
            if alarm.condition == "supply-lost":
                fan = self._plant.by_name.get((alarm.site, alarm.fan)) if alarm.fan else None
                supply = fan.nameplate.fan.supply if fan is not None and fan.nameplate else alarm.supply
                self._lost[alarm.site, supply] = Lost(alarm.about)
        for point in self._plant.fans():
            if "supply-lost" in standing(self._plant.states[point.row]):
                self._of(point).fans.add(point.row)
        for row in together:
            lost = self._lost.get(self._group(self._plant.points[row]))
            if lost is not None:
                lost.together.add(row)
        for lost in self._lost.values():
            lost.told = lost.fans | lost.together

    def others(self, point: Point, t_ms: float) -> list[Point]:
        """The other fans of a fan's supply."""
        for new in self._plant.points[self._points :]:
            if new.kind == "fan":
                self._of_site.setdefault(new.site, []).append(new)
        self._points = len(self._plant.points)
        group = group_of(self._plant, point, t_ms)
        return [
            other for other in self._of_site[point.site]
            if other is not point and not other.removed and other.versions
            and group_of(self._plant, other, t_ms) == group
        ]  # fmt: skip

    def lost(self, point: Point) -> bool:
        """Whether the supply of a fan is lost, as an alarm that stands tells."""
        return self.alarm_of_lost(point) is not None

    def alarm_of_lost(self, point: Point) -> Alarm | None:
        """The alarm that tells that the supply of a fan is lost; None while it is not."""
        lost = self._lost.get(self._group(point))
        took = lost is not None and point.row in lost.fans | lost.together and self._stands(lost)
        return self._book.get(lost.about) if lost is not None and took else None

    def fans(self, about: About) -> tuple[str, ...]:
        """Names of the fans that an alarm of a lost supply is about."""
        found = [lost for lost in self._lost.values() if lost.about == about]
        return tuple(sorted(self._plant.points[row].name for lost in found for row in lost.told))

    def change(self, point: Point, change: Change) -> None:
        """The kernel says of a fan that its supply is lost, or is back."""
        if change.what == layout.RAISED:
            lost = self._of(point)
            row = for_fan(self._plant.version_at(point, change.at_ms).nameplate.conditions)["supply-lost"]
            raised = Raised(
                row.id, _time(change.at_ms), _time(change.since_ms), change.value, change.setpoint, None, row.priority,
                row.rings,
            )  # fmt: skip
            self._take(lost, lost.fans, point, raised)
            return
        for lost in list(self._lost.values()):
            if point.row in lost.fans:
                lost.fans.discard(point.row)
                self._back(lost, change.at_ms, watched=change.what == layout.CLEARED)

    def fell_together(self, point: Point, stop_ms: float, at_ms: float) -> None:
        """A fan that fell to zero together with others of its supply; no volts are measured."""
        conditions = self._plant.version_at(point, stop_ms).nameplate.conditions
        if turned_off(conditions, "supply-lost"):
            return
        row = for_fan(conditions)["supply-lost"]
        lost = self._of(point)
        raised = Raised(row.id, _time(at_ms), _time(stop_ms), None, None, None, INFERRED_PRIORITY, row.rings)
        self._take(lost, lost.together, point, raised)

    def runs_again(self, point: Point, at_ms: float) -> set[int]:
        """A fan runs: a supply that was only inferred to be lost is back.

        Returns
        -------
        rows of the other fans that fell together with it
        """
        lost = self._lost.get(self._group(point))
        if lost is None or not lost.together:
            return set()
        others = lost.together - {point.row}
        lost.together.clear()
        self._back(lost, at_ms)
        return others

    def tick(self) -> None:
        """Fans that were taken out of the register do not come back."""
        for lost in self._lost.values():
            gone = {row for row in lost.fans | lost.together if self._plant.points[row].removed}
            lost.fans -= gone
            lost.together -= gone
            if self._stands(lost) and not lost.lasts:
                newest = max((float(self._plant.newest_ms[row]) for row in lost.told), default=0.0)
                self._back(lost, newest, watched=False)

    # --- inside ------------------------------------------------------------------------------------------------

    def _group(self, point: Point) -> Group:
        nameplate = point.nameplate
        return point.site, nameplate.fan.supply if nameplate else None

    def _of(self, point: Point) -> Lost:
        group = self._group(point)
        known = self._lost.get(group)
        if known is not None and (known.lasts or self._stands(known)):
            return known
        _, supply = group
        named = supply is not None and (point.site, supply) in self._plant.by_name
        about = About(point.site, None if named else point.name, supply if named else None, "supply-lost")
        self._lost[group] = Lost(about)
        return self._lost[group]

    def _stands(self, lost: Lost) -> bool:
        alarm = self._book.get(lost.about)
        return alarm is not None and alarm.state.stands

    def _point(self, lost: Lost) -> Point:
        return self._plant.by_name[lost.about.site, lost.about.fan or lost.about.supply or ""]

    def _take(self, lost: Lost, among: set[int], point: Point, raised: Raised) -> None:
        among.add(point.row)
        lost.told.add(point.row)
        self._apply(self._point(lost), lost.about, raised)

    def _back(self, lost: Lost, at_ms: float, *, watched: bool = True) -> None:
        if not lost.lasts and self._stands(lost):
            self._apply(self._point(lost), lost.about, Returned(_time(at_ms), watched=watched))


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)
