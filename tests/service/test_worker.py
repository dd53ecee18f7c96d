"""What the worker promises: stored before acknowledged, everything once, nothing while the database refuses."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
import sqlalchemy as sa

from monitor.errors import LinkError
from monitor.records import tables
from monitor.records.commit import commit
from monitor.service import worker as worker_module


def test_acknowledged_in_order_and_only_after_the_commit(bench: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    stored_when_told: list[int] = []
    bench.link.on_word = lambda: stored_when_told.append(len(bench.rows(tables.readings)))
    sent = [bench.put("north", bench.reading(10.0 * n)) for n in range(5)]
    worker.round()
    assert bench.link.acked == []  # the time for a commit has not come
    bench.pass_time(1.0)
    assert [one.mid for one in bench.link.acked] == [one.mid for one in sent]
    assert stored_when_told and min(stored_when_told) == 5


def test_a_refused_commit_acknowledges_nothing_and_is_stored_once_later(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    first = bench.put("north", bench.reading(0))
    bench.pass_time(2.0, 0.5)
    assert worker.trouble == "the database is busy."
    published = dict(bench.link.published)
    second = bench.put("north", bench.reading(10))
    bench.pass_time(30.0, 0.5)
    assert bench.link.acked == [] and len(bench.link.inbox) == 1  # nothing is taken meanwhile
    assert bench.link.published == published
    assert [record.message for record in caplog.records if "busy" in record.message]

    monkeypatch.setattr(worker_module, "commit", commit)
    bench.pass_time(4.0, 0.5)
    assert worker.trouble is None
    assert [one.mid for one in bench.link.acked] == [first.mid, second.mid]
    assert bench.stored("north")["t_ms"].tolist() == [first_ms(bench, 0), first_ms(bench, 10)]
    assert bench.logger("north")["readings"] == 2


def first_ms(bench: Any, seconds: float) -> int:
    return round(bench.reading(seconds)["t"] * 1000)


def test_a_full_disk_holds_the_batch(bench: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    sqlite = bench.database.engine
    with sqlite.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar()

    def limit(connection: Any, *_: Any) -> None:
        connection.execute(f"PRAGMA max_page_count = {limit.pages}").close()  # type: ignore[attr-defined]

    limit.pages = pages + 2  # type: ignore[attr-defined]
    sa.event.listen(sqlite, "checkout", limit)
    bench.put("north", [bench.reading(-0.1 * n) for n in range(2000)])
    bench.pass_time(3.0, 0.5)
    assert worker.trouble is not None and "full" in worker.trouble
    assert bench.link.acked == [] and bench.rows(tables.readings) == []
    limit.pages = 1_000_000  # type: ignore[attr-defined]
    bench.pass_time(3.0, 0.5)
    assert worker.trouble is None
    assert len(bench.link.acked) == 1 and len(bench.stored("north")["t_ms"]) == 2000


def test_a_database_that_does_not_answer_a_question_loses_no_reading(bench: Any, monkeypatch: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 30)
    bench.begin()  # a new one, which asks the database about what is older than its memory
    bench.link.acked.clear()
    known = worker_module.readings.known

    def busy(*_: Any) -> Any:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module.readings, "known", busy)
    bench.put("north", bench.reading(-7200))
    bench.put("north", bench.reading(40))
    bench.pass_time(5.0, 0.5)
    assert bench.worker.trouble == "the database is busy." and bench.link.acked == []
    monkeypatch.setattr(worker_module.readings, "known", known)
    bench.pass_time(5.0, 0.5)
    assert bench.worker.trouble is None and len(bench.link.acked) == 2
    assert len(bench.stored("north")["t_ms"]) == 6


def test_first_readings_after_a_connect_are_held_until_quiet_and_sorted(bench: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    bench.link.generation = 1
    worker.round()
    bench.put("north", bench.reading(20))
    bench.put("north", bench.reading(0))  # the broker sends it again behind a newer one
    bench.put("north", bench.reading(10))
    quiet = {"for": 0.0}
    bench.link.inbox.quiet_for = lambda: quiet["for"]
    bench.pass_time(9.5, 0.5)
    assert len(bench.link.inbox) == 3  # never quiet: held, but ten seconds at most
    bench.pass_time(2.0, 0.5)
    stored = bench.stored("north")
    assert stored["t_ms"].tolist() == [first_ms(bench, s) for s in (0, 10, 20)]
    assert stored["flags"].tolist() == [0, 0, 0] and stored["number"].tolist() == [1, 2, 3]

    bench.link.generation = 2
    worker.round()
    bench.put("north", bench.reading(30))
    quiet["for"] = 5.0
    bench.pass_time(0.5, 0.5)
    assert len(bench.link.inbox) == 1  # quiet for long, but not since the connect
    bench.pass_time(2.5, 0.5)
    assert len(bench.link.inbox) == 0 and len(bench.stored("north")["t_ms"]) == 4


def test_retained_messages_tell_what_is_committed(bench: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    assert bench.link.last("home/north/alarms") == {"site": "home", "fan": "north", "alarms": []}
    told: list[int] = []
    bench.link.on_word = lambda: told.append(len(bench.rows(tables.alarms)))
    bench.send("north", 0, 100, 11.0)
    assert "overload" not in str(bench.link.published["home/north/alarms"])
    bench.send("north", 110, 160, 11.0)
    said = bench.link.last("home/north/alarms")["alarms"]
    assert [(one["id"], one["priority"], one["state"]) for one in said] == [("overload", "high", "UNACKNOWLEDGED")]
    assert said[0]["number"] == bench.raised("overload")[0]["number"]
    assert said[0]["raised"] == "2026-10-04T01:02:10Z" and "110 %" in said[0]["text"]
    assert told[-1] == 1
    state = bench.link.last("home/north/state")
    assert state["alarms"] == ["overload"] and state["running"] is True
    assert (state["highest_leg_amps"], state["limit_amps"], state["load_ratio"]) == (11.0, 10.0, 1.1)
    bench.act("acknowledge", alarm=said[0]["number"])
    bench.pass_time(2.0, 0.5)
    assert bench.link.last("home/north/alarms")["alarms"][0]["state"] == "ACKNOWLEDGED"


def test_what_was_stored_and_not_published_is_published_by_the_next_worker(bench: Any) -> None:
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 160, 11.0)
    bench.link.published.clear()
    bench.begin().round()
    assert [one["id"] for one in bench.link.last("home/north/alarms")["alarms"]] == ["overload"]


def test_an_alarm_is_stored_at_once_and_wakes_the_delivery(bench: Any) -> None:
    bench.register("north")
    woken: list[int] = []
    worker = bench.begin(stored=lambda: woken.append(len(bench.rows(tables.notices))))
    worker.round()
    bench.wall += timedelta(seconds=140)
    for n in range(14):
        bench.put("north", bench.reading(10.0 * n, 11.0))
    worker.round()  # no time has passed by the steady clock
    assert len(bench.raised("overload")) == 1 and woken == [1] and len(bench.link.acked) == 14


def test_a_stop_saves_every_state_and_nothing_is_fed_again(bench: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    bench.send("north", 0, 50, 9.0)
    worker.stop()
    states = bench.rows(tables.watch_states)
    assert [state["number"] for state in states] == [6]
    again = bench.begin()
    assert again.plant.states[0].tobytes() == worker.plant.states[0].tobytes()


def test_a_state_of_another_form_is_made_anew_from_stored_rows(bench: Any, caplog: pytest.LogCaptureFixture) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    bench.send("north", 0, 200, 11.0)
    worker.stop()
    with bench.database.begin() as connection:
        connection.execute(tables.watch_states.update().values(format=-1))
    again = bench.begin()
    assert again.plant.states[0].tobytes() == worker.plant.states[0].tobytes()
    assert "another form" in caplog.text


def test_a_message_that_shows_a_fault_of_ours_costs_only_itself(bench: Any, monkeypatch: Any, caplog: Any) -> None:
    bench.register("north")
    worker = bench.begin()
    worker.round()
    take = worker._intake.take

    def poisoned(messages: Any) -> Any:
        if any(b"poison" in one.payload for one in messages):
            raise ZeroDivisionError
        return take(messages)

    monkeypatch.setattr(worker._intake, "take", poisoned)
    bench.put("north", bench.reading(0))
    bench.put("north", b"poison")
    bench.put("north", bench.reading(10))
    bench.pass_time(2.0, 0.5)
    assert len(bench.stored("north")["t_ms"]) == 2 and len(bench.link.acked) == 3
    assert bench.reasons() == {("north", "a fault of the monitor"): 1}
    assert "a fault of the monitor" in caplog.text


def test_an_estimate_that_fails_costs_no_reading_and_no_notice(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    from monitor.service import figures

    def stumble(*_: Any, **__: Any) -> Any:
        raise OverflowError("math range error")

    monkeypatch.setattr(figures, "estimate", stumble)
    bench.register("north")
    bench.begin().round()
    bench.send("north", 0, 300, amps=9.0)
    bench.send("north", 310, 600, amps=12.0)
    assert len(bench.stored("north")["t_ms"]) == 61
    (notice,) = bench.rows(tables.notices)
    assert "no degrees, by a fault of the monitor" in notice["long"]
    assert "home/north" in caplog.text and "math range error" in caplog.text
