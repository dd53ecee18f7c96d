"""What a fan's own re-pitches teach about the worth of a degree.

Each recorded re-pitch by D degrees less, with half an hour of running before and after, gives one observation of s:

    p = Ia v (t + 273.15)/293.15        active amps at rated voltage and in reference air
    s_obs = ln(p1/p2)/D                  standard deviation 0.03/|D|

and the belief is updated as a normal one (conjugate normal, known deviation). D is negative where pitch was put back
in. The 0.03 stands for what else may change between two half hours on either side of the work: bed, moisture, error
of the current model (derived). Where neither half hour has volts, or neither has the air, they are taken as alike and
the deviation is wider; where only one has them the two cannot be compared, and that is said.

It fails in stall, where less pitch can cut the power sharply: an observation far off the belief is shown, not used.

One fan's figure is offered for its sisters in words (`offers`), never used by itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.blades.air import power_at_reference
from monitor.blades.belief import BAND, USUAL, AmpsPerDegree, Belief, amps_per_degree, belief_of
from monitor.blades.parts import believable_ratio, reference_load
from monitor.motor.compiled import Floats
from monitor.motor.current import TOO_LIGHT, CurrentModel, current_model
from monitor.motor.nameplate import Fan, Motor

LEAST_SECONDS = 1800.0
"""Running that either side of the work needs [s]."""
LOOK_MS = 2.0 * 86_400_000.0
"""Running is looked for within so long before and after the work, and the two may be no further apart [ms]: later the
bed is another (derived)."""
LEAST_STOP_MS = 600_000.0
"""Nobody changes inserts in less [ms] (common practice: half a day): a shorter pause means the time entered is
wrong."""
LOG_DEVIATION = 0.03
"""Standard deviation of ln(p1/p2) beside the degrees themselves (derived)."""
LOG_DEVIATION_AIR_UNKNOWN = 0.03
"""What is added to it (in squares) where the air is not measured: some 8 K between the half hours (derived)."""
LOG_DEVIATION_VOLTS_UNKNOWN = 0.03
"""What is added to it (in squares) where volts are not measured: some 2 % between the half hours, which moves the amps
by as much and the power worked from them by half as much again (derived)."""
FAR_OFF = 4.0
"""An observation so many standard deviations off the belief is not used (derived: by chance one in 15,000)."""
STEP_MS = 180_000.0
"""Between two readings in a row at most so much counts as running [ms], as in the half-hour window."""


@dataclass(frozen=True)
class PowerFigures:
    """Half an hour of running on one side of a re-pitch, made by `power_before` and `power_after`."""

    from_ms: float
    """Event time of the first reading [ms]."""
    to_ms: float
    """Event time of the last reading [ms]."""
    seconds: float
    """Running time covered [s]; 1800 or more where there was enough."""
    highest: float
    """Mean of the highest leg [A]."""
    mean: float
    """Mean of the mean leg [A]."""
    v: float | None
    """Mean voltage over rated voltage; None: not measured, or not believable."""
    ambient_c: float | None
    """Mean air temperature [degrees C]; None: not measured."""
    power: float | None
    """p, active amps at rated voltage in reference air [A]; without v or air those are left out; None: too lightly
    loaded to say."""
    readings: int
    """How many readings it rests on."""


@dataclass(frozen=True)
class Repitch:
    """One re-pitch on the service record. All of them with one motor nameplate; other blades begin a new record."""

    at_ms: float
    """When it was done: any time within the stop [ms]."""
    from_pitch: float
    """Blade angle before [degrees]."""
    to_pitch: float
    """Blade angle after [degrees]."""
    other_fan_of_plenum_changed: bool
    """Another fan of the plenum was started for good, stopped or re-pitched between the two half hours."""
    before: PowerFigures | None
    """The last half hour of running before; None: there was none within two days."""
    after: PowerFigures | None
    """The first half hour of running after; None: it has not run yet."""

    @property
    def degrees(self) -> float:
        """D, degrees less; negative where pitch was put back in."""
        return self.from_pitch - self.to_pitch


@dataclass(frozen=True)
class Lesson:
    """What one re-pitch showed."""

    repitch: Repitch
    """The re-pitch."""
    slope: float | None
    """s_obs [1/degree]; None where it cannot be worked."""
    slope_deviation: float | None
    """Its standard deviation [1/degree]."""
    predicted: float | None
    """Highest leg that the belief before it expected after the work, at the volts, air and leg spread found then [A];
    None where it cannot be worked."""
    predicted_low: float | None
    """Lower end of the band that holds nine of ten [A]."""
    predicted_high: float | None
    """Upper end [A]."""
    found: float | None
    """Highest leg found after the work [A]; None: it has not run yet."""
    used: bool
    """It went into the belief."""
    why_not: str | None
    """Why it did not, in words; None where it did."""
    words: tuple[str, ...]
    """What has to be said beside it."""

    def said(self) -> str:
        """Predicted against found in one sentence."""
        repitch = self.repitch
        way = "less" if repitch.degrees >= 0.0 else "more"
        work = f"from {repitch.from_pitch:g} to {repitch.to_pitch:g} degrees ({abs(repitch.degrees):g} {way})"
        if self.predicted is None or self.predicted_low is None or self.predicted_high is None:
            found = "" if self.found is None else f": {self.found:.1f} A found"
        else:
            band = f"{self.predicted_low:.1f} to {self.predicted_high:.1f}"
            found = f": {self.predicted:.1f} A expected ({band}), {self.found:.1f} A found"
        return f"{work}{found}" if self.why_not is None else f"{work}{found}; not learned from: {self.why_not}"


@dataclass(frozen=True)
class Learned:
    """What is believed of a fan after all its re-pitches."""

    belief: Belief
    """To hand to `estimate(belief=...)`; the fan's own figure or the usual one where nothing could be learned."""
    lessons: tuple[Lesson, ...]
    """One for each re-pitch, in the order of time."""

    @property
    def used(self) -> int:
        """How many re-pitches went into the belief."""
        return sum(lesson.used for lesson in self.lessons)


