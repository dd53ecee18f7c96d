"""How a notice comes about: conditions that are raised and return, and what is known of their fan."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from alarm_builders import ESTIMATE, OVERLOAD, Course, at, raised, story

from monitor.alarms.alarm import About, Returned
from monitor.alarms.story import Factor, Story
from monitor.watch.table import BY_ID


def about(condition: str) -> About:
    return replace(OVERLOAD, condition=condition)


def pitch(**changes: Any) -> dict[str, Any]:
    return {**ESTIMATE, "pitch": {**ESTIMATE["pitch"], **changes}}


def single_phase() -> Story:
    checks = [
        *({**check, "done": True} for check in ESTIMATE["checks_first"]),
        {"name": "start switch", "done": False, "how": "Listen for the click as the motor comes up and runs down."},
        {
            "name": "capacitors",
            "done": False,
            "how": "Locked out and discharged: look for bulges, measure with a rated meter.",
        },
    ]
    return story(
        fan_name="Old yard bin", legs_amps=(54.6,), load_ratio=1.032, limit_amps=52.9, full_load_amps=46.0, volts=(),
        unbalance_percent=None, notes=("not adjusted: voltage is not measured",), target_amps=50.3,
        limit_factors=(Factor("full-load amps", 46.0, "nameplate"), Factor("service factor", 1.15, "nameplate")),
        estimate={
            "words": ["not adjusted: voltage is not measured", "window of 4 min only: low confidence"],
            **pitch(as_is={"degrees": 2.0, "pitch": 21.0, "chance": 0.953}, supply_right=None,
                    supply_right_why="none needed",
                    options=[{"pitch": 21.0, "airflow_percent": 94.2}]),
            "checks_first": checks,
        },
    )  # fmt: skip


UNBALANCED = story(
    legs_amps=(12.9, 14.1, 11.8), load_ratio=1.16, limit_amps=12.14, volts=(476.0, 447.0, 452.0),
    unbalance_percent=3.85, full_load_amps=12.4,
    volts_from="north panel", also_standing=("overload",),
    target_amps=11.53, target_amps_supply_right=13.55,
    limit_factors=(
        Factor("full-load amps", 12.4, "nameplate"), Factor("service factor", 1.15, "nameplate"),
        Factor("voltage unbalance", 0.85, "NEMA MG 1 figure 14-1, at 3.9 % unbalance"),
    ),
)  # fmt: skip


def raise_one(condition: str, **changes: Any) -> Course:
    """A condition raised by its row of the table, unless told otherwise."""
    row = BY_ID[condition]
    by_row = {"priority": row.priority, "rings": row.rings, "setpoint": row.setpoint}
    course = Course(about(condition))
    course.feed(raised(condition, **{**by_row, **changes}), at())
    return course


def raise_at(fan: str | None, supply: str | None, condition: str, **changes: Any) -> Course:
    """The same for a supply point or a whole site."""
    row = BY_ID[condition]
    by_row = {"priority": row.priority, "rings": row.rings, "setpoint": row.setpoint}
    course = Course(About("hollow-creek", fan, supply, condition))
    course.feed(raised(condition, **{**by_row, **changes}), at())
    return course


def returned(course: Course, minutes: float, **changes: Any) -> Course:
    course.feed(Returned(at(minutes), **changes), at(minutes))
    return course


CALM: dict[str, Any] = {"legs_amps": (12.3, 12.1, 11.9), "load_ratio": 0.81}
PANEL = Story("Hollow Creek", "North panel", story().time_zone, at(), fans=("North 3", "North 4", "South 1"))
