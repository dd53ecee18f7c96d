"""The watch itself: one compiled pass over a batch of readings.

The same code judges forty readings live and a season of eight million in review. It is plain arithmetic on rows of
numbers: no clock, no allocation, nothing that depends on how the readings are cut into batches. Every figure that a fan
carries from one reading to the next stands in its row of the state (`layout.py`).

The rules, all in event time (the reading's own):

* A reading stands until the next one, but not longer than three periods; what is beyond that counts for no delay.
* Running is a highest leg above 15 % of full-load amps. The first 10 s of a run count for slow starting only (inrush).
* A delay has run when a confirming reading arrives at or after its end; holding a reading forward never completes one.
* A measure that is not known (no amps, no volts) neither raises nor clears anything.
* A reading of an averaging logger is judged when the next has come; the first and the last of a run are partial and
  count for running and stopped only.
"""

from __future__ import annotations

import math

from monitor.motor.compiled import compiled_loop, inlined
from monitor.motor.limit import derate
from monitor.motor.thermal import MOTOR_PICK_UP, MOTOR_TAU_SECONDS, seconds_to_trip
from monitor.motor.unbalance import unbalance_of
from monitor.watch import layout as at
from monitor.watch.columns import Floats, Ints
from monitor.watch.conditions import COUNT, carry_condition, normal, stands
from monitor.watch.doubts import LEAST_SHARE_PERCENT, doubt, no_doubt
from monitor.watch.images import ASSUMED_TAUS, INRUSH_TIMES, carry_images
from monitor.watch.legs import highest_known, least, legs_against_others, mean_known, one_near_zero
from monitor.watch.lookback import count_starts, forget_proven, look_back
from monitor.watch.notes import note
from monitor.watch.runs import end_with_its_motor, start_or_end_run
from monitor.watch.volts import LOST_SHARE, learn_period, smooth_volts

UNJUDGED_MS = 10_000.0
"""The first part of a run: inrush."""
SETTLED_MS = 60_000.0
"""From here on a run says something about the blades."""
UNBALANCE_HELD_MS = 86_400_000.0
"""How long a derating factor is held when the voltage is no longer measured."""
PERIODS_STANDING = 3.0
"""A reading stands for so many periods at most."""
SLOW_START_MS = 10_000.0
"""A fan that starts for longer is slow to start ..."""
SEEN_OFTEN_MS = 5_000.0
"""... at periods up to this; at longer ones two readings in a row say so."""
RISEN = 1.3
"""The other legs rise to at least so much of what they were when one phase is lost (1.73 at constant power)."""
UNCHANGED = (0.85, 1.15)
"""The other legs stay within this of what they were when only a clamp came off."""
SPREAD_BY_SUPPLY = 10.0
"""Legs spread some 6 to 10 times the voltage unbalance (NEMA MG 1 section 14.36.5): up to this it is the supply's."""
SPREAD_LOAD = 0.5
"""Below this share of full-load amps the magnetising currents, never quite equal, make a spread of their own."""
ACTIVE_TAU_S = 86_400.0
"""Time constant of a fan's own mean of active amps, in running time ..."""
ACTIVE_ARMED_S = 7_200.0
"""... that says something after so much of it."""
LOADED_ABOVE = 0.46
"""... and where it is above this share of the magnetising current: nearer to it, small errors of amps and volts are
large ones of the active part (1.1 times the magnetising current in the leg)."""
PROVEN_TIMES, PROVEN_AT = 1.005, 1.05
"""What is carried each night is never twice the same to the last digit: so much more of it counts as the same. It
stands against the row's setpoint of 1.05."""
MOST_MINUTES = 1_440.0
"""A time to trip of a day and more is "never"."""
BETWEEN_MINUTES = 12.5
"""Between 0.98 and 1 of the current that opens the device: not near any more, not clear of it either."""
CLEAR_OF_TRIP = 0.98
# Where a condition is not there and its measure is far from any setpoint it may be given, the measure is left out.
SPREAD_AT_LEAST = 4.9
ACTIVE_AT_LEAST = 0.75
MARGIN_AT_LEAST = 0.89


