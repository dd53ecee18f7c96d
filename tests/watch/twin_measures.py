"""What each row of the twin's table compares, at one reading; NaN: not known."""

from __future__ import annotations

import math

from monitor.motor.thermal import seconds_to_trip
from monitor.motor.unbalance import unbalance_of
from tests.watch.twin_fan import NAN, Fan, Moment, Plate, known, mean
from tests.watch.twin_looking_back import added

IN_A_DAY = 1440.0
"""Minutes: said of what will not trip."""
AT_REST = {"phase-lost": 100.0, "trip-near": IN_A_DAY, "overload": 0.0, "device-margin": 0.0, "low-margin": 0.0,
           "voltage-unbalance-severe": 0.0, "voltage-unbalance": 0.0, "voltage-low": 100.0, "voltage-high": 100.0,
           "slow-start": 0.0, "logger-suspect": 0.0, "leg-spread": 0.0, "no-load": 100.0}  # fmt: skip
"""What is measured of a fan that stands still."""


def measures(fan: Fan, plate: Plate, now: Moment, no_load: float) -> dict[str, float]:
    """Id of a condition -> what is measured. A lost phase is marked in the fan and the moment."""
    lines = known(now.volts)
    found = {"supply-lost": 100.0 if now.running else 100 * max(lines, default=NAN) / plate.rated}
    if not now.has_amps:
        return found
    found["many-starts"] = float(len([one for one in fan.starts if one > now.t - 3_600_000]))
    found["stopped"] = 0.0 if now.running else _stands_though_it_should_run(fan, plate, now)
    if not now.running:
        return found | AT_REST
    if now.settled:
        found["phase-lost"] = _phase_lost(fan, plate, now)
        found["trip-near"] = _minutes_to_trip(fan, plate, now)
        found["overload"] = found["low-margin"] = now.judged / now.limit
        found["device-margin"] = _device_margin(fan, plate, now)
        found["voltage-unbalance"] = found["voltage-unbalance-severe"] = now.unbalance if now.fresh else NAN
        v = mean(known(fan.lines)) / plate.rated
        found["voltage-low"] = found["voltage-high"] = 100 * v if lines else NAN
        found["leg-spread"] = _leg_spread(plate, now)
        found["no-load"] = no_load
    high = fan.high > 0 and (now.into > 10_000 if fan.period <= 5_000 else fan.high >= 2)
    found["slow-start"] = float(high)
    found["logger-suspect"] = float(_doubt(fan, plate, now))
    return found


def _stands_though_it_should_run(fan: Fan, plate: Plate, now: Moment) -> float:
    called = fan.called_in_force(now.t, now.stands)
    if not math.isnan(called):
        return called
    return float(plate.continuous and not math.isnan(fan.ended_at))


def _least_leg(legs: tuple[float, ...]) -> tuple[float, float, list[int]]:
    """Its share of the mean of the others [%], that mean, and which legs the others are."""
    low = min(legs)
    others = (added(legs) - low) / 2
    return 100 * low / others, others, [number for number in range(3) if number != legs.index(low)]


def _mean_before(fan: Fan, now: Moment, legs: list[int]) -> float:
    five = fan.slots.five_at(now.t, now.stands)
    return (five[legs[0]] + five[legs[1]]) / 2


def _phase_lost(fan: Fan, plate: Plate, now: Moment) -> float:
    if plate.phases != 3 or len(known(now.legs)) < 3:
        return NAN
    share, others, which = _least_leg(now.legs)
    if not (fan.stands("phase-lost") or others >= 1.3 * _mean_before(fan, now, which)):
        return 100.0
    if share <= 10:
        fan.lost_at, now.lost = now.t, True
    return share


def _minutes_to_trip(fan: Fan, plate: Plate, now: Moment) -> float:
    if not plate.device_known or math.isnan(now.judged) or fan.heat is None:
        return NAN
    x, h = now.judged / (plate.trip_ratio * plate.setting), fan.heat["device"]
    if x < 0.98:
        return IN_A_DAY
    if x <= 1:
        return 12.5
    return min(seconds_to_trip(h, x, plate.device_tau) / 60, IN_A_DAY)


def _device_margin(fan: Fan, plate: Plate, now: Moment) -> float:
    if not plate.device_known:
        return NAN
    proven = fan.proven.amps_proven
    return now.judged / (plate.setting if math.isnan(proven) else max(plate.setting, proven * 1.005 / 1.05))


def _leg_spread(plate: Plate, now: Moment) -> float:
    if plate.phases != 3 or len(known(now.legs)) < 3 or not mean(list(now.legs)) >= 0.5 * plate.full_load:
        return NAN
    spread = unbalance_of(*now.legs)
    return 0.0 if spread <= 10 * now.unbalance else spread


def _doubt(fan: Fan, plate: Plate, now: Moment) -> int:
    off = goes_on = False
    if plate.phases == 3 and len(known(now.own)) == 3 and now.settled:
        share, others, which = _least_leg(now.own)
        before = _mean_before(fan, now, which)
        off = share <= 10 and 0.85 * before <= others <= 1.15 * before
        on_record = fan.stands("logger-suspect") and fan.alarms["logger-suspect"]["peak"] == 4
        goes_on = share <= 10 and on_record and not now.lost
    return fan.doubts.read(now.t, now.own, now.volts, plate.rated, plate.phases, off, goes_on)
