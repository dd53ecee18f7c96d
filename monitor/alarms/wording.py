"""The words of a notice: one line, subject, short form, long form.

Read every one of them as its reader would: a farmer at two in the morning, a technician on a ladder, a service desk.
"""

from __future__ import annotations

from monitor.alarms import figures, measures, phrases
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.long_form import long
from monitor.alarms.short_form import FIGURES, NAMES, SHORT_AT_MOST, Piece, fit, short, who
from monitor.alarms.story import Story

__all__ = ["SHORT_AT_MOST", "SUBJECT_AT_MOST", "line", "long", "short", "subject"]

SUBJECT_AT_MOST = 120
"""Characters; mail readers on phones show some 40 of them, so the fan comes first."""


def line(alarm: Alarm, story: Story, *, watched: bool = True) -> str:
    """One line for lists, without the names, which the list shows itself: `over its limit, 109 %, since 02:08`.

    With `watched` false it has just ended because it is not watched for any more: nobody saw it go.

    It stands for a long time, so it tells the day with every time that is not of the day of `story.now`.
    """
    kind = phrases.kind_of(alarm, None)
    what = phrases.what(alarm, story, kind)
    bad = measures.brief(alarm, story)
    since = phrases.since_words(alarm, story)
    if kind == "cleared":
        what = what if watched else "no longer watched"
        since = f"{figures.moment(alarm.cleared or story.now, story.now, story.time_zone)}"
        return f"{what}, {since}"
    return ", ".join(part for part in (what, bad, since) if part)


def subject(alarm: Alarm, story: Story, wanted: Wanted | None = None) -> str:
    """Subject of a mail: `North 3, Hill Farm: over its limit, 109 %`; one line, at most 120 characters."""
    kind = phrases.kind_of(alarm, wanted)
    story = phrases.as_it_was(alarm, story, kind)
    share = measures.brief(alarm, story) if kind != "cleared" else ""
    share = (
        ", ".join(part for part in (share, "motor hot") if part) if phrases.hot(alarm) and kind != "cleared" else share
    )
    what = phrases.headline(alarm, story, kind, wanted)
    names = tuple(f"{who(alarm, story, most)}:" for most in (60, 40, 26, 20, 14))
    said = f"{what}, {share}" if share else what
    waited = (
        "" if kind == "cleared" or "not acknowledged" in what else next(iter(phrases.unacknowledged(story)[-1:]), "")
    )
    second = (f"{said}, {waited[:1].lower()}{waited[1:].rstrip('.')}",) if waited else ()
    return fit([Piece(names, (NAMES,)), Piece((*second, said, what), (FIGURES,))], SUBJECT_AT_MOST)