SUPPLY_LOST, PHASE_LOST, TRIP_NEAR, OVERLOAD, DEVICE_MARGIN, LOW_MARGIN, UNBALANCE_SEVERE, UNBALANCE = range(8)
VOLTAGE_LOW, VOLTAGE_HIGH, SLOW_START, SUSPECT, LEG_SPREAD, NO_LOAD, MANY_STARTS, STOPPED = range(8, 16)
# The order of the table; a test holds the two together.

MOST_CHANGES_A_ROW = 2 * COUNT + 4
"""A new motor can end every condition and the run, and the same reading can begin a run."""


@inlined
def _begin(state: Floats, epoch: float) -> None:
    """A fan never seen, or one with a new motor."""
    state[:] = math.nan
    state[at.EPOCH] = epoch
    state[at.INTERVALS] = 0.0
    state[at.RUNNING] = -1.0
    state[at.HOT] = 0.0
    state[at.CLAMP_ROWS] = 0.0
    state[at.HIGH_COUNT] = 0.0
    state[at.STARTS_HOUR] = 0.0
    state[at.STARTS_EXPIRE_MS] = math.inf
    state[at.STARTS_NEXT] = 0.0
    state[at.ACTIVE_S] = 0.0
    state[at.BUSY] = 0.0
    for condition in range(COUNT):
        state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE] = at.NORMAL


