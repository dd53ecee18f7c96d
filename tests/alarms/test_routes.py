"""Who is told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from alarm_builders import OVERLOAD, Course, at, raised, story

from monitor.alarms.alarm import Returned
from monitor.alarms.notice import Notice
from monitor.alarms.routes import Route, notices_for

FARM = Route("farm", ("hollow-creek",), (), ("mailto:ada@example.org", "sms:1"))
DESK = Route("desk", (), ("high", "highest"), ("webhook+https://desk.example/in",), also_cleared=True)


def last(course: Course, *routes: Route, **changes: object) -> list[Notice]:
    now, wanted = course.told[-1]
    return notices_for(wanted, course.standing, course.changes[-1], story(**changes), routes, now)


def test_one_notice_for_each_address_with_a_stable_id() -> None:
    course = Course()
    course.feed(raised(), at())
    made = last(course, FARM, DESK)
    assert [notice.id for notice in made] == ["0-1-1-farm-0", "0-1-1-farm-1", "0-1-1-desk-0"]
    assert made == last(course, FARM, DESK), "made again after a crash they are the same"
    first = made[0]
    assert (first.kind, first.priority, first.rings, first.created) == ("raised", "high", True, at())
    assert first.data["condition"] == "overload"
    assert "example.org" not in repr(made), "addresses may hold secrets"


def test_sites_and_priorities_choose() -> None:
    course = Course(replace(OVERLOAD, site="elsewhere"))
    course.feed(raised(priority="medium"), at())
    assert last(course, FARM, DESK) == []
    assert len(last(course, replace(FARM, sites=()), replace(DESK, priorities=("medium",)))) == 3


def test_cleared_only_for_those_who_asked() -> None:
    course = Course()
    course.feed(raised(), at())
    course.feed(Returned(at(30)), at(30))
    assert [(notice.route, notice.kind, notice.rings) for notice in last(course, FARM, DESK)] == [
        ("desk", "cleared", False)
    ]


@pytest.mark.parametrize(
    ("condition", "stronger"), [("low-margin", "overload"), ("voltage-unbalance", "voltage-unbalance-severe")]
)
def test_nobody_is_told_that_near_has_cleared_when_it_is_over(condition: str, stronger: str) -> None:
    course = Course(replace(OVERLOAD, condition=condition))
    course.feed(raised(condition), at())
    course.feed(Returned(at(30)), at(30))
    assert last(course, DESK, also_standing=(stronger,)) == []
    assert len(last(course, DESK, also_standing=("logger-overdue",))) == 1
