"""The watch a second time, in plain Python: objects and dictionaries, one reading after the other.

Written from the rules and not from the kernel, so that a slip in one shows against the other. Shares with it only the
formulas of the motor (derating factor, voltage unbalance, thermal step, time to trip), which have published values of
their own. The parts: what is remembered (twin_fan), the thermal images (twin_images), slots of time
(twin_looking_back), doubts about the readings (twin_doubts), and what each row of the table compares (twin_measures).
"""

from __future__ import annotations

import math
from collections import defaultdict
from statistics import median
from typing import Any

from monitor.motor.limit import derate
from monitor.motor.thermal import seconds_to_trip
from monitor.motor.unbalance import unbalance_of
from tests.watch.twin_fan import NAN, Fan, Moment, Plate, Run, known, mean
from tests.watch.twin_images import STILL, before_cooling, burden, carried_on
from tests.watch.twin_measures import measures

SUPPLY = ("supply-lost",)
# Id -> what keeps it from standing; in the order in which they are worked, the stronger before the weaker.
ROWS: dict[str, tuple[str, ...]] = {
    "supply-lost": (), "phase-lost": SUPPLY, "trip-near": SUPPLY, "overload": SUPPLY, "device-margin": SUPPLY,
    "low-margin": (*SUPPLY, "overload", "trip-near"), "voltage-unbalance-severe": SUPPLY,
    "voltage-unbalance": (*SUPPLY, "voltage-unbalance-severe"), "voltage-low": SUPPLY, "voltage-high": SUPPLY,
    "slow-start": SUPPLY, "logger-suspect": (), "leg-spread": (*SUPPLY, "phase-lost", "logger-suspect"),
    "no-load": SUPPLY, "many-starts": (), "stopped": (*SUPPLY, "phase-lost"),
}  # fmt: skip
BELOW = ("supply-lost", "phase-lost", "trip-near", "voltage-low", "no-load")
DAY, MINUTE = 86_400_000.0, 60_000.0
RUNNING, SETTLED, UNBALANCE_OLD, UNBALANCE_UNKNOWN, NOT_FED, AFTER_GAP = 1, 2, 4, 8, 16, 32
DEVICE_ASSUMED, MOTOR_ASSUMED = 64, 128
Ending = tuple[float, ...]
"""The figures of columns.Ending, in its order."""


