"""How bad, in the long form: sentences with figures, condition by condition."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime

from monitor.alarms import cold_night, figures, measures, phrases
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.first_steps import NO_LIMIT
from monitor.alarms.story import Story
from monitor.alarms.verdicts import NOT_STARTED_AGAIN, SUPPLY_LOST, verdict

HEATS_UNEVENLY = f"{NO_LIMIT.capitalize()}: the motor heats unevenly, whatever its load."
_MEANS = {
    "voltage-low": "At low voltage a motor draws more amps for the same work.",
    "voltage-high": "Above 110 % a motor draws more magnetising current and heats, whatever its load.",
    "no-load": "It turns, but does little work.",
    "slow-start": "Starting current heats a motor some thirty times as fast as full load.",
}


def how_bad(alarm: Alarm, story: Story, wanted: Wanted | None) -> Iterator[str]:
    """What is known of how bad it is; an empty text where a figure is missing."""
    condition = alarm.condition
    if condition in measures.LOAD_CONDITIONS:
        yield from _too_many_amps(alarm, story)
    elif condition in measures.UNBALANCE_CONDITIONS:
        yield from _unbalanced(alarm, story)
    elif condition in ("stopped", "tripped"):
        yield from _ended(alarm, story, wanted)
    elif condition == "logger-overdue":
        yield from _silent(alarm, story)
    elif condition == "site-silent":
        fans = measures.names(story.fans, 12)
        yield f"Not heard: {fans}." if fans else ""
        yield f"Last reading: {at(story.last_reading, story)}." if story.last_reading is not None else ""
        yield "Power, gateway or link: from here they look the same."
        yield "Until readings are back nobody watches these fans: an overload would not be seen."
    elif condition == cold_night.COLD_NIGHT:
        yield from cold_night.in_long(story)
    elif condition == "logger-suspect":
        words = measures.doubt_words(alarm, story)
        yield f"Why: {words}." if words else ""
        yield "Its figures cannot be relied on until that is put right: an overload might not be seen."
    else:
        yield from _measured(alarm, story)
    yield _MEANS.get(condition, "")
    if condition == "phase-lost" and story.running:
        yield "On two phases it heats fast; its overload device may open at any moment, or too late."


def load_sentence(alarm: Alarm, story: Story, label: str) -> str:
    """`Load: 14.9 A on L1, 109 % of its 13.7 A limit; that is 125 % of its full-load amps (11.9 A).`"""
    words = measures.load_words(alarm, story)
    if words is None:
        return ""
    share = figures.percent(story.percent_of_full_load)
    rated = figures.amps(story.full_load_amps)
    return f"{label}: {words}" + (f"; that is {share} of its full-load amps ({rated})." if share and rated else ".")


def at(when: datetime, story: Story) -> str:
    """A time as the site's people read it."""
    return figures.moment(when, story.now, story.time_zone)


def heat(value: float | None) -> str | None:
    """A thermal image as a share [%], never shown as negative."""
    return None if value is None or not math.isfinite(value) else f"{figures.number(max(0.0, 100.0 * value), 0)} %"


def _too_many_amps(alarm: Alarm, story: Story) -> Iterator[str]:
    yield load_sentence(alarm, story, "How bad")
    if measures.no_limit(alarm, story):
        yield HEATS_UNEVENLY
    if alarm.condition in measures.AMPS_CONDITIONS:
        peak = figures.percent(None if alarm.peak is None else 100.0 * alarm.peak)
        if peak and alarm.peak is not None and alarm.peak > (measures.load(alarm, story) or 0.0) + 0.01:
            yield f"At worst: {peak} of its limit."
    else:
        yield from _against_device(alarm, story)
    motor, device = heat(story.motor_heat), heat(story.device_heat)
    if motor and alarm.condition == "overload":
        yield f"Heat of the motor: {motor} of what its limit allows (an estimate from its amps)."
    if device and alarm.condition in ("trip-near", "device-margin"):
        assumed = "; how warm it was when first seen is assumed" if story.heat_assumed else ""
        yield f"Heat of its overload device: {device} of its trip level (an estimate{assumed})."


def _against_device(alarm: Alarm, story: Story) -> Iterator[str]:
    words = measures.setting_words(alarm, story)
    if alarm.condition == "device-margin" and words:
        yield f"Against its overload device: {words.rpartition(', ')[2]}."
    proven, highest = story.proven_amps, story.highest_leg_amps
    if proven is None or highest is None or not math.isfinite(proven):
        return
    more = "this is more." if highest >= proven else "this is no more than that."
    yield f"It has carried {figures.amps(proven)} for half an hour before without opening; {more}"


