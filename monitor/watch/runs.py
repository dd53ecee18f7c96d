"""Where runs begin and end, and what the readings tell of how one ended."""

from __future__ import annotations

import math

from monitor.motor.compiled import compiled_loop, inlined
from monitor.watch import layout as at
from monitor.watch.columns import Floats, Ints
from monitor.watch.images import INRUSH_TIMES, image_after
from monitor.watch.legs import mean_known
from monitor.watch.lookback import carried, forget_proven, started
from monitor.watch.notes import ENDING, note
from monitor.watch.volts import LOST_SHARE

TRIP_LIKELY = 1.1025
"""1.05 squared: with less in its image no device opens."""
NEW_HIGH = 1.01
"""An image that much above all that was carried is a new high."""


@compiled_loop
def _end_run(
    state: Floats, limits: Floats, t: float, seen: float, volts_percent: float, called: float,
    ints: Ints, floats: Floats, count: int, row: int, fan: int,
) -> int:  # fmt: skip
    """The run is over; what speaks for how it ended is told with it. Returns the new count of changes.

    A device that opened has proven nothing any more: what it carried before is no measure of what it will carry.
    """
    period_s = state[at.PERIOD_MS] / 1000.0
    ratio2 = limits[at.TRIP_RATIO] * limits[at.TRIP_RATIO]
    h1 = ratio2 * image_after(state, limits, period_s)
    most, compared_s = carried(state, state[at.RUN_LAST_MS])
    floats[count, ENDING + 0] = t
    floats[count, ENDING + 1] = h1
    floats[count, ENDING + 2] = most
    floats[count, ENDING + 3] = compared_s
    floats[count, ENDING + 4] = state[at.RUN_LAST_AMPS]
    floats[count, ENDING + 5] = 1.0 if state[at.LOST_MS] == state[at.RUN_LAST_MS] else 0.0
    floats[count, ENDING + 6] = volts_percent
    floats[count, ENDING + 7] = called
    floats[count, ENDING + 8] = period_s
    floats[count, ENDING + 9] = limits[at.DEVICE_KNOWN]
    floats[count, ENDING + 10] = limits[at.FULL_LOAD_AMPS]
    floats[count, ENDING + 11] = seen
    if (
        limits[at.DEVICE_KNOWN] == 1.0 and seen == 1.0 and h1 >= TRIP_LIKELY and not h1 < NEW_HIGH * most
        and called != 0.0 and not volts_percent < 100.0 * LOST_SHARE
    ):  # fmt: skip
        forget_proven(state)
    return int(
        note(
            ints, floats, count, row, fan, at.RUN_ENDED, -1, state[at.RUN_LAST_MS], state[at.RUN_START_MS],
            state[at.RUN_PEAK_RATIO], seen, state[at.RUN_PEAK_AMPS], state[at.RUN_GAP_MS],
        )
    )  # fmt: skip


@compiled_loop
def end_with_its_motor(state: Floats, t: float, ints: Ints, floats: Floats, count: int, row: int, fan: int) -> int:
    """The motor was changed: nobody saw how its last run ended, and its limits are gone."""
    floats[count, ENDING:] = math.nan
    floats[count, ENDING + 0] = t
    floats[count, ENDING + 3] = 0.0
    floats[count, ENDING + 4] = state[at.RUN_LAST_AMPS]
    floats[count, ENDING + 5] = 1.0 if state[at.LOST_MS] == state[at.RUN_LAST_MS] else 0.0
    floats[count, ENDING + 8] = state[at.PERIOD_MS] / 1000.0
    floats[count, ENDING + 9] = 0.0
    floats[count, ENDING + 11] = 0.0
    return int(
        note(
            ints, floats, count, row, fan, at.RUN_ENDED, -1, state[at.RUN_LAST_MS], state[at.RUN_START_MS],
            state[at.RUN_PEAK_RATIO], 0.0, state[at.RUN_PEAK_AMPS], state[at.RUN_GAP_MS],
        )
    )  # fmt: skip


@inlined
def start_or_end_run(
    state: Floats, limits: Floats, t: float, standing_ms: float, highest: float, v12: float, v23: float, v31: float,
    called: float, ints: Ints, floats: Floats, count: int, row: int, fan: int,
) -> int:  # fmt: skip
    """Carries the run on by one reading with usable amps and returns the new count of changes."""
    unseen = t - state[at.AMPS_MS] - standing_ms  # NaN for the first reading: no comparison below is then true
    before = state[at.RUNNING]
    if highest > limits[at.RUNNING_ABOVE]:
        if before == 1.0:
            if unseen > 0.0:
                state[at.RUN_GAP_MS] += unseen
            if state[at.HIGH_COUNT] > 0.0:
                state[at.HIGH_COUNT] += 1.0
        else:
            seen = 1.0 if before == 0.0 and not unseen > 0.0 else 0.0
            state[at.RUNNING] = 1.0
            state[at.RUN_START_MS] = t
            state[at.RUN_START_SEEN] = seen
            state[at.RUN_ENDED_MS] = math.nan
            state[at.RUN_PEAK_AMPS] = math.nan
            state[at.RUN_PEAK_RATIO] = math.nan
            state[at.RUN_GAP_MS] = 0.0
            state[at.HIGH_COUNT] = 0.0
            if before == 0.0:
                state[at.HIGH_COUNT] = 1.0
                started(state, t)
            count = note(ints, floats, count, row, fan, at.RUN_STARTED, -1, t, t, math.nan, seen, math.nan, 0.0)
        if highest <= INRUSH_TIMES * limits[at.FULL_LOAD_AMPS]:
            state[at.HIGH_COUNT] = 0.0
        state[at.RUN_LAST_MS] = t
        state[at.RUN_LAST_AMPS] = highest
    else:
        if before == 1.0:
            volts_percent = 100.0 * mean_known(v12, v23, v31) / limits[at.RATED_VOLTS]
            state[at.RUN_ENDED_MS] = t
            seen = 0.0 if unseen > 0.0 else 1.0
            count = _end_run(state, limits, t, seen, volts_percent, called, ints, floats, count, row, fan)
        state[at.RUNNING] = 0.0
        state[at.HIGH_COUNT] = 0.0
    return count
