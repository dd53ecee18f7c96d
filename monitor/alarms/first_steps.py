"""What to do first, condition by condition: in one sentence for the short form, step by step for the long one.

What a farm can safely do at night comes first: look, listen, switch off, wait. Whatever is behind a cover is for
somebody who has locked it out, and supply work for a licensed electrician. The order of checks and the test with
rotated leads are the trade's (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping

from monitor.alarms import cold_night
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.figures import small_percent
from monitor.alarms.measures import (
    AMPS_CONDITIONS,
    LOAD_CONDITIONS,
    UNBALANCE_CONDITIONS,
    doubt,
    least_leg,
    no_limit,
    trip_seconds,
)
from monitor.alarms.phrases import checks, hot, inferred, listed, plan_ended
from monitor.alarms.story import Story
from monitor.alarms.verdicts import SUPPLY_LOST
from monitor.watch import layout

HEATER = "any heater off first"
BY_ITSELF = "It may start by itself: lock it out before touching it."
NO_TIME_SECONDS = 180.0
"""With no more left than this nobody lightens a load any more (common practice, no source)."""
NO_LIMIT = "no limit is given at this unbalance"

_SHORT: Mapping[str, tuple[str, ...]] = {
    "supply-lost": (
        (
            "First shut off any heater; then see whether there is power: utility, generator, main fuses. Fans may "
            "start by themselves."
        ),
        "First shut off any heater; then see whether there is power.",
    ),
    "phase-lost": (
        f"Stop it now ({HEATER}) and leave it off: fuses, contacts and utility are for a licensed electrician.",
        f"Stop it now ({HEATER}) and leave it off.",
    ),
    "trip-near": (
        (
            "First switch off other loads on its supply, open roof vents from the ground. If amps stay up: stop it "
            f"({HEATER}), let it cool half an hour."
        ),
        f"First switch off other loads on its supply, else stop it ({HEATER}).",
        f"First lighten its supply, else stop it ({HEATER}).",
    ),
    "voltage-unbalance": (
        "First see whether other three-phase fans have it too: then it is the supply; if not, its own connections.",
        "First have the supply and its connections checked.",
    ),
    "voltage-low": (
        (
            "First switch off what can wait on this supply (dryer, augers); then tell the utility, or see to the "
            "generator."
        ),
        "First switch off what can wait on this supply.",
    ),
    "voltage-high": (
        "First tell the utility; on a generator have its regulator looked at.",
        "First tell the utility.",
    ),
    "slow-start": (
        (
            f"First listen: if it hums or turns slowly, stop it ({HEATER}) and do not try again before bearings, rotor "
            "and supply are looked at."
        ),
        "Stop it if it hums or turns slowly, and do not try again.",
    ),
    "leg-spread": (
        (
            "First have fuses, contacts and terminals looked at, locked out. If all are sound, rotating the leads "
            "tells motor from supply."
        ),
        "First have its connections looked at, locked out.",
    ),
    "no-load": (
        "First look and listen from outside: belt, blades, inlet blocked, bin empty, turning backwards.",
        "First look at it from outside: belt, blades, inlet.",
    ),
    "many-starts": (
        (
            "First look at thermostat, humidistat or timer: set too close, or a contact that flutters. Each start "
            "heats the motor."
        ),
        "First look at its thermostat, humidistat or timer.",
    ),
    "stopped": (
        f"First shut off any heater; then look at power, overload device and control. {BY_ITSELF}",
        f"First shut off any heater. {BY_ITSELF}",
    ),
    "site-silent": (
        "First see whether there is power and the fans run; then look at gateway, network and loggers.",
        "First see whether there is power and the fans run.",
    ),
    "not-run": (
        "First look at its control, breaker and disconnect. It may start without warning.",
        "First look at its control.",
    ),
    cold_night.COLD_NIGHT: cold_night.FIRST_STEP,
}

_STEPS: Mapping[str, tuple[str, ...]] = {
    "supply-lost": (
        "Shut off the fuel of every heater on this supply.",
        "See whether the farm has power: the utility's outage line, the generator, the main fuses or breaker.",
        "If only part of the farm is dark, a fuse or a line is gone: for the utility or a licensed electrician.",
        "Keep away from the fans: with the power they may start by themselves, all at once.",
        "When the power is back: see that each fan runs, and that none turns backwards.",
    ),
    "phase-lost": (
        (
            f"Stop it now, {HEATER}, and leave it off. If it stopped by itself, do not reset it: on two phases it "
            "cannot start, it only hums and burns out."
        ),
        "See whether other three-phase fans have it too: then it is the utility's line or the main fuses.",
        "If only this fan has it: its own fuse, contactor or a lead. That is for a licensed electrician.",
        "After the repair: see that it turns the right way round.",
    ),
    "trip-near": (
        "Switch off other loads on the same supply that can wait (augers, a dryer): its voltage comes up.",
        "Open roof vents that can be worked from the ground: an axial fan draws less against less back-pressure.",
        (
            f"If its amps do not fall within minutes, stop it yourself: {HEATER}, then the fan. That is easier on "
            "motor and grain than a trip."
        ),
        "Let it cool for half an hour or more. Before it runs on, find the cause:",
    ),
    "voltage-low": (
        "Switch off what can wait on this supply: dryer, augers, a fan of a bin that is dry.",
        (
            "See whether the other fans have it too. If all have, tell the utility, or see to the generator's "
            "governor and regulator."
        ),
        "If only this fan has it: its own line or a bad connection. That is for a licensed electrician.",
    ),
    "voltage-high": (
        "On a generator: have its regulator looked at.",
        "On the utility's line: tell them the volts and the time; they set the transformer's tap.",
    ),
    "slow-start": (
        (
            f"Look and listen from outside. If it hums or turns slowly, stop it, {HEATER}: a motor that cannot turn "
            "can burn out within a minute."
        ),
        "Do not try again and again: each try heats it more.",
        "See whether it turned backwards before it started: wind, or another fan on the bin.",
        "Locked out: turn the shaft by hand. It must turn freely, without touching and without roughness.",
        (
            "Then the volts while it starts, all phases, at the motor: for a qualified person. On a single-phase "
            "motor also start switch and capacitors."
        ),
    ),
    "leg-spread": (
        "Have fuses, contactor, terminals and motor leads looked at, locked out: loose, pitted, discoloured?",
        (
            "If all are sound, have a licensed electrician move all three motor leads on by one place (it then turns "
            "the same way as before) and compare. If the high leg stays with the line, it is the supply; if it goes "
            "with the motor's lead, it is the motor."
        ),
        "A clamp that is not quite closed shows the same: compare with a hand meter.",
    ),
    "no-load": (
        "Look and listen from outside, guards in place: does air come, does the belt run, is a blade missing?",
        "Is the inlet blocked with snow, chaff or a cover? Is the bin empty, or a duct or gate open?",
        "After work on the supply: does it turn the right way round? Backwards it moves little air and draws little.",
        "Locked out: belt, coupling, hub and blades.",
    ),
    "many-starts": (
        (
            "Look at what starts it: thermostat, humidistat or timer set too close, a contact that flutters, an "
            "automatic reset."
        ),
        "Give it longer pauses, or let it run through. Each start heats the motor more than minutes of running.",
        f"If nobody can tell why, switch it off ({HEATER}) until somebody has looked.",
    ),
    "stopped": (
        "Shut off the fuel of any heater.",
        "Look at its power, its overload device and its control, in this order.",
        BY_ITSELF,
    ),
    "site-silent": (
        "See whether there is power, and whether the fans run.",
        "See to the gateway or router: its lamps, its plug, its link.",
        "Then the loggers and their power.",
    ),
    "not-run": (
        "Look at its control: thermostat, humidistat or timer, and how it is set. It may start without warning.",
        "Look at its breaker and its disconnect.",
        "Let it run for a while: bearings that stand for weeks seize, and grain that is not aired warms up.",
    ),
    cold_night.COLD_NIGHT: cold_night.STEPS,
}

_DOUBT_SHORT: Mapping[int | None, tuple[str, ...]] = {
    layout.FROZEN: (
        "First see whether the fan runs; then start the logger anew and see that its figures move.",
        "First see whether the fan runs.",
    ),
    layout.STUCK: ("First have that leg's clamp and lead looked at, locked out.",),
    layout.IMPOSSIBLE: ("First have clamps and voltage leads looked at, locked out.",),
    layout.CLAMP_OFF: ("First have the clamp of {leg} put back and closed, locked out.",),
    layout.CLOCK_OFF: ("First set the logger's clock, or have it take the time from the network.",),
    None: ("First see whether the fan runs; then look at the logger, its clock, clamps and leads.",),
}
_DOUBT_STEPS: Mapping[int | None, tuple[str, ...]] = {
    layout.FROZEN: (
        "See whether the fan runs.",
        "Start the logger anew and see that its figures move. If they stay, its input or its program hangs.",
    ),
    layout.STUCK: ("Have that leg's clamp, its lead and its terminal at the logger looked at, locked out.",),
    layout.IMPOSSIBLE: (
        "Locked out: are all clamps closed, on the right leads, one lead in each, and the voltage leads fast?",
        "Compare with a hand meter: for a qualified person.",
    ),
    layout.CLAMP_OFF: (
        "Locked out: put the clamp of {leg} back round its lead and close it; see to its lead.",
        "It is hardly a lost phase: the other legs would have risen. If it hums or turns slowly, stop it all the same.",
    ),
    layout.CLOCK_OFF: (
        "Set the logger's clock, or have it take the time from the network; see to the battery of its clock.",
        "Its figures are judged by its own time: what it tells is right, but its times are not.",
    ),
    None: (
        "See whether the fan runs.",
        "Look at the logger: its clock, its clamps (locked out) and its leads.",
    ),
}


_SUPPLY_IS_BACK = (
    f"First shut off any heater. If all lines have their voltage, start it and see that it turns right. {BY_ITSELF}",
    f"First shut off any heater; then see to its supply and start it. {BY_ITSELF}",
    f"First shut off any heater. {BY_ITSELF}",
)
_SUPPLY_IS_BACK_STEPS = (
    "Shut off the fuel of any heater.",
    "See that every line has its voltage again. If not, leave it off: that is for the utility or an electrician.",
    "Start it, and see that it turns the right way: lines may have been put back in another order.",
    BY_ITSELF,
)


def first_step(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> tuple[str, ...]:
    """What to do first, from the fuller to the shortest wording; each a whole sentence or two."""
    condition = alarm.condition
    if plan_ended(wanted):
        return ("Start it, or announce a longer stop.",)
    if condition in (*LOAD_CONDITIONS, *UNBALANCE_CONDITIONS) and no_limit(alarm, story):
        return (
            f"{NO_LIMIT.capitalize()}: stop it ({HEATER}) and have the supply put right.",
            f"Stop it ({HEATER}) and have the supply put right.",
        )
    if inferred(alarm, story):
        return (
            (
                "First shut off any heater; then look at the control they share, and at their supply. They may start "
                "by themselves."
            ),
            "First shut off any heater.",
        )
    if condition in ("phase-lost", "slow-start") and story.running is False:
        off = "First shut off any heater and leave the fan off; it may start by itself, so lock it out."
        more = "Fuses, contacts and utility are for a licensed electrician." if condition == "phase-lost" else (
            "Then bearings, rotor and supply."
        )  # fmt: skip
        return f"{off} {more}", off
    if condition == "tripped":
        return _tripped(story)
    if condition == "stopped" and story.end_cause == SUPPLY_LOST:
        return _SUPPLY_IS_BACK
    if condition == "trip-near" and _no_time(alarm, story):
        return (
            f"Stop it now ({HEATER}) and let it cool for half an hour; then find the cause.",
            f"Stop it now ({HEATER}).",
        )
    if condition == "logger-suspect":
        return _doubt(alarm, story, _DOUBT_SHORT)
    if condition == "logger-overdue":
        if alarm.fan is None:
            return ("First look at the logger's power, leads and network.",)
        return (
            "First see whether the fan runs, then the logger's power, clamps and network.",
            "First see whether the fan runs.",
        )
    if condition == "voltage-unbalance-severe":
        return _SHORT["voltage-unbalance"]
    if condition in _SHORT:
        return _SHORT[condition]
    return _checks_first(alarm, story)


def _no_time(alarm: Alarm, story: Story) -> bool:
    """Whether too little time is left to do anything but stop it."""
    seconds = trip_seconds(alarm, story)
    return seconds is not None and seconds <= NO_TIME_SECONDS


def _checks_first(alarm: Alarm, story: Story) -> tuple[str, ...]:
    """The trade's checks, for whatever comes of too many amps."""
    if hot(alarm):
        stop = f"Stop it if the grain allows ({HEATER}) and let it cool."
        return f"{stop} Then check {listed(checks(story) or ('the blades',))}.", stop
    names = checks(story)
    if not names:
        return ("The first checks are on record.",)
    when = " at the next visit" if alarm.condition == "low-margin" and story.reaches_limit_at is None else ""
    never = " Never raise its setting." if alarm.condition == "device-margin" else ""
    return f"First check {listed(names)}{when}.{never}", f"First check the supply and the motor.{never}"


