"""Workbooks of Excel."""

from __future__ import annotations

import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import ConfigError
from monitor.review.files import bounds, sheets
from monitor.review.files.read import read_log

openpyxl = pytest.importorskip("openpyxl")
FIRST = datetime.fromisoformat("2026-10-14T01:12:30")  # cells have no zone
ROWS = [(FIRST + timedelta(seconds=10 * n), 12.25 + n, 12, 11.5) for n in range(50)]


def workbook(tmp_path: Path, rows: list[tuple[object, ...]], *more: str) -> Path:
    book = openpyxl.Workbook()
    book.active.title = "Log"
    for row in rows:
        book.active.append(row)
    for name in more:
        book.create_sheet(name).append(("something", "else"))
    path = tmp_path / "log.xlsx"
    book.save(path)
    return path


def test_a_sheet_is_read(tmp_path: Path) -> None:
    path = workbook(tmp_path, [("Logger", 12), (), ("Time", "I1 [A]", "I2 [A]", "I3 [A]"), *ROWS, ("the end",)])
    log = read_log(path, zone="America/Chicago")
    assert len(log) == 50
    assert log.t_ms[:2].tolist() == [1_791_958_350_000, 1_791_958_360_000]
    np.testing.assert_array_equal(log.amps[:, 0], 12.25 + np.arange(50))
    assert (log.how_read["sheet"], log.how_read["separator"], log.how_read["packed"]) == ("Log", None, "xlsx")
    assert [one.line for one in log.unread] == [54]  # the row of the sheet
    lines = dict(log.how_read["lines"])
    assert lines.pop("total") == sum(lines.values()) == 54


def test_date_and_time_apart_and_other_cells(tmp_path: Path) -> None:
    rows = [(at.date(), at.time(), 12.5, None, "OL", n % 2 == 0) for n, (at, *_) in enumerate(ROWS)]
    for head in (("Date", "Time"), ("Day", "O'clock")):
        log = read_log(workbook(tmp_path, [(*head, "I1", "I2", "I3", "called"), *rows]))
        assert len(log) == 50
        assert (np.diff(log.t_ms) == 10_000).all()
    assert np.isnan(log.amps[:, 1:]).all()
    assert log.called.tolist() == [1.0, 0.0] * 25


def test_several_sheets_are_told(tmp_path: Path) -> None:
    log = read_log(workbook(tmp_path, [("time", "l1_amps", "l2_amps", "l3_amps"), *ROWS], "Notes", "Setup"))
    assert 'read is the sheet "Log", not Notes, Setup' in log.how_read["guesses"]


def test_no_log_in_it(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"no lines of readings|only blank"):
        read_log(workbook(tmp_path, [("nothing", "here")]))
    path = tmp_path / "broken.xlsx"
    path.write_bytes(workbook(tmp_path, [("time", "l1_amps"), *ROWS]).read_bytes()[:3000])
    with pytest.raises(ConfigError, match="broken or"):
        read_log(path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
    with pytest.raises(ConfigError, match="is broken or no workbook"):
        read_log(path)


def test_a_workbook_made_to_fill_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounds, "RATIO_COUNTS_FROM", 1_000_000)
    path = tmp_path / "log.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", " " * 20_000_000)
    with pytest.raises(ConfigError, match="which no log does"):
        read_log(path)


def test_without_openpyxl_it_is_told_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = workbook(tmp_path, [("time", "l1_amps"), *ROWS])
    monkeypatch.setattr(sheets, "find_spec", lambda name: None)
    with pytest.raises(ConfigError, match=r"install openpyxl .*, or save the sheet as CSV"):
        read_log(path)
