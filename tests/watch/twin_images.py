"""The twin's thermal images: what loads them between two readings, and for how long."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.motor.thermal import heated

LONG, START = 600.0, 5.0
"""A gap of more than ten minutes is followed and not bridged; a start counts five seconds [s]."""


@dataclass(frozen=True)
class Burden:
    """What the images see from one row with amps on."""

    squares: dict[str, float] = field(default_factory=lambda: {"motor": math.nan, "device": math.nan})
    """x^2 of each image; 0 when stopped."""
    running: bool = False
    inrush: bool = False


STILL = Burden({"motor": 0.0, "device": 0.0})


def burden(x: dict[str, float], running: bool, inrush: bool, before: Burden) -> Burden:
    """What this row puts on them; where its amps are not to be judged, what the row before did."""
    if not running:
        return STILL
    if math.isnan(x["motor"]):
        return Burden(before.squares, running=True)
    return Burden({name: one * one for name, one in x.items()}, True, inrush)


def steps(before: Burden, now: Burden, dt: float, stands: float) -> list[tuple[float, list[Burden]]]:
    """Seconds, and what weighed on the images in them (of two: the mean)."""
    if dt > max(stands, LONG):
        first = Burden(now.squares, running=True) if before.inrush else before
        return [(LONG, [first]), (dt - LONG, [before if now.inrush else now])]
    if not before.running or not now.running:
        return [(dt, [STILL])]
    if dt > stands:
        if before.inrush == now.inrush:
            return [(dt, [before, now])]
        return [(dt, [now if before.inrush else before])]
    if before.inrush and not now.inrush:
        held = min(dt, START)
        return [(held, [before]), (dt - held, [now])] if dt > held else [(held, [before])]
    return [(dt, [before])]


def tau(image: str, running: bool, device_tau: float) -> float:
    """Time constant [s]."""
    if image == "device":
        return device_tau
    return 1800.0 if running else 5400.0


def carried_on(
    heat: dict[str, float], before: Burden, now: Burden, dt: float, stands: float, device_tau: float
) -> dict[str, float]:
    """Both images after dt seconds."""
    after = dict(heat)
    for seconds, loads in steps(before, now, dt, stands):
        for image in after:
            square = loads[0].squares[image]
            if len(loads) == 2:
                square = (square + loads[1].squares[image]) / 2
            after[image] = heated(after[image], square, seconds, tau(image, loads[0].running, device_tau))
    return after


def before_cooling(heat: dict[str, float], last: Burden, period: float, device_tau: float) -> float:
    """The device's image one period past the last running row [s]."""
    return heated(heat["device"], last.squares["device"], min(period, START) if last.inrush else period, device_tau)