def _tripped(story: Story) -> tuple[str, ...]:
    if story.running:
        return (
            (
                f"First ask who started it. If nobody did, it resets itself: switch it off ({HEATER}) until the cause "
                "is found."
            ),
            f"First ask who started it; if nobody did, switch it off ({HEATER}).",
        )
    if story.end_cause == "phase lost":
        return (
            (
                "First shut off any heater. Leave it off: fuses, contacts and utility are for a licensed electrician. "
                f"{BY_ITSELF}"
            ),
            f"First shut off any heater. Leave it off. {BY_ITSELF}",
            "First shut off any heater. Leave it off and lock it out: it may start by itself.",
        )
    return (
        (
            "First shut off any heater. No reset before the cause is found: "
            f"{listed(checks(story) or ('the blades',))}. {BY_ITSELF}"
        ),
        f"First shut off any heater. No reset before the cause is found. {BY_ITSELF}",
        "First shut off any heater. No reset. It may start by itself: lock it out.",
    )


def _doubt(alarm: Alarm, story: Story, of: Mapping[int | None, tuple[str, ...]]) -> tuple[str, ...]:
    least = least_leg(story)
    leg = f"L{least}" if least else "the leg that reads zero"
    return tuple(words.replace("{leg}", leg) for words in of[doubt(alarm)])