class Twin:
    """All fans. `read` takes one reading and gives what was judged; what changed is added to `changes`."""

    def __init__(self) -> None:
        self.fans: dict[int, Fan] = defaultdict(Fan)
        self.changes: list[tuple[Any, ...]] = []
        self._at: tuple[int, int] = (0, 0)

    def read(self, row: int, number: int, t: float, amps: Any, volts: Any, called: float, plate: Plate) -> Any:
        """Highest leg, limit, load ratio, unbalance, both images, seconds to trip, flags."""
        fan = self.fans[number]
        self._at = row, number
        if t <= fan.last:
            return (NAN,) * 7 + (NOT_FED,)
        if fan.motor != plate.motor:
            self._another_motor(fan, t)
            self.fans[number] = fan = Fan(motor=plate.motor)
        if fan.worn != plate.worn:
            fan.worn = plate.worn
            fan.proven = type(fan.proven)()
        now = Moment(t, tuple(amps), tuple(volts), highest=max(known(amps), default=NAN))
        _period(fan, plate, now)
        if not math.isnan(called):
            fan.called, fan.called_at = called, t
        _voltage(fan, plate, now)
        no_load = NAN
        if now.has_amps:
            no_load = self._amps(fan, plate, now)
        values = measures(fan, plate, now, no_load)
        for name in ROWS:
            if name in values or name in fan.alarms:
                self._condition(fan, plate, now, name, values.get(name, NAN))
        self._hotter(fan, plate, now, values.get("overload", NAN))
        return self._judged(fan, plate, now)

    # --- the run -----------------------------------------------------------------------------------------------
    def _amps(self, fan: Fan, plate: Plate, now: Moment) -> float:
        """All that is worked only where there are amps; gives the measure of no-load."""
        t, before = now.t, fan.running
        dt = (t - fan.amps_at) / 1000
        now.stood = 0.0 if math.isnan(dt) else min(dt, now.stands / 1000)
        unseen = t - fan.amps_at - now.stands
        now.running = now.highest > 0.15 * plate.full_load
        above = now.highest > 2 * plate.full_load
        first = now.running and not before
        if first:
            fan.run, fan.ended_at, fan.high = Run(start=t), NAN, 0
            if before is False:
                fan.starts = [*fan.starts, t][-40:]
                fan.high = int(above)
            self._tell("run started", None, t, t, NAN, float(before is False and not unseen > 0), NAN)
        elif now.running:
            assert fan.run is not None
            fan.run.gap += max(unseen, 0.0)
            fan.high = fan.high + 1 if fan.high and above else 0
        if now.running and fan.run is not None:
            now.into = t - fan.run.start
            fan.run.last, fan.run.last_amps = t, now.highest
            now.flags |= RUNNING + SETTLED * (now.into >= MINUTE)
        else:
            fan.high = 0
            if before:
                self._run_over(fan, plate, now, seen=not unseen > 0)
        fan.running = now.running

        now.legs = now.own
        if plate.averaging and now.running:
            held = fan.held if before else None
            now.legs = held[0] if held is not None and not held[1] else (NAN, NAN, NAN)
        now.judged = max(known(now.legs), default=NAN)
        fan.held = now.own, first

        self._images(fan, plate, now, dt)
        no_load = NAN
        if now.settled and not math.isnan(now.judged):
            assert fan.run is not None
            for key, value in (("amps", now.judged), ("ratio", now.judged / now.limit)):
                setattr(fan.run, key, max([value, *known([getattr(fan.run, key)])]))
            carried = NAN if fan.heat is None else fan.heat["device"] * (plate.trip_ratio * plate.trip_ratio)
            fan.slots.read(t, carried, now.stood, now.legs)
            if now.into >= MINUTE:
                no_load = _no_load(fan, plate, now)
            fan.proven.read(t, now.judged)
        if not now.running:
            fan.doubts = type(fan.doubts)()
        fan.amps_at = t
        return no_load

    def _images(self, fan: Fan, plate: Plate, now: Moment, dt: float) -> None:
        x = {"motor": now.judged / (1.05 * now.limit), "device": now.judged / (plate.trip_ratio * plate.setting)}
        load = burden(x, now.running, now.judged > 2 * plate.full_load, fan.burden)
        if fan.heat is not None:
            fan.heat = carried_on(fan.heat, fan.burden, load, dt, now.stands / 1000, plate.device_tau)
        elif load is STILL or not (load.inrush or math.isnan(now.judged)):
            fan.heat = {image: min(square, 0.99) for image, square in load.squares.items()}
            fan.assumed_at = now.t
        fan.burden = load

    def _run_over(self, fan: Fan, plate: Plate, now: Moment, seen: bool) -> None:
        assert fan.run is not None
        fan.ended_at = now.t
        carried, compared = fan.slots.carried_before(fan.run.last)
        h1 = NAN
        if fan.heat is not None:
            image = before_cooling(fan.heat, fan.burden, fan.period / 1000, plate.device_tau)
            h1 = (plate.trip_ratio * plate.trip_ratio) * image
        called = fan.called_in_force(now.t, now.stands)
        volts = _share(now, plate)
        self._run_ended(fan, seen, (
            now.t, h1, carried, compared, fan.run.last_amps, fan.lost_at == fan.run.last, volts, called,
            fan.period / 1000, plate.device_known, plate.full_load, seen,
        ))  # fmt: skip
        new_high = math.isnan(carried) or h1 >= 1.01 * carried
        if plate.device_known and seen and h1 >= 1.1025 and new_high and called != 0 and not volts < 50:
            fan.proven = type(fan.proven)()

    def _another_motor(self, fan: Fan, t: float) -> None:
        if fan.running and fan.run is not None:
            self._run_ended(fan, False, (
                t, NAN, NAN, 0.0, fan.run.last_amps, fan.lost_at == fan.run.last, NAN, NAN, fan.period / 1000, False,
                NAN, False,
            ))  # fmt: skip
        for name in ROWS:
            if fan.stands(name):
                self._tell("superseded", name, t, fan.alarms[name]["since"], NAN, NAN, fan.alarms[name]["peak"])

    def _run_ended(self, fan: Fan, seen: bool, ending: Ending) -> None:
        run = fan.run
        assert run is not None
        self._tell("run ended", None, run.last, run.start, run.ratio, float(seen), run.amps, run.gap, ending)

    # --- the table ---------------------------------------------------------------------------------------------
    def _condition(self, fan: Fan, plate: Plate, now: Moment, name: str, value: float) -> None:
        alarm, t = fan.alarms.get(name), now.t
        setpoint, clears, on_delay, off_delay = plate.rows[name]
        if name in plate.off or any(fan.stands(stronger) for stronger in ROWS[name]):
            if alarm and alarm["raised"]:
                self._tell("superseded", name, t, alarm["since"], value, setpoint, alarm["peak"])
            fan.alarms.pop(name, None)
            return
        if math.isnan(value):
            return
        there = value <= setpoint if name in BELOW else value >= setpoint
        gone = value > clears if name in BELOW else value < clears
        if alarm is None:
            if not there:
                return
            alarm = fan.alarms[name] = {
                "since": t, "timer": t, "seen": t, "peak": value, "raised": False, "going": False, "hot": False,
            }  # fmt: skip
        if t - alarm["seen"] - now.stands > 0:
            alarm["timer"] += t - alarm["seen"] - now.stands  # what nobody saw counts for no delay
        alarm["seen"] = t
        alarm["peak"] = (min if name in BELOW else max)(alarm["peak"], value)
        if not alarm["raised"]:
            if not there:
                del fan.alarms[name]
            elif t >= alarm["timer"] + on_delay:
                alarm["raised"] = True
                self._tell("raised", name, t, alarm["since"], value, setpoint, alarm["peak"])
        elif not gone:
            alarm["going"] = False
        else:
            if not alarm["going"]:
                alarm.update(going=True, timer=t)
            if t >= alarm["timer"] + off_delay:
                self._tell("cleared", name, t, alarm["since"], value, setpoint, alarm["peak"])
                del fan.alarms[name]

    def _hotter(self, fan: Fan, plate: Plate, now: Moment, value: float) -> None:
        if not now.has_amps or not fan.stands("overload") or fan.heat is None or fan.heat["motor"] < 1:
            return
        alarm = fan.alarms["overload"]
        if not alarm["hot"]:
            alarm["hot"] = True
            self._tell("hotter", "overload", now.t, alarm["since"], value, plate.rows["overload"][0], alarm["peak"])

    def _tell(self, what: str, name: str | None, at: float, since: float, value: float, against: float, peak: float,
              gap: float = 0.0, ending: Ending | None = None) -> None:  # fmt: skip
        self.changes.append((*self._at, what, name, at, since, value, against, peak, gap, ending))

    def _judged(self, fan: Fan, plate: Plate, now: Moment) -> tuple[float | int, ...]:
        heat = fan.heat or {"motor": NAN, "device": NAN}
        to_trip = NAN
        if plate.device_known and now.has_amps:
            if not now.running:
                to_trip = math.inf
            elif not math.isnan(now.judged):
                x = now.judged / (plate.trip_ratio * plate.setting)
                to_trip = seconds_to_trip(heat["device"], x, plate.device_tau)
        assumed = now.t - fan.assumed_at
        flags = now.flags + DEVICE_ASSUMED * (assumed < 3000 * plate.device_tau)
        flags += MOTOR_ASSUMED * (assumed < 3000 * 1800)
        return (
            now.highest, now.limit, now.highest / now.limit, now.unbalance, heat["motor"],
            heat["device"] if plate.device_known else NAN, to_trip, flags,
        )  # fmt: skip


