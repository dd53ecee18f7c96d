"""A crowd of invented fans, one a seed, for asking how honest an estimate is.

Each fan has its true worth of a degree, its supply, its air, its clamps with their errors, and a nameplate that says
what a plate says. Its readings come from the same circuit, blades and bed as the farm's, without the farm's clockwork.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
import tomli_w
from numpy.typing import NDArray

from simulated import bed, fan, motor, weather
from simulated.loggers import clamp_errors, read_clamps
from simulated.scenario import Sends
from simulated.stepping import place, terms
from simulated.truth import circuit_of

Floats = NDArray[np.float64]

EPOCH_MS = 1_790_000_000_000
"""Where the readings' times begin (autumn 2026), ms since 1970."""


@dataclass(frozen=True)
class DrawnFan:
    """A fan of the crowd. What is public stands in `nameplate()`; the rest is its hidden truth."""

    seed: int
    plate: dict[str, Any]
    """Tables of its nameplate file."""
    circuit: motor.Circuit
    blades: Floats
    """fan.fit's vector."""
    slope: float
    """True worth of a degree: slope of the logarithm of shaft power."""
    phases: int
    volts_over_rated: float
    """Mean line-to-line voltage at the motor over rated."""
    unbalance: complex
    """Negative over positive sequence."""
    air_c: float
    """Air temperature now, degrees C."""
    coldest_c: float
    """Coldest of tonight, degrees C."""
    pitch: float
    """Now, degrees."""
    inserts: tuple[float, ...]
    """Pitches for which inserts are on hand, degrees, the present one among them."""
    depth_m: float
    altitude_m: float
    gain: Floats
    """True factors of the clamps, a leg."""
    offset: Floats
    """True offsets of the clamps, A, a leg."""

    def nameplate(self) -> str:
        """Its nameplate file (TOML)."""
        return tomli_w.dumps(self.plate)

    def true_highest_leg(self, pitch: float | None = None, air_c: float | None = None, volts: str = "as is") -> float:
        """Current of the highest leg (A) at a pitch (degrees), air (degrees C) and volts ("as is" or "right": rated
        and balanced); what is not given stays as it is now. Raises ValueError where the motor cannot carry its fan."""
        legs = self._amps(
            self.pitch if pitch is None else pitch, self.air_c if air_c is None else air_c, volts, 1.0, 1.0
        )
        return float(legs.max())

    def true_legs(self, pitch: float | None = None, air_c: float | None = None, volts: str = "as is") -> Floats:
        """All leg currents (A), as true_highest_leg; one for a single-phase motor."""
        return self._amps(
            self.pitch if pitch is None else pitch, self.air_c if air_c is None else air_c, volts, 1.0, 1.0
        )

    def readings(
        self,
        minutes: float = 30.0,
        pitch: float | None = None,
        volts: str = "as is",
        air_c: float | None = None,
        period_s: int = 10,
        start_ms: int = EPOCH_MS,
    ) -> dict[str, NDArray[Any]]:
        """What its logger shows: t_ms (int64), l1, l2, l3 (A), v12, v23, v31 (V), ambient_c.

        NaN in the columns a single-phase motor does not have. The same call gives the same readings.
        """
        at = self.pitch if pitch is None else pitch
        air = self.air_c if air_c is None else air_c
        call = f"{minutes} {at} {volts} {air} {period_s} {start_ms}"
        rng = np.random.default_rng([self.seed, zlib.crc32(call.encode())])
        n = max(1, round(minutes * 60.0 / period_s))
        wobble, unrest = _wander(n, 0.003, 0.9, rng), _wander(n, 0.0015, 0.95, rng)
        amps = np.array(
            [
                self._amps(at, air, volts, 1.0 + w, 1.0 + u)
                for w, u in zip(wobble.tolist(), unrest.tolist(), strict=True)
            ]
        )
        shown = read_clamps(amps, self.gain, self.offset, 0.03, rng)
        lines = self._lines(volts)[None, :] * (1.0 + unrest[:, None])
        seen = np.round(lines + 0.1 * rng.standard_normal(lines.shape), 1)
        nothing = np.full(n, np.nan)
        out: dict[str, NDArray[Any]] = {"t_ms": start_ms + 1000 * period_s * np.arange(n, dtype=np.int64)}
        for k, name in enumerate(("l1", "l2", "l3")):
            out[name] = shown[:, k] if k < shown.shape[1] else nothing
        for k, name in enumerate(("v12", "v23", "v31")):
            out[name] = seen[:, k] if k < seen.shape[1] else nothing
        out["ambient_c"] = np.round(air + 0.1 * rng.standard_normal(n), 1)
        return out

    def _potentials(self, volts: str) -> NDArray[np.complex128]:
        """Potentials of the legs at the motor (V)."""
        if volts not in ("as is", "right"):
            raise ValueError(f'volts: expected "as is" or "right", found {volts!r}')
        level = self.volts_over_rated if volts == "as is" else 1.0
        apart = self.unbalance if volts == "as is" else 0j
        rated = float(self.circuit.parameters[motor.V_LINE])
        if self.phases == 1:
            return np.array([0.5 * rated * level, -0.5 * rated * level, 0.0], np.complex128)
        one = rated / math.sqrt(3.0) * level
        a = motor.THIRD
        return one * np.array([1.0 + apart, a * a + a * apart, a + a * a * apart], np.complex128)

    def _lines(self, volts: str) -> Floats:
        v = self._potentials(volts)
        lines = np.abs(v - np.roll(v, -1))
        return np.asarray(lines[:1] if self.phases == 1 else lines, np.float64)

    def _amps(self, pitch: float, air_c: float, volts: str, load: float, level: float) -> Floats:
        """Leg currents (A); load, level: factors on shaft power and volts."""
        c = self.circuit.parameters
        density = float(weather.thickness(air_c, self.altitude_m))
        feed = motor.THREE_LEGS if self.phases == 3 else motor.ONE_PHASE
        fed, v1, v2 = terms(feed, -1, self._potentials(volts) * level)
        slip, gap, speed, q = float(c[motor.SLIP]), float(c[motor.E_RATED]), 1.0, 1.0
        i1 = i2 = 0j
        for _ in range(6):  # speed and working point settle on each other at once: the slip is small
            q, shaft = fan.working_point(self.blades, self.depth_m, density, pitch, speed, 1.0, q)
            i1, i2, slip, gap, ok = motor.settle(c, fed, v1, v2, shaft * load / speed**3, 0.0, slip, gap)
            if not ok:
                raise ValueError(f"fan {self.seed}: the motor cannot carry it at {volts} volts and {pitch:g} degrees")
            new = (1.0 - slip) / (1.0 - float(c[motor.SLIP]))
            if abs(new - speed) < 1e-9:
                break
            speed = new
        legs = np.zeros(3, np.complex128)
        place(i1, i2, fed, 0, legs)
        return np.asarray(np.abs(legs[:1] if self.phases == 1 else legs), np.float64)


