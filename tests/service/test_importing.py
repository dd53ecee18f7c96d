"""A log's readings are stored by the worker as late ones: once, judged by nobody, and known as repeats afterwards."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.errors import ConfigError
from monitor.records import imports, tables
from monitor.records.packing import HOUR_MS
from monitor.records.tables import FLAG_LATE
from monitor.review.into_the_record import Brought, bring

DAY_MS = 86_400_000


def log_file(tmp_path: Path, times_ms: np.ndarray, amps: float = 9.0) -> Path:
    path = tmp_path / "log.csv"
    lines = [f"{t / 1000:.3f},{amps},{amps},{amps},460,460,460,5.5\n" for t in times_ms.tolist()]
    path.write_text("time,l1_amps,l2_amps,l3_amps,v12,v23,v31,ambient_c\n" + "".join(lines))
    return path


def brought(bench: Any, path: Path, *, fan: str = "bin-1", service: bool = True, **how: Any) -> Brought:
    def sleep(seconds: float) -> None:
        if service:
            bench.pass_time(seconds, seconds)

    return bring(bench.database, "home", fan, path, by="someone", now=bench.wall, sleep=sleep, **how)


@pytest.fixture
def farm(bench: Any) -> Any:
    bench.register("bin-1")
    bench.begin()
    return bench


def now_ms(bench: Any) -> int:
    return int(bench.wall.timestamp() * 1000)


def test_a_log_is_stored_as_late_readings(farm: Any, tmp_path: Path) -> None:
    times = np.arange(now_ms(farm) - DAY_MS, now_ms(farm) - 60_000, 60_000)
    found = brought(farm, log_file(tmp_path, times))
    assert (found.stored, found.repeats, found.waiting, found.wrong) == (len(times), 0, 0, False)
    stored = farm.stored("bin-1")
    np.testing.assert_array_equal(stored["t_ms"], times)
    assert (stored["flags"] == FLAG_LATE).all() and (stored["version"] == 1).all()
    assert np.isnan(stored["limit_amps"]).all() and (stored["amps"] == 9.0).all()
    assert sorted(stored["number"].tolist()) == list(range(1, len(times) + 1))
    logger = farm.logger("bin-1")
    assert (logger["readings"], logger["late"], logger["repeats"]) == (len(times), len(times), 0)
    assert logger["newest_ms"] == times[-1] and logger["heard_ms"] is None
    assert farm.rows(tables.alarms) == [] and farm.rows(tables.runs) == []


def test_again_it_is_all_repeats(farm: Any, tmp_path: Path) -> None:
    times = np.arange(now_ms(farm) - 6 * HOUR_MS, now_ms(farm) - 60_000, 10_000)
    path = log_file(tmp_path, times)
    brought(farm, path)
    found = brought(farm, path)
    assert (found.stored, found.repeats) == (0, len(times))
    assert len(farm.stored("bin-1")["t_ms"]) == len(times)
    assert farm.logger("bin-1")["repeats"] == len(times)


def test_what_was_sent_live_is_a_repeat_and_the_other_way_round(farm: Any, tmp_path: Path) -> None:
    farm.send("bin-1", 0, 300)
    newest = farm.logger("bin-1")["newest_ms"]
    times = np.arange(newest - 300_000, newest + 1, 5_000)  # every second one was sent live
    found = brought(farm, log_file(tmp_path, times))
    assert (found.stored, found.repeats) == (30, 31)
    farm.pass_time(10)
    for t_ms in times[-12:].tolist():  # now the logger sends them, too
        farm.put("bin-1", {"t": t_ms / 1000, "amps": [9.0, 9.0, 9.0]})
    farm.pass_time(5)
    assert len(farm.stored("bin-1")["t_ms"]) == 61
    assert len(np.unique(farm.stored("bin-1")["t_ms"])) == 61


def test_readings_newer_than_the_newest_are_late_too_and_then_known(farm: Any, tmp_path: Path) -> None:
    farm.send("bin-1", 0, 60)
    farm.pass_time(1200)
    times = np.arange(now_ms(farm) - 600_000, now_ms(farm), 10_000)
    assert brought(farm, log_file(tmp_path, times)).stored == len(times)
    assert farm.logger("bin-1")["newest_ms"] == times[-1]
    farm.put("bin-1", {"t": int(times[-1]) / 1000, "amps": [9.0, 9.0, 9.0]})
    farm.pass_time(3)
    assert farm.logger("bin-1")["repeats"] == 1
    farm.begin()  # and after a restart
    farm.put("bin-1", {"t": int(times[-2]) / 1000, "amps": [9.0, 9.0, 9.0]})
    farm.put("bin-1", {"t": int(times[-1]) / 1000 + 10, "amps": [9.0, 9.0, 9.0]})
    farm.pass_time(20)
    assert farm.logger("bin-1")["repeats"] == 2
    assert farm.stored("bin-1")["flags"][-1] == 0


def test_what_is_judged_and_not_stored_yet_is_a_repeat(farm: Any, tmp_path: Path) -> None:
    farm.pass_time(3)
    t_ms = now_ms(farm) - 5_000
    brought(farm, log_file(tmp_path, np.array([t_ms])), service=False)
    farm.put("bin-1", {"t": t_ms / 1000, "amps": [9.0, 9.0, 9.0]})
    farm.pass_time(0.25)  # taken and imported in one turn
    farm.pass_time(3)
    assert farm.stored("bin-1")["t_ms"].tolist() == [t_ms]
    assert farm.stored("bin-1")["flags"].tolist() == [0]


def test_long_past_hours_are_packed_at_once_and_joined_with_what_is_there(farm: Any, tmp_path: Path) -> None:
    """A season must not fill the table that is gone through for each question."""
    first = (now_ms(farm) // HOUR_MS - 30) * HOUR_MS
    for begin in (first, first + 5_000):
        brought(farm, log_file(tmp_path, np.arange(begin, first + 4 * HOUR_MS, 10_000)))
    assert farm.rows(tables.readings) == []
    assert [row["rows"] for row in farm.rows(tables.reading_hours)] == [720] * 4
    assert np.diff(farm.stored("bin-1")["t_ms"]).tolist() == [5_000] * (4 * 720 - 1)
    latest = np.arange(now_ms(farm) - 600_000, now_ms(farm), 10_000)
    brought(farm, log_file(tmp_path, latest))
    assert len(farm.rows(tables.readings)) == 60


def test_without_a_service_they_wait_for_its_start(bench: Any, tmp_path: Path) -> None:
    bench.register("bin-1")
    times = np.arange(now_ms(bench) - 5 * DAY_MS, now_ms(bench) - 60_000, 60_000)
    found = brought(bench, log_file(tmp_path, times), service=False)
    assert (found.stored, found.waiting) == (0, len(times))
    assert "will be stored when the service runs" in found.words()[-1]
    assert not found.wrong
    bench.begin()
    bench.pass_time(5, 0.25)
    np.testing.assert_array_equal(bench.stored("bin-1")["t_ms"], times)
    assert max(len(row["body"]) for row in bench.rows(tables.actions)) < 100  # what was stored is not kept twice


def test_a_kill_between_parts_loses_and_doubles_nothing(bench: Any, tmp_path: Path) -> None:
    bench.register("bin-1")
    times = np.arange(now_ms(bench) - 20 * DAY_MS, now_ms(bench) - 60_000, 300_000)
    brought(bench, log_file(tmp_path, times), service=False)
    while True:
        bench.begin()  # the one before is dropped in the middle
        bench.pass_time(0.5, 0.25)
        if all(row["done_ms"] for row in bench.rows(tables.actions)):
            break
    stored = bench.stored("bin-1")
    np.testing.assert_array_equal(stored["t_ms"], times)
    assert len(np.unique(stored["number"])) == len(times)


def test_what_lies_in_the_future_is_not_taken(farm: Any, tmp_path: Path) -> None:
    times = np.arange(now_ms(farm) - 600_000, now_ms(farm) + 7_200_000, 60_000)
    found = brought(farm, log_file(tmp_path, times))
    assert found.ahead == int((times > now_ms(farm) + 120_000).sum()) > 100
    assert found.wrong and any("is the time zone right?" in line for line in found.words())
    assert found.stored == len(times) - found.ahead


def test_a_fan_that_is_gone_when_the_worker_comes_to_it(bench: Any, tmp_path: Path) -> None:
    bench.register("bin-1")
    times = np.arange(now_ms(bench) - HOUR_MS, now_ms(bench) - 60_000, 60_000)
    brought(bench, log_file(tmp_path, times), service=False)
    bench.remove("bin-1")
    bench.begin()
    bench.pass_time(3)
    (row,) = bench.rows(tables.actions)
    assert row["outcome"] == "there is no fan bin-1 at home"


def test_other_legs_than_the_register_has(farm: Any, tmp_path: Path) -> None:
    path = tmp_path / "one.csv"
    path.write_text("time,l1_amps\n1791076350,9\n")
    with pytest.raises(ConfigError, match=r"registered with 3 phases, but one\.csv has amps of 1 leg"):
        brought(farm, path)
    with pytest.raises(ConfigError, match="there is no fan home/bin-9 in the register"):
        brought(farm, path, fan="bin-9")


def test_the_sites_zone_is_taken_where_nothing_tells_another(farm: Any, tmp_path: Path) -> None:
    path = tmp_path / "local.csv"
    local = (farm.wall - timedelta(hours=30)).replace(microsecond=0)
    head = "time,l1_amps,l2_amps,l3_amps\n"
    path.write_text(head + f"{local:%Y-%m-%d %H:%M:%S},9,9,9\n")
    brought(farm, path)
    chicago = local.replace(tzinfo=ZoneInfo("America/Chicago"))
    assert farm.stored("bin-1")["t_ms"].tolist() == [round(chicago.timestamp() * 1000)]


def test_late_readings_of_a_gap_are_judged_as_ever(farm: Any, tmp_path: Path) -> None:
    """An overload within a gap, brought by a file: found late, one notice."""
    farm.send("bin-1", 0, 600, 9.0)
    gap_from = now_ms(farm)
    farm.pass_time(3600, 60)
    farm.send("bin-1", 3700 + 600, 3700 + 900, 9.0)
    times = np.arange(gap_from + 10_000, gap_from + 3_600_000, 10_000)
    found = brought(farm, log_file(tmp_path, times, amps=20.0))
    assert found.stored > 300
    farm.pass_time(900)
    (told,) = [row for row in farm.rows(tables.notices, "id") if "FOUND LATE" in row["short"]][:1]
    assert json.loads(told["data"])["findings"][0]["condition"] in ("overload", "tripped")
    assert not [row for row in farm.rows(tables.alarms) if row["condition"] == "overload"]


def test_parts_cover_all_rows_once() -> None:
    draw = np.random.default_rng(5)
    for count, step in ((0, 1), (1, 1), (50_000, 1_000), (30_000, 60_000), (500, 7_200_000), (20_001, 50)):
        t_ms = np.cumsum(draw.integers(1, 2 * step + 1, count))
        cuts = list(imports.parts(t_ms))
        assert np.concatenate([np.arange(count)[cut] for cut in cuts] or [np.empty(0)]).tolist() == list(range(count))
        for cut in cuts:
            assert 0 < cut.stop - cut.start <= imports.MOST_ROWS
            assert t_ms[cut.stop - 1] // HOUR_MS - t_ms[cut.start] // HOUR_MS < imports.MOST_HOURS
