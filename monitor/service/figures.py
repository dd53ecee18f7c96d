"""What is known about each fan now: the last half hour for the blades, the last reading for the story of a notice."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from monitor.alarms.alarm import Alarm
from monitor.alarms.story import Factor, Story
from monitor.blades.cautions import for_notice
from monitor.blades.changed import Loads
from monitor.blades.comparison import Finding, Idle, Running, about, compare, running
from monitor.blades.estimate import Estimate, estimate
from monitor.blades.rising import Trails
from monitor.blades.tonight import crossing, device_opens_from, outlook
from monitor.blades.window import LEAST_OVERLOAD_SECONDS, LEAST_SECONDS, Slots, WindowFigures
from monitor.motor.limit import MEASURED_BEFORE, NOT_MEASURED, ONE_VOLTAGE, adjusted_limit, full_limit
from monitor.motor.nameplate import Nameplate
from monitor.service.intake import VOLTS_FROM_SUPPLY, Rows, stretches
from monitor.service.nights import Nights
from monitor.service.plant import Blades, Plant, Point
from monitor.service.service_book import NO_WORK, NOTHING, Known, Work
from monitor.watch import layout
from monitor.watch.columns import Floats, Judged
from monitor.watch.kernel import PERIODS_STANDING

log = logging.getLogger("monitor.worker")

_OVERLOAD = layout.place_of("overload")
_TOGETHER_MS = 900_000.0
"""Fans whose half hours end within so long of each other are compared [ms of event time]."""
_COMPARED_FOR_MS = 60_000.0
"""What a comparison of a site has shown stands for so long [ms of event time]: it is one for all its fans."""


@dataclass(frozen=True)
class Seen:
    """A fan's reading with what the watch said of it."""

    t_ms: float
    legs: tuple[float, ...]
    """One or three leg currents [A]; NaN what is missing."""
    highest: float
    limit: float
    ratio: float
    unbalance: float
    unbalance_held: bool
    """The unbalance is that of earlier readings: the voltage is not measured now."""
    flags: int
    motor_heat: float
    """Thermal images, and at most so long to the trip [s]; NaN what is not known."""
    device_heat: float
    seconds_to_trip: float
    heat_assumed: bool
    """The device's image still hangs on an assumption."""


