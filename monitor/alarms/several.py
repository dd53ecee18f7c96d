"""One notice about more than one alarm of a site, so that a bad minute is one message and not ten.

The order is that of every notice, for the worst of them: which fan, what, how bad, since when, time to trip, what to do
first. Then the others, each with what it is as far as there is room; what has no room is counted, never left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from monitor.alarms import measures, phrases, short_form
from monitor.alarms.alarm import Alarm, Wanted
from monitor.alarms.characters import clean, fold, shorten
from monitor.alarms.data import notice_data, plain
from monitor.alarms.long_form import FOOTER, cautions, paragraphs, written
from monitor.alarms.short_form import (
    ADDRESS,
    DEGREES,
    FIGURES,
    FIRST_STEP,
    MORE_FIGURES,
    NAME_AT_MOST,
    NAMES,
    NICE_TO_KNOW,
    SHORT_AT_MOST,
    TO_ACKNOWLEDGE,
    WHY,
    Piece,
    fit,
)
from monitor.alarms.story import Story
from monitor.alarms.texts import Texts
from monitor.alarms.wording import SUBJECT_AT_MOST
from monitor.watch.table import PRIORITIES

KIND = "several"
TOLD_IN_FULL = 5
"""With more alarms than this only the worst is told in full, or nobody reads to the end of the mail."""
OTHER_NAME_AT_MOST = 24
"""To this the names of the others are cut in the short form."""
NAMED_AT_MOST = (8, 5, 3, 2)
"""So many fans are named of each thing that is told of several, one after the other, as room is missing."""


@dataclass(frozen=True)
class _One:
    """One of them, in words."""

    alarm: Alarm
    story: Story
    wanted: Wanted
    kind: str
    name: str
    """Of fan, supply point or whole site."""
    what: str
    """The headline, in lower case."""
    because: str
    """Of a cleared one the reason, if there is one: `because it has stopped`."""
    bad: str
    """One figure, or nothing."""
    when: str
    """`since 02:08`, `at 02:43`."""

    @property
    def cleared(self) -> bool:
        return self.kind == "cleared"

    @property
    def head(self) -> str:
        """What it is, so that it stands out from the name before it."""
        return self.what if self.cleared else self.what.upper()

    def line(self) -> str:
        """`over its limit, 109 %, since 02:08`; `running again at 02:43`."""
        if self.cleared:
            return " ".join((self.what, self.when)) + (f", {self.because}" if self.because else "")
        return ", ".join(part for part in (self.what, self.bad, self.when) if part)


def several(parts: Sequence[tuple[Alarm, Story, Wanted]], now: datetime, link: str | None = None) -> Texts:
    """The words of a notice about two and more alarms of one site.

    Parameters
    ----------
    parts : each alarm after the change that is told, with its figures and what was wanted. Of an alarm that occurs more
        than once the last is told: it says the most
    now : when the notice is made [wall time, aware UTC]; every time is told as seen from then
    link : address that acknowledges all of them after one confirming tap

    Raises
    ------
    ValueError : no part, or parts of more than one site (a bug of the caller).
    """
    if not parts:
        raise ValueError("several: at least one alarm is needed")
    if len({alarm.site for alarm, _, _ in parts}) > 1:
        raise ValueError("several: the alarms must be of one site")
    last = {alarm.number: (alarm, story, wanted) for alarm, story, wanted in parts}
    told = sorted((_one(*part, now) for part in last.values()), key=_worst_first)
    link = link if any(phrases.to_acknowledge(one.alarm) for one in told) else None
    return Texts(_subject(told), _short(told, link), _long(told, link), _data(told, link))


def _one(alarm: Alarm, story: Story, wanted: Wanted, now: datetime) -> _One:
    # The link of one alarm would acknowledge that one only; the notice has one for all.
    story = phrases.as_it_was(alarm, replace(story, now=now, acknowledge_link=None), wanted.kind)
    what, because = phrases.headline(alarm, story, wanted.kind, wanted), ""
    cleared = wanted.kind == "cleared"
    if cleared:
        what, _, because = what.partition(", ")
    when = phrases.over_at(what, alarm.cleared or now, story) if cleared else phrases.since_words(alarm, story)
    bad = "" if cleared else measures.brief(alarm, story)
    return _One(alarm, story, wanted, wanted.kind, phrases.point_name(alarm, story), what, because, bad, when)


def _worst_first(one: _One) -> tuple[bool, int, bool, datetime, int]:
    return (
        one.cleared, -PRIORITIES.index(one.alarm.priority), not one.wanted.rings, one.alarm.raised, one.alarm.number,
    )  # fmt: skip


def _site(told: Sequence[_One]) -> str:
    return clean(told[0].story.site_name) or "no name"


def _one_fan(told: Sequence[_One]) -> bool:
    return len({(one.alarm.fan, one.alarm.supply) for one in told}) == 1


def _count(told: Sequence[_One]) -> str:
    """`3 alarms`, `2 alarms and 1 cleared`, `2 cleared`."""
    over = sum(one.cleared for one in told)
    stand = len(told) - over
    alarms = f"{stand} alarm{'s' if stand != 1 else ''}"
    return f"{alarms} and {over} cleared" if stand and over else f"{over} cleared" if over else alarms


# --- subject and short form -------------------------------------------------------------------------------------


def _subject(told: Sequence[_One]) -> str:
    """`North 3, Hollow Creek: tripped; also North 4 over its limit; and 3 more`."""
    first, *others = told
    names = tuple(f"{short_form.who(first.alarm, first.story, most)}:" for most in (60, 40, 26, 20, 14))
    worst = tuple(
        f"{', '.join(part for part in parts if part)}{';' if others else ''}"
        for parts in ((first.what, first.bad), (first.what,))
    )
    same = _one_fan(told)
    also = []
    for most in range(min(2, len(others)), -1, -1):
        named = [f"{'' if same else f'{_name(one)} '}{one.what}" for one in others[:most]]
        left = len(others) - most
        also.append("also " + "; ".join([*named, *([f"{left} more"] if left else [])]) if others else "")
    return fit([Piece(names, (NAMES,)), Piece(worst, (FIGURES,)), Piece(tuple(also), (MORE_FIGURES,))], SUBJECT_AT_MOST)


def _short(told: Sequence[_One], link: str | None) -> str:
    first, *others = told
    pieces = short_form.pieces(first.alarm, first.story, first.wanted, first.kind, blades=False)
    return fit(
        [
            Piece(tuple(_begin(told, most) for most in NAME_AT_MOST), (NAMES,)),
            *pieces,
            Piece(*_others(others, _one_fan(told))),
            _acknowledge(told, link),
        ],
        SHORT_AT_MOST,
    )


def _begin(told: Sequence[_One], most: int) -> str:
    site, name = shorten(fold(_site(told)), most), shorten(fold(told[0].name), most)
    if _one_fan(told):
        return f"{name}, {site}, {_count(told)}:" if len(told) > 1 else f"{name}, {site}:"
    return f"{site}, {_count(told)}. {name}:"


def _name(one: _One) -> str:
    return shorten(fold(one.name), OTHER_NAME_AT_MOST)


def _others(others: Sequence[_One], same: bool) -> tuple[tuple[str, ...], tuple[int, ...]]:
    """What else, from each with its figure and time down to how many; and what each wording is worth."""
    if not others:
        return ("",), (FIGURES,)

    def joined(told: Sequence[str]) -> str:
        return f"Also {'; '.join(told)}."

    def one_by_one(*, since: bool) -> str:
        lines = []
        for one in others:
            tail = [one.bad, one.when if since else ""] if not one.cleared else []
            head = one.head if not one.cleared or not since else f"{one.head} {one.when}"
            name = "" if same else f"{_name(one)} "
            lines.append(name + ", ".join(part for part in (head, *tail) if part))
        return joined(lines)

    # Each wording with what it is worth: how soon it gives way to the next.
    told = [(one_by_one(since=True), NICE_TO_KNOW), (one_by_one(since=False), DEGREES)]
    groups: dict[str, list[str]] = {}
    for one in others:
        groups.setdefault(one.head, []).append(_name(one))
    heads = list(groups.items())

    def grouped(most: int, named: int) -> str:
        lines = [head if same else f"{head}: {measures.names(tuple(names), most)}" for head, names in heads[:named]]
        left = sum(len(names) for _, names in heads[named:])
        return joined([*lines, *([f"{left} more"] if left else [])])

    told += [(grouped(most, len(heads)), WHY) for most in NAMED_AT_MOST[:-1]]
    told += [(grouped(NAMED_AT_MOST[-1], named), MORE_FIGURES) for named in range(len(heads), 0, -1)]
    more = f"Also {len(others)} more"
    names = tuple(name for _, group in heads for name in group)
    told += [] if same else [(f"{more}: {measures.names(names, most)}.", FIRST_STEP) for most in NAMED_AT_MOST]
    told.append((f"{more}.", FIGURES))
    return tuple(words for words, _ in told), tuple(worth for _, worth in told)


def _acknowledge(told: Sequence[_One], link: str | None) -> Piece:
    if link:
        return short_form.acknowledge_piece(link)
    if not any(phrases.to_acknowledge(one.alarm) for one in told):
        return Piece(("",), (ADDRESS,))
    pages = {one.story.page for one in told}
    page = next(iter(pages)) if len(pages) == 1 else None
    where = "Acknowledge on its page." if _one_fan(told) else "Acknowledge on their pages."
    if page:
        return Piece((f"Acknowledge: {page}", where, ""), (ADDRESS, TO_ACKNOWLEDGE), verbatim=True)
    return Piece((where, ""), (TO_ACKNOWLEDGE,))


# --- long form --------------------------------------------------------------------------------------------------


def _long(told: Sequence[_One], link: str | None) -> str:
    in_full = told if len(told) <= TOLD_IN_FULL else told[:1]
    same = _one_fan(told)
    site = _site(told)
    top = f"{told[0].name} at {site}" if same and told[0].name != "Whole site" else site
    said = [one.line() for one in told]
    said = [
        f"{line[:1].upper()}{line[1:]}" if same else f"{one.name}: {line}" for one, line in zip(told, said, strict=True)
    ]
    lines = [f"{place}. {line}." for place, line in enumerate(said, 1)]
    known = [sentence for one in told if not one.cleared for sentence in one.story.cautions]
    return written(
        [
            [f"{top}: {_count(told)}."],
            lines,
            [f"To acknowledge all of them: {link}" if link else ""],
            *_each(in_full, len(told)),
            *([_where_to_read(told[len(in_full) :])] if len(in_full) < len(told) else []),
            cautions(list(dict.fromkeys(known))),
            ["Times are local at the site.", FOOTER],
        ]
    )


_ONCE = ("Legs: ", "Volts: ", "Limit: ", "Note: ")
"""Lines of figures that are the same for every alarm of a fan."""


def _each(told: Sequence[_One], of: int) -> Iterator[list[str]]:
    """Each one's own text; what was told of the same fan before is not told again."""
    before: dict[tuple[str | None, str | None], set[str]] = {}
    for place, one in enumerate(told, 1):
        known = before.setdefault((one.alarm.fan, one.alarm.supply), set())
        headline, *rest = paragraphs(one.alarm, one.story, one.wanted)
        yield [f"{place} of {of}. {' '.join(headline)}"]
        for paragraph in rest:
            whole = "\n".join(paragraph)
            if whole not in known:
                yield [line for line in paragraph if line not in known or not line.startswith(_ONCE)]
            known.update((whole, *paragraph))
        alarm = one.alarm
        page = f"Its page: {one.story.page}" if one.story.page else ""
        by = f"Acknowledged by {alarm.acknowledged_by}." if alarm.acknowledged_by else ""
        yield [page, by, f"Alarm {alarm.number}, priority {alarm.priority}."]


def _where_to_read(others: Sequence[_One]) -> list[str]:
    pages = {one.name: one.story.page for one in others if one.story.page}
    lines = [f"- {name}: {page}" for name, page in pages.items()]
    here = "The others, with their figures and what to do first, stand on their pages"
    return [f"{here}:", *lines] if lines else [f"{here}."]


def _data(told: Sequence[_One], link: str | None) -> dict[str, object]:
    first = told[0]
    return {
        "kind": KIND,
        "site": first.alarm.site,
        "site_name": plain(first.story.site_name),
        "count": len(told),
        "priority": max((one.alarm.priority for one in told), key=PRIORITIES.index),
        "rings": any(one.wanted.rings for one in told),
        "acknowledge": link,
        "items": [notice_data(one.alarm, one.story, one.wanted) for one in told],
    }
