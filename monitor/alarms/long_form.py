"""The long form: plain text for a mail, in short paragraphs that a phone can break as it likes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from monitor.alarms import cold_night, figures, measures, phrases
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean
from monitor.alarms.details import at, how_bad, load_sentence
from monitor.alarms.first_steps import after, steps
from monitor.alarms.short_form import trip_words
from monitor.alarms.story import Factor, Story

FOOTER = "This service watches and advises. It is no motor protection and replaces no licensed electrician."
NEGLIGIBLE_AMPS = 0.05
"""A part smaller than this rounds to 0.0 A and is left out."""
PARTS_TOLD = 4
LOCKED_OUT = "Locked out: "
"""So begins what is done at a fan that is locked out; beside the name of the check it stands before the colon."""
_ABOUT_NO_LOAD = ("supply-lost", "site-silent", "not-run", "many-starts", cold_night.COLD_NIGHT)
"""Conditions for which legs, volts and limit of now say nothing."""
_ABOUT_NO_LIMIT = ("phase-lost", "slow-start", "logger-suspect", "leg-spread", "no-load", "voltage-low", "voltage-high")
"""Conditions that have nothing to do with the limit."""


def long(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> str:
    """The long form of a notice: plain text, paragraphs with an empty line between them.

    Parameters
    ----------
    alarm : after the change that is told
    story : the figures now
    wanted : as `alarm.step` returned it; None: by the state of the alarm
    """
    stands = phrases.kind_of(alarm, wanted) != "cleared"
    told = paragraphs(alarm, story, wanted)
    return written([*told, cautions(story.cautions) if stands else [], _end(alarm, story)])


def paragraphs(alarm: Alarm, story: Story, wanted: Wanted | None) -> list[list[str]]:
    """What is told of an alarm, as paragraphs of lines, the headline first; without cautions, addresses and the end."""
    kind = phrases.kind_of(alarm, wanted)
    story = phrases.as_it_was(alarm, story, kind)
    body = _cleared(alarm, story) if kind == "cleared" else _standing(alarm, story, wanted, kind)
    return [[_headline(alarm, story, wanted, kind)], *body]


def cautions(sentences: Sequence[str]) -> list[str]:
    """The paragraph of short cautions; empty without any."""
    return ["Before you touch anything:", *(f"- {sentence}" for sentence in sentences)] if sentences else []


def written(told: Sequence[Sequence[str]]) -> str:
    """Paragraphs of lines as plain text, without the empty ones."""
    texts = ["\n".join(line for line in map(clean, lines) if line) for lines in told]
    return "\n\n".join(text for text in texts if text) + "\n"


def full_name(alarm: Alarm, story: Story) -> str:
    """`North 3 at Hill Farm`."""
    site = clean(story.site_name) or "no name"
    if alarm.fan is None and alarm.supply is None:
        return f"The whole site {site}"
    return f"{phrases.point_name(alarm, story)} at {site}"


def _headline(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str) -> str:
    return f"{full_name(alarm, story)}: {phrases.headline(alarm, story, kind, wanted)}."


def _standing(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str) -> list[list[str]]:
    again = phrases.again(alarm, story, wanted)
    top = [
        next(iter(phrases.unacknowledged(story)), ""),
        f"{again[:1].upper()}{again[1:]}." if again else "",
        *how_bad(alarm, story, wanted),
        _since(alarm, story, kind),
        *_to_trip(alarm, story),
        f"Also standing: {', '.join(map(phrases.name_of, story.also_standing))}." if story.also_standing else "",
    ]
    return [
        top,
        list(_do_first(alarm, story, wanted)),
        list(_figures(alarm, story)),
        list(_where_from(alarm, story)),
        list(_blades(alarm, story)),
        list(cold_night.by_day(story)),
        list(story.also),
    ]


def _since(alarm: Alarm, story: Story, kind: str) -> str:
    seconds = (story.now - alarm.since).total_seconds()
    lasted = figures.span(seconds) if seconds >= 1.0 else "just now"
    if alarm.condition == cold_night.COLD_NIGHT:
        return f"Worked out: {at(alarm.since, story)}."
    label = "Tripped" if alarm.condition == "tripped" else "Since"
    ago = f"{lasted} ago" if alarm.condition == "tripped" else lasted
    text = f"{label}: {at(alarm.since, story)} ({ago})."
    if phrases.heard_late(alarm) and kind == "raised":
        text += f" Heard late: {phrases.happened(alarm, story)}. Look at the fan as it is now."
    return text


def _to_trip(alarm: Alarm, story: Story) -> Iterator[str]:
    words = trip_words(alarm, story) if alarm.condition in measures.LOAD_CONDITIONS else None
    if words is not None:
        bound = " at the present current; real devices often open sooner" if "at most" in words else ""
        yield f"{words}{bound}."
    if story.reaches_limit_at is not None and alarm.condition == "low-margin":
        yield f"As it rises now it reaches its limit at about {at(story.reaches_limit_at, story)}."


def _do_first(alarm: Alarm, story: Story, wanted: Wanted | None) -> Iterator[str]:
    """Steps that anybody can take, then the trade's checks where they are the way to the cause."""
    told = steps(alarm, story, wanted)
    if len(told) == 1:
        yield f"What to do first: {told[0][:1].lower()}{told[0][1:]}"
    elif told:
        yield "What to do before dark:" if alarm.condition == cold_night.COLD_NIGHT else "What to do first:"
        yield from (f"{place}. {step}" for place, step in enumerate(told, 1))
    if told and not told[-1].endswith(":"):
        return
    if not told:
        yield "What to check first, in this order, and only then the blades:"
    found = phrases.items(story.estimate, "checks_first")
    marks = (f"{place}." if not told else "-" for place in range(1, 100))
    if not found:
        yield from (f"{mark} {name.capitalize()}" for mark, name in zip(marks, phrases.DEFAULT_CHECKS, strict=False))
        return
    for mark, check in zip(marks, found, strict=False):
        name, how = str(check.get("name", "")), str(check.get("how") or "")
        done = " (done, on the service record)" if check.get("done") else ""
        locked = ", locked out" if how.startswith(LOCKED_OUT) and not done else ""
        how = how.removeprefix(LOCKED_OUT)
        yield f"{mark} {name[:1].upper()}{name[1:]}{locked}{done}" + (f": {how}" if how and not done else "")


