"""Lives of single alarms as timelines: what is told, and when."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from alarm_builders import NIGHT, OVERLOAD, Course, at, raised

from monitor.alarms.alarm import (
    Acknowledge,
    Event,
    PlannedStop,
    RemoveFromService,
    Returned,
    ReturnToService,
    Shelve,
    Tick,
    Unshelve,
    WithdrawPlannedStop,
    next_due,
    step,
    worse_has_come,
)
from monitor.alarms.states import State, Suppression


def play(timeline: str, condition: str = "overload") -> tuple[Course, list[str]]:
    """Plays lines of `H:MM event [priority]` after 02:10; the events are up, down, ack, tick. Tells `H:MM kind`."""
    course, told = Course(replace(OVERLOAD, condition=condition)), []
    for row in timeline.strip().splitlines():
        clock, word, *rest = row.split()
        hours, minutes = clock.split(":")
        now = at(60 * int(hours) + int(minutes))
        events: dict[str, Event] = {
            "up": raised(condition, when=now, priority=rest[0] if rest else "high"),
            "down": Returned(now),
            "ack": Acknowledge("Ada"),
            "tick": Tick(),
        }
        told += [f"{clock} {kind}" for kind in course.feed(events[word], now)]
    return course, told


def test_raised_acknowledged_returned() -> None:
    course, told = play("0:00 up\n0:05 ack\n1:00 down")
    assert told == ["0:00 raised", "1:00 cleared"]
    assert [(change.from_state.value, change.to_state.value, change.cause) for change in course.changes] == [
        ("NORMAL", "UNACKNOWLEDGED", "raised"),
        ("UNACKNOWLEDGED", "ACKNOWLEDGED", "acknowledged"),
        ("ACKNOWLEDGED", "NORMAL", "returned"),
    ]
    alarm = course.standing
    assert (alarm.acknowledged, alarm.acknowledged_by, alarm.cleared) == (at(5), "Ada", at(60))


def test_cleared_keeps_waiting_for_an_acknowledgement() -> None:
    course, _ = play("0:00 up\n1:00 down")
    assert course.standing.state is State.RETURNED_UNACKNOWLEDGED
    assert course.feed(Acknowledge("Ada"), at(70)) == []
    assert course.standing.state is State.NORMAL


def test_raised_again_before_it_was_acknowledged_is_the_same_alarm() -> None:
    course, told = play("0:00 up\n1:00 down\n1:30 up\n2:00 down\n2:30 up")
    assert told == ["0:00 raised", "1:00 cleared"], "what is not told as raised is not told as cleared"
    assert (course.standing.number, course.standing.count, course.standing.untold) == (1, 3, 2)


def test_raised_again_after_normal_is_a_new_alarm_with_the_memory_of_the_old() -> None:
    course, told = play("0:00 up\n1:00 down\n1:10 ack\n1:30 up")
    assert told == ["0:00 raised", "1:00 cleared"]
    alarm = course.standing
    assert (alarm.number, alarm.count, alarm.untold, alarm.last_notice) == (2, 1, 1, at())
    assert (alarm.acknowledged, alarm.cleared) == (None, None)
    assert course.changes[-1].alarm_number == 2


@pytest.mark.parametrize(("minutes", "tells"), [(239, False), (240, True)])
def test_four_hours_after_the_last_notice_it_is_told_again(minutes: int, tells: bool) -> None:
    _, told = play(f"0:00 up\n1:00 down\n1:10 ack\n{minutes // 60}:{minutes % 60:02} up", "supply-lost")
    assert told[2:] == ([f"{minutes // 60}:{minutes % 60:02} raised"] if tells else [])


@pytest.mark.parametrize(("minutes", "tells"), [(29, False), (30, True)])
def test_the_highest_priority_is_told_each_half_hour(minutes: int, tells: bool) -> None:
    course, _ = play("0:00 up highest\n0:10 down\n0:11 ack")
    assert course.feed(raised(when=at(minutes), priority="highest"), at(minutes)) == (["raised"] if tells else [])


def cycled(condition: str, days: float, *, acknowledged: bool = False, **changes: Any) -> list[float]:
    """A fan that is over for nine minutes in each twenty: the hours at which that is told."""
    course, told = Course(replace(OVERLOAD, condition=condition)), []
    for minutes in range(0, round(days * 1440), 20):
        when = at(minutes)
        told += [
            minutes / 60.0 for kind in course.feed(raised(condition, when=when, **changes), when) if kind == "raised"
        ]
        course.feed(Returned(at(minutes + 9)), at(minutes + 9))
        if acknowledged:
            course.feed(Acknowledge("Ada"), at(minutes + 10))
    return told


def test_what_comes_and_goes_without_harm_is_told_ever_more_seldom() -> None:
    hours = cycled("overload", 100)
    assert [round(later - earlier) for earlier, later in pairwise(hours)] == [12, 48, 192, 720, 720]
    assert cycled("low-margin", 61, priority="low", rings=False) == [0.0, 1440.0]


def test_a_load_that_somebody_has_acknowledged_is_told_each_month_a_fault_sooner() -> None:
    """A technician may have put a fault right in between: that it is back is news, whoever knew of it."""
    assert cycled("overload", 59, acknowledged=True) == [0.0, 720.0]
    assert cycled("device-margin", 59, acknowledged=True) == [0.0, 720.0]
    assert cycled("voltage-unbalance-severe", 4, acknowledged=True) == [0.0, 4.0, 20.0, 84.0]


def test_a_known_overload_is_news_when_it_is_raised_worse_than_before() -> None:
    course, _ = play("0:00 up\n1:00 down\n1:10 ack")
    assert course.standing.peak == 1.021
    known = replace(course.standing)
    for peak, minutes, tells in ((1.05, 600, False), (1.052, 239, False), (1.052, 240, True), (None, 600, False)):
        course.alarm = known
        kinds = course.feed(raised(when=at(minutes), value=peak, peak=peak), at(minutes))
        assert kinds == (["raised"] if tells else []), (peak, minutes)


@pytest.mark.parametrize(("condition", "nights"), [("overload", [0, 4, 8]), ("device-margin", [0, 3, 6])])
def test_a_known_load_that_grows_a_little_each_night_is_news_once_it_has_grown_enough(
    condition: str, nights: list[int]
) -> None:
    """Each night 1 % more; whoever is rung acknowledges it."""
    course, told = Course(replace(OVERLOAD, condition=condition)), []
    for night in range(9):
        begin, peak = at(1440 * night), 1.0 + 0.01 * night
        rung = course.feed(raised(condition, when=begin, value=peak, peak=peak), begin)
        course.feed(Returned(begin + timedelta(hours=1), peak + 0.001), begin + timedelta(hours=1))
        if rung:
            told.append((night, max(one.rings for when, one in course.told if when == begin)))
            course.feed(Acknowledge("Ada"), begin + timedelta(hours=2))
    assert told == [(night, True) for night in nights]  # 3 % above 1.001, and above 1.041; 2 %


def test_a_site_or_supply_that_is_lost_again_is_news_each_time() -> None:
    assert cycled("site-silent", 1) == [0.0, 4.0, 8.0, 12.0, 16.0, 20.0]


def test_after_a_trip_and_after_two_months_it_is_news_again() -> None:
    course, _ = play("0:00 up high\n0:05 down\n12:00 up high\n12:05 down")
    assert course.standing.told == 2
    assert course.feed(raised(when=at(40 * 60)), at(40 * 60)) == []
    course.feed(Returned(at(40 * 60 + 5)), at(40 * 60 + 5))
    course.feed(Acknowledge("Ada"), at(40 * 60 + 6))
    course.alarm = worse_has_come(course.standing)
    assert course.feed(raised(when=at(41 * 60)), at(41 * 60)) == ["raised"]
    course.feed(Returned(at(41 * 60 + 5)), at(41 * 60 + 5))
    months = 41 * 60 + 61 * 1440
    assert course.feed(raised(when=at(months)), at(months)) == ["raised"] and course.standing.told == 1


def test_what_was_raised_again_untold_and_stands_for_four_hours_is_told() -> None:
    _, told = play(
        "0:00 up high\n0:05 down\n12:00 up high\n12:05 down\n14:00 up high\n16:00 tick\n17:59 tick\n18:00 tick"
    )
    assert told == ["0:00 raised", "0:05 cleared", "12:00 raised", "12:05 cleared", "18:00 told-again"]


def test_what_was_raised_meanwhile_is_counted_in_the_next_notice() -> None:
    course = Course()
    for minutes in range(0, 960, 20):
        course.feed(raised(when=at(minutes)), at(minutes))
        course.feed(Returned(at(minutes + 9)), at(minutes + 9))
    assert [wanted.count for _, wanted in course.told if wanted.kind == "raised"] == [1, 36]
    assert [wanted.counted_since for _, wanted in course.told if wanted.kind == "raised"] == [None, at(0)]


@pytest.mark.parametrize(("minutes", "tells"), [(29, False), (30, True)])
def test_a_fan_that_ran_and_stands_still_again_is_told_within_half_an_hour(minutes: int, tells: bool) -> None:
    """Somebody restarted it and went: the grain must not wait four hours for the next ring."""
    _, told = play(f"0:00 up medium\n0:10 ack\n0:20 down\n0:{minutes} up medium", "stopped")
    assert told == ["0:00 raised", "0:20 cleared", *([f"0:{minutes} raised"] if tells else [])]
    _, told = play("0:00 up medium\n0:10 ack\n0:20 down\n0:25 up medium\n0:29 tick\n0:30 tick\n1:30 tick", "stopped")
    assert told == ["0:00 raised", "0:20 cleared", "0:30 told-again"]


def test_an_ordinary_stop_that_does_not_ring_keeps_the_four_hours() -> None:
    course = Course(replace(OVERLOAD, condition="stopped"))
    quiet = [replace(raised("stopped", when=at(minutes), priority="low"), rings=False) for minutes in (0, 60, 239, 240)]
    told = []
    for event in quiet:
        told += [(event.at, kind) for kind in course.feed(event, event.at)]
        course.feed(Acknowledge("Ada"), event.at)
        course.feed(Returned(event.at + timedelta(seconds=30)), event.at + timedelta(seconds=30))
    assert told == [(at(0), "raised"), (at(240), "raised")]


def test_higher_priority_is_told_at_once_and_takes_the_acknowledgement_back() -> None:
    course, told = play("0:00 up high\n0:05 ack\n0:06 up high\n0:09 up highest")
    assert told == ["0:00 raised", "0:09 raised"]
    alarm = course.standing
    assert (alarm.state, alarm.priority, alarm.acknowledged_by) == (State.UNACKNOWLEDGED, "highest", None)
    assert alarm.number == 1


def test_priority_does_not_fall_while_it_stands_so_wobbling_does_not_ring() -> None:
    _, told = play("0:00 up high\n0:05 up highest\n0:06 ack\n0:07 up high\n0:08 up highest\n0:09 up high")
    assert told == ["0:00 raised", "0:05 raised"]


def test_acknowledged_is_never_told_again() -> None:
    course, told = play("0:00 up\n0:05 ack\n4:00 tick\n9:00 tick\n30:00 tick")
    assert told == ["0:00 raised"]
    assert next_due(course.standing) is None


def test_unacknowledged_is_told_again_each_four_hours() -> None:
    course, told = play("0:00 up\n3:59 tick\n4:00 tick\n4:01 tick\n7:59 tick\n8:00 tick\n8:30 down\n20:00 tick")
    assert told == ["0:00 raised", "4:00 told-again", "8:00 told-again", "8:30 cleared"]
    assert next_due(course.standing) is None
    assert course.changes[1].cause == "told again"


def test_raised_in_silence_and_left_standing_is_told_when_the_four_hours_are_over() -> None:
    course, told = play("0:00 up\n1:00 down\n1:10 ack\n2:00 up\n3:59 tick\n4:00 tick", "supply-lost")
    assert told == ["0:00 raised", "1:00 cleared", "4:00 told-again"]
    assert course.told[-1][1].count == 1


def test_a_known_load_that_stands_again_is_not_repeated_before_the_month_is_over() -> None:
    course, told = play("0:00 up\n1:00 down\n1:10 ack\n2:00 up\n4:00 tick\n6:00 tick\n719:59 tick\n720:00 tick")
    assert told == ["0:00 raised", "1:00 cleared", "720:00 told-again"]
    assert [wanted.rings for _, wanted in course.told] == [True, False, False], "a reminder wakes nobody"
    assert course.feed(raised(when=at(721 * 60), priority="highest"), at(721 * 60)) == ["raised"]
    assert course.told[-1][1].rings
    assert course.feed(Tick(), at(725 * 60)) == ["told-again"] and course.told[-1][1].rings


def test_the_highest_priority_raised_in_silence_waits_only_half_an_hour() -> None:
    _, told = play("0:00 up highest\n0:05 down\n0:10 up highest\n0:29 tick\n0:30 tick\n0:31 tick\n4:29 tick\n4:30 tick")
    assert told == ["0:00 raised", "0:05 cleared", "0:30 told-again", "4:30 told-again"]


def test_what_does_not_ring_is_not_repeated() -> None:
    course = Course()
    course.feed(raised(rings=False, priority="low"), at())
    assert (course.told[0][1].rings, next_due(course.standing)) == (False, None)
    assert course.feed(Tick(), at(9999)) == []


def test_a_last_notice_from_a_wrong_clock_silences_nothing() -> None:
    """A clock that once stood in 2031 must not keep the phone silent until then."""
    course, _ = play("0:00 up\n1:00 down\n1:10 ack")
    course.alarm = replace(course.standing, last_notice=NIGHT + timedelta(days=1500))
    assert course.feed(raised(when=at(90)), at(90)) == ["raised"]


def test_without_a_stored_priority_of_the_last_notice_the_alarms_own_counts() -> None:
    course, _ = play("0:00 up\n1:00 down\n1:10 ack")
    course.alarm = replace(course.standing, last_notice_priority=None)
    assert course.feed(raised(when=at(90)), at(90)) == []
    assert course.feed(raised(when=at(91), priority="highest"), at(91)) == ["raised"]


def test_times_of_a_change() -> None:
    """Conditions come with the time of their reading, operators with the clock."""
    course = Course()
    course.feed(raised(), at(55))
    course.feed(Acknowledge("Ada"), at(60))
    assert [(change.at, change.heard, change.by) for change in course.changes] == [
        (at(), at(55), None),
        (at(60), at(60), "Ada"),
    ]
    assert (course.standing.raised, course.standing.since, course.standing.heard) == (at(), at(-2), at(55))


def test_peak_is_the_greatest_of_the_occurrence() -> None:
    course = Course()
    course.feed(raised(value=1.02, peak=1.05), at())
    course.feed(raised(value=1.01, peak=1.11, when=at(5)), at(5))
    course.feed(Returned(at(9), peak=1.08), at(9))
    assert course.standing.peak == 1.11
    course.feed(raised(value=1.0, peak=1.01, when=at(20)), at(20))
    assert course.standing.peak == 1.11, "unacknowledged: the same occurrence"
    course.feed(Acknowledge("Ada"), at(21))
    course.feed(Returned(at(22)), at(22))
    course.feed(raised(value=1.0, peak=1.01, when=at(30)), at(30))
    assert course.standing.peak == 1.01, "a new occurrence"


# Suppression -------------------------------------------------------------------------------------------------------

STOPPED = replace(OVERLOAD, condition="stopped")


def stop(minutes: float) -> Event:
    return raised("stopped", when=at(minutes), priority="medium")


def test_an_announced_stop_is_no_news_and_a_stop_beyond_it_is() -> None:
    course = Course(STOPPED)
    assert course.feed(PlannedStop("Ada", at(240), "loading"), at()) == []
    assert (course.standing.state, course.standing.suppression) == (State.NORMAL, Suppression.SUPPRESSED_BY_DESIGN)
    assert course.feed(stop(10), at(10)) == []
    assert course.standing.number == 1, "the row that carried the plan becomes the alarm"
    assert next_due(course.standing) == at(240)
    assert course.feed(Tick(), at(239)) == []
    assert course.feed(Tick(), at(240)) == ["raised"]
    assert course.told[-1][1].cause == "planned stop over"
    assert (course.standing.suppression, course.standing.suppressed_by) == (None, None)


def test_a_fan_that_runs_when_the_plan_is_over_is_no_news() -> None:
    course = Course(STOPPED)
    course.feed(PlannedStop("Ada", at(240)), at())
    course.feed(stop(10), at(10))
    assert course.feed(Returned(at(200)), at(200)) == []
    assert course.feed(Tick(), at(240)) == []
    assert course.standing.state is State.RETURNED_UNACKNOWLEDGED


def test_a_stop_announced_after_it_was_told_and_acknowledged_is_told_when_the_plan_is_over() -> None:
    course = Course(STOPPED)
    assert course.feed(stop(0), at()) == ["raised"]
    course.feed(Acknowledge("Ada"), at(5))
    course.feed(PlannedStop("Ada", at(60)), at(6))
    assert course.standing.state is State.ACKNOWLEDGED
    assert course.feed(Tick(), at(60)) == ["raised"]
    assert course.standing.state is State.UNACKNOWLEDGED
    assert course.standing.acknowledged is None


def test_a_plan_can_be_made_longer_and_withdrawn() -> None:
    course = Course(STOPPED)
    course.feed(PlannedStop("Ada", at(60)), at())
    course.feed(stop(10), at(10))
    course.feed(PlannedStop("Ben", at(120), "still loading"), at(50))
    assert course.feed(Tick(), at(60)) == []
    assert (course.standing.suppressed_by, course.standing.suppressed_why) == ("Ben", "still loading")
    assert course.feed(WithdrawPlannedStop("Ben"), at(70)) == ["raised"]
    assert course.changes[-1].by == "Ben"


def test_a_plan_whose_time_is_up_holds_nothing_back_even_before_the_tick() -> None:
    course = Course(STOPPED)
    course.feed(PlannedStop("Ada", at(60)), at())
    assert course.feed(stop(70), at(70)) == ["raised"]


def test_shelved_changes_its_state_but_tells_nothing() -> None:
    course = Course()
    course.feed(Shelve("Ada", at(120), "known"), at())
    assert course.feed(raised(when=at(10), priority="highest"), at(10)) == []
    assert course.standing.state is State.UNACKNOWLEDGED
    assert course.feed(Unshelve("Ada"), at(20)) == ["raised"], "what stands and was never told is told now"


def test_unshelved_tells_nothing_that_was_told_before() -> None:
    course = Course()
    course.feed(raised(), at())
    course.feed(Shelve("Ada", at(120)), at(5))
    assert course.feed(Tick(), at(120)) == []
    assert course.changes[-1].cause == "time up"


def test_what_stood_on_the_shelf_for_long_is_told_again_and_not_as_new() -> None:
    course = Course()
    course.feed(raised(), at())
    course.feed(Shelve("Ada", at(300)), at(5))
    assert course.feed(Tick(), at(300)) == []
    assert course.feed(Tick(), at(300)) == ["told-again"]


def test_out_of_service_yields_only_to_its_own_end() -> None:
    course = Course()
    course.feed(RemoveFromService("Ada", why="season over"), at())
    for event in (Shelve("Ben", at(60)), PlannedStop("Ben", at(60)), Unshelve("Ben"), WithdrawPlannedStop("Ben")):
        changes = len(course.changes)
        assert course.feed(event, at(5)) == []
        assert len(course.changes) == changes
    assert course.feed(raised(when=at(10)), at(10)) == []
    assert next_due(course.standing) is None
    assert course.feed(ReturnToService("Ada"), at(600)) == ["raised"]


# Misuse --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "event", [Returned(NIGHT), Acknowledge("Ada"), Tick(), Unshelve("Ada"), ReturnToService("Ada")]
)
def test_what_ends_nothing_begins_nothing(event: Event) -> None:
    assert step(None, event, NIGHT, number=1, change_number=1) == (None, None, [])


def test_a_bug_of_the_caller_is_told_as_one() -> None:
    with pytest.raises(ValueError, match="`about` is needed"):
        step(None, raised(), NIGHT, number=1, change_number=1)
    with pytest.raises(ValueError, match="aware UTC"):
        step(None, raised(), datetime(2026, 10, 5), number=1, change_number=1, about=OVERLOAD)  # noqa: DTZ001


# --- latched ---------------------------------------------------------------------------------------------------


def test_a_trip_stands_until_it_is_acknowledged_and_the_fan_runs_again() -> None:
    for timeline in ("0:00 up highest\n0:10 ack", "0:00 up highest\n0:06 down"):
        course, _ = play(timeline, "tripped")
        assert course.standing.state.stands
    run_last, _ = play("0:00 up highest\n0:10 ack\n0:30 down", "tripped")
    acknowledged_last, told = play("0:00 up highest\n0:06 down\n0:10 ack", "tripped")
    assert run_last.standing.state is State.NORMAL is acknowledged_last.standing.state
    assert told == ["0:00 raised"]
    assert [(change.from_state.value, change.to_state.value, change.cause) for change in acknowledged_last.changes] == [
        ("NORMAL", "UNACKNOWLEDGED", "raised"),
        ("UNACKNOWLEDGED", "UNACKNOWLEDGED", "returned, latched"),
        ("UNACKNOWLEDGED", "NORMAL", "acknowledged, returned before"),
    ]
    alarm = acknowledged_last.standing
    assert (alarm.cleared, alarm.acknowledged, alarm.acknowledged_by) == (at(6), at(10), "Ada")


def test_a_trip_of_a_fan_that_runs_again_is_told_again_until_somebody_acknowledges_it() -> None:
    course, told = play("0:00 up highest\n0:06 down\n3:59 tick\n4:00 tick\n4:10 ack\n8:10 tick", "tripped")
    assert told == ["0:00 raised", "4:00 told-again"]
    assert not course.standing.latched


def test_a_second_trip_before_the_first_was_acknowledged_is_counted_and_told_after_half_an_hour() -> None:
    course, told = play("0:00 up highest\n0:06 down\n0:12 up highest\n0:18 down\n0:40 up highest", "tripped")
    assert told == ["0:00 raised", "0:40 raised"]
    alarm = course.standing
    assert (alarm.number, alarm.count, alarm.cleared, alarm.raised) == (1, 3, None, at(40))
    assert course.told[-1][1].count == 2


def test_running_again_twice_says_no_more() -> None:
    course, _ = play("0:00 up highest\n0:06 down\n0:07 down", "tripped")
    assert len(course.changes) == 2 and course.standing.cleared == at(6)


# --- told at once, rings later ---------------------------------------------------------------------------------


def stopped_by_day(now: datetime, rings_from: datetime) -> Event:
    return raised("stopped", when=now, priority="medium", rings=False, rings_from=rings_from)


def test_an_ordinary_stop_is_told_at_once_and_rings_when_its_time_comes() -> None:
    course = Course(replace(OVERLOAD, condition="stopped"))
    course.feed(stopped_by_day(at(), at(240)), at())
    assert next_due(course.standing) == at(240)
    assert course.feed(Tick(), at(239)) == [] and course.feed(Tick(), at(240)) == ["told-again"]
    assert [(when, one.rings) for when, one in course.told] == [(at(), False), (at(240), True)]
    assert next_due(course.standing) == at(480)  # from now on as any that rings


@pytest.mark.parametrize("seen_to", [Acknowledge("Ada"), Returned(at(30))])
def test_an_ordinary_stop_that_is_seen_to_never_rings(seen_to: Event) -> None:
    course = Course(replace(OVERLOAD, condition="stopped"))
    course.feed(stopped_by_day(at(), at(240)), at())
    course.feed(seen_to, at(30))
    assert next_due(course.standing) is None and course.feed(Tick(), at(241)) == []
    assert not any(one.rings for _, one in course.told)


def test_a_fan_that_stops_again_by_day_is_told_again_after_half_an_hour() -> None:
    course = Course(replace(OVERLOAD, condition="stopped"))
    for begin in (0, 29, 60):
        course.feed(stopped_by_day(at(begin), at(240)), at(begin))
        course.feed(Returned(at(begin + 5)), at(begin + 5))
    assert [when for when, one in course.told if one.kind == "raised"] == [at(), at(60)]