def _unbalanced(alarm: Alarm, story: Story) -> Iterator[str]:
    share, volts = figures.small_percent(measures.unbalance(alarm, story)), measures.volts_words(story)
    named = f" ({volts} for L1-L2, L2-L3, L3-L1)" if volts and len(story.volts) == 3 else ""
    yield f"How bad: voltage unbalance {share}{named}." if share else ""
    if measures.no_limit(alarm, story):
        yield HEATS_UNEVENLY
        amps = measures.highest_leg(story)
        yield f"Load: {amps}." if amps else ""
    else:
        yield load_sentence(alarm, story, "Load")


def _measured(alarm: Alarm, story: Story) -> Iterator[str]:
    condition, value = alarm.condition, measures.measure(alarm, story)
    known = value is not None and math.isfinite(value)
    if phrases.inferred(alarm, story):
        yield f"{measures.names(story.fans, 12)} fell to zero within moments of each other."
        yield "Voltage is not measured: a lost supply and a common control that switched them off look the same."
        return
    words = measures.in_full(alarm, story)
    if condition == "many-starts":
        if known:
            most = measures.most_starts(alarm)
            more = (
                f"; {most} are the most it may have (NEMA MG 10 table 2-3, or its own file)" if most is not None else ""
            )
            yield f"How bad: {figures.number(value, 0)} starts in the last hour{more}."
        return
    if condition == "not-run":
        yield f"How long: {figures.number(value, 0)} h without a run." if known else ""
        return
    if condition == "slow-start":
        yield "It drew more than twice its full-load amps for longer than 10 s."
        words = measures.in_full(alarm, story)
        yield f"Now: {words}." if words else ""
        return
    yield f"How bad: {words}." if words else ""
    if condition == "supply-lost":
        fans = measures.names(story.fans, 12)
        yield f"Fans on it: {fans}." if fans else ""
        whose = "Its fans raise" if alarm.fan is None else "The fan raises"
        yield f"{whose} no electrical alarms until it is back."
    share = figures.small_percent(story.unbalance_percent)
    if condition == "leg-spread" and share:
        yield f"A voltage unbalance of {share} does not explain it: look at this fan's own connections and windings."


def _ended(alarm: Alarm, story: Story, wanted: Wanted | None) -> Iterator[str]:
    if alarm.condition == "tripped":
        said = story.ended_words or verdict(story.end_cause, story.confidence)
        yield said or ""
        yield from (f"- {sentence}" for sentence in story.evidence if sentence != said)
    yield load_sentence(alarm, story, "Just before it stopped")
    if story.run_began is not None and not story.running:
        ran = figures.span((alarm.since - story.run_began).total_seconds())
        yield f"It had run for {ran}, since {at(story.run_began, story)}."
    if alarm.condition == "tripped":
        if story.running:
            yield "It runs again, and nobody has acknowledged the trip."
        return
    if not phrases.plan_ended(wanted):
        if story.called:
            yield "Its control calls for it, yet it draws nothing."
        elif story.end_cause != SUPPLY_LOST:
            yield "No stop was announced."
        if story.end_cause == SUPPLY_LOST:
            yield NOT_STARTED_AGAIN
        said = story.ended_words or verdict(story.end_cause, story.confidence)
        yield said or _why_unknown(story)
        yield from (f"- {sentence}" for sentence in story.evidence if sentence != said)
    if alarm.rings_from is not None:
        rings = at(alarm.rings_from, story)
        yield f"This does not ring yet. It rings at {rings} unless it runs then or is acknowledged."


def _why_unknown(story: Story) -> str:
    if story.load_ratio is not None and story.load_ratio >= 1.0:
        return (
            "It was over its limit until then. The overload device may have opened; "
            "that is possible, not proven: a look at the device settles it."
        )
    return (
        "Why it stopped is not known: an overload trip, a lost supply, the control or somebody's hand all look alike."
    )


def _silent(alarm: Alarm, story: Story) -> Iterator[str]:
    usual = f" Usually one comes every {figures.span(story.period_seconds)}." if story.period_seconds else ""
    last = f"Last reading: {at(story.last_reading, story)}." if story.last_reading is not None else ""
    yield f"{last}{usual}"
    if story.logger_words:
        yield f"The logger's own last word: {story.logger_words}."
    if alarm.fan is None:
        yield "Its fans are judged without fresh voltage until it is back: unbalance and low voltage are not seen."
        return
    yield "Until it is back nobody watches this fan: an overload would not be seen."
    if story.running:
        yield load_sentence(alarm, story, "It ran when last seen") or "It ran when last seen."
    elif story.running is False:
        yield "It stood still when last seen."
