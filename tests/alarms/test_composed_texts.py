"""What holds for every notice that is not of one alarm, and for links, whatever the names, figures and counts."""

from __future__ import annotations

import itertools
import json
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import notices_of_the_day
import pytest
from alarm_builders import CHICAGO, OVERLOAD, Course, at, raised, story
from hypothesis import given, settings
from hypothesis import strategies as st
from notices_of_several import LINK, part
from notices_of_supply import voltage_low
from test_texts import CONDITION_IDS, any_figures, any_names, moments, numbers_of, plain_names, stories, told, zones

from monitor.alarms import trial_notice
from monitor.alarms.alarm import Acknowledge, Alarm, Returned, Wanted
from monitor.alarms.all_is_well import FanNow, HeldBack, PointNow, SiteDay, all_is_well, is_well
from monitor.alarms.characters import outside, septets
from monitor.alarms.data import notice_data
from monitor.alarms.service_notices import BrokerAway, Downtime, broker_away, service_was_down
from monitor.alarms.several import several
from monitor.alarms.states import State, Suppression
from monitor.alarms.story import Story
from monitor.alarms.texts import Texts
from monitor.alarms.wording import SHORT_AT_MOST, SUBJECT_AT_MOST, long, short, subject

links = st.none() | st.integers(1, 90).map(lambda length: ("https://farm.example/a/" + "x7" * 50)[: max(24, length)])


def holds_for_every(texts: Texts, names: Sequence[str] = (), *, sms: bool = False) -> None:
    """Lengths, one line, plain JSON; and where the names are plain, characters of an SMS and whole figures."""
    assert 0 < septets(texts.short) <= SHORT_AT_MOST and texts.short.isprintable()
    assert 0 < len(texts.subject) <= SUBJECT_AT_MOST and texts.subject.isprintable()
    assert texts.long.endswith("\n") and "\n\n\n" not in texts.long
    json.dumps(texts.data, allow_nan=False).encode("utf-8")
    if sms:
        assert not outside(re.sub(r"https?://\S+", "", texts.short))
        known = numbers_of(" ".join((texts.long, texts.subject, *names)))
        assert numbers_of(texts.short) <= known | {str(number) for number in range(60)}, "a figure is cut"


@st.composite
def parts(draw: st.DrawFn, names: st.SearchStrategy[str] = any_names) -> list[tuple[Alarm, Story, Wanted]]:
    """Up to twelve alarms of one site, some of one fan, some alike."""
    kinds = [(draw(told()), draw(stories(names=names))) for _ in range(draw(st.integers(1, 3)))]
    made = []
    for number in range(1, draw(st.integers(1, 12)) + 1):
        (alarm, wanted), figures = kinds[number % len(kinds)]
        fan = "north-3" if number % 3 else f"bin-{number}"
        made.append((replace(alarm, number=number, fan=fan if alarm.fan else None), figures, wanted))
    return made


@settings(max_examples=60, deadline=None)
@given(parts(), moments, links)
def test_several_are_never_too_long(made: list[tuple[Alarm, Story, Wanted]], now: Any, link: str | None) -> None:
    texts = several(made, now, link)
    holds_for_every(texts)
    assert len(texts.data["items"]) == len(made) and texts.data["kind"] == "several"


@settings(max_examples=40, deadline=None)
@given(parts(names=plain_names), moments)
def test_of_several_no_figure_is_cut(made: list[tuple[Alarm, Story, Wanted]], now: Any) -> None:
    """Every number of the short form stands whole in the long form of all, or in a name, or is a count."""
    made = [(alarm, replace(figures, page=None), wanted) for alarm, figures, wanted in made]
    texts = several(made, now)
    names = [name for _, figures, _ in made for name in (figures.fan_name, figures.site_name, *figures.fans)]
    alone = [short(alarm, replace(figures, now=now, fan_name="N", site_name="H"), one) for alarm, figures, one in made]
    lines = [long(alarm, replace(figures, now=now), wanted) for alarm, figures, wanted in made]
    holds_for_every(texts, [*names, *alone, *lines], sms=True)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.sampled_from(CONDITION_IDS), min_size=2, max_size=30), links, st.booleans())
