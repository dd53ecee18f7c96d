"""Who is told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from alarm_builders import OVERLOAD, Course, at, raised, story

from monitor.alarms.alarm import Returned
from monitor.alarms.routes import Route, superseded, takes

FARM = Route("farm", ("hollow-creek",), (), ("mailto:ada@example.org", "sms:1"))
DESK = Route("desk", (), ("high", "highest"), ("webhook+https://desk.example/in",), also_cleared=True)


def taking(course: Course, *routes: Route) -> list[str]:
    _, wanted = course.told[-1]
    return [route.name for route in routes if takes(route, wanted, course.standing)]


def test_sites_and_priorities_choose() -> None:
    course = Course(replace(OVERLOAD, site="elsewhere"))
    course.feed(raised(priority="medium"), at())
    assert taking(course, FARM, DESK) == []
    assert taking(course, replace(FARM, sites=()), replace(DESK, priorities=("medium",))) == ["farm", "desk"]


def test_cleared_only_for_those_who_asked() -> None:
    course = Course()
    course.feed(raised(), at())
    assert taking(course, FARM, DESK) == ["farm", "desk"]
    course.feed(Returned(at(30)), at(30))
    assert taking(course, FARM, DESK) == ["desk"]


@pytest.mark.parametrize(
    ("condition", "stronger"), [("low-margin", "overload"), ("voltage-unbalance", "voltage-unbalance-severe")]
)
def test_near_has_not_cleared_for_anybody_when_it_is_over(condition: str, stronger: str) -> None:
    course = Course(replace(OVERLOAD, condition=condition))
    course.feed(raised(condition), at())
    course.feed(Returned(at(30)), at(30))
    assert superseded(course.standing, story(also_standing=(stronger,)))
    assert not superseded(course.standing, story(also_standing=("logger-overdue",)))
