"""The watch and its twin run on streams of readings, in forms that compare bit for bit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, field
from typing import Any

import numpy as np

from monitor.motor.current import current_model
from monitor.motor.nameplate import Nameplate
from monitor.motor.starts import poles_of, starts_allowed
from monitor.motor.thermal import device_tau_seconds
from monitor.watch import layout
from monitor.watch.advance import advance, new_states, state_bytes, state_from_bytes
from monitor.watch.limits import resolve, stack
from tests.conftest import NAN, Row, columns
from tests.watch.twin import Twin
from tests.watch.twin_fan import Plate

WHAT = {layout.RAISED: "raised", layout.CLEARED: "cleared", layout.SUPERSEDED: "superseded",
        layout.RUN_STARTED: "run started", layout.RUN_ENDED: "run ended", layout.HOTTER: "hotter"}  # fmt: skip
TABLE = {
    "supply-lost": (50, 60, 5, 30), "phase-lost": (10, 20, 0, 30), "trip-near": (10, 15, 10, 120),
    "overload": (1.00, 0.97, 120, 120), "device-margin": (1.05, 1.0185, 300, 600), "low-margin": (0.95, 0.92, 900, 600),
    "voltage-unbalance-severe": (5.0, 4.5, 60, 120), "voltage-unbalance": (3.0, 2.5, 120, 120),
    "voltage-low": (90, 92, 60, 60), "voltage-high": (110, 108, 60, 60), "slow-start": (0.5, 0.5, 0, 60),
    "logger-suspect": (0.5, 0.5, 0, 600), "leg-spread": (10, 8, 300, 300), "no-load": (40, 50, 300, 300),
    "many-starts": (NAN, NAN, 0, 1800), "stopped": (0.5, 0.5, 60, 60),
}  # fmt: skip
"""The table once more: setpoint, clears, on-delay and off-delay [s]. Not read from monitor, on purpose."""
THREE_PHASES_ONLY = ("phase-lost", "voltage-unbalance-severe", "voltage-unbalance", "leg-spread")
Version = tuple[Nameplate, int, int]
"""A register version: the file, which motor, and which setting, pitch and motor (counted)."""


def plate_of(plate: Nameplate, motor_number: int = 0, worn: int = 0) -> Plate:
    """What the twin has to know, worked out without the code under test."""
    motor, device = plate.motor, plate.protection
    full_limit = motor.service_factor_amps or motor.full_load_amps * motor.service_factor
    known = device.setting_amps is not None and device.type not in ("none", "built-in protector")
    rows, off = {}, {name for name in THREE_PHASES_ONLY if motor.phases == 1}
    if not known:
        off |= {"trip-near", "device-margin"}
    for name, (setpoint, clears, on_delay, off_delay) in TABLE.items():
        keys: Mapping[str, Any] = plate.conditions.get(name, {})
        if keys.get("off"):
            off.add(name)
        if name == "many-starts":
            setpoint = clears = starts_allowed(motor.rated_power_hp, poles_of(motor)) + 1
        if name == "leg-spread" and motor.full_load_amps < 20:
            setpoint = 15
            clears = keys.get("clears", 8) if "setpoint" not in keys else 13
        changed = keys.get("setpoint", setpoint)
        rows[name] = (
            float(changed), float(keys.get("clears", changed - (setpoint - clears))),
            1000.0 * keys.get("on_delay_seconds", on_delay), 1000.0 * keys.get("off_delay_seconds", off_delay),
        )  # fmt: skip
    period = plate.logger.period_seconds
    return Plate(
        motor.full_load_amps, full_limit, motor.phases, motor.rated_voltage,
        None if period is None else 1000.0 * period, rows, frozenset(off), motor_number, worn, known,
        device.setting_amps if known and device.setting_amps is not None else full_limit, device.trip_ratio,
        device_tau_seconds(device.trip_class or 10, device.trip_ratio), current_model(motor).magnetising_rated,
        plate.logger.averaging, plate.fan.control == "continuous",
    )  # fmt: skip


class Stream:
    """Rows of several fans, in the order in which they arrive, and the register versions they name."""

    def __init__(self, rows: list[Row], versions: Sequence[Version]) -> None:
        self.rows, self.versions = rows, versions

    def __repr__(self) -> str:
        return f"Stream of {len(self.rows)} rows: {self.rows[:3]}..., {self.versions}"

    @property
    def fans(self) -> int:
        return 1 + max((row[0] for row in self.rows), default=0)

    @property
    def limits(self) -> Any:
        return stack([resolve(*version) for version in self.versions])

    def told(self, part: Sequence[int] | None = None) -> list[Row]:
        """The rows, or some of them in the order given."""
        return self.rows if part is None else [self.rows[number] for number in part]


@dataclass
class Outcome:
    """What the watch said, in a form that compares bit for bit; NaN is "nan"."""

    changes: dict[int, list[tuple[Any, ...]]]
    """By fan: row, fan, what, condition, at, since, value, setpoint, peak, gap, ending."""
    judged: list[tuple[Any, ...]]
    kept: list[tuple[Any, ...]]
    """Of each fan at the end: least volts since its end, proven amps, mean of active amps."""
    states: list[bytes] = field(default_factory=list)


def exact(values: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(
        exact([float(one) for one in x]) if isinstance(x, tuple) else float(x).hex() if isinstance(x, float) else x
        for x in values
    )


def by_kernel(
    stream: Stream,
    batches: Sequence[Sequence[int]] | None = None,
    *,
    resume: bool = False,
    only_changes: bool = False,
) -> Outcome:
    """Runs the kernel on the stream cut into batches (row numbers); with `resume` states are saved and read between."""
    states, limits = new_states(stream.fans), stream.limits
    changes: dict[int, list[tuple[Any, ...]]] = {fan: [] for fan in range(stream.fans)}
    judged: list[tuple[Any, ...]] = [()] * len(stream.rows)
    for batch in [range(len(stream.rows))] if batches is None else batches:
        found, out = advance(states, columns(stream.told(batch)), limits)
        for change in found:
            changes[change.fan].append(exact((
                batch[change.row], change.fan, WHAT[change.what], change.condition, change.at_ms, change.since_ms,
                change.value, change.setpoint, change.peak, change.gap_ms,
                None if change.ending is None else astuple(change.ending),
            )))  # fmt: skip
        whole = (out.highest, out.limit, out.ratio, out.unbalance, out.motor_heat, out.device_heat, out.seconds_to_trip)
        for place, number in enumerate(() if only_changes else batch):
            judged[number] = exact((*(float(column[place]) for column in whole), int(out.flags[place])))
        if resume:
            for fan in range(stream.fans):
                again = state_from_bytes(state_bytes(states[fan]), layout.STATE_FORMAT)
                assert again is not None
                states[fan] = again
    kept = [exact([float(s[at]) for at in (layout.TOP3, layout.ACTIVE_MEAN)]) for s in states]
    return Outcome(changes, judged, kept, [_state(state) for state in states])


def _state(state: Any) -> bytes:
    return np.where(np.isnan(state), math.nan, state).tobytes()  # every NaN alike


def by_twin(stream: Stream) -> Outcome:
    """The same from the twin, without states."""
    twin = Twin()
    plates = [plate_of(*version) for version in stream.versions]
    judged = [
        exact(twin.read(number, fan, t, amps, volts, called, plates[version]))
        for number, (fan, t, amps, volts, version, called) in enumerate((*row, NAN)[:6] for row in stream.rows)
    ]
    changes: dict[int, list[tuple[Any, ...]]] = {fan: [] for fan in range(stream.fans)}
    for change in twin.changes:
        changes[change[1]].append(exact(change))
    fans = [twin.fans[fan] for fan in range(stream.fans)]
    kept = [exact((fan.proven.amps_proven, fan.active_mean)) for fan in fans]
    return Outcome(changes, judged, kept)
