"""How a run ended: a verdict with confidence and evidence, from what the fan itself shows and what its sister fans did.

The kernel says what the readings of one fan tell about the end of its run (`columns.Ending`). A supply that was lost
takes every fan with it and a trip takes one, so the verdict waits for the other fans of the supply (`sisters`), and
for a quick restart. Only what happened until `stop_ms` + wait may be used: then it does not matter how the readings
were cut into batches, and a review of the same log comes to the same verdict.

Rows are tried in order, the first that fits is the verdict. h1 is the image of the overload device with the setting
itself as its unit; a *new high* is one that the fan had not carried in the last 24 h.

     1   the end was not seen                                        log ended                      sure
     2   volts below 50 % of rated                                   supply lost                    sure
     2a  no volts; other running fans fell with it                   supply lost                    likely
     3   one leg near zero, the others risen                         phase lost                     high
         volts at 50 to 85 % of rated                                supply lost                    possible
     4   above 4 x full-load amps, not at a start                    short circuit or locked rotor  possible
     5   its control did not call for it                             stopped                        sure
     6   h1 >= 1.3225, new high                                      overload trip                  high
     7   h1 >= 1.1025, new high                                      overload trip                  likely
     8   h1 >= 1.1025                                                overload trip                  possible
     8a  less, but the last leg at 1.05 x setting and more           overload trip                  likely
     8b  the same within what its clamp may err, and no less than    overload trip                  possible
         it had carried
     9   less; volts stayed, or sister fans ran on                   stopped                        high, likely
     9a  less; neither volts nor a sister fan to compare             cannot tell                    possible
    10   no setting known: 6 to 9 against full-load amps x service factor, one word lower, at best possible

Each run of a fan that a thermostat, a timer or a hand starts and stops ends without a trip, and on a night that grows
colder each is a new high. Where nothing says whether its control wanted it then (`Own.by_plan`), rows 6, 7 and 8a are
one word lower, and row 9 stands where it had carried as much before (8, 8a) or where only its clamp's error makes it
hot (8b). (Derived: without that 470 of 483 runs of such a fan at its setting read "possibly an overload trip", and two
in sixty days rang as one; `tests/bench/harvest.py`.)

Row 8b stands on a clamp's error alone. A continuous fan near its setting that somebody stops for work comes under it
each time, but then it had carried more in the day before, and row 9 stands. (Derived: of 380 simulated farms' ends in
8b 31 of 49 stops leave it so, and 6 of 1,517 trips do; of three simulated harvests' 33 stops of such fans all but two.)

All figures are worked out for this project (derived: some 3,000 simulated ends at 10 and 60 s) unless a source is
named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.motor.nameplate import Nameplate
from monitor.watch.columns import Ending
from monitor.watch.sisters import Sister, fell_with, ran_on

LOG_ENDED, SUPPLY_LOST, PHASE_LOST = "log ended", "supply lost", "phase lost"
SHORT_CIRCUIT, STOPPED = "short circuit or locked rotor", "stopped"
OVERLOAD_TRIP, CANNOT_TELL = "overload trip", "cannot tell"
END_CAUSES = (OVERLOAD_TRIP, SUPPLY_LOST, PHASE_LOST, SHORT_CIRCUIT, STOPPED, CANNOT_TELL, LOG_ENDED)
SURE, HIGH, LIKELY, POSSIBLE = "sure", "high", "likely", "possible"
CONFIDENCES = (SURE, HIGH, LIKELY, POSSIBLE)
"""From the most to the least."""

MAY_OPEN = 1.1025
"""1.05 squared: an overload device does not open at 1.05 x its setting or less (IEC 60947-4-1, from memory)."""
MAY_OPEN_TIMES = 1.05
"""Above so many times its setting a device opens sooner or later. Real ones need 0.4 to 1 of the time of their class
and start warm after a trip, so their image may be at the trip level where ours, at the whole class time, is not yet.
(Derived: without rows 8a and 8b a third of the trips of simulated farms were called stops.)"""
OPENS = 1.3225
"""1.15 squared: the middle of where devices open in the end."""
NEW_HIGH = 1.01
"""An image so many times the greatest one carried before is a new high."""
NEW_CURRENT = 1.05
"""A current whose square is so many times the greatest image carried before is one that was not carried before, however
short the run was (an image lags behind: after an hour by 2 to 3 %)."""
LESS_THAN_CARRIED = 0.995
"""An image below so many times the greatest one carried before is less than that one."""
COMPARED_SECONDS = 3600.0
"""With less running than this to compare with, a new high says little: one word lower."""
LOST_PERCENT = 50.0
"""Volts below this share of rated: the supply was lost."""
STAYED_PERCENT = 85.0
"""Volts above this share of rated stayed; between the two a contactor may drop out."""
SHORT_CIRCUIT_TIMES = 4.0
"""More than so many times full-load amps in the last running reading ..."""
AFTER_START_SECONDS = 60.0
"""... later than this after the start: no inrush."""
RARELY_CAUGHT_SECONDS = 5.0
"""At longer periods a reading of it is caught by chance only."""
SLOW_LOGGER_SECONDS = 30.0
"""At longer periods a stop is one word less sure."""
QUICK_RESTART_MS = 60_000.0
"""An overload device takes longer than this to cool and be reset: one word lower."""
RESET_MS = (180_000.0, 1_800_000.0)
"""Runs again so long after a trip: what an automatic reset takes."""
RESETS_REPEATED = 2
"""So many of them in a day are repeated."""


@dataclass(frozen=True)
class Own:
    """What is known of the fan itself beside the ending the kernel tells."""

    volts_percent: float = math.nan
    """Volts at the end: the greatest line [% of rated], lowest within one longer period from the first stopped reading
    on; NaN: not measured. Lost is what all lines lost: one line that stays is a lost phase."""
    run_seconds: float = math.inf
    """From the first to the last running reading of the run; longer where its start was not seen."""
    restart_ms: float | None = None
    """When it ran again, by the time the verdict is due; None: not by then."""
    should_run: bool = True
    """Nothing stops it by plan: its control is continuous, or calls for it."""
    setting_amps: float = math.nan
    """What the overload device is set to [A]; NaN: not known."""
    error_share: float = 0.0
    """How far its clamp may be off at that current, as a share of it."""
    resets: int = 0
    """Trips of the last day after which it ran again within `RESET_MS`."""
    by_plan: bool = False
    """Its control, or somebody's hand, ends its runs, and no channel says whether it did now (`ends_by_plan`)."""


