"""The watch a second time, in plain Python: objects and dictionaries, one reading after the other.

Written from the rules and not from the kernel, so that a slip in one shows against the other. Shares with it only the
two formulas of the motor (derating factor, voltage unbalance), which have published values of their own.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from monitor.motor.limit import derate
from monitor.motor.unbalance import unbalance_of

# Strongest first; beside each what says the same more strongly.
ROWS = {"overload": None, "low-margin": "overload", "voltage-unbalance-severe": None,
        "voltage-unbalance": "voltage-unbalance-severe", "stopped": None}  # fmt: skip
DAY, MINUTE = 86_400_000.0, 60_000.0
RUNNING, SETTLED, UNBALANCE_OLD, UNBALANCE_UNKNOWN, NOT_FED, AFTER_GAP = 1, 2, 4, 8, 16, 32
NAN = math.nan


@dataclass(frozen=True)
class Plate:
    """What the watch has to know of a motor. Each row: setpoint, clears below, on-delay, off-delay [ms]."""

    full_load: float
    limit: float
    phases: int = 3
    rated: float = 460.0
    period: float | None = None
    rows: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    off: frozenset[str] = frozenset()
    motor: int = 0


@dataclass
class Fan:
    """What is remembered of one fan between two readings."""

    motor: int | None = None
    last: float = NAN
    intervals: list[float] = field(default_factory=list)
    running: bool | None = None
    amps_at: float = NAN
    run: dict[str, float] = field(default_factory=dict)
    ended: bool = False
    lines: list[float] = field(default_factory=lambda: [NAN] * 3)
    lines_at: float = NAN
    unbalance: float = NAN
    unbalance_at: float = NAN
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)


class Twin:
    """All fans. `read` takes one reading and gives what was judged; what changed is added to `changes`."""

    def __init__(self) -> None:
        self.fans: dict[int, Fan] = defaultdict(Fan)
        self.changes: list[tuple[Any, ...]] = []

    def read(self, row: int, number: int, t: float, amps: Any, volts: Any, plate: Plate) -> tuple[Any, ...]:
        fan = self.fans[number]

        def tell(what: str, name: str | None, at: float, since: float, value: float, against: float, peak: float,
                 gap: float = 0.0) -> None:  # fmt: skip
            self.changes.append((row, number, what, name, at, since, value, against, peak, gap))

        def run_over(seen: bool) -> None:
            run = fan.run
            tell("run ended", None, run["last"], run["start"], run["ratio"], float(seen), run["amps"], run["gap"])

        if t <= fan.last:
            return NAN, NAN, NAN, NAN, NOT_FED
        if fan.motor != plate.motor:
            if fan.running:
                run_over(False)
            for name in ROWS:
                if fan.alarms.get(name, {}).get("raised"):
                    tell("superseded", name, t, fan.alarms[name]["since"], NAN, NAN, fan.alarms[name]["peak"])
            self.fans[number] = fan = Fan(motor=plate.motor)

        # How long a reading may stand for: three periods.
        if plate.period is None and len(fan.intervals) < 9 and t > fan.last:
            fan.intervals.append(t - fan.last)
        learned = median(fan.intervals) if len(fan.intervals) == 9 else MINUTE
        stands = 3 * (learned if plate.period is None else plate.period)
        flags = AFTER_GAP if t - fan.last > stands else 0
        fan.last = t

        # Voltage, smoothed; a lost line starts it anew.
        known = [v for v in volts if not math.isnan(v)]
        fresh = False
        if known:
            if min(known) < 0.5 * plate.rated:
                fan.lines = [NAN] * 3
            else:
                weight = math.exp(-(t - fan.lines_at) / MINUTE) if fan.lines_at == fan.lines_at else 0.0
                fan.lines = [v if math.isnan(old) else v + (old - v) * weight
                             for v, old in zip(volts, fan.lines, strict=True)]  # fmt: skip
                fresh = plate.phases == 3 and len(known) == 3
            fan.lines_at = t
        if fresh:
            fan.unbalance, fan.unbalance_at = unbalance_of(*fan.lines), t
        unbalance, age = NAN, t - fan.unbalance_at
        if plate.phases == 3:
            if age <= DAY or (age > DAY and fan.alarms.get("overload", {}).get("raised")):
                unbalance = fan.unbalance
                flags |= UNBALANCE_OLD if age > stands else 0
            else:
                flags |= UNBALANCE_UNKNOWN
        limit = plate.limit * derate(unbalance)

        # The run.
        legs = [a for a in amps if not math.isnan(a)]
        highest = max(legs) if legs else NAN
        ratio = highest / limit
        load = supply = over = NAN  # what the rows compare; NaN: not known
        if legs:
            gap = t - fan.amps_at - stands
            if highest > 0.15 * plate.full_load:
                if not fan.running:
                    seen = float(fan.running is False and gap <= 0)
                    fan.run = {"start": t, "amps": NAN, "ratio": NAN, "gap": 0.0}
                    fan.running, fan.ended = True, False
                    tell("run started", None, t, t, NAN, seen, NAN)
                elif gap > 0:
                    fan.run["gap"] += gap
                fan.run["last"] = t
                flags |= RUNNING
                over = 0.0
                if t >= fan.run["start"] + 10_000:
                    load, supply = ratio, unbalance if fresh else NAN
                    for key, value in (("amps", highest), ("ratio", ratio)):
                        fan.run[key] = value if math.isnan(fan.run[key]) else max(fan.run[key], value)
                if t >= fan.run["start"] + MINUTE:
                    flags |= SETTLED
            else:
                if fan.running:
                    fan.ended = True
                    run_over(gap <= 0)
                fan.running = False
                load, supply, over = 0.0, 0.0, float(fan.ended)
            fan.amps_at = t

        # The rows, the stronger before the weaker.
        for name, stronger in ROWS.items():
            alarm = fan.alarms.get(name)
            value = load if name in ("overload", "low-margin") else over if name == "stopped" else supply
            setpoint, clears, on_delay, off_delay = plate.rows[name]
            if name in plate.off or (stronger and fan.alarms.get(stronger, {}).get("raised")):
                if alarm and alarm["raised"]:
                    tell("superseded", name, t, alarm["since"], value, setpoint, alarm["peak"])
                fan.alarms.pop(name, None)
                continue
            if math.isnan(value):
                continue
            if alarm is None:
                if value < setpoint:
                    continue
                alarm = fan.alarms[name] = {
                    "since": t,
                    "timer": t,
                    "seen": t,
                    "peak": value,
                    "raised": False,
                    "going": False,
                }
            if t - alarm["seen"] - stands > 0:
                alarm["timer"] += t - alarm["seen"] - stands  # what nobody saw counts for no delay
            alarm["seen"] = t
            alarm["peak"] = max(alarm["peak"], value)
            if not alarm["raised"]:
                if value < setpoint:
                    del fan.alarms[name]
                elif t >= alarm["timer"] + on_delay:
                    alarm["raised"] = True
                    tell("raised", name, t, alarm["since"], value, setpoint, alarm["peak"])
            elif value >= clears:
                alarm["going"] = False
            else:
                if not alarm["going"]:
                    alarm.update(going=True, timer=t)
                if t >= alarm["timer"] + off_delay:
                    tell("cleared", name, t, alarm["since"], value, setpoint, alarm["peak"])
                    del fan.alarms[name]
        return highest, limit, ratio, unbalance, flags
