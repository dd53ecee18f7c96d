"""The farm: ties weather, supply, control, fans and loggers together, and plays them through time.

Time runs in blocks of half an hour on a grid that starts with the farm, so that what happens never depends on how the
caller cuts `advance`. The same scenario, seed and start give the same bytes.
"""

from __future__ import annotations

import math
import zlib
from datetime import UTC, datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulated import bed, fan, motor, relay, stepping, supply, weather
from simulated.control import Control
from simulated.course import Courses
from simulated.loggers import Columns, FanLogger, Letter, Path, bodies, clamp_errors, instant, stamps
from simulated.plate import nameplate_text
from simulated.scenario import Fan, Scenario, Sends, Supply
from simulated.truth import CAUSES, End, Truths, drawn

Floats = NDArray[np.float64]
FEET = 0.3048
BLOCK_S = 1800


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
        """start: aware; cut to whole seconds. past_hours: how long after it the live part begins (else the scenario's)."""
        if start.tzinfo is None:
            raise ValueError("start: expected a datetime with a time zone")
        self.scenario = scenario
        self.start = start.astimezone(UTC).replace(microsecond=0)
        self.seed = seed
        self.origin = self.start.timestamp()
        self.live_after = 3600.0 * (past_hours if past_hours is not None else scenario.past_hours)
        self._courses = Courses(scenario, self.live_after)
        self._played = 0.0
        self._until = 0.0
        self._letters: list[Letter] = []
        self._number = 0
        self._columns: dict[tuple[str, str], list[Columns]] = {}
        self._build()

    def _rng(self, *names: str) -> np.random.Generator:
        return np.random.default_rng([self.seed, *(zlib.crc32(name.encode()) for name in names)])

    def _build(self) -> None:
        self._site_keys = list(self.scenario.sites)
        self.keys: list[tuple[str, str]] = []
        self._supplies: list[tuple[str, str, supply.Source]] = []
        self._bins: list[tuple[str, str]] = []
        self._air: list[weather.Air] = []
        for key, site in self.scenario.sites.items():
            self._air.append(weather.Air(site.weather, self.seed, zlib.crc32(key.encode())))
            for name, s in site.supplies.items():
                self._supplies.append((key, name, supply.Source(s, self._rng(key, name, "supply"))))
            self._bins.extend((key, name) for name in site.bins)
            self.keys.extend((key, name) for name in site.fans)
        supply_at = {(k, n): i for i, (k, n, _) in enumerate(self._supplies)}
        bin_at = {place: i for i, place in enumerate(self._bins)}
        site_at = {key: i for i, key in enumerate(self._site_keys)}
        self._fans: list[Fan] = [self.scenario.sites[k].fans[n] for k, n in self.keys]
        count = len(self.keys)

        periods = [self._period(f) for f in self._fans]
        periods += [s.supply.period_seconds for _, _, s in self._supplies if s.supply.point]
        self.step = float(math.gcd(10, *periods))
        self._n = round(BLOCK_S / self.step)

        circuit = np.zeros((count, motor.SIZE))
        blades = np.zeros((count, fan.SIZE))
        run_up = np.zeros((count, stepping.START_POINTS))
        pickup, warm, cool, start_s, restart, sample = (np.zeros(count) for _ in range(6))
        sensitive, reset, feed = (np.zeros(count, np.int64) for _ in range(3))
        delays = np.zeros((count, 64))
        self._base_pitch = np.zeros(count)
        self._rated = np.zeros(count)
        self.truth = Truths(self.origin)
        self._controls: list[Control] = []
        self._loggers: list[FanLogger] = []
        on_bin = [
            sum(1 for k, n in self.keys if (k, self.scenario.sites[k].fans[n].bin) == place) for place in self._bins
        ]
        for i, ((key, name), f) in enumerate(zip(self.keys, self._fans, strict=True)):
            site = self.scenario.sites[key]
            rng = self._rng(key, name, "fan")
            hidden = drawn(f, rng)
            c = hidden.circuit
            circuit[i] = c.parameters
            self._rated[i] = c.rated_watts
            pitch = float(f.fan.get("blade_pitch_degrees", 20.0))
            self._base_pitch[i] = pitch
            b = site.bins[f.bin]
            fans_here = on_bin[bin_at[key, f.bin]]
            blades[i] = fan.fit(
                watts=hidden.load * c.rated_watts,
                density=float(weather.thickness(20.0, site.altitude_m)),
                slope=hidden.slope,
                pitch=pitch,
                area=math.pi / 4.0 * (b.diameter_ft * FEET) ** 2,
                depth=b.depth_ft * FEET,
                grain=bed.GRAINS[b.grain],
                packing=b.packing,
                rise=f.truth.rise,
                share=1.0 / fans_here,
            )
            feed[i] = motor.THREE_LEGS if f.motor.get("phases", 3) == 3 else motor.ONE_PHASE
            run_up[i] = motor.run_up(c.parameters, hidden.load * c.rated_watts, stepping.START_POINTS)
            start_s[i] = f.truth.start_seconds
            restart[i] = 60.0 * f.truth.restart_minutes * rng.uniform(0.7, 1.5)
            if hidden.setting > 0.0:
                pickup[i] = hidden.pickup_ratio * hidden.setting
                warm[i] = relay.heating_seconds(hidden.trip_class, hidden.pickup_ratio, hidden.time_factor)
                cool[i] = 1.5 * warm[i]
            else:
                warm[i] = cool[i] = 600.0
            sensitive[i] = f.truth.lost_phase_sensitive and feed[i] == motor.THREE_LEGS
            reset[i] = {"farmer": stepping.BY_FARMER, "itself": stepping.BY_ITSELF, "nobody": stepping.NEVER}[
                f.truth.reset
            ]
            usual = 3600.0 * f.truth.reset_hours * (1.0 if f.truth.reset == "farmer" else 0.1)
            delays[i] = usual * np.exp(0.4 * rng.standard_normal(64))
            self.truth.slopes[key, name] = hidden.slope
            self._controls.append(Control(f.cycle, key, name, self._courses, self._rng(key, name, "control")))
            gain, offset = clamp_errors(f.sends, f.logger, 3 if feed[i] == 0 else 1, rng)
            averaging = bool(f.logger.get("averaging", False))
            every = round(periods[i] / self.step)
            sample[i] = self.step if averaging else float(rng.integers(1, round(self.step) + 1))
            self._loggers.append(
                FanLogger(
                    Path(f.sends, key, name, self._courses, self._rng(key, name, "path")),
                    phases=3 if feed[i] == 0 else 1,
                    gain=gain,
                    offset=offset,
                    every=every,
                    at=float(sample[i]),
                    averaging=averaging,
                    courses=self._courses,
                    site=key,
                    fan=name,
                    rng=self._rng(key, name, "logger"),
                )
            )
        self._fixed = stepping.Fixed(
            self.step,
            circuit,
            blades,
            pickup,
            warm,
            cool,
            sensitive,
            reset,
            delays,
            restart,
            run_up,
            start_s,
            feed,
            np.array([supply_at[k, f.supply] for (k, _), f in zip(self.keys, self._fans, strict=True)], np.int64),
            np.array([bin_at[k, f.bin] for (k, _), f in zip(self.keys, self._fans, strict=True)], np.int64),
            np.array([site_at[k] for k, _ in self.keys], np.int64),
            sample,
            np.array([supply.impedance(s.supply) for _, _, s in self._supplies]).reshape(-1, 3),
        )
        self._state = stepping.State(
            *(np.zeros(count, np.int64), np.full(count, -1e9), np.zeros(count, np.int64), np.zeros(count)),
            *(np.zeros(count, np.int64), np.zeros(count, np.int64), np.zeros(count, np.int64), np.zeros(count)),
            *(circuit[:, motor.SLIP].copy(), circuit[:, motor.E_RATED].copy(), np.zeros((count, 3), np.complex128)),
            *(np.zeros((count, 3)), np.ones(count), np.zeros(count)),
        )
        self._jitter_rng = self._rng("jitter")
        self._swing_rng = self._rng("swing")
        self._paths: dict[tuple[str, str], Path] = {}
        self._meter_rng: dict[tuple[str, str], np.random.Generator] = {}
        for key, site in self.scenario.sites.items():
            points = [name for name, s in site.supplies.items() if s.point]
            points += [site.weather.point] if site.weather.point else []
            for name in points:
                self._paths[key, name] = Path(Sends(), key, name, self._courses, self._rng(key, name, "path"))
                self._meter_rng[key, name] = self._rng(key, name, "meter")

    @staticmethod
    def _period(f: Fan) -> int:
        return int(f.logger.get("period_seconds", 10))

    # ---- what the farm tells about itself -------------------------------------------------------------------------

    def sites(self) -> dict[str, dict[str, Any]]:
        """Site: name, time_zone, altitude_m, units."""
        return {
            key: {"name": s.name, "time_zone": s.time_zone, "altitude_m": s.altitude_m, "units": s.units}
            for key, s in self.scenario.sites.items()
        }

    def nameplates(self) -> dict[tuple[str, str], str]:
        """(site, fan): nameplate file as the farmer would write it (TOML)."""
        return {
            (k, n): nameplate_text(f, self.scenario.sites[k]) for (k, n), f in zip(self.keys, self._fans, strict=True)
        }

    # ---- time -----------------------------------------------------------------------------------------------------

    @property
    def now(self) -> datetime:
        """Where the farm stands: the last `until`."""
        return instant(self.origin, self._until)

    def advance(self, until: datetime) -> list[Message]:
        """Play on, and give every message sent after the last call's `until` and up to this one, in order of sending."""
        end = until.timestamp() - self.origin
        while self._played < end:
            self._block(letters=True)
        self._until = max(self._until, end)
        self.truth.until = self._until
        ready = 0
        for letter in self._letters:
            if letter.sent > end:
                break
            ready += 1
        out = [
            Message(instant(self.origin, x.sent), x.topic, x.payload, instant(self.origin, x.taken))
            for x in self._letters[:ready]
        ]
        del self._letters[:ready]
        return out

    def columns(self, until: datetime) -> dict[tuple[str, str], Columns]:
        """Play on without messages: what each fan's logger measured since the last call, as columns, by time of measurement.

        Column `t` is Unix time in seconds; the others as in the CSV form, and `called`. For benchmarks and logs; do not
        mix with `advance` on one farm: what one has given, the other does not give again.
        """
        end = until.timestamp() - self.origin
        while self._played < end:
            self._block(letters=False)
        self._until = max(self._until, end)
        self.truth.until = self._until
        out: dict[tuple[str, str], Columns] = {}
        for key, blocks in self._columns.items():
            whole = {name: np.concatenate([b[name] for b in blocks]) for name in blocks[0]}
            cut = int(np.searchsorted(whole["t"], end, side="right"))
            out[key] = {name: column[:cut] for name, column in whole.items()}
            out[key]["t"] = out[key]["t"] + self.origin
            self._columns[key] = [{name: column[cut:] for name, column in whole.items()}]
        return out

    def _block(self, *, letters: bool) -> None:
        """Play one block."""
        n, step = self._n, self.step
        begin, end = self._played, self._played + BLOCK_S
        times = begin + step * np.arange(n)
        unix = self.origin + times
        count = len(self.keys)
        offsets = [self._offset(key, begin) for key in self._site_keys]
        site_index = {key: i for i, key in enumerate(self._site_keys)}
        air = np.empty((n, len(self._site_keys)))
        density = np.empty_like(air)
        for a, key in enumerate(self._site_keys):
            air[:, a] = self._air[a].temperature(unix + offsets[a]) + self._courses.amount(key, key, "air", times)
            density[:, a] = weather.thickness(air[:, a], self.scenario.sites[key].altitude_m)
        source = np.empty((n, len(self._supplies), 3), np.complex128)
        alive = np.empty((n, len(self._supplies)), np.int64)
        lost = np.empty((n, len(self._supplies)), np.int64)
        for s, (key, name, src) in enumerate(self._supplies):
            source[:, s], alive[:, s] = src.block(
                unix + offsets[site_index[key]],
                step,
                self._courses.amount(key, name, "volts", times),
                self._courses.amount(key, name, "unbalance", times),
            )
            alive[self._courses.during(key, name, "outage", times), s] = 0
            lost[:, s] = self._courses.leg(key, name, "lost leg", times)
        depth = np.empty((n, len(self._bins)))
        for b, (key, name) in enumerate(self._bins):
            feet = self.scenario.sites[key].bins[name].depth_ft + self._courses.amount(key, name, "depth", times)
            depth[:, b] = np.maximum(feet, 0.0) * FEET
        wanted = np.empty((n, count), np.int64)
        pitch, drag = np.empty((n, count)), np.empty((n, count))
        contact = np.empty((n, count, 3))
        opened, locked = np.empty((n, count), np.int64), np.empty((n, count), np.int64)
        for i, (key, name) in enumerate(self.keys):
            a = site_index[key]
            wanted[:, i] = self._controls[i].wanted(times, unix + offsets[a], air[:, a])
            pitch[:, i] = self._base_pitch[i] + self._courses.amount(key, name, "pitch", times)
            drag[:, i] = self._rated[i] / 100.0 * self._courses.amount(key, name, "drag", times)
            contact[:, i, :] = self._fans[i].truth.contact_ohms
            for course in self._courses.of(key, name, "contact"):
                contact[:, i, (course.event.leg or 1) - 1] += self._courses.amount(key, name, "contact", times)
                break
            opened[:, i] = self._courses.leg(key, name, "open leg", times)
            locked[:, i] = self._courses.during(key, name, "locked", times)
        if begin == 0.0:  # the farm was there before: what is wanted runs already, and is warm
            self._state.running[:] = wanted[0]
            self._state.heat[wanted[0] == 1] = 0.5
        outputs = stepping.Outputs(
            *(np.zeros((n, count, 3)), np.zeros((n, count, 3)), np.zeros((n, count, 3))),
            *(np.zeros((n, len(self._supplies), 3)), np.zeros((n, count))),
            *(np.zeros(64 + 40 * count), np.zeros(64 + 40 * count, np.int64), np.zeros(64 + 40 * count, np.int64)),
        )
        jitter = self._jitter_rng.uniform(0.0, step, (n, count))
        swing = self._swing_rng.standard_normal((n, count))
        inputs = stepping.Inputs(
            *(begin, (self.origin + offsets[0]) % 86400.0, wanted, jitter, source, alive, lost, depth, density),
            *(pitch, drag, contact, opened, locked, swing),
        )
        entries = stepping.run(self._fixed, self._state, inputs, outputs)
        for k in range(entries):
            code = int(outputs.log_code[k])
            key, name = self.keys[int(outputs.log_fan[k])]
            self.truth.add(key, name, float(outputs.log_time[k]), code)
        self.truth.shaft_watts = dict(zip(self.keys, outputs.shaft[-1].tolist(), strict=True))
        self._measure(times, end, air, wanted, outputs, letters)
        self._played = end

    def _measure(
        self,
        times: Floats,
        end: float,
        air: Floats,
        wanted: NDArray[np.int64],
        outputs: stepping.Outputs,
        letters: bool,
    ) -> None:
        """Let the loggers look at a block."""
        begin = float(times[0])
        fresh: list[Letter] = []
        for i, (key, name) in enumerate(self.keys):
            a = self._site_keys.index(key)
            columns = self._loggers[i].columns(
                times,
                self.step,
                outputs.amps[:, i],
                outputs.mean_amps[:, i],
                outputs.volts[:, i],
                air[:, a],
                wanted[:, i].astype(np.float64),
            )
            if not letters:
                self._columns.setdefault((key, name), []).append(columns)
                continue
            texts = self._loggers[i].bodies(columns, self.origin)
            fresh += self._loggers[i].path.post(begin, end, columns["t"], texts, self._number + len(fresh))
        if not letters:
            return
        for s, (key, name, src) in enumerate(self._supplies):
            if src.supply.point:
                fresh += self._supply_point(key, name, src.supply, times, end, outputs.bus[:, s], len(fresh))
        for a, key in enumerate(self._site_keys):
            w = self.scenario.sites[key].weather
            if w.point is not None:
                path = self._paths[key, w.point]
                last = slice(round(w.period_seconds / self.step) - 1, None, round(w.period_seconds / self.step))
                t = times[last] + self.step
                columns = {"t": t, "ambient_c": np.round(air[last, a], 1)}
                kept = path.keep(t)
                columns = {word: column[kept] for word, column in columns.items()}
                texts = bodies(columns, stamps(self.origin, columns["t"]), path.sends)
                fresh += path.post(begin, end, columns["t"], texts, self._number + len(fresh))
        self._number += len(fresh)
        self._letters += fresh
        self._letters.sort()

    def _supply_point(
        self, key: str, name: str, s: Supply, times: Floats, end: float, bus: Floats, already: int
    ) -> list[Letter]:
        path, rng = self._paths[key, name], self._meter_rng[key, name]
        every = round(s.period_seconds / self.step)
        last = slice(every - 1, None, every)
        t = times[last] + self.step
        lines = 3 if s.phases == 3 else 1
        seen = np.round(np.maximum(bus[last, :lines] + 0.1 * rng.standard_normal((t.size, lines)), 0.0), 1)
        columns = {"t": t, **{word: seen[:, k] for k, word in enumerate(("v12", "v23", "v31")[:lines])}}
        kept = path.keep(t)
        columns = {word: column[kept] for word, column in columns.items()}
        texts = bodies(columns, stamps(self.origin, columns["t"]), path.sends)
        return path.post(float(times[0]), end, columns["t"], texts, self._number + already)

    def _offset(self, key: str, at: float) -> float:
        """Local time less UTC at a time on the farm's clock (s)."""
        zone = ZoneInfo(self.scenario.sites[key].time_zone)
        shift = datetime.fromtimestamp(self.origin + at, zone).utcoffset()
        return shift.total_seconds() if shift is not None else 0.0


__all__ = ["CAUSES", "End", "Farm", "Message"]
