"""The short form: one line for SMS and push, never longer than `SHORT_AT_MOST`, no figure ever cut.

It is put together from pieces. Each piece has wordings from full to short, perhaps down to nothing; what matters least
is shortened first, until the whole fits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from monitor.alarms import cold_night, figures, measures, phrases
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean, fold, septets, shorten
from monitor.alarms.first_steps import after, first_step
from monitor.alarms.story import Story
from monitor.alarms.verdicts import NOT_STARTED_AGAIN, SUPPLY_LOST, verdict

SHORT_AT_MOST = 299
"""Characters: two parts of an SMS hold 306."""
NOT_AT_THIS_CURRENT = "Time to trip: not at this current"
TRIP_POINT_UNKNOWN = "Time to trip: its trip point is not known (built-in protector)"
MAY_CARRY_IT = "At this current a device may open within two hours, or carry it"
MAY_OPEN_PERCENT = 105.0
"""Of its setting: from here to 120 % a device may open or not (IEC 60947-4-1)."""
NEAR_ITS_TRIP_POINT = "NEAR THE TRIP POINT OF ITS OVERLOAD DEVICE", "NEAR ITS TRIP POINT"
"""The longest words of the table, and what is said where there is no room for them."""
NAME_AT_MOST = (48, 30, 22, 14)
"""Lengths to which the name of the fan and that of the site are cut, one after the other."""

# What gives way, the last first.
LINK, BRIEFLY, NAMES, FIGURES, FIRST_STEP, MORE_FIGURES, WHY, DEGREES, TO_ACKNOWLEDGE, ADDRESS, NICE_TO_KNOW = range(11)


@dataclass(frozen=True)
class Piece:
    """One piece of the line."""

    wordings: tuple[str, ...]
    """From full to short."""
    gives: tuple[int, ...]
    """What each wording is worth, from LINK (kept longest) to NICE_TO_KNOW; the last holds for all further ones."""
    verbatim: bool = False
    """An address must stay as it is; everything else is written in characters of an SMS."""

    def text(self, at: int) -> str:
        """One of its wordings as it is sent."""
        return clean(self.wordings[at] if self.verbatim else fold(self.wordings[at]))

    def give(self, at: int) -> int:
        """How soon this wording gives way to the next."""
        return self.gives[min(at, len(self.gives) - 1)]


def short(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> str:
    """The short form of a notice: one line of under 300 characters.

    Parameters
    ----------
    alarm : after the change that is told
    story : the figures now
    wanted : as `alarm.step` returned it; None: by the state of the alarm, for lists and pages
    """
    kind = phrases.kind_of(alarm, wanted)
    story = phrases.as_it_was(alarm, story, kind)
    names = Piece(tuple(f"{who(alarm, story, most)}:" for most in NAME_AT_MOST), (NAMES,))
    told = pieces(alarm, story, wanted, kind)
    return fit([names, *told, _acknowledge(alarm, story, kind)], SHORT_AT_MOST)


def pieces(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str, *, blades: bool = True) -> list[Piece]:
    """What is told after the names, from what it is to what to do first, and the degrees unless they are not wanted."""
    if kind == "cleared":
        return _cleared(alarm, story)
    return [*_standing(alarm, story, wanted, kind), *(_blades(alarm, story) if blades else [])]


def fit(pieces: Sequence[Piece], most: int) -> str:
    """The pieces in one line, shortened in order of what they are worth until they fit."""
    taken = [0] * len(pieces)
    written: dict[tuple[int, int], str] = {}

    def line() -> str:
        for both in enumerate(taken):
            if both not in written:
                written[both] = pieces[both[0]].text(both[1])
        texts = (written[both] for both in enumerate(taken))
        return " ".join(text for text in texts if text)

    while septets(line()) > most:
        left = [index for index, piece in enumerate(pieces) if taken[index] + 1 < len(piece.wordings)]
        if not left:
            break
        taken[max(left, key=lambda index: pieces[index].give(taken[index]))] += 1
    # What gave way before something longer did may have room again.
    for index in sorted(range(len(pieces)), key=lambda index: pieces[index].give(taken[index] - 1)):
        for fuller in range(taken[index]):
            kept, taken[index] = taken[index], fuller
            if septets(line()) <= most:
                break
            taken[index] = kept
    return line()


def who(alarm: Alarm, story: Story, most: int) -> str:
    """Which fan, at which site, each name of at most so many characters."""
    fan, site = fold(phrases.point_name(alarm, story)), fold(clean(story.site_name) or "no name")
    return f"{shorten(fan, most)}, {shorten(site, most)}"


def trip_words(alarm: Alarm, story: Story) -> str | None:
    """Time to trip, always a bound: real devices open in 0.4 to 1 of the time of their class. None: nothing to say."""
    seconds = measures.trip_seconds(alarm, story)
    if seconds is None:
        built_in = story.device_type == "built-in protector" and alarm.condition in measures.LOAD_CONDITIONS
        return TRIP_POINT_UNKNOWN if built_in else None
    if math.isinf(seconds):
        share = measures.share_of_setting(alarm, story)
        may = alarm.condition == "device-margin" or (share is not None and share >= MAY_OPEN_PERCENT)
        return MAY_CARRY_IT if may else NOT_AT_THIS_CURRENT
    return "At its trip level now" if seconds <= 0 else f"Time to trip: at most {figures.at_most(seconds)}"


def _standing(alarm: Alarm, story: Story, wanted: Wanted | None, kind: str) -> list[Piece]:
    since = phrases.since_words(alarm, story)
    head = phrases.headline(alarm, story, kind, wanted).upper()
    bad = measures.in_full(alarm, story)
    if alarm.condition == "tripped" and story.running:  # its head may say that nobody acknowledged it
        head, comma, rest = head.partition(", ")
        since = since.replace(",", f"{comma}{rest.lower()},", 1)
    body = f"{head}, {bad}," if bad else head
    body += "," if alarm.condition == "tripped" and not story.running else ""
    late = phrases.heard_late(alarm) and kind == "raised"
    said_late = f"{since} ({phrases.happened(alarm, story)})" if late else since
    # The time to trip, and the fans of a cold night, follow in a sentence of their own.
    figure = measures.brief(alarm, story) if alarm.condition not in ("trip-near", cold_night.COLD_NIGHT) else ""
    fewer = head.replace(*NEAR_ITS_TRIP_POINT)
    brief = f"{fewer}, {figure}, {since}" if figure else f"{fewer} {since}"
    again = phrases.again(alarm, story, wanted)
    return [
        Piece((f"{body} {said_late}.", f"{body} {since}.", f"{brief}."), (FIGURES, BRIEFLY)),
        Piece((*phrases.unacknowledged(story), ""), (WHY,)),
        _again(alarm, again),
        *([] if phrases.plan_ended(wanted) else _more(alarm, story)),
        _first_step(alarm, story, wanted),
    ]


def _first_step(alarm: Alarm, story: Story, wanted: Wanted | None) -> Piece:
    """What to do first; of three wordings the last only where names have given way before."""
    wordings = first_step(alarm, story, wanted)
    return Piece(wordings, (*(FIRST_STEP,) * max(1, len(wordings) - 2), BRIEFLY))


def _again(alarm: Alarm, again: str) -> Piece:
    """Why it is told now; that the motor is hot is never left out."""
    words = f"{again[:1].upper()}{again[1:]}." if again else ""
    return Piece((words, "Motor hot."), (WHY, FIGURES)) if phrases.hot(alarm) and words else Piece((words, ""), (WHY,))


def _more(alarm: Alarm, story: Story) -> list[Piece]:
    """How bad, continued, and the time to trip."""
    if alarm.condition in ("stopped", "tripped"):
        return _how_it_ended(alarm, story)
    if alarm.condition == "logger-overdue":
        return _silent(alarm, story)
    if alarm.condition == cold_night.COLD_NIGHT:
        fans = cold_night.short(story)
        return [Piece(fans, (*(FIGURES,) * max(0, len(fans) - 2), BRIEFLY))]
    if alarm.condition == "site-silent":
        return [Piece(("No fan there is watched now.",), (FIGURES,))]
    if alarm.condition == "logger-suspect":
        return [Piece(("An overload might not be seen.", ""), (WHY,))]
    if alarm.condition == "supply-lost":
        if phrases.inferred(alarm, story):
            return [Piece(("Supply or common control: cannot tell which.",), (FIGURES,))]
        on_it = measures.names(story.fans)
        return [Piece((f"On it: {on_it}." if on_it else "", ""), (MORE_FIGURES,))]
    if alarm.condition in measures.UNBALANCE_CONDITIONS:
        beyond = measures.no_limit(alarm, story)
        amps = measures.highest_leg(story) if beyond else measures.load_words(alarm, story)
        return [Piece((f"{amps}." if amps else "", ""), (DEGREES,))]
    if alarm.condition not in measures.LOAD_CONDITIONS:
        return []
    pieces = []
    if alarm.condition == "low-margin" and story.reaches_limit_at is not None:
        at = figures.moment(story.reaches_limit_at, story.now, story.time_zone)
        pieces.append(Piece((f"Rising: reaches its limit at about {at}.", ""), (MORE_FIGURES,)))
    trip = trip_words(alarm, story)
    if trip is not None:
        never = trip in (NOT_AT_THIS_CURRENT, MAY_CARRY_IT)
        told = (f"{trip}.", "Trip point not known.") if trip == TRIP_POINT_UNKNOWN else (f"{trip}.",)
        pieces.append(Piece((f"{trip}.", ""), (NICE_TO_KNOW,)) if never else Piece(told, (BRIEFLY,)))
    return pieces


def _how_it_ended(alarm: Alarm, story: Story) -> list[Piece]:
    under = measures.load_words(alarm, story)
    if alarm.condition == "tripped":
        said = verdict(story.end_cause, story.confidence) or story.ended_words or ""
        return [
            Piece((said, ""), (WHY,)),
            Piece((f"Before: {under}." if under else "", ""), (DEGREES,)),
        ]
    planned = "Its control calls for it." if story.called else "No stop was announced."
    if story.end_cause == SUPPLY_LOST and not story.called:
        planned = ""
    return [
        Piece((planned, ""), (MORE_FIGURES if story.called else NICE_TO_KNOW,)),
        Piece((f"Before: {under}." if under else "", ""), (DEGREES,)),
        Piece((_why_stopped(story), ""), (WHY,)),
        Piece((_rings_later(alarm, story), ""), (MORE_FIGURES,)),
    ]


def _rings_later(alarm: Alarm, story: Story) -> str:
    if alarm.rings_from is None:
        return ""
    return f"Rings at {figures.moment(alarm.rings_from, story.now, story.time_zone)} unless acknowledged or running."


def _silent(alarm: Alarm, story: Story) -> list[Piece]:
    if alarm.fan is None:
        return [Piece(("Its fans are judged without fresh voltage.", ""), (WHY,))]
    under = measures.load_words(alarm, story)
    seen = {True: "Last seen running.", False: "Last seen stopped.", None: ""}[story.running]
    full = f"Last seen running: {under}." if story.running and under else seen
    return [Piece(("The fan is not watched now.",), (FIGURES,)), Piece((full, seen, ""), (DEGREES,))]


def _why_stopped(story: Story) -> str:
    if story.end_cause == SUPPLY_LOST:
        return NOT_STARTED_AGAIN
    said = verdict(story.end_cause, story.confidence) or story.ended_words
    if said is not None:
        return said
    over = story.load_ratio is not None and story.load_ratio >= 1.0
    return "Overload trip possible, not proven." if over else "Cause not known."


def _blades(alarm: Alarm, story: Story) -> list[Piece]:
    """Degrees of pitch, for the conditions that pitch can cure."""
    told = alarm.condition in measures.LOAD_CONDITIONS and alarm.condition != "trip-near"
    if not told or measures.no_limit(alarm, story) or phrases.hot(alarm):
        return []  # with minutes left, or with a motor that is too hot, pitch is for another day
    pitch = story.pitch
    if pitch is None:
        words = f"Blades: {story.estimate_words}." if story.estimate_words else ""
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
    head, comma, because = phrases.what(alarm, story, "cleared").partition(",")
    when = phrases.over_at(head, at, story)
    if story.now - at > phrases.LATE:
        when += f" (told {figures.moment(story.now, story.now, story.time_zone)})"
    worst = measures.worst(alarm)
    was = phrases.lasted(alarm, at, story)
    return [
        Piece((f"{head[:1].upper()}{head[1:]} {when}{comma}{because}.",), (FIGURES,)),
        Piece((f"{was}; {worst} at worst." if worst else f"{was}.", ""), (MORE_FIGURES,)),
        Piece((after(alarm, story), ""), (WHY,)),
    ]


def _acknowledge(alarm: Alarm, story: Story, kind: str) -> Piece:
    if not phrases.to_acknowledge(alarm):
        return Piece(("",), (ADDRESS,))
    if story.acknowledge_link:
        return acknowledge_piece(story.acknowledge_link)
    if not story.page:
        return Piece(("Acknowledge on its page.", ""), (TO_ACKNOWLEDGE,))
    # Told again because nobody acknowledged: now that is the point, and the degrees were told before.
    gives = (WHY,) if kind == "told-again" else (ADDRESS, TO_ACKNOWLEDGE)
    return Piece((f"Acknowledge: {story.page}", "Acknowledge on its page.", ""), gives, verbatim=True)


def acknowledge_piece(link: str) -> Piece:
    """The link that acknowledges: one tap at two in the morning is worth more than any other words but the alarm's."""
    return Piece((f"To acknowledge: {link}", f"Acknowledge: {link}", ""), (FIRST_STEP, LINK), verbatim=True)
