"""Operators' actions, and what is decided by the clock: loggers that fall silent, clocks that are put right."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from monitor.records import tables


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("north")
    bench.begin().round()
    return bench


# --- actions -----------------------------------------------------------------------------------------------------


def test_acknowledging(farm: Any) -> None:
    farm.send("north", 0, 160, 11.0)
    (alarm,) = farm.raised("overload")
    done = farm.act("acknowledge", alarm=alarm["number"])
    farm.pass_time(1.0, 0.5)
    assert farm.outcome(done) == "done"
    (alarm,) = farm.raised("overload")
    assert (alarm["state"], alarm["acknowledged_by"]) == ("ACKNOWLEDGED", "someone")
    again = farm.act("acknowledge", alarm=alarm["number"])
    farm.pass_time(1.0, 0.5)
    assert farm.outcome(again) == "done" and len(farm.rows(tables.alarm_changes)) == 2
    farm.send("north", 170, 320, 5.0)
    assert farm.changes()[-1] == ("overload", "ACKNOWLEDGED", "NORMAL", "returned")


@pytest.mark.parametrize(
    ("kind", "site", "body", "outcome"),
    [
        ("acknowledge", "elsewhere", {"alarm": 1}, "alarm 1 is over, or is not of this site"),
        ("acknowledge", "home", {"alarm": 99}, "alarm 99 is over, or is not of this site"),
        ("acknowledge", "home", {"alarm": "1"}, "alarm 1 is over, or is not of this site"),
        ("acknowledge", "home", {}, "alarm None is over, or is not of this site"),
        ("paint it red", "home", {}, 'nobody knows how to do "paint it red"'),
        ("planned-stop", "home", {"fan": "nobody"}, "there is no fan nobody at home"),
        ("planned-stop", "elsewhere", {"fan": "north"}, "there is no fan north at elsewhere"),
        ("planned-stop", "home", {"fan": "north", "until": "soon"}, "until when is it to stand still?"),
        ("planned-stop", "home", {"fan": "north", "until": 5}, "until when is it to stand still?"),
        ("planned-stop", "home", {"fan": "north"}, "until when is it to stand still?"),
        ("planned-stop", "home", {"fan": "north", "until": "2026-10-03T00:00Z"}, "the planned stop would be over"),
        ("withdraw-planned-stop", "home", {"fan": "nobody"}, "there is no fan nobody at home"),
    ],
)
def test_what_cannot_be_done_is_told_in_words_and_changes_nothing(
    farm: Any, kind: str, site: str, body: dict[str, object], outcome: str
) -> None:
    farm.send("north", 0, 160, 11.0)
    before = farm.rows(tables.alarms)
    number = farm.act(kind, site, **body)
    farm.pass_time(1.0, 0.5)
    said = farm.outcome(number)
    assert said is not None and said.startswith(outcome)
    assert farm.rows(tables.alarms) == before


def test_an_action_is_done_once_also_when_the_commit_fails_at_first(farm: Any, monkeypatch: Any) -> None:
    from monitor.errors import LinkError
    from monitor.service import worker as worker_module

    farm.send("north", 0, 160, 11.0)
    commit = worker_module.commit

    def refuse(*_: Any) -> None:
        raise LinkError("the database is busy.")

    monkeypatch.setattr(worker_module, "commit", refuse)
    number = farm.act("acknowledge", alarm=farm.raised("overload")[0]["number"])
    farm.pass_time(5.0, 0.5)
    assert farm.outcome(number) is None
    monkeypatch.setattr(worker_module, "commit", commit)
    farm.pass_time(3.0, 0.5)
    assert farm.outcome(number) == "done"
    assert [change[3] for change in farm.changes()] == ["raised", "acknowledged"]


def test_a_planned_stop_is_no_news_until_its_time_is_up(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.act("planned-stop", fan="north", until="2026-10-04T01:30:00Z", why="emptying the bin")
    farm.pass_time(1.0, 0.5)
    farm.send("north", 70, 300, 0.0)
    (stopped,) = farm.raised("stopped")
    assert (stopped["state"], stopped["suppression"]) == ("UNACKNOWLEDGED", "SUPPRESSED_BY_DESIGN")
    assert farm.rows(tables.notices) == []
    farm.send("north", 310, 1900, 0.0)  # past half past one
    assert [row["kind"] for row in farm.rows(tables.notices)] == ["raised"]
    assert [change[3] for change in farm.changes()] == ["planned stop", "raised", "planned stop over"]


def test_a_planned_stop_survives_a_kill_and_can_be_withdrawn(farm: Any) -> None:
    farm.act("planned-stop", fan="north", until="2026-10-04T05:00:00Z")
    farm.pass_time(1.0, 0.5)
    farm.begin().round()
    farm.send("north", 10, 60)
    farm.send("north", 70, 200, 0.0)
    assert farm.rows(tables.notices) == []
    farm.act("withdraw-planned-stop", fan="north")
    farm.pass_time(1.0, 0.5)
    assert [row["kind"] for row in farm.rows(tables.notices)] == ["raised"]


# --- clocks ------------------------------------------------------------------------------------------------------


def test_a_clock_that_is_off_by_more_than_a_minute_is_told_and_clears_when_it_is_put_right(farm: Any) -> None:
    for second in range(0, 200, 10):  # its clock is three minutes behind
        farm.put("north", farm.reading(second - 180, 9.0))
        farm.pass_time(10.0)
    (alarm,) = farm.raised("logger-suspect")
    assert (alarm["priority"], alarm["rings"], alarm["value"], alarm["cleared_ms"]) == ("low", False, 5.0, None)
    for second in range(200, 400, 10):
        farm.put("north", farm.reading(second, 9.0))
        farm.pass_time(10.0)
    (alarm,) = farm.raised("logger-suspect")
    assert alarm["cleared_ms"] is not None


def test_a_clock_that_is_right_is_not_suspected(farm: Any) -> None:
    farm.send("north", 0, 300)
    assert farm.raised("logger-suspect") == []


# --- silence -----------------------------------------------------------------------------------------------------


def test_a_silent_logger_is_overdue_after_ten_minutes_and_no_sooner(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.pass_time(595.0)
    assert farm.raised("logger-overdue") == []
    farm.pass_time(15.0)
    (alarm,) = farm.raised("logger-overdue")
    assert (alarm["priority"], alarm["state"]) == ("medium", "UNACKNOWLEDGED")
    # since it was last heard, to the round
    assert alarm["since_ms"] == pytest.approx(farm.reading(60)["t"] * 1000, abs=1000)
    assert alarm["value"] == pytest.approx(605, abs=11)
    farm.pass_time(65.0)  # what does not ring is gathered for a minute
    assert [row["kind"] for row in farm.rows(tables.notices)] == ["raised"]
    farm.send("north", 800, 810)
    farm.pass_time(6.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["state"] == "RETURNED_UNACKNOWLEDGED"
    farm.pass_time(65.0)
    assert [row["kind"] for row in farm.rows(tables.notices)] == ["raised", "cleared"]


def test_three_periods_where_they_are_longer(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate.replace("period_seconds = 10", "period_seconds = 600"))
    bench.begin().round()
    bench.send("north", 0, 0)
    bench.pass_time(1790.0)
    assert bench.raised("logger-overdue") == []
    bench.pass_time(20.0)
    assert len(bench.raised("logger-overdue")) == 1


def test_a_fan_last_seen_stopped_can_wait_for_the_morning(farm: Any) -> None:
    farm.send("north", 0, 30, 9.0)
    farm.send("north", 40, 60, 0.0)
    farm.pass_time(620.0)
    assert [alarm["priority"] for alarm in farm.raised("logger-overdue")] == ["low"]


def test_turned_off_and_never_heard_are_not_overdue(bench: Any, nameplate: str) -> None:
    bench.register("north", nameplate + "[conditions.logger-overdue]\noff = true\n")
    bench.register("south")
    bench.begin().round()
    bench.send("north", 0, 30)
    bench.pass_time(2000.0)
    assert bench.raised("logger-overdue") == []


def test_a_supply_point_is_overdue_while_a_fan_names_it_and_no_longer(
    bench: Any, nameplate: str, fed_by_panel: str
) -> None:
    bench.register("east", fed_by_panel)
    bench.begin().round()
    bench.put("panel", bench.reading(0, None, volts=[460.0] * 3))
    bench.send("east", 0, 650)
    (alarm,) = bench.raised("logger-overdue")
    assert (alarm["supply"], alarm["fan"], alarm["state"]) == ("panel", None, "UNACKNOWLEDGED")
    assert bench.link.last("home/panel/alarms")["supply"] == "panel"
    bench.register("east", nameplate)  # fed from elsewhere now
    bench.pass_time(6.0, 1.0)
    assert bench.raised("logger-overdue")[0]["state"] == "NORMAL"


def test_while_the_link_is_away_no_logger_is_silent(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.link.connected = False
    farm.pass_time(3600.0)
    farm.link.connected, farm.link.generation = True, 1
    farm.link.inbox.quiet_for = lambda: 100.0
    farm.pass_time(640.0)  # a minute until the connection is believed in, and its ten
    assert farm.raised("logger-overdue") == []
    farm.pass_time(40.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["since_ms"] == pytest.approx(farm.reading(60)["t"] * 1000, abs=1000)  # it was silent all the time


def test_a_link_that_breaks_every_few_minutes_does_not_hide_a_dead_logger(farm: Any) -> None:
    farm.link.inbox.quiet_for = lambda: 100.0
    farm.send("north", 0, 60)
    for n in range(5):
        farm.link.generation = n + 1
        farm.pass_time(180.0)
    assert len(farm.raised("logger-overdue")) == 1


def test_the_services_own_time_of_rest_makes_nobody_overdue(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.worker.stop()
    farm.wall += timedelta(hours=5)
    farm.steady = 3.0  # another machine start
    farm.begin()
    farm.pass_time(590.0)
    assert farm.raised("logger-overdue") == []
    farm.pass_time(30.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["since_ms"] == pytest.approx(farm.reading(60)["t"] * 1000, abs=1000)


def test_an_overdue_logger_stays_so_over_a_restart_until_it_is_heard(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.pass_time(700.0)
    farm.begin()
    farm.pass_time(100.0)
    assert [alarm["state"] for alarm in farm.raised("logger-overdue")] == ["UNACKNOWLEDGED"]
    farm.put("north", farm.reading(800))
    farm.pass_time(10.0)
    assert [alarm["state"] for alarm in farm.raised("logger-overdue")] == ["RETURNED_UNACKNOWLEDGED"]


def test_a_machine_that_slept_calls_nobody_overdue(farm: Any) -> None:
    farm.send("north", 0, 60)
    farm.steady += 7200.0
    farm.wall += timedelta(hours=2)
    farm.pass_time(30.0)
    assert farm.raised("logger-overdue") == []


# --- the clock is put right -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("days", [-1, 1])
def test_a_clock_put_right_by_a_day_calls_nobody_overdue_and_hides_nobody(farm: Any, days: int) -> None:
    farm.send("north", 0, 60)
    farm.wall += timedelta(days=days)
    farm.pass_time(580.0)
    assert farm.raised("logger-overdue") == []
    farm.pass_time(30.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["value"] == pytest.approx(605, abs=11)
    farm.put("north", {"amps": [9.0] * 3})
    farm.pass_time(10.0)
    assert [alarm["state"] for alarm in farm.raised("logger-overdue")] == ["RETURNED_UNACKNOWLEDGED"]


def test_a_step_ahead_and_back_freezes_nothing(farm: Any, caplog: Any) -> None:
    farm.send("north", 0, 160, 11.0)
    farm.wall += timedelta(days=1)
    farm.pass_time(30.0)
    farm.wall -= timedelta(days=1)
    farm.pass_time(30.0)
    assert "the clock was put back" in caplog.text
    assert farm.worker._now() == farm.wall
    farm.act("planned-stop", fan="north", until=(farm.wall + timedelta(minutes=10)).isoformat())
    farm.pass_time(1.0, 0.5)
    start = (farm.wall.timestamp() * 1000 - farm.reading(0)["t"] * 1000) / 1000
    farm.send("north", start, start + 500, 0.0)
    assert "planned stop over" not in [change[3] for change in farm.changes()]
    farm.send("north", start + 510, start + 700, 0.0)
    assert "planned stop over" in [change[3] for change in farm.changes()]
    farm.pass_time(620.0)
    assert len(farm.raised("logger-overdue")) == 1


def test_a_small_correction_backwards_stands_still(farm: Any) -> None:
    farm.pass_time(10.0)
    before = farm.worker._now()
    farm.wall -= timedelta(seconds=100)
    assert farm.worker._now() == before
    farm.wall += timedelta(seconds=101)
    assert farm.worker._now() == before + timedelta(seconds=1)


def test_estimates_go_on_after_a_step_ahead_and_back(farm: Any, monkeypatch: Any) -> None:
    made: list[float] = []
    monkeypatch.setattr(farm.worker.figures, "estimate", lambda point: (made.append(farm.steady), (None, None))[1])
    farm.pass_time(300.0)
    farm.wall += timedelta(days=1)
    farm.pass_time(300.0)
    farm.wall -= timedelta(days=1)
    farm.pass_time(900.0)
    assert len(made) == 5


def test_a_reading_heard_by_a_clock_that_was_ahead_lies_not_in_the_future(farm: Any) -> None:
    farm.wall += timedelta(days=1)
    farm.put("north", farm.reading(86_400))
    farm.pass_time(2.0, 0.5)
    farm.wall -= timedelta(days=1)
    farm.begin()
    farm.pass_time(620.0)
    (alarm,) = farm.raised("logger-overdue")
    assert alarm["since_ms"] <= alarm["raised_ms"] and alarm["value"] >= 0.0


def test_a_reading_that_waits_to_be_taken_is_no_silence(farm: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from monitor.service import worker as worker_module

    farm.register("south")
    farm.pass_time(1.0, 0.5)
    farm.send("north", 0, 60)
    farm.pass_time(500.0)
    monkeypatch.setattr(worker_module, "MOST_MESSAGES", 2)
    for n in range(200):
        farm.put("south", farm.reading(n))
    farm.put("north", farm.reading(550))
    farm.pass_time(400.0)
    assert len(farm.link.inbox) > 0 and farm.raised("logger-overdue") == []
    farm.pass_time(200.0)
    assert len(farm.link.inbox) == 0 and farm.raised("logger-overdue") == []