def _wander(n: int, size: float, keep: float, rng: np.random.Generator) -> Floats:
    """A first-order wander around zero with a given standard deviation."""
    kicks = rng.standard_normal(n) * size * math.sqrt(1.0 - keep * keep)
    out = np.empty(n)
    last = size * float(rng.standard_normal())
    for k, kick in enumerate(kicks.tolist()):
        last = keep * last + kick
        out[k] = last
    return out


def draw(seed: int) -> DrawnFan:
    """The fan of a seed.

    Evenly drawn: true slope 0.05 to 0.11; highest leg now 0.92 to 1.12 of full-load amps x service factor; air -5 to
    20 degrees C and 2 to 12 K less tonight. About one in four is single-phase. Volts lie around rated (standard
    deviation 2.5 %, held to 0.92 to 1.07), at the motor and as the logger sees them; most supplies are within 1 % of
    balance, a third up to 3.5 %. Clamp errors are drawn evenly within 2 % and 0.5 A.
    """
    rng = np.random.default_rng([seed, 20_261_125])
    phases = 1 if rng.uniform() < 0.25 else 3
    hp = float(rng.choice([5.0, 7.5, 10.0] if phases == 1 else [5.0, 7.5, 10.0, 15.0, 20.0]))
    rated_volts = 230.0 if phases == 1 else float(rng.choice([230.0, 460.0, 460.0]))
    efficiency = rng.uniform(0.81, 0.86) if phases == 1 else rng.uniform(0.86, 0.91)
    factor = rng.uniform(0.90, 0.96) if phases == 1 else rng.uniform(0.80, 0.88)
    root = 1.0 if phases == 1 else math.sqrt(3.0)
    amps = round(hp * motor.WATTS_PER_HP / (root * rated_volts * efficiency * factor), 1)
    service = 1.0 if rng.uniform() < 0.2 else 1.15
    plate_motor: dict[str, Any] = {
        "rated_power_hp": hp,
        "rated_voltage": rated_volts,
        "phases": phases,
        "full_load_amps": amps,
        "service_factor": service,
    }
    true_factor = factor + 0.006 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    if rng.uniform() < 0.5:
        plate_motor["power_factor"] = round(factor, 2)
    if rng.uniform() < 0.5:
        plate_motor["efficiency"] = round(efficiency, 3)
    amps_factor = 1.0 + 0.01 * float(np.clip(rng.standard_normal(), -2.5, 2.5))
    circuit = circuit_of(plate_motor, amps_factor, true_factor, float(rng.uniform(5.8, 7.2)))

    slope = float(rng.uniform(0.05, 0.11))
    level = float(np.clip(1.0 + 0.025 * rng.standard_normal(), 0.92, 1.07))
    size = rng.uniform(0.0, 0.01) if rng.uniform() < 0.65 else rng.uniform(0.01, 0.035)
    unbalance = 0j if phases == 1 else complex(size * np.exp(2j * math.pi * rng.uniform()))
    air = float(rng.uniform(-5.0, 20.0))
    coldest = round(air - float(rng.uniform(2.0, 12.0)), 1)
    pitch = float(rng.integers(17, 24))
    lowest = pitch - float(rng.integers(5, 9))
    spacing = float(rng.choice([1.0, 1.0, 2.0]))
    inserts = tuple(float(x) for x in np.arange(pitch, lowest - 0.5, -spacing))[::-1]
    altitude = float(rng.uniform(50.0, 900.0))
    depth, area = float(rng.uniform(3.0, 5.5)), math.pi / 4.0 * float(rng.uniform(7.0, 11.0)) ** 2
    gain, offset = clamp_errors(Sends(), {}, 3 if phases == 3 else 1, rng)
    wanted = float(rng.uniform(0.92, 1.12)) * amps * service
    plate = {
        "motor": plate_motor,
        "protection": {
            "type": "overload relay",
            "trip_class": 10,
            "setting_amps": round(min(1.2, service + 0.05) * amps, 1),
        },
        "fan": {
            "blade_pitch_degrees": pitch,
            "available_pitch_degrees": list(inserts),
            "minimum_pitch_degrees": inserts[0],
            "coldest_expected_c": coldest,
            "control": "continuous",
            "target_margin_percent": 5.0,
        },
        "logger": {"accuracy_percent": 2.0, "accuracy_amps": 0.5, "period_seconds": 10, "averaging": False},
    }

    def with_load(share: float) -> DrawnFan:
        blades = fan.fit(
            watts=share * circuit.rated_watts,
            density=float(weather.thickness(20.0, altitude)),
            slope=slope,
            pitch=pitch,
            area=area,
            depth=depth,
            grain=bed.GRAINS["corn"],
            rise=0.5,
        )
        return DrawnFan(
            *(seed, plate, circuit, blades, slope, phases, level, unbalance, air, coldest, pitch, inserts),
            *(depth, altitude, gain, offset),
        )

    low, high = 0.4, 1.6
    for _ in range(30):
        middle = 0.5 * (low + high)
        if with_load(middle).true_highest_leg() < wanted:
            low = middle
        else:
            high = middle
    return with_load(low)
