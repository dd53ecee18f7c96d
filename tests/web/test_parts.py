"""Lists in parts, read while everything in them changes: what was there at the first part comes exactly once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import httpx
import pytest

from monitor.alarms.events import Acknowledge
from monitor.records.commit import Batch, commit
from monitor.records.rows import to_ms
from monitor.records.service_record import NewEntry
from tests.web.farm import Farm, whole
from tests.web.notices import tell


def margins_change(farm: Farm, turn: int) -> None:
    """The last become the first, and one is entered."""
    farm.reading("south-1", (45.0 + turn,), ())
    farm.reading("north-4", (9.0 - turn, 9.0, 9.0))
    farm.reading("south-2", (16.0, 15.9, 15.8 + turn))
    farm.fan(f"new-{turn}")


def alarms_change(farm: Farm, turn: int) -> None:
    farm.raised(f"north-{4 + turn}", "many-starts")
    farm.event("north-3", "overload", Acknowledge("Ann"))
    if turn:
        farm.returned("north-3")  # over; raised again under a number of its own
    else:
        farm.raised("north-3", "leg-spread", "low")


def notices_change(farm: Farm, turn: int) -> None:
    """Some of the very same instant, some older by a clock that was set back."""
    (alarm, *_) = farm.alarms.values()
    tell(farm, alarm, addresses=2)
    tell(farm, alarm, at=farm.now + timedelta(seconds=turn))


def loggers_change(farm: Farm, turn: int) -> None:
    """A newcomer is taken on, and others come."""
    farm.fan("east-9") if turn == 0 else farm.newcomer(f"a-{turn}", {"amps": [3.0]})
    farm.rejected("amps/v1/meadow/z/readings", "unknown fan", "", b"{}", "meadow", f"z-{turn}", 1)


def entries_come(farm: Farm, turn: int) -> None:
    _note(farm, farm.now - timedelta(hours=turn))


def _note(farm: Farm, done: Any) -> None:
    entry = NewEntry(farm.point("north-3"), "note", to_ms(done), to_ms(farm.now), "Ann", {"note": "x"}, {})
    commit(farm.database, Batch(service=[entry]))


def _fan(item: dict[str, Any]) -> Any:
    return item["site"], item["fan"]


LISTS: dict[str, tuple[Callable[[Farm, int], None], Callable[[dict[str, Any]], Any]]] = {
    "fans": (margins_change, _fan),
    "alarms": (alarms_change, lambda item: item["number"]),
    "notices": (notices_change, lambda item: item["id"]),
    "loggers": (loggers_change, lambda item: (item["site"], item["name"])),
    "fans/meadow/north-3/service": (entries_come, lambda item: item["number"]),
}


@pytest.mark.parametrize("path", LISTS)
def test_what_was_there_comes_exactly_once(farm: Farm, client: httpx.Client, path: str) -> None:
    whole(farm)
    for alarm in list(farm.alarms.values()):
        tell(farm, alarm)
    for hours in (1, 2, 2, 3):
        _note(farm, farm.now - timedelta(hours=hours))
    change, name = LISTS[path]

    def part(**query: Any) -> dict[str, Any]:
        answer: dict[str, Any] = client.get(f"/api/v1/{path}", params=query).raise_for_status().json()
        return answer

    there = [name(item) for item in part()["items"]]
    assert len(there) > 3 and len(set(there)) == len(there)
    told, turn = part(limit=1), 0
    found = [name(item) for item in told["items"]]
    while told["next"] is not None and turn < 60:
        if turn < 3:
            change(farm, turn)
        told, turn = part(limit=2, next=told["next"]), turn + 1
        found += [name(item) for item in told["items"]]
    assert 1 < turn < 60
    assert sorted((one for one in found if one in there), key=str) == sorted(there, key=str)
    assert len(set(found)) == len(found)
    first = [name(item) for item in part(limit=500)["items"]]
    assert first != there, "nothing has changed meanwhile"
