"""What holds for every text, whatever the names and figures."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from alarm_builders import ESTIMATE, NIGHT, OVERLOAD, Course, at, raised, story
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms import measures
from monitor.alarms.alarm import Alarm, Returned, Wanted
from monitor.alarms.characters import outside, septets
from monitor.alarms.data import notice_data
from monitor.alarms.states import Cause, State
from monitor.alarms.story import Story
from monitor.alarms.wording import SHORT_AT_MOST, SUBJECT_AT_MOST, line, long, short, subject
from monitor.watch.table import BY_ID, CONDITIONS

CONDITION_IDS = [row.id for row in CONDITIONS]
plain_names = st.text("abcdefgh ÄÖßéñ 0123456789.-#,/", min_size=1, max_size=400)
any_names = plain_names | st.text(max_size=200)
any_figures = st.none() | st.floats() | st.floats(0, 2000)
moments = st.integers(-5_000_000, 5_000_000).map(at)
zones = st.sampled_from(["America/Chicago", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]).map(
    ZoneInfo
)
options = st.none() | st.fixed_dictionaries({"degrees": any_figures, "pitch": any_figures, "chance": any_figures})
whys = st.sampled_from([None, "none needed", "none enough", "supply first", "cannot say"])
estimates: st.SearchStrategy[Any] = st.none() | st.fixed_dictionaries(
    {
        "parts": st.lists(st.fixed_dictionaries({"name": any_names, "amps": any_figures}), max_size=6),
        "causes": st.just([]) | st.just(ESTIMATE["causes"]),
        "checks_first": st.just([]) | st.just(ESTIMATE["checks_first"]),
        "pitch": st.none()
        | st.fixed_dictionaries(
            {
                "as_is": options,
                "as_is_why": whys,
                "supply_right": options,
                "supply_right_why": whys,
                "options": st.just([]),
            }
        ),
    }
)


@st.composite
def stories(draw: st.DrawFn, names: st.SearchStrategy[str] = any_names) -> Story:
    legs = draw(st.sampled_from([0, 1, 3]))
    values = st.tuples(*[any_figures] * legs)
    return story(
        site_name=draw(names), fan_name=draw(names), time_zone=draw(zones), now=draw(moments),
        running=draw(st.none() | st.booleans()), legs_amps=draw(values), volts=draw(values),
        load_ratio=draw(any_figures),
        limit_amps=draw(any_figures), full_load_amps=draw(any_figures), unbalance_percent=draw(any_figures),
        seconds_to_trip=draw(st.none() | st.floats(0, 1e12) | st.just(math.inf)),
        reaches_limit_at=draw(st.none() | moments),
        estimate=draw(estimates), estimate_words=draw(st.none() | st.just("degrees follow")),
        target_amps=draw(any_figures), called=draw(st.none() | st.booleans()), run_began=draw(st.none() | moments),
        motor_heat=draw(any_figures), device_heat=draw(any_figures), heat_assumed=draw(st.booleans()),
        device_type=draw(st.sampled_from([None, "built-in protector", "overload relay"])),
        device_setting_amps=draw(any_figures), proven_amps=draw(any_figures),
        rated_volts=draw(st.none() | st.just(460.0)),
        current_unbalance_percent=draw(any_figures),
        end_cause=draw(st.sampled_from([None, "overload trip", "phase lost", "cannot tell", "stopped"])),
        confidence=draw(st.sampled_from([None, "sure", "high", "likely", "possible"])),
        fans=tuple(draw(st.lists(names, max_size=6))),
        page=draw(st.none() | names.map(lambda name: f"https://monitor.example/{name}")),
    )  # fmt: skip


@st.composite
def told(draw: st.DrawFn) -> tuple[Alarm, Wanted]:
    course = Course(replace(OVERLOAD, condition=draw(st.sampled_from([*CONDITION_IDS, "a-condition-of-tomorrow"]))))
    priority = draw(st.sampled_from(["low", "highest"]))
    begun = raised(course.about.condition, when=draw(moments), value=draw(any_figures), priority=priority)
    course.feed(begun, draw(moments))
    alarm = replace(course.standing, state=draw(st.sampled_from(State)), cleared=draw(st.none() | moments))
    if draw(st.booleans()):
        alarm = replace(alarm, fan=None, supply="north-panel")
    wanted = Wanted(
        draw(st.sampled_from(["raised", "told-again", "cleared"])), True, draw(st.integers(0, 10**5)),
        draw(st.none() | moments), draw(st.sampled_from(Cause)).value,
    )  # fmt: skip
    return alarm, wanted


@settings(max_examples=250, deadline=None)
@given(told(), stories())
def test_no_text_is_ever_too_long_or_breaks_a_line(alarm_and_wanted: tuple[Alarm, Wanted], figures: Story) -> None:
    alarm, wanted = alarm_and_wanted
    brief, head = short(alarm, figures, wanted), subject(alarm, figures, wanted)
    assert 0 < septets(brief) <= SHORT_AT_MOST
    assert 0 < len(head) <= SUBJECT_AT_MOST
    for text in (brief, head, line(alarm, figures)):
        assert text.isprintable()
    whole = long(alarm, figures, wanted)
    assert whole.endswith("\n")
    assert "\n\n\n" not in whole
    named = replace(figures, fan_name="N", site_name="H", page=None, fans=("F",) * len(figures.fans))
    for text in (short(alarm, named, wanted), long(alarm, named, wanted), subject(alarm, named, wanted)):
        assert not re.search(r"None|\binf\b|\bnan\b|\d{7}", text), "what is not known must not be told"
    text = json.dumps(notice_data(alarm, figures, wanted), allow_nan=False)
    text.encode("utf-8")


@settings(max_examples=200, deadline=None)
@given(told(), stories(names=plain_names))
def test_no_figure_is_cut(alarm_and_wanted: tuple[Alarm, Wanted], figures: Story) -> None:
    """Every number of the short form is a whole number of the same text made without any bound of length."""
    alarm, wanted = alarm_and_wanted
    figures = replace(figures, page=None)
    brief = short(alarm, figures, wanted)
    names = " ".join((figures.fan_name, figures.site_name, *figures.fans))
    whole = long(alarm, figures, wanted) + names + figures_of(alarm, figures, wanted)
    assert numbers_of(brief) <= numbers_of(whole)


def numbers_of(text: str) -> set[str]:
    """The numbers in it; the two dots that stand for what was left out of a name belong to none."""
    return set(re.findall(r"\d[\d.,/:]*\d|\d", text.replace("..", " ")))


def figures_of(alarm: Alarm, figures: Story, wanted: Wanted) -> str:
    """The short form with names so short that nothing has to give way."""
    unbound = replace(figures, fan_name="N", site_name="H")
    return short(alarm, unbound, wanted)


@settings(max_examples=150, deadline=None)
@given(told(), stories(names=plain_names))
def test_the_short_form_keeps_to_characters_of_an_sms(alarm_and_wanted: tuple[Alarm, Wanted], figures: Story) -> None:
    assert not outside(short(alarm_and_wanted[0], figures, alarm_and_wanted[1]))


@settings(max_examples=150, deadline=None)
@given(st.sampled_from(CONDITION_IDS), any_names, any_names, st.floats(1.0, 3.0), st.none() | st.floats(0, 1e6))
def test_what_matters_is_never_dropped(
    condition: str, fan: str, site: str, ratio: float, seconds: float | None
) -> None:
    """However long the names: what it is, since when, the time to trip and what to do first stay."""
    course = Course(replace(OVERLOAD, condition=condition))
    course.feed(raised(condition, when=at(), value=ratio), at(3000))
    brief = short(
        course.standing, story(fan_name=fan, site_name=site, load_ratio=ratio, seconds_to_trip=seconds, now=at(3000))
    )
    when = {"tripped": "at", "cold-night": "as seen at"}.get(condition, "since")
    assert f"{when} Mon 5 Oct 02:08" in brief
    assert re.search(r"First |Stop it|Start it|Before dark", brief)
    still_near = condition == "trip-near" and seconds is not None and seconds <= 60.0
    if condition in ("overload", "low-margin") or still_near:
        assert " % of its 15.2 A limit" in brief
    if condition in ("overload", "low-margin", "device-margin"):
        assert ("trip" in brief) == (seconds is not None)


def test_order_of_a_notice() -> None:
    """Which fan, what, how bad, since when, time to trip, what to do first."""
    course = Course()
    course.feed(raised(), at())
    figures = story(seconds_to_trip=346.0)
    for text in (short(course.standing, figures), long(course.standing, figures)):
        found = [
            re.search(pattern, text, re.IGNORECASE)
            for pattern in (
                "North 3",
                "over its limit",
                "15.5 A on L1, 102 %",
                "since:? 02:08",
                "at most 6 min",
                "check",
            )
        ]
        places = [match.start() for match in found if match]
        assert len(places) == 6
        assert places == sorted(places)


@pytest.mark.parametrize("condition", CONDITION_IDS)
def test_every_condition_has_words_of_its_own(condition: str) -> None:
    """Raised, told again and cleared; nothing falls back on what is said of an unknown one."""
    row = BY_ID[condition]
    course = Course(replace(OVERLOAD, condition=condition))
    course.feed(raised(condition, value=0.9, setpoint=row.setpoint), at())
    course.feed(Returned(at(9)), at(9))
    figures = story(now=at(9), estimate=None)
    again = Wanted("told-again", True, 0, None, Cause.TOLD_AGAIN.value)
    gone = Wanted("cleared", False, 1, None, Cause.RETURNED.value)
    unknown = replace(course.standing, condition="a-condition-of-tomorrow")
    assert row.words in line(replace(course.standing, state=State.UNACKNOWLEDGED), figures)
    assert re.search(r"still|not acknowledged|was slow", subject(course.standing, figures, again))
    assert "no longer: " not in subject(course.standing, figures, gone)
    assert "no longer: " in subject(unknown, figures, gone)
    checks_of_any = condition in ("overload", "low-margin")
    told = long(course.standing, figures, again).partition("What to")[2].partition("\n\n")[0]
    assert (told == long(unknown, figures, again).partition("What to")[2].partition("\n\n")[0]) <= checks_of_any


@pytest.mark.parametrize(
    ("setting", "said"),
    [(15.0, "Time to trip: not at this current"), (14.7, "may open within two hours, or carry it")],
)
def test_over_its_setting_a_device_is_not_said_to_hold(setting: float, said: str) -> None:
    """Whichever alarm stands: between 1.05 and 1.20 of its setting a device may open or not."""
    course = Course()
    course.feed(raised(), at())
    figures = story(
        seconds_to_trip=math.inf, device_setting_amps=setting, device_type="overload relay",
        estimate=None,
    )  # fmt: skip
    for text in (short(course.standing, figures), long(course.standing, figures)):
        assert said in text


@pytest.mark.parametrize(
    ("seconds", "device", "said"),
    [
        (452.0, None, "Time to trip: at most 8 min"),
        (0.0, None, "At its trip level now"),
        (math.inf, None, "Time to trip: not at this current"),
        (None, "built-in protector", "Time to trip: its trip point is not known (built-in protector)"),
        (None, "none", None),
        (None, None, None),
    ],
)
def test_time_to_trip_is_a_bound_or_said_to_be_unknown(
    seconds: float | None, device: str | None, said: str | None
) -> None:
    course = Course()
    course.feed(raised(), at())
    figures = story(seconds_to_trip=seconds, device_type=device, estimate=None)
    for text in (short(course.standing, figures), long(course.standing, figures)):
        assert ("trip" in text) == (said is not None)
        assert said is None or said in text


@pytest.mark.parametrize(("seconds", "first"), [(180.0, "Stop it now"), (181.0, "First switch off other loads")])
def test_with_three_minutes_left_nothing_but_stopping_is_advised(seconds: float, first: str) -> None:
    course = Course(replace(OVERLOAD, condition="trip-near"))
    course.feed(raised("trip-near", value=9.0, setpoint=10.0), at())
    assert first in short(course.standing, story(seconds_to_trip=seconds))


def test_a_time_to_trip_of_hours_ago_is_not_told() -> None:
    course = Course(replace(OVERLOAD, condition="trip-near"))
    course.feed(raised("trip-near", value=9.0, setpoint=10.0), at())
    for minutes, told in ((5.0, True), (5.1, False)):
        figures = story(now=at(minutes))
        assert ("at most 9 min" in line(course.standing, figures)) == told
        assert ("at most 9 min" in long(course.standing, figures)) == told


@pytest.mark.parametrize(
    ("code", "said"),
    [
        (1.0, "none of its figures"),
        (2.0, "one leg has not changed"),
        (3.0, "one leg reads more"),
        (4.0, "L3 reads zero"),
    ],
)
def test_a_doubt_is_told_by_its_code(code: float, said: str) -> None:
    course = Course(replace(OVERLOAD, condition="logger-suspect"))
    course.feed(raised("logger-suspect", value=code, setpoint=0.5), at())
    figures = story(legs_amps=(12.3, 11.8, 0.0))
    for text in (short(course.standing, figures), long(course.standing, figures)):
        assert said in text
        assert str(code) not in text


def test_the_worst_of_what_is_bad_when_low_is_the_least() -> None:
    course = Course(replace(OVERLOAD, condition="voltage-low"))
    course.feed(raised("voltage-low", value=88.4, setpoint=90.0, peak=84.2), at())
    course.feed(Returned(at(60), peak=84.2), at(60))
    assert "at worst" in short(course.standing, story(now=at(60)))
    assert measures.worst(replace(course.standing, value=88.4, peak=84.2)) == "84 % of rated voltage"


def test_time_to_trip_is_left_out_when_it_is_not_known() -> None:
    course = Course()
    course.feed(raised(), at())
    for text in (short(course.standing, story()), long(course.standing, story())):
        assert "trip" not in text.lower()


def test_without_volts_it_says_so() -> None:
    course = Course()
    course.feed(raised(), at())
    text = long(course.standing, story(volts=(), notes=("not adjusted: voltage is not measured",)))
    assert "Note: not adjusted: voltage is not measured." in text
    assert "Volts:" not in text


@pytest.mark.parametrize(
    ("zone", "now", "since", "expected"),
    [
        # Clocks go back on 1 November 2026 in Chicago: 01:30 comes twice. 06:30Z is the first, 07:30Z the second.
        ("America/Chicago", "2026-11-01T08:00", "2026-11-01T06:30", "since 01:30 CDT."),
        ("America/Chicago", "2026-11-01T08:00", "2026-11-01T07:30", "since 01:30 CST."),
        ("America/Chicago", "2026-11-01T09:00", "2026-11-01T08:30", "since 02:30."),
        # Forward on 8 March 2026: 02:00 to 03:00 does not exist.
        ("America/Chicago", "2026-03-08T09:00", "2026-03-08T07:59", "since 01:59."),
        ("America/Chicago", "2026-03-08T09:00", "2026-03-08T08:00", "since 03:00."),
        # Midnight and the year's end, local and not UTC.
        ("America/Chicago", "2026-10-05T05:10", "2026-10-05T04:59", "since Sun 4 Oct 23:59."),
        ("America/Chicago", "2026-10-06T04:59", "2026-10-05T05:01", "since 00:01."),
        ("America/Chicago", "2027-01-01T07:00", "2027-01-01T05:30", "since Thu 31 Dec 2026 23:30."),
        ("Europe/Berlin", "2026-10-25T02:00", "2026-10-25T00:30", "since 02:30 CEST."),
        ("Australia/Lord_Howe", "2026-04-04T16:00", "2026-04-04T14:45", "since 01:45 UTC+11."),
    ],
)  # fmt: skip
def test_local_time_on_days_of_every_kind(zone: str, now: str, since: str, expected: str) -> None:
    course = Course(replace(OVERLOAD, condition="stopped"))
    began = NIGHT.fromisoformat(f"{since}+00:00")
    course.feed(raised("stopped", when=began, since=began), began)
    text = short(course.standing, story(time_zone=ZoneInfo(zone), now=NIGHT.fromisoformat(f"{now}+00:00")))
    assert expected in text


def test_how_long_it_lasted_is_true_when_the_clocks_change() -> None:
    course = Course()
    began = NIGHT.fromisoformat("2026-11-01T05:30+00:00")
    course.feed(raised(when=began, since=began), began)
    course.feed(Returned(began + timedelta(hours=3)), began + timedelta(hours=3))
    text = short(course.standing, story(now=began + timedelta(hours=3)))
    assert "at 02:30. It lasted 3 h, from 00:30" in text


@pytest.mark.parametrize(
    ("ratio", "words"), [(0.996, "99.6 %"), (1.0004, "100.0 %"), (1.012, "101.2 %"), (1.09, "109 %"), (0.955, "96 %")]
)
def test_near_the_limit_the_side_can_be_seen(ratio: float, words: str) -> None:
    course = Course()
    course.feed(raised(value=ratio), at())
    assert f"{words} of its 15.2 A limit" in short(course.standing, story(load_ratio=ratio))


@pytest.mark.parametrize(
    ("name", "shown"), [("3", "Fan 3, "), ("12-4", "Fan 12-4, "), ("North 3", "North 3, "), ("\n", "no name, ")]
)
def test_a_bare_number_is_called_a_fan(name: str, shown: str) -> None:
    course = Course()
    course.feed(raised(), at())
    assert short(course.standing, story(fan_name=name)).startswith(shown)


def test_a_name_cannot_forge_a_header_or_turn_the_writing_round() -> None:
    course = Course()
    course.feed(raised(), at())
    figures = story(fan_name="North\r\nBcc: all@example.org\u202e3")
    for text in (subject(course.standing, figures), short(course.standing, figures)):
        assert text.startswith("North Bcc: all@example.org3")


def test_the_address_is_never_rewritten() -> None:
    course = Course()
    course.feed(raised(), at())
    page = "https://monitor.example/~ada/fans/a|b"
    assert short(course.standing, story(page=page, estimate=None)).endswith(f"Acknowledge: {page}")


def test_machine_readable_form() -> None:
    course = Course()
    course.feed(raised(peak=math.nan), at(55) + timedelta(milliseconds=250))
    data: dict[str, Any] = notice_data(course.standing, story(volts=(450.0, math.nan, 443.0)), course.told[0][1])
    assert data["since"] == "2026-10-05T07:08:00Z"
    assert data["heard"] == "2026-10-05T08:05:00.250Z"
    assert (data["kind"], data["state"], data["condition"]) == ("raised", "UNACKNOWLEDGED", "overload")
    assert data["figures"]["volts"] == [450.0, None, 443.0]
    assert data["figures"]["percent_of_full_load"] == pytest.approx(117.42, abs=0.01)
    assert data["pitch"]["as_is"] == {"degrees": 3.0, "pitch": 18.0, "chance": 0.936}
    documented = set(re.findall(r"[a-z_]+", str(notice_data.__doc__)))
    assert set(data) | set(data["figures"]) <= documented, "every key stands in the docstring"


def test_a_list_tells_no_share_of_its_setting_of_a_fan_that_has_stopped() -> None:
    course = Course(replace(OVERLOAD, condition="device-margin"))
    course.feed(raised("device-margin", value=1.06, setpoint=1.05), at())
    figures = {"legs_amps": (14.84, 14.7, 14.6), "device_setting_amps": 14.0}
    assert "106 % of its setting" in line(course.standing, story(**figures))
    stopped = line(course.standing, story(**figures | {"running": False, "legs_amps": (0.0, 0.0, 0.0)}))
    assert "setting" not in stopped and "near the trip point" in stopped