def _figures(alarm: Alarm, story: Story) -> Iterator[str]:
    if alarm.condition in _ABOUT_NO_LOAD:
        return
    if alarm.condition in ("stopped", "tripped", "logger-overdue"):
        yield from _notes(story.notes)
        return
    legs = [f"L{place} {figures.amps(value) or 'no reading'}" for place, value in enumerate(story.legs_amps, 1)]
    if len(legs) > 1:
        yield f"Legs: {', '.join(legs)}."
    volts = measures.volts_words(story)
    if volts:
        unbalance = figures.small_percent(story.unbalance_percent)
        rated = figures.volts(story.rated_volts)
        more = (f"rated {rated}" if rated else "", f"unbalance {unbalance}" if unbalance else "")
        said = ", ".join(part for part in more if part)
        source = f", measured at {story.volts_from}" if story.volts_from else ""
        yield f"Volts: {volts}{source}{f' ({said})' if said else ''}."
    if alarm.condition in _ABOUT_NO_LIMIT:
        return
    limit = figures.amps(story.limit_amps)
    if limit and story.limit_factors:
        beyond = " (for 5 % unbalance; beyond that none is given)" if measures.no_limit(alarm, story) else ""
        yield f"Limit: {' x '.join(map(_factor, story.limit_factors))} = {limit}{beyond}."
    elif limit:
        yield f"Limit: {limit}."
    yield from _notes(story.notes)


def _notes(notes: tuple[str, ...]) -> Iterator[str]:
    for note in notes:
        yield f"Note: {note}" if note.endswith(".") else f"Note: {note}."


def _factor(factor: Factor) -> str:
    if "amps" in factor.name:
        value = figures.amps(factor.value) or "?"
    else:
        thousandths = f"{factor.value:.3f}"
        value = thousandths.removesuffix("0") + (" for" if "unbalance" in factor.name else "")
    return f"{value} {factor.name} ({factor.source})" if factor.source else f"{value} {factor.name}"


def _where_from(alarm: Alarm, story: Story) -> Iterator[str]:
    """Where the amps come from, the biggest parts first, and the likely cause with its evidence."""
    if alarm.condition not in measures.LOAD_CONDITIONS or measures.no_limit(alarm, story):
        return
    parts = [
        (str(part.get("name", "")), amps)
        for part in phrases.items(story.estimate, "parts")
        if (amps := phrases.figure(part, "amps")) is not None and abs(amps) >= NEGLIGIBLE_AMPS
    ]
    parts.sort(key=lambda part: -abs(part[1]))
    if parts:
        yield "Where the amps come from: " + "; ".join(_part(name, amps) for name, amps in parts[:PARTS_TOLD]) + "."
    causes = phrases.items(story.estimate, "causes")
    if causes:
        yield f"Likely cause: {causes[0].get('cause')}."
        yield from (_point(str(sentence)) for sentence in causes[0].get("evidence") or () if sentence)
        if causes[0].get("confirm_by"):
            yield _point(f"to confirm: {causes[0]['confirm_by']}")


def _point(sentence: str) -> str:
    """A sentence of the estimate as a point of a list."""
    return f"- {sentence[0].upper()}{sentence[1:].rstrip('.')}."