def learn(motor: Motor, fan: Fan, repitches: Sequence[Repitch]) -> Learned:
    """The belief of a fan after its recorded re-pitches.

    Parameters
    ----------
    motor, fan : as registered; `amps_per_degree` of the file, where given, is what learning begins from
    repitches : of this fan with this motor and these blades, in any order

    Examples
    --------
    Three degrees less on a 7.5 hp fan. Usual belief 0.075 and 0.015, observed 0.0806 and 0.010:

    >>> motor = Motor(460, 3, 10.2, power_factor=0.81)
    >>> n, hour = 200, 3_600_000.0
    >>> t = np.arange(n) * 10_000.0
    >>> half = lambda legs, volts: (np.tile(legs, (n, 1)), np.tile(volts, (n, 1)))
    >>> legs, volts = half([11.4, 11.1, 10.9], [463.0, 460.0, 457.0])
    >>> before = power_before(motor, 4 * hour, t, legs, volts, np.full(n, 12.0), np.ones(n, bool))
    >>> legs, volts = half([9.8, 9.6, 9.4], [455.0, 452.0, 450.0])
    >>> after = power_after(motor, 4 * hour, t + 8 * hour, legs, volts, np.full(n, 2.0), np.ones(n, bool))
    >>> learned = learn(motor, Fan(), [Repitch(4 * hour, 20, 17, False, before, after)])
    >>> round(learned.belief.mean, 4), round(learned.belief.deviation, 4), learned.belief.source
    (0.0789, 0.0083, 'learned from 1 re-pitch of this fan')
    >>> learned.lessons[0].said()
    'from 20 to 17 degrees (3 less): 9.9 A expected (9.3 to 10.6), 9.8 A found'

    References
    ----------
    Conjugate update of a normal mean with known variance: any text on Bayesian statistics. 0.03 and what is far off:
    worked out for this project (derived).
    """
    model = current_model(motor)
    prior = belief = belief_of(motor, fan, model)
    lessons: list[Lesson] = []
    for repitch in sorted(repitches, key=lambda one: one.at_ms):
        lesson = _lesson(model, belief, repitch)
        lessons.append(lesson)
        if lesson.used:
            assert lesson.slope is not None and lesson.slope_deviation is not None
            belief = updated(belief, lesson.slope, lesson.slope_deviation)
    count = sum(lesson.used for lesson in lessons)
    if count:
        source = f"learned from {count} re-pitch{'es' if count > 1 else ''} of this fan"
        if prior is not USUAL:
            source += ", beginning from its file's own figure"
        belief = Belief(belief.mean, belief.deviation, source)
    return Learned(belief, tuple(lessons))