def test_of_several_each_is_named_or_counted(conditions: list[str], link: str | None, long_names: bool) -> None:
    """Names and "more" together are as many as there are, in the short form and in the subject."""
    made = []
    for number, condition in enumerate(conditions, 1):
        course = Course(replace(OVERLOAD, fan=f"q{number}", condition=condition))
        course.feed(raised(condition, value=1.1), at())
        name = f"Q{number}Q" + (" behind the scale" if long_names else "")
        figures = story(fan_name=name, estimate=None, fans=())
        made.append((replace(course.standing, number=number), figures, course.told[-1][1]))
    texts = several(made, at(1), link)
    for text in (texts.short, texts.subject):
        named = len(re.findall(r"Q\d+Q", text))
        both = re.search(r"Also (\d+) more: ", text)  # those it names are counted already
        counted = sum(int(more) for more in re.findall(r"(\d+) more", text.replace(both[0], "") if both else text))
        assert named + counted == len(made), text
    assert f", {len(made)} alarms" in texts.short
    for number in range(1, len(made) + 1):
        assert f"Q{number}Q" in texts.long


def test_of_several_the_worst_comes_first() -> None:
    """By priority, then what rings, then what came first; what is over comes last."""

    def of(number: int, priority: str, rings: bool, minutes: float, cleared: bool = False) -> Any:
        course = Course(replace(OVERLOAD, fan=f"fan-{number}"))
        course.feed(raised(when=at(minutes), priority=priority, rings=rings), at(minutes))
        if cleared:
            course.feed(Returned(at(minutes + 1)), at(minutes + 1))
        wanted = course.told[-1][1]
        return replace(course.standing, number=number), story(fan_name=f"Fan {number}"), wanted

    order = [of(1, "highest", True, 9), of(2, "high", True, 1), of(3, "high", True, 2), of(4, "high", False, 0),
             of(5, "low", False, 0), of(6, "highest", True, 0, True)]  # fmt: skip
    texts = several(order[::-1], at(10))
    assert [item["alarm"] for item in texts.data["items"]] == [1, 2, 3, 4, 5, 6]
    assert texts.data["priority"] == "highest" and texts.data["rings"] is True
    places = [texts.long.index(f". Fan {number}: ") for number in range(1, 7)]
    assert places == sorted(places) and texts.short.startswith("Hollow Creek, 5 alarms and 1 cleared. Fan 1: ")


def test_of_an_alarm_told_twice_the_last_is_told() -> None:
    course = Course()
    course.feed(raised(), at())
    first = course.standing, story(), course.told[-1][1]
    course.feed(Returned(at(0.5)), at(0.5))
    texts = several([first, (course.standing, story(), course.told[-1][1])], at(1))
    assert [item["kind"] for item in texts.data["items"]] == ["cleared"]
    assert "OVER ITS LIMIT" not in texts.short and "ack under its limit" in texts.short


def test_several_wants_alarms_of_one_site() -> None:
    with pytest.raises(ValueError, match="at least one"):
        several([], at())
    one, other = part(voltage_low, 1), part(voltage_low, 2)
    with pytest.raises(ValueError, match="one site"):
        several([one, (replace(other[0], site="hill-farm"), *other[1:])], at())


def test_cautions_are_told_once() -> None:
    texts = several([part(voltage_low, number, f"Bin {number}") for number in range(1, 4)], at(1))
    assert (
        texts.long.count("- Supply work and overload settings") == 1 == texts.long.count("Before you touch anything:")
    )


def test_a_link_for_all_needs_something_to_acknowledge() -> None:
    alarm, figures, wanted = part(voltage_low, 1)
    done = replace(alarm, state=State.ACKNOWLEDGED)
    assert LINK not in (several([(done, figures, wanted)], at(1), LINK)).short
    assert several([(done, figures, wanted)], at(1), LINK).data["acknowledge"] is None
    both = several([(done, figures, wanted), part(voltage_low, 2, "North 4")], at(1), LINK)
    assert f"To acknowledge: {LINK}" in both.short and LINK in both.long and both.data["acknowledge"] == LINK


