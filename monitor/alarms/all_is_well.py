"""The line a day about a site: that all is well, or what is not, so that silence can be trusted.

It never says that all is well when nobody watched: a logger that was not heard, a broker that is away or a notice that
did not arrive is told instead. What is silent on purpose is told every day until it is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any

from monitor.alarms import figures, measures, phrases
from monitor.alarms.alarm import Alarm
from monitor.alarms.characters import clean, fold, shorten
from monitor.alarms.data import plain, rfc3339
from monitor.alarms.long_form import FOOTER, written
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
    WHY,
    Piece,
    fit,
)
from monitor.alarms.site_day import FanNow, HeldBack, PointNow, SiteDay
from monitor.alarms.states import Suppression
from monitor.alarms.texts import Texts
from monitor.alarms.wording import SUBJECT_AT_MOST
from monitor.watch.table import PRIORITIES

__all__ = ["KIND", "FanNow", "HeldBack", "PointNow", "SiteDay", "all_is_well", "is_well"]

KIND = "all-is-well"
WELL = "all is well"
FIRST = "First look at the fans yourself; then at power, gateway and link."
_EXPECTED = (Suppression.OUT_OF_SERVICE, Suppression.SUPPRESSED_BY_DESIGN)
_SILENT = ("logger-overdue", "site-silent")
"""Conditions that say already that a logger is not heard."""
_NAME_SHORT = 24
"""To this names are cut in the short form."""


def all_is_well(site: SiteDay) -> Texts:
    """The day's line of a site."""
    return Texts(_subject(site), _short(site), _long(site), _data(site))


def is_well(site: SiteDay) -> bool:
    """Whether it may say so: fans are watched, all of them, nothing stands, and what was to be told has arrived."""
    return (
        bool(site.fans)
        and all(fan.heard for fan in site.fans)
        and all(point.heard for point in site.points)
        and not (_standing(site) or site.trouble or site.not_delivered or site.still_waiting)
        and site.broker_away_since is None
    )


# --- what is said -----------------------------------------------------------------------------------------------


def _blind(site: SiteDay) -> bool:
    """Whether no fan at all is watched."""
    return site.broker_away_since is not None or not any(fan.heard for fan in site.fans)


def _head(site: SiteDay) -> str:
    """The verdict, in lower case."""
    if not site.fans:
        return "no fan is in service, nothing is watched" if site.held_back else "no fan is registered"
    if site.broker_away_since is not None:
        return f"not watched, no connection to the broker since {_moment(site.broker_away_since, site)}"
    if _blind(site):
        return "not watched, nothing is heard from any logger"
    count = len(_standing(site))
    if count:
        return f"{count} alarm{'s' if count > 1 else ''} stand{'' if count > 1 else 's'}"
    unheard = _unheard(site)
    if unheard:
        return f"{len(unheard)} of {_loggers(site)} loggers not heard"
    if site.not_delivered or site.still_waiting:
        return "the fans are well, but not every notice arrived"
    return "the fans are well, but the monitor needs you" if site.trouble else WELL


def _standing(site: SiteDay) -> list[tuple[str, Alarm]]:
    """What stands, worst first. What is expected to stand, at a fan out of service or one whose stop was announced, is
    told as silence on purpose: a winter long "one alarm stands" would hide the second."""
    told = [one for one in site.standing if one[1].suppression not in _EXPECTED]
    return sorted(told, key=lambda one: (-PRIORITIES.index(one[1].priority), one[1].raised, one[1].number))


def _fan_name(name: str) -> str:
    """As in every notice: a fan that is called by a bare number is `Fan 3`."""
    said = clean(name) or "no name"
    return said if any(character.isalpha() for character in said) else f"Fan {said}"


def _who(name: str, alarm: Alarm) -> str:
    """What an alarm is about."""
    if not clean(name):
        return "Whole site"
    return f"Supply point {clean(name)}" if alarm.fan is None else _fan_name(name)


def _alarm_words(name: str, alarm: Alarm, site: SiteDay, most: int | None = None) -> str:
    """`North 3 over its limit since 02:08`; a name of at most so many characters."""
    said = _who(name, alarm)
    said = said if most is None else shorten(fold(said), most)
    when = "worked out" if alarm.condition == "cold-night" else "since"
    return f"{said} {phrases.name_of(alarm.condition)} {when} {_moment(alarm.since, site)}"