def _part(name: str, amps: float) -> str:
    size = figures.amps(abs(amps))
    if name == "air density":
        return f"cold air adds {size}" if amps > 0 else f"warm air takes off {size}"
    if name == "fan load":
        where = "above" if amps > 0 else "below"
        return f"the fan's own load (pitch, back-pressure, bearings) is {size} {where} the full limit"
    if name == "derating":
        return f"voltage unbalance lowers the limit by {size}"
    if name == "leg spread":
        return f"the highest leg is {size} above the mean of the legs"
    return f"{name} {'adds' if amps > 0 else 'takes off'} {size}"


def _blades(alarm: Alarm, story: Story) -> Iterator[str]:
    if alarm.condition not in measures.LOAD_CONDITIONS:
        return
    if measures.no_limit(alarm, story):
        yield "Blades: no degrees at this unbalance. The supply comes first."
        return
    pitch = story.pitch
    if pitch is None:
        yield f"Blades: {story.estimate_words}." if story.estimate_words else ""
        return
    yield "Blades, once the checks are done (an estimate):"
    yield f"- As it is: {_option(pitch, 'as_is', story)}"
    yield f"- With the supply put right: {_option(pitch, 'supply_right', story)}"
    worth = pitch.get("amps_per_degree")
    if isinstance(worth, Mapping):
        mean, low, high = (figures.number(phrases.figure(worth, key), 1) for key in ("mean", "low", "high"))
        if mean and low and high:
            source = f"; {worth['source']}" if worth.get("source") else ""
            yield f"A degree is worth about {mean} A ({low} to {high}{source})."
    if pitch.get("provisional"):
        names = phrases.checks(story)
        what = phrases.listed(names) if names else "the first checks"
        yield f"Provisional until {what} {'are' if len(names) != 1 else 'is'} on the service record."
    words = story.estimate.get("words") if story.estimate else None
    yield from _notes(tuple(str(word) for word in words or () if word not in story.notes))


_WHY_NOT = {
    "none needed": "no less pitch needed.",
    "none enough": "no insert on hand is enough; look further than the blades.",
    "supply first": "no degrees before the supply is right.",
    "cannot say": "too little to go by; no degrees.",
}


def _option(pitch: Mapping[str, Any], key: str, story: Story) -> str:
    """`2 degrees less, insert 19 instead of 21: 94 % chance to come under the target, about 6 % less air.`"""
    found = phrases.reduction(pitch, key)
    if found is None:
        return _WHY_NOT.get(str(pitch.get(f"{key}_why")), "not known.")
    target = figures.amps(story.target_amps if key == "as_is" else story.target_amps_supply_right)
    rows = phrases.items(pitch, "options")
    row = next((row for row in rows if figures.plain(phrases.figure(row, "pitch")) == found.insert), None)
    kept = phrases.figure(row, "airflow_percent")
    less_air = "" if kept is None else f", about {figures.number(100.0 - kept, 0)} % less air"
    return (
        f"{found.less} less, insert {found.insert} instead of {found.instead}: "
        f"{found.chance} chance to come under the target{f' of {target}' if target else ''}{less_air}."
    )


def _cleared(alarm: Alarm, story: Story) -> list[list[str]]:
    when = alarm.cleared if alarm.cleared is not None else story.now
    told = f", told {at(story.now, story)}" if story.now - when > phrases.LATE else ""
    top = [
        f"Cleared: {at(when, story)}{told}.",
        f"{phrases.lasted(alarm, when, story)}.",
    ]
    worst = measures.worst(alarm)
    if worst:
        top.append(f"At worst: {worst}.")
    if alarm.count > 1:
        top.append(f"Raised {phrases.times(alarm.count)} in that time.")
    if story.also_standing:
        top.append(f"Still standing: {', '.join(map(phrases.name_of, story.also_standing))}.")
    # The unbalance of now stands among the figures of now.
    left = "" if alarm.condition in measures.UNBALANCE_CONDITIONS else after(alarm, story)
    return [top, list(_now(alarm, story)), [left]]


def _now(alarm: Alarm, story: Story) -> Iterator[str]:
    if story.running:
        yield load_sentence(alarm, story, "Now")
        share = figures.small_percent(story.unbalance_percent)
        if share and alarm.condition in measures.UNBALANCE_CONDITIONS:
            yield f"Voltage unbalance now: {share}."


def _end(alarm: Alarm, story: Story) -> list[str]:
    link = phrases.acknowledge_link(alarm, story)
    here = "Acknowledge it here: " if phrases.to_acknowledge(alarm) and link is None else "Its page: "
    page = f"{here}{story.page}" if story.page else ""
    by = f"Acknowledged by {alarm.acknowledged_by}." if alarm.acknowledged_by else ""
    return [
        f"To acknowledge: {link}" if link else "",
        page,
        by,
        f"Alarm {alarm.number}, priority {alarm.priority}. Times are local at the site.",
        FOOTER,
    ]
