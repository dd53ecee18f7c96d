"""Invented streams of readings with all that goes wrong in the field, and the watch run on them in several ways."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from hypothesis import strategies as st

from monitor.motor.nameplate import Nameplate
from monitor.watch import layout
from monitor.watch.advance import advance, new_states, state_bytes, state_from_bytes
from monitor.watch.limits import resolve, stack
from tests.conftest import NAN, Row, columns, nameplate
from tests.watch.twin import Plate, Twin

WHAT = {layout.RAISED: "raised", layout.CLEARED: "cleared", layout.SUPERSEDED: "superseded",
        layout.RUN_STARTED: "run started", layout.RUN_ENDED: "run ended"}  # fmt: skip
TABLE = {
    "overload": (1.00, 0.97, 120, 120), "low-margin": (0.95, 0.92, 900, 600),
    "voltage-unbalance-severe": (5.0, 4.5, 60, 120), "voltage-unbalance": (3.0, 2.5, 120, 120),
    "stopped": (0.5, 0.5, 60, 60),
}  # fmt: skip
"""The table once more: setpoint, clears below, on-delay and off-delay [s]. Not read from monitor, on purpose."""


def plate_of(plate: Nameplate, motor_number: int) -> Plate:
    """What the twin has to know, worked out without the code under test."""
    rows, off = {}, set()
    for name, (setpoint, clears, on_delay, off_delay) in TABLE.items():
        keys: Mapping[str, Any] = plate.conditions.get(name, {})
        wanted = plate.fan.control == "continuous" if name == "stopped" else True
        if keys.get("off") or not wanted or (name.startswith("voltage") and plate.motor.phases == 1):
            off.add(name)
        changed = keys.get("setpoint", setpoint)
        rows[name] = (
            changed, keys.get("clears_below", changed - (setpoint - clears)),
            1000.0 * keys.get("on_delay_seconds", on_delay), 1000.0 * keys.get("off_delay_seconds", off_delay),
        )  # fmt: skip
    period = plate.logger.period_seconds
    motor = plate.motor
    return Plate(
        motor.full_load_amps, motor.service_factor_amps or motor.full_load_amps * motor.service_factor, motor.phases,
        motor.rated_voltage, None if period is None else 1000.0 * period, rows, frozenset(off), motor_number,
    )  # fmt: skip


class Stream:
    """Rows of several fans, in the order in which they arrive, and the register versions they name."""

    def __init__(self, rows: list[Row], versions: list[tuple[Nameplate, int]]) -> None:
        self.rows, self.versions = rows, versions

    def __repr__(self) -> str:
        return (
            f"Stream of {len(self.rows)} rows: {self.rows[:3]}..., {[plate.conditions for plate, _ in self.versions]}"
        )

    @property
    def fans(self) -> int:
        return 1 + max((row[0] for row in self.rows), default=0)

    @property
    def limits(self) -> Any:
        return stack([resolve(plate, motor) for plate, motor in self.versions])

    def told(self, part: Sequence[int] | None = None) -> list[Row]:
        """The rows, or some of them in the order given."""
        return self.rows if part is None else [self.rows[number] for number in part]


@dataclass
class Outcome:
    """What the watch said, in a form that compares bit for bit; NaN is "nan"."""

    changes: dict[int, list[tuple[Any, ...]]]
    judged: list[tuple[Any, ...]]
    states: list[bytes]


def exact(values: Sequence[Any]) -> tuple[Any, ...]:
    return tuple(float(x).hex() if isinstance(x, float) else x for x in values)


def by_kernel(stream: Stream, batches: Sequence[Sequence[int]] | None = None, *, resume: bool = False) -> Outcome:
    """Runs the kernel on the stream cut into batches (row numbers); with `resume` states are saved and read between."""
    states, limits = new_states(stream.fans), stream.limits
    changes: dict[int, list[tuple[Any, ...]]] = {fan: [] for fan in range(stream.fans)}
    judged: list[tuple[Any, ...]] = [()] * len(stream.rows)
    for batch in [range(len(stream.rows))] if batches is None else batches:
        found, columns_out = advance(states, columns(stream.told(batch)), limits)
        for change in found:
            changes[change.fan].append(exact((
                batch[change.row], change.fan, WHAT[change.what], change.condition, change.at_ms, change.since_ms,
                change.value, change.setpoint, change.peak, change.gap_ms,
            )))  # fmt: skip
        out = (columns_out.highest, columns_out.limit, columns_out.ratio, columns_out.unbalance)
        for place, number in enumerate(batch):
            judged[number] = exact((*(float(column[place]) for column in out), int(columns_out.flags[place])))
        if resume:
            for fan in range(stream.fans):
                again = state_from_bytes(state_bytes(states[fan]), layout.STATE_FORMAT)
                assert again is not None
                states[fan] = again
    return Outcome(changes, judged, [_state(state) for state in states])


def _state(state: Any) -> bytes:
    return np.where(np.isnan(state), math.nan, state).tobytes()  # every NaN alike


def by_twin(stream: Stream) -> Outcome:
    """The same from the twin, without states."""
    twin = Twin()
    plates = [plate_of(plate, motor) for plate, motor in stream.versions]
    judged = [
        exact(twin.read(number, fan, t, amps, volts, plates[version]))
        for number, (fan, t, amps, volts, version) in enumerate(stream.rows)
    ]
    changes: dict[int, list[tuple[Any, ...]]] = {fan: [] for fan in range(stream.fans)}
    for change in twin.changes:
        changes[change[1]].append(exact(change))
    return Outcome(changes, judged, [])


# --- invention -------------------------------------------------------------------------------------------------
LOADS = (0.0, 0.1, 0.4, 0.9, 0.93, 0.96, 0.98, 1.0, 1.03, 1.2, 5.5)
UNBALANCES = (0.0, 0.8, 1.7, 2.45, 2.7, 3.3, 4.6, 5.4, 7.0)
VOLTS = ("all", "all", "all", "none", "one", "two", "lost", "one lost")
CONDITIONS: tuple[Mapping[str, Mapping[str, Any]], ...] = (
    {},
    {"overload": {"on_delay_seconds": 20, "off_delay_seconds": 0}, "low-margin": {"on_delay_seconds": 60}},
    {"overload": {"setpoint": 0.9}, "low-margin": {"off": True}, "stopped": {"on_delay_seconds": 0}},
    {"overload": {"off": True}, "low-margin": {"on_delay_seconds": 0, "off_delay_seconds": 30}},
    {"voltage-unbalance-severe": {"on_delay_seconds": 0}, "voltage-unbalance": {"setpoint": 2.0, "clears_below": 1.9}},
)


@dataclass(frozen=True)
class Stretch:
    """Some readings of one kind."""

    readings: int
    load: float
    unbalance: float
    volts: str
    legs: str
    gap_periods: float
    version: int


STRETCHES = st.builds(
    Stretch, readings=st.integers(1, 40), load=st.sampled_from(LOADS), unbalance=st.sampled_from(UNBALANCES),
    volts=st.sampled_from(VOLTS), legs=st.sampled_from(("all", "all", "all", "none", "one missing")),
    gap_periods=st.sampled_from((0, 0, 0, 0, 1, 2, 2.5, 10, 200, 9000)), version=st.integers(0, 3),
)  # fmt: skip


def play(
    stretches: Sequence[Stretch], phases: int, period: float, seed: int, fan: int, first_version: int
) -> list[Row]:
    """The readings of one fan; `period` [s]."""
    random = np.random.default_rng(seed)
    t, rows = 1.7e12 + float(random.integers(0, 1000)), []
    for stretch in stretches:
        t += 1000.0 * round(period * stretch.gap_periods)
        for _ in range(stretch.readings):
            t += 1000.0 * period + float(random.integers(-40, 41)) * (random.random() < 0.5)
            legs = 40.0 * stretch.load * (1.0 + 0.01 * random.standard_normal(3) * (seed % 2))
            x = 460.0 * stretch.unbalance / 200.0
            lines = np.array([460.0 + 2 * x, 460.0 - x, 460.0 - x]) + 0.5 * random.standard_normal(3) * (seed % 2)
            if phases == 1:
                legs[1:] = lines[1:] = NAN
            if stretch.legs != "all":
                legs[slice(None) if stretch.legs == "none" else random.integers(0, 3)] = NAN
            if stretch.volts in ("none", "one", "two"):
                lines[{"none": 0, "one": 1, "two": 2}[stretch.volts] :] = NAN
            if stretch.volts in ("lost", "one lost"):
                lines[slice(None) if stretch.volts == "lost" else random.integers(0, 3)] *= 0.3
            rows.append((fan, t, tuple(legs.tolist()), tuple(lines.tolist()), first_version + stretch.version))
            if random.random() < 0.02:  # heard twice, or late
                rows.append((fan, t - float(random.integers(0, 3)) * 5000.0, *rows[-1][2:]))
    return rows


@st.composite
def streams(draw: st.DrawFn, most_fans: int = 3) -> Stream:
    """Fans of all kinds, their rows mixed as they would arrive."""
    versions: list[tuple[Nameplate, int]] = []
    rows: list[tuple[float, int, Row]] = []
    for fan in range(draw(st.integers(1, most_fans))):
        phases, period = draw(st.sampled_from((3, 3, 1))), draw(st.sampled_from((1.0, 10.0, 60.0)))
        given, control = draw(st.booleans()), draw(st.sampled_from(("continuous", "continuous", "cycled", None)))
        first = len(versions)
        for number in range(4):
            plate = nameplate(
                control=control, period_seconds=period if given else None, phases=phases,
                full_load_amps=40.0, service_factor=draw(st.sampled_from((1.0, 1.15))),
                conditions=draw(st.sampled_from(CONDITIONS)),
            )  # fmt: skip
            versions.append((plate, number // 3))  # the last one is a new motor
        stretches = draw(st.lists(STRETCHES, min_size=1, max_size=10))
        of_fan = play(stretches, phases, period, draw(st.integers(0, 2**16)), fan, first)
        newest = -math.inf
        for number, row in enumerate(of_fan):
            newest = max(newest, row[1])  # a late row arrives late
            rows.append((newest, number, row))
    rows.sort(key=lambda entry: entry[:2])
    return Stream([row for *_, row in rows], versions)


def seeded(seed: int, phases: int = 3, period: float = 10.0, given: bool = True, stretches: int = 60) -> Stream:
    """A long stream of one fan."""
    random = np.random.default_rng(seed)

    def one_of(values: Sequence[Any]) -> Any:
        return values[int(random.integers(0, len(values)))]

    plates = [
        (nameplate(phases=phases, period_seconds=period if given else None, conditions=CONDITIONS[number]), number // 3)
        for number in range(4)
    ]
    course = [
        Stretch(int(random.integers(1, 200)), one_of(LOADS), one_of(UNBALANCES), one_of(VOLTS),
                one_of(("all",) * 6 + ("none", "one missing")), one_of((0,) * 6 + (1, 5, 90)),
                one_of((0, 0, 0, 1, 2, 3)))
        for _ in range(stretches)
    ]  # fmt: skip
    return Stream(play(course, phases, period, seed, 0, 0), plates)
