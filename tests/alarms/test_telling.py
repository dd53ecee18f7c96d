"""When each route is told, what goes together, and what need not be told any more."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from alarm_builders import CHICAGO, OVERLOAD, Course, at, raised
from hypothesis import given
from hypothesis import strategies as st

from monitor.alarms.alarm import Acknowledge, Returned, Shelve
from monitor.alarms.facts import About
from monitor.alarms.routes import Route
from monitor.alarms.telling import (
    ACKNOWLEDGED,
    BEGINNING_NOT_TOLD,
    GATHER,
    HELD_BACK,
    NOT_KNOWN,
    OVER,
    STANDS_AGAIN,
    Telling,
    after_quiet,
    judge,
    latest_of_each,
    plan,
    ready,
    says_nothing_of_a_stopped_fan,
)

FARM = Route("farm", (), (), ("sms:1",), also_cleared=True, quiet=(time(21), time(6)))
DESK = Route("desk", (), (), ("mailto:desk@example.org",), after=timedelta(minutes=15))
LOW = replace(OVERLOAD, condition="low-margin")
MORNING = datetime(2026, 10, 5, 11, 0, tzinfo=UTC)
"""06:00 in Chicago."""


def seconds(after: float) -> datetime:
    return at(after / 60.0)


def course(about: About = OVERLOAD, when: datetime | None = None, **changes: object) -> Course:
    made = Course(about)
    made.feed(raised(about.condition, when or at(), **changes), when or at())
    return made


def planned(made: Course, route: Route = FARM, waiting: tuple[Telling, ...] = ()) -> Telling:
    now, wanted = made.told[-1]
    telling = plan(route, made.standing, made.changes[-1], wanted, now, CHICAGO, waiting)
    assert telling is not None
    return telling


# --- when ------------------------------------------------------------------------------------------------------


def test_what_rings_is_due_at_once_quiet_hours_or_not() -> None:
    one = planned(course())
    assert (one.due, one.route, one.alarm_number, one.change_number) == (at(), "farm", 1, 1)
    assert ready(FARM, [one], at(), None) == [one]


def test_what_does_not_ring_is_gathered_for_a_minute_by_day() -> None:
    route = replace(FARM, quiet=None)
    first = planned(course(LOW, rings=False), route)
    second = planned(course(replace(LOW, fan="north-4"), seconds(40), rings=False), route, (first,))
    assert first.due == second.due == seconds(60), "the second goes along with the first"
    assert ready(route, [first, second], seconds(59), None) == []
    assert ready(route, [first, second], seconds(60), None) == [first, second]


def test_what_does_not_ring_waits_for_the_morning() -> None:
    assert planned(course(LOW, rings=False)).due == MORNING
    evening = course(LOW, at(-5.2 * 60), rings=False)  # 20:58 in Chicago: gathered, told before nine
    assert planned(evening).due == at(-5.2 * 60) + GATHER
    late = course(LOW, at(-5.2 * 60 + 1.5), rings=False)  # 20:59:30: its minute is over at 21:00:30
    assert planned(late).due == MORNING


def test_what_follows_a_ring_goes_in_one_further_notice() -> None:
    others = [course(replace(OVERLOAD, fan=f"north-{number}"), seconds(10 * number)) for number in (1, 2)]
    waiting = [planned(made) for made in others]
    assert ready(FARM, waiting[:1], seconds(10), at()) == []
    assert ready(FARM, waiting, seconds(59.9), at()) == []
    assert ready(FARM, waiting, seconds(60), at()) == waiting
    assert ready(FARM, waiting, seconds(100), seconds(60)) == [], "and what follows that one waits again"
    assert ready(FARM, waiting, seconds(120), seconds(60)) == waiting


def test_another_ring_is_not_held_up_by_a_notice_that_does_not_ring() -> None:
    quiet = planned(course(LOW, rings=False), replace(FARM, quiet=None))
    ring = planned(course(when=seconds(30)))
    assert ready(FARM, [quiet, ring], seconds(30), None) == [quiet, ring], "what is gathered comes along"


def test_a_further_step_gives_the_time_to_acknowledge_to_the_full() -> None:
    first, second = planned(course(), DESK), planned(course(replace(OVERLOAD, fan="north-4"), seconds(30)), DESK)
    assert (first.due, second.due) == (at(15), at(15.5))
    assert ready(DESK, [first, second], at(15), None) == [first]
    assert ready(DESK, [second], at(15.5), at(15)) == []
    assert ready(DESK, [second], at(16), at(15)) == [second]


def test_a_clock_that_is_put_back_holds_nothing_up() -> None:
    one = planned(course())
    assert ready(FARM, [one], at(-60), None) == [one]
    assert ready(FARM, [planned(course())], at(0), at(60)) != [], "a ring in the future holds nothing back"


@pytest.mark.parametrize(
    ("local", "ends"),
    [
        ("2026-10-31 23:00", "2026-11-01 06:00"),  # the night in which clocks are put back
        ("2026-11-01 01:30", "2026-11-01 06:00"),
        ("2026-03-08 03:30", "2026-03-08 06:00"),  # put forward
        ("2026-10-05 21:00", "2026-10-06 06:00"),
        ("2026-10-05 06:00", "2026-10-05 06:00"),
        ("2026-10-05 20:59", "2026-10-05 20:59"),
    ],
)
def test_quiet_hours_are_by_the_clock_on_the_wall(local: str, ends: str) -> None:
    when, end = (datetime.fromisoformat(text).replace(tzinfo=CHICAGO) for text in (local, ends))
    assert after_quiet(FARM, when.astimezone(UTC), CHICAGO) == end.astimezone(UTC)


@given(
    at=st.integers(0, 366 * 86_400).map(lambda seconds: datetime(2026, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)),
    begin=st.times(), end=st.times(),
    zone=st.sampled_from(["America/Chicago", "Australia/Lord_Howe", "America/St_Johns", "UTC", "Asia/Kathmandu"]),
)  # fmt: skip
def test_the_end_of_quiet_hours_is_never_past_never_quiet_and_within_a_day(
    at: datetime, begin: time, end: time, zone: str
) -> None:
    if begin == end:
        return
    here = ZoneInfo(zone)
    route = replace(FARM, quiet=(begin, end))
    due = after_quiet(route, at, here)
    assert at <= due <= at + timedelta(hours=25, minutes=1)
    if due > at:
        assert due.astimezone(here).replace(tzinfo=None).time() >= end
        again = after_quiet(route, due, here) - due
        assert again <= timedelta(hours=2), "quiet once more only where an hour comes twice"


# --- whether still ---------------------------------------------------------------------------------------------


def test_what_stands_is_told_as_it_was_wanted() -> None:
    made = course()
    one = planned(made)
    assert judge(one, FARM, made.standing, at(), told=False) == (one.wanted, None)
    assert judge(one, FARM, None, at(), told=False) == (None, NOT_KNOWN)


def test_what_would_have_rung_and_is_over_is_told_as_over_and_what_would_not_is_dropped() -> None:
    made, small = course(), course(LOW, rings=False)
    ring, quiet = planned(made), planned(small)
    for one in (made, small):
        one.feed(Returned(at(5)), at(5))
    wanted, why = judge(ring, FARM, made.standing, at(6), told=False)
    assert wanted is not None and (wanted.kind, wanted.rings, why) == ("cleared", False, None)
    assert judge(quiet, FARM, small.standing, MORNING, told=False) == (None, OVER)
    assert judge(planned(course(), DESK), DESK, made.standing, at(15), told=False) == (None, OVER)


def test_what_somebody_acknowledged_goes_to_no_further_step() -> None:
    made = course()
    one = planned(made, DESK)
    assert judge(one, DESK, made.standing, at(15), told=False)[0] is not None
    made.feed(Acknowledge("Ann"), at(4))
    assert judge(one, DESK, made.standing, at(15), told=False) == (None, ACKNOWLEDGED)


def test_a_trip_that_was_not_acknowledged_stands_and_is_told() -> None:
    made = course(replace(OVERLOAD, condition="tripped"))
    one = planned(made, DESK)
    made.feed(Returned(at(5)), at(5))
    assert judge(one, DESK, made.standing, at(15), told=False) == (one.wanted, None)


def test_what_is_shelved_meanwhile_is_held_back() -> None:
    made = course(LOW, rings=False)
    one = planned(made)
    made.feed(Shelve("Ann", at(600), "known"), at(1))
    assert judge(one, FARM, made.standing, at(60), told=False) == (None, None), "not yet"
    assert judge(one, FARM, made.standing, at(600), told=False) == (one.wanted, None)
    made.feed(Returned(at(30)), at(30))
    assert judge(one, FARM, made.standing, at(60), told=False) == (None, OVER)


def test_that_something_cleared_while_it_was_shelved_is_told_to_nobody() -> None:
    made = course()
    made.feed(Returned(at(5)), at(5))
    one = planned(made)
    made.feed(Shelve("Ann", at(2000), "known"), at(6))
    assert judge(one, FARM, made.standing, MORNING, told=True) == (None, HELD_BACK)


def test_cleared_is_told_only_after_its_beginning_and_while_it_lasts() -> None:
    made = course()
    made.feed(Returned(at(5)), at(5))
    one = planned(made)
    assert (one.wanted.kind, one.due) == ("cleared", MORNING)
    assert judge(one, FARM, made.standing, MORNING, told=True) == (one.wanted, None)
    assert judge(one, FARM, made.standing, MORNING, told=False) == (None, BEGINNING_NOT_TOLD)
    made.feed(raised(when=at(300)), at(300))
    assert judge(one, FARM, made.standing, MORNING, told=True) == (None, STANDS_AGAIN)


def test_of_each_alarm_the_last_change_is_told() -> None:
    made = course()
    first = planned(made)
    made.feed(raised(when=at(1), priority="highest"), at(1))
    second = planned(made)
    other = replace(planned(course(replace(OVERLOAD, fan="north-4"))), change_number=7)
    assert latest_of_each([other, second, first]) == [second, other]


@pytest.mark.parametrize(
    ("condition", "kind", "nothing"),
    [
        ("low-margin", "raised", True), ("overload", "raised", False), ("overload", "told-again", True),
        ("trip-near", "told-again", True), ("overload", "cleared", False), ("low-margin", "cleared", False),
        ("stopped", "told-again", False), ("tripped", "told-again", False),
    ],
)  # fmt: skip
def test_a_load_that_is_told_again_says_nothing_of_a_fan_that_has_stopped(
    condition: str, kind: str, nothing: bool
) -> None:
    assert says_nothing_of_a_stopped_fan(condition, kind) is nothing