def _fans_words(site: SiteDay) -> str:
    """`6 fans run, 2 stand still`; a fan that is not heard is counted as neither."""
    heard = [fan for fan in site.fans if fan.heard and site.broker_away_since is None]
    run = sum(fan.running is True for fan in heard)
    still = sum(fan.running is False for fan in heard)
    unknown = len(site.fans) - run - still
    parts = [f"{run} fan{'s' if run != 1 else ''} run{'' if run != 1 else 's'}"] if run or not unknown else []
    if still:
        parts.append(f"{still} stand{'' if still != 1 else 's'} still")
    if unknown:
        fans = f"{unknown} fan{'s' if unknown != 1 else ''}"
        whether = f"whether {'they run' if unknown != 1 else 'it runs'} is not known"
        parts.append(f"{unknown} not heard" if parts else f"{fans}, {whether}")
    return ", ".join(parts)


def _nearest(site: SiteDay) -> FanNow | None:
    """The running fan with the least margin."""
    known = [
        fan
        for fan in site.fans
        if fan.heard and fan.running and fan.load_ratio is not None and figures.percent(fan.load_ratio) is not None
    ]
    return max(known, key=lambda fan: fan.load_ratio or 0.0) if known and site.broker_away_since is None else None


def _loggers(site: SiteDay) -> int:
    return len(site.fans) + len(site.points)


def _every(site: SiteDay) -> Iterator[tuple[str, FanNow | PointNow]]:
    """All loggers, with the names that are told."""
    yield from ((_fan_name(fan.name), fan) for fan in site.fans)
    yield from ((clean(point.name) or "no name", point) for point in site.points)


def _unheard(site: SiteDay) -> list[str]:
    return [name for name, one in _every(site) if not one.heard]


def _unheard_untold(site: SiteDay) -> list[str]:
    """Those whose silence is not among the alarms that stand."""
    if any(alarm.condition == "site-silent" for _, alarm in _standing(site)):
        return []
    told = {name for name, alarm in _standing(site) if alarm.condition in _SILENT}
    return [name for name, one in _every(site) if not one.heard and one.name not in told]


def _came_and_went(site: SiteDay) -> list[str]:
    """`near its limit twice`."""
    return [f"{phrases.name_of(condition)} {phrases.times(count)}" for condition, count in site.came_and_went if count]


def _how(one: HeldBack, site: SiteDay) -> str:
    """`out of service until Thu 8 Oct 07:00`."""
    of = f'"{phrases.name_of(one.condition)}" ' if one.condition else ""
    how, no_end = {
        Suppression.SHELVED: (f"{of}shelved", "no end set"),
        Suppression.OUT_OF_SERVICE: (f"{of}out of service", "no return date"),
        Suppression.SUPPRESSED_BY_DESIGN: ("planned stop", "no end set"),
    }[one.suppression]
    return f"{how} until {_moment(one.until, site)}" if one.until is not None else f"{how}, {no_end}"


def _silent_short(site: SiteDay) -> list[str]:
    """What is silent on purpose, those of one end together: `South 1 and South 2 out of service until Thu 8 Oct`."""
    together: dict[str, list[str]] = {}
    for one in site.held_back:
        who = shorten(fold(_fan_name(one.name)), _NAME_SHORT) if clean(one.name) else "the whole site"
        together.setdefault(_how(one, site), []).append(who)
    return [f"{measures.names(tuple(names), 3)} {how}" for how, names in together.items()]


def _delivery(site: SiteDay) -> list[str]:
    """What did not arrive, sentence by sentence."""

    def counted(count: int, words: str) -> list[str]:
        return [f"{count} notice{'s' if count != 1 else ''} {words}."] if count else []

    return [
        *counted(site.not_delivered, "could not be delivered"),
        *counted(site.still_waiting, f"still wait{'' if site.still_waiting != 1 else 's'} to be delivered"),
        *counted(site.delivered_late, "arrived late"),
    ]


def _away(site: SiteDay) -> str:
    away = site.not_watched_seconds
    return f"Not watched for {figures.span(away)} in that time." if away >= 60 else ""


def _moment(when: datetime, site: SiteDay) -> str:
    return figures.moment(when, site.now, site.time_zone)


def _shout(site: SiteDay) -> str:
    head = _head(site)
    return f"{head[:1].upper()}{head[1:]}" if is_well(site) else head.upper()


# --- forms ------------------------------------------------------------------------------------------------------


def _names(site: SiteDay) -> tuple[str, ...]:
    name = fold(clean(site.site_name) or site.site)
    return tuple(f"{shorten(name, most)}:" for most in NAME_AT_MOST)


