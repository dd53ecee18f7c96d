"""What the watch remembers of the past, in whole slots of event time, so that the state is bounded and exact.

* The last five minutes of each leg, in slots of 30 s.
* The greatest device image that the fan carried in the last 24 hours, by hours.
* The current it has proven to carry: of each half day the greatest 30-min mean of the highest leg, and of those the
  third greatest.
* The starts of the last hour.

All but `look_back` run once in a slot or a start, not at each reading: they are called, not put into the pass.
"""

from __future__ import annotations

import math

from monitor.motor.compiled import compiled_loop, inlined
from monitor.watch import layout as at
from monitor.watch.columns import Floats

SLOT_MS = 30_000.0
FIVE_MS = 300_000.0
SLOTS_AN_HOUR = 120.0
FIVES_A_HALF_DAY = 144.0
HOUR_MS = 3_600_000.0
DAY_HOURS = 24.0
NOT_COMPARED = 11.0
"""What began so many slots before the last one, or later, lies within the five minutes before it."""


@compiled_loop
def next_slot(state: Floats, slot: float) -> None:
    """Closes the open slot of 30 s and opens another."""
    if not math.isnan(state[at.SLOT]):
        place = at.FIRST_SLOT + at.SLOT_FIELDS * int(state[at.SLOT] % at.SLOTS_KEPT)
        if not math.isnan(state[place]):
            _into_its_hour(state, state[place], state[place + 1], state[place + 2])
        state[place] = state[at.SLOT]
        state[place + 1] = state[at.SLOT_CARRIED]
        state[place + 2] = state[at.SLOT_RUN_S]
        for leg in range(3):
            known = state[at.SLOT_LEGS]
            state[place + 3 + leg] = state[at.SLOT_SUM_L1 + leg] / known if known > 0.0 else math.nan
    state[at.SLOT] = slot
    state[at.SLOT_UNTIL_MS] = (slot + 1.0) * SLOT_MS
    state[at.SLOT_CARRIED] = math.nan
    state[at.SLOT_RUN_S] = 0.0
    state[at.SLOT_LEGS] = 0.0
    for leg in range(3):
        state[at.SLOT_SUM_L1 + leg] = 0.0


@compiled_loop
def five_minutes(state: Floats, leg: int) -> float:
    """Mean of a leg [A] over the five minutes before the open slot; NaN when nothing is known of it."""
    total, count = 0.0, 0.0
    for number in range(at.SLOTS_KEPT):
        place = at.FIRST_SLOT + at.SLOT_FIELDS * number
        if state[place] >= state[at.SLOT] - at.SLOTS_KEPT and not math.isnan(state[place + 3 + leg]):
            total += state[place + 3 + leg]
            count += 1.0
    return total / count if count > 0.0 else math.nan


@compiled_loop
def _into_its_hour(state: Floats, slot: float, carried: float, run_s: float) -> None:
    hour = math.floor(slot / SLOTS_AN_HOUR)
    place = at.FIRST_HOUR + at.HOUR_FIELDS * int(hour % at.HOURS_KEPT)
    if state[place] == hour:
        if carried > state[place + 1] or math.isnan(state[place + 1]):
            state[place + 1] = carried
        state[place + 2] += run_s
    elif not state[place] > hour:  # what stood in its slot for days comes too late
        state[place] = hour
        state[place + 1] = carried
        state[place + 2] = run_s


@compiled_loop
def carried(state: Floats, last_ms: float) -> tuple[float, float]:
    """Greatest image that the fan carried in the 24 hours before `last_ms`, the last five minutes left out, and the
    running time [s] that it is taken from; NaN and 0 where there is none."""
    last = math.floor(last_ms / SLOT_MS)
    from_hour = math.floor(last / SLOTS_AN_HOUR) - DAY_HOURS
    greatest, compared = math.nan, 0.0
    for number in range(at.SLOTS_KEPT):
        place = at.FIRST_SLOT + at.SLOT_FIELDS * number
        if state[place] <= last - NOT_COMPARED and math.floor(state[place] / SLOTS_AN_HOUR) > from_hour:
            if state[place + 1] > greatest or math.isnan(greatest):
                greatest = state[place + 1]
            compared += state[place + 2]
    for number in range(at.HOURS_KEPT):
        place = at.FIRST_HOUR + at.HOUR_FIELDS * number
        if state[place] > from_hour:
            if state[place + 1] > greatest or math.isnan(greatest):
                greatest = state[place + 1]
            compared += state[place + 2]
    return greatest, compared


