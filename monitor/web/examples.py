"""Answers as the description of the API shows them, of an invented farm "home".

A test holds each against its schema (tests/web/test_openapi.py).
"""

from __future__ import annotations

from typing import Any

Shown = dict[str, Any]


def listed(*items: Shown, next: str | None = None) -> Shown:
    """A part of a list."""
    return {"items": list(items), "next": next}


# --- alarms ----------------------------------------------------------------------------------------------------

ALARM: Shown = {
    "number": 17, "id": "overload", "site": "home", "fan": "bin-1", "supply": None, "state": "UNACKNOWLEDGED",
    "standing": True, "priority": "high", "since": "2026-10-04T01:12:00Z", "raised": "2026-10-04T01:14:00Z",
    "cleared": None, "heard": "2026-10-04T01:14:02Z", "acknowledged": None, "acknowledged_by": None,
    "suppression": None, "suppressed_until": None, "suppressed_by": None, "suppressed_why": None, "count": 1,
    "value": 1.02, "setpoint": 1.0, "peak": 1.03, "text": "bin-1: 102 % of its limit",
}  # fmt: skip
ACKNOWLEDGED = ALARM | {
    "state": "ACKNOWLEDGED", "acknowledged": "2026-10-04T01:20:00Z", "acknowledged_by": "ann",
    "heard": "2026-10-04T01:20:00Z",
}  # fmt: skip
SHELVED = ALARM | {
    "suppression": "SHELVED", "suppressed_until": "2026-10-04T03:20:00Z", "suppressed_by": "ann",
    "suppressed_why": "grain is damp, it will be better", "heard": "2026-10-04T01:20:00Z",
}  # fmt: skip
_RAISED: Shown = {
    "number": 41, "from_state": "NORMAL", "to_state": "UNACKNOWLEDGED", "cause": "raised",
    "at": "2026-10-04T01:14:00Z", "heard": "2026-10-04T01:14:02Z", "by": None, "why": None, "until": None,
}  # fmt: skip
ALARM_IN_FULL = ALARM | {"changes": [_RAISED]}
OUT: Shown = {
    "since": "2026-10-03T14:00:00Z", "until": "2026-10-05T14:00:00Z", "by": "ann", "why": "new bearings",
    "whole_site": False,
}  # fmt: skip
OUT_OF_SERVICE = listed({"site": "home", "fan": "bin-2", **OUT})
_OFTEN: Shown = {
    "id": "leg-spread", "site": "home", "fan": "bin-1", "supply": None, "count": 14, "share": 0.52,
}  # fmt: skip
FIGURES: Shown = {
    "from": "2026-09-04T02:00:00Z", "to": "2026-10-04T02:00:00Z", "alarms": 27,
    "a_day": {"mean": 0.9, "most": 4, "day_of_most": "2026-09-21"},
    "ten_minutes": {"mean": 0.006, "most": 2, "slots": 4320, "in_flood": 0, "flood_share": 0.0},
    "chattering": [], "repeating_within_an_hour": [_OFTEN], "fleeting": 0, "stale": {"now": 0, "most": 1},
    "most_frequent": [_OFTEN], "most_frequent_share": 0.52,
    "priorities": {"low": 0.6, "medium": 0.3, "high": 0.1, "highest": 0.0},
    "targets": [
        {"name": "alarms a day", "found": "0.9 on average, 4 at most",
         "wanted": "up to 150 on average, 300 at most", "holds": True},
    ],
    "noisiest": [
        {**_OFTEN, "cure": {
            "kind": "off-delay",
            "words": "Most come back within 7 min of being gone. With an off-delay of 7 min (now 5 min) 12 of 14 "
            "would have been the one before, going on.",
            "lines": ["[conditions.leg-spread]", "off_delay_seconds = 420"],
            "spared": 12, "of": 14, "later_seconds": 0.0,
        }},
    ],
}  # fmt: skip

# --- fans ------------------------------------------------------------------------------------------------------

