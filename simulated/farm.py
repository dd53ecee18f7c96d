"""The farm: ties weather, supply, control, fans and loggers together, and plays them through time.

Time runs in blocks of half an hour on a grid that starts with the farm, so that what happens never depends on how the
caller cuts `advance`. The same scenario, seed and start give the same bytes.
"""

from __future__ import annotations

import bisect
import zlib
from datetime import UTC, datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulated import stepping, supply, weather
from simulated.course import Courses
from simulated.filling import Filling
from simulated.loggers import Columns, Letter, Path, bodies, instant, stamps
from simulated.plant import FEET, base_pitch, lay_out
from simulated.plate import nameplate_text
from simulated.scenario import BLOCK_S, Scenario, Sends
from simulated.truth import Truths

Floats = NDArray[np.float64]


class Message(NamedTuple):
    """One message as it goes to the broker."""

    sent: datetime
    """When it is sent, UTC."""
    topic_tail: str
    """What follows the topic root, e.g. `meadow/bin-3/readings`."""
    payload: bytes
    t: datetime
    """When its (last) reading was measured, UTC."""


class Farm:
    """An invented farm that behaves."""

    def __init__(self, scenario: Scenario, start: datetime, seed: int = 0, *, past_hours: float | None = None) -> None:
        """start: aware; cut to whole seconds. past_hours: from it to the live part (else the scenario's)."""
        if start.tzinfo is None:
            raise ValueError("start: expected a datetime with a time zone")
        self.scenario = scenario
        self.start = start.astimezone(UTC).replace(microsecond=0)
        self.seed = seed
        self._origin = self.start.timestamp()
        self._courses = Courses(scenario, 3600.0 * (scenario.past_hours if past_hours is None else past_hours))
        self._plant = lay_out(scenario, self._draws, self._courses)
        self._air = {key: weather.Air(s.weather, seed, zlib.crc32(key.encode())) for key, s in scenario.sites.items()}
        self._sources = [
            supply.Source(scenario.sites[key].supplies[name], self._draws(key, name, "supply"))
            for key, name in self._plant.supplies
        ]
        self._fillings = [
            Filling(scenario.sites[key].bins[name], self._draws(key, name, "filling")) for key, name in self._plant.bins
        ]
        self._jitter, self._swing = self._draws("jitter"), self._draws("swing")
        self._points: dict[tuple[str, str], tuple[Path, np.random.Generator]] = {}
        for key, site in scenario.sites.items():
            names = [name for name, s in site.supplies.items() if s.point]
            for name in [*names, *([site.weather.point] if site.weather.point is not None else [])]:
                path = Path(Sends(), key, name, self._courses, self._draws(key, name, "path"))
                self._points[key, name] = path, self._draws(key, name, "meter")
        self.truth = Truths(self._origin, slopes=dict(self._plant.slopes))
        self._played = 0.0
        self._until = 0.0
        self._letters: list[Letter] = []
        self._number = 0
        self._columns: dict[tuple[str, str], list[Columns]] = {}

    def _draws(self, *names: str) -> np.random.Generator:
        """A generator of its own for each set of names."""
        return np.random.default_rng([self.seed, *(zlib.crc32(name.encode()) for name in names)])

    # ---- what the farm tells about itself -------------------------------------------------------------------------

    def sites(self) -> dict[str, dict[str, Any]]:
        """Site: name, time_zone, altitude_m, units."""
        return {
            key: {"name": s.name, "time_zone": s.time_zone, "altitude_m": s.altitude_m, "units": s.units}
            for key, s in self.scenario.sites.items()
        }

    def nameplates(self) -> dict[tuple[str, str], str]:
        """(site, fan): nameplate file as the farmer would write it (TOML)."""
        fans = zip(self._plant.keys, self._plant.fans, strict=True)
        return {(k, n): nameplate_text(f, self.scenario.sites[k]) for (k, n), f in fans}

    @property
    def now(self) -> datetime:
        """Where the farm stands: the last `until`."""
        return instant(self._origin, self._until)

    @property
    def step_seconds(self) -> float:
        """Length of the clockwork's step: the greatest that fits all loggers' periods, 10 s at most."""
        return self._plant.step

    # ---- time -----------------------------------------------------------------------------------------------------

    def advance(self, until: datetime) -> list[Message]:
        """Play on: every message sent after the last call's `until` and up to this one, in order of sending."""
        end = until.timestamp() - self._origin
        out: list[Message] = []
        while True:
            # What is sent up to here can be preceded by nothing that is still to be played.
            settled = min(self._played, end)
            ready = bisect.bisect_right(self._letters, settled, key=lambda letter: letter.sent)
            for sent, _, topic, payload, taken in self._letters[:ready]:
                out.append(Message(instant(self._origin, sent), topic, payload, instant(self._origin, taken)))
            del self._letters[:ready]
            if self._played >= end:
                break
            self._block(letters=True)
        self._until = self.truth.until = max(self._until, end)
        return out

    def columns(self, until: datetime) -> dict[tuple[str, str], Columns]:
        """Play on without messages: what the fans' loggers measured since the last call, by time of measurement.

        Column `t` is Unix time in seconds; the others as in the CSV form, and `called`. For benchmarks and logs; do
        not mix with `advance` on one farm: what one has given, the other does not give again.
        """
        end = until.timestamp() - self._origin
        while self._played < end:
            self._block(letters=False)
        self._until = self.truth.until = max(self._until, end)
        out: dict[tuple[str, str], Columns] = {}
        for key, blocks in self._columns.items():
            whole = {name: np.concatenate([b[name] for b in blocks]) for name in blocks[0]}
            cut = int(np.searchsorted(whole["t"], end, side="right"))
            out[key] = {name: column[:cut] for name, column in whole.items()}
            out[key]["t"] = out[key]["t"] + self._origin
            self._columns[key] = [{name: column[cut:] for name, column in whole.items()}]
        return out

    def close_device(self, site: str, fan: str, at: datetime) -> None:
        """Somebody closes a tripped device: at a time, or as soon as what is played already is over.

        For who restarts a fan because of what he was told; such a fan has `reset = "nobody"`. A fan whose device is
        closed stays as it is.
        """
        number = self._plant.keys.index((site, fan))
        self._plant.states["reset_at"][number] = max(at.timestamp() - self._origin, self._played)

    def _block(self, letters: bool) -> None:
        """Play one block."""
        plant, courses, step, begin = self._plant, self._courses, self._plant.step, self._played
        n, count = round(BLOCK_S / step), len(self._plant.keys)
        times: Floats = np.asarray(begin + step * np.arange(n), np.float64)
        local = {key: np.asarray(times + self._origin + self._offset(key), np.float64) for key in self.scenario.sites}
        air: dict[str, Floats] = {}
        density = np.empty((n, len(local)))
        for a, (key, site) in enumerate(self.scenario.sites.items()):
            air[key] = self._air[key].temperature(local[key]) + courses.amount(key, key, "air", times)
            density[:, a] = weather.thickness(air[key], site.altitude_m)
        depth = np.empty((n, len(plant.bins)))
        for b, (key, name) in enumerate(plant.bins):
            feet = self.scenario.sites[key].bins[name].depth_ft + courses.amount(key, name, "depth", times)
            depth[:, b] = np.maximum(feet + self._fillings[b].depth(times), 0.0) * FEET
        sources = np.zeros((n, len(self._sources)), stepping.SOURCE)
        for s, ((key, name), source) in enumerate(zip(plant.supplies, self._sources, strict=True)):
            volts = courses.amount(key, name, "volts", times)
            unbalance = courses.amount(key, name, "unbalance", times)
            sources["volts"][:, s], alive = source.block(local[key], step, volts, unbalance)
            sources["alive"][:, s] = np.where(courses.during(key, name, "outage", times), 0, alive)
            sources["lost"][:, s] = courses.leg(key, name, "lost leg", times)
            sources["impedance"][:, s] = source.impedance
        asked = np.zeros((n, count), stepping.ASKED)
        for i, ((key, name), f) in enumerate(zip(plant.keys, plant.fans, strict=True)):
            asked["wanted"][:, i] = plant.controls[i].wanted(times, local[key], air[key])
            asked["pitch"][:, i] = base_pitch(f) + courses.amount(key, name, "pitch", times)
            rated_percent = float(plant.fixed["blades"][i, 2]) / 100.0
            asked["drag"][:, i] = rated_percent * courses.amount(key, name, "drag", times)
            asked["contact"][:, i] = f.truth.contact_ohms
            for leg, ohms in courses.on_legs(key, name, "contact", times).items():
                asked["contact"][:, i, leg] += ohms
            asked["open"][:, i] = courses.leg(key, name, "open leg", times)
            asked["locked"][:, i] = courses.during(key, name, "locked", times)
        asked["jitter"] = self._jitter.uniform(0.0, step, (n, count))
        asked["swing"] = self._swing.standard_normal((n, count))
        if begin == 0.0:  # the farm was there before: what is wanted runs already, and is warm
            plant.states["running"] = asked["wanted"][0]
            plant.states["heat"] = 0.5 * asked["wanted"][0][:, None]
        seen = np.zeros((n, count), stepping.SEEN)
        log = np.zeros(64 + 40 * count, stepping.LOG)
        day = float(next(iter(local.values()))[0] % 86400.0) - begin if local else 0.0
        entries = stepping.run(step, begin, day, plant.fixed, plant.states, asked, sources, depth, density, seen, log)
        for entry in log[:entries]:
            self.truth.add(*plant.keys[int(entry["fan"])], float(entry["time"]), int(entry["code"]))
        self._look(times, air, asked, sources, seen, letters)
        self._played = begin + BLOCK_S

    def _look(self, times: Floats, air: dict[str, Floats], asked: Any, sources: Any, seen: Any, letters: bool) -> None:
        """Let the loggers of fans, supply points and weather points look at a block."""
        plant, step = self._plant, self._plant.step
        fresh: list[Letter] = []

        def post(path: Path, columns: Columns, texts: list[str]) -> None:
            begin = float(times[0])
            fresh.extend(path.post(begin, begin + BLOCK_S, columns["t"], texts, self._number + len(fresh)))

        for i, (key, name) in enumerate(plant.keys):
            logger = plant.loggers[i]
            columns = logger.columns(times, seen[:, i], air[key], asked["wanted"][:, i])
            if letters:
                post(logger.path, columns, logger.bodies(columns, self._origin))
            else:
                self._columns.setdefault((key, name), []).append(columns)
        if not letters:
            return
        for s, (key, name) in enumerate(plant.supplies):
            source = self._sources[s].supply
            if source.point:
                path, rng = self._points[key, name]
                every = round(source.period_seconds / step)
                bus = sources["bus"][every - 1 :: every, s]
                lines = np.abs(bus - np.roll(bus, -1, axis=1))[:, : 3 if source.phases == 3 else 1]
                shown = np.round(np.maximum(lines + 0.1 * rng.standard_normal(lines.shape), 0.0), 1)
                columns = {"t": times[every - 1 :: every] + step}
                columns |= {f"v{k + 1}{(k + 1) % 3 + 1}": shown[:, k] for k in range(shown.shape[1])}
                columns = path.taken(columns)
                post(path, columns, bodies(columns, stamps(self._origin, columns["t"]), path.sends))
        for key, site in self.scenario.sites.items():
            if site.weather.point is not None:
                path, _ = self._points[key, site.weather.point]
                every = round(site.weather.period_seconds / step)
                columns = {
                    "t": times[every - 1 :: every] + step,
                    "ambient_c": np.round(air[key][every - 1 :: every], 1),
                }
                columns = path.taken(columns)
                post(path, columns, bodies(columns, stamps(self._origin, columns["t"]), path.sends))
        self._number += len(fresh)
        self._letters += fresh
        self._letters.sort()

    def _offset(self, key: str) -> float:
        """Local time less UTC at the begin of the block (s)."""
        zone = ZoneInfo(self.scenario.sites[key].time_zone)
        shift = datetime.fromtimestamp(self._origin + self._played, zone).utcoffset()
        return shift.total_seconds() if shift is not None else 0.0