def _subject(site: SiteDay) -> str:
    told = [_alarm_words(name, alarm, site, _NAME_SHORT) for name, alarm in _standing(site)[:1]]
    head = _head(site)
    first = (f"{head}: {told[0]}", head) if told and not _blind(site) else (head,)
    return fit([Piece(_names(site), (NAMES,)), Piece(first, (FIGURES,))], SUBJECT_AT_MOST)


def _listed(parts: Sequence[str], begin: str, counted: str, between: str = "; ") -> tuple[str, ...]:
    """A sentence that names all, then fewer and counts the rest, then only counts."""
    if not parts:
        return ("",)
    fewer = [
        f"{begin}{between.join([*parts[:named], f'{len(parts) - named} more'])}."
        for named in range(len(parts) - 1, 0, -1)
    ]
    return (f"{begin}{between.join(parts)}.", *fewer, counted)


def _standing_short(site: SiteDay) -> tuple[str, ...]:
    """What stands: one by one, else by what it is; in the end only how many, which the head says where it can."""
    told = [one for one in _standing(site) if not (_blind(site) and one[1].condition in _SILENT)]
    if not told:
        return ("",)
    one_by_one = f"{'; '.join(_alarm_words(name, alarm, site, _NAME_SHORT) for name, alarm in told)}."
    groups: dict[str, list[str]] = {}
    for name, alarm in told:
        who = shorten(fold(_who(name, alarm)), _NAME_SHORT)
        groups.setdefault(phrases.name_of(alarm.condition), []).append(who)

    def group(words: str, most: int) -> str:
        return f"{words[:1].upper()}{words[1:]}: {measures.names(tuple(groups[words]), most)}"

    grouped = [f"{'; '.join(group(words, most) for words in groups)}." for most in (8, 5, 3, 2)]
    worst = next(iter(groups))
    left = len(told) - len(groups[worst])
    fewest = f"{group(worst, 2)}; {left} more." if left else f"{group(worst, 2)}."
    many = f"{len(told)} alarm{'s stand' if len(told) > 1 else ' stands'}." if _blind(site) else ""
    return (one_by_one, *grouped, fewest, many)


def _short(site: SiteDay) -> str:
    unheard = [shorten(fold(name), _NAME_SHORT) for name in _unheard_untold(site)]
    silent = _silent_short(site)
    went = _came_and_went(site)
    trouble = [fold(clean(sentence)) for sentence in site.trouble if clean(sentence)]
    return fit(
        [
            Piece(_names(site), (NAMES,)),
            Piece((f"{_shout(site)}.",), (FIGURES,)),
            Piece((FIRST,) if _silence(site) else ("",), (FIRST_STEP,)),
            Piece(_standing_short(site), (FIRST_STEP,)),
            Piece(("",) if _blind(site) else _listed(unheard, "Not heard, not watched: ", "", ", "), (FIRST_STEP,)),
            Piece((" ".join(_delivery(site)),), (FIGURES,)),
            Piece((" ".join(trouble), *trouble[:1], ""), (WHY,)),
            Piece((f"{_fans_words(site)}." if site.fans else "", ""), (MORE_FIGURES,)),
            Piece((_nearest_words(site, _NAME_SHORT), ""), (DEGREES,)),
            Piece(("" if _blind(site) else _heard_words(site), ""), (NICE_TO_KNOW,)),
            Piece(_listed(went, f"Came and went since {_moment(site.since, site)}: ", "", ", "), (WHY,)),
            Piece((_away(site), ""), (WHY,)),
            Piece(
                _listed(silent, "Silent on purpose: ", f"Silent on purpose: {len(site.held_back)}, see the page."),
                (MORE_FIGURES,),
            ),
            Piece((site.page or "", ""), (ADDRESS,), verbatim=True),
        ],
        SHORT_AT_MOST,
    )


def _silence(site: SiteDay) -> bool:
    """Whether the loggers are silent, and not only the broker away, which is told by its own notice."""
    return bool(site.fans) and _blind(site) and site.broker_away_since is None


def _nearest_words(site: SiteDay, most: int) -> str:
    nearest = _nearest(site)
    share = figures.percent(100.0 * (nearest.load_ratio or 0.0)) if nearest is not None else None
    if nearest is None or share is None:
        return ""
    return f"Nearest to its limit: {shorten(fold(_fan_name(nearest.name)), most)}, {share}."


def _heard_words(site: SiteDay) -> str:
    silent, every = len(_unheard(site)), _loggers(site)
    if not every:
        return ""
    whole = f"All {every} loggers heard." if every > 1 else "Its logger is heard."
    return whole if not silent else f"{every - silent} of {every} loggers heard."