_NOW: Shown = {
    "site": "home", "fan": "bin-1", "state": "over its limit", "load_ratio": 1.021, "margin": -0.021,
    "limit_amps": 15.18, "highest_leg_amps": 15.5, "seconds_to_trip": 700.0,
    "images": {"motor": 0.93, "device": 0.88, "assumed": None}, "alarms": [ALARM], "shared_alarms": [],
    "out_of_service": None, "running": True, "since": "2026-10-02T19:46:00Z", "time": "2026-10-04T01:46:00Z",
    "heard": "2026-10-04T01:46:01Z", "amps": [15.5, 15.0, 14.6], "volts": [450.0, 447.0, 443.0],
    "volts_from_supply": False, "ambient_c": 7.0, "unbalance_percent": 0.8, "derating": 1.0, "full_load_amps": 13.2,
    "percent_of_full_load": 117.4, "phases": 3, "control": "continuous", "supply": None, "plenum": "bin 1",
    "pitch_degrees": 21.0, "seq": 90210,
}  # fmt: skip
_AS_IS: Shown = {"degrees": 3.0, "pitch": 18.0, "chance": 0.93}
_SUPPLY_RIGHT: Shown = {"degrees": 2.0, "pitch": 19.0, "chance": 0.94}
_IN_SHORT: Shown = {
    "as_is": _AS_IS, "as_is_why": None, "supply_right": _SUPPLY_RIGHT, "supply_right_why": None, "provisional": True,
}  # fmt: skip
FANS = listed({**_NOW, "estimate": _IN_SHORT})
_ENTRY: Shown = {
    "number": 5, "kind": "note", "done": "2026-10-03T14:00:00Z", "entered": "2026-10-03T14:02:00Z", "by": "ann",
    "body": {"note": "guard loose, tightened"}, "found": {}, "waits": False, "withdrawn": None,
}  # fmt: skip
SERVICE = listed(_ENTRY)
ENTERED: Shown = {"outcome": "done", "entry": _ENTRY}
_LAST_RUN: Shown = {
    "number": 3, "start": "2026-09-30T17:46:00Z", "start_seen": True, "end": "2026-10-02T18:46:00Z", "end_seen": True,
    "end_cause": "stopped", "confidence": "high",
    "evidence": ["The device image stood at 0.82 of setting squared and volts stayed."], "peak_amps": 15.1,
    "peak_percent_of_limit": 99.0, "gap_seconds": None, "starts_ok": None,
}  # fmt: skip
FAN: Shown = {
    **_NOW,
    "nameplate": "[motor]\nrated_voltage = 460\nphases = 3\nfull_load_amps = 13.2\nservice_factor = 1.15\n",
    "version": 1, "valid_from": "2026-09-25T12:00:00Z", "clamp_corrections": None,
    "planned_stop": {
        "from": "2026-10-05T14:00:00Z", "until": "2026-10-05T17:00:00Z", "by": "ann", "why": "new bearings",
        "announced": "2026-10-04T01:40:00Z",
    },
    "limit": {
        "amps": 15.18, "full_amps": 15.18, "percent_of_full_load": 115.0,
        "factors": [
            {"name": "full-load amps", "value": 13.2, "source": "nameplate"},
            {"name": "service factor", "value": 1.15, "source": "nameplate"},
            {"name": "voltage unbalance", "value": 1.0,
             "source": "NEMA MG 1 section 14.36, figure 14-1, at 0.8 % unbalance, measured"},
        ],
        "notes": [],
    },
    "parts": [
        {"name": "leg spread", "amps": 0.47}, {"name": "supply voltage", "amps": 0.29},
        {"name": "derating", "amps": 0.0}, {"name": "air density", "amps": 0.53}, {"name": "fan load", "amps": -0.97},
    ],
    "causes": [
        {"cause": "supply unbalance", "share_amps": 0.47,
         "evidence": ["the highest leg lies 0.5 A (3.1 %) above the mean leg"],
         "confirm_by": "all three line-to-line voltages at the motor and at the service, running, within one minute"},
    ],
    "checks_first": [
        {"name": "supply voltage", "done": False,
         "how": "Running, at the motor's own terminals or as near as a qualified person can measure safely: all "
         "line-to-line voltages and all leg currents within one minute."},
    ],
    "pitch": {
        **_IN_SHORT,
        "amps_per_degree": {
            "mean": 0.95, "low": 0.63, "high": 1.26, "source": "usual for axial fans, an estimate",
        },
        "options": [
            {"pitch": 21.0, "amps": 16.1, "low": 15.2, "high": 17.0, "chance": 0.0004, "chance_supply_right": 0.04,
             "airflow_percent": 100.0},
            {"pitch": 18.0, "amps": 13.4, "low": 12.5, "high": 14.5, "chance": 0.93, "chance_supply_right": 0.99,
             "airflow_percent": 91.4},
        ],
    },
    "words": [], "cautions": ["Lock out and prove dead before any hand goes near blades or terminals."],
    "tonight": {
        "low_c": -1.0, "low_deviation_k": 2.0, "low_source": "entered by ann", "now_c": 7.0, "amps": 15.9,
        "low": 15.7, "high": 16.2, "limit_amps": 15.18, "chance_limit": 0.99, "device_amps": 13.86,
        "chance_device": 0.99, "chance": 0.99, "passes_below_c": 9.5, "words": [], "at": None,
    },
    "tonight_why": None, "rising_amps_an_hour": 0.12, "reaches_limit_at": None,
    "estimated_at": "2026-10-04T01:45:00Z", "runs": [_LAST_RUN], "service": [_ENTRY],
}  # fmt: skip
READINGS: Shown = {
    "columns": {
        "time": ["2026-10-04T01:45:00Z", "2026-10-04T01:46:00Z"], "l1_amps": [15.4, 15.5], "l2_amps": [14.9, 15.0],
        "l3_amps": [14.5, None], "v12": [450.0, 450.0], "v23": [447.0, 447.0], "v31": [443.0, 443.0],
        "ambient_c": [7.0, 7.0], "limit_amps": [15.18, 15.18], "called": [None, None], "late": [False, False],
    },
    "kept_from": None,
}  # fmt: skip