# --- links and steps of one alarm ---------------------------------------------------------------------------------


@settings(max_examples=100, deadline=None)
@given(
    st.sampled_from(CONDITION_IDS), any_names, any_names, st.floats(0.5, 300.0), st.none() | st.floats(0, 1e6),
    st.booleans(), st.none() | st.booleans(), st.none() | st.floats(1, 1440),
    st.sampled_from([None, "overload trip", "phase lost"]),
)  # fmt: skip
def test_a_link_of_ninety_characters_always_stays(
    condition: str, fan: str, site: str, value: float, seconds: float | None, late: bool, running: bool | None,
    waited: float | None, end: str | None,
) -> None:  # fmt: skip
    link = f"https://{'monitor.' * 3}hollow-creek.example/a/0-17-42-farm-0.{'x' * 20}"
    assert len(link) == 90
    course = Course(replace(OVERLOAD, condition=condition))
    course.feed(raised(condition, when=at(), value=value), at(3000 if late else 1))
    figures = story(
        fan_name=fan, site_name=site, seconds_to_trip=seconds, now=at(3000 if late else 1), running=running,
        acknowledge_link=link, unacknowledged_minutes=waited, told_first=(site,), end_cause=end, confidence="likely",
        fans=(fan, site, "North 4"), tonight=tonight(fan),
    )  # fmt: skip
    brief = short(course.standing, figures)
    assert septets(brief) <= SHORT_AT_MOST
    assert re.search(rf"(To acknowledge|Acknowledge): {re.escape(link)}$", brief), brief
    assert link in long(course.standing, figures)
    assert notice_data(course.standing, figures, course.told[-1][1])["acknowledge"] == link
    assert re.search(r"(since|at|as seen at) (Mon 5 Oct )?\d\d:\d\d", brief), "since when it is so"
    assert re.search(r"First |[Ss]top it|Start it|Before dark", brief), "what to do first"


@pytest.mark.parametrize("condition", CONDITION_IDS)
def test_a_link_of_ninety_characters_stays_where_least_room_is_left(condition: str) -> None:
    """Long names, a night ago, told second, a trip point that is not known: every way an alarm can be told."""
    link = f"https://{'monitor.' * 3}hollow-creek.example/a/0-17-42-farm-0.{'x' * 20}"
    name = "The old bin behind the machine shed with the blue roof, fan 123456"
    load = condition in ("overload", "low-margin")
    ends = ("phase lost", "overload trip") if condition == "tripped" else (None,)
    for seconds, running, end, built_in, again in itertools.product(
        (3600.0, math.inf), (True, False), ends, (False, load), (False, True)
    ):
        course = Course(replace(OVERLOAD, condition=condition))
        course.feed(raised(condition, value=300.0, priority="highest"), at(3000))
        figures = story(
            fan_name=name, site_name=name, now=at(3000), acknowledge_link=link, unacknowledged_minutes=900.0,
            seconds_to_trip=None if built_in else seconds, running=running, end_cause=end, confidence="likely",
            device_type="built-in protector" if built_in else None, device_setting_amps=15.0, fans=(name, "North 4"),
            tonight=tonight(name),
        )  # fmt: skip
        wanted = course.told[-1][1]
        brief = short(course.standing, figures, replace(wanted, kind="told-again") if again else wanted)
        assert septets(brief) <= SHORT_AT_MOST and brief.endswith(f"cknowledge: {link}"), brief


def tonight(name: str) -> dict[str, Any]:
    """An outlook for two fans of one name."""
    fan = {
        "fan": name, "amps": 16.1, "low": 15.0, "high": 17.0, "limit_amps": 15.2, "device_amps": None, "chance": 0.87,
        "passes_below_c": 1.2, "now_c": 9.0, "at": "2026-10-05T09:00:00Z", "as_is": None,
    }  # fmt: skip
    return {"low_c": -2.2, "fans": [fan, fan], "others": [], "cannot_say": []}


