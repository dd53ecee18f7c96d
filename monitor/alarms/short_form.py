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


@dataclass(frozen=True)
class Piece:
    """One piece of the line."""

    wordings: tuple[str, ...]
    """From full to short."""
    give: int
    """The greater, the sooner it is shortened."""
    verbatim: bool = False
    """An address must stay as it is; everything else is written in characters of an SMS."""

    def text(self, at: int) -> str:
        """One of its wordings as it is sent."""
        return clean(self.wordings[at] if self.verbatim else fold(self.wordings[at]))


def short(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> str:
    """The short form of a notice: one line of at most 300 characters.

    Parameters
    ----------
    alarm : after the change that is told
    story : the figures now
    wanted : as `alarm.step` returned it; None: by the state of the alarm, for lists and pages
    """
    kind = phrases.kind_of(alarm, wanted)
    pieces = [_who(alarm, story)]
    pieces += _cleared(alarm, story) if kind == "cleared" else _standing(alarm, story, wanted, kind)
    return fit(pieces, SHORT_AT_MOST)


def fit(pieces: Sequence[Piece], most: int) -> str:
    """The pieces in one line, shortened in order of `give` until they fit; wordings are one line each."""
    taken = [0] * len(pieces)

    def line() -> str:
        texts = (piece.text(at) for piece, at in zip(pieces, taken, strict=True))
        return " ".join(text for text in texts if text)

    while septets(line()) > most:
        left = [index for index, piece in enumerate(pieces) if taken[index] + 1 < len(piece.wordings)]
        if not left:
            break
        taken[max(left, key=lambda index: pieces[index].give)] += 1
    return line()


def who(alarm: Alarm, story: Story, most: int) -> str:
    """Which fan, at which site, each name of at most so many characters."""
    fan, site = (shorten(fold(clean(name)) or "no name", most) for name in (story.fan_name, story.site_name))
    return f"{'Supply point ' if alarm.fan is None else ''}{fan}, {site}"


def _who(alarm: Alarm, story: Story) -> Piece:
    return Piece(tuple(f"{who(alarm, story, most)}:" for most in NAME_AT_MOST), 0)


def _standing(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str) -> list[Piece]:
    since = f"since {figures.moment(alarm.since, story.now, story.time_zone)}"
    late = f"{since} ({phrases.happened(alarm, story)})" if phrases.heard_late(alarm) and kind == "raised" else since
    head = phrases.what(alarm, story, kind).upper()
    bad = phrases.load_words(alarm, story) if alarm.condition in phrases.AMPS_CONDITIONS else None
    if alarm.condition in phrases.UNBALANCE_CONDITIONS:
        share = figures.small_percent(phrases.unbalance(alarm, story))
        bad = ", ".join(part for part in (share, phrases.volts_words(story)) if part) or None
    still = kind == "told-again" or (
        wanted is not None and phrases.again(alarm, story, wanted).startswith("the planned")
    )
    head = f"STILL {head}" if still else head
    body = f"{head}. {bad}, " if bad else f"{head} "
    again = phrases.again(alarm, story, wanted)
    said = f"{again[:1].upper()}{again[1:]}." if again else ""
    return [
        Piece((f"{body}{late}.", f"{body}{since}."), 1),
        Piece((said, ""), 4),
        *_more(alarm, story),
        Piece(phrases.first_step(alarm, story), 2),
        *_blades(alarm, story),
        Piece(_acknowledge(alarm, story), 5, verbatim=True),
    ]


def _more(alarm: Alarm, story: Story) -> list[Piece]:
    """How bad, continued, and the time to trip."""
    if alarm.condition == "stopped":
        planned = "Its control calls for it." if story.called else "No stop was announced."
        return [
            Piece((planned, ""), 6),
            Piece((*_before(alarm, story, "Before"), ""), 5),
            Piece((_why(alarm, story), ""), 6),
        ]
    if alarm.condition == "logger-overdue":
        if alarm.fan is None:
            return [Piece(("Its fans are judged without fresh voltage.", ""), 3)]
        seen = "Last seen stopped." if story.running is False else ""
        last = _before(alarm, story, "Last seen running") if story.running else (seen,)
        return [Piece(("The fan is not watched now.",), 1), Piece((*last, ""), 5)]
    if alarm.condition in phrases.UNBALANCE_CONDITIONS:
        under = phrases.load_words(alarm, story)
        return [Piece((f"{under}." if under else "", ""), 5)]
    pieces = []
    if alarm.condition == "low-margin" and story.reaches_limit_at is not None:
        at = figures.moment(story.reaches_limit_at, story.now, story.time_zone)
        pieces.append(Piece((f"Rising: reaches its limit at about {at}.", f"Reaches it about {at}.", ""), 3))
    if story.seconds_to_trip is not None:
        pieces.append(Piece((trip_words(story.seconds_to_trip),), 1))
    return pieces


def trip_words(seconds: float) -> str:
    """Time to trip as a bound: real devices open in 0.4 to 1 of the time of their class."""
    return "At its trip level now." if seconds <= 0 else f"May trip within {figures.at_most(seconds)} at most."


def _before(alarm: Alarm, story: Story, word: str) -> tuple[str, ...]:
    under = phrases.load_words(alarm, story)
    if under is None:
        return (f"{word}.",) if word.startswith("Last") else ("",)
    return (f"{word}: {under}.",)


def _why(alarm: Alarm, story: Story) -> str:
    if story.ended_words is not None:
        return story.ended_words
    ratio = story.load_ratio
    return "Overload trip possible, not proven." if ratio is not None and ratio >= 1.0 else "Why is not known."


def _blades(alarm: Alarm, story: Story) -> list[Piece]:
    """Degrees of pitch, for the conditions that pitch can cure."""
    if alarm.condition not in phrases.AMPS_CONDITIONS or phrases.no_limit(alarm, story):
        return []
    pitch = story.pitch
    if pitch is None:
        words = "Degrees follow." if story.estimate_words == "degrees follow" else ""
        return [Piece((words, ""), 8)]
    option = pitch.get("as_is")
    right = _right_words(pitch)
    if option:
        less = f"Then {figures.degrees(phrases.figure(option, 'degrees'))} less pitch"
        insert = figures.plain(phrases.figure(option, "pitch"))
        sure = figures.chance(phrases.figure(option, "chance"))
        core = f"{less} (insert {insert}, {sure} chance"
        return [Piece((f"{core}; {right})." if right else f"{core}).", f"{core}).", ""), 6)]
    because = {
        "none enough": "No insert on hand is enough as it is",
        "supply first": "Supply first: no degrees before it is right",
        "none needed": "No less pitch needed",
        "cannot say": "",
    }.get(str(pitch.get("as_is_why")), "")
    return [Piece((f"{because} ({right})." if because and right else f"{because}." if because else "", ""), 7)]


def _right_words(pitch: Mapping[str, Any]) -> str:
    """The same with the supply put right, when that is another answer."""
    right, as_is = pitch.get("supply_right"), pitch.get("as_is")
    if right:
        if as_is and phrases.figure(right, "pitch") == phrases.figure(as_is, "pitch"):
            return ""
        less = figures.degrees(phrases.figure(right, "degrees"))
        return f"with the supply right {less}, insert {figures.plain(phrases.figure(right, 'pitch'))}"
    if pitch.get("supply_right_why") == "none needed" and pitch.get("as_is_why") != "none needed":
        return "none with the supply right"
    return ""


def _cleared(alarm: Alarm, story: Story) -> list[Piece]:
    at = alarm.cleared if alarm.cleared is not None else story.now
    when = f"at {figures.moment(at, story.now, story.time_zone)}"
    if story.now - at > phrases.LATE:
        when += f", heard {figures.moment(story.now, story.now, story.time_zone)}"
    since = figures.moment(alarm.since, story.now, story.time_zone)
    lasted = figures.span((at - alarm.since).total_seconds())
    peak = None
    if alarm.condition in phrases.AMPS_CONDITIONS and alarm.peak is not None:
        peak = figures.percent(100.0 * alarm.peak)
    elif alarm.condition in phrases.UNBALANCE_CONDITIONS:
        peak = figures.small_percent(alarm.peak)
    was = f"It lasted {lasted}, from {since}" + (f", {peak} at worst." if peak else ".")
    head = phrases.what(alarm, story, "cleared")
    return [
        Piece((f"{head[:1].upper()}{head[1:]}, {when}.",), 1),
        Piece((was, ""), 3),
        Piece((phrases.after(alarm, story), ""), 4),
        Piece(_acknowledge(alarm, story), 5, verbatim=True),
    ]


def _acknowledge(alarm: Alarm, story: Story) -> tuple[str, ...]:
    if not phrases.to_acknowledge(alarm):
        return ("",)
    link = (f"Acknowledge: {story.page}",) if story.page else ()
    return (*link, "Acknowledge on its page.", "")