class Figures:
    """Carried along by the worker with every batch."""

    def __init__(
        self,
        plant: Plant,
        public_url: str | None = None,
        known: Callable[[Point], Known] = lambda point: NOTHING,
        work: Callable[[str], Work] = lambda site: NO_WORK,
    ) -> None:
        """
        Parameters
        ----------
        known : what the service record says of a fan now
        work : after what at a site the rotation is to be checked
        """
        self._plant = plant
        self._public_url = public_url
        self._known = known
        self._work = work
        self.nights: Nights | None = None
        """What is known of each site's night; set by the worker."""
        self._slots = Slots(len(plant.points))
        self._trails = Trails(len(plant.points))
        self._last: dict[int, Seen] = {}
        self._last_running: dict[int, Seen] = {}
        self._status: dict[int, str] = {}
        self._blades: dict[int, Blades] = {}
        """Row -> pitch and motor that the half hour is about."""
        self._loads = Loads(len(plant.points))
        self._running: dict[int, tuple[float, Running]] = {}
        """Row -> when it was last estimated, and what its half hour said to its neighbours."""
        self._found: dict[str, tuple[float, Work, tuple[Finding, ...]]] = {}
        """Site -> when its fans were last compared, after what work, and what that has shown."""

    def add(self, rows: Rows, judged: Judged) -> None:
        """The fed readings of fans of one batch, sorted by point and time, as judged."""
        if not len(rows):
            return
        if self._slots.fans < len(self._plant.points):
            self.grown()
        self._forget_other_blades(rows)
        settled = (judged.flags & layout.IS_SETTLED) != 0
        self._slots.add(rows.point, rows.t_ms, rows.amps, rows.volts, rows.ambient_c, settled)
        self._trails.add(rows.point, rows.t_ms, judged.highest, settled)
        running = (judged.flags & layout.IS_RUNNING) != 0
        for start, stop in stretches(rows.point):
            row = int(rows.point[start])
            last = self._seen(rows, judged, stop - 1)
            self._last[row] = last
            if running[stop - 1]:
                self._last_running[row] = last
            else:
                before = np.flatnonzero(running[start:stop])
                if len(before):
                    self._last_running[row] = self._seen(rows, judged, int(start + before[-1]))

    def _forget_other_blades(self, rows: Rows) -> None:
        """Amps drawn at another pitch, or by another motor, say nothing about this one."""
        ends = np.flatnonzero(np.append(rows.point[1:] != rows.point[:-1], True))
        for row, t_ms in zip(rows.point[ends].tolist(), rows.t_ms[ends].tolist(), strict=True):
            blades = self._plant.version_at(self._plant.points[row], t_ms).blades
            if self._blades.setdefault(row, blades) != blades:
                self._blades[row] = blades
                self._slots.forget(row)
                self._loads.forget(row)
                self._running.pop(row, None)
                self._trails.forget(row)

    def _seen(self, rows: Rows, judged: Judged, at: int) -> Seen:
        legs = rows.amps[at].tolist()[: int(self._plant.legs_of[rows.point[at]])]
        return Seen(
            float(rows.t_ms[at]), tuple(legs), float(judged.highest[at]), float(judged.limit[at]),
            float(judged.ratio[at]), float(judged.unbalance[at]),
            bool(judged.flags[at] & layout.UNBALANCE_OLD), int(rows.flags[at]), float(judged.motor_heat[at]),
            float(judged.device_heat[at]), float(judged.seconds_to_trip[at]),
            bool(judged.flags[at] & layout.DEVICE_ASSUMED),
        )  # fmt: skip

    def fill(self, point: Point, hours: NDArray[np.int64], figures: Floats) -> None:
        """What past hours have shown of a fan with the blades it has now (`changed.hourly_figures`)."""
        self._loads.fill(point.row, hours, figures)

    def last(self, point: Point) -> Seen | None:
        """The fan's newest reading."""
        return self._last.get(point.row)

    def say_status(self, point: Point, word: str) -> None:
        """The logger's own last word."""
        self._status[point.row] = word

    def estimate(self, point: Point) -> tuple[dict[str, Any] | None, str | None]:
        """The blades' answer for a fan as JSON would have it, or why there is none yet.

        Beside what `Estimate.as_json` gives: `tonight` (of `Outlook.as_json`, and `at`, when it passes) or null with
        `tonight_why`; `rising_amps_an_hour` and `reaches_limit_at`, null where it does not rise.
        """
        nameplate = point.nameplate
        last = self._last.get(point.row)
        state = self._plant.states[point.row]
        if nameplate is None or last is None or state[layout.RUNNING] != 1.0:
            return None, None
        since, least = float(state[layout.RUN_START_MS]), LEAST_SECONDS
        if state[_OVERLOAD + layout.PHASE] >= layout.STANDING:
            since, least = max(since, float(state[_OVERLOAD + layout.ONSET_MS])), LEAST_OVERLOAD_SECONDS
        figures = self._slots.figures(point.row, last.t_ms, since, least)
        if figures is None:
            return None, "degrees follow"
        site = self._plant.sites[point.site]
        try:
            record = self._known(point)
            usual = self._loads.usual(point.row, last.t_ms)
            self._running[point.row] = last.t_ms, running(point.name, nameplate, figures, usual)
            answer = estimate(
                nameplate,
                figures,
                site.altitude_m,
                checks_done=record.checks_done,
                technician_unbalance=record.unbalance,
                technician_words=record.words,
                belief=record.belief,
                usual_load=None if usual is None else usual.load,
                beside=about(point.name, self._compared(point.site, last.t_ms)),
            )
            self._keep_load(point, last.t_ms, figures, answer.reference_load)
            return {**answer.as_json(), **self._ahead(point, nameplate, figures, answer, last)}, None
        except Exception:  # it would come back after every start: advice must never cost the watch
            log.exception("no estimate of %s/%s: a fault of the monitor", point.site, point.name)
            return None, "no degrees, by a fault of the monitor: please report its log"

    def _compared(self, site: str, t_ms: float) -> tuple[Finding, ...]:
        """What the fans of a site, each as last estimated, show about each other."""
        work = self._work(site)
        at, before, found = self._found.get(site, (-math.inf, work, ()))
        if 0.0 <= t_ms - at < _COMPARED_FOR_MS and work == before:
            return found
        fans, idle = [], []
        for point in (fan for fan in self._plant.fans() if fan.site == site):
            state = self._plant.states[point.row, layout.RUNNING]
            seen_at, seen = self._running.get(point.row, (-math.inf, None))
            if state == 1.0 and seen is not None and abs(seen_at - t_ms) <= _TOGETHER_MS:
                fans.append(seen)
            elif state == 0.0 and point.nameplate is not None:
                ran = self._last_running.get(point.row)
                hours = None if ran is None else max(t_ms - ran.t_ms, 0.0) / 3_600_000.0
                idle.append(Idle(point.name, point.nameplate.fan.plenum, hours))
        found = compare(fans, idle, supply_work=work.supplies, leads_moved=work.leads)
        self._found[site] = t_ms, work, found
        return found

    def _keep_load(self, point: Point, t_ms: float, figures: WindowFigures, load: float | None) -> None:
        """One figure an hour: what the next seven days are compared with."""
        if load is not None:
            self._loads.add(point.row, t_ms, load, figures.mean, figures.mean_volts, figures.ambient_c)

    def _ahead(
        self, point: Point, nameplate: Nameplate, figures: WindowFigures, answer: Estimate, last: Seen
    ) -> dict[str, Any]:
        """Tonight, and where the amps of the last two hours lead to."""
        site, state = self._plant.sites[point.site], self._plant.states[point.row]
        known = self._plant.limits[self._plant.limits_of[point.row], layout.DEVICE_KNOWN] == 1.0
        proven = _or_none(float(state[layout.TOP3]))
        device = device_opens_from(nameplate.protection.setting_amps if known else None, proven)
        now = last.t_ms / 1000.0
        low = None if self.nights is None else self.nights.low(site, _time(last.t_ms))
        found, why = outlook(nameplate, figures, answer, low, device_amps=device)
        tonight = None
        if found is not None:
            at = None
            if self.nights is not None and found.passes_below_c is not None:
                seconds, air = self.nights.curve(site)
                at = crossing(seconds, air, now=now, now_c=found.now_c, low_c=found.low.c,
                              passes_below_c=found.passes_below_c)  # fmt: skip
            tonight = {**found.as_json(), "at": None if at is None else _rfc3339(1000.0 * at)}
        line = self._trails.line(point.row, last.t_ms, float(state[layout.RUN_START_MS]))
        ahead = None if line is None else line.seconds_to(answer.limit.amps)
        return {
            "tonight": tonight,
            "tonight_why": why,
            "rising_amps_an_hour": None if line is None else line.amps_an_hour,
            "reaches_limit_at": None if ahead is None else _rfc3339(1000.0 * (now + ahead)),
        }

    def story(self, point: Point, alarm: Alarm, standing: Sequence[str], now: datetime) -> Story:
        """What a notice about this fan can tell now."""
        site = self._plant.sites[point.site]
        state = self._plant.states[point.row]
        gone = alarm.condition in ("stopped", "tripped", "logger-overdue")
        seen = (self._last_running if gone else self._last).get(point.row)
        last = self._last.get(point.row)
        answer, words = self.estimate(point)
        nameplate = point.nameplate
        volts = self._volts(point, last)
        unbalance = _or_none(seen.unbalance) if seen else None
        limit = None
        if nameplate is not None:
            limit = adjusted_limit(
                nameplate.motor,
                unbalance,
                volts_source=MEASURED_BEFORE if seen and seen.unbalance_held else "measured",
                not_adjusted=ONE_VOLTAGE if any(volt is not None for volt in volts) else NOT_MEASURED,
            )
        period = self._plant.period_ms_of(point)
        supply = nameplate.fan.supply if nameplate and last and last.flags & VOLTS_FROM_SUPPLY else None
        target = target_right = None
        if answer is not None and nameplate is not None:
            share = 1.0 - nameplate.fan.target_margin_percent / 100.0
            target, target_right = share * answer["limit"]["amps"], share * full_limit(nameplate.motor)
        began = float(state[layout.RUN_START_MS])
        return Story(
            site_name=site.name or site.site,
            fan_name=point.name,
            time_zone=ZoneInfo(site.time_zone),
            now=now,
            units=site.units,
            running=None if math.isnan(state[layout.RUNNING]) else bool(state[layout.RUNNING] == 1.0),
            also_standing=tuple(name for name in standing if name != alarm.condition),
            legs_amps=tuple(_or_none(leg) for leg in seen.legs) if seen else (),
            load_ratio=_or_none(seen.ratio) if seen else None,
            limit_amps=_or_none(seen.limit) if seen else None,
            full_load_amps=nameplate.motor.full_load_amps if nameplate else None,
            limit_factors=tuple(Factor(f.name, f.value, f.source) for f in limit.factors) if limit else (),
            volts=volts,
            rated_volts=nameplate.motor.rated_voltage if nameplate else None,
            unbalance_percent=unbalance,
            volts_from=supply,
            notes=limit.notes if limit else (),
            seconds_to_trip=_or_none(seen.seconds_to_trip) if seen else None,
            motor_heat=_or_none(seen.motor_heat) if seen else None,
            device_heat=_or_none(seen.device_heat) if seen else None,
            heat_assumed=seen is not None and seen.heat_assumed,
            device_type=nameplate.protection.type if nameplate else None,
            device_setting_amps=nameplate.protection.setting_amps if nameplate else None,
            proven_amps=_or_none(float(state[layout.TOP3])),
            reaches_limit_at=_when(answer.get("reaches_limit_at")) if answer is not None else None,
            estimate=answer,
            estimate_words=words,
            target_amps=target,
            target_amps_supply_right=target_right,
            run_began=None if math.isnan(began) else _time(began),
            last_reading=_time(last.t_ms) if last else None,
            period_seconds=None if math.isnan(period) else period / 1000.0,
            logger_words=self._status.get(point.row),
            cautions=for_notice(alarm.condition),
            page=self.page(point),
        )

    def page(self, point: Point) -> str | None:
        """Address of the fan's page; None where nobody said under which address people open the pages."""
        if not self._public_url:
            return None
        return f"{self._public_url.rstrip('/')}/fans/{quote(point.site)}/{quote(point.name)}"

    def fans_page(self, site: str) -> str | None:
        """Address of the page of a site's fans; None as for `page`."""
        return f"{self._public_url.rstrip('/')}/fans?site={quote(site)}" if self._public_url else None

    def _volts(self, point: Point, last: Seen | None) -> tuple[float | None, ...]:
        """The smoothed line voltages, one or three; empty where they are not measured now."""
        state = self._plant.states[point.row]
        # While no reading has volts the watch keeps the last ones, for hours and days.
        if last is None or not last.t_ms - state[layout.VOLTS_MS] <= PERIODS_STANDING * state[layout.PERIOD_MS]:
            return ()
        legs = int(self._plant.legs_of[point.row])
        volts = tuple(_or_none(float(volt)) for volt in state[layout.V12 : layout.V12 + legs])
        return volts if any(volt is not None for volt in volts) else ()

    def grown(self) -> None:
        """New points have come."""
        self._slots.grow(len(self._plant.points))
        self._loads.grow(len(self._plant.points))
        self._trails.grow(len(self._plant.points))


def _time(ms: float) -> datetime:
    return datetime.fromtimestamp(ms / 1000.0, UTC)


def _rfc3339(ms: float) -> str:
    return _time(ms).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _when(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def _or_none(value: float) -> float | None:
    return None if math.isnan(value) else value
