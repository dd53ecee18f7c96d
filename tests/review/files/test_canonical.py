"""The canonical form: what is written comes back, and every line of the file is accounted for."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from monitor.errors import ConfigError
from monitor.review.files.read import read_log
from monitor.review.log import Log

HEAD = "time,l1_amps,l2_amps,l3_amps,v12,v23,v31,ambient_c"
NAN = float("nan")


def write(tmp_path: Path, *lines: str, name: str = "log.csv") -> Path:
    path = tmp_path / name
    path.write_bytes("".join(f"{line}\n" for line in lines).encode())
    return path


def all_lines(log: Log) -> int:
    """What became of the lines, added up."""
    lines = dict(log.how_read["lines"])
    total = int(lines.pop("total"))
    assert sum(lines.values()) == total
    assert lines["readings"] == len(log)
    assert lines["rejected"] == log.rejected == sum(log.reasons.values())
    assert len(log.unread) == min(log.rejected, 1000)
    return total


def test_three_phases(tmp_path: Path) -> None:
    log = read_log(write(
        tmp_path, HEAD,
        "2026-10-04T01:12:30Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5",
        "2026-10-04T01:12:40.250Z,12.3,,12.5,461.1,458.3,460.0,",
    ))  # fmt: skip
    assert log.t_ms.tolist() == [1_791_076_350_000, 1_791_076_360_250]
    np.testing.assert_array_equal(log.amps, [[12.2, 12.9, 12.6], [12.3, NAN, 12.5]])
    np.testing.assert_array_equal(log.volts, [[461.0, 458.4, 460.2], [461.1, 458.3, 460.0]])
    np.testing.assert_array_equal(log.ambient_c, [3.5, NAN])
    np.testing.assert_array_equal(log.called, [NAN, NAN])
    assert all_lines(log) == 3
    assert log.name == "log.csv"
    assert log.how_read["separator"] == ","
    assert log.how_read["zone"] == "as each time tells"
    assert log.how_read["columns"]["l3_amps"] == "l3_amps"
    assert log.how_read["period_seconds"] == 10.25
    assert log.how_read["guesses"] == []


def test_single_phase_and_called(tmp_path: Path) -> None:
    log = read_log(write(
        tmp_path, "time,l1_amps,v12,ambient_c,called",
        "2026-10-04 01:12:30,27.5,231,3.5,1",
        "2026-10-04 01:12:40,0,233,3.5,0",
    ), zone="America/Chicago")  # fmt: skip
    assert log.t_ms.tolist() == [1_791_094_350_000, 1_791_094_360_000]  # five hours behind UTC
    np.testing.assert_array_equal(log.amps, [[27.5, NAN, NAN], [0.0, NAN, NAN]])
    np.testing.assert_array_equal(log.volts, [[231.0, NAN, NAN], [233.0, NAN, NAN]])
    assert log.called.tolist() == [1.0, 0.0]
    assert log.how_read["zone"] == "America/Chicago"


def test_without_zone_utc_is_taken_and_told(tmp_path: Path) -> None:
    log = read_log(write(tmp_path, "time,l1_amps", "2026-10-04 01:12:30,27.5"))
    assert log.t_ms.tolist() == [1_791_076_350_000]
    assert log.how_read["zone"] == "UTC"
    assert any("give --zone" in guess for guess in log.how_read["guesses"])


def test_what_cannot_be_used_is_told_with_its_line(tmp_path: Path) -> None:
    log = read_log(write(
        tmp_path, HEAD,
        "2026-10-04T01:12:30Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5",
        "2026-10-04T01:12:40Z,12.2,-12.9,12.6,461.0,458.4,460.2,3.5",
        "2026-10-04T01:12:50Z,12.2,12.9,12.6,461.0,1458.4,460.2,3.5",
        "2026-10-34T01:12:50Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5",
        "",
        "2026-10-04T01:13:00Z,12.2,12.9",
        "2026-10-04T01:13:10Z,12.2,twelve,12.6,461.0,458.4,460.2,3.5",
        "2026-10-04T01:13:20Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5,7",
        "# a comment",
        HEAD,
        "2026-10-04T01:13:30Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5",
        "2026-10-04T01:13:30Z,99.9,12.9,12.6,461.0,458.4,460.2,3.5",
        '2026-10-04T01:13:40Z,"12.2',
    ))  # fmt: skip
    assert all_lines(log) == 14
    assert [(one.line, one.reason) for one in log.unread] == [
        (3, 'l2_amps: expected 0 to 2000 A, found "-12.9"'),
        (4, 'v23: expected 0 to 1000 V, found "1458.4"'),
        (5, 'time: expected YYYY MM DD hh mm ss, found "2026-10-34T01:12:50Z"'),
        (7, 'expected 8 cells, found 3: "2026-10-04T01:13:00Z,12.2,12.9"'),
        (8, 'l2_amps: expected a number, found "twelve"'),
        (9, 'expected at most 8 cells, found 9: "2026-10-04T01:13:20Z,12.2,12.9,12.6,461.0,458.4,460.2,3.5,7"'),
        (14, 'expected quotes to be closed in their line, found "2026-10-04T01:13:40Z,"12.2"'),
    ]  # fmt: skip
    assert log.how_read["lines"] == {
        "total": 14, "readings": 2, "rejected": 7, "doubled": 1, "head": 2, "comment": 1, "blank": 1,
    }  # fmt: skip
    assert log.amps[1, 0] == 12.2  # the first of a time counts
    assert log.reasons["expected 8 cells"] == 1


@pytest.mark.parametrize("ending", ["\r\n", "\r", "\n"])
def test_line_ends(tmp_path: Path, ending: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(
        ending.join([HEAD, "2026-10-04T01:12:30Z,1,2,3,4,5,6,7", "2026-10-04T01:12:31Z,1,2,3,4,5,6,8"]).encode()
    )
    log = read_log(path)
    assert log.ambient_c.tolist() == [7.0, 8.0]
    assert all_lines(log) == 3


def test_order_and_gaps(tmp_path: Path) -> None:
    rows = [f"2026-10-04T01:{minute:02d}:00Z,{minute}" for minute in (5, 1, 3, 3, 2, 59)]
    log = read_log(write(tmp_path, "time,l1_amps", *rows))
    assert log.amps[:, 0].tolist() == [1, 2, 3, 5, 59]
    assert log.how_read["lines"]["doubled"] == 1
    assert log.how_read["steps_back"] == 2
    assert all_lines(log) == 7


def test_progress_rises_to_one(tmp_path: Path) -> None:
    shares: list[float] = []
    read_log(write(tmp_path, "time,l1_amps", "2026-10-04T01:12:30Z,1"), progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="there is no file"):
        read_log(tmp_path / "nothing.csv")
