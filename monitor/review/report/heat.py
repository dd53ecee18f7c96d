"""Both bounds of the thermal images: when a fan stopped between two readings, it may have heated until the second.

The watch lets an image cool from the last running reading on. The other bound heats until the first stopped reading.
What lies between them after a stop fades with the image's own time constant (the image is linear in its squared
current), so it is added to what the watch found.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from monitor.motor.nameplate import Nameplate
from monitor.motor.thermal import (
    DEFAULT_TRIP_CLASS,
    MOTOR_PICK_UP,
    MOTOR_STOPPED_TIMES,
    MOTOR_TAU_SECONDS,
    device_tau_seconds,
    heated,
)
from monitor.review.findings import Findings
from monitor.watch.layout import IS_RUNNING

Floats = NDArray[np.float64]

LONGEST_STEP_SECONDS = 600.0
"""A gap longer than this says nothing of what was in it."""


@dataclass(frozen=True)
class Image:
    """One thermal image over the log, 1 = trip level."""

    low: Floats
    """Cooled from the last running reading of each run on: as the watch has it. NaN: not known. Shape (n,)."""
    high: Floats
    """Heated until the first stopped reading. Shape (n,)."""

    @property
    def known(self) -> bool:
        """Whether anything of it is known."""
        return bool(np.isfinite(self.low).any())


def motor_image(findings: Findings) -> Image:
    """The motor's image against its limit."""
    judged = findings.judged
    x = judged.highest / (MOTOR_PICK_UP * judged.limit)
    return _bounds(findings, judged.motor_heat, x, MOTOR_TAU_SECONDS, MOTOR_TAU_SECONDS * MOTOR_STOPPED_TIMES)


def device_image(findings: Findings) -> Image:
    """The image of the overload device; all NaN where no setting is registered."""
    judged, protection = findings.judged, findings.nameplate.protection
    if protection.setting_amps is None:
        nothing = np.full(len(judged.highest), np.nan)
        return Image(nothing, nothing)
    tau = device_seconds(findings.nameplate)
    return _bounds(
        findings, judged.device_heat, judged.highest / (protection.trip_ratio * protection.setting_amps), tau, tau
    )


def device_seconds(nameplate: Nameplate) -> float:
    """Time constant of the overload device [s]."""
    protection = nameplate.protection
    return device_tau_seconds(protection.trip_class or DEFAULT_TRIP_CLASS, protection.trip_ratio)


def _bounds(findings: Findings, low: Floats, x: Floats, tau_running: float, tau_stopped: float) -> Image:
    t = findings.log.t_ms / 1000.0
    running = (findings.judged.flags & IS_RUNNING) > 0
    extra = np.zeros(len(low))
    changes = np.flatnonzero(np.diff(running.astype(np.int8))) + 1
    for first, after in pairwise([*changes, len(low)]):
        stopped = not running[first]
        more = extra[first - 1]  # what lies between the bounds when this stretch begins
        step = float(t[first] - t[first - 1])
        if stopped:
            kept = more * np.exp(-step / tau_running)
            before, squared = float(low[first - 1]), float(x[first - 1]) ** 2
            if step <= LONGEST_STEP_SECONDS and np.isfinite(before) and np.isfinite(squared):
                cooled = heated(before, 0.0, step, tau_stopped)
                more = max(heated(before, squared, step, tau_running) - cooled, 0.0) + kept
            else:
                more = kept
        else:
            more = more * np.exp(-step / tau_stopped)
        tau = tau_stopped if stopped else tau_running
        extra[first:after] = more * np.exp(-(t[first:after] - t[first]) / tau)
    return Image(low, low + extra)
