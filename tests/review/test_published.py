"""The published schema itself: strict, complete, and true of what is written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from monitor.review.confirm import CAUSES
from monitor.review.engine import review
from monitor.review.published import schema
from monitor.watch.ends import CONFIDENCES, END_CAUSES
from monitor.watch.table import PRIORITIES
from tests.review.logs import plate, told
from tests.review.published import as_published, validator


def objects(part: Any, place: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(part, dict):
        if part.get("type") == "object" and "properties" in part:
            yield place, part
        for key, value in part.items():
            yield from objects(value, f"{place}/{key}")
    elif isinstance(part, list):
        for number, value in enumerate(part):
            yield from objects(value, f"{place}/{number}")


def test_every_key_is_required_and_no_other_allowed() -> None:
    found = dict(objects(schema()))
    assert len(found) > 10
    for place, one in found.items():
        assert one["required"] == list(one["properties"]), place
        assert one["additionalProperties"] is False, place
    assert schema()["properties"]["how_read"] == {
        "type": "object", "description": schema()["properties"]["how_read"]["description"],
    }  # fmt: skip


def test_words_are_those_of_the_program() -> None:
    said = schema()["properties"]
    run, cause = said["runs"]["items"]["properties"], said["causes"]["items"]["properties"]["cause"]
    assert set(run["end_cause"]["enum"]) == set(END_CAUSES)
    assert tuple(run["confidence"]["enum"]) == CONFIDENCES
    assert set(cause["enum"]) == set(CAUSES)
    assert tuple(said["alarms"]["items"]["properties"]["priority"]["enum"]) == PRIORITIES


LOGS = {
    "trip": "00:00:00  37>48 | 460\n01:20:00  0 | 460\n02:00:00  end",
    "healthy": "00:00:00  34 | 460\n02:00:00  0 | 460\n03:00:00  end",
    "short": "00:00:00  0 | 460\n00:00:30  30 | 460\n00:00:36  0 | 460\n00:05:00  end",
    "one leg and no volts": "00:00:00  34 ? ? | -\n02:00:00  end",
    "nothing usable": "00:00:00  ? | -\n00:10:00  end",
    "never ran": "00:00:00  0 | 460\n00:10:00  end",
    "lightly loaded": "00:00:00  15 | 460\n01:00:00  end",
    "hardly loaded, then less": "00:00:00  19 | 460\n00:30:00  15 | 460\n01:00:00  0 | 460\n01:10:00  end",
    "badly unbalanced": "00:00:00  45 38 32 | 460 420 480\n01:00:00  0 | 460\n01:30:00  end",
    "phase lost": "00:00:00  36 | 460\n01:00:00  0.2 62 62 | 460\n01:00:20  0 | 460\n02:00:00  end",
    "one reading": "00:00:00  36 | 460\n00:00:02  end",
}


@pytest.mark.parametrize("name", LOGS)
def test_what_is_written_is_as_published(name: str) -> None:
    for nameplate in (plate(period=2.0), plate(period=None, setting=None, inserts=(), coldest=None)):
        said = as_published(review(told(LOGS[name], 2), nameplate))
        assert said["readings"] > 0


def test_the_check_itself_can_fail() -> None:
    found = review(told(LOGS["trip"]), plate())
    said = found.as_json()
    for broken in (said | {"more": 1}, {key: said[key] for key in said if key != "fan"}, said | {"readings": "many"}):
        assert list(validator().iter_errors(broken))
    with pytest.raises(AssertionError):
        as_published(replace(found, runs=(replace(found.runs[0], end_cause="nobody knows"),)))
