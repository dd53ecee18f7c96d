"""Job sheets: at most what was opened, ended once, seen by whoever has the site."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.errors import ReadingError
from monitor.records import jobs
from monitor.records.commit import Batch, commit
from monitor.records.database import Database, open_database
from monitor.records.jobs import DONE, DROPPED, OPEN, JobEnd, NewJob
from monitor.records.scope import ALL


def opened(make: Any, point: int, minutes: int = 0, **changed: Any) -> NewJob:
    values: dict[str, Any] = {
        "point_id": point, "opened_ms": make.ms + 60_000 * minutes, "opened_by": "Ann", "pitch_from": 21.0,
        "pitch_to": 18.0, "inserts": 6, "why": "104 % of its limit for 34 min", "sheet": {"amps": [15.5, None]},
    }  # fmt: skip
    return NewJob(**(values | changed))


def ended(number: int, state: str = DONE, **found: Any) -> JobEnd:
    return JobEnd(number, state, 1_800_000_000_000, "Ben", found)


def test_a_job_is_read_back_as_it_was_opened_and_ended(url: str, database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(jobs=[opened(make, point, action=7)]))
    assert jobs.number_of_action(database, 7) == 1 and jobs.number_of_action(database, 8) is None
    before = jobs.one(database, ALL, 1)
    assert before == jobs.Job(
        1, "meadow", "north", OPEN, make.now, "Ann", 21.0, 18.0, 6, "104 % of its limit for 34 min",
        {"amps": [15.5, None]},
    )  # fmt: skip
    commit(database, Batch(jobs_ended=[ended(1, words="as expected")]))
    again = open_database(url)
    after = jobs.one(again, ALL, 1)
    again.close()
    assert after is not None and (after.state, after.closed_by, after.found) == (DONE, "Ben", {"words": "as expected"})
    assert after.closed is not None and (after.sheet, after.why) == (before.sheet, before.why)


def test_what_has_ended_is_not_ended_again(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    commit(database, Batch(jobs=[opened(make, point)]))
    commit(database, Batch(jobs_ended=[ended(1, words="first")]))
    commit(database, Batch(jobs_ended=[ended(1, DROPPED, words="second")]))
    found = jobs.one(database, ALL, 1)
    assert found is not None and (found.state, found.found) == (DONE, {"words": "first"})


def test_a_reader_finds_the_jobs_of_its_own_sites_only(database: Database, make: Any) -> None:
    meadow, hill = make.farm(database, "north"), make.farm(database, "north", site="hill")
    commit(database, Batch(jobs=[opened(make, meadow["north"]), opened(make, hill["north"], pitch_to=None)]))
    assert [job.number for job in jobs.open_jobs(database, ALL)] == [1, 2]
    assert [job.number for job in jobs.open_jobs(database, ["hill"])] == [2]
    assert [job.number for job in jobs.open_jobs(database, ALL, "meadow")] == [1]
    assert jobs.open_jobs(database, ["hill"], "meadow") == jobs.open_jobs(database, []) == []
    assert jobs.one(database, ["hill"], 1) is None and jobs.one(database, ALL, 3) is None
    assert jobs.of_fan(database, ["hill"], "meadow", "north") == []
    assert [job.pitch_to for job in jobs.of_fan(database, ["hill"], "hill", "north")] == [None]
    assert [item["number"] for item in jobs.page_of(database, ["hill"])["items"]] == [2]
    assert jobs.open_of_fan(database, ["hill"], "meadow", "north") is None


def test_the_list_is_newest_first_by_state_and_in_parts(database: Database, make: Any) -> None:
    point = make.farm(database, "north")["north"]
    for minutes in range(5):
        commit(database, Batch(jobs=[opened(make, point, minutes)]))
        if minutes < 4:
            commit(database, Batch(jobs_ended=[ended(minutes + 1, DROPPED if minutes == 1 else DONE)]))

    def listed(**asked: Any) -> list[int]:
        return [item["number"] for item in jobs.page_of(database, ALL, **asked)["items"]]

    assert listed() == [5, 4, 3, 2, 1]
    assert (listed(state=OPEN), listed(state=DROPPED), listed(state="past")) == ([5], [2], [4, 3, 2, 1])
    assert listed(site="hill") == []
    first = jobs.page_of(database, ALL, limit=3)
    assert listed(limit=3, after=first["next"]) == [2, 1]
    with pytest.raises(ReadingError):
        jobs.page_of(database, ALL, after="x")
    assert [job.number for job in jobs.of_fan(database, ALL, "meadow", "north")] == [5, 4, 3, 2, 1]
    left = jobs.open_of_fan(database, ALL, "meadow", "north")
    assert left is not None and left.number == 5