def test_a_link_gives_way_to_no_address_and_is_gone_once_acknowledged() -> None:
    course = Course()
    course.feed(raised(), at())
    figures = story(acknowledge_link=LINK)
    assert "Acknowledge it here" not in long(course.standing, figures) and figures.page is not None
    assert f"To acknowledge: {LINK}\nIts page: {figures.page}\n" in long(course.standing, figures)
    assert f"Acknowledge: {figures.page}" in short(course.standing, story(estimate=None))
    course.feed(Acknowledge("Ada"), at(1))
    for text in (short(course.standing, figures), long(course.standing, figures)):
        assert LINK not in text
    assert notice_data(course.standing, figures, course.told[-1][1])["acknowledge"] is None


def test_those_who_are_told_second_read_for_how_long_nobody_acknowledged() -> None:
    course = Course()
    course.feed(raised(), at())
    figures = story(now=at(15), unacknowledged_minutes=15.0, told_first=("farm", "son"), seconds_to_trip=346.0)
    words = "Nobody has acknowledged this for 15 min (farm and son told first)."
    for text in (short(course.standing, figures), long(course.standing, figures)):
        assert text.index("since" if "SINCE" in text else "limit") < text.index(words) < text.index("at most 6 min")
    assert subject(course.standing, figures).endswith("102 %, not acknowledged for 15 min")
    data = notice_data(course.standing, figures, course.told[-1][1])
    assert (data["unacknowledged_minutes"], data["told_first"]) == (15.0, ["farm", "son"])
    first = replace(figures, unacknowledged_minutes=None)
    assert "acknowledged" not in short(course.standing, first) + subject(course.standing, first)
    assert notice_data(course.standing, first, course.told[-1][1])["unacknowledged_minutes"] is None


# --- the day's line -----------------------------------------------------------------------------------------------


@st.composite
def days(draw: st.DrawFn, names: st.SearchStrategy[str] = any_names) -> SiteDay:
    counts = st.integers(0, 200)
    now = draw(moments)
    yes = st.booleans()
    fans = tuple(
        FanNow(draw(names), draw(yes), draw(st.none() | yes), draw(any_figures), draw(st.none() | moments))
        for _ in range(draw(st.integers(0, 5)))
    )
    alarm = draw(told())[0]
    standing = [
        (draw(names | st.just("")), replace(alarm, condition=draw(st.sampled_from(CONDITION_IDS))))
        for _ in range(draw(st.integers(0, 6)))
    ]
    went = draw(st.lists(st.sampled_from(CONDITION_IDS), max_size=6, unique=True))
    held = tuple(
        HeldBack(
            draw(names | st.just("")), draw(st.sampled_from(Suppression)), draw(st.none() | moments),
            draw(st.none() | st.sampled_from(CONDITION_IDS)), draw(st.none() | names), draw(st.none() | names),
        )
        for _ in range(draw(st.integers(0, 4)))
    )  # fmt: skip
    return SiteDay(
        "hollow-creek", draw(names), draw(zones), now, now - timedelta(days=1), fans,
        tuple(PointNow(draw(names), draw(st.booleans())) for _ in range(draw(st.integers(0, 2)))), tuple(standing),
        tuple((condition, draw(counts)) for condition in went),
        held, draw(counts), draw(counts), draw(counts), draw(st.none() | moments), draw(st.floats(0, 1e6)),
        tuple(draw(st.lists(names, max_size=2))), draw(st.none() | st.just("http://192.168.1.20:8080/")),
    )  # fmt: skip


