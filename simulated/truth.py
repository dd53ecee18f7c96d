"""What is true on the farm and seen by nobody: drawn properties of its fans, and how their runs really ended."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from simulated import motor, stepping
from simulated.loggers import instant
from simulated.scenario import Fan

CAUSES = {
    stepping.STOPPED: "stopped",
    stepping.SUPPLY_LOST: "supply lost",
    stepping.TRIPPED: "overload trip",
    stepping.TRIPPED_PHASE: "phase lost",
    stepping.TRIPPED_LOCKED: "short circuit or locked rotor",
}


@dataclass(frozen=True)
class Hidden:
    """The true properties of a fan."""

    circuit: motor.Circuit
    load: float
    """Shaft power over rated, at the reference."""
    slope: float
    """Of the logarithm of shaft power, per degree."""
    setting: float
    """Of its overload device, A; 0: none."""
    trip_class: float
    pickup_ratio: float
    time_factor: float


def drawn(fan: Fan, rng: np.random.Generator) -> Hidden:
    """The fan's true properties: given, or drawn. The same draws are made whatever is given."""
    slope, pickup, factor = rng.uniform(0.05, 0.11), rng.uniform(1.05, 1.20), rng.uniform(0.4, 1.0)
    amps_factor, share = 1.0 + 0.01 * float(np.clip(rng.standard_normal(), -2.5, 2.5)), rng.uniform()
    t = fan.truth
    load = t.load if isinstance(t.load, float) else t.load[0] + share * (t.load[1] - t.load[0])
    return Hidden(
        circuit=circuit_of(fan.motor, t.amps_factor or amps_factor, t.power_factor, t.locked_ratio),
        load=load,
        slope=t.slope if t.slope is not None else slope,
        setting=0.0
        if fan.protection.get("type", "unknown") == "none"
        else float(fan.protection.get("setting_amps", 0.0)),
        trip_class=float(fan.protection.get("trip_class", 10)),
        pickup_ratio=t.pickup_ratio or pickup,
        time_factor=t.time_factor or factor,
    )


def circuit_of(
    plate: dict[str, object], amps_factor: float, power_factor: float | None = None, locked_ratio: float = 6.5
) -> motor.Circuit:
    """The motor behind a nameplate ([motor] table), its true rated current being amps_factor times the plate's."""

    def number(key: str, default: float) -> float:
        value = plate.get(key, default)
        return float(value) if isinstance(value, (int, float)) else default

    phases = int(number("phases", 3))
    watts = number("rated_power_hp", 0.0) * motor.WATTS_PER_HP or 1000.0 * number("rated_power_kw", 0.0)
    volts, amps = number("rated_voltage", 460.0), number("full_load_amps", 0.0)
    factor = power_factor or number("power_factor", 0.0)
    if factor == 0.0:  # neither plate nor scenario says: from the efficiency, given or usual
        efficiency = number("efficiency", 0.885 if phases == 3 else 0.83)
        efficiency = efficiency / 100.0 if efficiency > 1.5 else efficiency
        factor = watts / ((math.sqrt(3.0) if phases == 3 else 1.0) * volts * amps * efficiency)
        factor = min(max(factor, 0.68), 0.93 if phases == 3 else 0.985)
    rpm, poles = number("rated_speed_rpm", 0.0), int(number("poles", 0.0))
    if poles == 0:
        poles = 4 if rpm == 0.0 else 2 * round(3600.0 / (rpm * 1.03))
    slip = 1.0 - rpm / (7200.0 / poles) if rpm > 0.0 else None
    return motor.fit(
        watts=watts,
        volts=volts,
        amps=amps * amps_factor,
        phases=phases,
        power_factor=factor,
        poles=poles,
        rated_slip=slip,
        locked_ratio=locked_ratio,
    )


@dataclass(frozen=True)
class End:
    """A run that ended."""

    site: str
    fan: str
    t: datetime
    cause: str
    """One of the words of CAUSES."""


@dataclass
class Truths:
    """Kept by the farm for scoring."""

    origin: float
    until: float = 0.0
    slopes: dict[tuple[str, str], float] = field(default_factory=dict)
    """(site, fan): slope of the logarithm of shaft power, per degree."""
    log: list[tuple[float, str, str, int]] = field(default_factory=list)
    """(s since the farm's start, site, fan, code of stepping), as played."""

    def add(self, site: str, fan: str, t: float, code: int) -> None:
        """Take over an entry of the clockwork's log."""
        self.log.append((t, site, fan, code))

    @property
    def ends(self) -> list[End]:
        """Runs that ended up to where the farm stands, by time."""
        return self._find(CAUSES)

    @property
    def starts(self) -> list[End]:
        """Starts up to where the farm stands (cause "started"), by time."""
        return self._find({stepping.STARTED: "started"})

    def _find(self, words: dict[int, str]) -> list[End]:
        return [
            End(site, fan, instant(self.origin, t), words[code])
            for t, site, fan, code in sorted(self.log)
            if code in words and t <= self.until
        ]
