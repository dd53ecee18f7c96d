"""The degrees in sentences: what is enough, with what chance, and what it costs."""

from __future__ import annotations

from monitor.blades.degrees import CANNOT_SAY, NONE_ENOUGH, NONE_NEEDED, SUPPLY_FIRST, Recommended
from monitor.blades.estimate import AIR_NOT_KNOWN, Option, Pitch
from monitor.blades.window import DEGREES_FOLLOW
from monitor.motor.current import TOO_LIGHT
from monitor.review.findings import Findings
from monitor.review.report import words


def for_coldest_night(findings: Findings) -> bool:
    """Whether the degrees hold for the coldest night: not where that, or the air of the log, is not known."""
    known = AIR_NOT_KNOWN not in findings.estimate.words
    return known and findings.nameplate.fan.coldest_expected_c is not None


def degrees_words(findings: Findings, units: str) -> list[str]:
    """What is recommended as is and with the supply put right, and what it costs."""
    pitch = findings.estimate.pitch
    fan = findings.nameplate.fan
    night = "in air as cold as that of this log"
    if for_coldest_night(findings):
        night = f"on the coldest night expected, {words.temperature(fan.coldest_expected_c or 0.0, units)}"
    elif AIR_NOT_KNOWN in findings.estimate.words:
        night += " (how cold that was is not known; colder air takes more amps)"
    target = f"{words.plain(fan.target_margin_percent)} % under its limit"
    said: list[str] = []
    if pitch.as_is is not None and pitch.supply_right_why == NONE_NEEDED:
        # The supply is the cause: that comes before any pitch.
        said.append("None, once the supply is put right: have that done first.")
        said.append(f"On the supply as it is {_takes(pitch.as_is, fan.blade_pitch_degrees, target, night)}")
        said.append(_cost(pitch, pitch.as_is.pitch))
    elif pitch.as_is is not None:
        said.append(f"For the nights to come {_takes(pitch.as_is, fan.blade_pitch_degrees, target, night)}")
        said.append(_cost(pitch, pitch.as_is.pitch))
        said.append(_supply_right(pitch, fan.blade_pitch_degrees))
    else:
        said.append(_why_none(pitch.as_is_why, night, target, findings))
        said.append(_supply_right(pitch, fan.blade_pitch_degrees))
    if pitch.provisional and (pitch.as_is or pitch.supply_right):
        said.append(f"This is provisional until {_left(findings)} have been checked.")
    return [one for one in said if one]


def _left(findings: Findings) -> str:
    estimate = findings.estimate
    return words.listed([check.name for check in estimate.checks if check.name not in estimate.done])


def _takes(recommended: Recommended, present: float | None, target: str, night: str) -> str:
    less = _less(recommended.degrees, recommended.pitch, present)
    return f"it takes {less} to stay {target} {night}: chance {words.chance(recommended.chance)}."


def _less(less: float, to: float, present: float | None) -> str:
    instead = "" if present is None else f" instead of {words.plain(present)}"
    return f"{words.degrees(less)} less pitch (insert {words.plain(to)}{instead})"


def _cost(pitch: Pitch, to: float) -> str:
    option = next((one for one in pitch.options if one.pitch == to), None)
    if option is None:
        return ""
    air = f"{100.0 - option.airflow_percent:.0f} % of the air"
    return f"It costs about {air}, so drying takes about {longer(option):.0f} % longer (an estimate)."


def longer(option: Option) -> float:
    """How much longer drying takes [%]: its time goes with the inverse of the air."""
    return 100.0 * (100.0 / option.airflow_percent - 1.0)


def _why_none(why: str | None, night: str, target: str, findings: Findings) -> str:
    if why == NONE_NEEDED:
        return f"None: with this load it stays {target} {night}."
    if why == NONE_ENOUGH:
        return (
            f"No insert on hand is enough to keep it {target} {night}. Look at the supply, the bearings and the depth "
            "of the grain before anything is ordered."
        )
    if why == SUPPLY_FIRST:
        return (
            "No degrees on this supply: above 5 % voltage unbalance no limit is given. Stop it and have the supply put "
            "right first."
        )
    if why == CANNOT_SAY:
        return f"That cannot be said from this log. {words.sentence(why_not(findings))}".strip()
    return ""


def why_not(findings: Findings) -> str:
    """Why nothing can be said of parts or pitch, in words of the estimate; empty where it does not say."""
    for word in findings.estimate.words:
        if word == DEGREES_FOLLOW:
            return "there is less than 3 min of running to go by"
        if word == TOO_LIGHT or word.startswith("no degrees after ") or "is not registered" in word:
            return word
    return ""


def _supply_right(pitch: Pitch, present: float | None) -> str:
    """What changes once the supply is put right; nothing where it is the same."""
    if pitch.supply_right is not None:
        if pitch.as_is is not None and pitch.as_is.pitch == pitch.supply_right.pitch:
            return ""
        less = _less(pitch.supply_right.degrees, pitch.supply_right.pitch, present)
        return f"Once the supply is put right, {less} is enough: chance {words.chance(pitch.supply_right.chance)}."
    if pitch.supply_right_why == NONE_NEEDED and pitch.as_is_why != NONE_NEEDED:
        return "Once the supply is put right, no pitch has to come out at all: have that done first."
    if pitch.supply_right_why == NONE_ENOUGH and pitch.as_is_why != NONE_ENOUGH:
        return "With the supply put right no insert on hand is enough either."
    return ""
