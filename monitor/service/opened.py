"""At what current a fan's overload device has opened: near that it is told, also where its setting still allows it.

A device may open anywhere from 1.05 to 1.20 of its setting (IEC 60947-4-1), and sooner where it is old, warm or set
otherwise than registered. The watch warns from 1.05 on; a device that opens there leaves no time. But one that has
opened tells by itself where it does: from then on a little less than that current is `device-margin` too.

Trips that count are overload trips, likely or high, of the last 60 days, under the same setting, pitch, clamp and
motor. The margin of such a device rings again though it was acknowledged: it is not known to be harmless. A trip that
was wrong shows: the fan then carries that current for half an hour and does not trip.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned, may_open_again
from monitor.records.rows import Run
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures
from monitor.service.plant import Plant, Point
from monitor.service.present_load import highest_of_five_minutes, margin_against
from monitor.watch import ends, layout
from monitor.watch.columns import Floats
from monitor.watch.lookback import FIVE_MS, FIVES_A_HALF_DAY
from monitor.watch.overrides import for_fan, turned_off

CONDITION = "device-margin"
NEAR, CLEAR = 0.97, 0.94
"""Of the least current at which it opened: raised from here on, over below there (derived: a load that grows by 5 to
30 % in 3 to 12 h passes the last 3 % in 20 min and more)."""
KNOWN_FOR_MS = 60.0 * 86_400_000.0
"""A trip counts for so long: a season."""
CARRIED = 1.005
"""A half hour's mean so much above it: it does not open there after all."""
INTO_RUN_MS = 120_000.0
"""Not so soon after a start."""


class Opened:
    """Kept by the worker."""

    def __init__(
        self, plant: Plant, book: AlarmBook, figures: Figures, apply: Callable[[Point, About, Event], Alarm | None]
    ) -> None:  # fmt: skip
        self._plant, self._book, self._figures, self._apply = plant, book, figures, apply
        self._trips: dict[int, list[tuple[float, float]]] = {}
        """Point -> its trips that count: first stopped reading [ms] and the last leg current before it [A]."""

    def begin(self, runs: Iterable[Run]) -> None:
        """Takes up what is stored: ended runs, in any order."""
        for run in runs:
            told = run.ending or {}
            stop_ms, amps = told.get("stop_ms"), told.get("last_amps")
            if stop_ms is not None and amps is not None:
                self.tripped(run, float(stop_ms), float(amps))

    def tripped(self, run: Run, stop_ms: float, amps: float) -> None:
        """A run was judged.

        Parameters
        ----------
        stop_ms : its first stopped reading [event time]
        amps : the highest leg of its last running reading [A]
        """
        if run.end_cause == ends.OVERLOAD_TRIP and run.confidence in (ends.HIGH, ends.LIKELY):
            self._trips.setdefault(run.point_id, []).append((stop_ms, amps))

    def least(self, point: Point, t_ms: float) -> tuple[float, float] | None:
        """When it opened at the least current, and that current [ms, A]; None: it has not, as it is set now."""
        return min(self._that_count(point, t_ms), key=lambda one: one[1], default=None)

    def _that_count(self, point: Point, t_ms: float) -> list[tuple[float, float]]:
        now, found = self._plant.version_at(point, t_ms).counted, []
        for stop_ms, amps in self._trips.get(point.point_id, []):
            version = self._plant.version_at(point, stop_ms)
            then, setting = version.counted, float(self._plant.limits[version.limits, layout.DEVICE_SETTING])
            same = (then.worn_since, then.motor_number) == (now.worn_since, now.motor_number)
            # Less than its setting was no more than the last that a slow logger saw before it.
            if same and amps >= setting and t_ms - stop_ms <= KNOWN_FOR_MS:
                found.append((stop_ms, amps))
        return found

    def news_again(self, about: About) -> None:
        """What somebody has acknowledged of a fan whose device has opened is no reason not to ring."""
        alarm = self._book.get(about)
        if alarm is not None:
            self._book.keep(may_open_again(alarm))

    def look(self, rows: Iterable[int]) -> None:
        """Looks at fans that were just heard.

        Parameters
        ----------
        rows : of the watch
        """
        for row in rows:
            point = self._plant.points[row]
            if self._trips.get(point.point_id):
                self._look_at(point)

    def words(self, point: Point, alarm: Alarm) -> dict[str, tuple[str, ...]]:
        """What a notice says of it besides: fields of `alarms.story.Story`."""
        found = None
        if alarm.condition == CONDITION and not self._told_by_the_watch(point):
            found = self.least(point, alarm.since.timestamp() * 1000.0)
        return {} if found is None else {"also": (f"Its overload device has opened at {found[1]:.1f} A before.",)}

    def _look_at(self, point: Point) -> None:
        state = self._plant.states[point.row]
        t_ms = float(state[layout.AMPS_MS])
        trips = self._that_count(point, t_ms)
        if trips and self._since(trips, state):
            carried = float(state[layout.HALF_DAY_MAX])
            trips = [one for one in trips if not carried > CARRIED * one[1]]
        self._trips[point.point_id] = trips
        seen = self._figures.last(point)
        alarm = self._book.get(About(point.site, point.name, None, CONDITION))
        stands = alarm is not None and alarm.state.stands
        ours = stands and not self._told_by_the_watch(point)
        if not trips or seen is None:
            if ours:
                self._over(point, t_ms)
            return
        opened = min(amps for _, amps in trips)
        running = state[layout.RUNNING] == 1.0 and t_ms - float(state[layout.RUN_START_MS]) >= INTO_RUN_MS
        amps = highest_of_five_minutes(state, len(seen.legs))
        if ours and not (state[layout.RUNNING] == 1.0 and amps >= CLEAR * opened):
            self._over(point, t_ms)
        elif not stands and running and min(amps, seen.highest) >= NEAR * opened:
            self._raise(point, state, t_ms, amps, opened)

    def _raise(self, point: Point, state: Floats, t_ms: float, amps: float, opened: float) -> None:
        conditions = self._plant.version_at(point, t_ms).nameplate.conditions
        if turned_off(conditions, CONDITION):
            return
        row, at = for_fan(conditions)[CONDITION], datetime.fromtimestamp(t_ms / 1000.0, UTC)
        against = margin_against(state, self._plant.limits[self._plant.limits_of[point.row]])
        event = Raised(
            row.id, at, at, amps / against, NEAR * opened / against, amps / against, row.priority, rings=row.rings
        )
        about = About(point.site, point.name, None, CONDITION)
        self.news_again(about)
        self._apply(point, about, event)

    def _over(self, point: Point, t_ms: float) -> None:
        about = About(point.site, point.name, None, CONDITION)
        self._apply(point, about, Returned(datetime.fromtimestamp(t_ms / 1000.0, UTC)))

    def _told_by_the_watch(self, point: Point) -> bool:
        phase = self._plant.states[point.row][layout.place_of(CONDITION) + layout.PHASE]
        return bool(phase >= layout.STANDING)

    @staticmethod
    def _since(trips: list[tuple[float, float]], state: Floats) -> bool:
        """The half day in progress began after the last of them: what it has carried in it, it has carried since."""
        began_ms = float(state[layout.HALF_DAY]) * FIVES_A_HALF_DAY * FIVE_MS
        return bool(began_ms >= max(stop_ms for stop_ms, _ in trips))