@dataclass(frozen=True)
class Verdict:
    """How a run ended."""

    end_cause: str
    """One of END_CAUSES."""
    confidence: str
    """One of CONFIDENCES."""
    evidence: tuple[str, ...]
    """Sentences with figures; the first one is the verdict in words."""

    @property
    def tripped(self) -> bool:
        """Whether it stands as `tripped`: an overload trip that is at least likely, or a lost phase."""
        return is_trip(self.end_cause, self.confidence)


def device_of(nameplate: Nameplate) -> tuple[float, float]:
    """Setting of the overload device [A], and how far the clamp may be off there as a share; NaN and 0 if not known."""
    setting, logger = nameplate.protection.setting_amps, nameplate.logger
    if setting is None:
        return math.nan, 0.0
    return setting, logger.accuracy_percent / 100.0 + logger.accuracy_amps / setting


def ends_by_plan(control: str | None, called: float) -> bool:
    """Whether runs end by plan and nothing tells whether this one did.

    >>> ends_by_plan("cycled", math.nan), ends_by_plan("cycled", 1.0), ends_by_plan("continuous", math.nan)
    (True, False, False)
    """
    return control in ("cycled", "manual") and math.isnan(called)


def is_trip(end_cause: str | None, confidence: str | None) -> bool:
    """Whether a stored verdict stands as `tripped`."""
    return end_cause == PHASE_LOST or (end_cause == OVERLOAD_TRIP and confidence in (HIGH, LIKELY))


def supply_lost_together(ending: Ending, own: Own, sisters: Sequence[Sister]) -> str | None:
    """Whether the end of a run shows, without volts, that the supply was lost: a sentence, or None.

    At least two running fans of the supply fell together and none ran on. Fans that a thermostat, a timer or somebody's
    hand stops by plan do not count: they stop together every day.
    """
    if not (math.isnan(own.volts_percent) and own.should_run and _supply_fell(ending, sisters)):
        return None
    with_it = [one for one in fell_with(ending, sisters) if one.should_run]
    if not with_it:
        return None
    seconds = max(abs(one.stop_ms - ending.stop_ms) for one in with_it if one.stop_ms is not None) / 1000.0
    return (
        f"{1 + len(with_it)} running fans fell to zero within {_seconds(seconds)} of each other. "
        "Supply or common control, cannot tell: no volts are measured."
    )


def _supply_fell(ending: Ending, sisters: Sequence[Sister]) -> bool:
    return ending.called != 0.0 and bool(fell_with(ending, sisters)) and not ran_on(ending, sisters)