@compiled_loop
def pass_over(
    states: Floats, limits_table: Floats, fans: Ints, times: Floats, amps: Floats, volts: Floats, limits_of: Ints,
    called_column: Floats, judged: Floats, flags: Ints, ints: Ints, floats: Floats, measures: Floats,
) -> tuple[int, int]:  # fmt: skip
    """Judges rows in order and changes `states` in place.

    Parameters
    ----------
    states : (fans, STATE_FIELDS)
    limits_table : (versions, LIMITS_FIELDS)
    fans, limits_of : (n,) int32; times : (n,) [ms]; amps, volts : (n, 3); called_column : (n,)
    judged : (n, 7) written: highest leg, limit, load ratio, unbalance, motor image, device image, seconds to trip
    flags : (n,) int32 written
    ints, floats : (m, 4) int32 and (m, 18) written: the changes
    measures : (conditions,) room for the measures of one row

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
                count = end_with_its_motor(state, t, ints, floats, count, row, fan)
            for condition in range(COUNT):
                mine = at.FIRST_CONDITION + condition * at.CONDITION_FIELDS
                if state[mine + at.PHASE] >= at.STANDING:
                    count = note(
                        ints, floats, count, row, fan, at.SUPERSEDED, condition, t, state[mine + at.ONSET_MS],
                        math.nan, math.nan, state[mine + at.PEAK], 0.0,
                    )  # fmt: skip
            _begin(state, limits[at.LIMIT_EPOCH])
        if state[at.WORN_SINCE] != limits[at.LIMIT_WORN_SINCE]:
            forget_proven(state)
            state[at.WORN_SINCE] = limits[at.LIMIT_WORN_SINCE]
        interval = t - state[at.LAST_MS]
        standing_ms = PERIODS_STANDING * learn_period(state, limits[at.GIVEN_PERIOD_MS], interval)
        flag = at.AFTER_GAP if interval > standing_ms else 0
        state[at.LAST_MS] = t
        if not math.isnan(called_column[row]):
            state[at.CALLED] = called_column[row]
            state[at.CALLED_MS] = t
        called = state[at.CALLED] if t - state[at.CALLED_MS] <= standing_ms else math.nan

        rated = limits[at.RATED_VOLTS]
        v12, v23, v31 = volts[row, 0], volts[row, 1], volts[row, 2]
        volts_most = highest_known(v12, v23, v31)
        has_volts = not math.isnan(volts_most)
        measured = smooth_volts(state, limits, t, volts, row)
        unbalance = math.nan
        three_phases = limits[at.PHASES] == 3.0
        if not math.isnan(state[at.UNBALANCE_MS]) and three_phases:
            age = t - state[at.UNBALANCE_MS]
            if age <= UNBALANCE_HELD_MS or stands(state, OVERLOAD):
                unbalance = state[at.UNBALANCE]
                if age > standing_ms:
                    flag |= at.UNBALANCE_OLD
        if math.isnan(unbalance) and three_phases:
            flag |= at.UNBALANCE_UNKNOWN
        limit = limits[at.FULL_LIMIT] * derate(unbalance)

        l1, l2, l3 = amps[row, 0], amps[row, 1], amps[row, 2]
        highest = highest_known(l1, l2, l3)
        has_amps = not math.isnan(highest)
        to_trip = math.nan
        measures[:] = math.nan
        if has_volts:
            measures[SUPPLY_LOST] = -(100.0 * volts_most / rated)
        if has_amps:
            standing_s = standing_ms / 1000.0
            dt_s = (t - state[at.AMPS_MS]) / 1000.0
            stood_s = min(dt_s, standing_s) if dt_s > 0.0 else 0.0
            ran = state[at.RUNNING] == 1.0
            count = start_or_end_run(
                state, limits, t, standing_ms, highest, v12, v23, v31, called, ints, floats, count, row, fan
            )
            state[at.AMPS_MS] = t
            running = state[at.RUNNING] == 1.0
            into_run = t - state[at.RUN_START_MS]
            if t >= state[at.STARTS_EXPIRE_MS]:
                count_starts(state, t)

            # The legs that are judged: an averaging logger's when the next reading has come.
            j1, j2, j3 = l1, l2, l3
            if limits[at.AVERAGING] == 1.0 and running:
                whole = ran and state[at.HELD_FIRST] == 0.0
                j1 = state[at.HELD_L1] if whole else math.nan
                j2 = state[at.HELD_L1 + 1] if whole else math.nan
                j3 = state[at.HELD_L1 + 2] if whole else math.nan
            state[at.HELD_L1] = l1
            state[at.HELD_L1 + 1] = l2
            state[at.HELD_L1 + 2] = l3
            state[at.HELD_FIRST] = 1.0 if running and not ran else 0.0
            judged_highest = highest if limits[at.AVERAGING] != 1.0 else highest_known(j1, j2, j3)
            known = not math.isnan(judged_highest)
            ratio = judged_highest / limit
            three_legs = three_phases and not math.isnan(j1 + j2 + j3)

            motor_x = judged_highest / (MOTOR_PICK_UP * limit)
            device_x = judged_highest / (limits[at.TRIP_RATIO] * limits[at.DEVICE_SETTING])
            inrush = known and judged_highest > INRUSH_TIMES * limits[at.FULL_LOAD_AMPS]
            carry_images(
                state, limits, t, dt_s, standing_s, running, known, inrush, motor_x * motor_x, device_x * device_x
            )
            device_known = limits[at.DEVICE_KNOWN] == 1.0
            if device_known:
                if not running:
                    to_trip = math.inf
                elif known:
                    to_trip = seconds_to_trip(state[at.DEVICE_HEAT], device_x, limits[at.DEVICE_TAU_S])

            measures[MANY_STARTS] = state[at.STARTS_HOUR]
            suspect = 0.0
            if running:
                v = math.nan  # mean voltage over rated
                flag |= at.IS_RUNNING
                measures[SUPPLY_LOST] = -100.0  # a fan that runs has a supply, whatever a voltage channel says
                measures[STOPPED] = 0.0
                slow = 0.0
                if state[at.HIGH_COUNT] > 0.0:
                    if state[at.PERIOD_MS] <= SEEN_OFTEN_MS:
                        slow = 1.0 if into_run > SLOW_START_MS else 0.0
                    else:
                        slow = 1.0 if state[at.HIGH_COUNT] >= 2.0 else 0.0
                measures[SLOW_START] = slow
                if into_run >= SETTLED_MS:
                    flag |= at.IS_SETTLED
                if into_run >= UNJUDGED_MS:
                    if has_volts:
                        v = mean_known(state[at.V12], state[at.V23], state[at.V31]) / rated
                        measures[VOLTAGE_LOW] = -(100.0 * v)
                        measures[VOLTAGE_HIGH] = 100.0 * v
                    if measured:
                        measures[UNBALANCE_SEVERE] = unbalance
                        measures[UNBALANCE] = unbalance
                    if known:
                        look_back(state, limits, t, stood_s, judged_highest, j1, j2, j3)
                if known and into_run >= UNJUDGED_MS:
                    mean_leg = mean_known(j1, j2, j3)
                    measures[OVERLOAD] = ratio
                    measures[LOW_MARGIN] = ratio
                    if not judged_highest <= state[at.RUN_PEAK_AMPS]:
                        state[at.RUN_PEAK_AMPS] = judged_highest
                    if not ratio <= state[at.RUN_PEAK_RATIO]:
                        state[at.RUN_PEAK_RATIO] = ratio
                    if device_known:
                        against = limits[at.DEVICE_SETTING]
                        proven = state[at.TOP3] * PROVEN_TIMES / PROVEN_AT
                        if proven > against:
                            against = proven
                        if judged_highest >= MARGIN_AT_LEAST * against or not normal(state, DEVICE_MARGIN):
                            measures[DEVICE_MARGIN] = judged_highest / against
                        if device_x < CLEAR_OF_TRIP:
                            measures[TRIP_NEAR] = -MOST_MINUTES
                        elif device_x <= 1.0:
                            measures[TRIP_NEAR] = -BETWEEN_MINUTES
                        else:
                            measures[TRIP_NEAR] = -min(to_trip / 60.0, MOST_MINUTES)
                    if three_legs:
                        measures[PHASE_LOST] = -100.0
                        if one_near_zero(j1, j2, j3) or not normal(state, PHASE_LOST):
                            share, others, before = legs_against_others(state, t, standing_ms, j1, j2, j3)
                            lost = others >= RISEN * before or stands(state, PHASE_LOST)
                            measures[PHASE_LOST] = -share if lost else -100.0
                            if lost and share <= LEAST_SHARE_PERCENT:
                                state[at.LOST_MS] = t
                        if mean_leg >= SPREAD_LOAD * limits[at.FULL_LOAD_AMPS]:
                            apart = judged_highest - least(j1, j2, j3)
                            if 100.0 * apart >= SPREAD_AT_LEAST * mean_leg or not normal(state, LEG_SPREAD):
                                spread = unbalance_of(j1, j2, j3)
                                measures[LEG_SPREAD] = 0.0 if spread <= SPREAD_BY_SUPPLY * unbalance else spread
                    if into_run >= SETTLED_MS:
                        if math.isnan(v) and t - state[at.VOLTS_MS] <= standing_ms:
                            v = mean_known(state[at.V12], state[at.V23], state[at.V31]) / rated
                        magnetising = limits[at.MAGNETISING] * (1.0 if math.isnan(v) else v)
                        active = math.sqrt(max(mean_leg * mean_leg - magnetising * magnetising, 0.0))
                        own = state[at.ACTIVE_MEAN]
                        if (
                            state[at.ACTIVE_S] >= ACTIVE_ARMED_S
                            and own > LOADED_ABOVE * limits[at.MAGNETISING]
                            and (active < ACTIVE_AT_LEAST * own or not normal(state, NO_LOAD))
                        ):
                            measures[NO_LOAD] = -100.0 * active / own
                        if math.isnan(own):
                            state[at.ACTIVE_MEAN] = active
                        else:
                            if stood_s != state[at.ACTIVE_STEP_S]:
                                state[at.ACTIVE_STEP_S] = stood_s
                                state[at.ACTIVE_TAKE] = 1.0 - math.exp(-stood_s / ACTIVE_TAU_S)
                            state[at.ACTIVE_MEAN] = own + (active - own) * state[at.ACTIVE_TAKE]
                        state[at.ACTIVE_S] += stood_s
                clamp, stands_clamp = False, False
                own_three = three_phases and not math.isnan(l1 + l2 + l3)
                if own_three and into_run >= UNJUDGED_MS and one_near_zero(l1, l2, l3):
                    share, others, before = legs_against_others(state, t, standing_ms, l1, l2, l3)
                    if share <= LEAST_SHARE_PERCENT:
                        clamp = UNCHANGED[0] * before <= others <= UNCHANGED[1] * before
                        mine = at.FIRST_CONDITION + SUSPECT * at.CONDITION_FIELDS
                        stands_clamp = (
                            stands(state, SUSPECT) and state[mine + at.PEAK] == at.CLAMP_OFF
                            and state[at.LOST_MS] != t
                        )  # fmt: skip
                suspect = doubt(
                    state, t, l1, l2, l3, v12, v23, v31, own_three, highest, volts_most < LOST_SHARE * rated, clamp,
                    stands_clamp,
                )  # fmt: skip
            else:
                no_doubt(state)
                measures[PHASE_LOST] = -100.0
                measures[TRIP_NEAR] = -MOST_MINUTES
                measures[OVERLOAD] = 0.0
                measures[DEVICE_MARGIN] = 0.0
                measures[LOW_MARGIN] = 0.0
                measures[UNBALANCE_SEVERE] = 0.0
                measures[UNBALANCE] = 0.0
                measures[VOLTAGE_LOW] = -100.0
                measures[VOLTAGE_HIGH] = 100.0
                measures[SLOW_START] = 0.0
                measures[LEG_SPREAD] = 0.0
                measures[NO_LOAD] = -100.0
                ended = limits[at.CONTINUOUS] == 1.0 and not math.isnan(state[at.RUN_ENDED_MS])
                measures[STOPPED] = 1.0 if called == 1.0 or (ended and called != 0.0) else 0.0
            measures[SUSPECT] = suspect

        standing = 0
        due = 0
        for condition in range(COUNT):
            if measures[condition] >= limits[at.RAISED_AT + condition]:
                due += 1
        if due > 0 or state[at.BUSY] > 0.0:  # otherwise no condition is there, and none begins
            busy = 0.0
            for condition in range(COUNT):
                count = carry_condition(
                    state, limits, condition, standing, t, standing_ms, measures[condition], ints, floats, count, row,
                    fan,
                )  # fmt: skip
                phase = state[at.FIRST_CONDITION + condition * at.CONDITION_FIELDS + at.PHASE]
                if phase >= at.STANDING:
                    standing |= 1 << condition
                if phase != at.NORMAL:
                    busy += 1.0
            state[at.BUSY] = busy

        if has_amps:
            if not standing & (1 << OVERLOAD):
                state[at.HOT] = 0.0
            elif state[at.HOT] == 0.0 and state[at.MOTOR_HEAT] >= 1.0:
                state[at.HOT] = 1.0
                mine = at.FIRST_CONDITION + OVERLOAD * at.CONDITION_FIELDS
                count = note(
                    ints, floats, count, row, fan, at.HOTTER, OVERLOAD, t, state[mine + at.ONSET_MS],
                    measures[OVERLOAD], limits[at.FIRST_LIMIT + OVERLOAD * at.LIMIT_FIELDS + at.SETPOINT],
                    state[mine + at.PEAK], 0.0,
                )  # fmt: skip

        assumed_ms = t - state[at.ASSUMED_MS]
        if assumed_ms < ASSUMED_TAUS * 1000.0 * limits[at.DEVICE_TAU_S]:
            flag |= at.DEVICE_ASSUMED
        if assumed_ms < ASSUMED_TAUS * 1000.0 * MOTOR_TAU_SECONDS:
            flag |= at.MOTOR_ASSUMED
        judged[row, 0] = highest
        judged[row, 1] = limit
        judged[row, 2] = highest / limit
        judged[row, 3] = unbalance
        judged[row, 4] = state[at.MOTOR_HEAT]
        judged[row, 5] = state[at.DEVICE_HEAT] if limits[at.DEVICE_KNOWN] == 1.0 else math.nan
        judged[row, 6] = to_trip
        flags[row] = flag
    return rows, count
