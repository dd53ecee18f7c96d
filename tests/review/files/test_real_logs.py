"""Pieces of published logs, read as they stand; see tests/review/data/SOURCES.md for what and whose they are."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from monitor.review.files.read import read_log

DATA = Path(__file__).parents[1] / "data"


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def test_current_of_a_compressors_motor() -> None:
    log = read_log(DATA / "metropt3.csv", phases=1)
    assert log.how_read["columns"] == {"time": "timestamp", "l1_amps": "Motor_current"}
    assert (len(log), log.rejected) == (24, 0)
    assert log.t_ms[[0, -1]].tolist() == [ms("2020-02-01T01:29:42"), ms("2020-02-01T01:33:29")]
    np.testing.assert_array_equal(log.amps[:8, 0], [
        0.04, 0.0375000000000005, 0.0424999999999995, 0.04, 0.04, 0.04, 5.609999999999999, 5.954999999999998,
    ])  # fmt: skip
    # As documented: 0 A off, about 7 A under load, about 4 A unloaded.
    assert np.round(log.amps[[0, 12, 20], 0]).tolist() == [0.0, 6.0, 4.0]
    assert np.isnan(log.amps[:, 1:]).all() and np.isnan(log.volts).all() and np.isnan(log.ambient_c).all()
    assert "Oil_temperature" in log.how_read["ignored"]
    assert log.how_read["period_seconds"] == 10.0
    assert log.how_read["zone"] == "UTC"


def test_current_and_volts_of_a_household() -> None:
    log = read_log(DATA / "household.txt", zone="Europe/Paris")
    assert log.how_read["columns"] == {
        "time": "Time", "date": "Date", "l1_amps": "Global_intensity", "v12": "Voltage",
    }  # fmt: skip
    assert log.how_read["lines"]["readings"] == 7
    assert log.t_ms[:4].tolist() == [
        ms("2006-12-16T16:24:00"), ms("2006-12-16T16:25:00"), ms("2006-12-16T16:26:00"), ms("2007-01-31T23:00:00"),
    ]  # fmt: skip
    assert log.amps[:5, 0].tolist() == [18.4, 23.0, 23.0, 1.4, 1.4]
    assert log.volts[:5, 0].tolist() == [234.84, 233.63, 233.29, 243.15, 243.32]
    assert np.isnan(log.amps[5:, 0]).all() and np.isnan(log.volts[5:, 0]).all()


def test_lines_that_begin_with_a_number_nobody_names() -> None:
    log = read_log(DATA / "household-rows-named.txt", zone="Europe/Paris")
    assert log.amps[:, 0].tolist() == [1.4] * 9 + [1.0]
    assert log.volts[0, 0] == 243.15
    assert log.t_ms[0] == ms("2007-01-31T23:00:00")
    assert any("a running number" in guess for guess in log.how_read["guesses"])