def _long(site: SiteDay) -> str:
    name = clean(site.site_name) or site.site
    since = _moment(site.since, site)
    went = _came_and_went(site)
    nothing = "" if _blind(site) else f"Since {since} nothing else came up."
    return written(
        [
            [f"{name}: {_head(site)}."],
            [f"What to do first: {FIRST[6:7].lower()}{FIRST[7:]}" if _silence(site) else ""],
            [
                "Standing now:" if _standing(site) else "",
                *(f"- {_standing_line(one, alarm, site)}" for one, alarm in _standing(site)),
            ],
            [
                f"{_fans_words(site)}." if site.fans else "",
                _nearest_words(site, 200),
                "" if site.broker_away_since is not None else _heard_words(site),
                *_not_heard(site),
            ],
            [f"Since {since} came and went: {', '.join(went)}." if went else nothing, _away(site)],
            [*_delivery(site), *site.trouble],
            [
                "Silent on purpose, nobody is told:" if site.held_back else "",
                *(f"- {_held_back_line(one, site)}" for one in site.held_back),
                *(
                    f"- {_alarm_words(name, alarm, site)}, as is expected of it."
                    for name, alarm in site.standing
                    if alarm.suppression in _EXPECTED
                ),
            ],
            [
                f"The fans: {site.page}" if site.page else "",
                "This line comes once a day. When it does not come, look at the monitor itself.",
                "Times are local at the site.",
                FOOTER,
            ],
        ]
    )


def _not_heard(site: SiteDay) -> Iterator[str]:
    for name, one in _every(site):
        if not one.heard:
            last = one.last_reading
            when = f"last reading {_moment(last, site)}" if last is not None else "no reading has ever come"
            yield f"- {name} is not heard: {when}."


def _standing_line(name: str, alarm: Alarm, site: SiteDay) -> str:
    worst = measures.worst(alarm)
    more = [
        f"{worst} at worst" if worst else "",
        f"acknowledged by {alarm.acknowledged_by}" if alarm.acknowledged_by else "not acknowledged",
        "shelved" if alarm.suppression is Suppression.SHELVED else "",
    ]
    return f"{_alarm_words(name, alarm, site)} ({', '.join(part for part in more if part)})."


def _held_back_line(one: HeldBack, site: SiteDay) -> str:
    said = [part for part in (one.by, one.why) if part]
    who = _fan_name(one.name) if clean(one.name) else "The whole site"
    return f"{who} {_how(one, site)}" + (f" ({': '.join(map(clean, said))})." if said else ".")


def _data(site: SiteDay) -> dict[str, Any]:
    nearest = _nearest(site)
    return {
        "kind": KIND,
        "site": site.site,
        "site_name": plain(site.site_name),
        "well": is_well(site),
        "at": rfc3339(site.now),
        "since": rfc3339(site.since),
        "fans": [
            {
                "name": plain(fan.name),
                "heard": fan.heard,
                "running": fan.running,
                "load_ratio": plain(fan.load_ratio),
                "last_reading": rfc3339(fan.last_reading),
            }
            for fan in site.fans
        ],
        "points": [
            {"name": plain(point.name), "heard": point.heard, "last_reading": rfc3339(point.last_reading)}
            for point in site.points
        ],
        "nearest": None if nearest is None else plain(nearest.name),
        "standing": [_standing_data(name, alarm) for name, alarm in site.standing],
        "came_and_went": dict(site.came_and_went),
        "held_back": [
            {
                "name": plain(one.name) or None,
                "condition": one.condition,
                "suppression": one.suppression.value,
                "until": rfc3339(one.until),
                "by": plain(one.by),
                "why": plain(one.why),
            }
            for one in site.held_back
        ],
        "not_delivered": site.not_delivered,
        "still_waiting": site.still_waiting,
        "delivered_late": site.delivered_late,
        "broker_away_since": rfc3339(site.broker_away_since),
        "not_watched_seconds": plain(site.not_watched_seconds),
        "trouble": plain(site.trouble),
        "page": site.page,
    }


def _standing_data(name: str, alarm: Alarm) -> Mapping[str, Any]:
    return {
        "alarm": alarm.number,
        "name": plain(name) or None,
        "condition": alarm.condition,
        "priority": alarm.priority,
        "state": alarm.state.value,
        "suppression": alarm.suppression.value if alarm.suppression is not None else None,
        "since": rfc3339(alarm.since),
        "acknowledged_by": plain(alarm.acknowledged_by),
    }
