"""The watch itself: one compiled pass over a batch of readings.

The same code judges forty readings live and a season of eight million in review. It is plain arithmetic on rows of
numbers: no clock, no allocation, nothing that depends on how the readings are cut into batches. Every figure that a fan
carries from one reading to the next stands in its row of the state (`layout.py`).

The rules, all in event time (the reading's own):

* A reading stands until the next one, but not longer than three periods; what is beyond that counts for no delay.
* Running is a highest leg above 15 % of full-load amps. The first 10 s of a run are not judged (inrush).
* A delay has run when a confirming reading arrives at or after its end; holding a reading forward never completes one.
* A measure that is not known (no amps, no volts) neither raises nor clears anything.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.motor.compiled import compiled_loop, inlined
from monitor.motor.limit import derate
from monitor.motor.unbalance import unbalance_of
from monitor.watch import layout as at
from monitor.watch.columns import Floats, Ints
from monitor.watch.table import KERNEL_CONDITIONS

SMOOTHING_MS = 60_000.0
"""Time constant of the smoothed voltages."""
LOST_SHARE = 0.5
"""A line under this share of rated voltage is lost: the smoothing starts anew after it."""
UNJUDGED_MS = 10_000.0
"""The first part of a run: inrush."""
SETTLED_MS = 60_000.0
"""From here on a run says something about the blades."""
UNBALANCE_HELD_MS = 86_400_000.0
"""How long a derating factor is held when the voltage is no longer measured."""
UNKNOWN_PERIOD_MS = 60_000.0
"""The period taken until one is given or learned."""
PERIODS_STANDING = 3.0
"""A reading stands for so many periods at most."""

LOAD_RATIO, VOLTAGE_UNBALANCE, RUN_HAS_ENDED = 0, 1, 2
_MEASURES = {"load_ratio": LOAD_RATIO, "voltage_unbalance": VOLTAGE_UNBALANCE, "run_ended": RUN_HAS_ENDED}
_MEASURE_OF = np.array([_MEASURES[row.measure] for row in KERNEL_CONDITIONS], np.int64)
_IDS = [row.id for row in KERNEL_CONDITIONS]
# For each condition the bits of those that keep it from standing. They come earlier in the table, so they are worked
# before it at each reading.
_SUPPRESSED_BY = np.array(
    [sum(1 << _IDS.index(other) for other in row.not_while) for row in KERNEL_CONDITIONS], np.int64
)
_COUNT = len(KERNEL_CONDITIONS)

MOST_CHANGES_A_ROW = 2 * _COUNT + 3
"""A new motor can end every condition and the run, and the same reading can begin a run."""

OVERLOAD = _IDS.index("overload")
CHANGE_INTS, CHANGE_FLOATS = 4, 6


@inlined
def _note(
    ints: Ints, floats: Floats, count: int, row: int, fan: int, what: int, condition: int,
    when: float, since: float, value: float, setpoint: float, peak: float, gap: float,
) -> int:  # fmt: skip
    """Writes one change and returns the new count."""
    ints[count, 0] = row
    ints[count, 1] = fan
    ints[count, 2] = what
    ints[count, 3] = condition
    floats[count, 0] = when
    floats[count, 1] = since
    floats[count, 2] = value
    floats[count, 3] = setpoint
    floats[count, 4] = peak
    floats[count, 5] = gap
    return count + 1


@inlined
def _begin(state: Floats, epoch: float) -> None:
    """A fan never seen, or one with a new motor."""
    state[:] = math.nan
    state[at.EPOCH] = epoch
    state[at.INTERVALS] = 0.0
    state[at.RUNNING] = -1.0
    for condition in range(_COUNT):
        state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE] = at.NORMAL


@inlined
def _learn_period(state: Floats, given_ms: float, interval_ms: float) -> float:
    """The period in use: given, else the median of the first nine intervals, else 60 s."""
    if not math.isnan(given_ms):
        state[at.PERIOD_MS] = given_ms
        return given_ms
    known = int(state[at.INTERVALS])
    if known < at.LEARNED_INTERVALS:
        if not math.isnan(interval_ms):
            # kept sorted, so that the median is simply the middle one
            place = at.FIRST_INTERVAL + known
            while place > at.FIRST_INTERVAL and state[place - 1] > interval_ms:
                state[place] = state[place - 1]
                place -= 1
            state[place] = interval_ms
            known += 1
            state[at.INTERVALS] = known
        if known < at.LEARNED_INTERVALS:
            state[at.PERIOD_MS] = UNKNOWN_PERIOD_MS
            return UNKNOWN_PERIOD_MS
    period = float(state[at.FIRST_INTERVAL + at.LEARNED_INTERVALS // 2])
    state[at.PERIOD_MS] = period
    return period


@inlined
def _smooth_volts(state: Floats, limits: Floats, t: float, volts: Floats, row: int) -> bool:
    """Carries the smoothed voltages on; true when this row gives a voltage unbalance."""
    lost = False
    known = 0
    for line in range(3):
        if not math.isnan(volts[row, line]):
            known += 1
            if volts[row, line] < LOST_SHARE * limits[at.RATED_VOLTS]:
                lost = True
    if known == 0:
        return False
    if lost:
        state[at.V12] = math.nan
        state[at.V23] = math.nan
        state[at.V31] = math.nan
        state[at.VOLTS_MS] = t
        return False
    keep = 0.0
    if not math.isnan(state[at.VOLTS_MS]):
        keep = math.exp(-(t - state[at.VOLTS_MS]) / SMOOTHING_MS)
    for line in range(3):
        volt = volts[row, line]
        if not math.isnan(volt):
            before = state[at.V12 + line]
            state[at.V12 + line] = volt if math.isnan(before) else volt + (before - volt) * keep
        else:
            state[at.V12 + line] = math.nan  # an old value must not weigh as if it were fresh when the line comes back
    state[at.VOLTS_MS] = t
    if known < 3 or limits[at.PHASES] != 3.0:
        return False
    state[at.UNBALANCE] = unbalance_of(state[at.V12], state[at.V23], state[at.V31])
    state[at.UNBALANCE_MS] = t
    return True


@inlined
def _condition(
    state: Floats, limits: Floats, condition: int, standing: int, t: float, standing_ms: float, value: float,
    ints: Ints, floats: Floats, count: int, row: int, fan: int,
) -> int:  # fmt: skip
    """Carries one condition on by one reading and returns the new count of changes.

    standing : bits of the conditions worked before this one that stand now
    """
    mine = at.FIRST_CONDITION + condition * at.CONDITION_FIELDS
    its = at.FIRST_LIMIT + condition * at.LIMIT_FIELDS
    if limits[its + at.IN_USE] == 0.0 or standing & _SUPPRESSED_BY[condition]:
        if state[mine + at.PHASE] >= at.STANDING:
            count = _note(
                ints, floats, count, row, fan, at.SUPERSEDED, condition, t, state[mine + at.ONSET_MS], value,
                limits[its + at.SETPOINT], state[mine + at.PEAK], 0.0,
            )  # fmt: skip
        state[mine + at.PHASE] = at.NORMAL
        return count
    if math.isnan(value):
        return count
    setpoint = limits[its + at.SETPOINT]
    phase = state[mine + at.PHASE]
    if phase == at.NORMAL:
        if value < setpoint:
            return count  # nearly always: nothing to be carried on
        phase = at.ON_DELAY
        state[mine + at.ONSET_MS] = t
        state[mine + at.TIMER_MS] = t
        state[mine + at.PEAK] = value
    else:
        if phase != at.STANDING:
            unseen = t - state[mine + at.SEEN_MS] - standing_ms
            if unseen > 0.0:
                state[mine + at.TIMER_MS] += unseen
        if value > state[mine + at.PEAK]:
            state[mine + at.PEAK] = value
    state[mine + at.SEEN_MS] = t

    if phase == at.ON_DELAY:
        if value < setpoint:
            phase = at.NORMAL
        elif t >= state[mine + at.TIMER_MS] + limits[its + at.ON_DELAY_MS]:
            phase = at.STANDING
            count = _note(
                ints, floats, count, row, fan, at.RAISED, condition, t, state[mine + at.ONSET_MS], value, setpoint,
                state[mine + at.PEAK], 0.0,
            )  # fmt: skip
    elif value >= limits[its + at.CLEARS_BELOW]:
        phase = at.STANDING
    else:
        if phase == at.STANDING:
            phase = at.OFF_DELAY
            state[mine + at.TIMER_MS] = t
        if t >= state[mine + at.TIMER_MS] + limits[its + at.OFF_DELAY_MS]:
            phase = at.NORMAL
            count = _note(
                ints, floats, count, row, fan, at.CLEARED, condition, t, state[mine + at.ONSET_MS], value, setpoint,
                state[mine + at.PEAK], 0.0,
            )  # fmt: skip
    state[mine + at.PHASE] = phase
    return count


@inlined
def _end_run(
    state: Floats, seen: float, ints: Ints, floats: Floats, count: int, row: int, fan: int
) -> int:  # fmt: skip
    return _note(
        ints, floats, count, row, fan, at.RUN_ENDED, -1, state[at.RUN_LAST_MS], state[at.RUN_START_MS],
        state[at.RUN_PEAK_RATIO], seen, state[at.RUN_PEAK_AMPS], state[at.RUN_GAP_MS],
    )  # fmt: skip


@inlined
def _start_or_end_run(
    state: Floats, limits: Floats, t: float, standing_ms: float, highest: float,
    ints: Ints, floats: Floats, count: int, row: int, fan: int,
) -> int:  # fmt: skip
    """Carries the run on by one reading with usable amps and returns the new count of changes."""
    unseen = t - state[at.AMPS_MS] - standing_ms  # NaN for the first reading: no comparison below is then true
    before = state[at.RUNNING]
    if highest > limits[at.RUNNING_ABOVE]:
        if before == 1.0:
            if unseen > 0.0:
                state[at.RUN_GAP_MS] += unseen
        else:
            seen = 1.0 if before == 0.0 and not unseen > 0.0 else 0.0
            state[at.RUNNING] = 1.0
            state[at.RUN_START_MS] = t
            state[at.RUN_START_SEEN] = seen
            state[at.RUN_ENDED_MS] = math.nan
            state[at.RUN_PEAK_AMPS] = math.nan
            state[at.RUN_PEAK_RATIO] = math.nan
            state[at.RUN_GAP_MS] = 0.0
            count = _note(ints, floats, count, row, fan, at.RUN_STARTED, -1, t, t, math.nan, seen, math.nan, 0.0)
        state[at.RUN_LAST_MS] = t
    else:
        if before == 1.0:
            state[at.RUN_ENDED_MS] = t
            count = _end_run(state, 0.0 if unseen > 0.0 else 1.0, ints, floats, count, row, fan)
        state[at.RUNNING] = 0.0
    state[at.AMPS_MS] = t
    return count


@inlined
def _highest(amps: Floats, row: int) -> float:
    """Highest usable leg; NaN when there is none."""
    highest = math.nan
    for leg in range(3):
        if not math.isnan(amps[row, leg]) and not amps[row, leg] <= highest:
            highest = float(amps[row, leg])
    return highest


@compiled_loop
def pass_over(
    states: Floats, limits_table: Floats, fans: Ints, times: Floats, amps: Floats, volts: Floats, limits_of: Ints,
    judged: Floats, flags: Ints, ints: Ints, floats: Floats,
) -> tuple[int, int]:  # fmt: skip
    """Judges rows in order and changes `states` in place.

    Parameters
    ----------
    states : (fans, STATE_FIELDS)
    limits_table : (versions, LIMITS_FIELDS)
    fans, limits_of : (n,) int32; times : (n,) [ms]; amps, volts : (n, 3)
    judged : (n, 4) written: highest leg, limit, load ratio, unbalance
    flags : (n,) int32 written
    ints, floats : (m, 4) int32 and (m, 6) written: the changes

    Returns
    -------
    rows consumed (fewer than n when the room for changes ran out: call again with the rest), changes written
    """
    rows = times.shape[0]
    room = ints.shape[0] - MOST_CHANGES_A_ROW
    count = 0
    for row in range(rows):
        if count > room:
            return row, count
        fan = fans[row]
        state = states[fan]
        limits = limits_table[limits_of[row]]
        t = times[row]
        if t <= state[at.LAST_MS]:
            flags[row] = at.NOT_FED
            judged[row, :] = math.nan
            continue  # before all else: a late row of another motor must not make the fan begin anew
        if state[at.EPOCH] != limits[at.LIMIT_EPOCH]:
            if state[at.RUNNING] == 1.0:
                count = _end_run(state, 0.0, ints, floats, count, row, fan)
            for condition in range(_COUNT):
                mine = at.FIRST_CONDITION + condition * at.CONDITION_FIELDS
                if state[mine + at.PHASE] >= at.STANDING:
                    count = _note(
                        ints, floats, count, row, fan, at.SUPERSEDED, condition, t, state[mine + at.ONSET_MS],
                        math.nan, math.nan, state[mine + at.PEAK], 0.0,
                    )  # fmt: skip
            _begin(state, limits[at.LIMIT_EPOCH])
        interval = t - state[at.LAST_MS]
        standing_ms = PERIODS_STANDING * _learn_period(state, limits[at.GIVEN_PERIOD_MS], interval)
        flag = at.AFTER_GAP if interval > standing_ms else 0
        state[at.LAST_MS] = t

        measured = _smooth_volts(state, limits, t, volts, row)
        unbalance = math.nan
        if not math.isnan(state[at.UNBALANCE_MS]) and limits[at.PHASES] == 3.0:
            age = t - state[at.UNBALANCE_MS]
            overloaded = state[at.FIRST_CONDITION + OVERLOAD * at.CONDITION_FIELDS + at.PHASE] >= at.STANDING
            if age <= UNBALANCE_HELD_MS or overloaded:
                unbalance = state[at.UNBALANCE]
                if age > standing_ms:
                    flag |= at.UNBALANCE_OLD
        if math.isnan(unbalance) and limits[at.PHASES] == 3.0:
            flag |= at.UNBALANCE_UNKNOWN
        limit = limits[at.FULL_LIMIT] * derate(unbalance)

        highest = _highest(amps, row)
        ratio = math.nan
        ratio_judged = math.nan
        unbalance_judged = math.nan
        has_ended = math.nan
        if not math.isnan(highest):
            ratio = highest / limit
            count = _start_or_end_run(state, limits, t, standing_ms, highest, ints, floats, count, row, fan)
            if state[at.RUNNING] == 1.0:
                flag |= at.IS_RUNNING
                has_ended = 0.0
                into_run = t - state[at.RUN_START_MS]
                if into_run >= UNJUDGED_MS:
                    ratio_judged = ratio
                    if measured:
                        unbalance_judged = unbalance
                    if not highest <= state[at.RUN_PEAK_AMPS]:
                        state[at.RUN_PEAK_AMPS] = highest
                    if not ratio <= state[at.RUN_PEAK_RATIO]:
                        state[at.RUN_PEAK_RATIO] = ratio
                if into_run >= SETTLED_MS:
                    flag |= at.IS_SETTLED
            else:
                ratio_judged = 0.0
                unbalance_judged = 0.0
                has_ended = 0.0 if math.isnan(state[at.RUN_ENDED_MS]) else 1.0

        standing = 0
        for condition in range(_COUNT):
            measure = _MEASURE_OF[condition]
            if measure == LOAD_RATIO:
                value = ratio_judged
            elif measure == VOLTAGE_UNBALANCE:
                value = unbalance_judged
            else:
                value = has_ended
            count = _condition(state, limits, condition, standing, t, standing_ms, value, ints, floats, count, row, fan)
            if state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE] >= at.STANDING:
                standing |= 1 << condition

        judged[row, 0] = highest
        judged[row, 1] = limit
        judged[row, 2] = ratio
        judged[row, 3] = unbalance
        flags[row] = flag
    return rows, count