def updated(belief: Belief, slope: float, deviation: float) -> Belief:
    """The belief after one observation of s.

    Parameters
    ----------
    slope, deviation : of the observation [1/degree]; the second above 0

    Examples
    --------
    >>> after = updated(USUAL, 0.09, 0.015)
    >>> round(after.mean, 4), round(after.deviation, 5)
    (0.0825, 0.01061)
    """
    before, seen = belief.deviation**-2, deviation**-2
    mean = (before * belief.mean + seen * slope) / (before + seen)
    return Belief(mean, (before + seen) ** -0.5, belief.source)


def _lesson(model: CurrentModel, belief: Belief, repitch: Repitch) -> Lesson:
    before, after, degrees = repitch.before, repitch.after, repitch.degrees
    found = None if after is None else after.highest
    why_not = _why_not(repitch)
    if before is None or after is None or before.power is None or after.power is None or not _comparable(before, after):
        return Lesson(repitch, None, None, None, None, None, found, False, why_not, ())
    words: list[str] = []
    of_log = LOG_DEVIATION
    if before.ambient_c is None:
        of_log = math.hypot(of_log, LOG_DEVIATION_AIR_UNKNOWN)
        words.append("the air temperature is not measured: taken as alike before and after")
    if before.v is None:
        of_log = math.hypot(of_log, LOG_DEVIATION_VOLTS_UNKNOWN)
        words.append("voltage is not measured: taken as alike before and after")

    spread = after.highest - after.mean
    v = 1.0 if after.v is None else after.v
    reference = v * (1.0 if after.ambient_c is None else power_at_reference(after.ambient_c))
    deviation = math.hypot(degrees * belief.deviation, of_log)

    def highest(exponent: float) -> float:
        assert before is not None and before.power is not None
        active = before.power * math.exp(exponent) / reference
        return math.hypot(active, model.magnetising(v)) + spread

    middle = -belief.mean * degrees
    expected = highest(middle), highest(middle - BAND * deviation), highest(middle + BAND * deviation)
    slope = of_slope = None
    if degrees != 0.0:
        slope, of_slope = math.log(before.power / after.power) / degrees, of_log / abs(degrees)
        off = abs(slope - belief.mean) / math.hypot(belief.deviation, of_slope)
        # So many re-pitches that all say nearly nothing could talk the belief down to 0: then something else is wrong.
        if why_not is None and (off > FAR_OFF or updated(belief, slope, of_slope).mean <= 0.0):
            why_not = (
                f"it shows {100.0 * slope:.1f} % of shaft power a degree, expected were {100.0 * belief.mean:.1f} %: "
                "something else changed as well (bed, bearings, supply, the angle entered), or the blades were in stall"
            )
    return Lesson(repitch, slope, of_slope, *expected, found, why_not is None, why_not, tuple(words))


def _comparable(before: PowerFigures, after: PowerFigures) -> bool:
    """Both have volts or neither; both have the air or neither."""
    return (before.v is None) == (after.v is None) and (before.ambient_c is None) == (after.ambient_c is None)


def _why_not(repitch: Repitch) -> str | None:
    """The first reason not to learn from a re-pitch that can be told without working it; None: there is none."""
    before, after = repitch.before, repitch.after
    least = f"{LEAST_SECONDS / 60.0:.0f} min"
    if repitch.degrees == 0.0:
        return "the angle is the same before and after"
    if before is None:
        return "no running was seen within two days before it"
    if before.seconds < LEAST_SECONDS:
        return f"only {_minutes(before)} of running were seen within two days before it; {least} are needed"
    if after is None:
        return "the fan has not run since, or not within two days"
    if after.seconds < LEAST_SECONDS:
        return f"only {_minutes(after)} of running since; {least} are needed"
    if after.from_ms - before.to_ms < LEAST_STOP_MS:
        return "the fan ran on over the time that was entered: enter when it stood still for the work"
    if after.from_ms - before.to_ms > LOOK_MS:
        return "more than two days lie between the running before and after it"
    if repitch.other_fan_of_plenum_changed:
        return "another fan of the plenum was changed, started or stopped meanwhile"
    for name, first, second in (
        ("voltage", before.v, after.v),
        ("the air temperature", before.ambient_c, after.ambient_c),
    ):
        if (first is None) != (second is None):
            when = "after" if first is None else "before"
            return f"{name} was measured only {when} it: the two cannot be brought to like conditions"
    if before.power is None or after.power is None:
        return f"the motor is {TOO_LIGHT}"
    return None


def _minutes(figures: PowerFigures) -> str:
    return f"{math.floor(figures.seconds / 60.0)} min"


