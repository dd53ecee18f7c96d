"""Invented farms for the tests of this room: builders with good defaults."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from monitor.alarms.alarm import About, Alarm, AlarmChange, Event, Raised, Wanted, step
from monitor.alarms.story import Factor, Story

CHICAGO = ZoneInfo("America/Chicago")
NIGHT = datetime(2026, 10, 5, 7, 10, tzinfo=UTC)
"""02:10 in Chicago, daylight time."""
OVERLOAD = About("hollow-creek", "north-3", None, "overload")

ESTIMATE: dict[str, Any] = {
    "parts": [
        {"name": "leg spread", "amps": 0.47},
        {"name": "supply voltage", "amps": 0.29},
        {"name": "derating", "amps": 0.0},
        {"name": "air density", "amps": 0.53},
        {"name": "fan load", "amps": -0.97},
    ],
    "causes": [
        {
            "cause": "fan load",
            "share_amps": 0.32,
            "evidence": ["At rated voltage and balanced it would still draw 14.7 A.", "Cold air alone adds 0.5 A."],
            "confirm_by": "Measure volts at the motor while it runs; turn the shaft by hand with the fan locked out.",
        }
    ],
    "checks_first": [
        {
            "name": "supply voltage",
            "done": False,
            "how": "Measure all three line-to-line volts at the motor while it runs.",
        },
        {"name": "connections", "done": False, "how": "Locked out: feel for discoloured or loose terminals."},
        {
            "name": "bearings",
            "done": False,
            "how": "Locked out: turn the shaft by hand, listen and feel for roughness.",
        },
    ],
    "pitch": {
        "provisional": True,
        "amps_per_degree": {"mean": 0.94, "low": 0.63, "high": 1.25, "source": "typical for fans of this kind"},
        "as_is": {"degrees": 3.0, "pitch": 18.0, "chance": 0.936},
        "as_is_why": None,
        "supply_right": {"degrees": 2.0, "pitch": 19.0, "chance": 0.945},
        "supply_right_why": None,
        "options": [
            {"pitch": 21.0, "amps": 16.1, "low": 15.2, "high": 16.9, "chance": 0.0003, "airflow_percent": 100.0},
            {"pitch": 19.0, "amps": 14.2, "low": 13.4, "high": 15.2, "chance": 0.626, "airflow_percent": 94.2},
            {"pitch": 18.0, "amps": 13.4, "low": 12.5, "high": 14.5, "chance": 0.936, "airflow_percent": 91.4},
        ],
    },
}


def at(minutes: float = 0.0) -> datetime:
    """So many minutes after the night's 02:10."""
    return NIGHT + timedelta(minutes=minutes)


def raised(condition: str = "overload", when: datetime = NIGHT, **changes: object) -> Raised:
    """A condition raised two minutes after it began."""
    fields: dict[str, object] = {
        "condition": condition, "at": when, "since": when - timedelta(minutes=2), "value": 1.021, "setpoint": 1.0,
        "peak": changes.get("value", 1.021), "priority": "high", "rings": True,
    }  # fmt: skip
    return Raised(**{**fields, **changes})  # type: ignore[arg-type]


def story(**changes: object) -> Story:
    """A three-phase fan over its limit, everything known."""
    fields: dict[str, object] = {
        "site_name": "Hollow Creek", "fan_name": "North 3", "time_zone": CHICAGO, "now": NIGHT, "running": True,
        "legs_amps": (15.5, 15.0, 14.6), "load_ratio": 1.021, "limit_amps": 15.18, "full_load_amps": 13.2,
        "limit_factors": (
            Factor("full-load amps", 13.2, "nameplate"),
            Factor("service factor", 1.15, "nameplate"),
            Factor("voltage unbalance", 1.0, "NEMA MG 1 figure 14-1, at 0.8 % unbalance"),
        ),
        "volts": (450.0, 447.0, 443.0), "rated_volts": 460.0, "unbalance_percent": 0.82, "target_amps": 14.42,
        "target_amps_supply_right": 14.42,
        "estimate": ESTIMATE, "page": "http://192.168.1.20:8080/fans/hollow-creek/north-3",
    }  # fmt: skip
    return Story(**{**fields, **changes})  # type: ignore[arg-type]


class Course:
    """An alarm on its way: feeds events, gives out numbers, keeps what was stored and told."""

    def __init__(self, about: About = OVERLOAD) -> None:
        self.about = about
        self.alarm: Alarm | None = None
        self.changes: list[AlarmChange] = []
        self.told: list[tuple[datetime, Wanted]] = []
        self.numbers = 1

    def feed(self, event: Event, now: datetime) -> list[str]:
        """Kinds of notices wanted by this event."""
        self.alarm, change, wanted = step(
            self.alarm, event, now, number=self.numbers, change_number=len(self.changes) + 1, about=self.about
        )
        if self.alarm is not None and self.alarm.number == self.numbers:
            self.numbers += 1
        if change is not None:
            self.changes.append(change)
        self.told += [(now, one) for one in wanted]
        return [one.kind for one in wanted]

    @property
    def standing(self) -> Alarm:
        """The alarm, which must exist."""
        assert self.alarm is not None
        return self.alarm