def judge(ending: Ending, own: Own, sisters: Sequence[Sister]) -> Verdict:
    """How a run ended: the first row that fits.

    Parameters
    ----------
    ending : what the kernel told when it ended
    own : the fan itself, by the time the verdict is due
    sisters : the other fans of its supply, by the same time, in any order

    References
    ----------
    IEC 60947-4-1 for where overload devices open (from memory); all else derived.
    """
    volts = own.volts_percent
    if not ending.seen:
        return Verdict(LOG_ENDED, SURE, ("The readings end while it runs: how it ended was not seen.",))
    if volts < LOST_PERCENT:
        said = f"The supply was lost: volts at the end were {volts:.0f} % of rated."
        return Verdict(SUPPLY_LOST, SURE, (said, *_fallen(ending, sisters)))
    if math.isnan(volts) and _supply_fell(ending, sisters):
        return Verdict(SUPPLY_LOST, LIKELY, _fell_together(ending, sisters))
    if ending.lost_phase:
        return _phase_lost(ending, own)
    if volts <= STAYED_PERCENT:
        said = (
            f"Possibly the supply: volts at the end sagged to {volts:.0f} % of rated, where a contactor may drop out."
        )
        return Verdict(SUPPLY_LOST, POSSIBLE, (said,))
    if ending.last_amps > SHORT_CIRCUIT_TIMES * ending.full_load_amps and own.run_seconds > AFTER_START_SECONDS:
        return _short_circuit(ending, own)
    if ending.called == 0.0:
        return Verdict(STOPPED, SURE, ("Stopped as planned: its control did not call for it.",))
    if math.isnan(ending.h1):
        said = "How it ended cannot be told: too few readings of the run to know how hot its device was."
        return Verdict(CANNOT_TELL, POSSIBLE, (said,))
    return _by_heat(ending, own, sisters)


# --- rows 3, 4 and 6 to 10 -------------------------------------------------------------------------------------


def _phase_lost(ending: Ending, own: Own) -> Verdict:
    quick = _restarted_soon(ending, own)
    confidence = _lowered(HIGH, quick)
    head = {HIGH: "Very likely", LIKELY: "Likely"}.get(confidence or "", "Possibly")
    said = f"{head} one phase was lost; the device then opened: one leg was near zero and the others had risen."
    return Verdict(PHASE_LOST, confidence or POSSIBLE, (said, *_restart(ending, own)))


def _short_circuit(ending: Ending, own: Own) -> Verdict:
    times = ending.last_amps / ending.full_load_amps
    rarely = (
        f" With a reading each {_seconds(ending.period_seconds)} that is rarely caught."
        if ending.period_seconds > RARELY_CAUGHT_SECONDS
        else ""
    )
    figures = f"{ending.last_amps:.1f} A, {times:.1f} x full-load amps, long after its start"
    confidence = _lowered(POSSIBLE, _restarted_soon(ending, own))
    if confidence is None:
        said = f"How it ended cannot be told: the last running reading showed {figures}, yet it ran again at once."
        return Verdict(CANNOT_TELL, POSSIBLE, (said, *_restart(ending, own)))
    said = f"Possibly a short circuit or a locked rotor: the last running reading showed {figures}.{rarely}"
    return Verdict(SHORT_CIRCUIT, confidence, (said, *_restart(ending, own)))


def _by_heat(ending: Ending, own: Own, sisters: Sequence[Sister]) -> Verdict:
    """Rows 6 to 10."""
    stayed, others = not math.isnan(own.volts_percent), ran_on(ending, sisters)
    new_high = not ending.h1 < NEW_HIGH * ending.carried  # nothing to compare with: new
    if ending.h1 < MAY_OPEN:
        times = ending.last_amps / own.setting_amps if ending.device_known else math.nan
        opens = times >= MAY_OPEN_TIMES * (1.0 - own.error_share)
        new = new_high or not times**2 < NEW_CURRENT * ending.carried
        by_its_error = times < MAY_OPEN_TIMES
        holds = new and not by_its_error if own.by_plan else not (by_its_error and _carried_more(ending, times))
        if opens and holds:
            return _sooner_than_its_class(ending, own, stayed, others, times)
        return _not_hot(ending, own, stayed, others, opens)
    if own.by_plan and not new_high:
        return _not_hot(ending, own, stayed, others, True)
    lower = int(not ending.device_known) + int(not stayed and not others) + int(_restarted_soon(ending, own))
    lower += int(own.by_plan)
    if new_high:
        confidence = _lowered(HIGH if ending.h1 >= OPENS else LIKELY, lower + int(_little_to_compare(ending)))
    else:
        confidence = _lowered(POSSIBLE, lower)
    if confidence is not None and not ending.device_known:
        confidence = POSSIBLE
    head = {
        HIGH: "Very likely an overload trip",
        LIKELY: "Likely an overload trip",
        POSSIBLE: "Possibly an overload trip",
    }
    more = [*_others(ending, stayed, others, sisters), *_no_setting(ending), *_by_plan(own)]
    if not stayed and not others:
        more.append(
            "A lost supply looks the same: neither volts nor another running fan of its supply is there to compare."
        )
    if _little_to_compare(ending) and new_high:
        more.append(f"There were only {_minutes(ending.compared_seconds)} of running to compare with.")
    said = f"{_image(ending, new_high)}{_volts(own, stayed)}. Not proven; a contact on the starter would settle it."
    resets = _resets(own)
    if confidence is None:
        first = f"How it ended cannot be told, an overload trip among others: {said}"
        return Verdict(CANNOT_TELL, POSSIBLE, (first, *more, *_restart(ending, own), *resets))
    return Verdict(OVERLOAD_TRIP, confidence, (f"{head[confidence]}: {said}", *more, *_restart(ending, own), *resets))


