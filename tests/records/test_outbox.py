"""Notices wait until they are delivered or given up, and every try is stored."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

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