@settings(max_examples=80, deadline=None)
@given(days())
def test_the_days_line_is_never_too_long_and_never_says_too_much(day: SiteDay) -> None:
    texts = all_is_well(day)
    holds_for_every(texts)
    heard = bool(day.fans) and all(one.heard for one in (*day.fans, *day.points))
    silent = (Suppression.OUT_OF_SERVICE, Suppression.SUPPRESSED_BY_DESIGN)
    quiet = not (
        any(alarm.suppression not in silent for _, alarm in day.standing)
        or day.not_delivered
        or day.still_waiting
        or day.trouble
        or day.broker_away_since
    )
    named = replace(day, site_name="H", fans=tuple(replace(fan, name="F") for fan in day.fans), trouble=())
    claims = "all is well" in all_is_well(named).short.lower()
    assert is_well(day) == texts.data["well"] == (heard and quiet)
    assert claims <= (heard and (quiet or bool(day.trouble)))
    if day.not_delivered and len(texts.short) < 300:
        assert f"{day.not_delivered} notice" in texts.short
    if day.held_back:
        assert "Silent on purpose" in texts.short, "silence on purpose must be visible"


@settings(max_examples=40, deadline=None)
@given(days(names=plain_names))
def test_in_the_days_line_no_figure_is_cut(day: SiteDay) -> None:
    names = [day.site_name, *(one.name for one in (*day.fans, *day.points, *day.held_back)), *day.trouble]
    counts = [str(day.not_delivered), str(day.still_waiting), str(day.delivered_late)]
    holds_for_every(all_is_well(day), [*names, *counts, *(name for name, _ in day.standing)], sms=True)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, "Hollow Creek: All is well. 4 fans run, 1 stands still. Nearest to its limit: North 3, 92 %. All 6 "),
        ({"fans": notices_of_the_day.silent("North 1")}, "1 OF 6 LOGGERS NOT HEARD. Not heard, not watched: North 1."),
        ({"points": (PointNow("Yard", False),)}, "1 OF 6 LOGGERS NOT HEARD. Not heard, not watched: Yard."),
        ({"fans": notices_of_the_day.silent(*notices_of_the_day.ALL)}, "NOT WATCHED, NOTHING IS HEARD FROM ANY LOGGER"),
        ({"broker_away_since": at(180)}, "NOT WATCHED, NO CONNECTION TO THE BROKER SINCE 05:10."),
        ({"standing": (("North 3", voltage_low()[0].standing),)}, "1 ALARM STANDS. North 3 supply voltage low since"),
        ({"not_delivered": 1}, "NOT EVERY NOTICE ARRIVED. 1 notice could not be delivered."),
        ({"still_waiting": 2}, "NOT EVERY NOTICE ARRIVED. 2 notices still wait to be delivered."),
        ({"trouble": ("The disk is nearly full.",)}, "THE MONITOR NEEDS YOU. The disk is nearly full."),
        ({"fans": (), "points": ()}, "NO FAN IS REGISTERED."),
    ],
)  # fmt: skip
def test_each_thing_that_is_wrong_is_said(change: dict[str, Any], said: str) -> None:
    day = replace(notices_of_the_day.DAY, **change)
    assert said in all_is_well(day).short
    assert is_well(day) == (not change)


@pytest.mark.parametrize(
    ("suppression", "well"),
    [
        (None, False),
        (Suppression.SHELVED, False),
        (Suppression.OUT_OF_SERVICE, True),
        (Suppression.SUPPRESSED_BY_DESIGN, True),
    ],
)
def test_what_is_expected_to_stand_does_not_keep_all_from_being_well(
    suppression: Suppression | None, well: bool
) -> None:
    """But it is not hidden either."""
    alarm = replace(voltage_low()[0].standing, suppression=suppression)
    held = (HeldBack("South 2", suppression or Suppression.SHELVED, None),)
    texts = all_is_well(replace(notices_of_the_day.DAY, standing=(("South 2", alarm),), held_back=held))
    assert texts.data["well"] == well == ("All is well" in texts.short)
    assert "South 2 supply voltage low since 02:09" in texts.long and "Silent on purpose: South 2" in texts.short
    assert [one["name"] for one in texts.data["standing"]] == ["South 2"]


