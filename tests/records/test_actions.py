"""Actions are rows: put by pages, carried out by the worker in their order."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from monitor.records import actions
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database
from monitor.records.rows import Done


def test_actions_wait_in_the_order_asked_for_until_they_are_done(url: str, database: Database, make: Any) -> None:
    first = actions.put(database, "acknowledge", "meadow", {"number": 7}, "someone", make.now)
    earlier = make.now - timedelta(days=1)  # a clock that stepped back does not change the order
    second = actions.put(database, "planned-stop", "hill", {"hours": 2, "why": "Öl"}, "other", earlier)
    assert [(one.number, one.kind, one.site, one.body, one.by, one.at) for one in actions.undone(database)] == [
        (first, "acknowledge", "meadow", {"number": 7}, "someone", make.now),
        (second, "planned-stop", "hill", {"hours": 2, "why": "Öl"}, "other", earlier),
    ]
    commit(database, Batch(actions_done=[Done(first, make.ms + 5, "done")]))
    assert [one.number for one in actions.undone(database)] == [second]
    again = open_database(url)  # another process sees the same
    assert [one.number for one in actions.undone(again)] == [second]
    again.close()
    done = actions.outcome(database, first)
    assert done is not None
    assert (done.outcome, done.done) == ("done", make.now + timedelta(milliseconds=5))
    waiting = actions.outcome(database, second)
    assert waiting is not None
    assert waiting.outcome is None
    assert actions.outcome(database, 99) is None
