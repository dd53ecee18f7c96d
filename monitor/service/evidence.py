"""What the end of a run is judged from: one place for an end that is seen live and for one that is found in a gap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.service.plant import Plant, Point
from monitor.service.supplies import group_of
from monitor.watch import ends, layout
from monitor.watch.columns import Ending
from monitor.watch.sisters import DEFAULT_PERIOD_SECONDS, Sister, Stretch, sister_at, together_ms, wait_seconds


@dataclass(frozen=True)
class Due:
    """When the verdict on an end is due, and what is the same time for its supply."""

    ending: Ending
    wait_seconds: float
    """From the first stopped reading ..."""
    due_ms: float
    """... to the verdict [event time]."""
    apart_ms: float
    """Fans whose first stopped readings lie no further apart fell together."""
    longest_period_seconds: float


def due(plant: Plant, ending: Ending, others: Sequence[Point]) -> Due:
    """By the periods of all loggers of the supply.

    Parameters
    ----------
    others : the other fans of its supply that are asked
    """
    periods = [ending.period_seconds, *(_period_seconds(plant, other) for other in others)]
    wait = wait_seconds(periods)
    return Due(ending, wait, ending.stop_ms + 1000.0 * wait, together_ms(periods), max(periods))


def _period_seconds(plant: Plant, point: Point) -> float:
    period = plant.period_ms_of(point)
    return DEFAULT_PERIOD_SECONDS if math.isnan(period) else period / 1000.0


def is_continuous(plant: Plant, point: Point, t_ms: float) -> bool:
    """Whether a fan was run continuously: its stops are not planned."""
    return plant.version_at(point, t_ms).nameplate.fan.control == "continuous"


def volts_at_end(
    plant: Plant, point: Point, ending: Ending, t_ms: NDArray[Any], volts: NDArray[np.float64],
    flags: NDArray[np.int32],
) -> float:  # fmt: skip
    """The greatest line [% of rated], the lowest from the first stopped reading until one longer period later.

    Parameters
    ----------
    t_ms, volts, flags : readings of the fan, shape (n,), (n, 3) and (n,); flags as the watch judged them

    Returns
    -------
    NaN where none of these readings shows it
    """
    stop_ms = ending.stop_ms
    here = (flags & layout.IS_RUNNING) == 0
    here &= (t_ms >= stop_ms) & (t_ms <= stop_ms + _longer_period_ms(plant, point, ending))
    here &= ~np.isnan(volts).all(axis=1)
    if not here.any():
        return math.nan
    rated = plant.version_at(point, stop_ms).nameplate.motor.rated_voltage
    return 100.0 * float(np.nanmax(volts[here], axis=1).min()) / rated


def _longer_period_ms(plant: Plant, point: Point, ending: Ending) -> float:
    """Of its own logger and that of its supply point."""
    _, supply = group_of(plant, point, ending.stop_ms)
    panel = plant.by_name.get((point.site, supply)) if supply else None
    theirs = math.nan if panel is None else plant.period_ms_of(panel)
    own_ms = 1000.0 * ending.period_seconds
    return own_ms if math.isnan(theirs) else max(own_ms, theirs)


def own(
    plant: Plant, point: Point, ending: Ending, *, volts_percent: float, run_seconds: float, restart_ms: float | None,
    resets: int = 0,
) -> ends.Own:  # fmt: skip
    """What is known of the fan itself.

    Parameters
    ----------
    restart_ms : when it ran again, if by the time the verdict is due
    """
    setting_amps, error_share = ends.device_of(plant.version_at(point, ending.stop_ms).nameplate)
    should_run = ending.called != 0.0 and (ending.called == 1.0 or is_continuous(plant, point, ending.stop_ms))
    by_plan = ends.ends_by_plan(plant.version_at(point, ending.stop_ms).nameplate.fan.control, ending.called)
    return ends.Own(volts_percent, run_seconds, restart_ms, should_run, setting_amps, error_share, resets, by_plan)


def sister(plant: Plant, other: Point, runs: Sequence[Stretch], when: Due) -> Sister:
    """Another fan of the supply as it was when the verdict is due.

    Parameters
    ----------
    runs : its runs that touch the last minutes before the end, in order of time
    """
    return sister_at(
        other.name, _period_seconds(plant, other), runs,
        stop_ms=when.ending.stop_ms, due_ms=when.due_ms, apart_ms=when.apart_ms,
        continuous=is_continuous(plant, other, when.ending.stop_ms),
    )  # fmt: skip
