"""What late readings showed, as its reader gets it, compared letter for letter with found_late/*.txt.

After a wanted change write them anew, WRITE_NOTICES=1 pytest tests/alarms/test_found_late.py, and read what differs.
"""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from monitor.alarms.characters import outside, septets
from monitor.alarms.found_late import (
    KIND,
    TOLD,
    Finding,
    FoundLate,
    data,
    gravest_first,
    key,
    long,
    short,
    subject,
    texts,
)
from monitor.alarms.notice import KINDS
from monitor.blades.cautions import for_notice
from monitor.watch.table import BY_ID

TEXTS = Path(__file__).parent / "found_late"


def at(minutes: float) -> datetime:
    """Minutes after 02:00 of a night in October, local time."""
    return datetime(2026, 10, 5, 7, 0, tzinfo=UTC) + timedelta(minutes=minutes)


OVERLOAD = Finding("overload", at(-2), at(31), 1.124)
TRIP = Finding(
    "tripped", at(31), None, None, "overload trip", "likely",
    (
        (
            "Likely an overload trip: the device image was the highest of the last 24 h (1.24 of setting squared; 1.02 "
            "before), and volts stayed (97 % of rated). Not proven; a contact on the starter would settle it."
        ),
        "It ran again after 22 min.",
    ),
)  # fmt: skip
LOST = Finding("supply-lost", at(40), at(52))
FELL = Finding(
    "supply-lost", at(40), at(52), None, "supply lost", "likely",
    ("Likely the supply was lost: 2 other fans (north-1, north-2) of its supply fell with it, and no other ran on.",),
)  # fmt: skip
PHASE = Finding("phase-lost", at(31))


def found(*findings: Finding, **changes: Any) -> FoundLate:
    given = FoundLate(
        3, "hollow-creek", "north-3", "Hollow Creek", ZoneInfo("America/Chicago"), at(-30), at(90), at(125),
        gravest_first(findings), "highest", False, True, "http://192.168.1.20:8080/fans/hollow-creek/north-3",
        for_notice(gravest_first(findings)[0].condition),
    )  # fmt: skip
    return replace(given, **changes)


STORIES = {
    "overload": found(OVERLOAD, priority="high"),
    "overload_to_the_end": found(replace(OVERLOAD, until=None), priority="high"),
    "overload_and_stands_now": found(OVERLOAD, priority="high", rings=True, running=False),
    "trip": found(OVERLOAD, TRIP),
    "trip_and_stands_now": found(OVERLOAD, TRIP, rings=True, running=False),
    "phase_lost": found(PHASE, rings=True, running=False),
    "supply_lost": found(LOST, priority="high"),
    "supply_lost_by_verdict": found(FELL, priority="high", page=None),
    "the_day_after": found(TRIP, now=at(26 * 60), running=None),
    "long_names": found(
        TRIP, OVERLOAD, LOST, fan="the-old-bin-behind-the-machine-shed-with-the-blue-roof-fan-12",
        site_name="Hollow Creek Grain and Livestock, the yard on the far side of the county road",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", STORIES)
def test_it_reads_as_agreed(name: str) -> None:
    story = STORIES[name]
    line = short(story)
    text = f"SUBJECT  {subject(story)}\nSHORT    {line}\n         ({septets(line)} characters)\n\n{long(story)}"
    path = TEXTS / f"{name}.txt"
    if os.environ.get("WRITE_NOTICES"):
        TEXTS.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
    assert path.read_text("utf-8") == text
    assert septets(line) <= 300 and not outside(line.replace(story.page or "", "")) and "\n" not in line
    assert len(subject(story)) <= 120 and "nan" not in text and "None" not in text


def test_no_text_of_another_time_is_left_behind() -> None:
    assert {path.stem for path in TEXTS.glob("*.txt")} == set(STORIES)


def test_the_data_say_the_same_and_are_json() -> None:
    said = json.loads(json.dumps(data(STORIES["trip"]), allow_nan=False))
    assert said["kind"] == KIND in KINDS and (said["silent_from"], said["silent_to"]) == (
        "2026-10-05T06:30:00Z", "2026-10-05T08:30:00Z",
    )  # fmt: skip
    assert [one["condition"] for one in said["findings"]] == ["tripped", "overload"]
    assert said["findings"][0]["confidence"] == "likely" and said["findings"][1]["peak"] == 1.124


def test_what_is_told_stands_in_the_table() -> None:
    assert set(TOLD) <= set(BY_ID) and all(BY_ID[condition].rings for condition in TOLD)


def test_the_key_is_of_fan_and_gap_so_that_it_is_told_once() -> None:
    trip = STORIES["trip"]
    assert key(trip) == f"3-{int(at(-30).timestamp() * 1000)}"
    assert key(replace(trip, findings=trip.findings[:1])) == key(trip)
    assert texts(trip).data == data(trip) and len(texts(trip).short) <= 300