def settled_rows(t_ms: NDArray[Any], highest: Floats, running_above: float) -> NDArray[np.bool_]:
    """Which stored readings are of running, past the first minute of their run, where the watch's flags are not kept.

    Parameters
    ----------
    t_ms : (n,) event time, rising [ms]
    highest : (n,) highest leg [A]; NaN: not measured, and no sign of a stop
    running_above : highest leg above which the fan runs [A]: the watch's share of the full-load amps

    Returns
    -------
    (n,) of bool. The first run of the columns begins where it is first seen: its first minute does not count.

    Examples
    --------
    >>> t = np.arange(0.0, 150_000.0, 30_000.0)
    >>> settled_rows(t, np.array([0.0, 60.0, 12.0, 12.0, 12.0]), 2.0).tolist()
    [False, False, False, True, True]
    """
    t = np.asarray(t_ms, np.float64)
    out = np.zeros(len(t), bool)
    rows = np.flatnonzero(~np.isnan(highest))
    if not len(rows):
        return out
    t, runs = t[rows], np.asarray(highest, np.float64)[rows] > running_above
    began = runs & ~np.concatenate([[False], runs[:-1]])
    start = np.maximum.accumulate(np.where(began, t, -math.inf))
    out[rows] = runs & (t - start >= 60_000.0)
    return out


def power_before(
    motor: Motor,
    at_ms: float,
    t_ms: NDArray[Any],
    amps: Floats,
    volts: Floats,
    ambient_c: Floats,
    settled: NDArray[np.bool_],
) -> PowerFigures | None:
    """The last half hour of running up to a time, not more than two days before it.

    Runs are taken together where a single one is too short (cycled fans). Where there is less than half an hour the
    whole of it is given; `seconds` tells.

    Parameters
    ----------
    motor : as registered then
    at_ms : event time [ms]
    t_ms : (n,) event times of stored readings [ms]; readings outside the two days are left out
    amps : (n, 3) legs [A]; NaN: not measured; single-phase: the first column
    volts : (n, 3) v12, v23, v31 [V]; NaN: not measured; single-phase: the first column
    ambient_c : (n,) air at the fan [degrees C]; NaN: not measured
    settled : (n,) running and past the first minute of its run: the watch's flag, or `settled_rows`

    Returns
    -------
    None where there was no running at all.
    """
    return _half_hour(motor, at_ms - LOOK_MS, at_ms, True, t_ms, amps, volts, ambient_c, settled)


def power_after(
    motor: Motor,
    at_ms: float,
    t_ms: NDArray[Any],
    amps: Floats,
    volts: Floats,
    ambient_c: Floats,
    settled: NDArray[np.bool_],
) -> PowerFigures | None:
    """The first half hour of running after a time, not more than two days after it; else as `power_before`.

    While it is still short (`seconds` under 1800) it can be asked for again when more has come.

    Examples
    --------
    >>> t = np.arange(0.0, 600_000.0, 10_000.0)
    >>> n = len(t)
    >>> nothing = np.full((n, 3), np.nan)
    >>> seen = power_after(
    ...     Motor(460, 3, 12.4), 100_000.0, t, np.full((n, 3), 12.0), nothing, nothing[:, 0], np.ones(n, bool)
    ... )
    >>> seen.from_ms, seen.seconds, seen.v, round(seen.power, 2)
    (110000.0, 490.0, None, 10.55)
    """
    return _half_hour(motor, at_ms, at_ms + LOOK_MS, False, t_ms, amps, volts, ambient_c, settled)


def _half_hour(
    motor: Motor,
    begin: float,
    end: float,
    last: bool,
    t_ms: NDArray[Any],
    amps: Floats,
    volts: Floats,
    ambient_c: Floats,
    settled: NDArray[np.bool_],
) -> PowerFigures | None:
    """The first or the last half hour of running of begin < t <= end."""
    t = np.asarray(t_ms, np.float64)
    known = ~np.isnan(amps)
    rows = np.flatnonzero((t > begin) & (t <= end) & np.asarray(settled, bool) & known.any(axis=1))
    if not len(rows):
        return None
    rows = rows[np.argsort(t[rows], kind="stable")]
    covered = _covered(t[rows])
    enough = np.cumsum(covered[::-1] if last else covered)
    count = min(int(np.searchsorted(enough, LEAST_SECONDS)) + 1, len(rows))
    rows, seconds = (rows[-count:] if last else rows[:count]), float(enough[count - 1])

    legs = amps[rows]
    highest = float(np.nanmax(legs, axis=1).mean())
    mean = float(np.nanmean(legs, axis=1).mean())
    lines = [_mean(volts[rows, line]) for line in range(volts.shape[1] if motor.phases == 3 else 1)]
    measured = [line for line in lines if line is not None]
    v = believable_ratio(sum(measured) / len(measured), motor) if measured else None
    air = _mean(np.asarray(ambient_c, np.float64)[rows])
    model = current_model(motor)
    light = model.lightly_loaded(mean, 1.0 if v is None else v)
    power = None if light else reference_load(model, mean, v, air)
    return PowerFigures(float(t[rows[0]]), float(t[rows[-1]]), seconds, highest, mean, v, air, power, len(rows))