# --- loggers and notices ---------------------------------------------------------------------------------------

LOGGERS = listed(
    {
        "site": "home", "name": "bin-1", "kind": "fan", "health": "heard", "last_reading": "2026-10-04T01:46:00Z",
        "heard": "2026-10-04T01:46:01Z", "period_seconds": 10.0, "status": "online",
        "status_time": "2026-09-25T12:00:00Z", "readings": 90210, "late": 0, "repeats": 3, "unknown_keys": 0,
        "rejected": [{"reason": "not JSON", "count": 17}],
        "newest_rejected": [
            {"number": 17, "at": "2026-10-01T10:00:00Z", "topic": "amps/v1/home/bin-1/readings", "site": "home",
             "name": "bin-1", "reason": "not JSON", "detail": "byte 3", "excerpt": "amps=12.2;"},
        ],
    }
)  # fmt: skip
NOTICE: Shown = {
    "id": "0-17-41-farm-0", "site": "home", "alarm": 17, "route": "farm", "address": 1, "kind": "raised",
    "priority": "high", "rings": True, "subject": "bin-1: 102 % of its limit", "short": "bin-1: 102 % of its limit",
    "long": "bin-1: 102 % of its limit\n\nWhat to do first: measure the supply voltage.\n",
    "created": "2026-10-04T01:14:02Z", "state": "delivered", "next_try": None, "delivered": "2026-10-04T01:14:03Z",
    "tries": [{"number": 1, "at": "2026-10-04T01:14:03Z", "outcome": "delivered", "detail": ""}],
    "to": "desk@farm.example",
}  # fmt: skip
NOTICES = listed(NOTICE, next="WzE3OTEwNzgzNjAwMDAsICIwLTE3LTQxLWZhcm0tMCJd")
NOTICES_OF_ALARM = listed(NOTICE) | {
    "untold": [
        {"route": "desk", "kind": "raised", "state": "waiting", "wanted": "2026-10-04T01:14:02Z",
         "due": "2026-10-04T01:29:02Z", "why": None},
    ],
}  # fmt: skip
ROUTES = listed(
    {
        "name": "farm", "sites": ["home"], "priorities": ["high", "highest"], "also_cleared": False,
        "after_minutes": 0.0, "quiet_from": "21:00", "quiet_to": "06:00", "all_is_well": "07:00",
        "to": [
            {"address": "desk@farm.example", "last_delivered": "2026-10-04T01:14:03Z", "last_failed": None,
             "failed_why": None, "waiting": 0, "waiting_since": None},
        ],
    }
)  # fmt: skip
TESTED: Shown = {
    "number": 8, "outcome": "done",
    "notices": [
        NOTICE | {
            "id": "0-test-8-farm-0", "site": None, "alarm": None, "kind": "test", "priority": None, "rings": False,
            "subject": "A test", "short": "A test", "long": "A test, asked for by ann.", "state": "waiting",
            "delivered": None, "tries": [], "next_try": "2026-10-04T01:14:02Z",
        }
    ],
}  # fmt: skip

# --- what became of what was asked for -------------------------------------------------------------------------

DONE: Shown = {"outcome": "done", "alarm": None}
DONE_ACKNOWLEDGED: Shown = {"outcome": "done", "alarm": ACKNOWLEDGED}
DONE_SHELVED: Shown = {"outcome": "done", "alarm": SHELVED}
DONE_UNSHELVED: Shown = {"outcome": "done", "alarm": ALARM}