def _sooner_than_its_class(
    ending: Ending, own: Own, stayed: bool, others: Sequence[Sister], times: float
) -> Verdict:  # fmt: skip
    """Rows 8a and 8b: not hot enough by the whole time of its class, but at a current that opens it."""
    lower = int(not stayed and not others) + int(_restarted_soon(ending, own)) + int(own.by_plan)
    confidence = _lowered(LIKELY if times >= MAY_OPEN_TIMES else POSSIBLE, lower)
    figures = (
        f"the last reading showed {ending.last_amps:.1f} A, {times:.2f} x the setting of {own.setting_amps:.1f} A"
        f"{_volts(own, stayed)}"
    )
    image = (
        f"By the whole time of its class the device image stood at {_h(ending.h1)} of setting squared; "
        "real devices act in 0.4 to 1 of that time, and sooner when still warm from a trip."
    )
    more = [image]
    if times < MAY_OPEN_TIMES:
        more.append("Whether it was beyond 1.05 x the setting lies within what its clamp may err.")
    if not stayed and not others:
        more.append("A lost supply looks the same: neither volts nor another running fan is there to compare.")
    tail = (*more, *_by_plan(own), *_restart(ending, own), *_resets(own))
    if confidence is None:
        return Verdict(CANNOT_TELL, POSSIBLE, (f"How it ended cannot be told: {figures}.", *tail))
    head = "Likely" if confidence == LIKELY else "Possibly"
    said = f"{head} an overload trip: {figures}. Not proven; a contact on the starter would settle it."
    return Verdict(OVERLOAD_TRIP, confidence, (said, *tail))


def _not_hot(ending: Ending, own: Own, stayed: bool, others: Sequence[Sister], might_open: bool) -> Verdict:
    """Rows 9 and 9a; also where its device might have opened, but its runs end by plan or it had carried more."""
    ruled_out = (
        f"Overload is ruled out as the device is set: its image stood at {_h(ending.h1)} of setting squared, "
        f"and it does not open below {MAY_OPEN:.2f}."
        if ending.device_known
        else f"An overload trip is not likely: its image stood at {_h(ending.h1)} of its full limit squared."
    )
    if might_open:
        unit = "setting squared" if ending.device_known else "its full limit squared"
        stood = f"the device image stood at {_h(ending.h1)} of {unit}"
        if own.by_plan:
            before = "" if math.isnan(ending.carried) else f"; {_h(ending.carried)} was carried in the last 24 h"
            why = f"each of its runs is ended by its control or by hand: {stood}{before}"
        else:
            share = 100.0 * ending.h1 / ending.carried
            why = f"it had carried more without one: {stood}, {share:.1f} % of the most in the last 24 h"
        ruled_out = f"An overload trip is not ruled out, but {why}."
    more = (ruled_out, *_no_setting(ending))
    if not stayed and not others:
        said = "Stopped, or the supply was lost: which cannot be told without volts and without another running fan."
        return Verdict(CANNOT_TELL, POSSIBLE, (said, *more))
    # A slow logger does not show what came in the last seconds: a locked rotor, a step in load.
    slow = ending.period_seconds > SLOW_LOGGER_SECONDS
    confidence = POSSIBLE if not ending.device_known else HIGH if stayed and not slow and not might_open else LIKELY
    kept = f"volts stayed ({own.volts_percent:.0f} % of rated)" if stayed else f"{_named(others)} of its supply ran on"
    return Verdict(STOPPED, confidence, (f"Stopped by its control or by hand: {kept}.", *more))