def test_a_fan_called_by_a_bare_number_is_told_as_a_fan() -> None:
    """`3 over its limit` would be read as a count."""
    fans = (FanNow("3", True, True, 0.9), FanNow("4", False))
    alarm = voltage_low()[0].standing
    standing = (("3", alarm), ("panel", replace(alarm, fan=None, supply="panel")), ("", replace(alarm, fan=None)))
    held = (HeldBack("5", Suppression.OUT_OF_SERVICE, None),)
    texts = all_is_well(replace(notices_of_the_day.DAY, fans=fans, standing=standing, held_back=held, page=None))
    for said in (
        "- Fan 3 supply",
        "Supply point panel supply",
        "Whole site supply",
        "Fan 4 is not heard",
        "- Fan 5 out",
    ):
        assert said in texts.long
    assert "Nearest to its limit: Fan 3, 90 %" in texts.long and "STAND. Fan 3 supply" in texts.short


def test_a_fan_that_is_not_heard_has_no_margin_to_tell() -> None:
    """Its last figure is of another time."""
    fans = tuple(replace(fan, heard=fan.name != "North 3") for fan in notices_of_the_day.FANS)
    texts = all_is_well(replace(notices_of_the_day.DAY, fans=fans))
    assert "North 1, 83 %" in texts.short and texts.data["nearest"] == "North 1"


# --- of the service, and the test ---------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_words_of_the_service_are_never_too_long(data: st.DataObject) -> None:
    names = data.draw(st.sampled_from([any_names, plain_names]))
    sites = tuple(data.draw(st.lists(names, max_size=8)))
    fans, zone, page = data.draw(st.integers(0, 5000)), data.draw(zones), data.draw(st.none() | links)
    why = data.draw(st.none() | names)
    start = data.draw(moments)
    last = data.draw(st.none() | st.floats(0, 1e7).map(lambda seconds: start - timedelta(seconds=seconds)))
    down = Downtime(
        last, start, fans, sites, zone, data.draw(st.booleans()), why, data.draw(st.none() | st.booleans()), page
    )
    broker = data.draw(names)
    away = BrokerAway(
        start - timedelta(minutes=data.draw(st.floats(0, 1e5))), start, fans, sites, broker, zone,
        data.draw(st.booleans()), why, data.draw(st.booleans()), data.draw(st.none() | st.just(start)), page,
    )  # fmt: skip
    trial = trial_notice.test_notice(
        data.draw(names), data.draw(names), data.draw(names), start, data.draw(st.none() | zones)
    )
    sms = names is plain_names
    for texts in (service_was_down(down), broker_away(away), trial):
        holds_for_every(texts, [*sites, broker, why or "", page or ""], sms=sms and texts is not trial)
    for texts in (service_was_down(down), broker_away(away)):
        assert f"{fans} fan" in texts.short and f"{fans} fan" in texts.subject
        assert "First see" in texts.short
    assert "TEST; nothing is wrong." in trial.short and "notices of this route reach you" in trial.short


def test_the_broker_is_away_or_back() -> None:
    away = BrokerAway(at(), at(5), 3, ("Hollow Creek",), "10.0.0.5:1883", CHICAGO)
    gone, back = broker_away(away), broker_away(replace(away, now=at(32), back=at(32)))
    assert gone.data["kind"] == back.data["kind"] == "broker-away"
    assert (gone.data["back"], back.data["back"]) == (None, "2026-10-05T07:42:00Z")
    assert "since 02:10" in gone.short and "3 fans NOT WATCHED" in gone.short and "10.0.0.5:1883" in gone.short
    assert "back since 02:42; it was away 32 min, from 02:10" in back.short and "NOT WATCHED" not in back.short


def test_the_test_tells_who_and_when_in_the_zone_it_is_given() -> None:
    made = trial_notice.test_notice("farm", "mail to a...@example.org", "Ann", at(712), CHICAGO)
    assert made.short.startswith("This is a TEST; nothing is wrong. Route farm, sent by Ann at 14:02.")
    assert "at 19:02 UTC" in trial_notice.test_notice("farm", "", "Ann", at(712)).short
    assert made.data == {"kind": "test", "route": "farm", "address": "mail to a...@example.org", "by": "Ann",
                         "at": "2026-10-05T19:02:00Z"}  # fmt: skip
