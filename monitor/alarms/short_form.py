"""The short form: one line for SMS and push, never longer than `SHORT_AT_MOST`, no figure ever cut.

It is put together from pieces. Each piece has wordings from full to short, perhaps down to nothing; what matters least
is shortened first, until the whole fits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.alarms import figures, phrases
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean, fold, septets, shorten
from monitor.alarms.story import Story

SHORT_AT_MOST = 300
"""Characters: two parts of an SMS hold 306."""
NAME_AT_MOST = (48, 30, 22, 14)
"""Lengths to which the name of the fan and that of the site are cut, one after the other."""

# What gives way, the last first.
NAMES, FIGURES, FIRST_STEP, MORE_FIGURES, WHY, DEGREES, TO_ACKNOWLEDGE, ADDRESS, NICE_TO_KNOW = range(9)


@dataclass(frozen=True)
class Piece:
    """One piece of the line."""

    wordings: tuple[str, ...]
    """From full to short."""
    gives: tuple[int, ...]
    """What each wording is worth, from NAMES (kept longest) to NICE_TO_KNOW; the last holds for all further ones."""
    verbatim: bool = False
    """An address must stay as it is; everything else is written in characters of an SMS."""

    def text(self, at: int) -> str:
        """One of its wordings as it is sent."""
        return clean(self.wordings[at] if self.verbatim else fold(self.wordings[at]))

    def give(self, at: int) -> int:
        """How soon this wording gives way to the next."""
        return self.gives[min(at, len(self.gives) - 1)]


def short(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> str:
    """The short form of a notice: one line of at most 300 characters.

    Parameters
    ----------
    alarm : after the change that is told
    story : the figures now
    wanted : as `alarm.step` returned it; None: by the state of the alarm, for lists and pages
    """
    kind = phrases.kind_of(alarm, wanted)
    story = phrases.as_it_was(alarm, story, kind)
    names = Piece(tuple(f"{who(alarm, story, most)}:" for most in NAME_AT_MOST), (NAMES,))
    told = _cleared(alarm, story) if kind == "cleared" else _standing(alarm, story, wanted, kind)
    return fit([names, *told, _acknowledge(alarm, story, kind)], SHORT_AT_MOST)


def fit(pieces: Sequence[Piece], most: int) -> str:
    """The pieces in one line, shortened in order of what they are worth until they fit."""
    taken = [0] * len(pieces)

    def line() -> str:
        texts = (piece.text(at) for piece, at in zip(pieces, taken, strict=True))
        return " ".join(text for text in texts if text)

    while septets(line()) > most:
        left = [index for index, piece in enumerate(pieces) if taken[index] + 1 < len(piece.wordings)]
        if not left:
            break
        taken[max(left, key=lambda index: pieces[index].give(taken[index]))] += 1
    return line()


def who(alarm: Alarm, story: Story, most: int) -> str:
    """Which fan, at which site, each name of at most so many characters."""
    fan, site = fold(phrases.point_name(alarm, story)), fold(clean(story.site_name) or "no name")
    return f"{shorten(fan, most)}, {shorten(site, most)}"


def trip_words(seconds: float) -> str:
    """Time to trip, always a bound: real devices open in 0.4 to 1 of the time of their class."""
    return "At its trip level now" if seconds <= 0 else f"Time to trip: at most {figures.at_most(seconds)}"


def _standing(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str) -> list[Piece]:
    since = f"since {figures.moment(alarm.since, story.now, story.time_zone)}"
    late = phrases.heard_late(alarm) and kind == "raised"
    said_late = f"{since} ({phrases.happened(alarm, story)})" if late else since
    still = kind == "told-again" or phrases.plan_ended(wanted)
    head = ("still " if still else "") + phrases.what(alarm, story, kind)
    bad = _how_bad(alarm, story)
    body = f"{head.upper()}, {bad}," if bad else head.upper()
    again = phrases.again(alarm, story, wanted)
    return [
        Piece((f"{body} {said_late}.", f"{body} {since}."), (FIGURES,)),
        Piece((f"{again[:1].upper()}{again[1:]}." if again else "", ""), (WHY,)),
        *([] if phrases.plan_ended(wanted) else _more(alarm, story)),
        Piece(phrases.first_step(alarm, story, wanted), (FIRST_STEP,)),
        *_blades(alarm, story),
    ]


def _how_bad(alarm: Alarm, story: Story) -> str:
    if alarm.condition in phrases.AMPS_CONDITIONS:
        return phrases.load_words(alarm, story) or ""
    if alarm.condition in phrases.UNBALANCE_CONDITIONS:
        share = figures.small_percent(phrases.unbalance(alarm, story))
        return ", ".join(part for part in (share, phrases.volts_words(story)) if part)
    return ""


def _more(alarm: Alarm, story: Story) -> list[Piece]:
    """How bad, continued, and the time to trip."""
    under = phrases.load_words(alarm, story)
    if alarm.condition == "stopped":
        planned = "Its control calls for it." if story.called else "No stop was announced."
        return [
            Piece((planned, ""), (MORE_FIGURES if story.called else NICE_TO_KNOW,)),
            Piece((f"Before: {under}." if under else "", ""), (DEGREES,)),
            Piece((_why_stopped(story), ""), (WHY,)),
        ]
    if alarm.condition == "logger-overdue":
        if alarm.fan is None:
            return [Piece(("Its fans are judged without fresh voltage.", ""), (WHY,))]
        seen = {True: "Last seen running.", False: "Last seen stopped.", None: ""}[story.running]
        full = f"Last seen running: {under}." if story.running and under else seen
        return [Piece(("The fan is not watched now.",), (FIGURES,)), Piece((full, seen, ""), (DEGREES,))]
    if alarm.condition in phrases.UNBALANCE_CONDITIONS:
        amps = phrases.highest_leg(story) if phrases.no_limit(alarm, story) else under
        return [Piece((f"{amps}." if amps else "", ""), (DEGREES,))]
    pieces = []
    if alarm.condition == "low-margin" and story.reaches_limit_at is not None:
        at = figures.moment(story.reaches_limit_at, story.now, story.time_zone)
        pieces.append(Piece((f"Rising: reaches its limit at about {at}.", ""), (MORE_FIGURES,)))
    if story.seconds_to_trip is not None:
        pieces.append(Piece((f"{trip_words(story.seconds_to_trip)}.",), (FIGURES,)))
    return pieces


def _why_stopped(story: Story) -> str:
    if story.ended_words is not None:
        return story.ended_words
    over = story.load_ratio is not None and story.load_ratio >= 1.0
    return "Overload trip possible, not proven." if over else "Cause not known."


def _blades(alarm: Alarm, story: Story) -> list[Piece]:
    """Degrees of pitch, for the conditions that pitch can cure."""
    if alarm.condition not in phrases.AMPS_CONDITIONS or phrases.no_limit(alarm, story):
        return []
    pitch = story.pitch
    if pitch is None:
        words = f"{story.estimate_words[:1].upper()}{story.estimate_words[1:]}." if story.estimate_words else ""
        return [Piece((words, ""), (NICE_TO_KNOW,))]
    as_is = phrases.reduction(pitch, "as_is")
    right = _right_words(pitch)
    if as_is is not None:
        core = f"Only then {as_is.less} less pitch (insert {as_is.insert}, {as_is.chance} chance"
        return [Piece((f"{core}; {right})." if right else f"{core}).", f"{core}).", ""), (NICE_TO_KNOW, DEGREES))]
    because = {
        "none enough": "No insert on hand is enough as it is",
        "supply first": "No degrees before the supply is right",
        "none needed": "No less pitch needed",
    }.get(str(pitch.get("as_is_why")))
    if because is None:
        return []
    return [Piece((f"{because} ({right})." if right else f"{because}.", f"{because}.", ""), (NICE_TO_KNOW, DEGREES))]


def _right_words(pitch: Mapping[str, Any]) -> str:
    """The same with the supply put right, when that is another answer."""
    right, as_is = phrases.reduction(pitch, "supply_right"), phrases.reduction(pitch, "as_is")
    if right is not None:
        same = as_is is not None and right.insert == as_is.insert
        return "" if same else f"supply put right: {right.less}, insert {right.insert}"
    if pitch.get("supply_right_why") == "none needed" and pitch.get("as_is_why") != "none needed":
        return "supply put right: none needed"
    return ""


def _cleared(alarm: Alarm, story: Story) -> list[Piece]:
    at = alarm.cleared if alarm.cleared is not None else story.now
    when = f"at {figures.moment(at, story.now, story.time_zone)}"
    if story.now - at > phrases.LATE:
        when += f" (heard {figures.moment(story.now, story.now, story.time_zone)})"
    head, comma, because = phrases.what(alarm, story, "cleared").partition(",")
    worst = phrases.worst(alarm)
    was = phrases.lasted(alarm, at, story)
    return [
        Piece((f"{head[:1].upper()}{head[1:]} {when}{comma}{because}.",), (FIGURES,)),
        Piece((f"{was}; {worst} at worst." if worst else f"{was}.", ""), (MORE_FIGURES,)),
        Piece((phrases.after(alarm, story), ""), (WHY,)),
    ]


def _acknowledge(alarm: Alarm, story: Story, kind: str) -> Piece:
    if not phrases.to_acknowledge(alarm):
        return Piece(("",), (ADDRESS,))
    if not story.page:
        return Piece(("Acknowledge on its page.", ""), (TO_ACKNOWLEDGE,))
    # Told again because nobody acknowledged: now that is the point, and the degrees were told before.
    gives = (WHY,) if kind == "told-again" else (ADDRESS, TO_ACKNOWLEDGE)
    return Piece((f"Acknowledge: {story.page}", "Acknowledge on its page.", ""), gives, verbatim=True)
