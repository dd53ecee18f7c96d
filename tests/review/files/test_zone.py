"""A logger's local clock: zones, offsets, the hour that comes twice, the hour that is left out."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.errors import ConfigError
from monitor.review.files.read import read_log
from monitor.review.files.zone import changes, offset_ms, to_utc, zone_of
from monitor.review.log import Log

CHICAGO = ZoneInfo("America/Chicago")
AUTUMN = datetime(2026, 11, 1, 6, 0, tzinfo=UTC)
"""An hour before Chicago's clock is put back: 01:00 there, and 01:00 again an hour later (US law: first Sunday of
November, 02:00)."""
LEFT_OUT = "time: expected one that the clock shows; this hour is left out in spring"
SPRING = datetime(2026, 3, 8, 8, 0, tzinfo=UTC)
"""Second Sunday of March: an hour later the clock goes from 02:00 to 03:00."""


def log_of(tmp_path: Path, stamps: list[str], head: str = "time", **told: object) -> Log:
    path = tmp_path / "log.csv"
    rows = "".join(f"{stamp},{number}\n" for number, stamp in enumerate(stamps))
    path.write_text(f"{head},l1_amps\n{rows}")
    log = read_log(path, **told)  # type: ignore[arg-type]
    lines = dict(log.how_read["lines"])
    assert lines.pop("total") == sum(lines.values())
    return log


def local(moments: list[datetime], zone: ZoneInfo = CHICAGO) -> list[str]:
    return [at.astimezone(zone).strftime("%Y-%m-%d %H:%M:%S") for at in moments]


def ms(moments: list[datetime]) -> list[int]:
    return [round(at.timestamp() * 1000) for at in moments]


def every(start: datetime, minutes: int, count: int) -> list[datetime]:
    return [start + timedelta(minutes=minutes * step) for step in range(count)]


def test_the_hour_that_comes_twice_is_told_apart_by_order(tmp_path: Path) -> None:
    moments = every(AUTUMN - timedelta(hours=1), 10, 24)  # 00:00 to 02:50 by the clock, with 01:00 to 01:50 twice
    log = log_of(tmp_path, local(moments), zone="America/Chicago")
    assert log.t_ms.tolist() == ms(moments)
    (said,) = [guess for guess in log.how_read["guesses"] if "came twice" in guess]
    assert said == (
        "2026-11-01: the hour before 02:00 came twice: 6 readings were taken for its first pass, 6 for its second"
    )


def test_newest_first(tmp_path: Path) -> None:
    moments = every(AUTUMN - timedelta(hours=1), 10, 24)
    log = log_of(tmp_path, local(moments)[::-1], zone="America/Chicago")
    assert log.t_ms.tolist() == ms(moments)


def test_a_log_of_one_pass_only(tmp_path: Path) -> None:
    first = every(AUTUMN, 10, 6)
    assert log_of(tmp_path, local(first), zone="America/Chicago").t_ms.tolist() == ms(first)
    second = every(AUTUMN + timedelta(hours=1), 10, 12)  # begins within the second pass and goes on behind it
    assert log_of(tmp_path, local(second), zone="America/Chicago").t_ms.tolist() == ms(second)
    ends = every(AUTUMN - timedelta(hours=1), 10, 9)  # ends within the first pass
    assert log_of(tmp_path, local(ends), zone="America/Chicago").t_ms.tolist() == ms(ends)


def test_a_log_out_of_order_says_so(tmp_path: Path) -> None:
    stamps = ["2026-11-01 01:10:00", "2026-11-01 01:00:00", "2026-11-01 01:20:00", "2026-11-01 01:05:00"]
    log = log_of(tmp_path, stamps, zone="America/Chicago")
    assert log.t_ms.tolist() == ms([AUTUMN + timedelta(minutes=one) for one in (0, 5, 10, 20)])
    assert any("not in order, all were taken for its first pass" in guess for guess in log.how_read["guesses"])


def test_the_hour_that_is_left_out(tmp_path: Path) -> None:
    stamps = ["2026-03-08 01:59:00", "2026-03-08 02:00:00", "2026-03-08 02:59:59", "2026-03-08 03:00:00"]
    log = log_of(tmp_path, stamps, zone="America/Chicago")
    assert log.t_ms.tolist() == ms([SPRING - timedelta(minutes=1), SPRING])
    assert [(one.line, one.reason) for one in log.unread] == [
        (3, f'{LEFT_OUT}, found "2026-03-08T02:00:00.000"'),
        (4, f'{LEFT_OUT}, found "2026-03-08T02:59:59.000"'),
    ]
    assert log.rejected == 2
    assert log.amps[:, 0].tolist() == [0.0, 3.0]


def test_stamps_that_tell_their_offset_need_no_zone(tmp_path: Path) -> None:
    moments = every(AUTUMN - timedelta(hours=1), 30, 8)
    offset = [at.astimezone(CHICAGO).isoformat() for at in moments]
    for told in ({}, {"zone": "Europe/Berlin"}):
        log = log_of(tmp_path, offset, **told)
        assert log.t_ms.tolist() == ms(moments)
        assert log.how_read["zone"] == "as each time tells"
    words = [at.astimezone(CHICAGO).strftime("%m/%d/%Y %I:%M:%S %p %Z") for at in moments]  # CDT, then CST
    assert log_of(tmp_path, words).t_ms.tolist() == ms(moments)


@pytest.mark.parametrize(
    ("head", "hours"),
    [("Time (UTC)", 0), ("Date Time, GMT-05:00", 5), ("timestamp UTC+1", -1), ("Time (UTC-06:30)", 6.5),
     ("Date/Time UTC", 0)],
)  # fmt: skip
def test_the_name_of_the_time_may_tell_the_zone(tmp_path: Path, head: str, hours: float) -> None:
    log = log_of(tmp_path, ["2026-10-04 01:12:30"], head=f'"{head}"')
    assert log.t_ms.tolist() == [round(datetime(2026, 10, 4, 1, 12, 30, tzinfo=UTC).timestamp() + hours * 3600) * 1000]
    assert any("name of the time says" in guess for guess in log.how_read["guesses"])


def test_some_stamps_tell_it_and_some_do_not(tmp_path: Path) -> None:
    log = log_of(tmp_path, ["2026-10-04T01:12:30Z", "2026-10-04T03:12:40"], zone="+02:00")
    assert log.t_ms.tolist() == [1_791_076_350_000, 1_791_076_360_000]
    assert any("1 times tell their offset" in guess for guess in log.how_read["guesses"])


@pytest.mark.parametrize("zone", ["+02:00", "UTC+2", "GMT+02:00", "Etc/GMT-2"])
def test_offsets_as_zones(zone: str) -> None:
    assert offset_ms(zone_of(zone), 1_791_076_350_000) == 2 * 3_600_000


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "+99:00", "../../etc/passwd", "CDT5"])
def test_unknown_zones(tmp_path: Path, zone: str) -> None:
    with pytest.raises(ConfigError, match="expected a time zone such as America/Chicago"):
        log_of(tmp_path, ["2026-10-04 01:12:30"], zone=zone)


def test_unix_times_need_no_zone(tmp_path: Path) -> None:
    log = log_of(tmp_path, ["1791076350", "1791076360"], zone="America/Chicago")
    assert log.t_ms.tolist() == [1_791_076_350_000, 1_791_076_360_000]
    assert log.how_read["zone"] == "UTC"


ZONES = ("America/Chicago", "America/Winnipeg", "Europe/Kyiv", "Europe/Berlin", "Australia/Lord_Howe", "Asia/Kolkata",
         "America/Sao_Paulo", "Africa/Casablanca", "Pacific/Apia")  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(ZONES), st.integers(1_000_000_000, 1_900_000_000), st.sampled_from([600, 900, 1800]))
def test_local_times_come_back(zone_name: str, start: int, step: int) -> None:
    """With the standard library as the second way: what it makes of UTC, `to_utc` turns back, around every change."""
    zone = ZoneInfo(zone_name)
    whole = changes(zone, start * 1000, (start + 400 * 86_400) * 1000)
    for at, _, _ in whole or [(start * 1000, 0, 0)]:
        utc = np.arange(at - 10 * 3_600_000, at + 10 * 3_600_000, step * 1000)
        offsets = np.array([offset_ms(zone, int(moment)) for moment in utc], np.int64)
        back, no_such, _ = to_utc(utc + offsets, zone)
        assert not no_such.any()
        np.testing.assert_array_equal(back, utc)


def test_one_reading_an_hour(tmp_path: Path) -> None:
    moments = every(AUTUMN - timedelta(hours=3), 60, 8)
    assert log_of(tmp_path, local(moments), zone="America/Chicago").t_ms.tolist() == ms(moments)
