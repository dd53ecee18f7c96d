"""The review of a pandas table, and its columns back as one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from monitor.errors import ConfigError
from monitor.review import review, review_frame
from monitor.review.frames import log_of
from tests.review.logs import plate, told
from tests.review.published import as_published

TABLES = {
    "motor": {"rated_voltage": 460, "phases": 3, "full_load_amps": 40.0, "rated_power_hp": 30},
    "protection": {"type": "overload relay", "trip_class": 10, "setting_amps": 40.0},
    "fan": {"control": "continuous"},
    "logger": {"period_seconds": 10},
}
FILE = """
[motor]
rated_voltage = 460
phases = 3
full_load_amps = 40.0
rated_power_hp = 30
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 40.0
[fan]
control = "continuous"
[logger]
period_seconds = 10
"""
LOG = told("00:00:00  37>48 | 460\n01:20:00  0 | 461\n01:40:00  end", noise=0.001)


def table() -> pd.DataFrame:
    columns = {name: LOG.amps[:, leg] for leg, name in enumerate(("l1_amps", "l2_amps", "l3_amps"))}
    columns |= {name: LOG.volts[:, line] for line, name in enumerate(("v12", "v23", "v31"))}
    columns |= {"ambient_c": LOG.ambient_c, "remark": LOG.ambient_c}
    return pd.DataFrame(columns, index=pd.to_datetime(LOG.t_ms, unit="ms", utc=True))


def test_a_table_is_a_log_like_any_other(tmp_path: Path) -> None:
    place = tmp_path / "fan.toml"
    place.write_text(FILE)
    alike = review_frame(table(), place)
    assert [run.end_cause for run in alike.runs] == ["overload trip"]
    as_published(alike)
    for given in (TABLES, str(place), alike.nameplate):
        assert review_frame(table(), given).as_json() == alike.as_json()
    direct = review(LOG, alike.nameplate)
    assert (direct.runs, direct.overloads, direct.causes) == (alike.runs, alike.overloads, alike.causes)


def test_times_in_any_form_come_to_the_same() -> None:
    expected = log_of(table())
    assert np.array_equal(expected.t_ms, LOG.t_ms)
    local = table().tz_convert("America/Chicago")
    naive = local.tz_localize(None)
    column = table().reset_index(names="time")
    text = column.assign(time=column["time"].map(lambda time: time.isoformat()))
    shuffled = table().sample(frac=1.0, random_state=3)
    for frame, zone in ((local, None), (naive, "America/Chicago"), (column, None), (text, None), (shuffled, None)):
        log = log_of(frame, zone=zone)
        assert np.array_equal(log.t_ms, expected.t_ms) and np.array_equal(log.amps, expected.amps)


def test_rows_that_cannot_be_used_are_counted_with_their_reasons() -> None:
    frame = table().reset_index(names="time")
    frame.loc[3, "l2_amps"] = 5000.0
    frame.loc[4, "v12"] = -3.0
    frame.loc[5, "time"] = pd.NaT
    frame.loc[7, "time"] = frame.loc[6, "time"]
    log = log_of(frame)
    assert (len(log), log.rejected) == (len(LOG) - 4, 4)
    assert [one.line for one in log.unread] == [4, 5, 6, 8]
    assert log.reasons["amps outside 0 to 2000"] == 1 and sum(log.reasons.values()) == 4
    assert log.amps[6 - 3].tolist() == LOG.amps[6].tolist()


def test_all_faults_of_a_table_at_once() -> None:
    with pytest.raises(ConfigError) as told_off:
        log_of(pd.DataFrame({"amps": [1.0], "v12": ["a"]}))
    text = str(told_off.value)
    assert "at least l1_amps" in text and "v12: expected numbers" in text and "times in the index" in text
    with pytest.raises(ConfigError, match="time: expected times"):
        log_of(table().reset_index(names="time").assign(time="yesterday or so"))
    with pytest.raises(ConfigError, match="cannot be read"):
        review_frame(table(), "/no/such/file.toml")


def test_the_judged_columns_come_back() -> None:
    found = review(LOG, plate())
    frame = found.frame()
    assert len(frame) == len(LOG) and str(frame.index.tz) == "UTC"
    assert frame.index[0] == pd.Timestamp(int(LOG.t_ms[0]), unit="ms", tz="UTC")
    assert np.array_equal(frame["load_ratio"].to_numpy(), found.judged.ratio)
    assert frame["running"].sum() == (LOG.amps[:, 0] > 6.0).sum()
    again = review_frame(frame, plate())
    assert again.runs == found.runs
    assert review_frame(table().iloc[:0], TABLES).runs == ()
