"""One fan's estimate: its limit, where the amps come from, what to check first, and how many degrees would restore
margin."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass
from typing import Any

from monitor.blades import cautions
from monitor.blades.after_work import BeforeWork
from monitor.blades.air import power_ratio, site_words
from monitor.blades.airflow import Cost, airflow, cost_of
from monitor.blades.belief import AmpsPerDegree, Belief, amps_per_degree, belief_of
from monitor.blades.causes import Cause, causes_of
from monitor.blades.changed import changed_since
from monitor.blades.checks import Check, all_done, checks_for
from monitor.blades.degrees import (
    CANNOT_SAY,
    SUPPLY_FIRST,
    Column,
    Recommended,
    angles_on_hand,
    current_deviation,
    recommend,
    registered,
)
from monitor.blades.parts import Parts, believable_ratio, parts_of, reference_load
from monitor.blades.stall import near_stall
from monitor.blades.window import DEGREES_FOLLOW, WindowFigures
from monitor.motor.current import NO_FALL_PROMISED, TOO_LIGHT, CurrentModel, current_model, model_deviation
from monitor.motor.limit import NO_FACTOR_ABOVE, NOT_MEASURED, ONE_VOLTAGE, TOO_LITTLE, Limit, adjusted_limit
from monitor.motor.nameplate import Nameplate

AIR_NOT_KNOWN = "the air temperature is not known: air density is left out"
COULD_STILL_TRIP = 1.05
"""A device may open from this many times its setting on (IEC 60947-4-1: none below, all by 1.2)."""


@dataclass(frozen=True)
class Option:
    """One insert on hand."""

    pitch: float
    """Its angle [degrees]."""
    degrees: float
    """Degrees less than now."""
    amps: float
    """Highest leg at the coldest expected, as is [A]."""
    low: float
    """Lower end of the band that holds nine of ten [A]."""
    high: float
    """Upper end [A]."""
    chance: float | None
    """Chance to stay under the target as is; None where no limit is given."""
    chance_supply_right: float
    """The same with the supply put right."""
    airflow_percent: float
    """Airflow left [% of now], an estimate."""

    @property
    def cost(self) -> Cost:
        """The same with its band, and how much longer drying takes."""
        return cost_of(self.airflow_percent)


@dataclass(frozen=True)
class Pitch:
    """The degrees."""

    provisional: bool
    """Not all of `checks_first` are done."""
    worth: AmpsPerDegree
    """What a degree is worth in amps."""
    as_is: Recommended | None
    """The least reduction that is enough on the supply the fan has."""
    as_is_why: str | None
    """Why there is none: none needed, none enough, supply first, cannot say."""
    supply_right: Recommended | None
    """The least reduction that is enough once the supply is put right."""
    supply_right_why: str | None
    """Why there is none."""
    options: tuple[Option, ...]
    """Every insert on hand from the present angle down; empty where nothing can be said."""
    columns: tuple[Column, Column] | None
    """As is, and with the supply put right; None where nothing can be said."""


@dataclass(frozen=True)
class Estimate:
    """What the last half hour says about a fan."""

    limit: Limit
    """Over the window."""
    highest: float | None
    """Highest leg of the window [A]; None: degrees follow."""
    parts: Parts | None
    """Where the amps come from; None where it cannot be said."""
    causes: tuple[Cause, ...]
    """Likely causes of an excess, the main one first."""
    checks: tuple[Check, ...]
    """What to check before the blades."""
    done: frozenset[str]
    """Those of them that are on the service record."""
    pitch: Pitch
    """The degrees."""
    margin: float | None
    """Margin now, as a fraction of the limit."""
    margin_coldest: float | None
    """Margin at the coldest expected, blades as they are."""
    reference_load: float | None
    """Active amps at rated voltage and in reference air [A]."""
    words: tuple[str, ...]
    """What has to be said beside it."""
    cautions: tuple[str, ...]
    """Texts to show where work is advised."""
    before_work: BeforeWork | None = None
    """What readings after work on the blades are compared with; None where no degrees are given."""

    @property
    def rank(self) -> float:
        """The lesser of both margins: fans with the least stand on top; infinite where nothing is known."""
        known = [margin for margin in (self.margin, self.margin_coldest) if margin is not None]
        return min(known, default=math.inf)

    def as_json(self) -> dict[str, Any]:
        """The estimate as the API and the review have it; plain numbers, words, lists."""
        worth, pitch = self.pitch.worth, self.pitch
        return {
            "limit": {
                "amps": self.limit.amps,
                "percent_of_full_load": self.limit.percent_of_full_load,
                "factors": [
                    {"name": factor.name, "value": factor.value, "source": factor.source}
                    for factor in self.limit.factors
                ],
            },
            "parts": [{"name": name, "amps": amps} for name, amps in self.parts.named()] if self.parts else [],
            "causes": [
                {
                    "cause": cause.cause,
                    "share_amps": cause.share_amps,
                    "evidence": list(cause.evidence),
                    "confirm_by": cause.confirm_by,
                }
                for cause in self.causes
            ],
            "checks_first": [
                {"name": check.name, "done": check.name in self.done, "how": f"{check.how} {check.finding}"}
                for check in self.checks
            ],
            "pitch": {
                "provisional": pitch.provisional,
                "amps_per_degree": {
                    "mean": worth.mean,
                    "low": worth.low,
                    "high": worth.high,
                    "source": worth.source,
                },
                "as_is": _recommended(pitch.as_is),
                "as_is_why": pitch.as_is_why,
                "supply_right": _recommended(pitch.supply_right),
                "supply_right_why": pitch.supply_right_why,
                "options": [
                    {
                        "pitch": option.pitch,
                        "amps": option.amps,
                        "low": option.low,
                        "high": option.high,
                        "chance": option.chance,
                        "chance_supply_right": option.chance_supply_right,
                        "airflow_percent": option.airflow_percent,
                    }
                    for option in pitch.options
                ],
            },
            "words": list(self.words),
            "cautions": list(self.cautions),
            "before_work": None if self.before_work is None else self.before_work.as_json(),
        }


def _recommended(recommended: Recommended | None) -> dict[str, float] | None:
    if recommended is None:
        return None
    return {"degrees": recommended.degrees, "pitch": recommended.pitch, "chance": recommended.chance}


def estimate(
    nameplate: Nameplate,
    figures: WindowFigures | None,
    altitude_m: float = 0.0,
    *,
    checks_done: Set[str] = frozenset(),
    fault: str | None = None,
    technician_unbalance: float | None = None,
    technician_words: str = "a technician's reading",
    weather_c: float | None = None,
    under_limit_when_warmer: bool = False,
    belief: Belief | None = None,
    usual_load: float | None = None,
    beside: Sequence[str] = (),
) -> Estimate:
    """Ties limit, parts, causes, checks and degrees of one fan together.

    Parameters
    ----------
    nameplate : as registered
    figures : of the window; None: less than 3 min of running, "degrees follow"
    altitude_m : of the site [m]
    checks_done : names of checks on the service record, not older than 30 days; all of them done makes the estimate
        firm
    fault : what was found on this fan (a lost phase, a locked rotor), in words: then no degrees are given
    technician_unbalance : voltage unbalance [%] a technician measured, not older than 30 days, used where the logger
        gives none
    technician_words : how that reading is called in the limit's factors
    weather_c : air temperature of the site's weather point [degrees C], used where the fan's own is not known
    under_limit_when_warmer : the log shows this fan under its limit when it was warmer at the same volts
    belief : what a degree is worth, where it was learned; else from the file, else the usual
    usual_load : median of the fan's own `reference_load` over seven days [A] (`changed`); None: not known
    beside : what else has to be said beside it, e.g. what the other fans of the site show (`comparison`)

    Examples
    --------
    >>> from monitor.motor.nameplate import Fan, Motor
    >>> plate = Nameplate(
    ...     Motor(460, 3, 13.2, 1.15, rated_power_hp=10, power_factor=0.83),
    ...     fan=Fan(21, (13, 15, 17, 18, 19, 21), 13, coldest_expected_c=-5),
    ... )
    >>> seen = WindowFigures(
    ...     15.5, 15.0333, (15.5, 15.0, 14.6), (450, 447, 443), 0.821, 446.67, 7.0, 0.0, 1800, 180, None
    ... )
    >>> answer = estimate(plate, seen)
    >>> answer.pitch.as_is.pitch, round(answer.pitch.as_is.chance, 2), answer.pitch.supply_right.pitch
    (18, 0.94, 19)
    """
    motor = nameplate.motor
    model = current_model(motor)
    belief = belief_of(motor, nameplate.fan, model) if belief is None else belief
    words = [*model.notes]
    altitude = site_words(altitude_m)
    if altitude is not None:
        words.append(altitude)

    v, unbalance, volts_words = supply_of(nameplate, figures)
    source = "measured"
    if unbalance is None and technician_unbalance is not None:
        unbalance, source = technician_unbalance, technician_words
    not_adjusted = TOO_LITTLE if figures is None else NOT_MEASURED if v is None else ONE_VOLTAGE
    limit = adjusted_limit(motor, unbalance, volts_source=source, not_adjusted=not_adjusted)
    words += [*volts_words, *limit.notes]

    parts: Parts | None = None
    causes: tuple[Cause, ...] = ()
    columns: tuple[Column, Column] | None = None
    load: float | None = None
    before: BeforeWork | None = None
    if figures is None:
        words.append(DEGREES_FOLLOW)
    else:
        words += figures.words
        t_c = figures.ambient_c if figures.ambient_c is not None else weather_c
        if t_c is None:
            words.append(AIR_NOT_KNOWN)
        parts = parts_of(
            model,
            highest=figures.highest,
            mean=figures.mean,
            v=v,
            unbalance=unbalance,
            t_c=t_c,
            full_limit=limit.full_amps,
            limit=limit.amps,
        )
        if parts is None:
            words.append(TOO_LIGHT)
        else:
            load = reference_load(model, figures.mean, v, t_c)
            signs = [near_stall(figures, nameplate.logger, limit.full_amps)]
            if usual_load is not None:
                signs.append(changed_since(load, usual_load, volts_known=v is not None, air_known=t_c is not None))
            words += [sign for sign in signs if sign is not None]
            causes = causes_of(
                motor,
                figures,
                parts,
                unbalance=unbalance,
                full_limit=limit.full_amps,
                limit=limit.amps,
                under_limit_when_warmer=under_limit_when_warmer,
            )
            if fault is not None:
                words.append(f"no degrees after {fault}: have it put right first")
            else:
                columns = _columns(nameplate, model, belief, figures, limit, v, t_c, words)
                before = BeforeWork(
                    load, columns[0].spread, columns[0].deviation, belief.mean, belief.deviation, v, t_c
                )
    words += beside
    provisional = not all_done(motor.phases, checks_done)
    worth = amps_per_degree(motor, model, belief)
    no_limit = motor.phases == 3 and unbalance is not None and unbalance > NO_FACTOR_ABOVE
    checks = checks_for(motor.phases)
    return Estimate(
        limit=limit,
        highest=None if figures is None else figures.highest,
        parts=parts,
        causes=causes,
        checks=checks,
        done=frozenset(check.name for check in checks if check.name in checks_done),
        pitch=_pitch(nameplate, provisional, worth, columns, no_limit, words),
        margin=None if figures is None else 1.0 - figures.highest / limit.amps,
        margin_coldest=None if columns is None else 1.0 - columns[0].amps(0.0) / limit.amps,
        reference_load=load,
        words=tuple(words),
        cautions=cautions.for_work(),
        before_work=before,
    )


def _pitch(
    nameplate: Nameplate,
    provisional: bool,
    worth: AmpsPerDegree,
    columns: tuple[Column, Column] | None,
    no_limit: bool,
    words: list[str],
) -> Pitch:
    """Both recommendations and every insert on hand; what has to be said goes into `words`."""
    if columns is None:
        return Pitch(provisional, worth, None, CANNOT_SAY, None, CANNOT_SAY, (), None)
    angles = angles_on_hand(nameplate.fan)
    if not registered(nameplate.fan):
        words.append(_unregistered(nameplate, columns[0]))
    _say_device(nameplate, columns[0], words)
    as_is, as_is_why = (None, SUPPLY_FIRST) if no_limit else recommend(columns[0], nameplate.fan)
    supply_right, supply_right_why = recommend(columns[1], nameplate.fan)
    options = tuple(_option(columns, angles[0] - angle, angle, no_limit) for angle in angles)
    return Pitch(provisional, worth, as_is, as_is_why, supply_right, supply_right_why, options, columns)


def supply_of(
    nameplate: Nameplate, figures: WindowFigures | None
) -> tuple[float | None, float | None, tuple[str, ...]]:
    """Mean over rated voltage, unbalance, and words; None what is not measured or cannot be believed."""
    motor = nameplate.motor
    if figures is None or figures.mean_volts is None:
        return None, None, ()
    v = believable_ratio(figures.mean_volts, motor)
    if v is None:
        odd = f"a mean of {figures.mean_volts:.0f} V at a running motor rated {motor.rated_voltage:g} V"
        advice = "is not believable: taken as not measured. Look at the voltage channels and at the nameplate"
        return None, None, (f"{odd} {advice}",)
    return v, figures.unbalance if motor.phases == 3 else None, (NO_FALL_PROMISED,) if v > 1.05 else ()


def _columns(
    nameplate: Nameplate,
    model: CurrentModel,
    belief: Belief,
    figures: WindowFigures,
    limit: Limit,
    v: float | None,
    t_c: float | None,
    words: list[str],
) -> tuple[Column, Column]:
    """Both questions, as is and with the supply put right; what was assumed goes into `words`."""
    fan = nameplate.fan
    coldest = fan.coldest_expected_c
    if coldest is None:
        words.append("the coldest air expected is not registered: the present air is taken")
    g = 1.0 if t_c is None or coldest is None else power_ratio(t_c, coldest)
    at = 1.0 if v is None else v
    active = model.active(figures.mean, at)
    keep = 1.0 - fan.target_margin_percent / 100.0
    deviation = current_deviation(nameplate.logger, figures.highest, model_deviation(at), figures.spread)
    relative = deviation * figures.mean / (active * active)
    spread = figures.highest - figures.mean
    return (
        Column(limit.amps * keep, active * g, model.magnetising(at), spread, belief, relative),
        Column(limit.full_amps * keep, active * at * g, model.magnetising_rated, 0.0, belief, relative),
    )


def _option(columns: tuple[Column, Column], degrees: float, pitch: float, no_limit: bool) -> Option:
    as_is, right = columns
    return Option(
        pitch=pitch,
        degrees=degrees,
        amps=as_is.amps(degrees),
        low=as_is.low(degrees),
        high=as_is.high(degrees),
        chance=None if no_limit else as_is.chance(degrees),
        chance_supply_right=right.chance(degrees),
        airflow_percent=100.0 * airflow(as_is.belief.mean, degrees),
    )


def _unregistered(nameplate: Nameplate, as_is: Column) -> str:
    """What can still be said where the angles are not registered."""
    missing = "which inserts are on hand"
    if nameplate.fan.blade_pitch_degrees is None:
        missing = "the present blade angle"
    degrees = as_is.degrees
    about = "" if not as_is.needed or degrees is None else f"; by the mean belief it takes about {degrees:.1f} degrees"
    return f"{missing} is not registered{about}"


def _say_device(nameplate: Nameplate, as_is: Column, words: list[str]) -> None:
    setting = nameplate.protection.setting_amps
    if setting is None or as_is.target <= COULD_STILL_TRIP * setting:
        return
    if as_is.amps(0.0) <= COULD_STILL_TRIP * setting:  # blades as they are, it stays clear of both
        return
    words.append(
        f"the target of {as_is.target:.1f} A is above {COULD_STILL_TRIP:g} times the device's setting of "
        f"{setting:g} A: at the target it could still trip"
    )