@compiled_loop
def forget_proven(state: Floats) -> None:
    """The device has another setting, the fan another pitch or motor, or the device has opened."""
    for number in range(at.FIVE_MIN, at.TOP3 + 1):
        state[number] = math.nan


@compiled_loop
def next_five(state: Floats, five: float) -> None:
    """Closes the open slot of 5 min and opens another; a full half hour may be the greatest of its half day."""
    closed = state[at.FIVE_MIN]
    if not math.isnan(closed):
        place = at.FIRST_FIVE + at.FIVE_FIELDS * int(closed % at.FIVES_KEPT)
        state[place] = closed
        state[place + 1] = state[at.FIVE_SUM] / state[at.FIVE_COUNT]
        total, whole = 0.0, True
        for back in range(at.FIVES_KEPT):
            number = closed - (at.FIVES_KEPT - 1.0) + back
            place = at.FIRST_FIVE + at.FIVE_FIELDS * int(number % at.FIVES_KEPT)
            whole = whole and state[place] == number
            total += state[place + 1]
        if whole:
            mean = total / at.FIVES_KEPT
            half_day = math.floor(closed / FIVES_A_HALF_DAY)
            if half_day != state[at.HALF_DAY]:
                _push(state, state[at.HALF_DAY_MAX])
                state[at.HALF_DAY] = half_day
                state[at.HALF_DAY_MAX] = mean
            elif mean > state[at.HALF_DAY_MAX]:
                state[at.HALF_DAY_MAX] = mean
    state[at.FIVE_MIN] = five
    state[at.FIVE_UNTIL_MS] = (five + 1.0) * FIVE_MS
    state[at.FIVE_SUM] = 0.0
    state[at.FIVE_COUNT] = 0.0


@compiled_loop
def _push(state: Floats, mean: float) -> None:
    """Puts a half day's greatest mean among the three greatest."""
    if math.isnan(mean):
        return
    for place in range(at.TOP1, at.TOP3 + 1):
        other = state[place]
        if mean > other or math.isnan(other):
            state[place] = mean
            mean = other
        if math.isnan(mean):
            return


@compiled_loop
def started(state: Floats, t: float) -> None:
    """A start at time t."""
    place = state[at.STARTS_NEXT]
    state[at.FIRST_START + int(place)] = t
    state[at.STARTS_NEXT] = (place + 1.0) % at.STARTS_KEPT
    count_starts(state, t)


@compiled_loop
def count_starts(state: Floats, t: float) -> None:
    """Counts the starts of the hour before t anew, and finds when the oldest of them no longer counts."""
    count, oldest = 0.0, math.inf
    for number in range(at.STARTS_KEPT):
        start = state[at.FIRST_START + number]
        if start > t - HOUR_MS:
            count += 1.0
            oldest = min(oldest, start)
    state[at.STARTS_HOUR] = count
    state[at.STARTS_EXPIRE_MS] = oldest + HOUR_MS


@inlined
def look_back(
    state: Floats, limits: Floats, t: float, stood_s: float, highest: float, l1: float, l2: float, l3: float
) -> None:
    """Adds a running reading to the slots of 30 s and of 5 min."""
    if not t < state[at.SLOT_UNTIL_MS]:
        next_slot(state, math.floor(t / SLOT_MS))
    image = state[at.DEVICE_HEAT] * (limits[at.TRIP_RATIO] * limits[at.TRIP_RATIO])
    if image > state[at.SLOT_CARRIED] or math.isnan(state[at.SLOT_CARRIED]):
        state[at.SLOT_CARRIED] = image
    state[at.SLOT_RUN_S] += stood_s
    if not math.isnan(l1 + l2 + l3):
        state[at.SLOT_SUM_L1] += l1
        state[at.SLOT_SUM_L1 + 1] += l2
        state[at.SLOT_SUM_L1 + 2] += l3
        state[at.SLOT_LEGS] += 1.0
    if not t < state[at.FIVE_UNTIL_MS]:
        next_five(state, math.floor(t / FIVE_MS))
    state[at.FIVE_SUM] += highest
    state[at.FIVE_COUNT] += 1.0