def _period(fan: Fan, plate: Plate, now: Moment) -> None:
    """How long a reading may stand for: three periods."""
    if plate.period is None and len(fan.intervals) < 9 and now.t > fan.last:
        fan.intervals.append(now.t - fan.last)
    learned = median(fan.intervals) if len(fan.intervals) == 9 else MINUTE
    fan.period = learned if plate.period is None else plate.period
    now.stands = 3 * fan.period
    now.flags = AFTER_GAP if now.t - fan.last > now.stands else 0
    fan.last = now.t


def _voltage(fan: Fan, plate: Plate, now: Moment) -> None:
    """Voltage, smoothed; a lost line starts it anew. Then the limit it leaves."""
    lines, t = known(now.volts), now.t
    if lines:
        if min(lines) < 0.5 * plate.rated:
            fan.lines = [NAN] * 3
        else:
            weight = math.exp(-(t - fan.lines_at) / MINUTE) if fan.lines_at == fan.lines_at else 0.0
            fan.lines = [v if math.isnan(old) else v + (old - v) * weight
                         for v, old in zip(now.volts, fan.lines, strict=True)]  # fmt: skip
            now.fresh = plate.phases == 3 and len(lines) == 3
        fan.lines_at = t
    if now.fresh:
        fan.unbalance, fan.unbalance_at = unbalance_of(*fan.lines), t
    if plate.phases == 3:
        age = t - fan.unbalance_at
        if age <= DAY or (age > DAY and fan.stands("overload")):
            now.unbalance = fan.unbalance
            now.flags |= UNBALANCE_OLD if age > now.stands else 0
        else:
            now.flags |= UNBALANCE_UNKNOWN
    now.limit = plate.limit * derate(now.unbalance)


def _share(now: Moment, plate: Plate) -> float:
    """Mean of the lines as measured [% of rated]."""
    return 100 * mean(known(now.volts)) / plate.rated


def _no_load(fan: Fan, plate: Plate, now: Moment) -> float:
    """Active amps against their own mean [%], and that mean carried on."""
    legs, lines = known(now.legs), known(fan.lines)
    v = mean(lines) / plate.rated if lines and now.t - fan.lines_at <= now.stands else 1.0
    whole, idle = mean(legs), plate.magnetising * v
    active = math.sqrt(max(whole * whole - idle * idle, 0.0))
    percent = NAN
    if math.isnan(fan.active_mean):
        fan.active_mean = active
    else:
        if fan.active_s >= 7200 and fan.active_mean > 0.46 * plate.magnetising:
            percent = 100 * active / fan.active_mean
        fan.active_mean += (active - fan.active_mean) * (1 - math.exp(-now.stood / 86_400))
    fan.active_s += now.stood
    return percent
