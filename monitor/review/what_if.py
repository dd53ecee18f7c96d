"""The same log with something changed: would its overload device have opened, when, and with what margin?

Each reading is turned into what the motor would have drawn (`motor.current`: the active part follows the load, the
magnetising part the volts, leg spread is added), compared with the limit it would have had, and fed to the same image
of the overload device as the watch's. All changes are worked in one pass over the log.

What it cannot know: a log ends at its trip. With fewer amps the fan would have run on, and nothing was measured of
that; so "would not have tripped" holds up to the end of the run.

**When it counts as opening.** The image takes the whole time of the device's class; real devices act in 0.4 to 1 of it.
Where the log itself shows that the device opened, the level its image had then counts, for all changes alike; where it
carried more than the image's trip level without opening, that counts. And no device opens below 1.05 x its setting
(IEC 60947-4-1, from memory).

A device setting or class is shown to explain a trip, within NEC 430.32 (125 % of full-load amps from a service factor
of 1.15 on, else 115 %). It is no remedy, and the words say so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.blades.air import KELVIN
from monitor.blades.belief import Belief, belief_of
from monitor.blades.degrees import angles_on_hand
from monitor.blades.parts import BELIEVABLE_VOLTAGE
from monitor.motor.compiled import compiled_loop
from monitor.motor.current import current_model
from monitor.motor.nameplate import Nameplate
from monitor.motor.nec import greatest_setting, greatest_setting_share
from monitor.motor.thermal import DEFAULT_TRIP_CLASS, MOTOR_PICK_UP, TRIP_CLASSES, device_tau_seconds
from monitor.review.findings import WhatIf
from monitor.review.log import Log
from monitor.review.runs import Ran
from monitor.review.watching import FIVE_MIN_MS, ROWS_AT_ONCE, Plates, Watched, plain
from monitor.watch import ends, layout
from monitor.watch.columns import Floats, Ints
from monitor.watch.images import INRUSH_TIMES, carry_images
from monitor.watch.kernel import PERIODS_STANDING
from monitor.watch.legs import highest_known, mean_known

POSSIBLY = "possibly tripped; the others are told as if it had"
OTHERWISE = {
    ends.PHASE_LOST: "ended by a lost phase, which none of these changes would have prevented",
    ends.SHORT_CIRCUIT: "ended by a short circuit or a locked rotor, which none of these changes would have prevented",
}
"""Ends by which a log is no example of what its overload device does with a load."""
AS_IT_WAS = "as it was"
SUPPLY_RIGHT = "supply at rated voltage and balanced"
NO_REMEDY = "shown to explain the trip, never a remedy"
UP_TO_THE_END = "up to the end of this run: with fewer amps it would have run on, and nothing was measured of that"
AT_MOST = "At most so late: the image takes the whole time of the device's class, real devices act in 0.4 to 1 of it."
LASTS_SLOTS = 6
"""What lasts is a mean over so many slots of five minutes."""
LEVEL_ROOM = 1.005
"""What was carried is never twice the same to the last digit."""
LONG_ROWS = 1_000_000
"""From so many rows on two processors are worth their while."""
AT_LEAST_S = 180.0
"""A margin is told from so much running on."""

# One scenario as a row of numbers.
POWER, TO_RATED, COLDEST_K, SETTING_TIMES, TAU_S = range(5)
FIGURES = 5


@dataclass(frozen=True)
class Scenario:
    """One change."""

    change: str
    """In words."""
    power: float = 1.0
    """Shaft power over what it was: of degrees less."""
    supply_right: bool = False
    """At rated voltage, balanced, no leg spread."""
    air_c: float = math.nan
    """Air temperature all the time [degrees C]; NaN: as it was."""
    setting_times: float = 1.0
    """Device setting over what it was."""
    tau_s: float = math.nan
    """Time constant of the device [s]; NaN: as it was."""
    words: tuple[str, ...] = ()
    """What has to be said beside it."""

    def row(self) -> list[float]:
        """As the pass reads it."""
        return [self.power, float(self.supply_right), self.air_c + KELVIN, self.setting_times, self.tau_s]


def scenarios(nameplate: Nameplate, belief: Belief | None = None) -> list[Scenario]:
    """The changes asked about for a fan: as it was, every insert on hand, the supply put right, the coldest air
    expected, and what another device or setting would have made of it."""
    found = [Scenario(AS_IT_WAS)]
    belief = belief or belief_of(nameplate.motor, nameplate.fan, current_model(nameplate.motor))
    angles = angles_on_hand(nameplate.fan)
    for angle in angles[1:]:
        degrees = angles[0] - angle
        word = "degree" if degrees == 1 else "degrees"
        found.append(Scenario(f"{degrees:g} {word} less (insert {angle:g})", math.exp(-belief.mean * degrees)))
    found.append(Scenario(SUPPLY_RIGHT, supply_right=True))
    coldest = nameplate.fan.coldest_expected_c
    if coldest is not None:
        said = f"air at {coldest:g} degrees C ({coldest * 1.8 + 32.0:.0f} F) all the time, the coldest expected"
        found.append(Scenario(said, air_c=coldest))
    return [*found, *_devices(nameplate)]


def _devices(nameplate: Nameplate) -> list[Scenario]:
    motor, protection = nameplate.motor, nameplate.protection
    setting = protection.setting_amps
    if setting is None or not _has_image(nameplate):
        return []
    most = greatest_setting(motor.full_load_amps, motor.service_factor)
    percent = 100.0 * greatest_setting_share(motor.service_factor)
    found = []
    if abs(setting - motor.full_load_amps) > 0.005 * setting:
        said = f"overload device set to full-load amps, {motor.full_load_amps:g} A, instead of {setting:g} A"
        words = (NO_REMEDY,) if motor.full_load_amps > setting else ()
        found.append(Scenario(_with(said, words), setting_times=motor.full_load_amps / setting, words=words))
    if abs(setting - most) > 0.005 * setting:
        said = f"overload device set to {most:.1f} A, the most the code allows ({percent:.0f} % of full-load amps)"
        words = (NO_REMEDY,) if most > setting else ()
        found.append(Scenario(_with(said, words), setting_times=most / setting, words=words))
    present = protection.trip_class or DEFAULT_TRIP_CLASS
    for other in TRIP_CLASSES:
        if other in (10, 20) and other != present:
            said = f"overload device of class {other} instead of {present}"
            words = (NO_REMEDY,) if other > present else ()
            tau = device_tau_seconds(other, protection.trip_ratio)
            found.append(Scenario(_with(said, words), tau_s=tau, words=words))
    return found


def _with(said: str, words: Sequence[str]) -> str:
    return f"{said} ({'; '.join(words)})" if words else said


def _has_image(nameplate: Nameplate) -> bool:
    """Whether anything can be told of its overload device; without a setting full-load amps x service factor stand for
    it, as where the end of a run is judged."""
    return nameplate.protection.type not in ("none", "built-in protector")


def what_if(
    log: Log, plates: Plates, watched: Watched, ran: Sequence[Ran], nameplate: Nameplate, belief: Belief | None = None
) -> tuple[WhatIf, ...]:
    """What would have come of the changes, "as it was" first; nothing where the fan did not run.

    Parameters
    ----------
    nameplate : by which inserts, air and device are asked about
    belief : what a degree is worth; None: the file's figure or the usual
    """
    if not ran:
        return ()
    asked = [one for one in scenarios(nameplate, belief) if _can_be_said(one, log, nameplate)]
    possible = [one for one in ran if one.run.end_cause == ends.OVERLOAD_TRIP]
    likely = [one for one in possible if ends.is_trip(*_verdict(one))]
    opened = likely or possible
    level, floor = _opens_at(_device_heat(log, plates, watched), plates, opened)
    slots = _slots(log)
    at_row, ratios, rows = _passes(log, plates, watched, asked, level, floor, slots)
    lasting = _lasting(ratios, rows, watched.period_ms)
    otherwise = next((OTHERWISE[one.run.end_cause] for one in reversed(ran) if one.run.end_cause in OTHERWISE), None)
    if not opened and otherwise is None and math.isnan(float(lasting[0])):
        return ()  # a moment of running trips nothing, whatever is changed
    answered = _has_image(nameplate)
    found = []
    for number, one in enumerate(asked):
        row = int(at_row[number])
        trips: bool | None = row >= 0 if answered else None
        at_ms = float(log.t_ms[row]) if trips else None
        words = [*one.words, *_words(nameplate, trips, bool(opened), one)]
        if number == 0 and opened and answered:  # what happened is not worked out again
            trips, at_ms = (True, opened[0].run.end_ms) if likely else (None, None)
            words = [word for word in words if word != UP_TO_THE_END]
            words += [] if likely else [POSSIBLY]
        elif number == 0 and otherwise is not None:
            trips, at_ms, words = None, None, [otherwise]
        found.append(WhatIf(one.change, trips, at_ms, 1.0 - float(lasting[number]), tuple(words)))
    return tuple(found)


def _can_be_said(one: Scenario, log: Log, nameplate: Nameplate) -> bool:
    """Whether the log has what a change is worked from: other air from the air, a better supply from the volts."""
    if not math.isnan(one.air_c):
        return not bool(np.isnan(log.ambient_c).all())
    if not one.supply_right:
        return True
    least, most = (share * nameplate.motor.rated_voltage for share in BELIEVABLE_VOLTAGE)
    return bool(((log.volts >= least) & (log.volts <= most)).any())


def _verdict(one: Ran) -> tuple[str, str]:
    return one.run.end_cause, one.run.confidence


def _words(nameplate: Nameplate, trips: bool | None, opened: bool, one: Scenario) -> list[str]:
    if trips is None:
        return ["its trip point is not known"]
    said = []
    if trips and one.change != AS_IT_WAS:
        said.append(AT_MOST)
    elif not trips and opened:
        said.append(UP_TO_THE_END)
    if nameplate.protection.setting_amps is None:
        said.append("no setting is registered: full-load amps x service factor stand for it")
    return said


def _opens_at(heat: Floats, plates: Plates, opened: Sequence[Ran]) -> tuple[float, float]:
    """The level of its image at which the device counts as opening, and the least current over its setting."""
    until = len(heat) if not opened else opened[0].last
    known = heat[:until][~np.isnan(heat[:until])]
    carried = float(known.max()) if len(known) else 0.0
    if not opened:
        return max(1.0, LEVEL_ROOM * carried), ends.MAY_OPEN_TIMES
    level = min(float(heat[one.last]) for one in opened)
    last = min(
        one.ending.last_amps / float(plates.limits[plates.of_row(one.last), layout.DEVICE_SETTING])
        for one in opened if one.ending is not None
    )  # fmt: skip
    return max(level, carried), min(ends.MAY_OPEN_TIMES, last)


def _device_heat(log: Log, plates: Plates, watched: Watched) -> Floats:
    """The device image at each row; where no setting is registered, against full-load amps x service factor."""
    if (plates.limits[:, layout.DEVICE_KNOWN] == 1.0).all():
        return watched.judged.device_heat
    *_, heat = _pass(log, plates, watched, [Scenario(AS_IT_WAS)], math.inf, math.inf, _slots(log), keep_heat=True)
    return heat


def _slots(log: Log) -> Ints:
    """Number of the slot of five minutes of each row, counted from 0 over those with rows, shape (n,)."""
    number = log.t_ms // int(FIVE_MIN_MS)
    return np.cumsum(np.diff(number, prepend=number[:1]) != 0, dtype=np.int32)


def _lasting(ratios: Floats, rows: Floats, period_ms: float) -> Floats:
    """The greatest load ratio that lasts, of each change: means over half an hour, or over a whole shorter stretch of
    running; NaN with too little of it.

    Parameters
    ----------
    ratios, rows : sums over slots of five minutes in the order of the log, shape (m, k) and (m,)

    Returns
    -------
    shape (k,)
    """
    greatest: Floats = np.full(ratios.shape[1], math.nan)
    running = np.flatnonzero(rows)
    for group in np.split(running, np.flatnonzero(np.diff(running) > 1) + 1) if len(running) else ():
        whole = slice(int(group[0]), int(group[-1]) + 1)
        sums = np.cumsum(np.vstack([np.zeros(ratios.shape[1]), ratios[whole]]), axis=0)
        counts = np.cumsum(np.concatenate([[0.0], rows[whole]]))
        width = min(LASTS_SLOTS, len(group))
        count = counts[width:] - counts[:-width]
        use = count * period_ms >= 1000.0 * AT_LEAST_S
        if use.any():
            means = (sums[width:] - sums[:-width])[use] / count[use, None]
            greatest = np.fmax(greatest, means.max(axis=0))
    return greatest


def _passes(
    log: Log, plates: Plates, watched: Watched, asked: Sequence[Scenario], level: float, floor: float, slots: Ints
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """As `_pass`; over a long log two passes side by side, each for half of the changes."""
    if len(log) < LONG_ROWS:
        return _pass(log, plates, watched, asked, level, floor, slots)[:3]
    half = (len(asked) + 1) // 2
    with ThreadPoolExecutor(2) as pool:
        parts = list(
            pool.map(
                lambda some: _pass(log, plates, watched, some, level, floor, slots), (asked[:half], asked[half:])
            )
        )  # fmt: skip
    return np.concatenate([part[0] for part in parts]), np.hstack([part[1] for part in parts]), parts[0][2]


def _pass(
    log: Log, plates: Plates, watched: Watched, asked: Sequence[Scenario], level: float, floor: float, slots: Ints, *,
    keep_heat: bool = False,
) -> tuple[NDArray[np.int64], Floats, Floats, Floats]:  # fmt: skip
    """One pass over the log for all changes.

    Returns
    -------
    the row at which the device opens, or -1, shape (k,); sums of the load ratio, shape (slots, k), and how many rows
    are in them, shape (slots,); the image of the first change at each row, shape (n,), where it is kept
    """
    count = len(asked)
    states = np.full((count, layout.STATE_FIELDS), math.nan)
    if watched.begin is not None:
        states[:] = watched.begin
    at_row = np.full(count, -1, np.int64)
    ratios, rows = np.zeros((int(slots[-1]) + 1, count)), np.zeros(int(slots[-1]) + 1)
    heat = np.full(len(log) if keep_heat else 0, math.nan)
    figures, last = np.array([one.row() for one in asked]), np.zeros(count)
    scratch, surroundings = np.empty((count, layout.LIMITS_FIELDS)), np.array([1.0, -math.inf, math.nan])
    judged = watched.judged
    for first in range(0, len(log), ROWS_AT_ONCE):
        part = slice(first, min(first + ROWS_AT_ONCE, len(log)))
        _work(
            log.t_ms[part].astype(np.float64), plain(log.amps[part]), plain(log.volts[part]),
            plain(log.ambient_c[part]), judged.limit[part], judged.flags[part],
            plain(plates.some(part.start, part.stop), np.int32), plates.limits, figures, scratch, states, last,
            watched.period_ms, level, floor, slots[part], first, at_row, ratios, rows,
            heat[part] if keep_heat else heat, surroundings,
        )  # fmt: skip
    return at_row, ratios, rows, heat


@compiled_loop
def _work(
    times: Floats, amps: Floats, volts: Floats, ambient_c: Floats, limit: Floats, flags: Ints, which: Ints,
    limits_table: Floats, figures: Floats, scratch: Floats, states: Floats, last: Floats, period_ms: float,
    level: float, floor: float, slots: Ints, first: int, at_row: NDArray[np.int64], ratios: Floats, rows: Floats,
    heat: Floats, surroundings: Floats,
) -> None:  # fmt: skip
    """See `_pass`. `last` holds each change's newest current over its setting; `scratch` its limits; `surroundings` the
    volts over rated, when they were measured, and the air."""
    count = figures.shape[0]
    version = -1
    v, v_ms, air = surroundings[0], surroundings[1], surroundings[2]
    for row in range(times.size):
        t = times[row]
        if which[row] != version:
            version = which[row]
            for one in range(count):
                for place in range(limits_table.shape[1]):
                    scratch[one, place] = limits_table[version, place]
                if not math.isnan(figures[one, TAU_S]):
                    scratch[one, layout.DEVICE_TAU_S] = figures[one, TAU_S]
                if states[one, layout.EPOCH] != limits_table[version, layout.LIMIT_EPOCH]:
                    states[one, :] = math.nan
                    states[one, layout.EPOCH] = limits_table[version, layout.LIMIT_EPOCH]
        mine = limits_table[version]
        line = mean_known(volts[row, 0], volts[row, 1], volts[row, 2])
        rated = mine[layout.RATED_VOLTS]
        if not math.isnan(line) and BELIEVABLE_VOLTAGE[0] * rated <= line <= BELIEVABLE_VOLTAGE[1] * rated:
            v, v_ms = line / mine[layout.RATED_VOLTS], t
        if not math.isnan(ambient_c[row]):
            air = ambient_c[row]
        highest = highest_known(amps[row, 0], amps[row, 1], amps[row, 2])
        if math.isnan(highest):
            continue
        given = mine[layout.GIVEN_PERIOD_MS]
        standing_ms = PERIODS_STANDING * (period_ms if math.isnan(given) else given)
        if t - v_ms > standing_ms:
            v = 1.0
        state = states[0]
        dt_s = (t - state[layout.AMPS_MS]) / 1000.0
        ran = state[layout.RUNNING] == 1.0
        running = highest > mine[layout.RUNNING_ABOVE]
        # An averaging logger's reading counts when the next has come, and the first and last of a run never.
        mean = mean_known(amps[row, 0], amps[row, 1], amps[row, 2])
        known = True
        if mine[layout.AVERAGING] == 1.0 and running:
            known = ran and state[layout.HELD_FIRST] == 0.0
            held_highest, held_mean = state[layout.HELD_L1], state[layout.HELD_L1 + 1]
            state[layout.HELD_L1], state[layout.HELD_L1 + 1] = highest, mean
            highest, mean = held_highest, held_mean
        state[layout.HELD_FIRST] = 1.0 if running and not ran else 0.0
        inrush = known and highest > INRUSH_TIMES * mine[layout.FULL_LOAD_AMPS]
        magnetising = mine[layout.MAGNETISING] * v
        active = math.sqrt(max(mean * mean - magnetising * magnetising, 0.0))
        counts = known and not inrush and flags[row] & layout.IS_SETTLED != 0
        if counts:
            rows[slots[row]] += 1.0
        for one in range(count):
            its = states[one]
            would, against = highest, limit[row]
            if known and not inrush:
                load = active * figures[one, POWER]
                if not math.isnan(figures[one, COLDEST_K]) and not math.isnan(air):
                    load *= (air + KELVIN) / figures[one, COLDEST_K]
                if figures[one, TO_RATED] == 1.0:
                    would, against = math.sqrt((load * v) ** 2 + mine[layout.MAGNETISING] ** 2), mine[layout.FULL_LIMIT]
                elif load != active:
                    would = math.sqrt(load * load + magnetising * magnetising) + (highest - mean)
            setting = mine[layout.DEVICE_SETTING] * figures[one, SETTING_TIMES]
            motor_x = would / (MOTOR_PICK_UP * against)
            device_x = would / (mine[layout.TRIP_RATIO] * setting)
            carry_images(
                its,
                scratch[one],
                t,
                dt_s,
                standing_ms / 1000.0,
                running,
                known,
                inrush,
                motor_x * motor_x,
                device_x * device_x,
            )
            now = would / setting if known else last[one]
            hot = running and its[layout.DEVICE_HEAT] >= level * (1.0 - 1e-12)
            if at_row[one] < 0 and hot and max(now, last[one]) >= floor * (1.0 - 1e-12):
                at_row[one] = first + row
            last[one] = now if running else 0.0
            if counts:
                ratios[slots[row], one] += would / against
        state[layout.AMPS_MS] = t
        state[layout.RUNNING] = 1.0 if running else 0.0
        if heat.size > 0:
            heat[row] = state[layout.DEVICE_HEAT]
    surroundings[0], surroundings[1], surroundings[2] = v, v_ms, air
