"""Notices wait until they are delivered or given up, and every try is stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from monitor.errors import ReadingError
from monitor.records import outbox
from monitor.records.commit import Batch, commit
from monitor.records.database import Database
from monitor.records.scope import ALL


def test_a_notice_comes_out_as_it_went_in(database: Database, make: Any) -> None:
    notice = make.notice(data={"load_ratio": 1.02, "words": "füh\u2082", "parts": [{"amps": None}]})
    commit(database, Batch(notices=[notice]))
    found = outbox.due(database, make.ms)
    assert [(one.notice, one.tries, one.due) for one in found] == [(notice, 0, make.now)]
    assert outbox.due(database, make.ms - 1) == []


def test_what_rings_goes_first_and_then_what_waits_longest(database: Database, make: Any) -> None:
    second = timedelta(seconds=1)
    commit(
        database,
        Batch(
            notices=[
                make.notice(1, rings=False),
                make.notice(2, created=make.now + second),
                make.notice(3),
                make.notice(4, rings=False, created=make.now - second),
            ]
        ),
    )
    assert [one.notice.change_number for one in outbox.due(database, make.ms + 1000)] == [3, 2, 4, 1]
    assert [one.notice.change_number for one in outbox.due(database, make.ms + 1000, limit=2)] == [3, 2]


def test_of_each_address_only_the_most_pressing(database: Database, make: Any) -> None:
    """A dead address with many waiting must not hide the others, nor be read whole each second."""
    second = timedelta(seconds=1)
    commit(database, Batch(notices=[
        *(make.notice(number, created=make.now + number * second) for number in range(1, 200)),
        make.notice(300, rings=False, route="desk", id="d300"), make.notice(301, route="desk", id="d301"),
        make.notice(302, rings=False, route="desk", id="d302"), make.notice(303, address_index=1, id="f303"),
    ]))  # fmt: skip
    now_ms = make.ms + 1_000_000
    assert {one.notice.id for one in outbox.due(database, now_ms, None, 1)} == {"0-1-1-farm-0", "d301", "f303"}
    found = [one.notice.id for one in outbox.due(database, now_ms, None, 2)]
    assert found == ["d301", "f303", "0-1-1-farm-0", "0-1-2-farm-0", "d300"]
    assert [one.notice.id for one in outbox.due(database, now_ms, 3, 2)] == found[:3]
    assert len(outbox.due(database, now_ms, None)) == 203
    assert outbox.due(database, make.ms - 1, None, 2) == []


def test_after_the_clock_was_set_back_nothing_waits_longer(database: Database, make: Any) -> None:
    day, hour = 86_400_000, 3_600_000
    morning = make.now + timedelta(hours=-17)  # of the day it now is again
    commit(database, Batch(notices=[*(make.notice(number) for number in range(1, 6)), make.notice(6, due=None),
        make.notice(7, created=make.now - timedelta(days=2), due=morning)]))  # fmt: skip
    for number, due_ms in ((1, make.ms + 10_000), (2, make.ms + hour), (3, make.ms - 5_000 - day)):
        outbox.record_try(database, f"0-1-{number}-farm-0", make.ms, "refused", "", due_ms)
    outbox.record_try(database, "0-1-4-farm-0", make.ms, "refused", "", failed=True)

    def next_tries() -> dict[str, Any]:
        return {item["id"][4]: item["next_try"] for item in outbox.recent(database, ALL)["items"]}

    now = make.now - timedelta(days=1)
    assert outbox.bring_forward(database, make.ms - day, hour, day) == 4
    assert next_tries() == {
        "1": now + timedelta(seconds=10), "2": now + timedelta(hours=1),
        "3": now - timedelta(seconds=5),  # was due already
        "4": None,
        "5": now, "6": now,  # to be sent at once, and never sooner than now
        "7": morning,  # put off to the end of quiet hours, by the clock on the wall
    }  # fmt: skip
    assert outbox.bring_forward(database, make.ms + day, hour, day) == 0


def test_when_it_is_not_known_how_far_the_clock_was_set_back(database: Database, make: Any) -> None:
    day, hour = 86_400_000, 3_600_000
    commit(database, Batch(notices=[
        make.notice(1), make.notice(2), make.notice(3),
        make.notice(4, created=make.now - timedelta(days=2), due=make.now - timedelta(hours=17)),
        make.notice(5, due=make.now + timedelta(hours=8)),
    ]))  # fmt: skip
    outbox.record_try(database, "0-1-1-farm-0", make.ms, "refused", "", make.ms + 10_000)
    outbox.record_try(database, "0-1-2-farm-0", make.ms, "refused", "", make.ms - day + 10_000)
    assert outbox.bring_forward(database, make.ms - day, hour) == 3
    now = make.now - timedelta(days=1)
    assert {item["id"][4]: item["next_try"] for item in outbox.recent(database, ALL)["items"]} == {
        "1": now + timedelta(hours=1), "2": now + timedelta(seconds=10), "3": now,
        "4": make.now - timedelta(hours=17), "5": now,
    }  # fmt: skip


def test_tries_are_counted_and_stored_until_it_is_delivered(database: Database, make: Any) -> None:
    commit(database, Batch(notices=[make.notice()]))
    name = make.notice().id
    outbox.record_try(database, name, make.ms + 10, "no answer", "timed out", make.ms + 5_000)
    assert outbox.due(database, make.ms + 4_999) == []
    assert outbox.next_due_ms(database) == make.ms + 5_000
    assert [one.tries for one in outbox.due(database, make.ms + 5_000)] == [1]
    outbox.record_try(database, name, make.ms + 5_100, "delivered", "250 OK", delivered=True)
    assert outbox.due(database, make.ms + 10**9) == []
    assert outbox.next_due_ms(database) is None
    (told,) = outbox.history(database, ALL, 1)
    assert (told.state, told.delivered) == ("delivered", make.now + timedelta(milliseconds=5_100))
    assert [(one.number, one.outcome, one.detail) for one in told.tries] == [
        (1, "no answer", "timed out"), (2, "delivered", "250 OK"),
    ]  # fmt: skip
    assert told.tries[0].at == make.now + timedelta(milliseconds=10)


def test_a_notice_given_up_is_shown_as_failed(database: Database, make: Any) -> None:
    commit(database, Batch(notices=[make.notice()]))
    outbox.record_try(database, make.notice().id, make.ms, "refused", "550 no such box", failed=True)
    assert outbox.due(database, make.ms + 10**9) == []
    (told,) = outbox.history(database, ALL, 1)
    assert (told.state, told.delivered) == ("failed", None)


def test_what_was_delivered_stays_so_whatever_a_second_try_says(database: Database, make: Any) -> None:
    commit(database, Batch(notices=[make.notice()]))
    name = make.notice().id
    outbox.record_try(database, name, make.ms, "delivered", "", delivered=True)
    outbox.record_try(database, name, make.ms + 1, "refused", "", failed=True)
    outbox.record_try(database, name, make.ms + 2, "no answer", "", make.ms + 3)
    (told,) = outbox.history(database, ALL, 1)
    assert (told.state, told.delivered, len(told.tries)) == ("delivered", make.now, 3)


@pytest.mark.parametrize(
    "ending",
    [
        {},
        {"delivered": True, "failed": True},
        {"delivered": True, "next_due_ms": 5},
        {"failed": True, "next_due_ms": 5},
    ],
)
def test_a_try_ends_in_exactly_one_way(
    database: Database, make: Any, ending: dict[str, Any], contents: Callable[[Database], Any]
) -> None:
    commit(database, Batch(notices=[make.notice()]))
    before = contents(database)
    with pytest.raises(ValueError, match="exactly one of"):
        outbox.record_try(database, make.notice().id, make.ms, "x", "", **ending)
    assert contents(database) == before


def test_a_try_of_a_notice_that_never_was_is_a_fault(database: Database) -> None:
    with pytest.raises(ValueError, match="there is no notice '0-9-9-x-0'"):
        outbox.record_try(database, "0-9-9-x-0", 0, "x", "", delivered=True)


def test_the_history_tells_the_notices_of_one_alarm_oldest_first(database: Database, make: Any) -> None:
    commit(
        database,
        Batch(notices=[make.notice(2, created=make.now + timedelta(hours=4)), make.notice(1), make.notice(3, 7)]),
    )
    assert [told.notice.change_number for told in outbox.history(database, ALL, 1)] == [1, 2]
    assert [told.notice.change_number for told in outbox.history(database, ALL, 7)] == [3]
    assert outbox.history(database, ALL, 8) == []


# ---------------------------------------------------------------------- all notices, for pages


def test_what_was_sent_of_late_is_told_newest_first_with_every_try(database: Database, make: Any) -> None:
    minute = timedelta(minutes=1)
    commit(database, Batch(notices=[make.notice(1), make.notice(3, created=make.now + minute), make.notice(2)]))
    outbox.record_try(database, "0-1-2-farm-0", make.ms + 10, "no answer", "timed out", make.ms + 5_000)
    outbox.record_try(database, "0-1-2-farm-0", make.ms + 20, "refused", "HTTP 500", make.ms + 9_000)
    outbox.record_try(database, "0-1-1-farm-0", make.ms + 30, "delivered", "", delivered=True)
    found = outbox.recent(database, ALL)
    assert found["next"] is None
    assert [item["id"] for item in found["items"]] == ["0-1-3-farm-0", "0-1-2-farm-0", "0-1-1-farm-0"]
    newest, waiting, delivered = found["items"]
    assert newest == {
        "id": "0-1-3-farm-0", "site": "meadow", "alarm": 1, "route": "farm", "address": 1, "kind": "raised",
        "priority": "high", "rings": True, "subject": "north: over its limit", "short": "north 102 %",
        "long": "north draws 102 % of its limit.", "created": make.now + minute, "state": "waiting",
        "next_try": make.now + minute, "delivered": None, "tries": [],
    }  # fmt: skip
    assert waiting["next_try"] == make.now + timedelta(seconds=9)
    assert waiting["tries"] == [
        {"number": 1, "at": make.now + timedelta(milliseconds=10), "outcome": "no answer", "detail": "timed out"},
        {"number": 2, "at": make.now + timedelta(milliseconds=20), "outcome": "refused", "detail": "HTTP 500"},
    ]
    assert (delivered["state"], delivered["next_try"]) == ("delivered", None)
    assert delivered["delivered"] == make.now + timedelta(milliseconds=30)


def test_only_what_was_asked_for_is_told(database: Database, make: Any) -> None:
    commit(database, Batch(notices=[
        make.notice(1), make.notice(2, route="desk", id="0-1-2-desk-0"),
        make.notice(3, site="other", id="0-1-3-farm-0"), make.notice(0, 0, site="", id="0-all-is-well-farm-0"),
    ]))  # fmt: skip
    outbox.record_try(database, "0-1-1-farm-0", make.ms, "gone", "", failed=True)

    def ids(sites: Any = ALL, **asked: Any) -> set[str]:
        return {item["id"] for item in outbox.recent(database, sites, **asked)["items"]}

    assert ids() == {"0-1-1-farm-0", "0-1-2-desk-0", "0-1-3-farm-0", "0-all-is-well-farm-0"}
    assert ids(route="desk") == {"0-1-2-desk-0"}
    assert ids(state="failed") == {"0-1-1-farm-0"}
    assert ids(state="waiting", route="farm") == {"0-1-3-farm-0", "0-all-is-well-farm-0"}
    assert ids({"meadow"}) == {"0-1-1-farm-0", "0-1-2-desk-0"}
    assert ids(()) == set()
    (of_none,) = (item for item in outbox.recent(database, ALL)["items"] if item["site"] == "")
    assert of_none["alarm"] is None


def test_part_by_part_each_notice_is_told_once_whatever_comes_meanwhile(database: Database, make: Any) -> None:
    """Many of one instant: the time alone would not say where a part ended."""
    commit(database, Batch(notices=[make.notice(number) for number in range(1, 24)]))
    seen: list[str] = []
    after, parts = None, 0
    while parts == 0 or after is not None:
        part = outbox.recent(database, ALL, limit=5, after=after)
        seen += [item["id"] for item in part["items"]]
        after, parts = part["next"], parts + 1
        commit(database, Batch(notices=[make.notice(100 + parts, created=make.now + timedelta(seconds=parts))]))
    assert parts == 5
    assert seen == sorted((f"0-1-{number}-farm-0" for number in range(1, 24)), reverse=True)


@pytest.mark.parametrize("token", ["", "x", "WzFd", "WzEsMl0", "bnVsbA"])
def test_a_token_of_something_else_is_refused(database: Database, token: str) -> None:
    with pytest.raises(ReadingError, match="not a token"):
        outbox.recent(database, ALL, after=token)
