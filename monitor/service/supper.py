"""The night's outlook at supper: one notice for a site, told once, over at nine the next morning.

At the site's supper hour each running fan is carried to tonight's low (`blades/tonight.py`). What came of it is stored
in the same transaction as the alarm it raises, so a killed service neither forgets it nor tells it twice. Somebody who
enters another low later in the evening has it worked again; what was told then stands until the morning.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields
from datetime import UTC, datetime, time, timedelta
from typing import Any

from monitor.alarms.alarm import About, Alarm, Event, Raised, Returned
from monitor.alarms.cold_night import COLD_NIGHT
from monitor.alarms.story import Story
from monitor.blades.tonight import NO_LOW
from monitor.records import nights as records
from monitor.records.actions import DONE, Action
from monitor.service.book import AlarmBook
from monitor.service.figures import Figures
from monitor.service.nights import NINE, Nights, last_at, next_at
from monitor.service.pending import Pending
from monitor.service.plant import Plant, Point, Site
from monitor.watch import layout
from monitor.watch.overrides import for_fan, turned_off
from monitor.watch.table import Condition, higher

log = logging.getLogger("monitor.worker")

LATEST = timedelta(hours=6)
"""A service that was away at supper works it so long after it; later nobody can do anything before dark."""
SETTLES = timedelta(minutes=10)
"""So long it is waited for fans that have only just started, or are heard again only now."""
FRESH = timedelta(minutes=30)
"""A fan not heard for longer than this is not called running."""
WRONG_CLOCK = timedelta(days=1)
"""What lies further ahead than this was stamped by a wrong clock."""
_KEPT = ("units", "cautions", "page")
_BLANK = {
    one.name: one.default for one in fields(Story) if one.default is not MISSING and one.name not in _KEPT
}  # fmt: skip
"""A story of a whole site tells nothing of the fan that lent it its page."""

Apply = Callable[[Point, About, Event], "Alarm | None"]


@dataclass(frozen=True)
class _Worked:
    """A supper that was worked."""

    supper: datetime
    outlook: Mapping[str, Any]
    """As `alarms/cold_night.py` tells it."""


class Supper:
    """Kept by the worker; asked at each tick."""

    def __init__(
        self, plant: Plant, pending: Pending, book: AlarmBook, figures: Figures, nights: Nights, apply: Apply,
        cursors: Mapping[str, str],
    ) -> None:  # fmt: skip
        """
        Parameters
        ----------
        cursors : what is kept under names in the database
        """
        self._plant, self._pending, self._book, self._figures = plant, pending, book, figures
        self._nights, self._apply = nights, apply
        kept = {site: _read(site, text) for site, text in records.suppers(cursors).items()}
        self._worked = {site: worked for site, worked in kept.items() if worked is not None}
        self._seen: dict[str, tuple[datetime, datetime]] = {}
        """Site -> the supper that is due, and since when it was seen to be."""
        self._again: set[str] = set()
        """Sites for which somebody entered a low since the last look."""

    def enter(self, action: Action) -> str:
        """Takes the low that somebody entered; "done", or in words why not."""
        why = self._nights.enter(action)
        if why is not None:
            return why
        self._again.add(action.site)
        for point in self._plant.fans():  # its page tells it at once
            if point.site == action.site:
                self._estimate(point, action.at)
        return DONE

    def look(self, now: datetime, listening: bool) -> None:
        """Ends what is over; works the supper of one site, or reads the air of its last nights, where that is due.

        One at a look, so that a great many sites that sup at the same hour hold up no reading.

        Parameters
        ----------
        now : wall time
        listening : readings come, and none waits to be taken

        Raises
        ------
        LinkError : the database cannot be read; what is due stays so
        """
        for site in self._plant.sites.values():
            self._end(site, now)
        if not listening:
            return
        fans = self._running(now)
        for site in self._plant.sites.values():
            running = fans.get(site.site, [])
            due = self._due(site, running, now)
            if running and self._nights.wants(site, now):
                self._read_nights(site, running, now)
            elif due is None:
                continue
            if due is not None:
                self._again.discard(site.site)
                try:
                    self._work(site, due, running, now)
                except Exception:  # it would come back after every start: advice must never cost the watch
                    log.exception("no outlook of %s: a fault of the monitor", site.site)
                    self._worked[site.site] = _Worked(due, {})
            return

    def _due(self, site: Site, running: list[Point], now: datetime) -> datetime | None:
        """The supper that is to be worked now; None: none is."""
        supper = last_at(site, now, time.fromisoformat(site.supper))
        if now - supper >= LATEST or now >= next_at(site, supper, NINE):
            self._again.discard(site.site)
            return None
        before = self._worked.get(site.site)
        done = before is not None and supper <= before.supper <= now + WRONG_CLOCK
        if done and site.site not in self._again:
            return None
        seen, since = self._seen.get(site.site, (None, now))
        if seen != supper:
            self._seen[site.site] = supper, now
            since = now
        begun = [float(self._plant.states[point.row][layout.RUN_START_MS]) / 1000.0 for point in running]
        settling = any(now.timestamp() - seconds < SETTLES.total_seconds() / 2 for seconds in begun)
        return None if settling and now - since < SETTLES else supper

    def _running(self, now: datetime) -> dict[str, list[Point]]:
        """The running fans of each site that are heard."""
        found: dict[str, list[Point]] = {}
        for point in self._plant.fans():
            last = self._figures.last(point)
            if last is None or self._plant.states[point.row][layout.RUNNING] != 1.0:
                continue
            if now.timestamp() - last.t_ms / 1000.0 <= FRESH.total_seconds():
                found.setdefault(point.site, []).append(point)
        return found

    def _read_nights(self, site: Site, running: list[Point], now: datetime) -> None:
        names = {point.nameplate.fan.weather for point in running if point.nameplate is not None}
        weather = [self._plant.by_name.get((site.site, name)) for name in sorted(filter(None, names))]
        self._nights.read(site, [*(point for point in weather if point is not None), *running], now)

    def _work(self, site: Site, supper: datetime, running: list[Point], now: datetime) -> None:
        fans: list[dict[str, Any]] = []
        others: list[dict[str, Any]] = []
        unsaid: list[dict[str, Any]] = []
        rows: dict[str, Condition] = {}
        for point in running:
            conditions = point.nameplate.conditions if point.nameplate else {}
            if turned_off(conditions, COLD_NIGHT):
                continue
            rows[point.name] = for_fan(conditions)[COLD_NIGHT]
            answer, why = self._estimate(point, now)
            found = None if answer is None else answer["tonight"]
            if answer is None or found is None:
                why = why if answer is None else answer["tonight_why"]
                unsaid.append({"fan": point.name, "why": why or "it has only just started"})
                continue
            passes = 100.0 * found["chance"] >= rows[point.name].setpoint
            (fans if passes else others).append({"fan": point.name, **found, "as_is": answer["pitch"]["as_is"]})
        low = self._nights.low(site, now)
        outlook: dict[str, Any] = {
            "low_c": None if low is None else low.c,
            "low_deviation_k": None if low is None else low.deviation,
            "low_source": None if low is None else low.source,
            "fans": sorted(fans, key=lambda one: -one["chance"]),
            "others": sorted(others, key=lambda one: -one["chance"]),
            "cannot_say": unsaid,
        }
        if low is None and unsaid:
            log.info("%s: no outlook of the night: %s", site.site, NO_LOW)
        self._worked[site.site] = _Worked(supper, outlook)
        kept = {"supper": supper.isoformat(), "worked": now.isoformat(), "outlook": outlook}
        self._pending.cursors[records.supper_cursor(site.site)] = json.dumps(kept, allow_nan=False)
        if fans:
            self._raise(site, outlook["fans"], rows, now)

    def _raise(self, site: Site, fans: list[dict[str, Any]], rows: Mapping[str, Condition], now: datetime) -> None:
        worst = fans[0]
        row, chance = rows[worst["fan"]], 100.0 * worst["chance"]
        priority, rings = row.priority, False
        for one in fans:
            priority, rings = higher(priority, rows[one["fan"]].priority), rings or rows[one["fan"]].rings
        point = self._plant.by_name[(site.site, worst["fan"])]
        self._apply(point, _about(site), Raised(COLD_NIGHT, now, now, chance, row.setpoint, chance, priority, rings))

    def _end(self, site: Site, now: datetime) -> None:
        alarm = self._book.get(_about(site))
        if alarm is None or not alarm.state.stands:
            return
        wrong = alarm.raised > now + WRONG_CLOCK
        nine = now if wrong else next_at(site, alarm.raised, NINE)
        point = next((one for one in self._plant.points if one.site == site.site), None)
        if now >= nine and point is not None:
            self._apply(point, alarm.about, Returned(nine, watched=not wrong))

    def _estimate(self, point: Point, now: datetime) -> tuple[dict[str, Any] | None, str | None]:
        answer, why = self._figures.estimate(point)
        if answer is not None:
            self._pending.estimates[point.point_id] = (int(now.timestamp() * 1000), answer)
        return answer, why

    def words(self, alarm: Alarm) -> dict[str, Any]:
        """What the story of a cold night says: all of it, and nothing of a single fan."""
        if alarm.condition != COLD_NIGHT:
            return {}
        worked = self._worked.get(alarm.site)
        outlook = {} if worked is None else worked.outlook
        fans = tuple(one["fan"] for one in outlook.get("fans", ()))
        first = self._plant.by_name.get((alarm.site, fans[0])) if fans else None
        page = {} if first is None else {"page": self._figures.page(first)}
        return {**_BLANK, **page, "fan_name": "", "fans": fans, "tonight": outlook}


def _about(site: Site) -> About:
    return About(site.site, None, None, COLD_NIGHT)


def _read(site: str, text: str) -> _Worked | None:
    try:
        kept = json.loads(text)
        return _Worked(datetime.fromisoformat(kept["supper"]).astimezone(UTC), dict(kept["outlook"]))
    except (ValueError, KeyError, TypeError):
        log.warning("%s: the last outlook of a night is kept in another form; it is worked anew", site)
        return None