def _covered(t: Floats) -> Floats:
    """Running time that each reading stands for [s]: the step before it, or the usual one after a break."""
    steps = np.diff(t)
    usual = min(float(np.median(steps)), STEP_MS) if len(steps) else 0.0
    return np.concatenate([[usual], np.where(steps <= STEP_MS, steps, usual)]) / 1000.0


def _mean(column: Floats) -> float | None:
    known = column[~np.isnan(column)]
    return float(known.mean()) if len(known) else None


@dataclass(frozen=True)
class Taught:
    """Another fan, and what its own re-pitches have taught."""

    name: str
    """As people call it."""
    motor: Motor
    """Its nameplate."""
    fan: Fan
    """Its blades."""
    learned: Learned
    """What it has learned."""


@dataclass(frozen=True)
class Offer:
    """A sister's figure, offered for a fan that has none of its own. Nothing uses it until somebody enters it."""

    sister: str
    """Whose it is."""
    worth: AmpsPerDegree
    """What it makes of a degree on this fan."""
    words: str
    """The offer as a sentence."""


def offers(motor: Motor, fan: Fan, own: Learned, others: Sequence[Taught]) -> tuple[Offer, ...]:
    """What sisters of the same nameplate and blades have learned, the surest first; to be shown, never to be used by
    itself.

    None where the fan has a figure of its own, learned or in its file.

    Parameters
    ----------
    motor, fan : as registered
    own : what the fan itself has learned
    others : other fans with their own

    Examples
    --------
    A sister that has learned nothing itself offers nothing:

    >>> motor, fan, nothing = Motor(460, 3, 12.4, 1.15), Fan(blades=6, diameter_in=28), Learned(USUAL, ())
    >>> offers(motor, fan, nothing, [Taught("north-2", motor, fan, nothing)])
    ()
    """
    if own.used or fan.amps_per_degree is not None:
        return ()
    model = current_model(motor)
    found = []
    for other in others:
        if other.learned.used and _same_plate(motor, other.motor) and _same_blades(fan, other.fan):
            worth = amps_per_degree(motor, model, other.learned.belief)
            found.append((other.learned.belief.deviation, other.name, worth, other.learned.used))
    return tuple(Offer(name, worth, _offer_words(fan, name, worth, count)) for _, name, worth, count in sorted(found))


def _same_plate(one: Motor, other: Motor) -> bool:
    """The same ratings; what only one of the plates prints does not set them apart."""
    must = ("rated_voltage", "phases", "full_load_amps", "service_factor")
    may = ("rated_power_hp", "service_factor_amps", "rated_speed_rpm", "power_factor", "efficiency")
    return all(getattr(one, name) == getattr(other, name) for name in must) and all(
        _agree(getattr(one, name), getattr(other, name)) for name in may
    )


def _same_blades(one: Fan, other: Fan) -> bool:
    return _agree(one.blades, other.blades) and _agree(one.diameter_in, other.diameter_in)


def _agree(one: float | None, other: float | None) -> bool:
    return one is None or other is None or one == other


def _offer_words(fan: Fan, name: str, worth: AmpsPerDegree, count: int) -> str:
    known = fan.blades is not None and fan.diameter_in is not None
    look = "" if known else "; whether the blades are the same is for you to look"
    times = f"{count} re-pitch{'es' if count > 1 else ''}"
    return (
        f"{name}, a fan of the same nameplate{' and blades' if known else ''}, has learned {worth.mean:.2f} A a degree "
        f"({worth.low:.2f} to {worth.high:.2f}) from {times}. It is not used here; to use it enter amps_per_degree = "
        f"{worth.mean:.2f} in this fan's file{look}"
    )
