"""What to do next about a fan, in one line: the most pressing thing that stands."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from monitor.records.look_fans import ABOUT_TO_TRIP, NEAR, NO_AMPS, NO_READINGS, NOT_HEARD, OVER, STOPPED, TRIPPED
from monitor.web import words

CHECKS = "supply, connections and bearings"
_STANDING = (
    ("phase-lost", "Stop it now, any heater off first, and leave it off: one phase is lost."),
    ("slow-start", "If it hums or turns slowly, stop it and do not try again before somebody has looked."),
    ("voltage-unbalance-severe", "Stop it if the bin allows, and have the supply put right first."),
)
_LESS = (
    ("device-margin", f"Check {CHECKS} first: its overload device may open at this current."),
    ("voltage-low", "Switch off what can wait on this supply; tell the utility or see to the generator."),
    ("voltage-high", "Tell the utility, or have the generator's regulator looked at."),
    ("voltage-unbalance", "Have the unbalanced supply looked at."),
    ("leg-spread", "Have its connections looked at, locked out."),
    ("no-load", "Look at it from outside: belt, blades, inlet, direction."),
    ("many-starts", "Look at its thermostat, humidistat or timer: it starts too often."),
    ("logger-suspect", "See to its logger and clamps: its figures are in doubt."),
)


def next_step(item: Mapping[str, Any]) -> str:
    """What to do next about a fan, in one line; empty where there is nothing to do."""
    state = item["state"]
    standing = {alarm["id"] for alarm in (*item["alarms"], *item["shared_alarms"]) if alarm["standing"]}
    if "site-silent" in standing:
        return "No logger of the site is heard: see to power, gateway and network."
    if "supply-lost" in standing:
        return "Its supply is lost: any heater off, then see to utility, generator and fuses."
    if state == NO_READINGS:
        return "Have its logger send a first reading; what cannot be taken stands on the page Loggers."
    if state == NOT_HEARD:
        return "See to its logger, its link and its power."
    if state == NO_AMPS:
        return "Its logger gives no usable amps: see to the clamps."
    if state == TRIPPED:
        return "Leave it off and find the cause before anybody resets it; it may start by itself."
    if state == STOPPED:
        return _stopped(standing)
    return _running(item, standing)


def _stopped(standing: set[str]) -> str:
    if "stopped" in standing or "phase-lost" in standing:
        return "Find out why it stopped before it is started again."
    return "Look at its control: it has not run for long." if "not-run" in standing else ""


def _running(item: Mapping[str, Any], standing: set[str]) -> str:
    state, said = item["state"], item["estimate"] or {}
    for condition, words_of_it in _STANDING:
        if condition in standing:
            return words_of_it
    if said.get("as_is_why") == "supply first":
        return "Stop it if the bin allows, and have the supply put right first."
    if state == ABOUT_TO_TRIP:
        return "Lighten its load now, or stop it in order: any heater off first, then let it cool for half an hour."
    if "tripped" in standing:
        return "It tripped and runs again: find the cause, then acknowledge the trip."
    if state == OVER or (state == NEAR and not standing & {"device-margin"}):
        return f"Check {CHECKS} first{_then(said)}."
    return next((words_of_it for condition, words_of_it in _LESS if condition in standing), "")


def _then(said: Mapping[str, Any]) -> str:
    """What may follow on the checks."""
    as_is = said.get("as_is")
    if as_is:
        return f"; then perhaps {words.degrees(as_is['degrees'])} less pitch, chance {words.chance(as_is['chance'])}"
    if said.get("as_is_why") == "none enough":
        return "; no insert on hand is enough"
    return ""