def steps(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> tuple[str, ...]:
    """What to do first, step by step, for the long form; one step where the short form says it all.

    The trade's checks with how to do each (`checks_first` of the estimate) are told after these, not among them.
    """
    condition = alarm.condition
    if plan_ended(wanted) or (condition in LOAD_CONDITIONS and no_limit(alarm, story)):
        return (_plain(first_step(alarm, story, wanted)[-1]),)
    if condition in UNBALANCE_CONDITIONS:
        return (_plain(first_step(alarm, story, wanted)[-1 if no_limit(alarm, story) else 0]),)
    if inferred(alarm, story):
        return (
            "Shut off the fuel of every heater on these fans.",
            (
                "Look at what they share: a control, a main switch, a breaker. Then at the supply: utility, "
                "generator, fuses."
            ),
            "Keep away from the fans: they may start by themselves, all at once.",
        )
    if condition == "tripped":
        return _tripped_steps(story)
    if condition == "trip-near" and _no_time(alarm, story):
        return (
            f"Stop it now, {HEATER}, then the fan. That is easier on motor and grain than a trip.",
            "Let it cool for half an hour or more. Before it runs on, find the cause:",
        )
    if condition == "phase-lost" and story.running is False:
        off = "Shut off any heater. Do not reset it: on two phases it cannot start, it only hums and burns out."
        return off, *_STEPS[condition][1:]
    if condition == "slow-start" and story.running is False:
        off = "Shut off any heater and leave the fan off; it may start by itself, so lock it out."
        return off, *_STEPS[condition][2:]
    if condition == "logger-suspect":
        return _doubt(alarm, story, _DOUBT_STEPS)
    if condition == "stopped" and story.end_cause == SUPPLY_LOST:
        return _SUPPLY_IS_BACK_STEPS
    if condition in _STEPS:
        return _STEPS[condition]
    if hot(alarm):
        return (f"Stop it if the grain allows, {HEATER}, and let it cool for half an hour. Then:",)
    return () if condition in AMPS_CONDITIONS or condition == "device-margin" else (
        _plain(first_step(alarm, story, wanted)[0]),
    )  # fmt: skip


def _tripped_steps(story: Story) -> tuple[str, ...]:
    if story.running:
        return (
            (
                "Ask who started it. If nobody did, its overload device or its control resets by itself, and it will "
                "go on so until the motor burns out."
            ),
            f"Switch it off, {HEATER}. Before it runs on, find the cause:",
        )
    start = (
        "Shut off the fuel of any heater.",
        "Leave the fan off. It may start by itself: switch its control off and lock it out before anybody touches it.",
    )
    if story.end_cause == "phase lost":
        return (
            *start,
            "See whether other three-phase fans have it too: then it is the utility's line or the main fuses.",
            "If only this fan has it: its own fuse, contactor or a lead. That is for a licensed electrician.",
        )
    return (
        *start,
        "Look at the overload device: has it opened? That proves the trip. Do not reset it yet.",
        "Find the cause before it runs on:",
    )


def _plain(sentence: str) -> str:
    """A sentence that stands under "What to do first"."""
    plain = sentence.removeprefix("First ")
    return plain[:1].upper() + plain[1:]


def after(alarm: Alarm, story: Story) -> str:
    """What is left to do when it has cleared; empty where there is nothing."""
    condition = alarm.condition
    if story.running is False and condition in (*LOAD_CONDITIONS, "slow-start", "no-load"):
        cool = "Let it cool. " if condition in ("trip-near", "slow-start") else ""
        return f"{cool}See why it stopped before it is started again."
    if condition in LOAD_CONDITIONS:
        names = checks(story)
        when = " at the next visit" if condition == "low-margin" and story.reaches_limit_at is None else ""
        cause = "The cause may still be there: "
        return f"{cause}check {listed(names)}{when}." if names else f"{cause}the first checks are on record."
    if condition == "voltage-unbalance-severe" and story.running and story.unbalance_percent is not None:
        return f"Unbalance is now {small_percent(story.unbalance_percent)}."
    if condition == "phase-lost" and story.running:
        return "Have the reason found: it will happen again, and it burns motors out."
    return _AFTER.get(condition, "")


_AFTER = {
    "stopped": "If nobody started it, find out why it stopped.",
    "tripped": "If its cause was not found, it will trip again.",
    "supply-lost": "See that every fan runs again and that none turns backwards.",
    "phase-lost": "Leave it off until the reason is found: a lost phase burns motors out.",
    "slow-start": "Find out why it was slow before it is started again.",
    "leg-spread": "A bad connection comes and goes: have it looked at all the same.",
    "site-silent": "See that all fans run: nobody watched them meanwhile.",
    cold_night.COLD_NIGHT: cold_night.AFTER,
}