def _lowered(confidence: str, words: int) -> str | None:
    """So many words lower; None: lower than the lowest, cannot tell."""
    at = CONFIDENCES.index(confidence) + words
    return CONFIDENCES[at] if at < len(CONFIDENCES) else None


def _restarted_soon(ending: Ending, own: Own) -> bool:
    return own.restart_ms is not None and own.restart_ms - ending.stop_ms <= QUICK_RESTART_MS


def _carried_more(ending: Ending, times: float) -> bool:
    """Whether it had carried more in the day before than at its end, by the image and by the current."""
    less = ending.h1 < LESS_THAN_CARRIED * ending.carried and times**2 < NEW_CURRENT * ending.carried
    return less and not _little_to_compare(ending)


def _little_to_compare(ending: Ending) -> bool:
    return math.isnan(ending.carried) or ending.compared_seconds < COMPARED_SECONDS


# --- sentences -------------------------------------------------------------------------------------------------


def _image(ending: Ending, new_high: bool) -> str:
    unit = "setting squared" if ending.device_known else "its full limit squared"
    figure = f"{_h(ending.h1)} of {unit}"
    if math.isnan(ending.carried):
        return f"the device image stood at {figure}, with no running before to compare it with"
    if new_high:
        return f"the device image was the highest of the last 24 h ({figure}; {_h(ending.carried)} before)"
    return f"the device image stood at {figure}, but {_h(ending.carried)} was carried before without a trip"


def _volts(own: Own, stayed: bool) -> str:
    return f", and volts stayed ({own.volts_percent:.0f} % of rated)" if stayed else ""


def _others(ending: Ending, stayed: bool, others: Sequence[Sister], sisters: Sequence[Sister]) -> list[str]:
    said = []
    if others and not stayed:
        said.append(f"The supply stayed: {_named(others)} of it ran on.")
    if others and (with_it := fell_with(ending, sisters)):
        said.append(f"At the same time stopped: {_named(with_it)}.")
    return said


def _no_setting(ending: Ending) -> tuple[str, ...]:
    if ending.device_known:
        return ()
    return ("No setting of its overload device is registered: full-load amps x service factor stands for it.",)


def _by_plan(own: Own) -> tuple[str, ...]:
    if not own.by_plan:
        return ()
    return ("Its control or somebody's hand ends its runs as well, and nothing says whether it did now.",)


def _restart(ending: Ending, own: Own) -> tuple[str, ...]:
    if own.restart_ms is None:
        return ()
    after = _seconds((own.restart_ms - ending.stop_ms) / 1000.0)
    soon = ": sooner than an overload device usually allows" if _restarted_soon(ending, own) else ""
    return (f"It ran again after {after}{soon}.",)


def _resets(own: Own) -> tuple[str, ...]:
    if own.resets < RESETS_REPEATED:
        return ()
    low, high = (limit / 60_000.0 for limit in RESET_MS)
    times = f"After {own.resets} such ends in a day it ran again within {low:.0f} to {high:.0f} min"
    return (f"{times}: this suggests an automatic reset, which restarts it without warning.",)


def _fell_together(ending: Ending, sisters: Sequence[Sister]) -> tuple[str, ...]:
    with_it = fell_with(ending, sisters)
    said = f"Likely the supply was lost: {_named(with_it)} of its supply fell with it, and no other ran on."
    return said, "A common control would look the same: no volts are measured.", *_sister_volts(with_it)


def _fallen(ending: Ending, sisters: Sequence[Sister]) -> tuple[str, ...]:
    with_it = fell_with(ending, sisters)
    return (f"With it fell {_named(with_it)} of its supply.",) if with_it else ()


def _sister_volts(sisters: Sequence[Sister]) -> tuple[str, ...]:
    known = [one for one in sisters if not math.isnan(one.volts_percent)]
    return tuple(f"Volts at {one.name} were {one.volts_percent:.0f} % of rated then." for one in known)


def _named(sisters: Sequence[Sister]) -> str:
    """`2 other fans (north-1, north-2)`; of many the first three are named."""
    names = ", ".join(one.name for one in sisters[:3]) + (", ..." if len(sisters) > 3 else "")
    return f"{len(sisters)} other fan{'' if len(sisters) == 1 else 's'} ({names})"


def _h(image: float) -> str:
    """Two places, cut and not rounded: what is below a bound never reads as if it had reached it."""
    return f"{math.floor(image * 100.0 + 1e-9) / 100.0:.2f}"


def _seconds(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def _minutes(seconds: float) -> str:
    return f"{seconds / 60.0:.0f} min"
